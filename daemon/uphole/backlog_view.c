/* SPDX-License-Identifier: Apache-2.0
 *
 * backlog_view.c - rows as orders have made them: with the times that an order gives them, under
 * the plan of a recalculation.
 *
 * A view is named by the pos of an order: what it and those before it make of the rows. Under it a
 * row's content follows from the journal alone, wherever the folding began, so a revision has one
 * content for ever:
 *  - times: row by row, by order_corrects;
 *  - a recalculation: its rows are folded as one stretch, all under its plan, from one window
 * before its first row; never from a place within. Facts from before that window hold where the
 * source that made them is asked for alike under the recalculation's plan; others are unknown, and
 * so is what needs them (the pump's run time is "at least", a marker isn't called a fault of a
 * channel that was seen before).
 */
#include "backlog_inside.h"

#include <string.h>

enum up_rc backlog_look(struct backlog *backlog, struct row_view *view, uint16_t well, uint64_t pos,
                        uint64_t as_of, struct up_error *error)
{
    if (view->high != 0 && pos >= view->low && pos <= view->high)
        return UP_OK;
    if (as_of == 0) {
        *view = (struct row_view){.low = 0, .high = UINT64_MAX};
        return UP_OK;
    }
    const enum up_rc rc =
        journal_read_view(backlog->reader, well, pos, as_of, UINT32_MAX, view, error);
    if (rc != UP_OK)
        view->high = 0;
    return rc;
}

void backlog_correct_fact(const struct row_order *times, const struct scan *of_run,
                          struct fact *fact)
{
    const struct scan made_by = {.pos = fact->pos,
                                 .begun = {.utc_ms = fact->utc_ms,
                                           .boot_ms = fact->boot_ms,
                                           .boot = of_run->begun.boot,
                                           .clock = CLOCK_STATE_UNSYNCHRONISED}};
    struct stamp at;
    if (times->pos != 0 && order_corrects(times, &made_by, &at))
        fact->utc_ms = at.utc_ms;
}

/** True where the source of a fact is asked for alike under the recalculation's plan. */
static enum up_rc holds_still(struct backlog *backlog, const struct kept_fold *kept,
                              const struct fact *fact, bool *holds, struct up_error *error)
{
    const struct plan *then = NULL, *now = NULL;
    size_t got = 0;
    *holds = is_confirmation(fact); /* what it is tied to says so by itself */
    if (*holds)
        return UP_OK;
    enum up_rc rc = journal_read_scans(backlog->reader, fact->well, fact->pos - 1, 1,
                                       backlog->scans, &got, error);
    if (rc != UP_OK || got == 0 || backlog->scans[0].pos != fact->pos)
        return rc; /* its row is no longer there: nobody knows under what it was made */
    rc = backlog_plan(backlog, backlog->scans[0].plan, &then, error);
    if (rc == UP_OK)
        rc = backlog_plan(backlog, kept->plan, &now, error);
    const struct well_plan *well = plan_well_by_number(backlog->options.plan, fact->well);
    if (rc == UP_OK && well != NULL)
        *holds = plan_source_is_same(then, now, well->id, fact->source);
    /* The trend of the insulation is made with well data, and of two sources. */
    if (*holds && fact->point == POINT_INSULATION_DAILY_CHANGE)
        *holds = plan_well_is_same(then, now, well->id);
    return rc;
}

