/* SPDX-License-Identifier: Apache-2.0
 *
 * order_reader.c - what a reader may ask of orders: one by its pos, the time of a row as it is
 * known by now, and which rows an interval means.
 */
#include "reader.h"
#include "retention.h"

#include <string.h>

#define CHUNKS_BACK_MAX 64

enum up_rc journal_read_order(struct journal_reader *reader, uint64_t pos, struct row_order *out,
                              struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_ORDER];
    bind_u64(row, 1, pos);
    const int step = sqlite3_step(row);
    const bool sound = step == SQLITE_ROW && order_from_row(row, out);
    const enum up_rc rc = reader_end(reader, row, step, error);
    if (rc != UP_OK || sound)
        return rc;
    *out = (struct row_order){0};
    return step == SQLITE_ROW
               ? UP_FAIL(error, UP_E_DISK,
                         "order %llu of the journal is damaged: its checksum does not hold",
                         (unsigned long long)pos)
               : UP_FAIL(error, UP_E_MISSING, "the journal has no order %llu",
                         (unsigned long long)pos);
}

/** A pos as SQLite counts: it knows no number above this. */
static uint64_t most(uint64_t pos)
{
    return pos < INT64_MAX ? pos : INT64_MAX;
}

static bool covers(const struct row_order *order, uint16_t well, uint64_t from, uint64_t to)
{
    return order->from <= order->to && order->from <= to && order->to >= from &&
           (order->well == 0 || order->well == well);
}

enum up_rc journal_read_view(struct journal_reader *reader, uint16_t well, uint64_t pos,
                             uint64_t as_of, uint32_t revision, struct row_view *out,
                             struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_MAKERS];
    struct row_order order;
    *out = (struct row_view){.low = pos, .high = UINT64_MAX};
    bind_u64(row, 1, pos);
    bind_u64(row, 2, most(as_of));
    int step = SQLITE_DONE;
    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        if (!order_from_row(row, &order) || order.revision > revision)
            continue;
        if (covers(&order, well, pos, pos)) {
            *(order.kind == ORDER_TIMES ? &out->times : &out->recalculated) = order;
            out->high = order.to < out->high ? order.to : out->high;
        } else if (order.from > pos && order.from - 1 < out->high) {
            out->high = order.from - 1;
        }
    }
    return reader_end(reader, row, step, error);
}

enum up_rc journal_time_of(struct journal_reader *reader, const struct scan *scan, struct stamp *at,
                           uint32_t *revision, struct up_error *error)
{
    struct row_view view;
    *at = scan->begun;
    if (revision != NULL)
        *revision = 0;
    const enum up_rc rc =
        journal_read_view(reader, scan->well, scan->pos, UINT64_MAX, UINT32_MAX, &view, error);
    const struct row_order *maker = rc == UP_OK ? row_view_maker(&view, scan, at) : NULL;
    if (maker != NULL && revision != NULL)
        *revision = maker->revision;
    return rc;
}

enum up_rc journal_newest_maker(struct journal_reader *reader, uint16_t well, uint64_t from,
                                uint64_t to, uint64_t below, struct row_order *out,
                                struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_MAKERS_BACK];
    struct row_order order;
    *out = (struct row_order){0};
    bind_u64(row, 1, from);
    bind_u64(row, 2, most(below));
    int step = SQLITE_DONE;
    while (out->pos == 0 && (step = sqlite3_step(row)) == SQLITE_ROW)
        if (order_from_row(row, &order) && covers(&order, well, from, to))
            *out = order;
    return reader_end(reader, row, step, error);
}

enum up_rc journal_find_plan(struct journal_reader *reader, const char *prefix, unsigned *n,
                             uint32_t *id, char digest[static 65], struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_PLAN_LIKE];
    *n = *id = 0;
    digest[0] = '\0';
    bind_text(row, 1, prefix);
    int step = SQLITE_DONE;
    while ((step = sqlite3_step(row)) == SQLITE_ROW)
        if ((*n)++ == 0) {
            *id = (uint32_t)column_u64(row, 0);
            column_text(row, 1, digest, 65);
        }
    return reader_end(reader, row, step, error);
}

