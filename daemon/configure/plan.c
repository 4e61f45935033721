/* SPDX-License-Identifier: Apache-2.0
 *
 * plan.c - a configuration from its text to the frozen plan: sections, maps, cross rules, canonical
 * text. All faults in one run.
 */
#include "rooms.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void plan_free(struct plan *plan)
{
    if (!plan)
        return;
    for (int w = 0; w < plan->n_wells; w++) {
        for (int s = 0; s < SOURCE_KINDS; s++)
            free(plan->wells[w].entries[s]);
        for (int d = 0; d < plan->wells[w].n_data; d++)
            free(plan->wells[w].data[d].survey);
        free(plan->wells[w].data);
    }
    free(plan->wells);
    free(plan->lines);
    free(plan->maps);
    free(plan->destinations);
    free(plan->text);
    free(plan);
}

/* ---- maps that the configuration names ---- */

struct named_maps {
    int n;
    const struct node *at[PLAN_MAPS_MAX]; /* sorted by name */
};

static bool named_maps_add(struct named_maps *named, const struct node *at)
{
    int place = 0, order = 1;
    while (place < named->n && (order = strcmp(named->at[place]->text, at->text)) < 0)
        place++;
    if (place < named->n && order == 0)
        return true;
    if (named->n == PLAN_MAPS_MAX)
        return false;
    for (int i = named->n++; i > place; i--)
        named->at[i] = named->at[i - 1];
    named->at[place] = at;
    return true;
}

static bool named_maps_of_well(struct named_maps *named, const struct node *well)
{
    const struct node *sources = node_find(well, "sources");
    if (!sources || sources->kind != NODE_MAP)
        return true;
    for (const struct node *list = sources->first; list; list = list->next) {
        if (list->kind != NODE_LIST)
            continue;
        for (const struct node *entry = list->first; entry; entry = entry->next) {
            const struct node *map = node_find(entry, "map");
            if (map && map->kind == NODE_SCALAR && map->length > 0 && !named_maps_add(named, map))
                return false;
        }
    }
    return true;
}

static bool map_read_inline(struct reading_room *room, const struct node *node, const char *name,
                            struct map *map)
{
    if (!map_read(room->faults, node, map))
        return false;
    if (strcmp(map->name, name) == 0)
        return true;
    fault_at(room->faults, node_find(node, "map"), "this map stands as `%s`, but calls itself `%s`",
             name, map->name);
    return false;
}

static void maps_read(struct reading_room *room, const struct node *root)
{
    struct plan *plan = room->plan;
    struct named_maps named = {0};
    const struct node *wells = node_find(root, "wells"), *inlined = node_find(root, "maps");
    if (!wells || wells->kind != NODE_MAP)
        return;
    for (const struct node *well = wells->first; well; well = well->next) {
        if (named_maps_of_well(&named, well))
            continue;
        fault_at(room->faults, well, "more than %d different maps in one configuration",
                 PLAN_MAPS_MAX);
        return;
    }
    plan->maps = calloc((size_t)named.n + 1, sizeof *plan->maps);
    if (!plan->maps)
        return;
    for (int i = 0; i < named.n; i++) {
        const struct node *at = named.at[i], *body = node_find(inlined, at->text);
        struct map *map = &plan->maps[plan->n_maps++];
        if (body)
            room->map_is_good[i] = map_read_inline(room, body, at->text, map);
        else if (room->look_at_files)
            room->map_is_good[i] =
                map_read_by_name(room->faults, at, at->text, room->maps_directory, map);
        else
            fault_at(room->faults, at, "map `%.40s` doesn't stand below `maps:` of this text",
                     at->text);
        (void)snprintf(map->name, sizeof map->name, "%.*s", NAME_LENGTH_MAX, at->text);
    }
}

/* ---- intervals under review ---- */

static void retain_read(struct reading_room *room, const struct node *list)
{
    struct journal_plan *journal = &room->plan->journal;
    if (!list)
        return;
    if (list->kind != NODE_LIST) {
        fault_at(room->faults, list,
                 "`retain` of the journal is no list; expected `- {from: TIME, to: TIME, reason: "
                 "TEXT}`");
        return;
    }
    for (const struct node *at = list->first; at; at = at->next) {
        if (journal->n_retain == RETAIN_MAX) {
            fault_at(room->faults, at, "more than %d intervals in `retain`", RETAIN_MAX);
            return;
        }
        struct retained *interval = &journal->retain[journal->n_retain++];
        if (keys_read(room->faults, at, SECTION_RETAIN, 0, "retain of the journal", interval) &&
            interval->to_utc_ms < interval->from_utc_ms)
            fault_at(room->faults, at, "`to` lies before `from`; expected the later time last");
    }
}

