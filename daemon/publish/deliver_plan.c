/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_plan.c - one destination's delivery under a new plan (invariants: deliver.h).
 *
 * A well's lanes go on where they stood: what was accepted, what is out with the broker, what it
 * refused. Rows that were asked for and not handed over are asked for again. Of a well that is gone
 * nothing is kept: the answers to its messages are then ignored.
 */
#include "deliver_inside.h"

static void keep_lanes(struct deliver *next, uint16_t next_well, const struct deliver *before,
                       uint16_t well)
{
    for (uint16_t i = 0; i < DELIVER_STREAMS; i++)
        next->lane[next_well * DELIVER_STREAMS + i] = before->lane[well * DELIVER_STREAMS + i];
}

static void keep_entries(struct deliver *next, uint16_t n_wells, const struct deliver *before,
                         const uint16_t *was)
{
    for (uint16_t i = 0; i < before->n_entries; i++) {
        const struct entry *entry = &before->entry[i];
        uint16_t well = 0;
        while (well < n_wells && was[well] != entry->lane / DELIVER_STREAMS)
            well++;
        if (well == n_wells)
            continue;
        struct entry *kept = &next->entry[next->n_entries++];
        *kept = *entry;
        kept->lane = (uint16_t)(well * DELIVER_STREAMS + entry->lane % DELIVER_STREAMS);
        next->bytes += kept->bytes;
    }
}

struct deliver *deliver_under_plan(const struct deliver *before, uint16_t n_wells,
                                   const uint16_t *was)
{
    struct deliver *next = deliver_create(n_wells, before->random);
    if (next == NULL)
        return NULL;
    next->connected = before->connected;
    next->window = before->window;
    next->mid_twice = before->mid_twice;
    next->serial = before->serial;
    next->pace = before->pace;
    next->rate = before->rate;
    next->budget_milli = before->budget_milli;
    next->refilled_ms = before->refilled_ms;
    for (uint16_t well = 0; well < n_wells; well++)
        if (was[well] != DELIVER_NEW_WELL)
            keep_lanes(next, well, before, was[well]);
    keep_entries(next, n_wells, before, was);
    return next;
}