enum up_rc journal_times_within(struct journal_reader *reader, uint64_t from, uint64_t to,
                                struct row_order *out, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_TIMES_AFTER];
    struct row_order order;
    *out = (struct row_order){0};
    bind_u64(row, 1, from);
    int step = SQLITE_DONE;
    while ((step = sqlite3_step(row)) == SQLITE_ROW && order_from_row(row, &order)) {
        if (order.from > to && order.from <= order.to)
            break;
        if (order.from <= order.to && order.to >= from)
            *out = order;
    }
    return reader_end(reader, row, step, error);
}

enum up_rc journal_correct_stamp(struct journal_reader *reader, struct stamp *at,
                                 struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_TIMES_AFTER];
    struct row_order order;
    const struct stamp read = *at;
    if (read.clock != CLOCK_STATE_NEVER_SET && read.clock != CLOCK_STATE_UNSYNCHRONISED)
        return UP_OK;
    bind_u64(row, 1, 0);
    int step = SQLITE_DONE;
    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        /* A row of the ledger has no place among the order's scans, but its boot tells. */
        if (!order_from_row(row, &order) || order.set.boot != read.boot || order.from > order.to)
            continue;
        const struct scan of_boot = {.pos = order.from, .begun = read};
        (void)order_corrects(&order, &of_boot, at);
    }
    return reader_end(reader, row, step, error);
}

enum up_rc journal_has_corrected(struct journal_reader *reader, int64_t from_utc_ms,
                                 int64_t to_utc_ms, bool *any, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_TIMES_AFTER];
    struct row_order order;
    *any = false;
    bind_u64(row, 1, 0);
    int step = SQLITE_DONE;
    while (!*any && (step = sqlite3_step(row)) == SQLITE_ROW)
        *any = order_from_row(row, &order) && order.set.utc_ms >= from_utc_ms &&
               order.set.utc_ms - order.set.boot_ms <= to_utc_ms; /* from its boot on */
    return reader_end(reader, row, step, error);
}

/* ---- which rows an interval means ---- */

/** The newest row of a well with seq at most `seq`: pos and seq rise together. */
static enum up_rc row_of_seq(struct journal_reader *reader, uint16_t well, uint64_t seq,
                             uint64_t *pos, uint64_t *run, uint64_t *found, struct up_error *error)
{
    uint64_t low = 0, high = 0, oldest = 0;
    enum up_rc rc = view_ends(reader->view, &oldest, &high, error);
    *pos = *run = *found = 0;
    high++; /* rows below `high` may be it; what is at or below `low` is not beyond it */
    while (rc == UP_OK && low < high) {
        uint64_t at_run, at_seq, at_pos;
        rc = journal_row_before(reader, well, low + (high - low + 1) / 2, &at_run, &at_seq, &at_pos,
                                error);
        if (rc != UP_OK)
            break;
        if (at_pos == 0 || at_seq <= seq) {
            low = low + (high - low + 1) / 2;
            if (at_pos != 0)
                *pos = at_pos, *run = at_run, *found = at_seq;
        } else {
            high = at_pos; /* rows below this one only */
        }
    }
    return rc;
}

enum up_rc journal_range_of_seq(struct journal_reader *reader, uint16_t well, uint64_t from_seq,
                                uint64_t to_seq, struct row_range *out, struct up_error *error)
{
    *out = (struct row_range){0};
    enum up_rc rc =
        row_of_seq(reader, well, from_seq, &out->from, &out->from_run, &out->from_seq, error);
    if (rc == UP_OK)
        rc = row_of_seq(reader, well, to_seq, &out->to, &out->to_run, &out->to_seq, error);
    if (rc == UP_OK)
        rc = retention_clamp(reader, well, out, error);
    /* A well's seq has no holes, but its oldest rows may be gone: then the row meant is none. */
    if (rc == UP_OK && (out->from_seq != from_seq || out->to_seq != to_seq))
        *out = (struct row_range){0};
    return rc;
}

