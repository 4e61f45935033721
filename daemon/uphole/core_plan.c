/* SPDX-License-Identifier: Apache-2.0
 *
 * core_plan.c - core goes over to another plan within a run.
 *
 * Wells keep what they know, by their number; destinations keep where they stand, by their name.
 * A fold goes on where its well is measured alike (plan_well_is_same), else it begins anew: the
 * well's next scan bears a fact that says so, and whoever folds the rows later begins anew there
 * too. So a late record equals the live one over any change of plan.
 *
 * All that can fail comes first; a plan that is not taken leaves core as it was.
 */
#include "core_inside.h"

#include "uphole/say.h"

#include <stdlib.h>
#include <string.h>

/** What core was before; kept until the new plan is sure. */
struct before {
    struct plan *plan;
    struct core_well *wells;
    struct core_destination destinations[PLAN_DESTINATIONS_MAX];
    struct resend_lane *lanes;
};

static int index_of_well(const struct plan *plan, const char *id)
{
    const struct well_plan *well = plan_well_by_id(plan, id);
    return well == NULL ? -1 : (int)(well - plan->wells);
}

static int index_of_destination(const struct plan *plan, const char *name)
{
    for (int d = 0; d < plan->n_destinations; d++)
        if (strcmp(plan->destinations[d].name, name) == 0)
            return d;
    return -1;
}

/** The well as it was; its fold stays that of `before` until begin_wells. */
static bool carry_wells(struct core *core, const struct before *before)
{
    const struct plan *plan = core->options.plan;
    core->wells = calloc(plan->n_wells, sizeof *core->wells);
    if (core->wells == NULL)
        return false;
    for (uint16_t w = 0; w < plan->n_wells; w++) {
        const int was = index_of_well(before->plan, plan->wells[w].id);
        if (was < 0) {
            if (!core_make_well(core, w))
                return false;
            continue;
        }
        memcpy(&core->wells[w], &before->wells[was], sizeof core->wells[w]);
        core->wells[w].plan = &plan->wells[w];
    }
    return true;
}

static void carry_destinations(struct core *core, const struct before *before)
{
    const struct plan *plan = core->options.plan;
    for (int d = 0; d < plan->n_destinations; d++) {
        struct core_destination *now = &core->destinations[d];
        const int was = index_of_destination(before->plan, plan->destinations[d].name);
        now->cause = CAUSE_UNREACHABLE;
        if (was < 0)
            continue;
        const struct core_destination *then = &before->destinations[was];
        const bool is_same =
            destination_is_same(&before->plan->destinations[was], &plan->destinations[d]);
        memcpy(now->refused, then->refused, sizeof now->refused);
        if (is_same) { /* its connection goes on */
            now->writes_seen = then->writes_seen;
            now->strangers_seen = then->strangers_seen;
            now->state = then->state;
            now->cause = then->cause;
            now->since = then->since;
            memcpy(now->reason, then->reason, sizeof now->reason);
        }
        for (int w = 0; w < plan->n_wells; w++) {
            const int k = index_of_well(before->plan, plan->wells[w].id);
            if (k < 0)
                continue;
            now->cursor[0][w].waiting_since = then->cursor[0][k].waiting_since;
            now->cursor[0][w].accepted_boot_ms = then->cursor[0][k].accepted_boot_ms;
            for (int s = 0; s < 2 && is_same; s++) {
                struct core_cursor *cursor = &now->cursor[s][w];
                cursor->refusal_cause = then->cursor[s][k].refusal_cause;
                memcpy(cursor->refusal, then->cursor[s][k].refusal, sizeof cursor->refusal);
            }
        }
    }
}

/** Ends what the old plan held: cursors stay in the journal, folds of kept wells go on. */
static void forget(const struct before *before)
{
    for (int d = 0; d < PLAN_DESTINATIONS_MAX; d++)
        for (int s = 0; s < 2; s++)
            free(before->destinations[d].cursor[s]);
    free(before->wells);
    free(before->lanes);
}

