/* SPDX-License-Identifier: Apache-2.0
 *
 * gaps.h - what the files of `uphole gaps` share: the question, the rows that answer it, and the
 * journal's newest plan.
 */
#ifndef UPHOLE_GAPS_H
#define UPHOLE_GAPS_H

#include "uphole/journal.h"

#define GAPS_ROWS_MAX 100000
#define GAPS_COUNTS_MAX 512

struct gaps_asked {
    int64_t from_utc_ms, to_utc_ms, last_ms, now_utc_ms;
    bool has_from, has_to, json;
    const char *well, *config, *maps, *directory;
};

struct gaps_row {
    struct gap gap;
    bool folded, of_all; /* shown in another row; stands for every well */
    uint64_t scans;      /* of all rows folded into this one */
};

struct gaps_report {
    struct gaps_asked asked;
    struct journal_reader *reader;
    struct plan *plan; /* the journal's newest */
    struct gaps_row *rows;
    size_t n_rows, room, n_counts;
    bool more;
    struct scan_count counts[GAPS_COUNTS_MAX];
    uint16_t well; /* asked for, 0: all */
};

/** 1,151: with commas, whatever the locale. Returns `into`. */
const char *gaps_grouped(uint64_t number, char into[static 32]);
/** Answers report->asked: plan and rows (`with_counts`: for the summary too). gaps_end frees it, also
 * after a failure. */
UP_MUST enum up_rc gaps_read(struct gaps_report *report, bool with_counts, struct up_error *error);
void gaps_end(struct gaps_report *report);
/** Marks rows that are shown within another. */
void gaps_fold(struct gaps_report *report);
/** Prints the rows in aligned columns; returns how many. */
size_t gaps_print_rows(const struct gaps_report *report);
/** Prints what the rows come to: scans missing, records waiting, completeness of each point. */
void gaps_print_summary(const struct gaps_report *report, size_t shown);

#endif
