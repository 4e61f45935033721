/* SPDX-License-Identifier: Apache-2.0
 *
 * support.h - what the journal's tests share: a scratch directory, a clock that is moved by hand, a
 * small plan, scans.
 */
#ifndef UPHOLE_TESTS_JOURNAL_SUPPORT_H
#define UPHOLE_TESTS_JOURNAL_SUPPORT_H

#include "uphole/journal.h"

#define BOOT_A "0badcafe-0000-4000-8000-000000000001"
#define BOOT_B "feedbead-0000-4000-8000-000000000002"
#define UTC_START 1930543200000LL /* 2031-03-06T06:00:00Z */

struct rig {
    char directory[64];
    int64_t utc_ms, boot_ms; /* now */
    uint8_t clock_state;
    struct up_clock clock;
    struct plan *plan;
    struct well_plan *wells; /* of the plan */
    struct journal *journal;
    uint64_t run;
};

/** cmocka fixtures: a rig with two wells (heron-7: gauge and drive; heron-8: gauge), all polled
 * each 10 s, and a scratch directory. */
int rig_setup(void **state);
int rig_teardown(void **state);
struct stamp rig_now(const struct rig *rig);
/** Opens the journal (boot A unless told), begins a run and stores the plan; fails the test where
 * it can't. */
void rig_start(struct rig *rig, const char *boot_id);
/** Closes without a clean-stop mark, as a kill would leave it (what was committed is on disk). */
void rig_kill(struct rig *rig);
void rig_path(const struct rig *rig, const char *name, char into[static 128]);
/** An answered scan with three registers, a scan of an exception, or a silent one. */
struct scan rig_scan(const struct rig *rig, int well, uint8_t source, uint8_t outcome);
/** Appends scans alone; fails the test where it can't. */
void rig_append(struct rig *rig, struct scan *scans, size_t n);
/** First column of the first row of a query on a connection of its own; fails the test where it
 * can't. */
int64_t rig_query(const struct rig *rig, const char *sql);
void rig_execute(const struct rig *rig, const char *sql);

#endif
