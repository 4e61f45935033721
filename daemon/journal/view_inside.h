/* SPDX-License-Identifier: Apache-2.0
 *
 * view_inside.h - the view's memory, shared by view.c and chain.c.
 */
#ifndef UPHOLE_JOURNAL_VIEW_INSIDE_H
#define UPHOLE_JOURNAL_VIEW_INSIDE_H

#include "view.h"

enum view_row {
    V_ROWS,
    V_ROWS_BACK,
    V_ROW_ENDS,
    V_OF_ROWS, /* those below need blocks */
    V_RANGE = V_OF_ROWS,
    V_RANGE_OF,
    V_RANGE_BACK,
    V_RANGE_BACK_OF,
    V_BLOCKS,
    V_BLOCK,
    V_BLOCK_ENDS,
    V_ALL
};

struct sealed_range {
    uint64_t pos_from, pos_to;
};

/** A row of `block`; `data` lives as long as the statement's row. */
struct view_block {
    uint64_t number, pos_from, pos_to;
    uint16_t well;
    uint8_t source;
    bool head_holds;
    struct sealed_head head;
    uint8_t before[SEALED_DIGEST_BYTES], digest[SEALED_DIGEST_BYTES];
    const uint8_t *data;
    size_t length;
};
/** Of number, pos_from, pos_to, well, source, head, before, digest, data. False: it is not as it
 * was sealed. */
bool view_block_of_row(sqlite3_stmt *row, struct view_block *block);

struct kept_block {
    uint64_t number, pos_to; /* 0: nothing */
    uint64_t used;           /* larger: later */
    uint16_t well;
    uint8_t source;
    bool is_done; /* its head was visited: it has no table, and is forgotten with this walk */
    size_t bytes; /* of the table's memory */
    struct sealed_table *table;
};
struct stream_of_block {
    const struct kept_block *block;
    size_t row, left;
    uint64_t pos;
};

struct scan_view {
    struct store *store;
    bool has_blocks;
    sqlite3_stmt *row[V_ALL];
    struct sealed_packer *packer;
    size_t n_rows, n_kept, n_streams, n_damages;
    uint64_t n_used, n_unpacked; /* how often a block was */
    uint64_t range_to;           /* of the sealed range of this step; 0: none */
    view_visit_head visit_head;
    void *head_context;
    struct journal_damage damage[VIEW_DAMAGES_MAX];
    bool holds[VIEW_BUFFER];
    struct scan rows[VIEW_BUFFER], unpacked;
    struct kept_block kept[VIEW_BLOCKS_MAX];
    struct stream_of_block streams[VIEW_BLOCKS_MAX];
};

/** view_blocks.c: unpacks the wanted blocks of a sealed range, unless they are kept. SQLite's
 * result. */
int view_load_blocks(struct scan_view *view, uint64_t pos_to, const struct view_want *want);
void view_note_damage(struct scan_view *view, uint8_t kind, uint64_t number);
/** Resets a statement; SQLite's result, OK where it was a row or the end. */
int view_end(sqlite3_stmt *row, int rc);

#endif
