/* SPDX-License-Identifier: Apache-2.0
 *
 * open.c - opening the journal for writing: one writer, a sound file, and what it held when we
 * came.
 *
 * The lock is a file of its own, so that no descriptor of ours ever touches the database's files. A
 * damaged file is moved aside with its WAL, never deleted and never written again. Room for the
 * worst day is kept from the first connection on (reserve.c).
 */
#include "store.h"

#include "uphole/say.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#define MOVED_PATH_MAX (JOURNAL_PATH_MAX + 96)

static const char *const WRITER_SQL[W_ROWS] = {
    [W_BEGIN] = "BEGIN IMMEDIATE",
    [W_COMMIT] = "COMMIT",
    [W_ROLLBACK] = "ROLLBACK",
    [W_SCAN] = "INSERT INTO scan VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
    [W_FACT] =
        "INSERT OR REPLACE INTO fact(run, well, pos, source, point, kind, value, utc_ms, boot_ms)"
        " VALUES(?,?,?,?,?,?,?,?,?)",
    [W_GAP] = GAP_INSERT_SQL,
    [W_EVENT] = "INSERT INTO event VALUES(?,?,?,?,?,?)",
    [W_CURSOR] = "INSERT INTO cursor VALUES(?1,?2,?3,?4,?5) ON CONFLICT(destination, well, stream)"
                 " DO UPDATE SET pos=?4, seq=?5",
    [W_MARK] = "INSERT INTO mark VALUES(?,?,?)",
    [W_WELL_MARK] = "UPDATE well SET newest_seq=?2, newest_pos=?3 WHERE number=?1",
    [W_ORDER] = ORDER_INSERT_SQL,
    [W_NOTE] = NOTE_INSERT_SQL,
};

/** Takes the lock, or names who holds it. */
static enum up_rc take_lock(struct journal *journal, struct up_error *error)
{
    char path[JOURNAL_PATH_MAX], text[32] = "";
    snprintf(path, sizeof path, "%s/%s", journal->directory, JOURNAL_LOCK);
    const int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (fd < 0)
        return UP_FAIL_ERRNO(error, UP_E_DISK, "the journal's lock %s can't be opened: %s", path,
                             store_path_trouble(errno));
    if (flock(fd, LOCK_EX | LOCK_NB) != 0) {
        const int why = errno;
        const ssize_t n = pread(fd, text, sizeof text - 1, 0);
        close(fd);
        text[n > 0 ? strcspn(text, "\n") : 0] = '\0';
        if (why != EWOULDBLOCK)
            return UP_FAIL(error, UP_E_DISK, "the journal's lock %s can't be taken: %s", path,
                           store_path_trouble(why));
        return UP_FAIL(error, UP_E_LOCKED,
                       "the journal in %s is in use by another Uphole (process %s): one daemon a "
                       "journal. Stop that one "
                       "first, or give this one another journal directory",
                       journal->directory, text[0] != '\0' ? text : "unknown");
    }
    const int length = snprintf(text, sizeof text, "%ld\n", (long)getpid());
    if (ftruncate(fd, 0) != 0 || pwrite(fd, text, (size_t)length, 0) != length) {
        /* Without the text the lock still holds; only its holder's name would be missing. */
        say(SAY_WARNING, "journal", "The process number could not be written into %s: %s.", path,
            store_path_trouble(errno));
    }
    journal->lock_fd = fd;
    return UP_OK;
}

