/* SPDX-License-Identifier: Apache-2.0
 *
 * rows.c - scans and gaps as rows, and back; their CRC-32 covers every column, so that no bit
 * changes unseen.
 */
#include "store.h"

#include "uphole/wire.h"

#include <string.h>

#define BLOCK_HEAD 6 /* function, first (2), count (2), exception */

uint16_t block_words(const struct block *block)
{
    if (block->exception != 0)
        return 0;
    return block->function == 1 || block->function == 2 ? (uint16_t)((block->count + 15u) / 16u)
                                                        : block->count;
}

size_t scan_to_blob(const struct scan *scan, uint8_t blob[static SCAN_BLOB_MAX])
{
    size_t length = 0;
    if (scan->n_blocks > SCAN_BLOCKS_MAX || scan->n_words > SCAN_WORDS_MAX)
        return 0;
    for (unsigned i = 0; i < scan->n_blocks; i++) {
        const struct block *block = &scan->block[i];
        const unsigned n = block_words(block);
        if ((unsigned)block->at + n > scan->n_words || length + BLOCK_HEAD + 2u * n > SCAN_BLOB_MAX)
            return 0;
        blob[length] = block->function;
        put_u16(blob + length + 1, block->first);
        put_u16(blob + length + 3, block->count);
        blob[length + 5] = block->exception;
        length += BLOCK_HEAD;
        for (unsigned k = 0; k < n; k++, length += 2)
            put_u16(blob + length, scan->words[block->at + k]);
    }
    return length;
}

bool scan_from_blob(struct scan *scan, const uint8_t *blob, size_t length)
{
    size_t at = 0;
    scan->n_blocks = scan->n_words = 0;
    while (at < length) {
        if (scan->n_blocks == SCAN_BLOCKS_MAX || length - at < BLOCK_HEAD)
            return false;
        struct block *block = &scan->block[scan->n_blocks++];
        *block = (struct block){.function = blob[at],
                                .first = get_u16(blob + at + 1),
                                .count = get_u16(blob + at + 3),
                                .exception = blob[at + 5],
                                .at = scan->n_words};
        at += BLOCK_HEAD;
        const unsigned n = block_words(block);
        if (length - at < 2u * n || scan->n_words + n > SCAN_WORDS_MAX)
            return false;
        for (unsigned k = 0; k < n; k++, at += 2)
            scan->words[scan->n_words++] = get_u16(blob + at);
    }
    return true;
}

uint32_t scan_check(const struct scan *scan, const uint8_t *blob, size_t length)
{
    uint8_t head[64];
    put_u64(head, scan->pos);
    put_u64(head + 8, scan->run);
    put_u64(head + 16, scan->seq);
    put_u64(head + 24, (uint64_t)scan->begun.utc_ms);
    put_u64(head + 32, (uint64_t)scan->begun.boot_ms);
    put_u32(head + 40, scan->plan);
    put_u32(head + 44, scan->took_ms);
    put_u32(head + 48, scan->stray);
    put_u16(head + 52, scan->well);
    head[54] = scan->source;
    head[55] = scan->begun.clock;
    head[56] = scan->outcome;
    head[57] = scan->tries;
    return crc32_of(crc32_of(0, head, 58), blob, length);
}

static uint32_t check_stamp(uint32_t check, const struct stamp *stamp)
{
    uint8_t bytes[21];
    put_u64(bytes, (uint64_t)stamp->utc_ms);
    put_u64(bytes + 8, (uint64_t)stamp->boot_ms);
    put_u32(bytes + 16, stamp->boot);
    bytes[20] = stamp->clock;
    return crc32_of(check, bytes, sizeof bytes);
}

