/* SPDX-License-Identifier: Apache-2.0
 *
 * reader.c - scans and facts, read beside the writer in slices: no reader holds the write-ahead log
 * for long. Scans come through the view (view.h), from rows and sealed blocks alike.
 */
#include "reader.h"
#include "view_inside.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static const char *const READER_SQL[R_ROWS] = {
    [R_FACTS] = "SELECT max(pos), source, point, kind, value, utc_ms, boot_ms FROM fact"
                " WHERE run = ?1 AND well = ?2 AND kind < 128 AND pos <= ?3 GROUP BY source, "
                "point, kind ORDER BY 1 LIMIT ?4",
    [R_HOURS] = "SELECT pos, source, point, kind, value, utc_ms, boot_ms FROM fact"
                " WHERE run = ?1 AND well = ?2 AND kind >= 128 AND pos <= ?3 ORDER BY pos DESC "
                "LIMIT ?4",
    [R_STEPS] = "SELECT max(pos), run, source, point, kind, value, utc_ms, boot_ms FROM fact WHERE "
                "well = ?1 AND kind BETWEEN ?2 AND ?3 GROUP BY source, point LIMIT ?4",
    [R_CONFIRMED] =
        "SELECT pos, run, source, point, kind, value, utc_ms, boot_ms, well FROM fact WHERE kind "
        "BETWEEN ?1 AND ?2 AND kind < 128 AND (well, pos) IN (SELECT well, max(pos) FROM fact "
        "WHERE "
        "kind BETWEEN ?1 AND ?2 AND kind < 128 GROUP BY well, point) ORDER BY pos, boot_ms LIMIT "
        "?3",
    [R_SETTINGS] = "SELECT max(pos), run, source, point, kind, value, utc_ms, boot_ms, well FROM "
                   "fact WHERE kind BETWEEN ?1 AND ?2 AND kind < 128 GROUP BY well, source, kind "
                   "LIMIT ?3",
    [R_OUTSIDE] = "SELECT pos, run, source, point, kind, value, utc_ms, boot_ms FROM fact WHERE "
                  "run = ?1 AND well = ?2 AND pos >= ?3 AND pos <= ?4 AND (kind = ?5 OR kind "
                  "BETWEEN ?6 AND ?7) AND kind < 128 ORDER BY pos, boot_ms LIMIT ?8",
    [R_ANEW] = "SELECT max(pos) FROM fact WHERE run = ?1 AND well = ?2 AND pos >= ?3 AND pos <= ?4"
               " AND kind = ?5 AND kind < 128",
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
    [R_CURSORS] = CURSORS_SQL " ORDER BY destination, well, stream",
    [R_MARKS] = "SELECT pos, from_utc_ms, to_utc_ms FROM mark WHERE pos > ?1 ORDER BY pos LIMIT 1",
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
    [R_EVENTS_OF] = "SELECT pos, kind, utc_ms, boot_ms, who, text FROM event WHERE kind = ?1 AND "
                    "pos < ?2 ORDER BY pos DESC LIMIT ?3",
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
    if (verdict == STORE_OK && view_open(&reader->store, &reader->view, &why) != UP_OK)
        verdict = STORE_REFUSED;
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
    view_close(reader->view);
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

bool journal_reader_damage(struct journal_reader *reader, struct journal_damage *damage)
{
    return view_take_damage(reader->view, damage);
}

/** Where it begins: of a row its pos, of a block that of its range; 0: it was noted. */
static uint64_t unnoted_from(struct journal_reader *reader, const struct journal_damage *damage)
{
    static const char SQL[] =
        "SELECT CASE ?1 WHEN 1 THEN ?2 ELSE (SELECT pos_from FROM block WHERE number = ?2) END "
        "WHERE NOT EXISTS(SELECT 1 FROM damage WHERE what = ?1 AND number = ?2)";
    sqlite3_stmt *row = NULL;
    uint64_t pos = 0;
    if (sqlite3_prepare_v2(reader->store.db, SQL, -1, &row, NULL) == SQLITE_OK) {
        sqlite3_bind_int(row, 1, damage->kind);
        bind_u64(row, 2, damage->number);
        pos = sqlite3_step(row) == SQLITE_ROW ? column_u64(row, 0) : 0;
    }
    sqlite3_finalize(row);
    return pos;
}

uint64_t journal_reader_unnoted(struct journal_reader *reader)
{
    uint64_t lowest = 0;
    const struct scan_view *view = reader->view;
    for (size_t i = 0; reader->store.version >= 2 && i < view->n_damages; i++) {
        const uint64_t pos = unnoted_from(reader, &view->damage[i]);
        if (pos != 0 && (lowest == 0 || pos < lowest))
            lowest = pos;
    }
    return lowest;
}

struct taken {
    struct scan *into;
    size_t n, room;
};

