/* SPDX-License-Identifier: Apache-2.0
 *
 * made.h - plans, lines and maps made by hand, so that gather's tests don't depend on the
 * configuration's text.
 */
#ifndef UPHOLE_TESTS_GATHER_MADE_H
#define UPHOLE_TESTS_GATHER_MADE_H

#include "uphole/gather.h"

#include <stdio.h>
#include <string.h>

#define MADE_SOURCES_MAX 8

/** A serial line; 8N1 has 10 bits a character, 8E1 has 11. */
static inline struct line_plan made_serial(uint32_t baud, char parity)
{
    struct line_plan line = {.medium = LINE_MEDIUM_SERIAL,
                             .baud = baud,
                             .data_bits = 8,
                             .stop_bits = 1,
                             .parity = parity,
                             .response_timeout_ms = 1000};
    snprintf(line.name, sizeof line.name, "pad-line");
    return line;
}

static inline void made_channel(struct map *map, uint8_t table, uint16_t address, uint16_t n_words)
{
    struct channel *channel = &map->channel[map->n_channels++];
    *channel = (struct channel){.point = map->n_channels,
                                .table = table,
                                .type = TYPE_U16,
                                .address = address,
                                .n_words = n_words};
}
static inline void made_channels(struct map *map, uint8_t table, uint16_t first, uint16_t count)
{
    for (uint16_t i = 0; i < count; i++)
        made_channel(map, table, (uint16_t)(first + i), 1);
}
static inline void made_readable(struct map *map, uint8_t table, uint16_t first, uint16_t last)
{
    map->readable[map->n_readable++] =
        (struct register_range){.table = table, .first = first, .last = last};
}
static inline void made_never(struct map *map, uint8_t table, uint16_t first, uint16_t last)
{
    map->never[map->n_never++] =
        (struct register_range){.table = table, .first = first, .last = last};
}
static inline void made_map(struct map *map)
{
    memset(map, 0, sizeof *map);
    snprintf(map->name, sizeof map->name, "made-by-hand");
    map->refresh_ms = 28000;
    map->largest_read = 125;
}

/** A plan of one line and up to MADE_SOURCES_MAX wells, each with a gauge on it. Self-contained:
 * don't move it. */
struct made_plan {
    struct plan plan;
    struct line_plan line;
    struct map map[MADE_SOURCES_MAX];
    struct well_plan well[MADE_SOURCES_MAX];
    struct source_entry entry[MADE_SOURCES_MAX];
};
/** Each well n reads maps[n] at unit id n + 1. Fill line and maps first. */
static inline void made_plan_join(struct made_plan *made, unsigned n, uint32_t poll_every_ms)
{
    for (unsigned i = 0; i < n; i++) {
        made->entry[i] = (struct source_entry){.from_utc_ms = 0,
                                               .line = 0,
                                               .map = (uint16_t)i,
                                               .unit_id = (uint8_t)(i + 1),
                                               .poll_every_ms = poll_every_ms,
                                               .refresh_ms = 28000,
                                               .down_after = 3};
        made->well[i].number = (uint16_t)(i + 1);
        snprintf(made->well[i].id, sizeof made->well[i].id, "heron-%u", i + 1);
        made->well[i].n_entries[SOURCE_GAUGE] = 1;
        made->well[i].entries[SOURCE_GAUGE] = &made->entry[i];
    }
    made->plan.n_lines = 1;
    made->plan.lines = &made->line;
    made->plan.n_maps = (uint16_t)n;
    made->plan.maps = made->map;
    made->plan.n_wells = (uint16_t)n;
    made->plan.wells = made->well;
}

#endif