uint32_t gap_check(const struct gap *gap)
{
    uint8_t bytes[72];
    put_u64(bytes, gap->pos);
    put_u64(bytes + 8, gap->run);
    put_u64(bytes + 16, gap->id);
    put_u64(bytes + 24, gap->before_seq);
    put_u64(bytes + 32, gap->after_seq);
    put_u32(bytes + 40, gap->revision);
    put_u32(bytes + 44, gap->scans);
    put_u32(bytes + 48, gap->refreshes_about);
    put_u32(bytes + 52, gap->recovered);
    put_u16(bytes + 56, gap->well);
    put_u16(bytes + 58, gap->point);
    bytes[60] = gap->kind;
    bytes[61] = gap->cause_code;
    bytes[62] = gap->source;
    bytes[63] = gap->all_wells;
    bytes[64] = gap->start_sure;
    bytes[65] = gap->end_sure;
    bytes[66] = gap->is_open;
    bytes[67] = gap->lost;
    uint32_t check = crc32_of(0, bytes, 68);
    struct stamp due = gap->last_due;
    due.clock = 0; /* not stored */
    check = check_stamp(check_stamp(check_stamp(check, &gap->start), &gap->end), &due);
    check = crc32_of(check, gap->destination, strlen(gap->destination) + 1);
    return crc32_of(check, gap->cause, strlen(gap->cause));
}

void scan_bind(sqlite3_stmt *row, const struct scan *scan, const uint8_t *blob, size_t length)
{
    bind_u64(row, 1, scan->pos);
    bind_u64(row, 2, scan->run);
    sqlite3_bind_int(row, 3, scan->well);
    sqlite3_bind_int(row, 4, scan->source);
    bind_u64(row, 5, scan->seq);
    bind_u64(row, 6, scan->plan);
    sqlite3_bind_int64(row, 7, scan->begun.utc_ms);
    sqlite3_bind_int64(row, 8, scan->begun.boot_ms);
    bind_u64(row, 9, scan->took_ms);
    sqlite3_bind_int(row, 10, scan->begun.clock);
    sqlite3_bind_int(row, 11, scan->outcome);
    sqlite3_bind_int(row, 12, scan->tries);
    bind_u64(row, 13, scan->stray);
    sqlite3_bind_blob(row, 14, length > 0 ? blob : (const uint8_t *)"", (int)length, SQLITE_STATIC);
    bind_u64(row, 15, scan_check(scan, blob, length));
}

bool scan_from_row(sqlite3_stmt *row, struct scan *scan)
{
    scan->pos = column_u64(row, 0);
    scan->run = column_u64(row, 1);
    scan->well = (uint16_t)sqlite3_column_int(row, 2);
    scan->source = (uint8_t)sqlite3_column_int(row, 3);
    scan->seq = column_u64(row, 4);
    scan->plan = (uint32_t)column_u64(row, 5);
    scan->begun = (struct stamp){.utc_ms = sqlite3_column_int64(row, 6),
                                 .boot_ms = sqlite3_column_int64(row, 7),
                                 .boot = (uint32_t)column_u64(row, 15),
                                 .clock = (uint8_t)sqlite3_column_int(row, 9)};
    scan->took_ms = (uint32_t)column_u64(row, 8);
    scan->outcome = (uint8_t)sqlite3_column_int(row, 10);
    scan->tries = (uint8_t)sqlite3_column_int(row, 11);
    scan->stray = (uint32_t)column_u64(row, 12);
    const uint8_t *blob = sqlite3_column_blob(row, 13);
    const size_t length = (size_t)sqlite3_column_bytes(row, 13);
    return scan_check(scan, blob, length) == (uint32_t)column_u64(row, 14) &&
           scan_from_blob(scan, blob, length);
}

static void bind_stamp(sqlite3_stmt *row, int at, const struct stamp *stamp)
{
    sqlite3_bind_int64(row, at, stamp->utc_ms);
    sqlite3_bind_int64(row, at + 1, stamp->boot_ms);
    bind_u64(row, at + 2, stamp->boot);
}

static struct stamp column_stamp(sqlite3_stmt *row, int at, int clock_at)
{
    return (struct stamp){.utc_ms = sqlite3_column_int64(row, at),
                          .boot_ms = sqlite3_column_int64(row, at + 1),
                          .boot = (uint32_t)column_u64(row, at + 2),
                          .clock = clock_at < 0 ? 0 : (uint8_t)sqlite3_column_int(row, clock_at)};
}

