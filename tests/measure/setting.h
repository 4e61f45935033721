/* SPDX-License-Identifier: Apache-2.0
 *
 * setting.h - a well made by hand whose surface unit tells its unit setting in a register; for
 * test_unit_setting.c and test_unit_setting_late.c.
 */
#ifndef UPHOLE_TESTS_SETTING_H
#define UPHOLE_TESTS_SETTING_H

#include "late.h"

#define REGISTER_AT 90 /* holding */
#define NOT_READ 0x10000u
#define PSI_PER_MPA (1000.0 / 6.894757293168361)

enum screen_units { METRIC = 0, US = 1 };

static inline void name_setting(struct map *map)
{
    map->has_unit_register = true;
    map->unit_register_table = TABLE_HOLDING;
    map->unit_register_address = REGISTER_AT;
    map->n_unit_registers = 1;
    map->unit_registers[0] = (struct register_at){TABLE_HOLDING, REGISTER_AT};
    map->n_unit_settings = 2;
    map->unit_settings[0] = (struct unit_setting){
        .kind = QUANTITY_PRESSURE,
        .bit_high = 15,
        .n_meanings = 3,
        .meaning = {{0, unit_find("MPa", 3, QUANTITY_PRESSURE), false, {0, 0}},
                    {1, unit_find("psi", 3, QUANTITY_PRESSURE), true, {1, -1}},
                    {2, unit_find("bar", 3, QUANTITY_PRESSURE), true, {1, -2}}}};
    map->unit_settings[1] = (struct unit_setting){
        .kind = QUANTITY_TEMPERATURE,
        .bit_high = 15,
        .n_meanings = 2,
        .meaning = {{0, unit_find("degC", 4, QUANTITY_TEMPERATURE), false, {0, 0}},
                    {1, unit_find("degF", 4, QUANTITY_TEMPERATURE), false, {0, 0}}}};
    for (unsigned i = 0; i < map->n_channels; i++) {
        struct channel *channel = &map->channel[i];
        const uint8_t kind = channel->unit != 0 ? (uint8_t)unit_get(channel->unit)->kind : 0;
        channel->setting = kind == QUANTITY_PRESSURE ? 1 : kind == QUANTITY_TEMPERATURE ? 2 : 0;
    }
}

static inline struct made *made_followed(void)
{
    struct made *made = made_new();
    name_setting(&made->maps[0]);
    made_expected(&made->maps[0].channel[0], 500, 20000); /* kPa, whatever the register says */
    return made;
}

/** Pressures in MPa x 0.001 or psi x 0.1, temperatures in degC or degF x 0.1. `count` moves them.
 */
static inline void put(struct made *made, enum screen_units pressure, enum screen_units temperature,
                       unsigned count)
{
    const double intake = 12.345 + 0.003 * count, discharge = 18.23 + 0.002 * count;
    const double p = pressure == US ? PSI_PER_MPA * 10 : 1000;
    const double a = temperature == US ? 1.8 : 1.0, b = temperature == US ? 32 : 0;
    made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(intake * p + 0.5);
    made->unit[DISCHARGE_PRESSURE_AT] = (uint16_t)(discharge * p + 0.5);
    made->unit[INTAKE_TEMPERATURE_AT] = (uint16_t)((88.1 * a + b) * 10 + 0.5);
    made->unit[DISCHARGE_TEMPERATURE_AT] = (uint16_t)((90.4 * a + b) * 10 + 0.5);
    put_registers(&made->unit[WINDING_TEMPERATURE_AT], 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST,
                  float_to_bits((float)((123.5 * a + b) * 10)));
}

static inline struct scan scan_with(struct made *made, int64_t ms, uint32_t word)
{
    struct scan scan = made_scan(made, ms);
    const uint16_t held = (uint16_t)word;
    made_block(&scan, TABLE_HOLDING, REGISTER_AT, 1, &held);
    if (word == NOT_READ) {
        scan.block[scan.n_blocks - 1].exception = BLOCK_NO_ANSWER;
        scan.block[scan.n_blocks - 1].count = 0;
        scan.outcome = OUTCOME_PARTIAL;
    }
    return scan;
}

static inline void at(struct made *made, int64_t ms, enum screen_units pressure,
                      enum screen_units temperature, uint32_t word)
{
    put(made, pressure, temperature, (unsigned)(ms / 28000 % 7));
    struct scan scan = scan_with(made, ms, word);
    made_measure(made, &scan);
}

static inline void expect(const struct made *made, unsigned point, uint8_t quality, double value,
                          const char *when)
{
    if (made_quality(made, point) != quality ||
        (isfinite(value) && !(fabs(made_value(made, point) - value) <= 0.005 * value)))
        fail_msg("%s: point %u has %u and %.9g, expected %u and about %.9g", when, point,
                 made_quality(made, point), made_value(made, point), quality, value);
}

static inline void all_good(const struct made *made, const char *when)
{
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_GOOD, 12350, when);
    expect(made, POINT_DISCHARGE_PRESSURE, QUALITY_GOOD, 18240, when);
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_GOOD, 88.1, when);
    expect(made, POINT_PUMP_DIFFERENTIAL_PRESSURE, QUALITY_GOOD, 5880, when);
}

/** Settled in one setting; the winding is f32 in tenths of the register's unit. */
static inline struct made *settled(int64_t *ms)
{
    struct made *made = made_followed();
    for (unsigned i = 0; i < made->maps[0].n_channels; i++)
        if (made->maps[0].channel[i].point == POINT_MOTOR_WINDING_TEMPERATURE)
            made_convert(&made->maps[0].channel[i], "0.1", "0", "degC");
    for (*ms = 0; *ms < 120000; *ms += 10000)
        at(made, *ms, METRIC, METRIC, METRIC);
    all_good(made, "settled");
    return made;
}

static inline unsigned count_facts(const struct made *made, uint8_t first, uint8_t last)
{
    unsigned n = 0;
    for (size_t i = 0; i < made->n_facts; i++)
        n += made->facts[i].kind >= first && made->facts[i].kind <= last;
    return n;
}

#endif
