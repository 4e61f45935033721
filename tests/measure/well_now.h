/* SPDX-License-Identifier: Apache-2.0
 *
 * well_now.h - the well of tests/formulas/derived.py, and one row's reading of it, for the tests of
 * well parameters.
 */
#ifndef UPHOLE_TESTS_WELL_NOW_H
#define UPHOLE_TESTS_WELL_NOW_H

#include "derived_values.h"
#include "made.h"

#include "../../daemon/measure/derive_rows.h"

#define N_VALUES (sizeof DERIVED_VALUES / sizeof *DERIVED_VALUES)

static inline size_t row_of(unsigned point)
{
    for (size_t i = 0; i < derived_count(); i++) {
        if (derived_point(i) == point)
            return i;
    }
    fail_msg("point %u is not derived", point);
    return 0;
}

/* ---- the well of tests/formulas/derived.py ---- */

/** One stage at 60 Hz. */
#define ROW(rate, head, power)                                                                     \
    {                                                                                              \
        rate, head, NAN, power, NAN, NAN                                                           \
    }
#define CURVE                                                                                      \
    {                                                                                              \
        ROW(0, 9.6, 0.26), ROW(80, 9.5, 0.31), ROW(160, 9.2, 0.36), ROW(240, 8.6, 0.41),           \
            ROW(320, 7.7, 0.45), ROW(400, 6.3, 0.47), ROW(480, 4.2, 0.475)                         \
    }

static const struct well_data DATA = {.intake_depth_m = 1850,
                                      .oil_gravity_api = 32,
                                      .water_cut_ratio = 0.6,
                                      .water_density_kg_m3 = 1050,
                                      .liquid_density_kg_m3 = NAN,
                                      .local_atmosphere_kpa = 101.3,
                                      .gauge_depth_m = 1862,
                                      .datum_depth_m = 2010,
                                      .port_spacing_m = 12,
                                      .stages = 220,
                                      .reference_frequency_hz = 50,
                                      .liquid_rate_m3_d = 240,
                                      .oil_volume_factor = 1.12,
                                      .gas_gravity = 0.75,
                                      .gas_oil_ratio_m3_m3 = 60,
                                      .annulus_density_kg_m3 = 850,
                                      .annulus_temperature_degc = 57,
                                      .static_pressure_kpa = 22000,
                                      .bubble_point_kpa = 8000,
                                      .index_m3_d_bar = 1.5,
                                      .winding_limit_degc = 150,
                                      .insulation_reference_degc = 40,
                                      .measured_depth_m = {NAN, NAN, NAN},
                                      .n_curve = 7,
                                      .curve = CURVE,
                                      .n_tests = 3,
                                      .test = {{0, 170, 15000}, {0, 230, 10500}, {0, 262, 7000}},
                                      .curve_frequency_hz = 60,
                                      .rated_power_kw = 75,
                                      .rated_voltage_v = 2100,
                                      .rated_current_a = 32,
                                      .rated_frequency_hz = 60,
                                      .transformer_ratio = 4.6,
                                      .transformer_efficiency = 0.98,
                                      .cable_length_m = 1905,
                                      .cable_resistance_ohm_km = NAN,
                                      .cable_temperature_degc = 75,
                                      .cable_size = CABLE_AWG_2,
                                      .fetkovich_exponent = NAN,
                                      .statistics_coverage_ratio = NAN,
                                      .intake_pressure_limit_kpa = 3000};

static inline double read_of(unsigned point)
{
    static const double READ[POINT_COUNT] = {[POINT_INTAKE_PRESSURE] = 9000,
                                             [POINT_DISCHARGE_PRESSURE] = 19000,
                                             [POINT_CASING_HEAD_PRESSURE] = 1200,
                                             [POINT_INTAKE_TEMPERATURE] = 80,
                                             [POINT_MOTOR_WINDING_TEMPERATURE] = 110,
                                             [POINT_MOTOR_OIL_TEMPERATURE] = 110,
                                             [POINT_DRIVE_FREQUENCY] = 47.5,
                                             [POINT_MOTOR_VOLTAGE] = 1900,
                                             [POINT_MOTOR_CURRENT] = 22.5,
                                             [POINT_POWER_FACTOR] = 0.84,
                                             [POINT_MOTOR_POWER] = 60,
                                             [POINT_INSULATION_RESISTANCE] = 5000,
                                             [POINT_DRIVE_RUN_STATE] = 2};
    return READ[point];
}

/** One row's inputs as the well has them, and the well's data. */
struct well_now {
    struct well_data data;
    struct input input[INPUTS_MAX];
    uint16_t points[INPUTS_MAX];
    size_t row, n;
};

static inline struct well_now now_of(unsigned point)
{
    struct well_now now = {.data = DATA, .row = row_of(point)};
    struct plan plan = {0};
    struct well_plan well = {0};
    now.n = derived_inputs(now.row, &plan, &well, 0, now.points);
    for (size_t i = 0; i < now.n; i++)
        now.input[i] = (struct input){.is_mapped = true,
                                      .point = now.points[i],
                                      .quality = QUALITY_GOOD,
                                      .value = read_of(now.points[i]),
                                      .fresh = 1000,
                                      .reference = REFERENCE_ABSOLUTE,
                                      .side = SIDE_OF_MOTOR};
    return now;
}

static inline struct reading derived_at(const struct well_now *now, int64_t utc_ms)
{
    struct well_data data = now->data;
    struct well_plan well = {.n_data = 1, .data = &data};
    const struct well_setting setting = well_setting_at(&well, utc_ms);
    int64_t fresh;
    return derive(now->row, now->input, &setting, &fresh);
}

static inline struct reading derived(const struct well_now *now)
{
    return derived_at(now, now->data.from_utc_ms);
}

/** The input of a row by its point; another's number fails the test. */
static inline struct input *input_of(struct well_now *now, unsigned point)
{
    for (size_t i = 0; i < now->n; i++)
        if (now->points[i] == point)
            return &now->input[i];
    fail_msg("no input %u", point);
    return NULL;
}

static inline const char *id_of(unsigned point)
{
    return point_get(point)->id;
}

static inline bool is_good(uint8_t quality)
{
    return quality_class_of(quality) == QUALITY_CLASS_GOOD;
}

#endif