/** The fold of a recalculation at its begin: one window before its first row. */
static enum up_rc begin(struct backlog *backlog, struct kept_fold *kept,
                        const struct row_order *order, struct up_error *error)
{
    const struct plan *plan = NULL;
    size_t got = 0, n_facts = 0;
    uint64_t after = 0;
    enum up_rc rc = journal_read_scans(backlog->reader, kept->well, order->from - 1, 1,
                                       backlog->scans, &got, error);
    if (rc == UP_OK)
        rc = backlog_plan(backlog, kept->plan, &plan, error);
    if (rc != UP_OK || got == 0)
        return rc;
    const struct scan first = backlog->scans[0];
    const struct well_plan *well = plan_well_by_number(backlog->options.plan, kept->well);
    const struct well_plan *then = well == NULL ? NULL : plan_well_by_id(plan, well->id);
    if (then == NULL)
        return UP_FAIL(error, UP_E_DISK, "the plan of order %llu doesn't hold the well of its rows",
                       (unsigned long long)order->pos);
    const struct fold_window window = fold_window_of(plan, then);
    rc = journal_window_start(backlog->reader, kept->well, first.pos, window.ms, window.scans,
                              &after, error);
    if (rc == UP_OK)
        rc = journal_read_facts(backlog->reader, kept->well, first.run, after, backlog->facts,
                                FACTS_READ_MAX, &n_facts, error);
    fold_init(kept->fold);
    kept->pos = after;
    for (size_t i = 0; rc == UP_OK && i < n_facts; i++) {
        struct fact *fact = &backlog->facts[i];
        bool holds = false;
        rc = holds_still(backlog, kept, fact, &holds, error);
        if (rc == UP_OK && holds)
            rc = backlog_look(backlog, &kept->view, kept->well, fact->pos, kept->as_of, error);
        if (rc != UP_OK || !holds)
            continue;
        backlog_correct_fact(&kept->view.times, &first, fact);
        fold_load_fact(kept->fold, fact);
    }
    return rc;
}

/** Folds on towards the row at `to`, which is not folded. */
static enum up_rc go_on(struct backlog *backlog, struct kept_fold *kept, uint64_t to,
                        unsigned slices, struct up_error *error)
{
    uint64_t after = kept->pos;
    for (unsigned i = 0; i < slices; i++) {
        size_t got = 0;
        enum up_rc rc = journal_read_scans(backlog->reader, kept->well, after, JOURNAL_SLICE_MAX,
                                           backlog->scans, &got, error);
        if (got > 0)
            backlog->slice_to = backlog->scans[got - 1].pos;
        for (size_t k = 0; rc == UP_OK && k < got; k++) {
            if (backlog->scans[k].pos >= to)
                return UP_OK;
            rc = backlog_fold_one(backlog, kept, &backlog->scans[k], error);
        }
        if (rc != UP_OK || got == 0)
            return rc;
        after = backlog->scans[got - 1].pos;
    }
    return UP_OK;
}

enum up_rc backlog_stand(struct backlog *backlog, struct kept_fold *kept, const struct scan *scan,
                         uint64_t as_of, unsigned slices, bool *stands, struct up_error *error)
{
    struct row_view view = {0};
    uint64_t run = 0, seq = 0, before = 0;
    *stands = false;
    enum up_rc rc = backlog_look(backlog, &view, scan->well, scan->pos, as_of, error);
    if (rc == UP_OK)
        rc = journal_row_before(backlog->reader, scan->well, scan->pos, &run, &seq, &before, error);
    if (rc != UP_OK)
        return rc;
    const struct row_order *order = &view.recalculated;
    if (kept->as_of != as_of || kept->well != scan->well || kept->recalculated != order->pos) {
        kept->pos = 0;
        kept->view.high = 0;
        kept->as_of = as_of;
        kept->well = scan->well;
        kept->recalculated = order->pos;
        kept->plan = order->pos != 0 ? order->plan : 0;
    }
    if (order->pos == 0) {
        if (kept->pos == 0 || kept->pos != before)
            rc = backlog_rebuild(backlog, kept, scan, error);
        *stands = rc == UP_OK;
    } else {
        if (kept->pos == 0 || kept->pos > before)
            rc = begin(backlog, kept, order, error);
        if (rc == UP_OK && kept->pos < before)
            rc = go_on(backlog, kept, scan->pos, slices, error);
        *stands = rc == UP_OK && kept->pos >= before;
    }
    if (rc != UP_OK)
        kept->pos = 0;
    if (*stands) {
        kept->run = run;
        kept->seq = seq;
    }
    return rc;
}
