/* SPDX-License-Identifier: Apache-2.0
 *
 * reader.c - scans and facts, read beside the writer in slices: one statement a transaction, at
 * most SLICE_ROWS rows of the counter visited in each, so that no reader holds the WAL for long.
 *
 * There is no index by well: pos is one counter, so a range of SLICE_ROWS of it is walked and the
 * well picked out. Sealed blocks will come in here: a range of pos that lies in one is unpacked
 * instead of read from `scan`.
 */
#include "reader.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static const char *const READER_SQL[R_ROWS] = {
    [R_SCANS] = "SELECT " SCAN_SELECT_COLUMNS " FROM scan s CROSS JOIN run r ON r.id = s.run"
                " WHERE s.pos > ?1 AND s.pos <= ?2 AND s.well = ?3 ORDER BY s.pos LIMIT ?4",
    [R_BEFORE] = "SELECT pos, run, seq FROM scan WHERE pos >= ?1 AND pos < ?2 AND well = ?3 ORDER "
                 "BY pos DESC LIMIT 1",
    [R_BACK] = "SELECT pos, run, source, boot_ms FROM scan WHERE pos >= ?1 AND pos <= ?2 AND well "
               "= ?3 ORDER BY pos DESC",
    [R_FACTS] = "SELECT max(pos), source, point, kind, value, utc_ms, boot_ms FROM fact"
                " WHERE run = ?1 AND well = ?2 AND pos <= ?3 GROUP BY source, point, kind ORDER BY "
                "1 LIMIT ?4",
    [R_STEPS] = "SELECT max(pos), run, source, point, kind, value, utc_ms, boot_ms FROM fact WHERE "
                "well = ?1 AND kind BETWEEN ?2 AND ?3 GROUP BY source, point LIMIT ?4",
    [R_ANEW] = "SELECT max(pos) FROM fact WHERE run = ?1 AND well = ?2 AND pos >= ?3 AND pos <= ?4"
               " AND kind = ?5",
    [R_GAPS] = "SELECT " GAP_SELECT_COLUMNS
               " FROM gap g WHERE g.pos > ?1 AND (?2 = 0 OR g.well = ?2 OR g.all_wells)"
               " ORDER BY g.pos LIMIT ?3",
    [R_LEDGER] = "SELECT " GAP_SELECT_COLUMNS
                 " FROM gap g WHERE g.start_utc_ms <= ?2 AND (g.is_open OR g.end_utc_ms >= ?1)"
                 " AND NOT EXISTS (SELECT 1 FROM gap n WHERE n.run = g.run AND n.id = g.id AND "
                 "n.revision = g.revision + 1)"
                 " ORDER BY g.start_utc_ms, g.well, g.source, g.pos LIMIT ?4 OFFSET ?3",
    [R_LEDGER_OF] =
        "SELECT " GAP_SELECT_COLUMNS
        " FROM gap g WHERE g.start_utc_ms <= ?2 AND (g.is_open OR g.end_utc_ms >= ?1)"
        " AND (g.well = ?3 OR g.all_wells) AND (g.start_utc_ms, g.run, g.id) > (?4, ?5, ?6)"
        " AND NOT EXISTS (SELECT 1 FROM gap n WHERE n.run = g.run AND n.id = g.id AND "
        "n.revision = g.revision + 1)"
        " ORDER BY g.start_utc_ms, g.run, g.id LIMIT ?7",
    [R_PLAN] = "SELECT text, digest FROM plan WHERE id = ?1",
    [R_NEWEST_PLAN] = "SELECT plan FROM run WHERE plan IS NOT NULL ORDER BY pos DESC LIMIT 1",
    [R_WELL] = "SELECT id FROM well WHERE number = ?1",
    [R_WELL_NEWEST] = "SELECT newest_pos, newest_seq FROM well WHERE number = ?1",
    [R_CURSORS] =
        "SELECT destination, well, stream, pos, seq FROM cursor ORDER BY destination, well, stream",
    [R_NEWEST_SCAN] = "SELECT max(pos) FROM scan",
    [R_MARKS] = "SELECT pos, from_utc_ms, to_utc_ms FROM mark WHERE pos > ?1 ORDER BY pos LIMIT 1",
    [R_COUNT] = "SELECT well, source, outcome, count(*) FROM scan WHERE pos > ?1 AND pos <= ?2 AND "
                "utc_ms >= ?3 AND utc_ms <= ?4"
                " GROUP BY well, source, outcome",
    [R_SPAN] = "SELECT min(utc_ms), max(utc_ms) FROM scan WHERE pos > ?1 AND pos <= ?2",
    [R_OLDEST_SCAN] = "SELECT min(pos) FROM scan",
    [R_ORDER] = "SELECT " ORDER_SELECT_COLUMNS " FROM \"order\" WHERE pos = ?1",
    [R_TIMES_AFTER] = "SELECT " ORDER_SELECT_COLUMNS " FROM \"order\" WHERE kind = 2 AND pos > ?1 "
                      "ORDER BY pos",
    [R_MAKERS] = "SELECT " ORDER_SELECT_COLUMNS " FROM \"order\" WHERE kind IN (2, 3) AND pos > ?1 "
                 "AND pos <= ?2 ORDER BY pos",
    [R_MAKERS_BACK] = "SELECT " ORDER_SELECT_COLUMNS " FROM \"order\" WHERE kind IN (2, 3) AND "
                      "pos > ?1 AND pos < ?2 ORDER BY pos DESC",
    [R_PLAN_LIKE] = "SELECT id, digest FROM plan WHERE substr(digest, 1, length(?1)) = ?1 ORDER BY "
                    "id DESC",
    [R_EVENTS] =
        "SELECT pos, kind, utc_ms, boot_ms, who, text FROM event WHERE pos > ?1 AND utc_ms "
        ">= ?2 AND utc_ms <= ?3 ORDER BY pos LIMIT ?4",
};