static void go_back(struct core *core, const struct before *before)
{
    for (int w = 0; core->wells != NULL && w < core->options.plan->n_wells; w++)
        if (index_of_well(before->plan, core->options.plan->wells[w].id) < 0)
            free(core->wells[w].fold);
    const struct before made = {.wells = core->wells, .lanes = core->resend.lanes};
    free(made.wells);
    free(made.lanes);
    for (int d = 0; d < PLAN_DESTINATIONS_MAX; d++)
        for (int s = 0; s < 2; s++)
            free(core->destinations[d].cursor[s]);
    core->wells = before->wells;
    core->resend.lanes = before->lanes;
    memcpy(core->destinations, before->destinations, sizeof core->destinations);
    core->options.plan = before->plan;
}

/** The plan is sure: what is measured otherwise begins anew. */
static void begin_wells(struct core *core, const struct plan *before)
{
    const struct plan *plan = core->options.plan;
    for (uint16_t w = 0; w < plan->n_wells; w++) {
        struct core_well *well = &core->wells[w];
        well->snapshot_due = true;
        if (plan_well_by_id(before, well->plan->id) == NULL)
            continue;
        for (unsigned s = 0; s < SOURCE_KINDS; s++)
            if (well->plan->n_entries[s] == 0) {
                memset(&well->newest_scan[s], 0, sizeof well->newest_scan[s]);
                well->told_line[s] = LINE_UNKNOWN;
            }
        if (plan_well_is_same(before, plan, well->plan->id))
            continue;
        fold_begin_anew(well->fold);
        well->begins_anew = true;
        memset(well->told_setting, 0, sizeof well->told_setting);
        /* Words that were asked by other entries or maps are not shown under these. */
        memset(well->newest_scan, 0, sizeof well->newest_scan);
    }
}

static enum up_rc change(struct core *core, struct plan *plan, const struct stamp *now,
                         struct up_error *error)
{
    struct before before = {
        .plan = core->options.plan, .wells = core->wells, .lanes = core->resend.lanes};
    memcpy(before.destinations, core->destinations, sizeof before.destinations);
    memset(core->destinations, 0, sizeof core->destinations);
    core->resend.lanes = NULL;
    core->options.plan = plan;
    enum up_rc rc = UP_OK;
    if (!carry_wells(core, &before) || !core_make_cursors(core))
        rc = UP_FAIL(error, UP_E_MEMORY, "no memory for %u wells", plan->n_wells);
    if (rc == UP_OK) {
        carry_destinations(core, &before);
        rc = core_find_waiting(core, error);
    }
    if (rc == UP_OK)
        rc = ledger_set_plan(core->options.ledger, plan, now, error);
    if (rc != UP_OK) {
        go_back(core, &before);
        return rc;
    }
    begin_wells(core, before.plan);
    forget(&before);
    return UP_OK;
}

enum up_rc core_take_plan(struct core *core, struct plan *plan, uint32_t serial, size_t n_rings,
                          const char *by, struct up_error *error)
{
    struct plan *before = core->options.plan;
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    if (core->refusing || core->n_scans > 0)
        return UP_FAIL(error, UP_E_DISK,
                       "the journal does not take rows now, so no other configuration can be "
                       "stored; 'uphole status' says how it is");
    enum up_rc rc = journal_put_plan(core->options.journal, plan, &now, by, error);
    if (rc != UP_OK)
        return rc;
    rc = change(core, plan, &now, error);
    if (rc != UP_OK) {
        struct up_error again = {0};
        if (journal_put_plan(core->options.journal, before, &now, by, &again) != UP_OK)
            say(SAY_ERROR, "journal", "%s", again.why);
        return rc;
    }
    core->plan_taken_ms = now.boot_ms;
    wall_plans_take(&core->wall_plans, serial, before, plan);
    core->side_goes_on = core->wall >= 0;
    core->wall = -1; /* nothing is said under the new plan before the SCADA side has heard it */
    core->options.n_rings = n_rings;
    return UP_OK;
}

int64_t core_plan_taken_ms(const struct core *core)
{
    return core->plan_taken_ms;
}
