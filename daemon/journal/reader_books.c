/* SPDX-License-Identifier: Apache-2.0
 *
 * reader_books.c - what a reviewer of the books reads: runs, plans as they took effect, and every
 * scan and every revision of the ledger as it stands, also those whose check fails. It counts
 * nothing and judges nothing but checks.
 *
 * Everything is bounded by a pos that was newest when the review began, so that rows which the
 * daemon stores meanwhile don't come in halves. Slices are one statement and one transaction each.
 */
#include "reader.h"

#include "uphole/journal_books.h"

#include <string.h>

/** What a statement's row holds, into place `at` of the caller's. */
typedef void take_columns(sqlite3_stmt *row, void *into, size_t at);

/** A slice in one statement, whose parameters are the `bound` and, last, how many rows at most. */
struct slice {
    const char *sql;
    uint64_t bound[2];
    int n_bound;
    take_columns *take;
};

static enum up_rc begin(struct journal_reader *reader, const char *sql, sqlite3_stmt **row,
                        struct up_error *error)
{
    const int rc = sqlite3_prepare_v2(reader->store.db, sql, -1, row, NULL);
    return rc == SQLITE_OK ? UP_OK : store_fail(&reader->store, rc, "be read", error);
}

static enum up_rc end(struct journal_reader *reader, sqlite3_stmt *row, int rc,
                      struct up_error *error)
{
    sqlite3_finalize(row);
    return rc == SQLITE_DONE || rc == SQLITE_ROW ? UP_OK
                                                 : store_fail(&reader->store, rc, "be read", error);
}

static enum up_rc read_slice(struct journal_reader *reader, const struct slice *slice, size_t n,
                             void *into, size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    const enum up_rc rc = begin(reader, slice->sql, &row, error);
    *got = 0;
    if (rc != UP_OK)
        return rc;
    for (int i = 0; i < slice->n_bound; i++)
        bind_u64(row, i + 1, slice->bound[i]);
    bind_u64(row, slice->n_bound + 1, n);
    int step = SQLITE_DONE;
    while (*got < n && (step = sqlite3_step(row)) == SQLITE_ROW)
        slice->take(row, into, (*got)++);
    return end(reader, row, step, error);
}

enum up_rc journal_read_newest_pos(struct journal_reader *reader, uint64_t *pos,
                                   struct up_error *error)
{
    static const char SQL[] = "SELECT max(p) FROM (SELECT max(pos) AS p FROM gap UNION ALL SELECT "
                              "max(pos) FROM event UNION ALL SELECT max(pos) FROM run UNION ALL "
                              "SELECT max(pos) FROM \"order\")";
    uint64_t oldest = 0, newest = 0;
    sqlite3_stmt *row = NULL;
    enum up_rc rc = begin(reader, SQL, &row, error);
    *pos = 0;
    if (rc != UP_OK)
        return rc;
    const int step = sqlite3_step(row);
    if (step == SQLITE_ROW)
        *pos = column_u64(row, 0);
    rc = end(reader, row, step, error);
    if (rc == UP_OK)
        rc = view_ends(reader->view, &oldest, &newest, error);
    *pos = newest > *pos ? newest : *pos;
    return rc;
}

static void take_run(sqlite3_stmt *row, void *into, size_t at)
{
    struct run_book *run = (struct run_book *)into + at;
    *run = (struct run_book){
        .pos = column_u64(row, 0),
        .id = column_u64(row, 1),
        .began = {.utc_ms = sqlite3_column_int64(row, 4),
                  .boot_ms = sqlite3_column_int64(row, 5),
                  .boot = (uint32_t)column_u64(row, 3),
                  .clock = (uint8_t)sqlite3_column_int(row, 6)},
        .plan = (uint32_t)column_u64(row, 10),
        .has_ended = sqlite3_column_type(row, 7) != SQLITE_NULL,
        .ended = {.utc_ms = sqlite3_column_int64(row, 7),
                  .boot_ms = sqlite3_column_int64(row, 8),
                  .boot = (uint32_t)column_u64(row, 3),
                  .clock = (uint8_t)sqlite3_column_int(row, 9)},
    };
    column_text(row, 2, run->boot_id, sizeof run->boot_id);
}

