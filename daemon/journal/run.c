/* SPDX-License-Identifier: Apache-2.0
 *
 * run.c - runs, plans and names of wells: what stands in the journal before the first scan of a
 * start.
 *
 * A run is a random 64-bit number; it alone makes (run, well, seq) unique, whatever happened to
 * clock, box or file. How the run before ended follows from evidence only: its clean-stop mark,
 * else whether the box has booted since.
 */
#include "view.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>

#define FLOOR_RUNS 64

static enum store_verdict verdict(const struct journal *journal, int rc, struct up_error *error)
{
    if (rc == SQLITE_OK)
        return STORE_OK;
    (void)!store_fail(&journal->store, rc, "be read", error);
    return store_is_damage(rc) ? STORE_DAMAGED : STORE_REFUSED;
}

static int load_wells(struct journal *journal)
{
    sqlite3_stmt *row = NULL;
    int rc = SQLITE_OK;
    const int64_t n = store_number(&journal->store, "SELECT count(*) FROM well", 0, &rc);
    if (rc != SQLITE_OK)
        return rc;
    free(journal->wells);
    journal->n_wells = 0;
    journal->wells =
        calloc((size_t)n + PLAN_WELLS_MAX, sizeof *journal->wells); /* room for all of one plan */
    if (journal->wells == NULL)
        return SQLITE_NOMEM;
    rc = sqlite3_prepare_v2(journal->store.db,
                            "SELECT number, id, newest_seq, newest_pos FROM well ORDER BY number",
                            -1, &row, NULL);
    while (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW &&
           journal->n_wells < (size_t)n) {
        struct journal_well *well = &journal->wells[journal->n_wells++];
        well->number = (uint16_t)sqlite3_column_int(row, 0);
        column_text(row, 1, well->id, sizeof well->id);
        well->seq = column_u64(row, 2);
        well->pos = column_u64(row, 3);
        rc = SQLITE_OK;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_DONE || rc == SQLITE_ROW ? SQLITE_OK : rc;
}

/** Walks the scans after the newest mark: at most MARK_EVERY rows and one transaction. */
static int load_tail(struct journal *journal)
{
    sqlite3_stmt *row = NULL;
    int rc = SQLITE_OK;
    journal->mark_pos =
        (uint64_t)store_number(&journal->store, "SELECT max(pos) FROM mark", 0, &rc);
    journal->mark_from_utc_ms = INT64_MAX;
    journal->mark_to_utc_ms = INT64_MIN;
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(
            journal->store.db, "SELECT pos, well, seq, utc_ms FROM scan WHERE pos > ? ORDER BY pos",
            -1, &row, NULL);
    if (rc == SQLITE_OK)
        bind_u64(row, 1, journal->mark_pos);
    while (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        struct journal_well *well =
            journal_find_well(journal, (uint16_t)sqlite3_column_int(row, 1));
        const int64_t utc_ms = sqlite3_column_int64(row, 3);
        if (well != NULL) {
            well->pos = column_u64(row, 0);
            well->seq = column_u64(row, 2);
        }
        if (utc_ms < journal->mark_from_utc_ms)
            journal->mark_from_utc_ms = utc_ms;
        if (utc_ms > journal->mark_to_utc_ms)
            journal->mark_to_utc_ms = utc_ms;
        rc = SQLITE_OK;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

enum store_verdict journal_load_state(struct journal *journal, struct up_error *error)
{
    static const char NEWEST[] =
        "SELECT max(p) FROM (SELECT max(pos) p FROM scan UNION ALL SELECT max(pos) FROM gap"
        " UNION ALL SELECT max(pos_to) FROM block UNION ALL SELECT max(pos) FROM chain"
        " UNION ALL SELECT max(pos) FROM event UNION ALL SELECT max(pos) FROM \"order\""
        " UNION ALL SELECT max(pos) FROM run UNION ALL SELECT max(pos) FROM mark)";
    int rc = SQLITE_OK;
    journal->newest_pos = (uint64_t)store_number(&journal->store, NEWEST, 0, &rc);
    if (rc == SQLITE_OK)
        rc = load_wells(journal);
    if (rc == SQLITE_OK)
        rc = load_tail(journal);
    if (rc != SQLITE_OK)
        return verdict(journal, rc, error);
    return journal_load_last_run(journal, error);
}

/** The newest instant of the run that is on disk: of its clean stop, else of its newest scan or
 * event, else its start. */
static int load_last_instant(struct journal *journal, struct scan_view *view, uint64_t run_pos)
{
    static const char SQL[] =
        "SELECT utc_ms, boot_ms, pos FROM event WHERE pos > ?1 ORDER BY pos DESC LIMIT 1";
    const struct view_want want = {.after = run_pos, .up_to = INT64_MAX};
    struct stamp *last = &journal->last.last;
    struct scan *scan = &journal->scratch;
    struct up_error error = {0};
    if (view_newest(view, &want, scan, &error) != UP_OK)
        return SQLITE_IOERR;
    if (scan->pos != 0)
        *last = scan->begun;
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, run_pos);
        rc = sqlite3_step(row);
    }
    if (rc == SQLITE_ROW && column_u64(row, 2) > scan->pos) {
        last->utc_ms = sqlite3_column_int64(row, 0);
        last->boot_ms = sqlite3_column_int64(row, 1);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

static void raise_floor(struct journal *journal, uint8_t clock, int64_t utc_ms)
{
    if (clock != CLOCK_STATE_NEVER_SET && utc_ms > journal->last.floor_utc_ms)
        journal->last.floor_utc_ms = utc_ms;
}

/** Newest instant that was journaled under a clock that was set, of the newest 64 runs: begin of
 * the run, its end, or its last scan. A clock that starts at the same old date at each boot is
 * `never_set` run after run, so the run before alone would not tell. */
static int load_floor(struct journal *journal, struct scan_view *view)
{
    static const char SQL[] = "SELECT pos, began_clock, began, coalesce(ended_clock, ?1), ended "
                              "FROM run ORDER BY pos DESC LIMIT 64";
    struct up_error error = {0};
    sqlite3_stmt *row = NULL;
    uint64_t pos[FLOOR_RUNS], next = INT64_MAX;
    size_t n = 0;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK)
        sqlite3_bind_int(row, 1, CLOCK_STATE_NEVER_SET);
    while (rc == SQLITE_OK && n < FLOOR_RUNS && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        pos[n++] = column_u64(row, 0);
        raise_floor(journal, (uint8_t)sqlite3_column_int(row, 1), sqlite3_column_int64(row, 2));
        raise_floor(journal, (uint8_t)sqlite3_column_int(row, 3), sqlite3_column_int64(row, 4));
        rc = SQLITE_OK;
    }
    sqlite3_finalize(row);
    for (size_t i = 0; i < n; next = pos[i++]) {
        const struct view_want want = {.after = pos[i], .up_to = next};
        struct scan *scan = &journal->scratch;
        if (view_newest(view, &want, scan, &error) != UP_OK)
            return SQLITE_IOERR;
        if (scan->pos != 0)
            raise_floor(journal, scan->begun.clock, scan->begun.utc_ms);
    }
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

enum store_verdict journal_load_last_run(struct journal *journal, struct up_error *error)
{
    static const char SQL[] =
        "SELECT pos, id, boot, boot_32, began, began_boot_ms, began_clock, ended, ended_boot_ms,"
        " ended_clock, version FROM run ORDER BY pos DESC LIMIT 1";
    struct last_run *last = &journal->last;
    sqlite3_stmt *row = NULL;
    uint64_t pos = 0;
    bool ended = false;
    memset(last, 0, sizeof *last);
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        pos = column_u64(row, 0);
        last->exists = true;
        last->run = column_u64(row, 1);
        column_text(row, 2, last->boot_id, sizeof last->boot_id);
        last->boot = (uint32_t)column_u64(row, 3);
        last->began = (struct stamp){.utc_ms = sqlite3_column_int64(row, 4),
                                     .boot_ms = sqlite3_column_int64(row, 5),
                                     .boot = last->boot,
                                     .clock = (uint8_t)sqlite3_column_int(row, 6)};
        last->last = last->began;
        column_text(row, 10, last->version, sizeof last->version);
        ended = sqlite3_column_type(row, 7) != SQLITE_NULL;
        if (ended)
            last->last = (struct stamp){.utc_ms = sqlite3_column_int64(row, 7),
                                        .boot_ms = sqlite3_column_int64(row, 8),
                                        .boot = last->boot,
                                        .clock = (uint8_t)sqlite3_column_int(row, 9)};
        rc = SQLITE_DONE;
    }
    sqlite3_finalize(row);
    struct scan_view *view = NULL;
    if (rc == SQLITE_DONE)
        rc = view_open(&journal->store, &view, error) == UP_OK ? SQLITE_OK : SQLITE_NOMEM;
    if (rc == SQLITE_OK && last->exists && !ended)
        rc = load_last_instant(journal, view, pos);
    if (rc == SQLITE_OK)
        rc = load_floor(journal, view);
    view_close(view);
    if (last->exists)
        last->how = ended                                          ? RUN_STOPPED
                    : strcmp(last->boot_id, journal->boot_id) == 0 ? RUN_KILLED
                                                                   : RUN_POWER_OR_RESET;
    return verdict(journal, rc, error);
}

const struct last_run *journal_last_run(const struct journal *journal)
{
    return &journal->last;
}

/** First 32 bits of a boot id as text; 0 where it is no such text. */
static uint32_t boot_number(const char *boot_id)
{
    char digits[9];
    snprintf(digits, sizeof digits, "%.8s", boot_id);
    return (uint32_t)strtoul(digits, NULL, 16);
}

enum up_rc journal_begin_run(struct journal *journal, const struct stamp *began, uint64_t *run,
                             struct up_error *error)
{
    static const char SQL[] =
        "INSERT INTO run(pos, id, boot, boot_32, began, began_boot_ms, began_clock, plan, version)"
        " VALUES(?,?,?,?,?,?,?,nullif(?,0),?)";
    if (journal->poisoned)
        return UP_FAIL(error, UP_E_DISK,
                       "the journal %s must be opened again before a run can begin", journal->path);
    uint64_t drawn = 0;
    for (int i = 0; i < 16 && drawn == 0; i++)
        if (getrandom(&drawn, sizeof drawn, 0) != (ssize_t)sizeof drawn)
            drawn = 0;
    if (drawn == 0)
        return UP_FAIL_ERRNO(error, UP_E_SYSTEM, "the kernel gave no random number for the run");
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, journal->newest_pos + 1);
        bind_u64(row, 2, drawn);
        bind_text(row, 3, journal->boot_id);
        bind_u64(row, 4, began->boot != 0 ? began->boot : boot_number(journal->boot_id));
        sqlite3_bind_int64(row, 5, began->utc_ms);
        sqlite3_bind_int64(row, 6, began->boot_ms);
        sqlite3_bind_int(row, 7, began->clock);
        bind_u64(row, 8, journal->plan);
        bind_text(row, 9, UPHOLE_VERSION);
        rc = store_done(row); /* outside a transaction: one of its own, synced */
    }
    sqlite3_finalize(row);
    if (rc != SQLITE_OK)
        return journal_poison(journal, rc, "store the run", error);
    journal->newest_pos++;
    journal->run = drawn;
    *run = drawn;
    return UP_OK;
}

