/* SPDX-License-Identifier: Apache-2.0
 *
 * wells.c - wells, their dated sources and their dated data.
 */
#include "rooms.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *line_name_at(const void *context, int i)
{
    const struct plan *plan = context;
    return i < plan->n_lines ? plan->lines[i].name : NULL;
}

/* The map of an entry; NULL where it isn't good (its own faults say why). */
static const struct map *entry_map(const struct reading_room *room,
                                   const struct source_entry *entry)
{
    return entry->map < room->plan->n_maps && room->map_is_good[entry->map]
               ? &room->plan->maps[entry->map]
               : NULL;
}

/* A point that the entry's map holds; 0 and a fault else. */
static unsigned mapped_point(struct reading_room *room, const struct node *node, const char *key,
                             const struct source_entry *entry)
{
    const struct map *map = entry_map(room, entry);
    const unsigned point = node->kind == NODE_SCALAR ? point_find(node->text, node->length) : 0;
    if (!point) {
        const char *close =
            node->kind == NODE_SCALAR ? suggest(node->text, point_name_at, NULL) : NULL;
        fault_at(room->faults, node, "`%s: %.60s` is no point%s%s%s", key, node->text,
                 close ? "; did you mean `" : "", close ? close : "", close ? "`" : "");
    } else if (map && !map_channel(map, point)) {
        fault_at(room->faults, node, "`%s` names %s, which map %s doesn't hold", key, node->text,
                 map->name);
        return 0;
    }
    return point;
}

static void fitted_read(struct reading_room *room, const struct node *fitted,
                        struct source_entry *entry)
{
    if (!fitted)
        return;
    if (fitted->kind != NODE_MAP) {
        fault_at(room->faults, fitted,
                 "`fitted` holds %s; expected such as `{discharge_pressure: no}`",
                 node_kind_name(fitted));
        return;
    }
    for (const struct node *at = fitted->first; at; at = at->next) {
        const unsigned point = mapped_point(room, at->key, "fitted", entry);
        bool yes = false;
        if (value_yes_no(room->faults, at, at->key->text, &yes) && point)
            entry->fitted[point] = yes ? FITTED_YES : FITTED_NO;
    }
}

static void confirmed_read(struct reading_room *room, const struct node *node,
                           struct source_entry *entry)
{
    const bool all = node_is(node, "all");
    for (unsigned point = 1; point < POINT_COUNT; point++)
        entry->confirmed_units[point] = all || !point_needs_confirmation(point);
    if (!node || all || node_is(node, "none"))
        return;
    if (node->kind != NODE_LIST) {
        fault_at(room->faults, node,
                 "`confirmed_units` holds `%.40s`; expected all, none, or a list such as "
                 "`[intake_pressure]`",
                 node->kind == NODE_SCALAR ? node->text : node_kind_name(node));
        return;
    }
    for (const struct node *at = node->first; at; at = at->next) {
        const unsigned point = mapped_point(room, at, "confirmed_units", entry);
        if (point)
            entry->confirmed_units[point] = true;
    }
}

static void entry_line_read(struct reading_room *room, const struct node *line,
                            struct source_entry *entry)
{
    const struct plan *plan = room->plan;
    entry->line = UINT16_MAX;
    if (!line || !value_is_text(room->faults, line, "line", "the name of a line"))
        return;
    for (int i = 0; i < plan->n_lines; i++)
        if (strcmp(plan->lines[i].name, line->text) == 0)
            entry->line = (uint16_t)i;
    if (entry->line != UINT16_MAX || plan->n_lines == 0) /* no lines at all has its own fault */
        return;
    char names[120];
    join_names(names, sizeof names, line_name_at, plan);
    const char *close = suggest(line->text, line_name_at, plan);
    fault_at(room->faults, line, "no line is called `%.40s`; expected %s%s%s%s", line->text,
             names[0] ? names : "one of `lines`", close ? "; did you mean `" : "",
             close ? close : "", close ? "`" : "");
}

static void entry_map_read(struct reading_room *room, const struct node *map,
                           struct source_entry *entry)
{
    entry->map = UINT16_MAX;
    if (!map || map->kind != NODE_SCALAR)
        return;
    for (int i = 0; i < room->plan->n_maps; i++)
        if (strcmp(room->plan->maps[i].name, map->text) == 0)
            entry->map = (uint16_t)i;
}