enum up_rc journal_reader_open(const char *directory, struct journal_reader **out,
                               struct up_error *error)
{
    char path[JOURNAL_PATH_MAX];
    struct journal_reader *reader = calloc(1, sizeof *reader);
    if (reader == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory to read the journal");
    snprintf(path, sizeof path, "%s/%s", directory, JOURNAL_FILE);
    struct up_error why = {0};
    struct stat there;
    if (stat(path, &there) != 0) {
        const int trouble = errno;
        free(reader);
        if (trouble == ENOENT && stat(directory, &there) == 0)
            return UP_FAIL(error, UP_E_MISSING,
                           "there is no journal %s: Uphole has not run with it yet, or the journal "
                           "lies elsewhere",
                           path);
        if (trouble == ENOENT)
            return UP_FAIL(error, UP_E_MISSING,
                           "there is no directory %s, so no journal either: Uphole has not run "
                           "with it yet, or the journal lies elsewhere",
                           directory);
        return UP_FAIL(error, UP_E_DISK, "the journal %s can't be read: %s", path,
                       trouble == EACCES
                           ? "there is no right to its directory. Ask as a user who may read it"
                           : store_path_trouble(trouble));
    }
    enum store_verdict verdict = store_connect(&reader->store, path, false, &why);
    if (verdict == STORE_OK)
        verdict = store_prepare(&reader->store, READER_SQL, R_ROWS, &why);
    if (verdict == STORE_OK)
        reader_prepare_notes(reader);
    if (verdict != STORE_OK) {
        if (error != NULL)
            *error = why;
        journal_reader_close(reader);
        return why.rc;
    }
    *out = reader;
    return UP_OK;
}

void journal_reader_close(struct journal_reader *reader)
{
    if (reader == NULL)
        return;
    store_close(&reader->store);
    free(reader);
}

enum up_rc reader_end(struct journal_reader *reader, sqlite3_stmt *row, int rc,
                      struct up_error *error)
{
    sqlite3_reset(row); /* ends the transaction */
    sqlite3_clear_bindings(row);
    return rc == SQLITE_DONE || rc == SQLITE_ROW ? UP_OK
                                                 : store_fail(&reader->store, rc, "be read", error);
}

enum up_rc reader_u64(struct journal_reader *reader, enum reader_row which, uint64_t *value,
                      struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[which];
    const int rc = sqlite3_step(row);
    *value = rc == SQLITE_ROW ? column_u64(row, 0) : 0;
    return reader_end(reader, row, rc, error);
}

enum up_rc journal_read_scans(struct journal_reader *reader, uint16_t well, uint64_t after,
                              size_t n, struct scan *into, size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_SCANS];
    uint64_t newest = 0, oldest = 0;
    *got = 0;
    n = n < JOURNAL_SLICE_MAX ? n : JOURNAL_SLICE_MAX;
    enum up_rc rc = reader_u64(reader, R_NEWEST_SCAN, &newest, error);
    if (rc == UP_OK)
        rc = reader_u64(reader, R_OLDEST_SCAN, &oldest, error);
    uint64_t from = after + 1 < oldest ? oldest - 1 : after;
    while (rc == UP_OK && *got < n && from < newest) {
        const uint64_t to = newest - from > SLICE_ROWS ? from + SLICE_ROWS : newest;
        bind_u64(row, 1, from);
        bind_u64(row, 2, to);
        sqlite3_bind_int(row, 3, well);
        bind_u64(row, 4, n - *got);
        int step = SQLITE_DONE;
        while (*got < n && (step = sqlite3_step(row)) == SQLITE_ROW) {
            if (!scan_from_row(row, &into[*got])) {
                const unsigned long long pos = (unsigned long long)column_u64(row, 0);
                (void)!reader_end(reader, row, SQLITE_DONE, error);
                return UP_FAIL(error, UP_E_DISK,
                               "row %llu of the journal is damaged: its checksum does not hold, so "
                               "it is not used",
                               pos);
            }
            (*got)++;
        }
        rc = reader_end(reader, row, step, error);
        from = to;
    }
    return rc;
}