static bool take_scan(void *context, const struct scan *scan, bool holds)
{
    struct taken *taken = context;
    (void)holds;
    taken->into[taken->n++] = *scan;
    return taken->n < taken->room;
}

enum up_rc journal_read_scans(struct journal_reader *reader, uint16_t well, uint64_t after,
                              size_t n, struct scan *into, size_t *got, struct up_error *error)
{
    struct taken taken = {into, 0, n < JOURNAL_SLICE_MAX ? n : JOURNAL_SLICE_MAX};
    const struct view_want want = {
        .after = after, .up_to = INT64_MAX, .well = well, .about = taken.room};
    const enum up_rc rc = taken.room > 0 && well != 0
                              ? view_forward(reader->view, &want, take_scan, &taken, error)
                              : UP_OK;
    *got = taken.n;
    return rc;
}

/** A well's newest rows up to a pos. */
struct newest_two {
    size_t n;
    struct {
        uint64_t pos, run, seq;
    } row[2];
};

static bool take_two(void *context, const struct scan *scan, bool holds)
{
    struct newest_two *two = context;
    (void)holds;
    two->row[two->n].pos = scan->pos;
    two->row[two->n].run = scan->run;
    two->row[two->n].seq = scan->seq;
    two->n++;
    /* seq has no holes, so a row with seq 1 has none before it: no walk to the journal's beginning
     * for a new well. */
    return two->n < 2 && scan->seq > 1;
}

enum up_rc journal_row_before(struct journal_reader *reader, uint16_t well, uint64_t pos,
                              uint64_t *run, uint64_t *seq, uint64_t *at_pos,
                              struct up_error *error)
{
    struct newest_two two = {0};
    const struct view_want want = {.up_to = pos, .well = well, .heads = true, .about = 2};
    const enum up_rc rc =
        well != 0 ? view_backward(reader->view, &want, take_two, &two, error) : UP_OK;
    const size_t own = two.n > 0 && two.row[0].pos == pos; /* else `pos` is no row of this well */
    *run = *seq = *at_pos = 0;
    if (rc == UP_OK && own < two.n) {
        *run = two.row[own].run;
        *seq = two.row[own].seq;
        *at_pos = two.row[own].pos;
    }
    return rc;
}

/** What a walk back has seen so far. */
struct walk {
    uint64_t run,
        begin;       /* of the row at `pos`; pos of the earliest row that belongs to the window */
    int64_t boot_ms; /* of the row at `pos` */
    bool first;
    int64_t window_ms;
    uint32_t window_scans;
    uint32_t scans[256]; /* seen, a source */
};

/** True when the row lies before all that is needed: older than the window, and each source seen
 * has its scans. */
static bool walk_is_done(const struct walk *walk, int64_t boot_ms)
{
    if (walk->boot_ms - boot_ms <= walk->window_ms)
        return false;
    for (size_t i = 0; i < 256; i++)
        if (walk->scans[i] > 0 && walk->scans[i] < walk->window_scans)
            return false;
    return true;
}

static bool walk_back(void *context, const struct scan *scan, bool holds)
{
    struct walk *walk = context;
    (void)holds;
    if (walk->first) {
        walk->run = scan->run;
        walk->boot_ms = scan->begun.boot_ms;
        walk->first = false;
    }
    if (scan->run != walk->run || walk_is_done(walk, scan->begun.boot_ms))
        return false;
    walk->begin = scan->pos;
    walk->scans[scan->source]++;
    return true;
}

enum up_rc journal_window_start(struct journal_reader *reader, uint16_t well, uint64_t pos,
                                int64_t window_ms, uint32_t window_scans, uint64_t *begin_after,
                                struct up_error *error)
{
    struct walk walk = {
        .begin = pos, .first = true, .window_ms = window_ms, .window_scans = window_scans};
    const struct view_want want = {.up_to = pos, .well = well, .heads = true};
    const enum up_rc rc = view_backward(reader->view, &want, walk_back, &walk, error);
    *begin_after = walk.begin > 0 ? walk.begin - 1 : 0;
    return rc;
}

/** What a row of R_FACTS or R_HOURS holds. *more: there is no room for another one. */
static enum up_rc read_facts(struct journal_reader *reader, enum reader_row which, uint64_t up_to,
                             size_t most, struct fact *into, size_t *got, const struct fact *of,
                             bool *more, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[which];
    const size_t end = *got + most;
    bind_u64(row, 1, of->run);
    sqlite3_bind_int(row, 2, of->well);
    bind_u64(row, 3, up_to);
    bind_u64(row, 4, most + 1);
    int step = SQLITE_DONE;
    while ((step = sqlite3_step(row)) == SQLITE_ROW && *got < end)
        into[(*got)++] = (struct fact){.pos = column_u64(row, 0),
                                       .run = of->run,
                                       .well = of->well,
                                       .source = (uint8_t)sqlite3_column_int(row, 1),
                                       .point = (uint16_t)sqlite3_column_int(row, 2),
                                       .kind = (uint8_t)sqlite3_column_int(row, 3),
                                       .value = sqlite3_column_double(row, 4),
                                       .utc_ms = sqlite3_column_int64(row, 5),
                                       .boot_ms = sqlite3_column_int64(row, 6)};
    *more = step == SQLITE_ROW;
    return reader_end(reader, row, step, error);
}

