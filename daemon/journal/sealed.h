/* SPDX-License-Identifier: Apache-2.0
 *
 * sealed.h - scans of one well and source that rows hold no more: a sealed block.
 *
 *   head   what the block holds, with a CRC-32 of its own: damage of the data stays bounded by it
 *   data   codec byte, then the columns (sealed_columns.c), compressed or plain
 *   chain  digest = SHA-256(before, content), content = SHA-256(head, data), before = digest of the
 *          block numbered one lower. `content` is kept apart (table link), so that where a block is
 *          damaged, the chain is still proven past it. Blocks of schema 2: SHA-256(before, head,
 * data)
 *
 *  1. A block is never rewritten. What one codec wrote, every later program reads.
 *  2. One chain through all blocks, in the order of `number`, and not one a well: so one value, the
 *     newest digest, fixes every sealed scan of the journal, and a well whose blocks all vanished
 *     leaves a hole in the chain. Retention takes from the oldest end, so the chain still verifies
 *     from its first kept block, whose `before` is the anchor.
 *  3. Numbers have no holes, and blocks of one range of pos were sealed in one transaction with the
 *     removal of the range's rows.
 *  4. Lengths are bounded before anything is unpacked.
 */
#ifndef UPHOLE_JOURNAL_SEALED_H
#define UPHOLE_JOURNAL_SEALED_H

#include "store.h"

#include "uphole/journal_books.h"

#define SEALED_ROWS_MAX 1024
#define SEALED_TABLE_MAX (256 * 1024)                  /* bytes of a block's columns, unpacked */
#define SEALED_RAW_MAX (SEALED_TABLE_MAX + 160 * 1024) /* of its coding before compression */
#define SEALED_DATA_MAX (SEALED_RAW_MAX + 1)
#define SEALED_HEAD_BYTES 184
#define SEALED_DIGEST_BYTES 32
#define SEALED_OUTCOMES 16 /* counts of outcomes in a head; outcomes above share the last */

/** The first byte of a block's data. Codes only grow. The first two know nothing of what is held
 * (sealed_held.h); the others came with schema 3, which earlier programs refuse. */
enum sealed_codec {
    SEALED_PLAIN = 1,
    SEALED_ZSTD = 2,
    SEALED_HELD_PLAIN = 3,
    SEALED_HELD_ZSTD = 4
};

struct sealed_head {
    uint64_t number, pos_from, pos_to; /* the range of pos that was sealed together */
    uint64_t first_pos, last_pos, first_run, last_run, first_seq, last_seq;
    struct stamp first, last; /* begun of its first and last scan */
    int64_t from_utc_ms, to_utc_ms;
    uint32_t data_length, raw_length, table_length; /* as stored, as coded, as unpacked */
    uint16_t well, rows;
    uint8_t source;
    uint16_t by_outcome[SEALED_OUTCOMES];
};
void sealed_head_write(const struct sealed_head *head, uint8_t bytes[static SEALED_HEAD_BYTES]);
/** False where its CRC-32 does not hold or it says what can't be. */
bool sealed_head_read(const uint8_t *bytes, size_t length, struct sealed_head *head);

/* ---- the columns: many scans of one well and source, each field beside its like. Pure. ---- */

enum sealed_field {
    FIELD_POS,
    FIELD_SEQ,
    FIELD_UTC_MS,
    FIELD_OFFSET_MS, /* utc_ms - boot_ms: stands still but for steps of the clock */
    FIELD_TOOK_MS,
    FIELD_STRAY,
    FIELD_PLAN,
    FIELD_RUN,    /* index into runs */
    FIELD_LAYOUT, /* index into layouts */
    FIELD_CLOCK,
    FIELD_OUTCOME,
    FIELD_TRIES,
    FIELD_COUNT
};
struct sealed_run {
    uint64_t id;
    uint32_t boot;
};
/** Which ranges were asked and how each was answered; scans of one layout have their words side by
 * side. */
struct sealed_layout {
    uint16_t rows, words, n_blocks;
    uint32_t columns; /* where its columns begin in the table */
    uint32_t blocks;  /* index of its first in `block` */
};
#define SEALED_BLOCKS_MAX 2048 /* ranges of all layouts of one block */