enum up_rc journal_read_runs(struct journal_reader *reader, uint64_t after, size_t n,
                             struct run_book *into, size_t *got, struct up_error *error)
{
    const struct slice slice = {
        .sql = "SELECT pos, id, boot, boot_32, began, began_boot_ms, began_clock, ended, "
               "ended_boot_ms, ended_clock, plan FROM run WHERE pos > ?1 ORDER BY pos LIMIT ?2",
        .bound = {after},
        .n_bound = 1,
        .take = take_run};
    return read_slice(reader, &slice, n, into, got, error);
}

static void take_plan(sqlite3_stmt *row, void *into, size_t at)
{
    ((struct plan_taken *)into)[at] =
        (struct plan_taken){.pos = column_u64(row, 0),
                            .utc_ms = sqlite3_column_int64(row, 1),
                            .boot_ms = sqlite3_column_int64(row, 2),
                            .at_start = sqlite3_column_int(row, 3) != 0,
                            .plan = (uint32_t)column_u64(row, 4)};
}

enum up_rc journal_read_plans_taken(struct journal_reader *reader, uint64_t after, size_t n,
                                    struct plan_taken *into, size_t *got, struct up_error *error)
{
    const struct slice slice = {
        /* "Plan 0123abcd took effect." */
        .sql = "SELECT e.pos, e.utc_ms, e.boot_ms, e.who = 'start', p.id FROM event e LEFT JOIN "
               "plan p ON substr(p.digest, 1, 8) = substr(e.text, 6, 8) WHERE e.kind = 'plan' AND "
               "e.pos > ?1 ORDER BY e.pos LIMIT ?2",
        .bound = {after},
        .n_bound = 1,
        .take = take_plan};
    return read_slice(reader, &slice, n, into, got, error);
}

struct taken_rows {
    struct scan *into;
    bool *holds;
    size_t n, room;
};

static bool take_row(void *context, const struct scan *scan, bool holds)
{
    struct taken_rows *taken = context;
    taken->holds[taken->n] = holds;
    taken->into[taken->n++] = *scan;
    return taken->n < taken->room;
}

enum up_rc journal_read_rows(struct journal_reader *reader, uint64_t after, uint64_t up_to,
                             size_t n, struct scan *into, bool *holds, size_t *got,
                             struct up_error *error)
{
    struct taken_rows taken = {into, holds, 0, n};
    const struct view_want want = {.after = after, .up_to = up_to, .damaged = true, .about = n};
    const enum up_rc rc =
        n > 0 ? view_forward(reader->view, &want, take_row, &taken, error) : UP_OK;
    *got = taken.n;
    return rc;
}

static void take_revision(sqlite3_stmt *row, void *into, size_t at)
{
    struct revision *revision = (struct revision *)into + at;
    revision->holds = gap_from_row(row, &revision->gap);
    revision->is_newest = sqlite3_column_int(row, 33) != 0;
    revision->follows = sqlite3_column_int(row, 34) != 0;
}

enum up_rc journal_read_revisions(struct journal_reader *reader, uint64_t after, uint64_t up_to,
                                  size_t n, struct revision *into, size_t *got,
                                  struct up_error *error)
{
    const struct slice slice = {
        .sql = "SELECT " GAP_SELECT_COLUMNS
               ", NOT EXISTS(SELECT 1 FROM gap n WHERE n.run = g.run AND n.id = g.id AND "
               "n.revision = g.revision + 1 AND n.pos <= ?2), g.revision = 0 OR EXISTS(SELECT 1 "
               "FROM gap b WHERE b.run = g.run AND b.id = g.id AND b.revision = g.revision - 1) "
               "FROM gap g WHERE g.pos > ?1 AND g.pos <= ?2 ORDER BY g.pos LIMIT ?3",
        .bound = {after, up_to},
        .n_bound = 2,
        .take = take_revision};
    const enum up_rc rc = read_slice(reader, &slice, n, into, got, error);
    for (size_t i = 0; rc == UP_OK && i < *got; i++)
        reader_note_of(reader, &into[i].gap);
    return rc;
}

