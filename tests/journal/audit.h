/* SPDX-License-Identifier: Apache-2.0
 *
 * audit.h - the books, from outside: what was due by runs, plans and periods, against what the
 * tables hold. Plain SQL; shares no code with the journal or the ledger. For tests of any room.
 */
#ifndef UPHOLE_TESTS_JOURNAL_AUDIT_H
#define UPHOLE_TESTS_JOURNAL_AUDIT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** One well and source over all runs of the file. */
struct audit_sum {
    char well[33];
    uint8_t source;
    int64_t due, rows, never_attempted;
};

/**
 * Sums the books of `directory`/journal.sqlite. The last run is counted up to `end_boot_ms` (its
 * due times <= that). Within a boot due times count by boot time, across boots by UTC from the
 * run's newest pair of clocks. Returns the number of sums, or -1 with a reason. `report` gets one
 * line a fault: unbalanced books, a hole in seq, a revision that is missing, two open rows of one
 * identity.
 */
int audit_books(const char *directory, int64_t end_boot_ms, struct audit_sum *into, size_t room,
                char *report, size_t report_room);

#endif
