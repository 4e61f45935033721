/* SPDX-License-Identifier: Apache-2.0
 *
 * rules.c - what must hold between sections: one unit is read once, one point comes from one
 * source, a line has time for its polls.
 */
#include "rooms.h"

#include <stdio.h>
#include <string.h>

/* An entry in its place. The first entry of a source also holds before its own date. */
struct place {
    const struct well_plan *well;
    uint8_t source;
    int index;
    const struct source_entry *entry;
};

static int64_t begins(const struct place *at)
{
    return at->index == 0 ? INT64_MIN : at->entry->from_utc_ms;
}

static int64_t ends(const struct place *at)
{
    return at->index + 1 < at->well->n_entries[at->source]
               ? at->well->entries[at->source][at->index + 1].from_utc_ms
               : INT64_MAX;
}

static bool hold_together(const struct place *a, const struct place *b)
{
    return begins(a) < ends(b) && begins(b) < ends(a);
}

static struct node place_of(const struct reading_room *room, const struct place *at)
{
    const struct node *lists = node_find(room->well_node[at->well - room->plan->wells], "sources");
    const struct node *list = node_find(lists, source_name(at->source));
    for (const struct node *entry = list ? list->first : NULL; entry; entry = entry->next)
        if (entry->line == at->entry->config_line)
            return *entry;
    return (struct node){.file = room->file, .line = at->entry->config_line, .column = 1};
}

static void same_unit_check(const struct reading_room *room, const struct place *a,
                            const struct place *b)
{
    const struct plan *plan = room->plan;
    const struct node at = place_of(room, b), *unit = node_find(&at, "unit_id");
    if (a->entry->line != b->entry->line || a->entry->unit_id != b->entry->unit_id ||
        !hold_together(a, b))
        return;
    /* A device that relays another's values answers for both. */
    if (plan->maps[a->entry->map].relayed_by || plan->maps[b->entry->map].relayed_by)
        return;
    fault_at(room->faults, unit ? unit : &at,
             "unit id %u on line %s is already the %s of well %s in line %d; expected another unit "
             "id or line",
             b->entry->unit_id, plan->lines[b->entry->line].name, source_name(a->source),
             a->well->id, a->entry->config_line);
}

static void same_point_check(const struct reading_room *room, const struct place *a,
                             const struct place *b)
{
    const struct plan *plan = room->plan;
    if (a->well != b->well || a->source == b->source || !hold_together(a, b))
        return;
    const struct map *first = &plan->maps[a->entry->map], *second = &plan->maps[b->entry->map];
    for (int i = 0; i < second->n_channels; i++) {
        if (!map_channel(first, second->channel[i].point))
            continue;
        const struct node at = place_of(room, b), *map = node_find(&at, "map");
        fault_at(room->faults, map ? map : &at,
                 "%s of well %s comes from two sources: map %s of the %s (line %d) and map %s of "
                 "the %s; take it out of one map",
                 point_get(second->channel[i].point)->id, a->well->id, first->name,
                 source_name(a->source), a->entry->config_line, second->name,
                 source_name(b->source));
        return; /* one example is enough */
    }
}

static void poll_check(const struct reading_room *room, const struct place *at, uint32_t round_ms)
{
    if (at->entry->poll_every_ms >= round_ms)
        return;
    char poll[DECIMAL_TEXT_MAX], needed[DECIMAL_TEXT_MAX];
    const struct node entry = place_of(room, at), *node = node_find(&entry, "poll_every");
    duration_text(at->entry->poll_every_ms, poll);
    duration_text(round_ms, needed);
    fault_at(
        room->faults, node ? node : &entry,
        "poll_every of %s is shorter than one round of line %s, at least %s for all its sources; "
        "expected more",
        poll, room->plan->lines[at->entry->line].name, needed);
}

static void stale_fill(struct source_entry *entry, uint32_t round_ms)
{
    const uint32_t computed = 2 * entry->poll_every_ms + entry->refresh_ms + round_ms;
    if (!entry->stale_limit_stated)
        entry->stale_limit_ms = computed;
    else if (entry->stale_limit_ms == computed)
        entry->stale_limit_stated = false; /* what a canonical text says where nobody stated it */
}

static bool next_place(const struct plan *plan, struct place *at)
{
    size_t well = at->well ? (size_t)(at->well - plan->wells) : 0;
    int source = at->well ? at->source : SOURCE_GAUGE, index = at->well ? at->index + 1 : 0;
    for (; well < plan->n_wells; well++, source = SOURCE_GAUGE, index = 0)
        for (; source < SOURCE_KINDS; source++, index = 0)
            if (index < plan->wells[well].n_entries[source]) {
                at->well = &plan->wells[well];
                at->source = (uint8_t)source;
                at->index = index;
                at->entry = &plan->wells[well].entries[source][index];
                return true;
            }
    return false;
}

void rules_check(struct reading_room *room)
{
    struct plan *plan = room->plan;
    uint32_t least_ms[PLAN_LINES_MAX], round_ms[PLAN_LINES_MAX];
    for (uint16_t i = 0; i < plan->n_lines; i++) {
        least_ms[i] = round_least_ms(plan, i);
        round_ms[i] = plan_round_ms(plan, i);
    }
    struct place b = {0};
    while (next_place(plan, &b)) {
        struct place a = {0};
        poll_check(room, &b, least_ms[b.entry->line]);
        while (next_place(plan, &a) && a.entry != b.entry) {
            same_unit_check(room, &a, &b);
            same_point_check(room, &a, &b);
        }
    }
    if (room->faults->n > 0)
        return;
    for (int w = 0; w < plan->n_wells; w++)
        for (int s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
            for (int e = 0; e < plan->wells[w].n_entries[s]; e++)
                stale_fill(&plan->wells[w].entries[s][e],
                           round_ms[plan->wells[w].entries[s][e].line]);
}
