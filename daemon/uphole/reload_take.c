/* SPDX-License-Identifier: Apache-2.0
 *
 * reload_take.c - the change from one plan to the next: lines, core with journal and ledger,
 * backlog, SCADA side. See reload.h.
 *
 *   changed lines have ended ─▶ their due times noted ─▶ rings emptied, committed under the old
 * plan ─▶ core takes the new one (the only step that can fail) ─▶ kept lines are handed it, others
 *     start ─▶ backlog and SCADA side hear it
 */
#include "reload.h"

#include "known_lines.h"
#include "run_inside.h"

#include "uphole/say.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LEAVE_MOST_US 15000000 /* a thread that hangs in a name lookup is left behind then */

static int line_index(const struct plan *plan, const char *name)
{
    for (uint16_t i = 0; i < plan->n_lines; i++)
        if (strcmp(plan->lines[i].name, name) == 0)
            return i;
    return -1;
}

static bool has_room_for_old(const struct reload *reload)
{
    for (int i = 0; i < RELOAD_PLANS_MAX; i++)
        if (reload->old[i] == NULL)
            return true;
    return false;
}

static void drop_rings(struct reload *reload)
{
    for (int i = 0; i < PLAN_LINES_MAX; i++) {
        ring_destroy(reload->rings[i]);
        reload->rings[i] = NULL;
    }
}

/** Whether each unit can be asked as its map says; a line that can't start must not end another. */
static enum up_rc check_reads(const struct plan *plan, struct up_error *error)
{
    for (uint16_t w = 0; w < plan->n_wells; w++)
        for (uint8_t s = SOURCE_NONE + 1; s < SOURCE_KINDS; s++)
            for (uint16_t e = 0; e < plan->wells[w].n_entries[s]; e++) {
                const struct source_entry *entry = &plan->wells[w].entries[s][e];
                struct read_plan reads;
                const enum up_rc rc = read_plan_make(&plan->maps[entry->map],
                                                     &plan->lines[entry->line], &reads, error);
                if (rc != UP_OK)
                    return rc;
            }
    return UP_OK;
}

enum up_rc reload_begin(struct well_side *side, struct up_error *error)
{
    struct reload *reload = &side->reload;
    const struct plan *plan = side->plan, *next = reload->next;
    if (!has_room_for_old(reload) || reload->n_left + plan->n_lines > PLAN_LINES_MAX)
        return UP_FAIL(error, UP_E_LOCKED,
                       "A line still works with an earlier configuration, since it hangs in a name "
                       "lookup, say. Try again in a minute");
    memset(reload->leaves, 0, sizeof reload->leaves);
    for (uint16_t i = 0; i < plan->n_lines; i++)
        reload->leaves[i] =
            side->gatherers[i] != NULL && !plan_line_is_same(plan, next, plan->lines[i].name);
    for (uint16_t i = 0; i < next->n_lines; i++) {
        const int was = line_index(plan, next->lines[i].name);
        if (was >= 0 && !reload->leaves[was] && side->gatherers[was] != NULL)
            continue;
        reload->rings[i] = ring_create(RUN_RING_SLOTS, sizeof(struct gathered));
        if (reload->rings[i] == NULL) {
            drop_rings(reload);
            return UP_FAIL(error, UP_E_MEMORY, "no memory for the ring of line %s",
                           next->lines[i].name);
        }
    }
    enum up_rc rc = check_reads(next, error);
    if (rc == UP_OK)
        rc = backlog_thread_prepare(side->backlog, next, reload->serial + 1, error);
    if (rc != UP_OK) {
        drop_rings(reload);
        return rc;
    }
    for (uint16_t i = 0; i < plan->n_lines; i++)
        if (reload->leaves[i])
            gather_ask_leave(side->gatherers[i]);
    reload->leave_until_us = clock_boot_us(&side->clock) + LEAVE_MOST_US;
    return UP_OK;
}

