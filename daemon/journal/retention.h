/* SPDX-License-Identifier: Apache-2.0
 *
 * retention.h - see retention.c.
 */
#ifndef UPHOLE_JOURNAL_RETENTION_H
#define UPHOLE_JOURNAL_RETENTION_H

#include "store.h"

extern const char RETENTION_SCHEMA_SQL[]; /* IF NOT EXISTS: added to journals made before */
/** Within the batch's transaction; NULL: nothing goes. Returns SQLite's result. */
int retention_remove(struct journal *journal, const struct removal *removal);
/** Takes out of a range what is not handed out any more. */
enum up_rc retention_clamp(struct journal_reader *reader, uint16_t well, struct row_range *range,
                           struct up_error *error);

#endif