struct first_from {
    int64_t utc_ms;
    uint64_t pos, run;
    int64_t boot_ms;
};

static bool take_first_from(void *context, const struct scan *scan, bool holds)
{
    struct first_from *first = context;
    (void)holds;
    if (scan->begun.utc_ms < first->utc_ms)
        return true;
    first->pos = scan->pos;
    first->run = scan->run;
    first->boot_ms = scan->begun.boot_ms;
    return false;
}

/** A block whose scans all lie before. */
static bool lies_before(void *context, const struct sealed_head *head)
{
    const struct first_from *first = context;
    return head->to_utc_ms < first->utc_ms;
}

enum up_rc journal_first_row_from(struct journal_reader *reader, int64_t utc_ms, uint64_t up_to,
                                  uint64_t *pos, uint64_t *run, int64_t *boot_ms,
                                  struct up_error *error)
{
    struct first_from first = {.utc_ms = utc_ms};
    struct chunk chunk = {0};
    enum up_rc rc = UP_OK;
    while (rc == UP_OK && first.pos == 0 && chunk.after < up_to) {
        rc = reader_next_chunk(reader, up_to, &chunk, error);
        const struct view_want want = {.after = chunk.after,
                                       .up_to = chunk.to < up_to ? chunk.to : up_to,
                                       .damaged = true,
                                       .heads = true};
        view_set_heads(reader->view, lies_before, &first);
        if (rc == UP_OK && chunk.to_utc_ms >= utc_ms && want.after < want.up_to)
            rc = view_forward(reader->view, &want, take_first_from, &first, error);
        chunk.after = chunk.to;
    }
    *pos = first.pos;
    *run = first.run;
    *boot_ms = first.boot_ms;
    return rc;
}

static void take_damage(sqlite3_stmt *row, void *into, size_t at)
{
    ((struct damage_book *)into)[at] =
        (struct damage_book){.kind = (uint8_t)sqlite3_column_int(row, 0),
                             .number = column_u64(row, 1),
                             .run = column_u64(row, 2),
                             .id = column_u64(row, 3)};
}

enum up_rc journal_read_damages(struct journal_reader *reader, uint8_t after_kind,
                                uint64_t after_number, size_t n, struct damage_book *into,
                                size_t *got, struct up_error *error)
{
    const struct slice slice = {
        .sql = "SELECT d.what, d.number, g.run, g.id FROM damage d LEFT JOIN gap g ON d.pos > 0 "
               "AND g.pos = d.pos WHERE (d.what, d.number) > (?1, ?2) ORDER BY d.what, d.number "
               "LIMIT ?3",
        .bound = {after_kind, after_number},
        .n_bound = 2,
        .take = take_damage};
    *got = 0;
    return reader->store.version >= 2 ? read_slice(reader, &slice, n, into, got, error) : UP_OK;
}

static void take_accepted(sqlite3_stmt *row, void *into, size_t at)
{
    struct cursor *cursor = (struct cursor *)into + at;
    *cursor = (struct cursor){.well = (uint16_t)sqlite3_column_int(row, 1),
                              .stream = STREAM_RECORD,
                              .seq = column_u64(row, 2)};
    column_text(row, 0, cursor->destination, sizeof cursor->destination);
}

enum up_rc journal_read_damage_accepted(struct journal_reader *reader, uint8_t kind,
                                        uint64_t number, struct cursor *into, size_t room,
                                        size_t *got, struct up_error *error)
{
    const struct slice slice = {.sql = "SELECT destination, well, seq FROM damage_accepted WHERE "
                                       "what = ?1 AND number = ?2 LIMIT ?3",
                                .bound = {kind, number},
                                .n_bound = 2,
                                .take = take_accepted};
    *got = 0;
    return reader->store.version >= 3 ? read_slice(reader, &slice, room, into, got, error) : UP_OK;
}