bool reload_lines_have_left(struct well_side *side)
{
    const bool is_late = clock_boot_us(&side->clock) >= side->reload.leave_until_us;
    for (uint16_t i = 0; i < side->plan->n_lines; i++)
        if (side->reload.leaves[i] && !gather_has_ended(side->gatherers[i]) && !is_late)
            return false;
    return true;
}

/* ---- due times ---- */

/** Of a thread that hangs: all before the due time that was open when its pass began had ended. */
static int64_t due_of_hanging(const struct well_side *side, uint16_t line,
                              const struct source_entry *entry)
{
    return gather_pass_began_us(side->gatherers[line]) / 1000 - (int64_t)entry->poll_every_ms + 1;
}

static void note_source(struct well_side *side, uint16_t line, const struct well_plan *well,
                        uint8_t source, int64_t utc_ms)
{
    struct reload *reload = &side->reload;
    struct gatherer *gatherer = side->gatherers[line];
    const struct source_entry *entry = plan_entry_at(well, source, utc_ms);
    const struct well_plan *next = plan_well_by_id(reload->next, well->id);
    struct due_start start = {.well = well->number, .source = source};
    const bool has_ended = gather_has_ended(gatherer);
    if (entry == NULL || entry->line != line)
        return;
    if (has_ended && !gather_next_due(gatherer, well->number, source, &start.from_ms))
        return;
    if (!has_ended)
        start.from_ms = due_of_hanging(side, line, entry);
    if (next != NULL && next->n_entries[source] > 0 && reload->n_starts < RELOAD_STARTS_MAX)
        reload->starts[reload->n_starts++] = start;
    else if (has_ended)
        gather_account_source(gatherer, well->number, source);
}

/** Where the due times of each source on a line that left go on; what is removed ends. */
static void note_due_times(struct well_side *side)
{
    const int64_t utc_ms = side->clock.utc_us(side->clock.context) / 1000;
    side->reload.n_starts = 0;
    for (uint16_t i = 0; i < side->plan->n_lines; i++)
        for (uint16_t w = 0; side->reload.leaves[i] && w < side->plan->n_wells; w++)
            for (uint8_t s = SOURCE_NONE + 1; s < SOURCE_KINDS; s++)
                note_source(side, i, &side->plan->wells[w], s, utc_ms);
}

/* ---- lines ---- */

/** Lets go of what left. */
static void end_lines(struct well_side *side)
{
    for (uint16_t i = 0; i < side->plan->n_lines; i++) {
        if (!side->reload.leaves[i])
            continue;
        (void)run_end_line(side, i);
        run_drop_ring(side, i);
    }
}

/** Rings and threads in the order of the next plan's lines. */
static void order_lines(struct well_side *side, const struct plan *next, bool kept[])
{
    struct ring *rings[PLAN_LINES_MAX] = {NULL};
    struct gatherer *gatherers[PLAN_LINES_MAX] = {NULL};
    for (uint16_t i = 0; i < next->n_lines; i++) {
        const int was = line_index(side->plan, next->lines[i].name);
        kept[i] = was >= 0 && side->gatherers[was] != NULL;
        rings[i] = kept[i] ? side->rings[was] : side->reload.rings[i];
        gatherers[i] = kept[i] ? side->gatherers[was] : NULL;
        if (kept[i])
            side->rings[was] = NULL;
        else
            side->reload.rings[i] = NULL;
    }
    for (uint16_t i = 0; i < PLAN_LINES_MAX; i++)
        run_drop_ring(side, i); /* of a line that did not run */
    memcpy(side->rings, rings, sizeof rings);
    memcpy(side->gatherers, gatherers, sizeof gatherers);
    drop_rings(&side->reload);
}

/** Those that have no thread: sources that were asked before go on at their next due time, others
 * begin at the first one behind `taken_ms`, so that the journal alone tells which that is. */