/** Newest scan of a well below `pos`. pos 0 in *at where there is none. Walks back in slices. */
static enum up_rc newest_below(struct journal_reader *reader, uint16_t well, uint64_t pos,
                               uint64_t *run, uint64_t *seq, uint64_t *at, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_BEFORE];
    uint64_t oldest = 0, newest = 0;
    *run = *seq = *at = 0;
    enum up_rc rc = reader_u64(reader, R_OLDEST_SCAN, &oldest, error);
    if (rc == UP_OK)
        rc = reader_u64(reader, R_NEWEST_SCAN, &newest, error);
    uint64_t below = pos <= newest ? pos : newest + 1;
    while (rc == UP_OK && oldest != 0 && below > oldest && *at == 0) {
        const uint64_t from = below - oldest > SLICE_ROWS ? below - SLICE_ROWS : oldest;
        bind_u64(row, 1, from);
        bind_u64(row, 2, below);
        sqlite3_bind_int(row, 3, well);
        const int step = sqlite3_step(row);
        if (step == SQLITE_ROW) {
            *at = column_u64(row, 0);
            *run = column_u64(row, 1);
            *seq = column_u64(row, 2);
        }
        rc = reader_end(reader, row, step, error);
        below = from;
    }
    return rc;
}

enum up_rc journal_row_before(struct journal_reader *reader, uint16_t well, uint64_t pos,
                              uint64_t *run, uint64_t *seq, uint64_t *at_pos,
                              struct up_error *error)
{
    /* seq has no holes, so a row with seq 1 has none before it: no walk to the journal's beginning
     * for a new well. */
    uint64_t own_run = 0, own_seq = 0, own_pos = 0;
    enum up_rc rc = newest_below(reader, well, pos + 1, &own_run, &own_seq, &own_pos, error);
    *run = *seq = *at_pos = 0;
    if (rc != UP_OK || own_pos == 0)
        return rc;
    if (own_pos < pos) { /* `pos` is no row of this well */
        *run = own_run;
        *seq = own_seq;
        *at_pos = own_pos;
        return UP_OK;
    }
    return own_seq <= 1 ? UP_OK : newest_below(reader, well, pos, run, seq, at_pos, error);
}

/** What a walk back has seen so far. */
struct walk {
    uint64_t run,
        begin;       /* of the row at `pos`; pos of the earliest row that belongs to the window */
    int64_t boot_ms; /* of the row at `pos` */
    uint32_t scans[256]; /* seen, a source */
};

/** True when the row lies before all that is needed: older than the window, and each source seen
 * has its scans. */
static bool walk_is_done(const struct walk *walk, int64_t boot_ms, int64_t window_ms,
                         uint32_t window_scans)
{
    if (walk->boot_ms - boot_ms <= window_ms)
        return false;
    for (size_t i = 0; i < 256; i++)
        if (walk->scans[i] > 0 && walk->scans[i] < window_scans)
            return false;
    return true;
}

