/* SPDX-License-Identifier: Apache-2.0
 *
 * age.c - the time by which scans get old (daemon/uphole/retain_age.c), kept over restarts.
 */
#include "store.h"

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