static void start_lines(struct well_side *side, int64_t taken_ms)
{
    struct up_error error = {0};
    side->lines_from_ms = taken_ms + 1;
    if (run_start_lines(side, false, &error) != UP_OK)
        say(SAY_ERROR, "uphole", "%s", error.why);
    side->lines_from_ms = 0;
    side->reload.n_starts = 0;
}

/** The old plan stays: its lines that left go on where they stood. */
static void go_back(struct well_side *side)
{
    end_lines(side);
    for (uint16_t i = 0; i < side->plan->n_lines; i++)
        if (side->rings[i] == NULL)
            side->rings[i] = ring_create(RUN_RING_SLOTS, sizeof(struct gathered));
    memset(side->listen, 0, sizeof side->listen);
    start_lines(side, clock_boot_ms(&side->clock));
    drop_rings(&side->reload);
    backlog_thread_drop(side->backlog);
}

/* ---- the change ---- */

static void keep_old(struct reload *reload, struct plan *plan)
{
    for (int i = 0; i < RELOAD_PLANS_MAX; i++)
        if (reload->old[i] == NULL) {
            reload->old[i] = plan;
            return;
        }
}

static void count_changes(const struct plan *before, const struct plan *now, const bool kept[],
                          char *what, size_t room)
{
    unsigned same = 0, anew = 0, destinations = 0;
    for (uint16_t i = 0; i < now->n_lines; i++)
        same += kept[i];
    for (uint16_t w = 0; w < now->n_wells; w++)
        anew += plan_well_by_id(before, now->wells[w].id) != NULL &&
                !plan_well_is_same(before, now, now->wells[w].id);
    for (uint16_t i = 0; i < now->n_destinations; i++)
        for (uint16_t k = 0; k < before->n_destinations; k++)
            destinations += destination_is_same(&now->destinations[i], &before->destinations[k]);
    snprintf(what, room,
             "%u of %u lines and %u of %u destinations go on as they were, %u %s measured anew",
             same, now->n_lines, destinations, now->n_destinations, anew,
             anew == 1 ? "well is" : "wells are");
}

enum up_rc reload_take(struct well_side *side, char *what, size_t room, struct up_error *error)
{
    struct reload *reload = &side->reload;
    struct plan *before = side->plan, *next = reload->next;
    bool kept[PLAN_LINES_MAX] = {false};
    char by[sizeof reload->by + 16];
    note_due_times(side);
    core_flush(side->core);
    retain_abandon(&side->retain);
    snprintf(by, sizeof by, "%s", reload->by);
    const enum up_rc rc =
        core_take_plan(side->core, next, reload->serial + 1, next->n_lines, by, error);
    if (rc != UP_OK) {
        go_back(side);
        return rc;
    }
    reload->serial++;
    reload->next = NULL;
    end_lines(side);
    order_lines(side, next, kept);
    side->plan = next;
    keep_old(reload, before);
    for (uint16_t i = 0; i < next->n_lines; i++)
        if (kept[i])
            gather_take_plan(side->gatherers[i], next, i);
    known_lines_compare(next, before, side->listen);
    start_lines(side, core_plan_taken_ms(side->core));
    service_take_plan(&side->service, next);
    run_side_take_plan(side);
    count_changes(before, next, kept, what, room);
    return UP_OK;
}

static bool is_used(struct well_side *side, const struct plan *plan)
{
    for (int i = 0; i < PLAN_LINES_MAX; i++)
        if (side->gatherers[i] != NULL && gather_uses_plan(side->gatherers[i], plan))
            return true;
    for (size_t i = 0; i < side->reload.n_left; i++)
        if (gather_uses_plan(side->reload.left[i], plan))
            return true;
    return backlog_thread_uses_plan(side->backlog, plan);
}

void reload_free_old(struct well_side *side)
{
    for (int i = 0; i < RELOAD_PLANS_MAX; i++) {
        struct plan *plan = side->reload.old[i];
        if (plan == NULL || is_used(side, plan))
            continue;
        plan_free(plan);
        side->reload.old[i] = NULL;
    }
}
