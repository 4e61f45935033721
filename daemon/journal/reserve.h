/* SPDX-License-Identifier: Apache-2.0
 *
 * reserve.h - room for the worst day, inside the journal's own files.
 *
 *  1. The write-ahead log has a fixed size: grown once, reset by checkpoints, never cut.
 *  2. Behind the database's last page stands as much room as one filling of that log can add, so
 *     that a checkpoint always finds its place.
 *  3. Pages that belong to nobody stand in the table `reserve`, and are given to new rows when the
 *     file can't grow any more.
 *
 * So a disk that others fill stops neither a commit nor a removal: nothing of them needs the file
 * system. Where (2) can't be had the journal is `tight`: it allocates only within its file.
 */
#ifndef UPHOLE_JOURNAL_RESERVE_H
#define UPHOLE_JOURNAL_RESERVE_H

#include <stdbool.h>
#include <stdint.h>

struct journal;
struct up_error;

extern const char RESERVE_SCHEMA_SQL[]; /* IF NOT EXISTS: added to journals made before */

#define PAGE_BYTES 4096
#define FRAME_BYTES (PAGE_BYTES + 24) /* a page in the write-ahead log */
#define RESERVE_MOST_BYTES 4194304u
#define RESERVE_LEAST_BYTES 1048576u
#define RESERVE_PARTS 16
/** Pages that one transaction may need, beside those it frees: 256 scans of the largest kind. */
#define RESERVE_FREE_PAGES 128

#define RESERVE_LEFT_MAX 8

struct reserve {
    int fd; /* of the file, for fallocate and write_again.c; -1: none, and no tail */
    int left[RESERVE_LEFT_MAX];
    unsigned n_left;        /* of files that were replaced */
    uint64_t wanted;        /* bytes in the table */
    uint32_t checkpoint_at; /* frames of the log */
    uint32_t log_frames;    /* its fixed size */
    uint32_t frames;        /* that stand in it, as of the newest commit */
    uint64_t held;          /* bytes in the table, as last seen */
    bool tight;
    bool grows;             /* the log is being brought to its size: no checkpoint before */
    int64_t stuck_since_ms; /* CLOCK_BOOTTIME since which no checkpoint ended; 0: none is stuck */
};

/** A new connection of the writer: checkpoints are ours from here on. */
void reserve_attach(struct journal *journal);
/** After every connection of this process is closed. */
void reserve_close(struct journal *journal);
/** After a commit: a checkpoint where the log has its size, and the tail behind the file. */
void reserve_after_commit(struct journal *journal);
/** Before a transaction: free pages for it, from the reserve, where the file can't grow. Returns
 * SQLite's result. */
int reserve_before_commit(struct journal *journal);

#endif
