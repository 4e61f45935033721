/* SPDX-License-Identifier: Apache-2.0
 *
 * age.c - the time by which scans get old (daemon/uphole/retain_age.c), kept over restarts; and how
 * long the box has run since a scan, which needs no label.
 */
#include "store.h"
#include "view.h"

#include "uphole/journal.h"

#include <string.h>

enum up_rc journal_read_age_clock(struct journal *journal, struct age_clock *out,
                                  struct up_error *error)
{
    static const char SQL[] = "SELECT utc_ms, boot_ms, boot FROM age_clock WHERE id = 1";
    sqlite3_stmt *row = NULL;
    memset(out, 0, sizeof *out);
    if (journal->poisoned || journal->store.db == NULL)
        return UP_FAIL(error, UP_E_DISK, "the journal refuses");
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        out->utc_ms = sqlite3_column_int64(row, 0);
        out->boot_ms = sqlite3_column_int64(row, 1);
        out->boot = (uint32_t)column_u64(row, 2);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE
               ? UP_OK
               : store_fail(&journal->store, rc, "be read", error);
}

enum up_rc journal_note_age_clock(struct journal *journal, const struct age_clock *clock,
                                  struct up_error *error)
{
    static const char SQL[] = "INSERT OR REPLACE INTO age_clock VALUES(1, ?1, ?2, ?3)";
    sqlite3_stmt *row = NULL;
    if (journal->poisoned || journal->store.db == NULL)
        return UP_OK; /* it is noted again within the hour */
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        sqlite3_bind_int64(row, 1, clock->utc_ms);
        sqlite3_bind_int64(row, 2, clock->boot_ms);
        bind_u64(row, 3, clock->boot);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_OK || (rc & 0xFF) == SQLITE_FULL
               ? UP_OK
               : journal_poison(journal, rc, "note its time", error);
}

/* ---- running time ---- */

#define RAN_RUNS_MAX 1024 /* what older ones ran is left out */

/** One boot, as far as its runs tell. */
struct ran {
    struct scan_view *view;
    struct scan *scan;
    char boot[37];
    bool has_boot;
    int64_t first_ms, last_ms;
    int64_t all_ms; /* of the boots behind it */
};

/** boot_ms of the newest scan with after < pos <= up_to; INT64_MIN: none. */
static int newest_boot_ms(struct ran *ran, uint64_t after, uint64_t up_to, int64_t *boot_ms)
{
    const struct view_want want = {.after = after, .up_to = up_to};
    struct up_error error = {0};
    if (view_newest(ran->view, &want, ran->scan, &error) != UP_OK)
        return SQLITE_IOERR;
    *boot_ms = ran->scan->pos != 0 ? ran->scan->begun.boot_ms : INT64_MIN;
    return SQLITE_OK;
}

static void end_boot(struct ran *ran)
{
    if (ran->has_boot && ran->last_ms > ran->first_ms)
        ran->all_ms += ran->last_ms - ran->first_ms;
    ran->has_boot = false;
}

/** `row` is a run, `next_pos` the one after it; newest first. */
static int see_run(struct ran *ran, sqlite3_stmt *row, uint64_t next_pos, uint64_t pos)
{
    char boot[sizeof ran->boot];
    const uint64_t run_pos = column_u64(row, 0);
    const int64_t began_ms = sqlite3_column_int64(row, 2);
    int64_t last_ms = INT64_MIN, first_ms = began_ms;
    int rc = SQLITE_OK;
    column_text(row, 1, boot, sizeof boot);
    if (ran->has_boot && strcmp(boot, ran->boot) != 0)
        end_boot(ran);
    if (!ran->has_boot) { /* its last run */
        rc = newest_boot_ms(ran, run_pos, next_pos - 1, &last_ms);
        last_ms = last_ms > began_ms ? last_ms : began_ms;
        if (sqlite3_column_int64(row, 3) > last_ms)
            last_ms = sqlite3_column_int64(row, 3);
        memcpy(ran->boot, boot, sizeof boot);
        ran->has_boot = true;
        ran->last_ms = last_ms;
    }
    if (rc == SQLITE_OK && run_pos <= pos)
        rc = newest_boot_ms(ran, run_pos, pos, &first_ms);
    ran->first_ms = first_ms > began_ms ? first_ms : began_ms;
    return rc;
}

static int add_runs(struct journal *journal, struct ran *ran, uint64_t pos, int64_t now_boot_ms)
{
    static const char SQL[] =
        "SELECT pos, boot, began_boot_ms, ended_boot_ms FROM run ORDER BY pos "
        "DESC LIMIT " STORE_NUMBER_TEXT(RAN_RUNS_MAX);
    sqlite3_stmt *row = NULL;
    uint64_t next_pos = INT64_MAX;
    bool more = true;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    while (rc == SQLITE_OK && more && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        rc = see_run(ran, row, next_pos, pos);
        if (next_pos == INT64_MAX && strcmp(ran->boot, journal->boot_id) == 0 &&
            now_boot_ms > ran->last_ms)
            ran->last_ms = now_boot_ms;
        next_pos = column_u64(row, 0);
        more = next_pos > pos;
    }
    sqlite3_finalize(row);
    end_boot(ran);
    return rc == SQLITE_DONE || rc == SQLITE_OK ? SQLITE_OK : rc;
}

enum up_rc journal_ran_since(struct journal *journal, uint64_t pos, int64_t now_boot_ms,
                             int64_t *ran_ms, struct up_error *error)
{
    struct ran ran = {.scan = &journal->scratch};
    *ran_ms = 0;
    if (journal->poisoned || journal->store.db == NULL)
        return UP_OK;
    if (view_open(&journal->store, &ran.view, error) != UP_OK)
        return UP_E_DISK;
    const int rc = add_runs(journal, &ran, pos, now_boot_ms);
    view_close(ran.view);
    *ran_ms = rc == SQLITE_OK ? ran.all_ms : 0;
    return rc == SQLITE_OK ? UP_OK : store_fail(&journal->store, rc, "be read", error);
}
