/* SPDX-License-Identifier: Apache-2.0
 *
 * box.h - the daemon in small: polls all three sources of the rig each 10 s on the run's grid, one
 * commit a due time.
 */
#ifndef UPHOLE_TESTS_JOURNAL_BOX_H
#define UPHOLE_TESTS_JOURNAL_BOX_H

#include "support.h"

struct box {
    struct rig *rig;
    struct ledger *ledger;
    int64_t grid_ms; /* boot_ms of the run's start */
    int64_t next_ms; /* next due time */
};

#define BOX_SOURCES_N 3
struct box_source {
    int well;
    uint8_t source;
};
extern const struct box_source BOX_SOURCES[BOX_SOURCES_N];

/** Opens the journal, begins a run, loads the ledger. */
void box_start(struct box *box, const char *boot_id);
void box_to_next_due(struct box *box);
/** `n` due times of the first `sources` sources, with this outcome; the rest of the sources is
 * skipped as busy. */
void box_poll(struct box *box, int n, uint8_t outcome, int sources);
/** One transaction with what the ledger has; `all`: counts that wait for their minute as well. */
void box_commit(struct box *box, struct scan *scans, size_t n, bool all);
void box_kill(struct box *box);
void box_stop(struct box *box);
/** Time passes. */
void box_away(struct box *box, int64_t ms);
/** Fails the test where the books do not balance, by the auditor. */
void box_check_books(struct box *box);

/** The newest revision of the `which`-th row of a kind, in order of start; fails where there is
 * none.
 */
struct gap box_row(const struct box *box, uint8_t kind, size_t which);

#endif
