/* SPDX-License-Identifier: Apache-2.0
 *
 * sealer.h - the writer's sealing of older scans: its memory and what the writer needs of it.
 */
#ifndef UPHOLE_JOURNAL_SEALER_H
#define UPHOLE_JOURNAL_SEALER_H

#include "chain.h"

#define SEAL_PAIRS_MAX 512 /* wells and sources of one range; a range ends before the next */
#define SEAL_BLOCKS_MAX 1024
#define SEAL_STAGED_MAX (512 * 1024) /* bytes of all blocks of one range */
#define SEAL_KEEP_ROWS 1024
#define SEAL_BLOCK_ROWS SEALED_ROWS_MAX
_Static_assert(SEAL_BLOCKS_MAX <= VIEW_BLOCKS_MAX, "a reader keeps all blocks of a range");
#define SEAL_RANGE_ROWS 16384

enum seal_state { SEAL_COUNTING, SEAL_PACKING, SEAL_STORING };

struct sealer_pair {
    uint16_t well;
    uint8_t source;
    uint32_t rows;
};
struct staged_block {
    struct sealed_head head;
    size_t at; /* in `staged` */
};

struct sealer {
    struct journal_sealing how;
    enum seal_state state;
    bool is_off; /* a block did not unpack to its rows: nothing more is sealed in this run */
    uint64_t run;
    struct journal_chain chain;
    uint64_t from, counted, to; /* the range is (from, to] */
    uint32_t rows,
        most_rows; /* counted so far; at most so many, where the range before was too large */
    size_t n_pairs, pair; /* the one that is packed */
    uint32_t packed;      /* of that pair: rows up to this index */
    size_t n_blocks, n_staged;
    uint32_t wait; /* calls to let pass: the disk was full */
    struct sealer_pair pairs[SEAL_PAIRS_MAX];
    struct staged_block block[SEAL_BLOCKS_MAX];
    struct {
        uint32_t behind; /* pos - from */
        uint16_t pair;
    } row[SEAL_RANGE_ROWS]; /* the rows that were counted, so that each is looked up once */
    struct sealed_packer *packer;
    struct sealed_rows *packing;
    struct sealed_table *table;
    uint8_t *staged;
};

/** Allocates what sealing needs, once; false: no memory. */
bool sealer_prepare(struct journal *journal);

#endif
