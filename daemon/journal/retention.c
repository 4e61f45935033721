/* SPDX-License-Identifier: Apache-2.0
 *
 * retention.c - the oldest scans go, before the disk is full, in stretches that a commit carries
 * along.
 *
 *       removed          lead-in of a well            handed out
 *   ───────────────┬───────────────────────────┬───────────────────────▶ pos
 *               to_pos                     floor of a well
 *
 *  1. What goes is always the oldest: one edge for all wells, so that the chain of sealed blocks
 *     and each well's seq have no hole behind it.
 *  2. A record is measured from its scan and those of a window before it. Rows whose window no
 *     longer stands whole are kept, as the lead-in of those behind them, and are not handed out any
 *     more: what is handed out late equals what was handed out live.
 *  3. Removal, edges, ledger rows and cursors are one transaction.
 */
#include "retention.h"
#include "reader.h"
#include "sealer.h"

#include <string.h>

#define STRETCH_ROWS 512      /* where they are not sealed */
#ifndef NEWEST_ROWS_KEPT      /* walks run a program that removes soon */
#define NEWEST_ROWS_KEPT 1024 /* whatever the pressure */
#endif
#define RUNS_KEPT 100 /* the ledger looks back over so many */
#define TIDY_ROWS 200
#define TIDY_GAPS 6              /* which of the statements below */
#define LEDGER_ROWS_MOST 200000  /* revisions; and as many events */
#define CONFIRMATIONS_KEPT 20000 /* events of confirmed units, and of what ended them */

const char RETENTION_SCHEMA_SQL[] =
    /* Row -1: the ledger's own. Row 0: scans of all wells up to pos are gone, `rows` of them since
       the journal began. Row of a well: rows up to pos are not handed out any more; its seq and run
       name what the next follows. */
    "CREATE TABLE IF NOT EXISTS removed(well INTEGER PRIMARY KEY, pos INTEGER NOT NULL, seq "
    "INTEGER "
    "NOT NULL, run INTEGER NOT NULL, utc_ms INTEGER NOT NULL, rows INTEGER NOT NULL)";

/* ---- what could go next ---- */

/** The oldest sealed range: its blocks go together, as they were sealed. pos_to 0: none is sealed.
 */
