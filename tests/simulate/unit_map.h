/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_map.h - a small invented map made by hand, so that these tests stand without map files.
 */
#ifndef UPHOLE_TESTS_UNIT_MAP_H
#define UPHOLE_TESTS_UNIT_MAP_H

#include <string.h>

#include "uphole/plan.h"

/* status at 0 (bit 0 live, 1 starting, 2 fault), counter at 1; 16: intake kPa x 1, 17: discharge,
 * 18: intake temperature 0.1 s16, 20-21: winding temperature f32 word-swapped; 24 never; readable 0
 * to 31; frequency 30 is the drive's. */
static inline void unit_map(struct map *map)
{
    static const struct {
        uint16_t point, address, n;
        uint8_t type, words;
        double divide;
        uint16_t marker;
        int has_marker;
    } ROWS[] = {
        {1, 16, 1, TYPE_U16, WORDS_HIGH_FIRST, 1, 0xFFFF, 1},
        {2, 17, 1, TYPE_U16, WORDS_HIGH_FIRST, 1, 0xFFFF, 1},
        {3, 18, 1, TYPE_S16, WORDS_HIGH_FIRST, 10, 0, 1},
        {5, 20, 2, TYPE_F32, WORDS_LOW_FIRST, 1, 0, 0},
        {21, 30, 1, TYPE_U16, WORDS_HIGH_FIRST, 100, 0, 0},
    };
    memset(map, 0, sizeof *map);
    strcpy(map->name, "by-hand");
    map->refresh_ms = 28000;
    map->first_data_ms = 25000;
    map->largest_read = 60;
    map->n_readable = 1;
    map->readable[0] = (struct register_range){TABLE_INPUT, 0, 31};
    map->n_never = 1;
    map->never[0] = (struct register_range){TABLE_INPUT, 24, 25};
    map->has_status = true;
    map->status_table = TABLE_INPUT;
    map->status_address = 0;
    map->status_bit[0] = STATUS_LIVE;
    map->status_bit[1] = STATUS_STARTING;
    map->status_bit[2] = STATUS_FAULT;
    map->has_counter = true;
    map->counter_table = TABLE_INPUT;
    map->counter_words = 1;
    map->counter_order = WORDS_HIGH_FIRST;
    map->counter_address = 1;
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        struct channel *channel = &map->channel[map->n_channels++];
        channel->point = ROWS[i].point;
        channel->table = TABLE_INPUT;
        channel->type = ROWS[i].type;
        channel->words = ROWS[i].words;
        channel->bytes = BYTES_HIGH_FIRST;
        channel->address = ROWS[i].address;
        channel->n_words = ROWS[i].n;
        channel->to_point = (struct conversion){1, 0, ROWS[i].divide};
        if (ROWS[i].has_marker) {
            channel->n_markers = 1;
            channel->not_fitted[0] = (struct marker){{ROWS[i].marker}, 1};
        }
    }
}

#endif