static void unit_id_check(struct reading_room *room, const struct node *node,
                          const struct source_entry *entry)
{
    if (!node || entry->line >= room->plan->n_lines ||
        !line_speaks_rtu(&room->plan->lines[entry->line]))
        return;
    if (entry->unit_id > 247)
        fault_at(room->faults, node, "unit id %u is reserved on a serial line; expected 1 to 247",
                 entry->unit_id);
    else if (entry->unit_id == 0 && node_is(node, "0"))
        fault_at(room->faults, node,
                 "unit id 0 speaks to all units at once and none may answer; expected 1 to 247");
}

static void entry_times_read(struct reading_room *room, const struct node *node,
                             struct source_entry *entry)
{
    const struct node *refresh = node_find(node, "refresh"),
                      *stale = node_find(node, "stale_limit");
    const struct map *map = entry_map(room, entry);
    uint64_t ms = 0;
    entry->refresh_ms = map ? map->refresh_ms : 0;
    if (refresh && value_duration(room->faults, refresh, "refresh", 100, 86400000, &ms))
        entry->refresh_ms = (uint32_t)ms;
    if (stale && value_duration(room->faults, stale, "stale_limit", 100, 7 * 86400000.0, &ms)) {
        entry->stale_limit_ms = (uint32_t)ms;
        entry->stale_limit_stated = true;
        const uint64_t least = (uint64_t)entry->poll_every_ms + entry->refresh_ms;
        if (ms < least && entry->refresh_ms > 0) {
            char limit[DECIMAL_TEXT_MAX], poll[DECIMAL_TEXT_MAX], fresh[DECIMAL_TEXT_MAX],
                sum[DECIMAL_TEXT_MAX];
            duration_text(ms, limit);
            duration_text(entry->poll_every_ms, poll);
            duration_text(entry->refresh_ms, fresh);
            duration_text(least, sum);
            fault_at(room->faults, stale,
                     "a stale_limit of %s is below poll_every + refresh = %s + %s = %s, an age "
                     "that a healthy value reaches; expected more, or leave it out",
                     limit, poll, fresh, sum);
        }
    }
}

static void entry_read(struct reading_room *room, const struct node *node, const char *owner,
                       struct source_entry *entry)
{
    if (!keys_read(room->faults, node, SECTION_ENTRY, 0, owner, entry))
        return;
    entry->config_line = node->line;
    entry_line_read(room, node_find(node, "line"), entry);
    entry_map_read(room, node_find(node, "map"), entry);
    unit_id_check(room, node_find(node, "unit_id"), entry);
    entry_times_read(room, node, entry);
    fitted_read(room, node_find(node, "fitted"), entry);
    confirmed_read(room, node_find(node, "confirmed_units"), entry);
}

static bool list_of_sections(struct reading_room *room, const struct node *list, const char *owner)
{
    if (list->kind == NODE_LIST && list->n > 0 && list->n <= ENTRIES_MAX_OF_SOURCE)
        return true;
    fault_at(room->faults, list,
             "%s holds %s; expected a list of 1 to %d dated entries, each such as `- {from: "
             "2031-01-10T08:00:00Z, ...}`",
             owner,
             list->kind == NODE_LIST ? (list->n ? "too many" : "nothing") : node_kind_name(list),
             ENTRIES_MAX_OF_SOURCE);
    return false;
}

static void source_read(struct reading_room *room, const struct node *list, struct well_plan *well,
                        int source)
{
    char owner[100];
    (void)snprintf(owner, sizeof owner, "the %s of well %s", source_name((uint8_t)source),
                   well->id);
    if (!list_of_sections(room, list, owner))
        return;
    room->n_entries += list->n;
    if (room->n_entries > ENTRIES_MAX_OF_PLAN) {
        fault_at(room->faults, list, "more than %d source entries in one configuration",
                 ENTRIES_MAX_OF_PLAN);
        return;
    }
    struct source_entry *entries = calloc((size_t)list->n, sizeof *entries);
    if (!entries)
        return;
    well->entries[source] = entries;
    for (const struct node *at = list->first; at; at = at->next) {
        struct source_entry entry = {0};
        entry_read(room, at, owner, &entry);
        int place = well->n_entries[source]++;
        for (int i = 0; i < place; i++)
            if (entries[i].from_utc_ms == entry.from_utc_ms && node_find(at, "from"))
                fault_at(room->faults, node_find(at, "from"),
                         "two entries of %s begin at the same time", owner);
        for (; place > 0 && entries[place - 1].from_utc_ms > entry.from_utc_ms; place--)
            entries[place] = entries[place - 1];
        entries[place] = entry;
    }
}

