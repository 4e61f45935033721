/* SPDX-License-Identifier: Apache-2.0
 *
 * sealed_columns.c - scans to columns and back, bit for bit. Pure: no file, no library.
 *
 * A column is a field, or one word of one layout, over the rows that have it; sealed_column.c codes
 * each by itself.
 */
#include "sealed_held.h"

#include "uphole/wire.h"

#include <string.h>

static const uint8_t WIDTH[FIELD_COUNT] = {
    [FIELD_POS] = 8,     [FIELD_SEQ] = 8,   [FIELD_UTC_MS] = 8,  [FIELD_OFFSET_MS] = 8,
    [FIELD_TOOK_MS] = 4, [FIELD_STRAY] = 4, [FIELD_PLAN] = 4,    [FIELD_RUN] = 2,
    [FIELD_LAYOUT] = 2,  [FIELD_CLOCK] = 1, [FIELD_OUTCOME] = 1, [FIELD_TRIES] = 1,
};
#define ROW_BYTES 51 /* sum of WIDTH */
#define WORD_WIDTH 2
#define RUN_BYTES 12
#define BLOCK_BYTES 6
#define HELD_ROW_BYTES 1                           /* at most, of what held_code writes, */
#define HELD_LAYOUT_BYTES (1 + SCAN_WORDS_MAX / 8) /* and for a layout as a whole */

/* ---- rows ---- */

void sealed_rows_clear(struct sealed_rows *rows)
{
    rows->n = rows->n_runs = rows->n_layouts = rows->n_blocks = rows->n_words = 0;
    rows->table_bytes = 0;
    rows->raw_bytes = 6;
    memset(&rows->head, 0, sizeof rows->head);
}

static size_t find_run(const struct sealed_rows *rows, const struct scan *scan)
{
    for (size_t i = rows->n_runs; i-- > 0;)
        if (rows->run[i].id == scan->run && rows->run[i].boot == scan->begun.boot)
            return i;
    return rows->n_runs;
}

static bool layout_is(const struct sealed_rows *rows, size_t index, const struct scan *scan)
{
    const struct sealed_layout *layout = &rows->layout[index];
    if (layout->n_blocks != scan->n_blocks)
        return false;
    for (unsigned i = 0; i < scan->n_blocks; i++) {
        const struct block *a = &rows->block[layout->blocks + i], *b = &scan->block[i];
        if (a->function != b->function || a->exception != b->exception || a->first != b->first ||
            a->count != b->count)
            return false;
    }
    return true;
}

static size_t find_layout(const struct sealed_rows *rows, const struct scan *scan)
{
    const size_t last =
        rows->n > 0 ? (size_t)rows->field[FIELD_LAYOUT][rows->n - 1] : rows->n_layouts;
    if (last < rows->n_layouts && layout_is(rows, last, scan))
        return last;
    for (size_t i = 0; i < rows->n_layouts; i++)
        if (layout_is(rows, i, scan))
            return i;
    return rows->n_layouts;
}

static void add_layout(struct sealed_rows *rows, const struct scan *scan, size_t n_words)
{
    rows->layout[rows->n_layouts++] = (struct sealed_layout){
        .n_blocks = scan->n_blocks, .words = (uint16_t)n_words, .blocks = (uint32_t)rows->n_blocks};
    for (unsigned i = 0; i < scan->n_blocks; i++)
        rows->block[rows->n_blocks++] = scan->block[i];
}

static void widen_head(struct sealed_head *head, const struct scan *scan)
{
    if (head->rows == 0) {
        head->first_pos = scan->pos;
        head->first_run = scan->run;
        head->first_seq = scan->seq;
        head->first = scan->begun;
        head->from_utc_ms = head->to_utc_ms = scan->begun.utc_ms;
        head->well = scan->well;
        head->source = scan->source;
    }
    head->last_pos = scan->pos;
    head->last_run = scan->run;
    head->last_seq = scan->seq;
    head->last = scan->begun;
    if (scan->begun.utc_ms < head->from_utc_ms)
        head->from_utc_ms = scan->begun.utc_ms;
    if (scan->begun.utc_ms > head->to_utc_ms)
        head->to_utc_ms = scan->begun.utc_ms;
    const unsigned outcome = scan->outcome < SEALED_OUTCOMES ? scan->outcome : SEALED_OUTCOMES - 1;
    head->by_outcome[outcome]++;
    head->rows++;
}

