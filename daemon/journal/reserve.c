/* SPDX-License-Identifier: Apache-2.0
 *
 * reserve.c - see reserve.h.
 *
 * Measured: with free pages alone every insert and DELETE failed on a full disk, since each needs
 * the write-ahead log first; with a log of its full size 25,000 commits more worked.
 */
#include "store.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#define LOG_SPARE_FRAMES 256 /* one transaction may begin when the log is all but full */

const char RESERVE_SCHEMA_SQL[] =
    "CREATE TABLE IF NOT EXISTS reserve(id INTEGER PRIMARY KEY, room BLOB NOT NULL)";

static int64_t number(struct journal *journal, const char *sql)
{
    return store_number(&journal->store, sql, 0, NULL);
}

static uint64_t bytes_of(const char *path)
{
    struct stat file;
    return stat(path, &file) == 0 ? (uint64_t)file.st_size : 0;
}

static int note_frames(void *context, sqlite3 *db, const char *name, int frames)
{
    struct journal *journal = context;
    (void)db;
    (void)name;
    journal->reserve.frames = frames > 0 ? (uint32_t)frames : 0;
    return SQLITE_OK;
}

/** Room behind the last page, as much as one filling of the log may add. False: the disk has none.
 */
static bool hold_tail(struct journal *journal)
{
    const int64_t wanted =
        (number(journal, "PRAGMA page_count") + journal->reserve.log_frames) * PAGE_BYTES;
    const int64_t there = (int64_t)bytes_of(journal->path);
    int chunk = 0; /* a checkpoint cuts the file behind its last page */
    sqlite3_file_control(journal->store.db, "main", SQLITE_FCNTL_CHUNK_SIZE, &chunk);
    if (there >= wanted || journal->reserve.fd < 0)
        return true;
    /* SQLite's own hint writes a byte into each page: 5 MB more for the disk at each checkpoint. */
    if (fallocate(journal->reserve.fd, 0, there, wanted - there) == 0)
        return true;
    return errno == EOPNOTSUPP || errno == ENOSYS || errno == EINTR; /* no such file system */
}

/**
 * The one descriptor of the database's file that is not SQLite's. Its close would drop the locks of
 * every connection of this process, so it stays open as long as the journal does, and longer where
 * the file was replaced.
 */
static void open_descriptor(struct journal *journal)
{
    struct stat ours, there;
    struct reserve *reserve = &journal->reserve;
    if (reserve->fd >= 0 && fstat(reserve->fd, &ours) == 0 && stat(journal->path, &there) == 0 &&
        ours.st_ino == there.st_ino && ours.st_dev == there.st_dev)
        return;
    if (reserve->fd >= 0 && reserve->n_left == RESERVE_LEFT_MAX)
        return;
    if (reserve->fd >= 0)
        reserve->left[reserve->n_left++] = reserve->fd;
    reserve->fd = open(journal->path, O_RDWR | O_CLOEXEC | O_NOFOLLOW);
}

void reserve_close(struct journal *journal)
{
    for (unsigned i = 0; i < journal->reserve.n_left; i++)
        close(journal->reserve.left[i]);
    if (journal->reserve.fd >= 0)
        close(journal->reserve.fd);
}

static void set_tight(struct journal *journal, bool tight)
{
    char sql[64];
    const int64_t pages = number(journal, "PRAGMA page_count");
    const int64_t there = (int64_t)(bytes_of(journal->path) / PAGE_BYTES);
    snprintf(sql, sizeof sql, "PRAGMA max_page_count=%lld",
             tight ? (long long)(there > pages ? there : pages) : 1073741823LL);
    (void)number(journal, sql);
    journal->reserve.tight = tight;
    if (tight && there > 0 && there * PAGE_BYTES <= INT_MAX) {
        /* A checkpoint cuts the file to a multiple of this: the tail is not given back now. */
        int chunk = (int)(there * PAGE_BYTES);
        sqlite3_file_control(journal->store.db, "main", SQLITE_FCNTL_CHUNK_SIZE, &chunk);
    }
}

static void look_at_tail(struct journal *journal)
{
    const bool tight = !hold_tail(journal);
    if (tight || journal->reserve.tight)
        set_tight(journal, tight); /* its limit follows the file */
}

void reserve_attach(struct journal *journal)
{
    sqlite3_wal_hook(journal->store.db, note_frames, journal);
    open_descriptor(journal);
    journal->reserve.frames = (uint32_t)(bytes_of(journal->wal_path) / FRAME_BYTES);
    journal->reserve.tight = false;
    journal->reserve.stuck_since_ms = 0;
    if (journal->reserve.log_frames == 0)
        journal_set_room(journal, 0);
    look_at_tail(journal);
}

void journal_set_room(struct journal *journal, uint64_t at_most_bytes)
{
    struct reserve *reserve = &journal->reserve;
    uint64_t wanted = at_most_bytes / 16;
    wanted = at_most_bytes == 0 || wanted > RESERVE_MOST_BYTES ? RESERVE_MOST_BYTES : wanted;
    wanted = wanted < RESERVE_LEAST_BYTES ? RESERVE_LEAST_BYTES : wanted;
    reserve->wanted = wanted;
    reserve->checkpoint_at = (uint32_t)(wanted / PAGE_BYTES);
    reserve->log_frames = reserve->checkpoint_at + LOG_SPARE_FRAMES;
}