static int next_range(struct journal *journal, struct removal_next *next, uint64_t *pos_from)
{
    static const char SQL[] = "SELECT pos_to, pos_from, head FROM block INDEXED BY block_of_pos "
                              "WHERE pos_to = (SELECT min(pos_to) FROM block)";
    struct sealed_head head;
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    while (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        rc = SQLITE_OK;
        next->to_pos = column_u64(row, 0);
        *pos_from = column_u64(row, 1);
        if (!sealed_head_read(sqlite3_column_blob(row, 2), (size_t)sqlite3_column_bytes(row, 2),
                              &head))
            continue; /* damaged: its neighbours tell the time */
        next->rows += head.rows;
        if (head.last.clock == CLOCK_STATE_NEVER_SET)
            continue;
        const int64_t from_utc_ms =
            head.first.clock == CLOCK_STATE_NEVER_SET ? head.last.utc_ms : head.from_utc_ms;
        if (!next->dated || from_utc_ms < next->from_utc_ms)
            next->from_utc_ms = from_utc_ms;
        if (!next->dated || head.to_utc_ms > next->to_utc_ms)
            next->to_utc_ms = head.to_utc_ms;
        next->dated = true;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

/** Stretch of rows of `scan` below a sealed range, oldest first; labels of clocks that were never
 * set say nothing. */
static int next_rows(struct journal *journal, struct removal_next *next, uint64_t below)
{
    static const char SQL[] =
        "SELECT max(pos), max(CASE WHEN clock <> ?1 THEN utc_ms END), count(*), min(CASE WHEN "
        "clock "
        "<> ?1 THEN utc_ms END) FROM (SELECT pos, utc_ms, clock FROM scan WHERE pos < ?3 ORDER BY "
        "pos LIMIT ?2)";
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        sqlite3_bind_int(row, 1, CLOCK_STATE_NEVER_SET);
        sqlite3_bind_int(row, 2, STRETCH_ROWS);
        bind_u64(row, 3, below);
        rc = sqlite3_step(row);
    }
    if (rc == SQLITE_ROW && sqlite3_column_int64(row, 2) > 0) {
        next->to_pos = column_u64(row, 0);
        next->dated = sqlite3_column_type(row, 1) != SQLITE_NULL;
        next->to_utc_ms = sqlite3_column_int64(row, 1);
        next->rows = column_u64(row, 2);
        next->from_utc_ms = sqlite3_column_int64(row, 3);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW ? SQLITE_OK : rc;
}

/** Where no row of the stretch has a date: the next run that has one began later. */
static int date_by_run(struct journal *journal, struct removal_next *next)
{
    static const char SQL[] =
        "SELECT began FROM run WHERE pos > ?1 AND began_clock <> ?2 ORDER BY pos LIMIT 1";
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, next->to_pos);
        sqlite3_bind_int(row, 2, CLOCK_STATE_NEVER_SET);
        rc = sqlite3_step(row);
    }
    if (rc == SQLITE_ROW) {
        next->dated = true;
        next->from_utc_ms = next->to_utc_ms = sqlite3_column_int64(row, 0);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

enum up_rc journal_removal_next(struct journal *journal, struct removal_next *next,
                                struct up_error *error)
{
    int rc = SQLITE_OK;
    memset(next, 0, sizeof *next);
    if (journal->poisoned || journal->store.db == NULL)
        return UP_OK;
    struct removal_next range = {0};
    uint64_t pos_from = 0;
    rc = next_range(journal, &range, &pos_from);
    if (rc == SQLITE_OK)
        rc = next_rows(journal, next, range.to_pos != 0 ? pos_from : INT64_MAX);
    if (next->to_pos == 0)
        *next = range;
    if (rc == SQLITE_OK && next->to_pos != 0 && !next->dated)
        rc = date_by_run(journal, next);
    if (rc != SQLITE_OK)
        return store_fail(&journal->store, rc, "be read", error);
    const uint64_t newest = journal->newest_pos;
    if (newest < NEWEST_ROWS_KEPT || next->to_pos > newest - NEWEST_ROWS_KEPT)
        memset(next, 0, sizeof *next);
    return UP_OK;
}

/* ---- the lead-in ---- */

struct lead {
    uint64_t run;
    int64_t boot_ms; /* of the first scan of the run behind the edge */
    uint64_t anew;   /* pos of the newest scan with which the measuring began anew; 0: none */
    uint32_t scans[SOURCE_KINDS + 1];
};

/** True where the window of `scan` stands whole behind the edge. */
static bool is_whole(struct lead *lead, const struct scan *scan, int64_t window_ms,
                     uint32_t window_scans)
{
    if (scan->run != lead->run || (lead->anew != 0 && scan->pos >= lead->anew))
        return true; /* a window never reaches over such a begin */
    const bool whole_time = scan->begun.boot_ms - lead->boot_ms > window_ms;
    bool whole_counts = true;
    for (unsigned s = 0; s <= SOURCE_KINDS; s++)
        whole_counts = whole_counts && (lead->scans[s] == 0 || lead->scans[s] >= window_scans);
    lead->scans[scan->source <= SOURCE_KINDS ? scan->source : SOURCE_KINDS]++;
    return whole_time && whole_counts;
}

static enum up_rc begin_lead(struct journal_reader *reader, const struct scan *first,
                             struct lead *lead, struct up_error *error)
{
    *lead = (struct lead){.run = first->run, .boot_ms = first->begun.boot_ms};
    return journal_begun_anew(reader, first->well, first->run, first->pos, INT64_MAX, &lead->anew,
                              error);
}

enum up_rc journal_find_floor(struct journal_reader *reader, uint16_t well, uint64_t to_pos,
                              int64_t window_ms, uint32_t window_scans, struct scan *slice,
                              struct row_floor *floor, struct up_error *error)
{
    struct lead lead = {0};
    size_t got = JOURNAL_SLICE_MAX;
    uint64_t after = to_pos;
    *floor = (struct row_floor){.well = well};
    enum up_rc rc =
        journal_row_before(reader, well, to_pos + 1, &floor->run, &floor->seq, &floor->pos, error);
    while (rc == UP_OK && got == JOURNAL_SLICE_MAX) {
        rc = journal_read_scans(reader, well, after, JOURNAL_SLICE_MAX, slice, &got, error);
        for (size_t i = 0; rc == UP_OK && i < got; i++) {
            if (lead.run == 0)
                rc = begin_lead(reader, &slice[i], &lead, error);
            if (rc != UP_OK || is_whole(&lead, &slice[i], window_ms, window_scans))
                return rc;
            floor->pos = after = slice[i].pos;
            floor->seq = slice[i].seq;
            floor->run = slice[i].run;
            floor->at = slice[i].begun;
        }
    }
    floor->is_young = lead.run != 0;
    return rc; /* all that stands there is lead-in: the well has ended, or is young */
}

/* ---- the removal, within a batch's transaction ---- */

static int put_edge(struct journal *journal, const struct row_floor *floor, uint64_t rows)
{
    static const char SQL[] =
        "INSERT INTO removed VALUES(?1,?2,?3,?4,?5,?6) ON CONFLICT(well) DO UPDATE SET pos=?2, "
        "seq=?3, run=?4, utc_ms=?5, rows=rows+?6 WHERE pos <= ?2";
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        sqlite3_bind_int(row, 1, floor->well);
        bind_u64(row, 2, floor->pos);
        bind_u64(row, 3, floor->seq);
        bind_u64(row, 4, floor->run);
        sqlite3_bind_int64(row, 5, floor->at.utc_ms);
        bind_u64(row, 6, rows);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    return rc;
}

static int run_up_to(struct journal *journal, const char *sql, uint64_t pos, uint64_t *rows)
{
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, sql, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, pos);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    if (rc == SQLITE_OK && rows != NULL)
        *rows += (uint64_t)sqlite3_changes(journal->store.db);
    return rc;
}

/** How many scans the blocks up to `pos` hold, by their heads. */
static int count_sealed(struct journal *journal, uint64_t pos, uint64_t *rows)
{
    struct sealed_head head;
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, "SELECT head FROM block WHERE pos_to <= ?1", -1,
                                &row, NULL);
    if (rc == SQLITE_OK)
        bind_u64(row, 1, pos);
    while (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        rc = SQLITE_OK;
        if (sealed_head_read(sqlite3_column_blob(row, 0), (size_t)sqlite3_column_bytes(row, 0),
                             &head))
            *rows += head.rows;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

int retention_remove(struct journal *journal, const struct removal *removal)
{
    /* Damaged rows stay beside the blocks of their range, and go with them. The newest mark stays:
       a start walks on from there. */
    static const char *const SQL[] = {
        ("DELETE FROM damage WHERE (what = 1 AND number <= ?1) OR (what = 2 AND number IN (SELECT "
         "number FROM block WHERE pos_to <= ?1))"),
        ("DELETE FROM damage_accepted WHERE (what = 1 AND number <= ?1) OR (what = 2 AND number IN "
         "(SELECT number FROM block WHERE pos_to <= ?1))"),
        "DELETE FROM link WHERE number IN (SELECT number FROM block WHERE pos_to <= ?1)",
        "DELETE FROM block WHERE pos_to <= ?1",
        "DELETE FROM mark WHERE pos <= ?1 AND pos < (SELECT max(pos) FROM mark)"};
    uint64_t rows = 0;
    if (removal == NULL)
        return SQLITE_OK;
    int rc = count_sealed(journal, removal->to_pos, &rows);
    if (rc == SQLITE_OK)
        rc = run_up_to(journal, "DELETE FROM scan WHERE pos <= ?1", removal->to_pos, &rows);
    for (size_t i = 0; rc == SQLITE_OK && i < sizeof SQL / sizeof *SQL; i++)
        rc = run_up_to(journal, SQL[i], removal->to_pos, NULL);
    if (journal->sealer != NULL && journal->sealer->from < removal->to_pos)
        journal->sealer->run = 0; /* what it has packed may be gone: it counts anew */
    for (size_t i = 0; rc == SQLITE_OK && i < removal->n_floors; i++)
        rc = put_edge(journal, &removal->floors[i], 0);
    const struct row_floor edge = {.pos = removal->to_pos, .at.utc_ms = removal->to_utc_ms};
    return rc == SQLITE_OK ? put_edge(journal, &edge, rows) : rc;
}

/* ---- what only the removed rows needed ---- */

/** Row -1: revisions of the ledger that went, since the journal began. */
static int count_ledger(struct journal *journal, uint64_t rows)
{
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db,
                                "INSERT INTO removed VALUES(-1, 0, 0, 0, 0, ?1) ON CONFLICT(well) "
                                "DO UPDATE SET rows = rows + ?1",
                                -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, rows);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    return rc;
}

/* ?1: the edge; ?2: how many at a time. A fact stays while it is the newest of its kind in a
   run that has rows; a run while it has rows, or is one of the newest; an event of a plan
   while rows behind the edge may have been taken under it. */
static const char *const TIDY_SQL[] = {
    "DELETE FROM fact WHERE (run, well, pos, source, point, kind) IN (SELECT f.run, f.well, "
    "f.pos, f.source, f.point, f.kind FROM fact f WHERE f.pos <= ?1 AND f.kind < 128 AND "
    "EXISTS (SELECT 1 FROM fact n WHERE n.run = f.run AND n.well = f.well AND n.source = "
    "f.source AND n.point = f.point AND n.kind = f.kind AND n.kind < 128 AND n.pos > f.pos AND "
    "n.pos <= ?1) LIMIT ?2)",
    /* hours stand in slots of a day; a reader goes back a day and an hour */
    "DELETE FROM fact WHERE (run, well, pos, source, point, kind) IN (SELECT f.run, f.well, "
    "f.pos, f.source, f.point, f.kind FROM fact f WHERE f.pos <= ?1 AND f.kind >= 128 AND "
    "(SELECT count(*) FROM (SELECT 1 FROM fact n WHERE n.run = f.run AND n.well = f.well AND "
    "n.source = f.source AND n.point = f.point AND n.kind = f.kind AND n.pos > f.pos AND n.pos "
    "<= ?1 LIMIT 2)) = 2 LIMIT ?2)",
    "DELETE FROM fact WHERE (run, well, pos, source, point, kind) IN (SELECT f.run, f.well, "
    "f.pos, f.source, f.point, f.kind FROM fact f WHERE NOT EXISTS (SELECT 1 FROM run r WHERE "
    "r.id = f.run) LIMIT ?2)",
    "DELETE FROM run WHERE pos IN (SELECT pos FROM run WHERE pos < (SELECT max(pos) FROM run "
    "WHERE pos <= ?1) AND pos < (SELECT min(pos) FROM (SELECT pos FROM run ORDER BY pos DESC "
    "LIMIT " STORE_NUMBER_TEXT(RUNS_KEPT) ")) ORDER BY pos LIMIT ?2)",
    "DELETE FROM event WHERE pos IN (SELECT pos FROM event WHERE kind = 'plan' AND pos < "
    "(SELECT max(pos) FROM event WHERE kind = 'plan' AND pos <= ?1) AND pos < (SELECT min(pos) "
    "FROM (SELECT pos FROM run ORDER BY pos DESC LIMIT " STORE_NUMBER_TEXT(
        RUNS_KEPT) ")) LIMIT ?2)",
    "DELETE FROM \"order\" WHERE pos IN (SELECT pos FROM \"order\" WHERE pos <= ?1 LIMIT ?2)",
    /* ?3: the ledger's own limit. Rows go whole, so that no revision is missing before another;
       closed, told to every destination, and behind the edge: above it they are half of a sum.
     */
    "DELETE FROM gap WHERE (run, id) IN (SELECT g.run, g.id FROM gap g WHERE g.pos <= ?1 AND "
    "g.pos < (SELECT pos FROM gap ORDER BY pos DESC LIMIT 1 OFFSET ?3) AND NOT g.is_open AND "
    "NOT EXISTS (SELECT 1 FROM gap n WHERE n.run = g.run AND n.id = g.id AND n.revision = "
    "g.revision + 1) AND NOT EXISTS (SELECT 1 FROM cursor c WHERE c.stream = 2 AND c.pos < "
    "g.pos) ORDER BY g.pos LIMIT ?2 / 4)",
    "DELETE FROM note WHERE (run, id, pos) IN (SELECT t.run, t.id, t.pos FROM note t WHERE "
    "t.pos <= ?1 AND NOT EXISTS (SELECT 1 FROM gap g WHERE g.run = t.run AND g.id = t.id) "
    "LIMIT ?2)",
    /* who confirmed a unit, and what ended it, is asked for as long as it stands */
    "DELETE FROM event WHERE pos IN (SELECT pos FROM event WHERE kind NOT IN ('plan', "
    "'unit_confirmed', 'unit_lapsed') AND pos < (SELECT pos FROM event ORDER BY pos DESC LIMIT "
    "1 OFFSET ?3) ORDER BY pos LIMIT ?2 + 0 * ?1)",
    "DELETE FROM event WHERE pos IN (SELECT pos FROM event WHERE kind IN ('unit_confirmed', "
    "'unit_lapsed') ORDER BY pos DESC LIMIT ?2 + 0 * ?1 OFFSET " STORE_NUMBER_TEXT(
        CONFIRMATIONS_KEPT) ")",
    "DELETE FROM plan WHERE id IN (SELECT id FROM plan p WHERE NOT EXISTS (SELECT 1 FROM run r "
    "WHERE r.plan = p.id) AND NOT EXISTS (SELECT 1 FROM event e WHERE e.kind = 'plan' AND "
    "substr(e.text, 6, 8) = substr(p.digest, 1, 8)) AND ?1 > 0 LIMIT ?2)",
};

enum up_rc journal_tidy(struct journal *journal, bool *more, struct up_error *error)
{
    int rc = SQLITE_OK;
    *more = false;
    if (journal->poisoned || journal->run == 0)
        return UP_OK;
    const int64_t edge =
        store_number(&journal->store, "SELECT pos FROM removed WHERE well = 0", 0, &rc);
    if (rc == SQLITE_OK)
        rc = reserve_before_commit(journal);
    const size_t which = journal->tidy_step++ % (sizeof TIDY_SQL / sizeof *TIDY_SQL);
    sqlite3_stmt *row = NULL;
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(journal->store.db, TIDY_SQL[which], -1, &row, NULL);
    if (rc == SQLITE_OK) {
        sqlite3_bind_int64(row, 1, edge);
        if (sqlite3_bind_parameter_count(row) > 1)
            sqlite3_bind_int(row, 2, TIDY_ROWS);
        if (sqlite3_bind_parameter_count(row) > 2)
            bind_u64(row, 3, journal->ledger_most > 0 ? journal->ledger_most : LEDGER_ROWS_MOST);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    if (rc == SQLITE_OK && which == TIDY_GAPS && sqlite3_changes(journal->store.db) > 0)
        rc = count_ledger(journal, (uint64_t)sqlite3_changes(journal->store.db));
    if (rc != SQLITE_OK)
        return journal_poison(journal, rc, "remove what only removed rows needed", error);
    if (sqlite3_changes(journal->store.db) == TIDY_ROWS)
        journal->tidy_step--; /* there is more of it */
    *more = journal->tidy_step % (sizeof TIDY_SQL / sizeof *TIDY_SQL) != 0;
    reserve_after_commit(journal);
    return UP_OK;
}

/* ---- for readers ---- */

/** Prepared once it can be: a journal that no daemon has opened since there is retention has no
 * such table. NULL: none, or (*rc) it can't be asked. */
static sqlite3_stmt *floor_row(struct journal_reader *reader, int *rc)
{
    sqlite3_stmt **row = &reader->store.row[R_FLOOR];
    static const char TABLE[] = "SELECT count(*) FROM sqlite_schema WHERE name = 'removed'";
    static const char SQL[] = "SELECT pos, seq, run, utc_ms, rows FROM removed WHERE well = ?1";
    *rc = SQLITE_OK;
    if (*row == NULL && store_number(&reader->store, TABLE, 0, NULL) != 0)
        *rc = sqlite3_prepare_v3(reader->store.db, SQL, -1, SQLITE_PREPARE_PERSISTENT, row, NULL);
    return *row;
}

enum up_rc journal_read_floor(struct journal_reader *reader, uint16_t well,
                              struct removed_rows *removed, struct up_error *error)
{
    int rc = SQLITE_OK;
    sqlite3_stmt *row = floor_row(reader, &rc);
    memset(removed, 0, sizeof *removed);
    if (row == NULL)
        return rc == SQLITE_OK ? UP_OK : store_fail(&reader->store, rc, "be read", error);
    sqlite3_bind_int(row, 1, well);
    rc = sqlite3_step(row);
    if (rc == SQLITE_ROW) {
        removed->pos = column_u64(row, 0);
        removed->seq = column_u64(row, 1);
        removed->run = column_u64(row, 2);
        removed->utc_ms = sqlite3_column_int64(row, 3);
        removed->rows = column_u64(row, 4);
    }
    return reader_end(reader, row, rc, error);
}

enum up_rc retention_clamp(struct journal_reader *reader, uint16_t well, struct row_range *range,
                           struct up_error *error)
{
    struct removed_rows removed;
    struct scan first;
    size_t got = 0;
    enum up_rc rc = journal_read_floor(reader, well, &removed, error);
    if (rc != UP_OK || range->from == 0 || range->from > removed.pos)
        return rc;
    rc = journal_read_scans(reader, well, removed.pos, 1, &first, &got, error);
    if (rc != UP_OK)
        return rc;
    if (got == 0 || first.pos > range->to) {
        memset(range, 0, sizeof *range);
        return UP_OK;
    }
    range->from = first.pos;
    range->from_seq = first.seq;
    range->from_run = first.run;
    return UP_OK;
}
