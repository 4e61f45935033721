/* SPDX-License-Identifier: Apache-2.0
 *
 * book.h - a ledger under test without a disk: scans in, revisions out.
 */
#ifndef UPHOLE_TESTS_JOURNAL_BOOK_H
#define UPHOLE_TESTS_JOURNAL_BOOK_H

#include "support.h"

/** A ledger under test, with every revision that it handed out. */
struct book {
    struct rig *rig;
    struct ledger *ledger;
    uint64_t seq[2];
    struct gap seen[512];
    size_t n;
};

struct book *book_open(struct rig *rig, size_t room);
void book_close(struct book *book);
/** Takes what changed, as of the rig's time. */
void book_take(struct book *book);
/** Newest revision of the `which`-th identity of a kind; NULL where there is none. */
const struct gap *book_newest(const struct book *book, uint8_t kind, size_t which);
size_t book_revisions(const struct book *book, uint8_t kind);
/** A scan begins 120 ms after its due time; qualities of points 1, 2 and 16 (of the drive: 21, 22,
 * 31) stand in the record. */
void book_poll_with(struct book *book, int well, uint8_t source, uint8_t outcome, uint8_t q1,
                    uint8_t q2, uint8_t q16);
/** Good or silent scans of heron-7's gauge. */
void book_poll_good(struct book *book, int n);
void book_poll_silent(struct book *book, int n);

#endif
