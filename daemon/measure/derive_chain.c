/* SPDX-License-Identifier: Apache-2.0
 *
 * derive_chain.c - points 76 to 83: power on its way from the drive to the liquid, the pump against
 * its curve, and Fetkovich's inflow.
 *
 * The shaft is not measured: its power is the curve's, at the present rate and frequency. So motor
 * and pump come apart only as far as the pump is still that of its curve; together they are what is
 * measured. Without a curve, a cable or a transformer there is no stand-in, and the point is off.
 */
#include "derive_run.h"

#include <math.h>

/** Columns of the curve as a formula takes them; false where the curve lacks one. */
struct curve_columns {
    double rate[PUMP_CURVE_ROWS_MAX], a[PUMP_CURVE_ROWS_MAX], b[PUMP_CURVE_ROWS_MAX];
    double stages; /* of `a`; NaN where it is of the whole pump */
};

static const struct pump_curve_row *rows_of(const struct well_setting *setting, size_t *n)
{
    *n = setting->data != 0 ? setting->data->n_curve : 0;
    return *n > 0 ? setting->data->curve : 0;
}

static double head_of(const struct pump_curve_row *row)
{
    return isfinite(row->stage_head_m) ? row->stage_head_m : row->head_m;
}

static double power_of(const struct pump_curve_row *row)
{
    return KW * (isfinite(row->stage_power_kw) ? row->stage_power_kw : row->power_kw);
}

/** NaN tells a formula that the curve is of the whole pump; stages that aren't stated make no
 * value.
 */
static double stages_of(bool is_of_one, const struct well_setting *setting, uint8_t *quality)
{
    if (!is_of_one)
        return NAN;
    if (!isfinite(setting->datum[DATUM_STAGES]))
        *quality = quality_first(*quality, QUALITY_NOT_CONFIGURED);
    return setting->datum[DATUM_STAGES];
}

static double curve_head_m(double frequency_hz, const struct well_setting *setting,
                           uint8_t *quality)
{
    struct curve_columns columns;
    size_t n;
    const struct pump_curve_row *row = rows_of(setting, &n);
    for (size_t i = 0; i < n; i++) {
        columns.rate[i] = row[i].rate_m3_d / DAY_IN_S;
        columns.a[i] = head_of(&row[i]);
    }
    const struct derived_lists lists = {2, n, {columns.rate, columns.a}};
    const bool is_of_one = n > 0 && isfinite(row[0].stage_head_m);
    return RUN_LISTS(curve_head, &lists, quality, stages_of(is_of_one, setting, quality),
                     setting->datum[DATUM_CURVE_FREQUENCY], frequency_hz,
                     well_pump_rate(setting, quality));
}

/** By the curve's power; by its efficiency where it states no power. */
static double shaft_w(double frequency_hz, const struct well_setting *setting, uint8_t *quality)
{
    struct curve_columns columns;
    size_t n;
    const struct pump_curve_row *row = rows_of(setting, &n);
    const bool has_power = n > 0 && isfinite(power_of(&row[0]));
    for (size_t i = 0; i < n; i++) {
        columns.rate[i] = row[i].rate_m3_d / DAY_IN_S;
        columns.a[i] = has_power ? power_of(&row[i]) : head_of(&row[i]);
        columns.b[i] = row[i].efficiency_ratio;
    }
    const struct derived_lists lists = {has_power ? 2 : 3, n, {columns.rate, columns.a, columns.b}};
    const bool is_of_one =
        n > 0 && isfinite(has_power ? row[0].stage_power_kw : row[0].stage_head_m);
    return RUN_LISTS(has_power ? curve_shaft_power : curve_shaft_power_of_efficiency, &lists,
                     quality, stages_of(is_of_one, setting, quality),
                     setting->datum[DATUM_CURVE_FREQUENCY], frequency_hz,
                     well_pump_rate(setting, quality), setting->density_kg_m3);
}

static double cable_w(double current_a, const struct well_setting *setting, uint8_t *quality)
{
    const double hot = RUN(
        cable_resistance, quality, setting->datum[DATUM_CABLE_RESISTANCE] / 1000.0,
        setting->datum[DATUM_CABLE_LENGTH], setting->datum[DATUM_CABLE_TEMPERATURE] + ICE_POINT_K);
    return RUN(cable_loss, quality, current_a, hot);
}

/** A drive that takes power back is no pump's. */
PARAMETER(electrical_input_kw)
{
    (void)setting;
    if (value[0] < 0.0)
        *quality = quality_first(*quality, QUALITY_OUT_OF_DOMAIN);
    return value[0];
}

PARAMETER(cable_loss_kw)
{
    return cable_w(value[0], setting, quality) / KW;
}

/** value: power on the motor side, current, frequency. */
PARAMETER(motor_percent)
{
    const double rated_w =
        setting->datum[DATUM_RATED_POWER] * KW * value[2] / setting->datum[DATUM_RATED_FREQUENCY];
    const double shaft = shaft_w(value[2], setting, quality);
    const double terminals =
        RUN(cable_terminal_power, quality, value[0] * KW, cable_w(value[1], setting, quality));
    if (shaft > rated_w) /* never where the rating isn't stated: NaN */
        *quality = quality_first(*quality, QUALITY_OUTSIDE_VALIDITY);
    return 100.0 * RUN(motor_efficiency, quality, shaft, terminals);
}

