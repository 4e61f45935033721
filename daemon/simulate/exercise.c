/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise.c - which exercise it is, and what all of them share: a line and a unit as the paper
 * says, a map that fits, and sensors as ordered. The fault is put in last.
 */
#include "exercise.h"

#include <math.h>
#include <string.h>

#include "well.h"

#define KIND_TURNS 0x4B494E44u /* draws of the order of kinds lie apart from those of details */

enum { TURN_MAP = 0, TURN_SETTING, TURN_UNIT_ID, TURN_DISCHARGE };

/* What papers say (common practice, no source). */
static const struct {
    uint32_t baud;
    char parity;
} SETTINGS[] = {{9600, 'N'}, {19200, 'E'}, {19200, 'N'}, {9600, 'E'}, {38400, 'N'}};
#define SETTINGS_N (sizeof SETTINGS / sizeof SETTINGS[0])
#define UNIT_ID_MOST 40

static unsigned below(uint64_t drawn, unsigned limit)
{
    return (unsigned)(simulate_share(drawn) * limit);
}

unsigned exercise_draw(const struct exercise *exercise, unsigned turn, unsigned limit)
{
    const uint64_t kind = (uint64_t)(exercise->row - EXERCISE_ROWS);
    return below(simulate_mix(exercise->seed) ^ (kind << 8 | turn), limit);
}

bool exercise_choose(unsigned number, uint64_t seed, struct exercise *out)
{
    uint8_t order[EXERCISES];
    if (number < 1 || number > EXERCISES)
        return false;
    for (unsigned i = 0; i < EXERCISES; i++)
        order[i] = (uint8_t)i;
    for (unsigned i = EXERCISES - 1; i > 0; i--) {
        const unsigned with = below(simulate_mix(seed + KIND_TURNS) ^ i, i + 1);
        const uint8_t kind = order[i];
        order[i] = order[with];
        order[with] = kind;
    }
    memset(out, 0, sizeof *out);
    out->number = number;
    out->seed = seed;
    out->row = &EXERCISE_ROWS[order[number - 1]];
    unsigned maps = 0;
    while (maps < EXERCISE_MAPS_MAX && out->row->map[maps])
        maps++;
    out->map_name = out->row->map[exercise_draw(out, TURN_MAP, maps)];
    return true;
}

/* Discharge sensors are often not ordered; the map's marker then stands there, which is no fault.
 */
static void choose_sensors(struct exercise *exercise, struct virtual_unit_options *unit)
{
    unit->no_discharge = exercise_draw(exercise, TURN_DISCHARGE, 2) == 1;
    for (unsigned i = 0; i < exercise->map.n_channels; i++) {
        const unsigned point = exercise->map.channel[i].point;
        if (point >= POINT_COUNT)
            continue;
        const bool is_discharge =
            point == POINT_DISCHARGE_PRESSURE || point == POINT_DISCHARGE_TEMPERATURE;
        exercise->shown[point] = NAN;
        exercise->is_ordered[point] = point_is_of_gauge(point) && point != POINT_GAUGE_STATUS &&
                                      !(is_discharge && unit->no_discharge);
    }
}

enum up_rc exercise_make(struct exercise *exercise, const struct map *map, uint32_t refresh_ms,
                         struct up_error *error)
{
    const unsigned setting = exercise_draw(exercise, TURN_SETTING, SETTINGS_N);
    struct simulate_line *cabinet = &exercise->cabinet;
    exercise->map = exercise->truth = *map;
    exercise->paper_unit_id = (uint8_t)(1 + exercise_draw(exercise, TURN_UNIT_ID, UNIT_ID_MOST));
    exercise->paper = (struct line_plan){.name = "pad-line",
                                         .medium = LINE_MEDIUM_SERIAL,
                                         .baud = SETTINGS[setting].baud,
                                         .parity = SETTINGS[setting].parity,
                                         .data_bits = 8,
                                         .stop_bits = 1};
    *cabinet = (struct simulate_line){
        .line = exercise->paper, .n_units = 1, .reply_delay_us = 5000, .pair.by_settings = true};
    cabinet->units[0] = (struct virtual_unit_options){
        .map = &exercise->truth,
        .unit_id = exercise->paper_unit_id,
        .seed = simulate_mix(exercise->seed) | 1,
        .refresh_ms = refresh_ms,
        .schedule = WELL_SCHEDULE_STEADY,
        .powered_at_ms = -(int64_t)map->first_data_ms,
    };
    choose_sensors(exercise, &cabinet->units[0]);
    return exercise->row->put(exercise, error);
}
