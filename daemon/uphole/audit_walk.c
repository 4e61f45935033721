/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_walk.c - the one pass over the books, in the order of pos: runs, plans that took effect,
 * scans, revisions of the ledger. A slice of each is in memory.
 */
#include "audit.h"

#include <stdlib.h>
#include <string.h>

/** Rows of the run behind the interval, that show whether it wrote what it found missing. */
#define ROWS_OF_NEXT_RUN 4096

struct walk {
    struct scan scans[AUDIT_SLICE];
    bool holds[AUDIT_SLICE];
    size_t n_scans, scan;
    struct revision revisions[AUDIT_SLICE];
    size_t n_revisions, revision;
    struct plan_taken plans[AUDIT_SLICE];
    size_t n_plans, plan;
    size_t run;
    uint64_t after_scan, to_scan, after_revision, after_plan;
};

/* ---- streams: each has its next row at hand, or none is left ---- */

static enum up_rc fill(struct audit *audit, struct walk *walk, struct up_error *error)
{
    enum up_rc rc = UP_OK;
    const bool reads = walk->scan == walk->n_scans || walk->revision == walk->n_revisions ||
                       walk->plan == walk->n_plans;
    if (reads)
        rc = audit_go_on(audit, error);
    if (rc == UP_OK && walk->scan == walk->n_scans) {
        walk->scan = 0;
        rc = journal_read_rows(audit->reader, walk->after_scan, walk->to_scan, AUDIT_SLICE,
                               walk->scans, walk->holds, &walk->n_scans, error);
        walk->after_scan = walk->n_scans > 0 ? walk->scans[walk->n_scans - 1].pos : walk->to_scan;
    }
    if (rc == UP_OK && walk->revision == walk->n_revisions) {
        walk->revision = 0;
        rc = journal_read_revisions(audit->reader, walk->after_revision, audit->newest_pos,
                                    AUDIT_SLICE, walk->revisions, &walk->n_revisions, error);
        walk->after_revision = walk->n_revisions > 0
                                   ? walk->revisions[walk->n_revisions - 1].gap.pos
                                   : audit->newest_pos;
    }
    if (rc == UP_OK && walk->plan == walk->n_plans) {
        walk->plan = 0;
        rc = journal_read_plans_taken(audit->reader, walk->after_plan, AUDIT_SLICE, walk->plans,
                                      &walk->n_plans, error);
        walk->after_plan =
            walk->n_plans > 0 ? walk->plans[walk->n_plans - 1].pos : audit->newest_pos;
    }
    return rc;
}

static uint64_t pos_of_scan(const struct walk *walk)
{
    return walk->scan < walk->n_scans ? walk->scans[walk->scan].pos : UINT64_MAX;
}

static uint64_t pos_of_revision(const struct walk *walk)
{
    return walk->revision < walk->n_revisions ? walk->revisions[walk->revision].gap.pos
                                              : UINT64_MAX;
}

static uint64_t pos_of_plan(const struct audit *audit, const struct walk *walk)
{
    const uint64_t pos = walk->plan < walk->n_plans ? walk->plans[walk->plan].pos : UINT64_MAX;
    return pos <= audit->newest_pos ? pos : UINT64_MAX;
}

static uint64_t pos_of_run(const struct audit *audit, const struct walk *walk)
{
    return walk->run < audit->n_runs ? audit->runs[walk->run].pos : UINT64_MAX;
}

/* ---- plans ---- */

/** Makes plan `id` the one in force. Plan 0: none. */
static enum up_rc take_plan(struct audit *audit, uint32_t id, struct up_error *error)
{
    char *text = NULL, digest[65];
    size_t length = 0;
    if (id == audit->plan_id)
        return UP_OK;
    plan_free(audit->plan);
    audit->plan = NULL;
    audit->plan_id = id;
    if (id == 0)
        return UP_OK;
    enum up_rc rc = journal_read_plan(audit->reader, id, &text, &length, digest, error);
    struct plan_faults *faults = calloc(1, sizeof *faults);
    if (rc == UP_OK && (faults == NULL || plan_from_text("the journal's plan", text, length,
                                                         &audit->plan, faults) != UP_OK))
        rc = UP_FAIL(error, UP_E_DISK, "plan %u of the journal can't be read back: %.200s", id,
                     faults == NULL ? "no memory" : faults->fault[0].text);
    free(faults);
    free(text);
    for (uint16_t w = 0; rc == UP_OK && w < audit->plan->n_wells; w++) {
        struct well_plan *well = &audit->plan->wells[w];
        uint16_t number = 0;
        for (size_t i = 0; i < audit->n_wells; i++)
            if (strcmp(audit->wells[i].id, well->id) == 0)
                number = audit->wells[i].number;
        plan_number_well(audit->plan, w, number);
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
            if (well->n_entries[s] > 0)
                (void)audit_source_of(audit, number, s);
    }
    return rc;
}