static void sync_directory(const struct journal *journal)
{
    const int fd = open(journal->directory, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return;
    (void)!fsync(fd);
    close(fd);
}

/** Moves the database and its companions aside. No connection of ours is open now. */
static enum up_rc move_aside(struct journal *journal, char moved[static MOVED_PATH_MAX],
                             struct up_error *error)
{
    static const char *const COMPANIONS[] = {"", "-wal", "-shm"};
    char stamp[STAMP_TEXT_MAX], digits[STAMP_TEXT_MAX];
    stamp_to_text(journal->clock.utc_us(journal->clock.context) / 1000, stamp);
    size_t n = 0;
    for (const char *c = stamp; *c != '\0' && *c != '.'; c++)
        if (*c != '-' && *c != ':')
            digits[n++] = *c;
    digits[n] = '\0';
    struct stat there;
    for (int i = 0; i < 100; i++) {
        if (i == 0)
            snprintf(moved, MOVED_PATH_MAX, "%s.damaged-%sZ", journal->path, digits);
        else
            snprintf(moved, MOVED_PATH_MAX, "%s.damaged-%sZ-%d", journal->path, digits, i);
        if (stat(moved, &there) != 0)
            break;
    }
    for (size_t i = 0; i < 3; i++) {
        char from[JOURNAL_PATH_MAX + 8], to[MOVED_PATH_MAX + 8];
        snprintf(from, sizeof from, "%s%s", journal->path, COMPANIONS[i]);
        snprintf(to, sizeof to, "%s%s", moved, COMPANIONS[i]);
        if (rename(from, to) != 0 && errno != ENOENT)
            return UP_FAIL_ERRNO(error, UP_E_DISK,
                                 "the damaged journal %s can't be moved aside: %s", from,
                                 store_path_trouble(errno));
    }
    sync_directory(journal);
    return UP_OK;
}

void journal_note_inodes(struct journal *journal)
{
    struct stat here;
    journal->file_inode = stat(journal->path, &here) == 0 ? here.st_ino : 0;
    journal->wal_inode = stat(journal->wal_path, &here) == 0 ? here.st_ino : 0;
}

bool journal_has_moved(struct journal *journal)
{
    struct stat here;
    if (stat(journal->path, &here) != 0 || here.st_ino != journal->file_inode)
        return true;
    if (journal->wal_inode == 0)
        return false; /* there was none yet when it was noted */
    return stat(journal->wal_path, &here) != 0 || here.st_ino != journal->wal_inode;
}

static enum store_verdict connect_once(struct journal *journal, struct up_error *error)
{
    enum store_verdict verdict = store_connect(&journal->store, journal->path, true, error);
    if (verdict == STORE_OK)
        verdict = store_prepare(&journal->store, WRITER_SQL, W_ROWS, error);
    if (verdict == STORE_OK)
        verdict = journal_load_state(journal, error);
    if (verdict == STORE_OK) {
        journal_note_inodes(journal);
        reserve_attach(journal);
    } else {
        store_close(&journal->store);
    }
    return verdict;
}

/** Connects; a damaged file is moved aside and a new one begun, with an event that says so. */
static enum up_rc connect_journal(struct journal *journal, struct up_error *error)
{
    struct up_error why = {0};
    char moved[MOVED_PATH_MAX] = "", text[GAP_CAUSE_MAX];
    enum store_verdict verdict = STORE_DAMAGED;
    if (!atomic_load(&journal->damaged))
        verdict = connect_once(journal, &why);
    if (verdict == STORE_DAMAGED) {
        const enum up_rc rc = move_aside(journal, moved, error);
        if (rc != UP_OK)
            return rc;
        atomic_store(&journal->damaged, false);
        verdict = connect_once(journal, &why);
    }
    if (verdict != STORE_OK) {
        if (error != NULL)
            *error = why;
        return why.rc;
    }
    sync_directory(journal);
    atomic_store(&journal->in_doubt, false);
    const struct last_run *last = &journal->last;
    if (!last->exists || strcmp(last->boot_id, journal->boot_id) == 0) { /* a boot forgets */
        const enum up_rc rc = journal_write_again(journal, error);
        if (rc != UP_OK)
            return rc;
    }
    if (moved[0] == '\0')
        return UP_OK;
    const char *name = strrchr(moved, '/');
    snprintf(text, sizeof text,
             "The journal was damaged and was moved aside as %.90s; a new one was begun.",
             name != NULL ? name + 1 : moved);
    say(SAY_ERROR, "journal", "%s Keep that file: rows can be read out of it.", text);
    if (journal_put_event(journal, "journal_damaged", "uphole", text) != SQLITE_OK)
        say(SAY_WARNING, "journal", "The event of the damaged journal could not be stored.");
    return UP_OK;
}

enum up_rc journal_open(const char *directory, const struct up_clock *clock,
                        const char boot_id[static 37], struct journal **out, struct up_error *error)
{
    if (strlen(directory) >= PATH_LENGTH_MAX)
        return UP_FAIL(error, UP_E_USAGE,
                       "the path of the journal's directory is longer than %d characters",
                       PATH_LENGTH_MAX - 1);
    struct journal *journal = calloc(1, sizeof *journal);
    if (journal == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the journal");
    journal->lock_fd = journal->reserve.fd = -1;
    pthread_mutex_init(&journal->check_lock, NULL);
    journal->clock = *clock;
    snprintf(journal->directory, sizeof journal->directory, "%s", directory);
    snprintf(journal->boot_id, sizeof journal->boot_id, "%s", boot_id);
    snprintf(journal->path, sizeof journal->path, "%s/%s", directory, JOURNAL_FILE);
    snprintf(journal->wal_path, sizeof journal->wal_path, "%s/%s-wal", directory, JOURNAL_FILE);
    enum up_rc rc = UP_OK;
    if (mkdir(directory, 0750) != 0 && errno != EEXIST)
        rc = UP_FAIL_ERRNO(error, UP_E_DISK, "the journal's directory %s can't be made: %s",
                           directory, store_path_trouble(errno));
    if (rc == UP_OK)
        rc = take_lock(journal, error);
    if (rc == UP_OK)
        rc = connect_journal(journal, error);
    if (rc != UP_OK) {
        journal_close(journal);
        return rc;
    }
    *out = journal;
    return UP_OK;
}

/**
 * A commit whose sync failed was refused, and yet its rows may be found in the WAL again. They were
 * counted as not stored, so they go: everything above the last row that was acknowledged. `wells`
 * holds where each well stood then.
 */
static int remove_refused(struct journal *journal, uint64_t acknowledged,
                          const struct journal_well *wells, size_t n)
{
    static const char *const TABLES[] = {"scan", "fact", "gap",      "event",
                                         "mark", "run",  "\"order\""};
    char sql[160];
    int rc = store_run(&journal->store, "BEGIN IMMEDIATE");
    for (size_t i = 0; i < sizeof TABLES / sizeof *TABLES && rc == SQLITE_OK; i++) {
        snprintf(sql, sizeof sql, "DELETE FROM %s WHERE pos > %llu", TABLES[i],
                 (unsigned long long)acknowledged);
        rc = store_run(&journal->store, sql);
    }
    for (size_t i = 0; i < n && rc == SQLITE_OK; i++) {
        snprintf(
            sql, sizeof sql,
            "UPDATE well SET newest_seq=%llu, newest_pos=%llu WHERE number=%u AND newest_pos>%llu",
            (unsigned long long)wells[i].seq, (unsigned long long)wells[i].pos, wells[i].number,
            (unsigned long long)acknowledged);
        rc = store_run(&journal->store, sql);
    }
    if (rc == SQLITE_OK)
        rc = store_run(&journal->store, "COMMIT");
    if (rc != SQLITE_OK)
        store_run(&journal->store, "ROLLBACK");
    return rc;
}

/** Connects anew and takes back what was refused. The caller keeps where the journal stood. */
static enum up_rc reconnect(struct journal *journal, uint64_t acknowledged,
                            const struct journal_well *wells, size_t n, struct up_error *error)
{
    const enum up_rc rc = connect_journal(journal, error);
    if (rc != UP_OK || journal->newest_pos <= acknowledged)
        return rc;
    const int removed = remove_refused(journal, acknowledged, wells, n);
    if (removed != SQLITE_OK)
        return store_fail(&journal->store, removed, "take back what the disk had refused", error);
    return journal_load_state(journal, error) == STORE_OK ? UP_OK : UP_E_DISK;
}

enum up_rc journal_reopen(struct journal *journal, struct up_error *error)
{
    const uint64_t acknowledged = journal->newest_pos;
    const size_t n = journal->n_wells;
    struct journal_well *wells = journal->wells; /* kept until it is known to be taken over */
    journal->wells = NULL;
    journal->n_wells = 0;
    store_close(&journal->store);
    const uint64_t run = journal->run;
    journal->run = 0; /* rows come under a new run only */
    const enum up_rc rc = reconnect(journal, acknowledged, wells, n, error);
    if (rc == UP_OK) /* the file was removed, replaced or moved aside */
        journal->is_another =
            journal->newest_pos < acknowledged || (run != 0 && journal->last.run != run);
    journal->poisoned = rc != UP_OK;
    if (rc == UP_OK) {
        free(wells);
        return UP_OK;
    }
    store_close(&journal->store);
    free(journal->wells);
    journal->wells = wells;
    journal->n_wells = n;
    journal->newest_pos = acknowledged;
    return rc;
}

bool journal_is_another(const struct journal *journal)
{
    return journal->is_another;
}

void journal_close(struct journal *journal)
{
    if (journal == NULL)
        return;
    sealer_free(journal);
    store_close(&journal->store);
    reserve_close(journal);
    if (journal->lock_fd >= 0)
        close(journal->lock_fd); /* and with it the lock */
    pthread_mutex_destroy(&journal->check_lock);
    free(journal->wells);
    free(journal);
}