void gap_bind(sqlite3_stmt *row, const struct gap *gap)
{
    bind_u64(row, 1, gap->pos);
    bind_u64(row, 2, gap->run);
    bind_u64(row, 3, gap->id);
    bind_u64(row, 4, gap->revision);
    sqlite3_bind_int(row, 5, gap->kind);
    sqlite3_bind_int(row, 6, gap->cause_code);
    sqlite3_bind_int(row, 7, gap->well);
    sqlite3_bind_int(row, 8, gap->all_wells);
    sqlite3_bind_int(row, 9, gap->source);
    sqlite3_bind_int(row, 10, gap->point);
    bind_text(row, 11, gap->destination);
    bind_stamp(row, 12, &gap->start);
    sqlite3_bind_int(row, 15, gap->start.clock);
    sqlite3_bind_int(row, 16, gap->start_sure);
    bind_stamp(row, 17, &gap->end);
    sqlite3_bind_int(row, 20, gap->end.clock);
    sqlite3_bind_int(row, 21, gap->end_sure);
    sqlite3_bind_int(row, 22, gap->is_open);
    bind_u64(row, 23, gap->before_seq);
    bind_u64(row, 24, gap->after_seq);
    bind_u64(row, 25, gap->scans);
    bind_u64(row, 26, gap->refreshes_about);
    bind_u64(row, 27, gap->recovered);
    sqlite3_bind_int(row, 28, gap->lost);
    bind_text(row, 29, gap->cause);
    bind_stamp(row, 30, &gap->last_due);
    bind_u64(row, 33, gap_check(gap));
}

bool gap_from_row(sqlite3_stmt *row, struct gap *gap)
{
    *gap = (struct gap){.pos = column_u64(row, 0),
                        .run = column_u64(row, 1),
                        .id = column_u64(row, 2),
                        .revision = (uint32_t)column_u64(row, 3),
                        .kind = (uint8_t)sqlite3_column_int(row, 4),
                        .cause_code = (uint8_t)sqlite3_column_int(row, 5),
                        .well = (uint16_t)sqlite3_column_int(row, 6),
                        .all_wells = sqlite3_column_int(row, 7) != 0,
                        .source = (uint8_t)sqlite3_column_int(row, 8),
                        .point = (uint16_t)sqlite3_column_int(row, 9),
                        .start = column_stamp(row, 11, 14),
                        .start_sure = sqlite3_column_int(row, 15) != 0,
                        .end = column_stamp(row, 16, 19),
                        .end_sure = sqlite3_column_int(row, 20) != 0,
                        .is_open = sqlite3_column_int(row, 21) != 0,
                        .before_seq = column_u64(row, 22),
                        .after_seq = column_u64(row, 23),
                        .scans = (uint32_t)column_u64(row, 24),
                        .refreshes_about = (uint32_t)column_u64(row, 25),
                        .recovered = (uint32_t)column_u64(row, 26),
                        .lost = sqlite3_column_int(row, 27) != 0,
                        .last_due = column_stamp(row, 29, -1)};
    column_text(row, 10, gap->destination, sizeof gap->destination);
    column_text(row, 28, gap->cause, sizeof gap->cause);
    return gap_check(gap) == (uint32_t)column_u64(row, 32);
}

size_t cursors_from_rows(sqlite3_stmt *row, struct cursor *into, size_t room)
{
    size_t n = 0;
    while (n < room && sqlite3_step(row) == SQLITE_ROW) {
        struct cursor *cursor = &into[n++];
        column_text(row, 0, cursor->destination, sizeof cursor->destination);
        cursor->well = (uint16_t)sqlite3_column_int(row, 1);
        cursor->stream = (uint8_t)sqlite3_column_int(row, 2);
        cursor->pos = column_u64(row, 3);
        cursor->seq = column_u64(row, 4);
    }
    return n;
}