void reserve_after_commit(struct journal *journal)
{
    struct reserve *reserve = &journal->reserve;
    int in_log = 0, in_file = 0;
    if (atomic_load(&journal->in_doubt) || reserve->frames < reserve->checkpoint_at ||
        (reserve->grows && reserve->frames < reserve->log_frames))
        return;
    const int rc = sqlite3_wal_checkpoint_v2(journal->store.db, "main", SQLITE_CHECKPOINT_PASSIVE,
                                             &in_log, &in_file);
    if (rc == SQLITE_OK && in_log == in_file) {
        reserve->stuck_since_ms = 0;
        look_at_tail(journal);
        return;
    }
    journal_doubt(journal, rc);
    if (reserve->stuck_since_ms == 0)
        reserve->stuck_since_ms = clock_boot_ms(&journal->clock);
}

/** Pages that a transaction can take without the file system's help. */
static int64_t pages_at_hand(struct journal *journal)
{
    return number(journal, "PRAGMA freelist_count") + number(journal, "PRAGMA max_page_count") -
           number(journal, "PRAGMA page_count");
}

static int give_part(struct journal *journal)
{
    return store_run(&journal->store,
                     "DELETE FROM reserve WHERE id = (SELECT max(id) FROM reserve)");
}

int reserve_before_commit(struct journal *journal)
{
    int rc = SQLITE_OK;
    if (!journal->reserve.tight)
        return SQLITE_OK;
    for (int i = 0; i < 2 * RESERVE_PARTS && pages_at_hand(journal) < RESERVE_FREE_PAGES; i++) {
        rc = give_part(journal);
        if (rc != SQLITE_OK || sqlite3_changes(journal->store.db) == 0)
            break;
    }
    return rc;
}

bool journal_needs_room(struct journal *journal)
{
    return journal->reserve.tight && pages_at_hand(journal) < 2 * RESERVE_FREE_PAGES &&
           number(journal, "SELECT count(*) FROM reserve") == 0;
}

static int put_part(struct journal *journal, uint64_t bytes, bool anew)
{
    char sql[128];
    snprintf(sql, sizeof sql,
             anew ? "UPDATE reserve SET room=randomblob(%llu) WHERE id=(SELECT min(id) FROM "
                    "reserve)" /* other bytes: equal ones would not be written */
                  : "INSERT INTO reserve(room) VALUES(randomblob(%llu))",
             (unsigned long long)bytes);
    return store_run(&journal->store, sql);
}

/** A log that another program's reader made grow is brought back to its size; not where the disk
 * might not give it again. */
static void cut_log(struct journal *journal)
{
    char sql[64];
    const uint64_t wanted = (uint64_t)journal->reserve.log_frames * FRAME_BYTES;
    const bool cut = !journal->reserve.tight && bytes_of(journal->wal_path) > wanted / 4 * 5;
    snprintf(sql, sizeof sql, "PRAGMA journal_size_limit=%lld", cut ? (long long)wanted : -1LL);
    (void)number(journal, sql); /* takes effect when the log begins anew */
}

enum up_rc journal_keep_reserve(struct journal *journal, bool *more, struct up_error *error)
{
    struct reserve *reserve = &journal->reserve;
    const uint64_t part = reserve->wanted / RESERVE_PARTS;
    *more = false;
    if (journal->poisoned || journal->run == 0)
        return UP_OK;
    if (reserve->tight)
        look_at_tail(journal);
    reserve->held = (uint64_t)number(journal, "SELECT total(length(room)) FROM reserve");
    const bool is_whole = reserve->held + part / 2 >= reserve->wanted;
    reserve->grows = bytes_of(journal->wal_path) < (uint64_t)reserve->log_frames * FRAME_BYTES;
    if (reserve->tight || (is_whole && !reserve->grows)) {
        cut_log(journal);
        return UP_OK;
    }
    int rc = reserve->held > reserve->wanted + part ? give_part(journal)
                                                    : put_part(journal, part, is_whole);
    if (rc != SQLITE_OK)
        return journal_poison(journal, rc, "keep its reserve", error);
    reserve->held = (uint64_t)number(journal, "SELECT total(length(room)) FROM reserve");
    reserve_after_commit(journal);
    *more = true;
    return UP_OK;
}

void journal_room_of(struct journal *journal, struct journal_room *out)
{
    const int64_t used = journal->store.db == NULL ? 0
                                                   : number(journal, "PRAGMA page_count") -
                                                         number(journal, "PRAGMA freelist_count");
    const struct reserve *reserve = &journal->reserve;
    *out = (struct journal_room){.reserve_bytes = reserve->held,
                                 .reserve_wanted = reserve->wanted,
                                 .log_bytes = bytes_of(journal->wal_path),
                                 .log_wanted = (uint64_t)reserve->log_frames * FRAME_BYTES,
                                 .tight = reserve->tight,
                                 .stuck_since_ms = reserve->stuck_since_ms};
    out->used_bytes = (uint64_t)used * PAGE_BYTES > reserve->held
                          ? (uint64_t)used * PAGE_BYTES - reserve->held
                          : 0;
}

void journal_sizes(struct journal *journal, uint64_t *bytes, uint64_t *free_bytes)
{
    struct statvfs disk;
    struct journal_room room;
    journal_room_of(journal, &room);
    *bytes = room.used_bytes + room.log_wanted; /* steady: its growth is no trend */
    *free_bytes = 0;
    if (statvfs(journal->directory, &disk) == 0)
        *free_bytes = (uint64_t)disk.f_bavail * (uint64_t)disk.f_frsize;
    if (journal->store.db != NULL)
        *free_bytes += (uint64_t)number(journal, "PRAGMA freelist_count") * PAGE_BYTES;
}
