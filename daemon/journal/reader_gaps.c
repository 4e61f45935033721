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

/** Counts the scans of one slice of pos. */
static enum up_rc count_slice(struct journal_reader *reader, uint64_t after, uint64_t to,
                              int64_t from_utc_ms, int64_t to_utc_ms, struct scan_count *into,
                              size_t room, size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_COUNT];
    int step = SQLITE_DONE;
    bool full = false;
    bind_u64(row, 1, after);
    bind_u64(row, 2, to);
    sqlite3_bind_int64(row, 3, from_utc_ms);
    sqlite3_bind_int64(row, 4, to_utc_ms);
    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        struct scan_count *count = count_row(into, room, got, (uint16_t)sqlite3_column_int(row, 0),
                                             (uint8_t)sqlite3_column_int(row, 1));
        const int outcome = sqlite3_column_int(row, 2);
        if (count == NULL)
            full = true;
        else if (outcome >= 0 && outcome < OUTCOME_COUNT)
            count->by_outcome[outcome] += column_u64(row, 3);
    }
    const enum up_rc rc = reader_end(reader, row, step, error);
    return rc == UP_OK && full ? UP_FAIL(error, UP_E_FULL,
                                         "the journal holds more than %zu wells and sources", room)
                               : rc;
}

enum up_rc journal_count_all(struct journal_reader *reader, int64_t from_utc_ms, int64_t to_utc_ms,
                             struct scan_count *into, size_t room, size_t *got,
                             struct up_error *error)
{
    uint64_t newest = 0;
    struct chunk chunk = {0};
    *got = 0;
    enum up_rc rc = reader_u64(reader, R_NEWEST_SCAN, &newest, error);
    while (rc == UP_OK && chunk.after < newest) {
        rc = reader_next_chunk(reader, newest, &chunk, error);
        const bool touches = chunk.from_utc_ms <= to_utc_ms && chunk.to_utc_ms >= from_utc_ms;
        for (uint64_t at = chunk.after; rc == UP_OK && touches && at < chunk.to; at += SLICE_ROWS)
            rc = count_slice(reader, at, chunk.to - at > SLICE_ROWS ? at + SLICE_ROWS : chunk.to,
                             from_utc_ms, to_utc_ms, into, room, got, error);
        chunk.after = chunk.to;
    }
    return rc;
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
    size_t n = 0;
    while (n < room && sqlite3_step(row) == SQLITE_ROW) {
        struct cursor *cursor = &into[n++];
        column_text(row, 0, cursor->destination, sizeof cursor->destination);
        cursor->well = (uint16_t)sqlite3_column_int(row, 1);
        cursor->stream = (uint8_t)sqlite3_column_int(row, 2);
        cursor->pos = column_u64(row, 3);
        cursor->seq = column_u64(row, 4);
    }
    (void)!reader_end(reader, row, SQLITE_DONE, NULL);
    return n;
}

enum up_rc journal_read_newest(struct journal_reader *reader, uint16_t well, uint64_t *pos,
                               uint64_t *seq, struct up_error *error)
{
    /* Rows after the newest mark first; where none is this well's, the mark itself says. */
    sqlite3_stmt *row = reader->store.row[R_WELL_NEWEST];
    uint64_t newest = 0, marked = 0;
    *pos = *seq = 0;
    sqlite3_bind_int(row, 1, well);
    int step = sqlite3_step(row);
    if (step == SQLITE_ROW) {
        *pos = column_u64(row, 0);
        *seq = column_u64(row, 1);
    }
    enum up_rc rc = reader_end(reader, row, step, error);
    if (rc == UP_OK)
        rc = reader_u64(reader, R_NEWEST_SCAN, &newest, error);
    marked = *pos;
    row = reader->store.row[R_BEFORE];
    for (uint64_t below = newest + 1; rc == UP_OK && *pos == marked && below > marked + 1;) {
        const uint64_t from = below - marked > SLICE_ROWS ? below - SLICE_ROWS : marked + 1;
        bind_u64(row, 1, from);
        bind_u64(row, 2, below);
        sqlite3_bind_int(row, 3, well);
        step = sqlite3_step(row);
        if (step == SQLITE_ROW) {
            *pos = column_u64(row, 0);
            *seq = column_u64(row, 2);
        }
        rc = reader_end(reader, row, step, error);
        below = from;
    }
    return rc;
}

enum up_rc journal_read_events(struct journal_reader *reader, uint64_t after, int64_t from_utc_ms,
                               int64_t to_utc_ms, size_t n, struct event *into, size_t *got,
                               struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_EVENTS];
    int step = SQLITE_DONE;
    *got = 0;
    n = n < SLICE_ROWS ? n : SLICE_ROWS;
    bind_u64(row, 1, after);
    sqlite3_bind_int64(row, 2, from_utc_ms);
    sqlite3_bind_int64(row, 3, to_utc_ms);
    bind_u64(row, 4, n);
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

const char *journal_sqlite_version(void)
{
    return sqlite3_libversion();
}

bool journal_span(struct journal_reader *reader, int64_t *from_utc_ms, int64_t *to_utc_ms)
{
    uint64_t newest = 0;
    struct chunk chunk = {0};
    *from_utc_ms = INT64_MAX;
    *to_utc_ms = INT64_MIN;
    if (reader_u64(reader, R_NEWEST_SCAN, &newest, NULL) != UP_OK)
        return false;
    while (chunk.after < newest && reader_next_chunk(reader, newest, &chunk, NULL) == UP_OK) {
        if (chunk.to_utc_ms == INT64_MAX) { /* after the last mark: at most MARK_EVERY rows */
            sqlite3_stmt *row = reader->store.row[R_SPAN];
            bind_u64(row, 1, chunk.after);
            bind_u64(row, 2, chunk.to);
            const int step = sqlite3_step(row);
            if (step == SQLITE_ROW && sqlite3_column_type(row, 0) != SQLITE_NULL) {
                chunk.from_utc_ms = sqlite3_column_int64(row, 0);
                chunk.to_utc_ms = sqlite3_column_int64(row, 1);
            } else {
                chunk.from_utc_ms = INT64_MAX;
                chunk.to_utc_ms = INT64_MIN;
            }
            (void)!reader_end(reader, row, step, NULL);
        }
        *from_utc_ms = chunk.from_utc_ms < *from_utc_ms ? chunk.from_utc_ms : *from_utc_ms;
        *to_utc_ms = chunk.to_utc_ms > *to_utc_ms ? chunk.to_utc_ms : *to_utc_ms;
        chunk.after = chunk.to;
    }
    return *from_utc_ms <= *to_utc_ms;
}
