/* SPDX-License-Identifier: Apache-2.0
 *
 * reader_gaps.c - the rest of what a reader may ask: the ledger, plans, names, counts, cursors.
 */
#include "reader.h"

#include <stdlib.h>
#include <string.h>

/** Steps a statement over gaps into `into`; a row whose check fails ends it by name. */
static enum up_rc take_gaps(struct journal_reader *reader, sqlite3_stmt *row, size_t n,
                            struct gap *into, size_t *got, struct up_error *error)
{
    int step = SQLITE_DONE;
    *got = 0;
    while (*got < n && (step = sqlite3_step(row)) == SQLITE_ROW) {
        if (!gap_from_row(row, &into[*got])) {
            const unsigned long long pos = (unsigned long long)column_u64(row, 0);
            (void)!reader_end(reader, row, SQLITE_DONE, error);
            return UP_FAIL(error, UP_E_DISK,
                           "ledger row %llu of the journal is damaged: its checksum does not hold",
                           pos);
        }
        (*got)++;
    }
    const enum up_rc rc = reader_end(reader, row, step, error);
    for (size_t i = 0; rc == UP_OK && i < *got; i++)
        reader_note_of(reader, &into[i]);
    return rc;
}

enum up_rc journal_read_gaps(struct journal_reader *reader, uint16_t well, uint64_t after, size_t n,
                             struct gap *into, size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_GAPS];
    n = n < SLICE_ROWS ? n : SLICE_ROWS;
    bind_u64(row, 1, after);
    sqlite3_bind_int(row, 2, well);
    bind_u64(row, 3, n);
    return take_gaps(reader, row, n, into, got, error);
}

enum up_rc journal_read_ledger(struct journal_reader *reader, int64_t from_utc_ms,
                               int64_t to_utc_ms, size_t skip, size_t n, struct gap *into,
                               size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_LEDGER];
    n = n < SLICE_ROWS ? n : SLICE_ROWS;
    sqlite3_bind_int64(row, 1, from_utc_ms);
    sqlite3_bind_int64(row, 2, to_utc_ms);
    bind_u64(row, 3, skip);
    bind_u64(row, 4, n);
    return take_gaps(reader, row, n, into, got, error);
}

enum up_rc journal_read_ledger_of(struct journal_reader *reader, uint16_t well, int64_t from_utc_ms,
                                  int64_t to_utc_ms, const struct gap *after, size_t n,
                                  struct gap *into, size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_LEDGER_OF];
    n = n < SLICE_ROWS ? n : SLICE_ROWS;
    sqlite3_bind_int64(row, 1, from_utc_ms);
    sqlite3_bind_int64(row, 2, to_utc_ms);
    sqlite3_bind_int(row, 3, well);
    sqlite3_bind_int64(row, 4, after != NULL ? after->start.utc_ms : INT64_MIN);
    bind_u64(row, 5, after != NULL ? after->run : 0);
    bind_u64(row, 6, after != NULL ? after->id : 0);
    bind_u64(row, 7, n);
    return take_gaps(reader, row, n, into, got, error);
}

enum up_rc journal_read_plan(struct journal_reader *reader, uint32_t id, char **text,
                             size_t *length, char digest[static 65], struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_PLAN];
    bind_u64(row, 1, id);
    *text = NULL;
    *length = 0;
    const int step = sqlite3_step(row);
    if (step == SQLITE_ROW) {
        const void *blob = sqlite3_column_blob(row, 0);
        *length = (size_t)sqlite3_column_bytes(row, 0);
        column_text(row, 1, digest, 65);
        *text = malloc(*length + 1);
        if (*text != NULL && *length > 0)
            memcpy(*text, blob, *length);
        if (*text != NULL)
            (*text)[*length] = '\0';
    }
    const enum up_rc rc = reader_end(reader, row, step, error);
    if (rc != UP_OK || *text != NULL)
        return rc;
    if (step == SQLITE_ROW)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for plan %u of the journal", id);
    return UP_FAIL(error, UP_E_MISSING, "the journal has no plan %u", id);
}

uint32_t journal_read_newest_plan(struct journal_reader *reader)
{
    uint64_t id = 0;
    return reader_u64(reader, R_NEWEST_PLAN, &id, NULL) == UP_OK ? (uint32_t)id : 0;
}

bool journal_read_well_id(struct journal_reader *reader, uint16_t number,
                          char into[static NAME_LENGTH_MAX + 1])
{
    sqlite3_stmt *row = reader->store.row[R_WELL];
    sqlite3_bind_int(row, 1, number);
    const int step = sqlite3_step(row);
    into[0] = '\0';
    if (step == SQLITE_ROW)
        column_text(row, 0, into, NAME_LENGTH_MAX + 1);
    (void)!reader_end(reader, row, step, NULL);
    return step == SQLITE_ROW;
}