/* ---- the whole ---- */

static void sections_read(struct reading_room *room, const struct node *root)
{
    const struct node nothing = {.kind = NODE_MAP, .file = room->file, .text = ""};
    const struct node *journal = node_find(root, "journal");
    if (!keys_read(room->faults, root, SECTION_TOP, 0, "the configuration", room->plan))
        return;
    lines_read(room, node_find(root, "lines"));
    maps_read(room, root);
    wells_read(room, node_find(root, "wells"));
    lines_listen_by_default(room, node_find(root, "lines"));
    destinations_read(room, node_find(root, "destinations"));
    (void)keys_read(room->faults, journal ? journal : &nothing, SECTION_JOURNAL, 0, "journal",
                    &room->plan->journal);
    retain_read(room, journal ? node_find(journal, "retain") : NULL);
    if (room->faults->n == 0)
        rules_check(room);
}

static enum up_rc plan_make(struct reading_room *room, const char *text, size_t length,
                            struct plan **plan)
{
    struct yaml_tree *tree = yaml_tree_read(room->file, text, length, room->faults);
    if (!tree)
        return UP_E_CONFIG;
    room->plan = calloc(1, sizeof *room->plan);
    enum up_rc rc = room->plan ? UP_OK : UP_E_MEMORY;
    if (rc == UP_OK) {
        sections_read(room, yaml_tree_root(tree));
        rc = room->faults->n > 0 ? UP_E_CONFIG : UP_OK;
    }
    if (rc == UP_OK) {
        struct up_error error = {0};
        rc = plan_freeze(room->plan, &error);
        if (rc != UP_OK)
            fault_in(room->faults, room->file, 0, 0, "%s", error.why);
    }
    yaml_tree_free(tree);
    if (rc == UP_OK) {
        *plan = room->plan;
        return UP_OK;
    }
    plan_free(room->plan);
    faults_sort(room->faults, room->file);
    return rc;
}

enum up_rc plan_from_text(const char *name, const char *text, size_t length, struct plan **plan,
                          struct plan_faults *faults)
{
    struct reading_room room = {.faults = faults, .file = name};
    memset(faults, 0, sizeof *faults);
    return plan_make(&room, text, length, plan);
}

enum up_rc plan_from_file(const char *path, const char *maps_directory, struct plan **plan,
                          struct plan_faults *faults)
{
    char beside[PATH_LENGTH_MAX];
    const char *slash = strrchr(path, '/');
    bool missing = false;
    size_t length = 0;
    memset(faults, 0, sizeof *faults);
    char *text = file_read(faults, path, &length, &missing);
    if (!text)
        return missing ? UP_E_MISSING : UP_E_CONFIG;
    (void)snprintf(beside, sizeof beside, "%.*smaps", slash ? (int)(slash - path) + 1 : 0, path);
    struct reading_room room = {.faults = faults,
                                .file = path,
                                .maps_directory = maps_directory ? maps_directory : beside,
                                .look_at_files = true};
    const enum up_rc rc = plan_make(&room, text, length, plan);
    if (rc == UP_OK)
        (void)snprintf((*plan)->config_file, sizeof(*plan)->config_file, "%.63s",
                       slash ? slash + 1 : path);
    free(text);
    return rc;
}

/* ---- asking a plan ---- */

const struct source_entry *plan_entry_at(const struct well_plan *well, uint8_t source,
                                         int64_t utc_ms)
{
    if (source >= SOURCE_KINDS || well->n_entries[source] == 0)
        return NULL;
    int i = well->n_entries[source] - 1;
    while (i > 0 && well->entries[source][i].from_utc_ms > utc_ms)
        i--;
    return &well->entries[source][i];
}

const struct well_data *plan_data_at(const struct well_plan *well, int64_t utc_ms)
{
    int i = well->n_data - 1;
    while (i > 0 && well->data[i].from_utc_ms > utc_ms)
        i--;
    return i >= 0 ? &well->data[i] : NULL;
}

const struct well_plan *plan_well_by_number(const struct plan *plan, uint16_t number)
{
    for (int i = 0; i < plan->n_wells; i++)
        if (plan->wells[i].number == number)
            return &plan->wells[i];
    return NULL;
}

const struct well_plan *plan_well_by_id(const struct plan *plan, const char *id)
{
    for (int i = 0; i < plan->n_wells; i++)
        if (strcmp(plan->wells[i].id, id) == 0)
            return &plan->wells[i];
    return NULL;
}

void plan_number_well(struct plan *plan, uint16_t index, uint16_t number)
{
    if (index < plan->n_wells)
        plan->wells[index].number = number;
}
