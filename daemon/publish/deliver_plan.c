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
                       uint16_t well, uint16_t lanes_a_well)
{
    for (uint16_t i = 0; i < lanes_a_well; i++)
        next->lane[next_well * lanes_a_well + i] = before->lane[well * lanes_a_well + i];
}

static void keep_entries(struct deliver *next, uint16_t n_wells, const struct deliver *before,
                         const uint16_t *was, uint16_t lanes_a_well)
{
    for (uint16_t i = 0; i < before->n_entries; i++) {
        const struct entry *entry = &before->entry[i];
        uint16_t well = 0;
        while (well < n_wells && was[well] != entry->lane / lanes_a_well)
            well++;
        if (well == n_wells)
            continue;
        struct entry *kept = &next->entry[next->n_entries++];
        *kept = *entry;
        kept->lane = (uint16_t)(well * lanes_a_well + entry->lane % lanes_a_well);
        next->bytes += kept->bytes;
    }
}

struct deliver *deliver_under_plan(const struct deliver *before, uint16_t n_wells,
                                   const uint16_t *was)
{
    struct deliver *next = deliver_create(n_wells, before->random);
    if (next == NULL || n_wells == 0)
        return next;
    const uint16_t lanes_a_well = next->n_lanes / n_wells;
    next->connected = before->connected;
    next->window = before->window;
    next->mid_twice = before->mid_twice;
    next->want.serial = before->want.serial;
    for (uint16_t well = 0; well < n_wells; well++)
        if (was[well] != DELIVER_NEW_WELL)
            keep_lanes(next, well, before, was[well], lanes_a_well);
    keep_entries(next, n_wells, before, was, lanes_a_well);
    return next;
}
