/* SPDX-License-Identifier: Apache-2.0
 *
 * export_walk.c - the rows of one well in an interval, oldest first, with the ledger's rows between
 * them: in slices, each a transaction of its own, held no longer than it takes to read it.
 *
 * The range of rows is fixed before the first walk. A row in it whose time is known and lies
 * outside the interval (the clock was stepped) is folded, but not told; one whose time nobody knows
 * lies between rows of the interval by its seq, and is told.
 */
#include "export.h"

#include <signal.h>

bool export_time_is_known(const struct stamp *at)
{
    return at->clock != CLOCK_STATE_NEVER_SET && at->clock != CLOCK_STATE_UNKNOWN;
}

/* ---- gaps, in the order of their start ---- */

/** The next ledger row in *gap, NULL behind the last. */
static enum up_rc next_gap(struct export *export, const struct gap **gap, struct up_error *error)
{
    *gap = NULL;
    while (!export->gaps_ended || export->next_gap < export->n_gaps) {
        if (export->next_gap == export->n_gaps) {
            const enum up_rc rc = journal_read_ledger_of(
                export->reader, export->well, export->asked.from_utc_ms, export->asked.to_utc_ms,
                export->gaps_begun ? &export->last_gap : NULL, JOURNAL_SLICE_MAX, export->gaps,
                &export->n_gaps, error);
            if (rc != UP_OK)
                return rc;
            export->next_gap = 0;
            export->gaps_begun = true;
            export->gaps_ended = export->n_gaps < JOURNAL_SLICE_MAX;
            if (export->n_gaps == 0)
                return UP_OK;
            export->last_gap = export->gaps[export->n_gaps - 1];
        }
        const struct gap *found = &export->gaps[export->next_gap];
        if (found->is_open && export->asked.from_utc_ms > export->asked.now_utc_ms) {
            export->next_gap++; /* open until now; what comes after, nobody knows */
            continue;
        }
        *gap = found;
        return UP_OK;
    }
    return UP_OK;
}

/** Ledger rows that began no later than `until` go out before the scan of that time. */
static enum up_rc put_gaps(struct export *export, int64_t until_utc_ms, struct up_error *error)
{
    const struct gap *gap = NULL;
    enum up_rc rc = next_gap(export, &gap, error);
    while (rc == UP_OK && gap != NULL && gap->start.utc_ms <= until_utc_ms) {
        if (!export->collecting) {
            if (export->asked.ndjson)
                rc = export_ndjson_gap(export, gap, error);
            else
                export_csv_gap(export, gap);
        }
        export->n_gap_rows++;
        export->next_gap++;
        if (rc == UP_OK)
            rc = next_gap(export, &gap, error);
    }
    return rc;
}

/* ---- scans ---- */

bool export_is_asked_for(const struct export *export, const struct stamp *at)
{
    return !export_time_is_known(at) ||
           (at->utc_ms >= export->asked.from_utc_ms && at->utc_ms <= export->asked.to_utc_ms);
}

/** First 32 bits of a plan's digest, for raw rows: their plan need not be read whole each time. */
static enum up_rc digest_of(struct export *export, struct export_scan *row, struct up_error *error)
{
    if (export->digest_of != row->scan->plan) {
        struct plan *plan = NULL;
        const enum up_rc rc = export_read_plan(export->reader, row->scan->plan, &plan, error);
        if (rc != UP_OK)
            return rc;
        export->digest = plan->digest_32;
        export->digest_of = row->scan->plan;
        plan_free(plan);
    }
    row->plan_digest = export->digest;
    return UP_OK;
}

static enum up_rc put_scan(struct export *export, const struct scan *scan, struct up_error *error)
{
    struct export_scan row = {.scan = scan, .at = scan->begun};
    enum up_rc rc = export_look(export, &row, export->asked.revision, error);
    if (rc == UP_OK)
        rc = export->asked.raw ? digest_of(export, &row, error) : export_fold(export, &row, error);
    if (rc != UP_OK || !export_is_asked_for(export, &row.at))
        return rc;
    export->n_scans++;
    if (export->collecting) {
        export_collect(export, &row);
        return UP_OK;
    }
    if (export->put != NULL)
        return export->put(export, &row, error);
    rc = put_gaps(export, row.at.utc_ms, error);
    if (rc != UP_OK)
        return rc;
    return export->asked.ndjson ? export_ndjson_scan(export, &row, error)
                                : export_csv_scan(export, &row, error);
}

static bool is_asked_to_stop(void)
{
    sigset_t pending;
    return sigpending(&pending) == 0 &&
           (sigismember(&pending, SIGINT) == 1 || sigismember(&pending, SIGTERM) == 1 ||
            sigismember(&pending, SIGHUP) == 1);
}

static enum up_rc walk_scans(struct export *export, struct up_error *error)
{
    uint64_t after = export->range.from - 1;
    while (after < export->range.to) { /* bounded: pos rises with every slice */
        size_t got = 0;
        enum up_rc rc = journal_read_scans(export->reader, export->well, after, JOURNAL_SLICE_MAX,
                                           export->scans, &got, error);
        if (rc != UP_OK || got == 0)
            return rc;
        for (size_t i = 0; rc == UP_OK && i < got && export->scans[i].pos <= export->range.to; i++)
            rc = put_scan(export, &export->scans[i], error);
        if (rc != UP_OK)
            return rc;
        after = export->scans[got - 1].pos;
        if (is_asked_to_stop())
            return UP_FAIL(error, UP_E_TIMEOUT, "stopped before its end");
        if (export->file != NULL && ferror(export->file))
            return UP_OK; /* the caller asks the file, and says why */
    }
    return UP_OK;
}

enum up_rc export_walk(struct export *export, struct up_error *error)
{
    export->as_read.pos = 0;
    for (size_t i = 0; i < EXPORT_REVISED; i++)
        export->as_revised[i].pos = 0;
    export->view.high = export->before = 0;
    export->n_scans = export->n_gap_rows = 0;
    export->n_gaps = export->next_gap = 0;
    export->gaps_begun = export->gaps_ended = false;
    const enum up_rc rc = export->range.from == 0 ? UP_OK : walk_scans(export, error);
    return rc != UP_OK || export->put != NULL ? rc : put_gaps(export, INT64_MAX, error);
}