enum up_rc journal_end_run(struct journal *journal, const struct stamp *ended, const char *how,
                           struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    if (journal->poisoned || journal->run == 0)
        return UP_FAIL(error, UP_E_DISK,
                       "the journal %s refused its last rows, so the stop is not marked as clean",
                       journal->path);
    int rc = sqlite3_prepare_v2(
        journal->store.db,
        "UPDATE run SET ended=?2, ended_boot_ms=?3, ended_clock=?4, how=?5 WHERE id=?1", -1, &row,
        NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, journal->run);
        sqlite3_bind_int64(row, 2, ended->utc_ms);
        sqlite3_bind_int64(row, 3, ended->boot_ms);
        sqlite3_bind_int(row, 4, ended->clock);
        bind_text(row, 5, how);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_OK ? UP_OK : journal_poison(journal, rc, "store the end of the run", error);
}

/* ---- plans ---- */

static int find_plan(struct journal *journal, const struct plan *plan, uint32_t *id)
{
    sqlite3_stmt *row = NULL;
    int rc =
        sqlite3_prepare_v2(journal->store.db, "SELECT id FROM plan WHERE digest=?", -1, &row, NULL);
    if (rc == SQLITE_OK)
        bind_text(row, 1, plan->digest);
    *id = 0;
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        *id = (uint32_t)column_u64(row, 0);
        rc = SQLITE_DONE;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

static int insert_plan(struct journal *journal, const struct plan *plan, const struct stamp *since,
                       const char *by, uint32_t *id)
{
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db,
                                "INSERT INTO plan(digest, text, since, \"by\") VALUES(?,?,?,?)", -1,
                                &row, NULL);
    if (rc == SQLITE_OK) {
        bind_text(row, 1, plan->digest);
        sqlite3_bind_blob64(row, 2, plan->text, plan->text_length, SQLITE_STATIC);
        sqlite3_bind_int64(row, 3, since->utc_ms);
        bind_text(row, 4, by);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    *id = (uint32_t)sqlite3_last_insert_rowid(journal->store.db);
    return rc;
}

static int insert_well(struct journal *journal, const char *id)
{
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, "INSERT OR IGNORE INTO well(id) VALUES(?)", -1,
                                &row, NULL);
    if (rc == SQLITE_OK) {
        bind_text(row, 1, id);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    return rc;
}

static int put_plan(struct journal *journal, const struct plan *plan, const struct stamp *since,
                    const char *by, uint32_t *id)
{
    char text[GAP_CAUSE_MAX], sql[96];
    int rc = find_plan(journal, plan, id);
    if (rc == SQLITE_OK && *id == 0)
        rc = insert_plan(journal, plan, since, by, id);
    for (uint16_t i = 0; rc == SQLITE_OK && i < plan->n_wells; i++)
        rc = insert_well(journal, plan->wells[i].id);
    if (rc != SQLITE_OK)
        return rc;
    snprintf(sql, sizeof sql, "UPDATE run SET plan=%u WHERE id=%lld", *id, (long long)journal->run);
    if ((rc = store_run(&journal->store, sql)) != SQLITE_OK)
        return rc;
    snprintf(text, sizeof text, "Plan %.8s took effect.", plan->digest);
    return journal_put_event(journal, "plan", by, text);
}

enum up_rc journal_put_plan(struct journal *journal, struct plan *plan, const struct stamp *since,
                            const char *by, struct up_error *error)
{
    uint32_t id = 0;
    if (journal->poisoned)
        return UP_FAIL(error, UP_E_DISK,
                       "the journal %s must be opened again before it takes a plan", journal->path);
    int rc = store_done(journal->store.row[W_BEGIN]);
    if (rc == SQLITE_OK) {
        rc = put_plan(journal, plan, since, by, &id);
        const int ended = store_done(journal->store.row[rc == SQLITE_OK ? W_COMMIT : W_ROLLBACK]);
        rc = rc == SQLITE_OK ? ended : rc;
    }
    if (rc == SQLITE_OK) /* names anew; what the wells hold follows from the rows again */
        rc = load_wells(journal);
    if (rc == SQLITE_OK)
        rc = load_tail(journal);
    if (rc != SQLITE_OK)
        return journal_poison(journal, rc, "store the plan", error);
    journal->plan = id;
    plan->id = id;
    for (uint16_t i = 0; i < plan->n_wells; i++)
        plan_number_well(plan, i, journal_well_number(journal, plan->wells[i].id));
    return UP_OK;
}

/* ---- names ---- */

struct journal_well *journal_find_well(struct journal *journal, uint16_t number)
{
    for (size_t i = 0; i < journal->n_wells; i++)
        if (journal->wells[i].number == number)
            return &journal->wells[i];
    return NULL;
}

uint16_t journal_well_number(struct journal *journal, const char *well_id)
{
    for (size_t i = 0; i < journal->n_wells; i++)
        if (strcmp(journal->wells[i].id, well_id) == 0)
            return journal->wells[i].number;
    return 0;
}