bool sealed_rows_add(struct sealed_rows *rows, const struct scan *scan)
{
    size_t n_words = 0;
    for (unsigned i = 0; i < scan->n_blocks; i++)
        n_words += block_words(&scan->block[i]);
    const size_t run = find_run(rows, scan), layout = find_layout(rows, scan);
    const bool new_run = run == rows->n_runs, new_layout = layout == rows->n_layouts;
    const size_t table = ROW_BYTES + WORD_WIDTH * n_words;
    const size_t raw =
        table + HELD_ROW_BYTES + (new_run ? RUN_BYTES : 0) +
        (new_layout ? HELD_LAYOUT_BYTES + 1 + BLOCK_BYTES * (size_t)scan->n_blocks + n_words : 0);
    if (rows->n == SEALED_ROWS_MAX || rows->table_bytes + table > SEALED_TABLE_MAX ||
        rows->raw_bytes + raw > SEALED_RAW_MAX - FIELD_COUNT ||
        (new_layout && rows->n_blocks + scan->n_blocks > SEALED_BLOCKS_MAX))
        return false;
    if (new_run)
        rows->run[rows->n_runs++] = (struct sealed_run){scan->run, scan->begun.boot};
    if (new_layout)
        add_layout(rows, scan, n_words);
    const uint64_t values[FIELD_COUNT] = {
        [FIELD_POS] = scan->pos,
        [FIELD_SEQ] = scan->seq,
        [FIELD_UTC_MS] = (uint64_t)scan->begun.utc_ms,
        [FIELD_OFFSET_MS] = (uint64_t)scan->begun.utc_ms - (uint64_t)scan->begun.boot_ms,
        [FIELD_TOOK_MS] = scan->took_ms,
        [FIELD_STRAY] = scan->stray,
        [FIELD_PLAN] = scan->plan,
        [FIELD_RUN] = run,
        [FIELD_LAYOUT] = layout,
        [FIELD_CLOCK] = scan->begun.clock,
        [FIELD_OUTCOME] = scan->outcome,
        [FIELD_TRIES] = scan->tries,
    };
    for (unsigned f = 0; f < FIELD_COUNT; f++)
        rows->field[f][rows->n] = values[f];
    rows->words_at[rows->n] = (uint32_t)rows->n_words;
    for (unsigned i = 0; i < scan->n_blocks; i++) {
        const unsigned n = block_words(&scan->block[i]);
        memcpy(&rows->words[rows->n_words], &scan->words[scan->block[i].at],
               n * sizeof *rows->words);
        rows->n_words += n;
    }
    rows->layout[layout].rows++;
    rows->table_bytes += table;
    rows->raw_bytes += raw;
    rows->n++;
    widen_head(&rows->head, scan);
    return true;
}

/** The words' columns of one layout, behind what stands still of them. */
static uint8_t *code_words(struct sealed_rows *rows, size_t layout, uint8_t *at)
{
    const unsigned words = rows->layout[layout].words;
    uint16_t place[SEALED_ROWS_MAX];
    struct held held;
    size_t n = 0;
    for (size_t row = 0; row < rows->n; row++)
        if (rows->field[FIELD_LAYOUT][row] == layout)
            place[n++] = (uint16_t)row;
    held_choose(rows, place, n, words, &held);
    at = held_code(&held, n, words, at);
    for (unsigned w = 0; w < words; w++) {
        const bool is_held = held.kept > 0 && held_bit(held.word, w);
        size_t coded = 0;
        for (size_t i = 0; i < n; i++)
            if (!is_held || held_bit(held.row, i))
                rows->column[coded++] = rows->words[rows->words_at[place[i]] + w];
        at = column_code(rows->column, rows->residual, coded, WORD_WIDTH, at);
    }
    return at;
}

/* n (2), runs (2), layouts (2); each run: id (8), boot (4); each layout: number of ranges, then
 * function, first (2), count (2), exception of each; the fields' columns; the words' columns,
 * layout by layout, each layout's behind what is held of it (sealed_held.h). */