enum up_rc journal_window_start(struct journal_reader *reader, uint16_t well, uint64_t pos,
                                int64_t window_ms, uint32_t window_scans, uint64_t *begin_after,
                                struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_BACK];
    struct walk walk = {.begin = pos};
    uint64_t oldest = 0;
    bool done = false, first = true;
    enum up_rc rc = reader_u64(reader, R_OLDEST_SCAN, &oldest, error);
    uint64_t to = pos;
    while (rc == UP_OK && !done && oldest != 0 && to >= oldest) {
        const uint64_t from = to - oldest >= SLICE_ROWS ? to - SLICE_ROWS + 1 : oldest;
        bind_u64(row, 1, from);
        bind_u64(row, 2, to);
        sqlite3_bind_int(row, 3, well);
        int step = SQLITE_DONE;
        while (!done && (step = sqlite3_step(row)) == SQLITE_ROW) {
            const uint64_t run = column_u64(row, 1);
            const int64_t boot_ms = sqlite3_column_int64(row, 3);
            if (first) {
                walk.run = run;
                walk.boot_ms = boot_ms;
                first = false;
            }
            done = run != walk.run || walk_is_done(&walk, boot_ms, window_ms, window_scans);
            if (!done) {
                walk.begin = column_u64(row, 0);
                walk.scans[sqlite3_column_int(row, 2) & 0xFF]++;
            }
        }
        rc = reader_end(reader, row, step, error);
        to = from - 1;
    }
    *begin_after = walk.begin > 0 ? walk.begin - 1 : 0;
    return rc;
}

enum up_rc journal_read_facts(struct journal_reader *reader, uint16_t well, uint64_t run,
                              uint64_t up_to, struct fact *into, size_t room, size_t *got,
                              struct up_error *error)
{
    /* The newest of each (source, point, kind): what is asked is how things stood, and that is
     * bounded by the points. */
    sqlite3_stmt *row = reader->store.row[R_FACTS];
    *got = 0;
    bind_u64(row, 1, run);
    sqlite3_bind_int(row, 2, well);
    bind_u64(row, 3, up_to);
    bind_u64(row, 4, room + 1);
    int step = SQLITE_DONE;
    while ((step = sqlite3_step(row)) == SQLITE_ROW && *got < room)
        into[(*got)++] = (struct fact){.pos = column_u64(row, 0),
                                       .run = run,
                                       .well = well,
                                       .source = (uint8_t)sqlite3_column_int(row, 1),
                                       .point = (uint16_t)sqlite3_column_int(row, 2),
                                       .kind = (uint8_t)sqlite3_column_int(row, 3),
                                       .value = sqlite3_column_double(row, 4),
                                       .utc_ms = sqlite3_column_int64(row, 5),
                                       .boot_ms = sqlite3_column_int64(row, 6)};
    const bool more = step == SQLITE_ROW;
    const enum up_rc rc = reader_end(reader, row, step, error);
    if (rc == UP_OK && more)
        return UP_FAIL(error, UP_E_FULL, "well number %u has more than %zu facts in one run", well,
                       room);
    return rc;
}

enum up_rc journal_read_unit_steps(struct journal_reader *reader, uint16_t well, struct fact *into,
                                   size_t room, size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_STEPS];
    *got = 0;
    sqlite3_bind_int(row, 1, well);
    sqlite3_bind_int(row, 2, FACT_UNIT_STEPPED);
    sqlite3_bind_int(row, 3, FACT_UNIT_STEPPED_LAST);
    bind_u64(row, 4, room);
    int step = SQLITE_DONE;
    while (*got < room && (step = sqlite3_step(row)) == SQLITE_ROW)
        into[(*got)++] = (struct fact){.pos = column_u64(row, 0),
                                       .run = column_u64(row, 1),
                                       .well = well,
                                       .source = (uint8_t)sqlite3_column_int(row, 2),
                                       .point = (uint16_t)sqlite3_column_int(row, 3),
                                       .kind = (uint8_t)sqlite3_column_int(row, 4),
                                       .value = sqlite3_column_double(row, 5),
                                       .utc_ms = sqlite3_column_int64(row, 6),
                                       .boot_ms = sqlite3_column_int64(row, 7)};
    return reader_end(reader, row, step == SQLITE_ROW ? SQLITE_DONE : step, error);
}

enum up_rc journal_begun_anew(struct journal_reader *reader, uint16_t well, uint64_t run,
                              uint64_t from, uint64_t up_to, uint64_t *pos, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_ANEW];
    bind_u64(row, 1, run);
    sqlite3_bind_int(row, 2, well);
    bind_u64(row, 3, from);
    bind_u64(row, 4, up_to);
    sqlite3_bind_int(row, 5, FACT_BEGUN_ANEW);
    const int step = sqlite3_step(row);
    *pos = step == SQLITE_ROW ? column_u64(row, 0) : 0; /* NULL reads as 0 */
    return reader_end(reader, row, step, error);
}
