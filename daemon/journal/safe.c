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
#define CANCEL_TRIES 200
#define CANCEL_PAUSE_MS 10

static int checkpoint_store(struct store *store)
{
    int rc = SQLITE_BUSY;
    for (int i = 0; i < CHECKPOINT_TRIES; i++) {
        int in_wal = 0, in_file = 0;
        rc = sqlite3_wal_checkpoint_v2(store->db, "main", SQLITE_CHECKPOINT_PASSIVE, &in_wal,
                                       &in_file);
        if (rc == SQLITE_OK && in_wal == in_file)
            return SQLITE_OK;
        if (rc != SQLITE_OK && (rc & 0xFF) != SQLITE_BUSY)
            break;
        rc = SQLITE_BUSY; /* a reader still needs the file as it was: readers take short slices */
        sqlite3_sleep(CHECKPOINT_PAUSE_MS);
    }
    return rc;
}

static enum up_rc checkpoint(struct journal *journal, struct store *store, struct up_error *error)
{
    const int rc = checkpoint_store(store);
    if (rc == SQLITE_OK)
        return UP_OK;
    journal_doubt(journal, rc);
    return store_fail(store, rc, "bring its write-ahead log into the file", error);
}

enum up_rc journal_checkpoint(struct journal *journal, struct up_error *error)
{
    if (journal->store.db == NULL)
        return UP_FAIL(error, UP_E_DISK, "the journal %s is not open", journal->path);
    return checkpoint(journal, &journal->store, error);
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

/** Makes the check's connection known to journal_cancel_check, or takes it back (NULL) before it is
 * closed. False where the check was called off. */
static bool set_checking(struct journal *journal, sqlite3 *db)
{
    pthread_mutex_lock(&journal->check_lock);
    journal->checking = db;
    const bool cancelled = journal->check_cancelled;
    pthread_mutex_unlock(&journal->check_lock);
    return !cancelled;
}

void journal_cancel_check(struct journal *journal)
{
    /* SQLite forgets an interrupt that comes between two statements, so it is said again until the
     * check has ended. */
    for (int i = 0; i < CANCEL_TRIES; i++) {
        pthread_mutex_lock(&journal->check_lock);
        journal->check_cancelled = true;
        const bool under_way = journal->checking != NULL;
        if (under_way)
            sqlite3_interrupt(journal->checking);
        pthread_mutex_unlock(&journal->check_lock);
        if (!under_way)
            return;
        sqlite3_sleep(CANCEL_PAUSE_MS);
    }
}

static enum up_rc check_store(struct journal *journal, struct store *store, struct up_error *error)
{
    char complaint[120] = "";
    const int rc = quick_check(store, complaint, sizeof complaint);
    const bool is_sound = rc == SQLITE_OK && strcmp(complaint, "ok") == 0;
    if (!is_sound && !set_checking(journal, store->db))
        return UP_E_DISK; /* what half a check complains of is no evidence of damage */
    if (rc != SQLITE_OK) {
        if (store_is_damage(rc))
            atomic_store(&journal->damaged, true); /* the next journal_reopen moves it aside */
        return store_fail(store, rc, "be checked", error);
    }
    if (is_sound)
        return checkpoint(journal, store, error);
    atomic_store(&journal->damaged, true);
    return UP_FAIL(error, UP_E_DISK, "the journal %s is damaged (%s)", journal->path, complaint);
}

enum up_rc journal_make_safe(struct journal *journal, struct up_error *error)
{
    /* A connection of its own: this runs in another thread beside the writer, and touches nothing
     * of it but its path. */
    struct store store;
    const enum store_verdict verdict = store_connect(&store, journal->path, true, error);
    if (verdict != STORE_OK) {
        atomic_store(&journal->damaged, verdict == STORE_DAMAGED);
        store_close(&store);
        return verdict == STORE_DAMAGED || error == NULL ? UP_E_DISK : error->rc;
    }
    enum up_rc result = UP_E_DISK; /* called off before it began */
    if (set_checking(journal, store.db))
        result = atomic_load(&journal->in_doubt)
                     ? UP_FAIL(error, UP_E_DISK,
                               "the disk failed to take a part of the journal %s, which is written "
                               "again first",
                               journal->path)
                     : check_store(journal, &store, error);
    const bool wanted = set_checking(journal, NULL);
    if (!wanted && result == UP_E_DISK && !atomic_load(&journal->damaged))
        result =
            UP_FAIL(error, UP_E_DISK, "the check of the journal %s was called off", journal->path);
    store_close(&store);
    return result;
}