enum up_rc reader_next_chunk(struct journal_reader *reader, uint64_t newest, struct chunk *chunk,
                             struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_MARKS];
    bind_u64(row, 1, chunk->after);
    const int step = sqlite3_step(row);
    chunk->to = step == SQLITE_ROW ? column_u64(row, 0) : newest;
    chunk->from_utc_ms = step == SQLITE_ROW ? sqlite3_column_int64(row, 1) : INT64_MIN;
    chunk->to_utc_ms = step == SQLITE_ROW ? sqlite3_column_int64(row, 2) : INT64_MAX;
    return reader_end(reader, row, step, error);
}

static struct scan_count *count_row(struct scan_count *into, size_t room, size_t *got,
                                    uint16_t well, uint8_t source)
{
    for (size_t i = 0; i < *got; i++)
        if (into[i].well == well && into[i].source == source)
            return &into[i];
    if (*got == room)
        return NULL;
    into[*got] = (struct scan_count){.well = well, .source = source};
    return &into[(*got)++];
}

struct counting {
    int64_t from_utc_ms, to_utc_ms;
    struct scan_count *into;
    size_t room, *got;
    bool full;
};

static void count_some(struct counting *counting, uint16_t well, uint8_t source, unsigned outcome,
                       uint64_t n)
{
    struct scan_count *count =
        count_row(counting->into, counting->room, counting->got, well, source);
    if (count == NULL)
        counting->full = true;
    else if (outcome < OUTCOME_COUNT)
        count->by_outcome[outcome] += n;
}

static bool count_scan(void *context, const struct scan *scan, bool holds)
{
    struct counting *counting = context;
    (void)holds;
    if (scan->begun.utc_ms >= counting->from_utc_ms && scan->begun.utc_ms <= counting->to_utc_ms)
        count_some(counting, scan->well, scan->source, scan->outcome, 1);
    return !counting->full;
}

/** A block that lies wholly within the interval or outside counts by its head. */
static bool count_block(void *context, const struct sealed_head *head)
{
    struct counting *counting = context;
    if (head->to_utc_ms < counting->from_utc_ms || head->from_utc_ms > counting->to_utc_ms)
        return true;
    if (head->from_utc_ms < counting->from_utc_ms || head->to_utc_ms > counting->to_utc_ms)
        return false;
    for (unsigned i = 0; i < SEALED_OUTCOMES; i++)
        if (head->by_outcome[i] > 0)
            count_some(counting, head->well, head->source, i, head->by_outcome[i]);
    return true;
}

static enum up_rc count_stretch(struct journal_reader *reader, uint64_t after, uint64_t to,
                                struct counting *counting, struct up_error *error)
{
    const struct view_want want = {.after = after, .up_to = to, .heads = true};
    if (after >= to)
        return UP_OK;
    view_set_heads(reader->view, count_block, counting);
    const enum up_rc rc = view_forward(reader->view, &want, count_scan, counting, error);
    return rc == UP_OK && counting->full
               ? UP_FAIL(error, UP_E_FULL, "the journal holds more than %zu wells and sources",
                         counting->room)
               : rc;
}

/* Chunks that touch the interval are walked in stretches: sealed blocks are longer than a chunk. */
enum up_rc journal_count_all(struct journal_reader *reader, int64_t from_utc_ms, int64_t to_utc_ms,
                             struct scan_count *into, size_t room, size_t *got,
                             struct up_error *error)
{
    struct counting counting = {from_utc_ms, to_utc_ms, into, room, got, false};
    uint64_t oldest = 0, newest = 0, begin = 0;
    struct chunk chunk = {0};
    *got = 0;
    enum up_rc rc = view_ends(reader->view, &oldest, &newest, error);
    while (rc == UP_OK && chunk.after < newest) {
        rc = reader_next_chunk(reader, newest, &chunk, error);
        const bool touches = chunk.from_utc_ms <= to_utc_ms && chunk.to_utc_ms >= from_utc_ms;
        if (rc == UP_OK && !touches) {
            rc = count_stretch(reader, begin, chunk.after, &counting, error);
            begin = chunk.to;
        }
        chunk.after = chunk.to;
    }
    return rc == UP_OK ? count_stretch(reader, begin, newest, &counting, error) : rc;
}