size_t sealed_rows_code(struct sealed_rows *rows, uint8_t raw[static SEALED_RAW_MAX])
{
    uint8_t *at = raw;
    put_u16(at, (uint16_t)rows->n);
    put_u16(at + 2, (uint16_t)rows->n_runs);
    put_u16(at + 4, (uint16_t)rows->n_layouts);
    at += 6;
    for (size_t i = 0; i < rows->n_runs; i++, at += RUN_BYTES) {
        put_u64(at, rows->run[i].id);
        put_u32(at + 8, rows->run[i].boot);
    }
    for (size_t i = 0; i < rows->n_layouts; i++) {
        const struct sealed_layout *layout = &rows->layout[i];
        *at++ = (uint8_t)layout->n_blocks;
        for (unsigned k = 0; k < layout->n_blocks; k++, at += BLOCK_BYTES) {
            const struct block *block = &rows->block[layout->blocks + k];
            at[0] = block->function;
            put_u16(at + 1, block->first);
            put_u16(at + 3, block->count);
            at[5] = block->exception;
        }
    }
    for (unsigned f = 0; f < FIELD_COUNT; f++) {
        memcpy(rows->column, rows->field[f], rows->n * sizeof *rows->column);
        at = column_code(rows->column, rows->residual, rows->n, WIDTH[f], at);
    }
    for (size_t i = 0; i < rows->n_layouts; i++)
        at = code_words(rows, i, at);
    return (size_t)(at - raw);
}

/* ---- and back ---- */

static bool read_lists(struct sealed_table *table, struct input *input)
{
    const uint8_t *at = input_take(input, 6);
    if (at == NULL)
        return false;
    table->n = get_u16(at);
    table->n_runs = get_u16(at + 2);
    table->n_layouts = get_u16(at + 4);
    table->n_blocks = 0;
    if (table->n == 0 || table->n > SEALED_ROWS_MAX || table->n_runs > table->n ||
        table->n_layouts > table->n)
        return false;
    for (size_t i = 0; i < table->n_runs; i++) {
        if ((at = input_take(input, RUN_BYTES)) == NULL)
            return false;
        table->run[i] = (struct sealed_run){get_u64(at), get_u32(at + 8)};
    }
    for (size_t i = 0; i < table->n_layouts; i++) {
        const uint8_t *count = input_take(input, 1);
        if (count == NULL || *count > SCAN_BLOCKS_MAX ||
            table->n_blocks + *count > SEALED_BLOCKS_MAX)
            return false;
        struct sealed_layout *layout = &table->layout[i];
        *layout = (struct sealed_layout){.n_blocks = *count, .blocks = table->n_blocks};
        size_t words = 0;
        for (unsigned k = 0; k < layout->n_blocks; k++) {
            if ((at = input_take(input, BLOCK_BYTES)) == NULL)
                return false;
            struct block *block = &table->block[table->n_blocks++];
            *block = (struct block){.function = at[0],
                                    .first = get_u16(at + 1),
                                    .count = get_u16(at + 3),
                                    .exception = at[5],
                                    .at = (uint16_t)words};
            words += block_words(block);
            if (words > SCAN_WORDS_MAX)
                return false;
        }
        layout->words = (uint16_t)words;
    }
    return true;
}

/** Which row stands where among those of its layout; false where a row names none. */
static bool rank_rows(struct sealed_table *table)
{
    for (size_t row = 0; row < table->n; row++) {
        const uint64_t layout = sealed_table_get(table, FIELD_LAYOUT, row);
        if (layout >= table->n_layouts ||
            sealed_table_get(table, FIELD_RUN, row) >= table->n_runs ||
            (row > 0 && sealed_table_get(table, FIELD_POS, row) <=
                            sealed_table_get(table, FIELD_POS, row - 1)))
            return false;
        table->rank[row] = table->layout[layout].rows++;
    }
    return true;
}

static bool read_words(struct sealed_table *table, struct sealed_layout *layout, size_t room,
                       bool knows_held, struct input *input)
{
    const size_t bytes = (size_t)WORD_WIDTH * layout->rows;
    struct held held = {0};
    layout->columns = (uint32_t)table->used;
    if (knows_held && !held_read(input, layout->rows, layout->words, &held))
        return false;
    for (unsigned w = 0; w < layout->words; w++) {
        uint8_t *into = table->bytes + table->used;
        const bool is_held = held.kept > 0 && held_bit(held.word, w);
        if (table->used + bytes > room ||
            !(is_held ? held_column_read(input, &held, layout->rows, into)
                      : column_read(input, layout->rows, WORD_WIDTH, into)))
            return false;
        table->used += bytes;
    }
    return true;
}