enum up_rc journal_read_facts(struct journal_reader *reader, uint16_t well, uint64_t run,
                              uint64_t up_to, struct fact *into, size_t room, size_t *got,
                              struct up_error *error)
{
    /* The newest of each (source, point, kind): what is asked is how things stood, and that is
     * bounded by the points. Of hours the newest rows: those of a day are fewer. */
    const struct fact of = {.run = run, .well = well};
    bool more = false;
    *got = 0;
    enum up_rc rc = read_facts(reader, R_FACTS, up_to, room, into, got, &of, &more, error);
    if (rc == UP_OK && more)
        return UP_FAIL(error, UP_E_FULL, "well number %u has more than %zu facts in one run", well,
                       room);
    if (rc != UP_OK)
        return rc;
    const size_t left = room - *got;
    return read_facts(reader, R_HOURS, up_to, left < FACT_HOURS_READ ? left : FACT_HOURS_READ, into,
                      got, &of, &more, error);
}

/** Rows with the run among their columns, and where `well` is 0 the well behind. */
static enum up_rc read_of_runs(struct journal_reader *reader, sqlite3_stmt *row, uint16_t well,
                               struct fact *into, size_t room, size_t *got, struct up_error *error)
{
    int step = SQLITE_DONE;
    *got = 0;
    while (*got < room && (step = sqlite3_step(row)) == SQLITE_ROW)
        into[(*got)++] =
            (struct fact){.pos = column_u64(row, 0),
                          .run = column_u64(row, 1),
                          .well = well != 0 ? well : (uint16_t)sqlite3_column_int(row, 8),
                          .source = (uint8_t)sqlite3_column_int(row, 2),
                          .point = (uint16_t)sqlite3_column_int(row, 3),
                          .kind = (uint8_t)sqlite3_column_int(row, 4),
                          .value = sqlite3_column_double(row, 5),
                          .utc_ms = sqlite3_column_int64(row, 6),
                          .boot_ms = sqlite3_column_int64(row, 7)};
    return reader_end(reader, row, step == SQLITE_ROW ? SQLITE_DONE : step, error);
}

enum up_rc journal_read_unit_steps(struct journal_reader *reader, uint16_t well, struct fact *into,
                                   size_t room, size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_STEPS];
    sqlite3_bind_int(row, 1, well);
    sqlite3_bind_int(row, 2, FACT_UNIT_STEPPED);
    sqlite3_bind_int(row, 3, FACT_UNIT_STEPPED_LAST);
    bind_u64(row, 4, room);
    return read_of_runs(reader, row, well, into, room, got, error);
}

static enum up_rc read_of_wells(struct journal_reader *reader, enum reader_row which, int first,
                                int last, struct fact *into, size_t room, size_t *got,
                                struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[which];
    sqlite3_bind_int(row, 1, first);
    sqlite3_bind_int(row, 2, last);
    bind_u64(row, 3, room);
    return read_of_runs(reader, row, 0, into, room, got, error);
}

enum up_rc journal_read_settings(struct journal_reader *reader, struct fact *into, size_t room,
                                 size_t *got, struct up_error *error)
{
    return read_of_wells(reader, R_SETTINGS, FACT_UNIT_SETTING, FACT_UNIT_SETTING_LAST, into, room,
                         got, error);
}

enum up_rc journal_read_confirmations(struct journal_reader *reader, struct fact *into, size_t room,
                                      size_t *got, struct up_error *error)
{
    return read_of_wells(reader, R_CONFIRMED, FACT_UNIT_CONFIRMED, FACT_UNIT_CONFIRMED_LAST, into,
                         room, got, error);
}

enum up_rc journal_read_outside_facts(struct journal_reader *reader, uint16_t well, uint64_t run,
                                      uint64_t from, uint64_t up_to, struct fact *into, size_t room,
                                      size_t *got, struct up_error *error)
{
    sqlite3_stmt *row = reader->store.row[R_OUTSIDE];
    bind_u64(row, 1, run);
    sqlite3_bind_int(row, 2, well);
    bind_u64(row, 3, from);
    bind_u64(row, 4, up_to);
    sqlite3_bind_int(row, 5, FACT_BEGUN_ANEW);
    sqlite3_bind_int(row, 6, FACT_UNIT_STEPPED);
    sqlite3_bind_int(row, 7, FACT_UNIT_CONFIRMED_LAST);
    bind_u64(row, 8, room);
    return read_of_runs(reader, row, well, into, room, got, error);
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