static void data_list_read(struct reading_room *room, const struct node *list,
                           struct well_plan *well)
{
    char owner[100];
    (void)snprintf(owner, sizeof owner, "well_data of well %s", well->id);
    if (!list || !list_of_sections(room, list, owner))
        return;
    well->data = calloc((size_t)list->n, sizeof *well->data);
    if (!well->data)
        return;
    for (const struct node *at = list->first; at; at = at->next) {
        struct well_data data = {0};
        data_read(room, at, owner, &data);
        int place = well->n_data++;
        for (; place > 0 && well->data[place - 1].from_utc_ms > data.from_utc_ms; place--)
            well->data[place] = well->data[place - 1];
        if (place > 0 && well->data[place - 1].from_utc_ms == data.from_utc_ms &&
            node_find(at, "from"))
            fault_at(room->faults, node_find(at, "from"),
                     "two entries of %s begin at the same time", owner);
        well->data[place] = data;
    }
}

static void well_read(struct reading_room *room, const struct node *node, struct well_plan *well)
{
    char owner[60];
    if (value_name(room->faults, node->key, "wells", well->id) && strcmp(well->id, "box") == 0)
        fault_at(room->faults, node->key,
                 "no well may be called `box`; that topic is the box's own");
    (void)snprintf(owner, sizeof owner, "well %.*s", NAME_LENGTH_MAX, node->key->text);
    well->config_line = node->key->line;
    if (!keys_read(room->faults, node, SECTION_WELL, 0, owner, well))
        return;
    if (!well->label[0])
        (void)snprintf(well->label, sizeof well->label, "%s", well->id);
    const struct node *sources = node_find(node, "sources");
    (void)snprintf(owner, sizeof owner, "`sources` of well %.*s", NAME_LENGTH_MAX, node->key->text);
    if (sources && keys_read(room->faults, sources, SECTION_SOURCES, 0, owner, well)) {
        if (sources->n == 0)
            fault_at(room->faults, sources->key,
                     "%s is empty; expected `gauge`, `drive` or `wellhead`", owner);
        for (int source = SOURCE_GAUGE; source < SOURCE_KINDS; source++) {
            const struct node *list = node_find(sources, source_name((uint8_t)source));
            if (list)
                source_read(room, list, well, source);
        }
    }
    data_list_read(room, node_find(node, "well_data"), well);
}

void wells_read(struct reading_room *room, const struct node *wells)
{
    struct plan *plan = room->plan;
    if (!wells)
        return;
    if (wells->kind != NODE_MAP || wells->n == 0 || wells->n > PLAN_WELLS_MAX) {
        fault_at(room->faults, wells, "`wells` holds %s; expected 1 to %d sections by id",
                 wells->kind != NODE_MAP ? node_kind_name(wells)
                 : wells->n              ? "too many"
                                         : "nothing",
                 PLAN_WELLS_MAX);
        return;
    }
    plan->wells = calloc((size_t)wells->n, sizeof *plan->wells);
    if (!plan->wells)
        return;
    for (const struct node *at = wells->first; at; at = at->next) {
        struct well_plan *well = &plan->wells[plan->n_wells];
        room->well_node[plan->n_wells] = at;
        well->number = plan->n_wells;
        well_read(room, at, well);
        plan->n_wells++;
        for (int i = 0; i < plan->n_wells - 1; i++)
            if (plan->wells[i].table_block == well->table_block && node_find(at, "table_block") &&
                node_find(room->well_node[i], "table_block"))
                fault_at(room->faults, node_find(at, "table_block"),
                         "table_block %u is taken by well %s in line %d", well->table_block,
                         plan->wells[i].id, plan->wells[i].config_line);
    }
}