/** Unpacked: every value at a place that follows from its row. */
struct sealed_table {
    uint16_t n, n_runs, n_layouts, n_blocks;
    size_t used;                    /* bytes of `bytes` */
    uint32_t field[FIELD_COUNT];    /* where each begins in `bytes` */
    uint16_t rank[SEALED_ROWS_MAX]; /* of a row within its layout */
    struct sealed_run run[SEALED_ROWS_MAX];
    struct sealed_layout layout[SEALED_ROWS_MAX];
    struct block block[SEALED_BLOCKS_MAX];
    uint8_t bytes[SEALED_TABLE_MAX];
};

/** Rows as they are gathered for a block: words row by row. */
struct sealed_rows {
    size_t n, n_runs, n_layouts, n_blocks, n_words, table_bytes, raw_bytes;
    uint64_t field[FIELD_COUNT][SEALED_ROWS_MAX];
    uint32_t words_at[SEALED_ROWS_MAX];
    struct sealed_run run[SEALED_ROWS_MAX];
    struct sealed_layout layout[SEALED_ROWS_MAX];
    struct block block[SEALED_BLOCKS_MAX];
    uint16_t words[SEALED_TABLE_MAX / 2];
    struct sealed_head head;
    uint64_t column[SEALED_ROWS_MAX], residual[SEALED_ROWS_MAX]; /* scratch of the coder */
};
void sealed_rows_clear(struct sealed_rows *rows);
/** False where the block is full: the scan begins the next one. An empty block takes every scan.
 * Scans come in the order of pos. */
bool sealed_rows_add(struct sealed_rows *rows, const struct scan *scan);
/** The columns' coding, what is held included; its length, at most SEALED_RAW_MAX. */
size_t sealed_rows_code(struct sealed_rows *rows, uint8_t raw[static SEALED_RAW_MAX]);
/** False where `raw` is no coding of a block: nothing outside it is read, nothing beyond `room` of
 * table->bytes written. */
bool sealed_table_read(struct sealed_table *table, size_t room, bool knows_held, const uint8_t *raw,
                       size_t length);
uint64_t sealed_table_get(const struct sealed_table *table, enum sealed_field field, size_t row);
/** True where a row of the table is what was gathered as that row, each bit of it. */
bool sealed_table_is(const struct sealed_table *table, size_t row, const struct sealed_rows *rows);
/** One scan as its row held it; but for well and source, which the head knows. `with_words` false:
 * its head alone. */
void sealed_table_scan(const struct sealed_table *table, size_t row, bool with_words,
                       struct scan *scan);

/* ---- data: the coding, packed (sealed_pack.c) ---- */

/** Contexts and scratch of one thread, allocated once. */
struct sealed_packer;
/** `packs` false: it only unpacks. NULL: no memory. */
struct sealed_packer *sealed_packer_create(bool packs);
void sealed_packer_destroy(struct sealed_packer *packer); /* NULL is fine */
/** Codes and packs, and fills lengths into rows->head. Length of the data, 0 where `room` is too
 * little. */
size_t sealed_pack(struct sealed_packer *packer, struct sealed_rows *rows, uint8_t *data,
                   size_t room);
/** What a table for this head needs: its arrays and as many bytes as its columns take. */
size_t sealed_table_bytes(const struct sealed_head *head);
/** Unpacks into a table of sealed_table_bytes(head). False where the data are not what the head
 * says. */
bool sealed_unpack(struct sealed_packer *packer, const struct sealed_head *head,
                   const uint8_t *data, size_t length, struct sealed_table *table);
/** SHA-256 of what a block holds. */
void sealed_content(const uint8_t head[static SEALED_HEAD_BYTES], const uint8_t *data,
                    size_t length, uint8_t content[static SEALED_DIGEST_BYTES]);
/** Whether `digest` is that of a block: as it is made now, or as schema 2 made it. */
bool sealed_digest_holds(const uint8_t before[static SEALED_DIGEST_BYTES],
                         const uint8_t head[static SEALED_HEAD_BYTES], const uint8_t *data,
                         size_t length, const uint8_t digest[static SEALED_DIGEST_BYTES]);

#endif