enum up_rc journal_count_scans(struct journal_reader *reader, uint16_t well, uint8_t source,
                               int64_t from_utc_ms, int64_t to_utc_ms,
                               uint64_t by_outcome[static OUTCOME_COUNT], struct up_error *error)
{
    static const size_t ROOM = 1024;
    size_t got = 0;
    struct scan_count *counts = calloc(ROOM, sizeof *counts);
    memset(by_outcome, 0, OUTCOME_COUNT * sizeof *by_outcome);
    if (counts == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory to count scans");
    const enum up_rc rc =
        journal_count_all(reader, from_utc_ms, to_utc_ms, counts, ROOM, &got, error);
    for (size_t i = 0; i < got; i++)
        if (counts[i].well == well && counts[i].source == source)
            memcpy(by_outcome, counts[i].by_outcome, sizeof counts[i].by_outcome);
    free(counts);
    return rc;
}

size_t journal_read_cursors(struct journal_reader *reader, struct cursor *into, size_t room)
{
    sqlite3_stmt *row = reader->store.row[R_CURSORS];
    const size_t n = cursors_from_rows(row, into, room);
    (void)!reader_end(reader, row, SQLITE_DONE, NULL);
    return n;
}

struct newest {
    uint64_t pos, seq;
};

static bool take_newest(void *context, const struct scan *scan, bool holds)
{
    *(struct newest *)context = (struct newest){scan->pos, scan->seq};
    (void)holds;
    return false;
}

enum up_rc journal_read_newest(struct journal_reader *reader, uint16_t well, uint64_t *pos,
                               uint64_t *seq, struct up_error *error)
{
    /* What the mark says, unless there is a newer one. The mark outlives rows that were removed. */
    sqlite3_stmt *row = reader->store.row[R_WELL_NEWEST];
    struct newest newest = {0};
    *pos = *seq = 0;
    sqlite3_bind_int(row, 1, well);
    const int step = sqlite3_step(row);
    if (step == SQLITE_ROW) {
        *pos = column_u64(row, 0);
        *seq = column_u64(row, 1);
    }
    const enum up_rc rc = reader_end(reader, row, step, error);
    const struct view_want want = {
        .after = *pos, .up_to = INT64_MAX, .well = well, .heads = true, .about = 1};
    if (rc != UP_OK || well == 0)
        return rc;
    const enum up_rc walked = view_backward(reader->view, &want, take_newest, &newest, error);
    if (newest.pos != 0) {
        *pos = newest.pos;
        *seq = newest.seq;
    }
    return walked;
}

static enum up_rc read_events(struct journal_reader *reader, sqlite3_stmt *row, size_t n,
                              struct event *into, size_t *got, struct up_error *error)
{
    int step = SQLITE_DONE;
    *got = 0;
    while (*got < n && (step = sqlite3_step(row)) == SQLITE_ROW) {
        struct event *event = &into[(*got)++];
        *event = (struct event){.pos = column_u64(row, 0),
                                .utc_ms = sqlite3_column_int64(row, 2),
                                .boot_ms = sqlite3_column_int64(row, 3)};
        column_text(row, 1, event->kind, sizeof event->kind);
        column_text(row, 4, event->who, sizeof event->who);
        column_text(row, 5, event->text, sizeof event->text);
    }
    return reader_end(reader, row, step, error);
}

enum up_rc journal_read_events(struct journal_reader *reader, uint64_t after, int64_t from_utc_ms,
                               int64_t to_utc_ms, size_t n, struct event *into, size_t *got,
                               struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_EVENTS];
    n = n < SLICE_ROWS ? n : SLICE_ROWS;
    bind_u64(row, 1, after);
    sqlite3_bind_int64(row, 2, from_utc_ms);
    sqlite3_bind_int64(row, 3, to_utc_ms);
    bind_u64(row, 4, n);
    return read_events(reader, row, n, into, got, error);
}

enum up_rc journal_read_events_of(struct journal_reader *reader, const char *kind, uint64_t before,
                                  size_t n, struct event *into, size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_EVENTS_OF];
    n = n < SLICE_ROWS ? n : SLICE_ROWS;
    sqlite3_bind_text(row, 1, kind, -1, SQLITE_STATIC);
    sqlite3_bind_int64(row, 2, before < INT64_MAX ? (int64_t)before : INT64_MAX);
    bind_u64(row, 3, n);
    return read_events(reader, row, n, into, got, error);
}

const char *journal_sqlite_version(void)
{
    return sqlite3_libversion();
}

/** Widens a chunk's times by a scan. */
static bool widen_chunk(void *context, const struct scan *scan, bool holds)
{
    struct chunk *chunk = context;
    (void)holds;
    if (scan->begun.utc_ms < chunk->from_utc_ms)
        chunk->from_utc_ms = scan->begun.utc_ms;
    if (scan->begun.utc_ms > chunk->to_utc_ms)
        chunk->to_utc_ms = scan->begun.utc_ms;
    return true;
}

bool journal_span(struct journal_reader *reader, int64_t *from_utc_ms, int64_t *to_utc_ms)
{
    uint64_t oldest = 0, newest = 0;
    struct chunk chunk = {0};
    *from_utc_ms = INT64_MAX;
    *to_utc_ms = INT64_MIN;
    if (view_ends(reader->view, &oldest, &newest, NULL) != UP_OK)
        return false;
    while (chunk.after < newest && reader_next_chunk(reader, newest, &chunk, NULL) == UP_OK) {
        if (chunk.to_utc_ms == INT64_MAX) { /* after the last mark: at most MARK_EVERY rows */
            const struct view_want want = {.after = chunk.after, .up_to = chunk.to, .heads = true};
            chunk.from_utc_ms = INT64_MAX;
            chunk.to_utc_ms = INT64_MIN;
            if (view_forward(reader->view, &want, widen_chunk, &chunk, NULL) != UP_OK)
                return false;
        }
        *from_utc_ms = chunk.from_utc_ms < *from_utc_ms ? chunk.from_utc_ms : *from_utc_ms;
        *to_utc_ms = chunk.to_utc_ms > *to_utc_ms ? chunk.to_utc_ms : *to_utc_ms;
        chunk.after = chunk.to;
    }
    return *from_utc_ms <= *to_utc_ms;
}