bool sealed_table_read(struct sealed_table *table, size_t room, bool knows_held, const uint8_t *raw,
                       size_t length)
{
    struct input input = {raw, raw + length};
    table->n = 0;
    table->used = 0;
    bool good = read_lists(table, &input) && (size_t)ROW_BYTES * table->n <= room;
    for (unsigned f = 0; good && f < FIELD_COUNT; f++) {
        table->field[f] = (uint32_t)table->used;
        good = column_read(&input, table->n, WIDTH[f], table->bytes + table->used);
        table->used += (size_t)WIDTH[f] * table->n;
    }
    good = good && rank_rows(table);
    for (size_t i = 0; good && i < table->n_layouts; i++)
        good = read_words(table, &table->layout[i], room, knows_held, &input);
    good = good && input.at == input.end;
    if (!good)
        table->n = 0;
    return good;
}

uint64_t sealed_table_get(const struct sealed_table *table, enum sealed_field field, size_t row)
{
    return column_fetch(table->bytes + table->field[field] + row * WIDTH[field], WIDTH[field]);
}

void sealed_table_scan(const struct sealed_table *table, size_t row, bool with_words,
                       struct scan *scan)
{
    const struct sealed_run *run = &table->run[sealed_table_get(table, FIELD_RUN, row)];
    const struct sealed_layout *layout = &table->layout[sealed_table_get(table, FIELD_LAYOUT, row)];
    const uint64_t utc_ms = sealed_table_get(table, FIELD_UTC_MS, row);
    scan->pos = sealed_table_get(table, FIELD_POS, row);
    scan->run = run->id;
    scan->seq = sealed_table_get(table, FIELD_SEQ, row);
    scan->begun =
        (struct stamp){.utc_ms = (int64_t)utc_ms,
                       .boot_ms = (int64_t)(utc_ms - sealed_table_get(table, FIELD_OFFSET_MS, row)),
                       .boot = run->boot,
                       .clock = (uint8_t)sealed_table_get(table, FIELD_CLOCK, row)};
    scan->took_ms = (uint32_t)sealed_table_get(table, FIELD_TOOK_MS, row);
    scan->plan = (uint32_t)sealed_table_get(table, FIELD_PLAN, row);
    scan->outcome = (uint8_t)sealed_table_get(table, FIELD_OUTCOME, row);
    scan->tries = (uint8_t)sealed_table_get(table, FIELD_TRIES, row);
    scan->stray = (uint32_t)sealed_table_get(table, FIELD_STRAY, row);
    scan->n_blocks = scan->n_words = 0;
    if (!with_words)
        return;
    scan->n_blocks = layout->n_blocks;
    scan->n_words = layout->words;
    memcpy(scan->block, &table->block[layout->blocks], layout->n_blocks * sizeof *scan->block);
    const uint8_t *at = table->bytes + layout->columns + (size_t)WORD_WIDTH * table->rank[row];
    for (unsigned w = 0; w < layout->words; w++, at += (size_t)WORD_WIDTH * layout->rows)
        memcpy(&scan->words[w], at, WORD_WIDTH);
}

bool sealed_table_is(const struct sealed_table *table, size_t row, const struct sealed_rows *rows)
{
    for (unsigned f = 0; f < FIELD_COUNT; f++)
        if (f != FIELD_RUN && f != FIELD_LAYOUT &&
            sealed_table_get(table, (enum sealed_field)f, row) != rows->field[f][row])
            return false;
    const struct sealed_run *run = &table->run[sealed_table_get(table, FIELD_RUN, row)],
                            *run_was = &rows->run[rows->field[FIELD_RUN][row]];
    const struct sealed_layout *is = &table->layout[sealed_table_get(table, FIELD_LAYOUT, row)],
                               *was = &rows->layout[rows->field[FIELD_LAYOUT][row]];
    if (run->id != run_was->id || run->boot != run_was->boot || is->n_blocks != was->n_blocks ||
        is->words != was->words)
        return false;
    for (unsigned i = 0; i < is->n_blocks; i++) {
        const struct block *a = &table->block[is->blocks + i], *b = &rows->block[was->blocks + i];
        if (a->function != b->function || a->exception != b->exception || a->first != b->first ||
            a->count != b->count)
            return false;
    }
    const uint8_t *at = table->bytes + is->columns + (size_t)WORD_WIDTH * table->rank[row];
    for (unsigned w = 0; w < is->words; w++, at += (size_t)WORD_WIDTH * is->rows)
        if (column_fetch(at, WORD_WIDTH) != rows->words[rows->words_at[row] + w])
            return false;
    return true;
}
