/* SPDX-License-Identifier: Apache-2.0
 *
 * safe.c - is what can be read really on disk? A row that was recovered from the WAL may never have
 * been synced: kill, restart, publish, power cut lost such rows. So before the first publish, and
 * after any failed sync, all of the WAL is copied into the file and synced.
 *
 * The checkpoint is PASSIVE and repeated: it never blocks the writer, never truncates the WAL (that
 * is kept for a full disk), and succeeds once every frame that stood in the WAL is in the file.
 */
#include "store.h"

#include <stdio.h>
#include <string.h>

#define CHECKPOINT_TRIES 200
#define CHECKPOINT_PAUSE_MS 50

enum up_rc store_checkpoint(struct store *store, struct up_error *error)
{
    int rc = SQLITE_BUSY;
    for (int i = 0; i < CHECKPOINT_TRIES; i++) {
        int in_wal = 0, in_file = 0;
        rc = sqlite3_wal_checkpoint_v2(store->db, "main", SQLITE_CHECKPOINT_PASSIVE, &in_wal,
                                       &in_file);
        if (rc == SQLITE_OK && in_wal == in_file)
            return UP_OK;
        if (rc != SQLITE_OK && (rc & 0xFF) != SQLITE_BUSY)
            break;
        rc = SQLITE_BUSY; /* a reader still needs the file as it was: readers take short slices */
        sqlite3_sleep(CHECKPOINT_PAUSE_MS);
    }
    return store_fail(store, rc, "bring its write-ahead log into the file", error);
}

enum up_rc journal_checkpoint(struct journal *journal, struct up_error *error)
{
    if (journal->store.db == NULL)
        return UP_FAIL(error, UP_E_DISK, "the journal %s is not open", journal->path);
    return store_checkpoint(&journal->store, error);
}

/** The first complaint of quick_check, or "ok". */
static int quick_check(struct store *store, char *complaint, size_t room)
{
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(store->db, "PRAGMA quick_check(1)", -1, &row, NULL);
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        column_text(row, 0, complaint, room);
        rc = SQLITE_OK;
    }
    sqlite3_finalize(row);
    return rc;
}

enum up_rc journal_make_safe(struct journal *journal, struct up_error *error)
{
    /* A connection of its own: this runs in another thread beside the writer, and touches nothing
     * of it but its path. */
    struct store store;
    char complaint[120] = "";
    const enum store_verdict verdict = store_connect(&store, journal->path, true, error);
    if (verdict != STORE_OK) {
        atomic_store(&journal->damaged, verdict == STORE_DAMAGED);
        store_close(&store);
        return verdict == STORE_DAMAGED || error == NULL ? UP_E_DISK : error->rc;
    }
    const int rc = quick_check(&store, complaint, sizeof complaint);
    enum up_rc result = UP_OK;
    if (rc != SQLITE_OK)
        result = store_fail(&store, rc, "be checked", error);
    else if (strcmp(complaint, "ok") != 0)
        result =
            UP_FAIL(error, UP_E_DISK, "the journal %s is damaged (%s)", journal->path, complaint);
    if (result != UP_OK && (store_is_damage(rc) || rc == SQLITE_OK))
        atomic_store(&journal->damaged, true); /* the next journal_reopen moves it aside */
    if (result == UP_OK)
        result = store_checkpoint(&store, error);
    store_close(&store);
    return result;
}