/** value: discharge, intake pressure, frequency. */
PARAMETER(pump_percent)
{
    const double hydraulic = KW * well_hydraulic_kw(value, setting, quality);
    return 100.0 * RUN(power_efficiency, quality, hydraulic, shaft_w(value[2], setting, quality));
}

/** value: discharge, intake pressure, electrical input. */
PARAMETER(system_percent)
{
    return 100.0 * RUN(power_efficiency, quality, well_hydraulic_kw(value, setting, quality) * KW,
                       value[2] * KW);
}

PARAMETER(curve_head_now_m)
{
    return curve_head_m(value[0], setting, quality);
}

/** value: discharge, intake pressure, frequency. */
PARAMETER(head_percent)
{
    const double head = well_total_head_m(value, setting, quality);
    return 100.0 * RUN(curve_head_ratio, quality, head, curve_head_m(value[2], setting, quality));
}

PARAMETER(fetkovich_m3_d)
{
    double rate[INFLOW_TESTS_MAX], pressure[INFLOW_TESTS_MAX];
    const struct well_data *data = setting->data;
    const size_t n = data != 0 ? data->n_tests : 0;
    for (size_t i = 0; i < n; i++) {
        rate[i] = data->test[i].rate_m3_d / DAY_IN_S;
        pressure[i] = data->test[i].pressure_kpa * KPA;
    }
    const struct derived_lists lists = {2, n, {rate, pressure}};
    return RUN_LISTS(inflow_fetkovich_of_tests, &lists, quality,
                     setting->datum[DATUM_STATIC_PRESSURE] * KPA,
                     setting->datum[DATUM_FETKOVICH_EXPONENT],
                     well_datum_kpa(value, setting, quality) * KPA) *
           DAY_IN_S;
}

/* clang-format off */
#define INTAKE {POINT_INTAKE_PRESSURE, 0}
#define DISCHARGE {POINT_DISCHARGE_PRESSURE, 0}
#define POWER {POINT_MOTOR_POWER, 0}
#define CURRENT {POINT_MOTOR_CURRENT, 0}
#define FREQUENCY {POINT_DRIVE_FREQUENCY, 0}
#define RATE NEEDS(DATUM_LIQUID_RATE) | NEEDS(DATUM_WATER_CUT)
#define CURVE NEEDS(DATUM_CURVE) | NEEDS(DATUM_CURVE_FREQUENCY) | NEEDS(DATUM_STAGES) | RATE
#define SHAFT CURVE | NEEDS(DATUM_CURVE_POWER) | NEEDS_DENSITY
#define CABLE NEEDS(DATUM_CABLE_LENGTH) | NEEDS(DATUM_CABLE_RESISTANCE) | NEEDS(DATUM_CABLE_TEMPERATURE)
#define AT_DATUM NEEDS(DATUM_GAUGE_DEPTH) | NEEDS(DATUM_DATUM_DEPTH) | NEEDS_DENSITY
const struct derived_row DERIVED_CHAIN[] = {
    {.point = POINT_ELECTRICAL_INPUT, .n_required = 1, .input = {POWER}, .power_at = POWER_AT_DRIVE, .compute = electrical_input_kw},
    {.point = POINT_CABLE_LOSS, .n_required = 1, .input = {CURRENT}, .needs_motor_side = true, .needs = CABLE, .compute = cable_loss_kw},
    {.point = POINT_MOTOR_EFFICIENCY, .n_required = 3, .n_optional = 1, .input = {POWER, CURRENT, FREQUENCY, RUNS}, .needs_pump = true, .needs_motor_side = true, .power_at = POWER_AT_MOTOR_SIDE,
     .needs = SHAFT | CABLE, .needs_density = true, .compute = motor_percent},
    {.point = POINT_PUMP_EFFICIENCY, .n_required = 3, .n_optional = 1, .input = {DISCHARGE, INTAKE, FREQUENCY, RUNS}, .needs_pump = true, .needs_same_pressures = true, .needs = SHAFT,
     .needs_density = true, .compute = pump_percent},
    {.point = POINT_SYSTEM_EFFICIENCY, .n_required = 3, .n_optional = 1, .input = {DISCHARGE, INTAKE, POWER, RUNS}, .needs_pump = true, .needs_same_pressures = true, .power_at = POWER_AT_DRIVE,
     .needs = RATE, .compute = system_percent},
    {.point = POINT_CURVE_HEAD, .n_required = 1, .n_optional = 1, .input = {FREQUENCY, RUNS}, .needs_pump = true, .needs = CURVE, .compute = curve_head_now_m},
    {.point = POINT_HEAD_AGAINST_CURVE, .n_required = 3, .n_optional = 1, .input = {DISCHARGE, INTAKE, FREQUENCY, RUNS}, .needs_pump = true, .needs_same_pressures = true,
     .needs = CURVE | NEEDS(DATUM_PORT_SPACING) | NEEDS_DENSITY, .needs_density = true, .compute = head_percent},
    {.point = POINT_FETKOVICH_RATE, .n_required = 1, .input = {INTAKE}, .needs = AT_DATUM | NEEDS(DATUM_STATIC_PRESSURE) | NEEDS(DATUM_TESTS), .needs_density = true, .needs_absolute = true,
     .compute = fetkovich_m3_d},
};
/* clang-format on */
const size_t DERIVED_CHAIN_COUNT = sizeof DERIVED_CHAIN / sizeof *DERIVED_CHAIN;