struct looking {
    struct journal_reader *reader;
    struct row_order times;
    int64_t from_utc_ms, to_utc_ms;
    struct row_range *out;
    enum up_rc rc;
    struct up_error *error;
};

/** Takes a row that lies in the interval into `out`. */
static bool look_at_row(void *context, const struct scan *scan, bool holds)
{
    struct looking *looking = context;
    struct stamp at = scan->begun;
    (void)holds;
    /* Rows of several boots may lie in one chunk, each boot with an order of its own. */
    if (looking->times.pos != 0 && !order_corrects(&looking->times, scan, &at) &&
        scan->begun.clock >= CLOCK_STATE_UNSYNCHRONISED)
        looking->rc = journal_time_of(looking->reader, scan, &at, NULL, looking->error);
    if (at.utc_ms < looking->from_utc_ms || at.utc_ms > looking->to_utc_ms)
        return looking->rc == UP_OK;
    struct row_range *out = looking->out;
    out->to = scan->pos;
    out->to_run = scan->run;
    out->to_seq = scan->seq;
    if (out->from == 0)
        out->from = out->to, out->from_run = out->to_run, out->from_seq = out->to_seq;
    return looking->rc == UP_OK;
}

static enum up_rc look_at_chunk(struct journal_reader *reader, uint16_t well,
                                const struct chunk *chunk, int64_t from_utc_ms, int64_t to_utc_ms,
                                struct row_range *out, struct up_error *error)
{
    struct looking looking = {.reader = reader,
                              .from_utc_ms = from_utc_ms,
                              .to_utc_ms = to_utc_ms,
                              .out = out,
                              .rc = UP_OK,
                              .error = error};
    const struct view_want want = {
        .after = chunk->after, .up_to = chunk->to, .well = well, .heads = true};
    enum up_rc rc = journal_times_within(reader, chunk->after, chunk->to, &looking.times, error);
    if (rc == UP_OK && well != 0)
        rc = view_forward(reader->view, &want, look_at_row, &looking, error);
    return rc == UP_OK ? looking.rc : rc;
}

/* Walked are the chunks up to the first row, and from the newest back to the last one: what lies
 * between needs no look. */
enum up_rc journal_range_of_time(struct journal_reader *reader, uint16_t well, int64_t from_utc_ms,
                                 int64_t to_utc_ms, struct row_range *out, struct up_error *error)
{
    struct chunk chunk = {0}, last[CHUNKS_BACK_MAX];
    struct row_order times;
    uint64_t oldest = 0, newest = 0;
    size_t n = 0;
    *out = (struct row_range){0};
    enum up_rc rc = view_ends(reader->view, &oldest, &newest, error);
    for (; rc == UP_OK && chunk.after < newest; chunk.after = chunk.to) {
        rc = reader_next_chunk(reader, newest, &chunk, error);
        if (rc == UP_OK)
            rc = journal_times_within(reader, chunk.after, chunk.to, &times, error);
        if (rc != UP_OK ||
            (times.pos == 0 && (chunk.from_utc_ms > to_utc_ms || chunk.to_utc_ms < from_utc_ms)))
            continue;
        if (out->from == 0)
            rc = look_at_chunk(reader, well, &chunk, from_utc_ms, to_utc_ms, out, error);
        else
            last[n++ % CHUNKS_BACK_MAX] = chunk;
    }
    for (size_t back = 0; rc == UP_OK && back < n && back < CHUNKS_BACK_MAX; back++) {
        struct row_range end = {0};
        rc = look_at_chunk(reader, well, &last[(n - 1 - back) % CHUNKS_BACK_MAX], from_utc_ms,
                           to_utc_ms, &end, error);
        if (rc != UP_OK || end.to == 0)
            continue;
        out->to = end.to, out->to_run = end.to_run, out->to_seq = end.to_seq;
        break;
    }
    return rc == UP_OK ? retention_clamp(reader, well, out, error) : rc;
}
