/* SPDX-License-Identifier: Apache-2.0
 *
 * core_removal.c - rows that retention takes: what a destination had not accepted is counted in the
 * ledger and passed over by its cursor, in the transaction that removes the rows.
 */
#include "core_inside.h"

void core_take_removal(struct core *core, const struct removal *removal, const char *why)
{
    core->removal = removal;
    core->removal_why = why;
    core->removal_failed = false;
}

bool core_has_removal(const struct core *core, bool *failed)
{
    *failed = core->removal_failed;
    return core->removal != NULL;
}

void core_set_at_age(struct core *core, bool at_age)
{
    core->at_age = at_age;
}

const char *core_who_lacks(const struct core *core, uint64_t pos, int64_t utc_ms)
{
    const struct plan *plan = core->options.plan;
    for (uint16_t d = 0; d < plan->n_destinations; d++)
        for (uint16_t w = 0; w < plan->n_wells && core_destination_acknowledges(core, d); w++) {
            const struct core_cursor *cursor = &core->destinations[d].cursor[0][w];
            const bool is_known = cursor->waiting_since.boot_ms != 0;
            if (core_waiting(core, d, w) > 0 &&
                (is_known ? cursor->waiting_since.utc_ms <= utc_ms : cursor->pos < pos))
                return plan->destinations[d].name;
        }
    return NULL;
}

uint16_t core_days_left(const struct core *core)
{
    return core->days_left;
}

uint64_t core_accepted_pos(const struct core *core, uint16_t well_index, const char **who)
{
    uint64_t lowest = UINT64_MAX;
    for (uint16_t d = 0; d < core->options.plan->n_destinations; d++) {
        const uint64_t pos = core->destinations[d].cursor[0][well_index].pos;
        if (!core_destination_acknowledges(core, d) || core_waiting(core, d, well_index) == 0 ||
            pos >= lowest)
            continue;
        lowest = pos;
        *who = core->options.plan->destinations[d].name;
    }
    return lowest;
}

static void pass_over(struct core *core, uint16_t destination, int well,
                      const struct row_floor *floor, const struct stamp *now)
{
    struct core_cursor *cursor = &core->destinations[destination].cursor[0][well];
    if (cursor->pos >= floor->pos || cursor->seq >= floor->seq)
        return;
    const struct stamp last = floor->at.utc_ms != 0 ? floor->at : *now;
    const struct removed_unsent removed = {
        .before_seq = cursor->seq,
        .scans = floor->seq - cursor->seq > UINT32_MAX ? UINT32_MAX
                                                       : (uint32_t)(floor->seq - cursor->seq),
        .first = cursor->waiting_since.boot_ms != 0 ? cursor->waiting_since : last,
        .last = last};
    ledger_remove(core->options.ledger, core->options.plan->destinations[destination].name,
                  floor->well, &removed, core->removal_why);
    cursor->pos = floor->pos;
    cursor->seq = floor->seq;
    cursor->dirty = true;
    if (last.boot == now->boot && last.boot_ms > cursor->waiting_since.boot_ms)
        cursor->waiting_since = last; /* what waits still came after it */
}

void core_count_removed(struct core *core, const struct stamp *now)
{
    for (size_t i = 0; core->removal != NULL && i < core->removal->n_floors; i++) {
        const struct row_floor *floor = &core->removal->floors[i];
        const int w = core_well_index(core, floor->well);
        for (uint16_t d = 0; w >= 0 && d < core->options.plan->n_destinations; d++)
            if (core_destination_acknowledges(core, d))
                pass_over(core, d, w, floor, now);
    }
}