static enum up_rc begin_run(struct audit *audit, struct walk *walk, struct up_error *error)
{
    const size_t index = walk->run++;
    const struct run_book *run = &audit->runs[index];
    const struct plan_taken *taken =
        pos_of_plan(audit, walk) < pos_of_run(audit, walk) ? &walk->plans[walk->plan] : NULL;
    audit_due_run_ends(audit, run);
    enum up_rc rc = UP_OK;
    if (taken != NULL && taken->at_start && taken->pos > run->pos) {
        rc = take_plan(audit, taken->plan, error);
        walk->plan++;
    } else if (run->plan == 0 || audit->plan == NULL) {
        rc = take_plan(audit, run->plan, error);
    } /* else the run goes on with the plan before: the disk had refused */
    if (rc == UP_OK)
        audit_due_run_begins(audit, index);
    return rc;
}

static enum up_rc change_plan(struct audit *audit, struct walk *walk, struct up_error *error)
{
    const struct plan_taken *taken = &walk->plans[walk->plan++];
    const enum up_rc rc = take_plan(audit, taken->plan, error);
    if (rc == UP_OK && audit->run < audit->n_runs)
        audit_due_plan(audit, taken);
    return rc;
}

/* ---- the pass ---- */

/** Scans of runs that no source's interval touches are not read. */
static void bound_scans(struct audit *audit, struct walk *walk)
{
    size_t low = audit->low.run, high = audit->high.run;
    for (size_t i = 0; i < audit->n_sources; i++) {
        low = audit->sources[i].low.run < low ? audit->sources[i].low.run : low;
        high = audit->sources[i].high.run > high ? audit->sources[i].high.run : high;
    }
    walk->after_scan = low < audit->n_runs ? audit->runs[low].pos : audit->newest_pos;
    walk->to_scan = high < audit->n_runs && high + 1 < audit->n_runs
                        ? audit->runs[high + 1].pos + ROWS_OF_NEXT_RUN
                        : audit->newest_pos;
    walk->to_scan = walk->to_scan < audit->newest_pos ? walk->to_scan : audit->newest_pos;
    for (size_t i = 0; i < audit->n_damages; i++) /* a hole shows between two rows */
        if (audit->damages[i].has_key && audit->damages[i].last.run >= low &&
            audit->damages[i].first.run <= low)
            low = 0;
    audit->walks_all = low == 0;
    if (low == 0)
        walk->after_scan = 0;
}

static enum up_rc step(struct audit *audit, struct walk *walk, bool *more, struct up_error *error)
{
    enum up_rc rc = fill(audit, walk, error);
    const uint64_t run = pos_of_run(audit, walk), plan = pos_of_plan(audit, walk),
                   scan = pos_of_scan(walk), gap = pos_of_revision(walk);
    *more = rc == UP_OK && (run & plan & scan & gap) != UINT64_MAX;
    if (!*more)
        return rc;
    if (run <= plan && run <= scan && run <= gap)
        return begin_run(audit, walk, error);
    if (plan <= scan && plan <= gap)
        return change_plan(audit, walk, error);
    if (scan <= gap) {
        audit_row(audit, &walk->scans[walk->scan], walk->holds[walk->scan]);
        walk->scan++;
    } else {
        audit_revision(audit, &walk->revisions[walk->revision]);
        walk->revision++;
    }
    return UP_OK;
}

enum up_rc audit_walk(struct audit *audit, struct up_error *error)
{
    struct walk *walk = calloc(1, sizeof *walk);
    bool more = true;
    enum up_rc rc = UP_OK;
    if (walk == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory to read the books");
    audit->run = audit->n_runs;
    bound_scans(audit, walk);
    while (rc == UP_OK && more)
        rc = step(audit, walk, &more, error);
    if (rc == UP_OK)
        audit_due_end(audit);
    if (rc == UP_OK)
        audit_close_damages(audit);
    free(walk);
    return rc;
}
