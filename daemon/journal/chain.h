/* SPDX-License-Identifier: Apache-2.0
 *
 * chain.h - sealed blocks one by one, for readers and the sealer.
 */
#ifndef UPHOLE_JOURNAL_CHAIN_H
#define UPHOLE_JOURNAL_CHAIN_H

#include "reader.h"
#include "view_inside.h"

/** SQLite's result. */
int chain_read(struct store *store, struct journal_chain *chain);
/** Proves the block with the lowest number above `after`; *found false: there is none. `table` has
 * room for every block. */
int chain_prove(struct store *store, struct sealed_packer *packer, struct sealed_table *table,
                uint64_t after, struct journal_block *into, bool *found);

#endif
