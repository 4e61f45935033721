/* SPDX-License-Identifier: Apache-2.0
 *
 * never.c - which registers are left alone. Where the map is stated its `never` counts. Else each
 * known map that may still be the unit's has a say: one that is borne out by what answers forbids
 * outright; one that is merely possible forbids what no other possible map reads.
 */
#include "finder.h"

enum suspicion { SUSPECT_OPEN = 0, SUSPECT_BORNE_OUT, SUSPECT_EXCLUDED };

static bool holds(const struct register_range *ranges, unsigned n, uint8_t table, unsigned address)
{
    for (unsigned i = 0; i < n; i++)
        if (ranges[i].table == table && address >= ranges[i].first && address <= ranges[i].last)
            return true;
    return false;
}

static bool reads(const struct map *map, uint8_t table, unsigned address)
{
    if (holds(map->readable, map->n_readable, table, address))
        return true;
    for (unsigned i = 0; i < map->n_channels; i++)
        if (map->channel[i].table == table && address >= map->channel[i].address &&
            address < (unsigned)map->channel[i].address + map->channel[i].n_words)
            return true;
    return false;
}

static bool may_ask_one(const struct finder *finder, uint8_t table, unsigned address)
{
    const struct map *stated = finder->options->map;
    bool is_forbidden = false, is_read = false;
    if (stated != NULL)
        return !holds(stated->never, stated->n_never, table, address);
    for (unsigned i = 0; i < finder->n_suspects; i++) {
        const struct map *map = finder->suspect[i];
        if (finder->suspicion[i] == SUSPECT_EXCLUDED)
            continue;
        const bool forbids = holds(map->never, map->n_never, table, address);
        if (forbids && finder->suspicion[i] == SUSPECT_BORNE_OUT)
            return false;
        is_forbidden = is_forbidden || forbids;
        is_read = is_read || reads(map, table, address);
    }
    return !is_forbidden || is_read;
}

bool never_allows(const struct finder *finder, uint8_t table, unsigned first, unsigned count)
{
    for (unsigned i = 0; i < count; i++)
        if (!may_ask_one(finder, table, first + i))
            return false;
    return true;
}

void never_judge_maps(struct finder *finder)
{
    const struct find_unit *unit = &finder->report->unit;
    for (unsigned i = 0; i < finder->n_suspects; i++) {
        const struct map *map = finder->suspect[i];
        unsigned inputs = 0, there = 0;
        for (unsigned c = 0; c < map->n_channels; c++) {
            const struct channel *channel = &map->channel[c];
            if (channel->table != TABLE_INPUT || channel->address < finder->options->first ||
                channel->address > finder->options->last)
                continue;
            inputs++;
            there += holds(unit->range, unit->n_ranges, TABLE_INPUT, channel->address);
        }
        finder->suspicion[i] = inputs == 0       ? SUSPECT_OPEN
                               : there == inputs ? SUSPECT_BORNE_OUT
                                                 : SUSPECT_EXCLUDED;
    }
}
