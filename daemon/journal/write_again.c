/* SPDX-License-Identifier: Apache-2.0
 *
 * write_again.c - what the disk may never have taken is written once more.
 *
 * After a sync that failed the kernel takes the pages for clean: it shows them to whoever reads,
 * and no later sync writes them. A checkpoint that believes what it reads then puts rows of such
 * pages into the file; a power cut in the midst of it leaves the log without them, and pages of the
 * file half written that nothing mends. So before the first commit or checkpoint after a failed
 * sync, in this process or one that ended within this boot, each page of the log and each page of
 * the file that the log names is written again as it reads, and synced: from then on what can be
 * read is what the disk holds.
 *
 * A checkpoint whose sync failed is the smaller case of it: what it, or one before that a reader
 * held up, put into the file counts as put there. No row is in danger as long as the log holds it,
 * so rows are taken on, and no checkpoint is made until all was written again.
 *
 * A start within the boot of a clean stop writes again too, since the log is kept at its size with
 * all its frames, and the mark of the stop proves only its own commit, not that each checkpoint
 * before it was synced. It costs about 10 ms and as much as the log holds, twice (measured: 2 MB of
 * log, ext4; at most some 4 MB of log by wal_autocheckpoint): too little to believe a mark for.
 *
 * Source of the log's layout: SQLite, "Database File Format", section 4.1. Of the behaviour of a
 * failed sync: fsync(2), and PostgreSQL's wiki, "Fsync Errors".
 */
#include "store.h"

#include "uphole/wire.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#define LOG_HEAD_BYTES 32
#define LOG_HEAD_SALT 16
#define FRAME_HEAD_SALT 8
#define SALT_BYTES 8

/** Writes what was read at its place; false: errno. */
static bool put_back(int fd, const uint8_t *bytes, size_t length, off_t at)
{
    const ssize_t written = pwrite(fd, bytes, length, at);
    if (written >= 0 && (size_t)written != length)
        errno = ENOSPC;
    return written == (ssize_t)length;
}

/** A page of the file; one behind its end is only in the log yet. */
static bool page_again(int fd, uint32_t page)
{
    uint8_t bytes[PAGE_BYTES];
    const off_t at = ((off_t)page - 1) * PAGE_BYTES;
    const ssize_t n = page == 0 ? 0 : pread(fd, bytes, sizeof bytes, at);
    return n < 0 ? false : put_back(fd, bytes, (size_t)n, at);
}

/** The log's frames as far as a recovery could take them for rows, and the pages that they name. */
static bool log_again(int log, int file)
{
    uint8_t head[LOG_HEAD_BYTES], frame[FRAME_BYTES];
    ssize_t n = pread(log, head, sizeof head, 0);
    if (n < LOG_HEAD_BYTES)
        return n >= 0; /* nothing was ever written */
    if (!put_back(log, head, sizeof head, 0))
        return false;
    for (off_t at = LOG_HEAD_BYTES;; at += FRAME_BYTES) { /* bounded by the log's length */
        n = pread(log, frame, sizeof frame, at);
        if (n < FRAME_BYTES ||
            memcmp(frame + FRAME_HEAD_SALT, head + LOG_HEAD_SALT, SALT_BYTES) != 0)
            return n >= 0;
        if (!put_back(log, frame, sizeof frame, at) || !page_again(file, get_u32(frame)))
            return false;
    }
}

enum up_rc journal_write_again(struct journal *journal, struct up_error *error)
{
    const int log = open(journal->wal_path, O_RDWR | O_CLOEXEC | O_NOFOLLOW);
    const int file = journal->reserve.fd;
    if (log < 0 && errno == ENOENT)
        return UP_OK;
    const bool written = log >= 0 && file >= 0 && log_again(log, file) && fdatasync(log) == 0 &&
                         fdatasync(file) == 0;
    const int why = errno;
    if (log >= 0)
        close(log); /* SQLite keeps no lock on this file */
    if (written)
        return UP_OK;
    errno = why;
    return UP_FAIL_ERRNO(error, UP_E_DISK,
                         "what the disk may not have taken of the journal %s can't be written "
                         "again: %s",
                         journal->path, store_path_trouble(why));
}

void journal_doubt(struct journal *journal, int rc)
{
    if (rc == SQLITE_IOERR_FSYNC)
        atomic_store(&journal->in_doubt, true);
}

enum up_rc journal_settle_doubt(struct journal *journal, struct up_error *error)
{
    enum up_rc rc = UP_OK;
    if (!atomic_load(&journal->in_doubt))
        return UP_OK;
    pthread_mutex_lock(
        &journal->check_lock); /* no check begins meanwhile: it writes into the file */
    if (journal->checking == NULL) {
        rc = journal_write_again(journal, error);
        if (rc == UP_OK)
            atomic_store(&journal->in_doubt, false);
    }
    pthread_mutex_unlock(&journal->check_lock);
    if (rc != UP_OK)
        journal->poisoned = true;
    return rc;
}
