/* SPDX-License-Identifier: Apache-2.0
 *
 * derive_well.c - well parameters: what an engineer of pumped wells works out by hand, from the
 * same formulas that `uphole calculate` shows.
 *
 * Missing well data switch off just what needs them. A formula's own word (outside its range, no
 * solution) becomes the reading's quality; nothing outside a formula's validity is ever Good.
 */
#include "derive_run.h"

#include <math.h>

/** Height of the liquid above where the pressure is measured. Z at the mean of casing-head pressure
 * and what the column makes of it, once; one more round moves the height by less than its validity
 * allows. */
static double height_m(const double *value, const struct well_setting *setting, double depth_m,
                       uint8_t *quality)
{
    const double p_i = value[0] * KPA, p_c = value[1] * KPA,
                 gravity = setting->datum[DATUM_GAS_GRAVITY],
                 density = setting->datum[DATUM_ANNULUS_DENSITY],
                 t = setting->datum[DATUM_ANNULUS_TEMPERATURE] + ICE_POINT_K;
    uint8_t first_quality = QUALITY_GOOD;
    const double z0 = RUN(gas_z_chain, quality, p_c, t, gravity);
    const double h0 = RUN(level_height, &first_quality, p_i, p_c, depth_m, density, gravity, t, z0);
    const double p_f = p_i - density * STANDARD_GRAVITY * h0;
    const double z = RUN(gas_z_chain, quality, p_f > p_c ? 0.5 * (p_f + p_c) : p_c, t, gravity);
    return RUN(level_height, quality, p_i, p_c, depth_m, density, gravity, t, z);
}

/** The gauge may hang below the pump; then its own depth counts, where it is stated. */
static double gauge_depth_m(const struct well_setting *setting)
{
    const double gauge = setting->datum[DATUM_GAUGE_DEPTH];
    return isfinite(gauge) ? gauge : setting->datum[DATUM_INTAKE_DEPTH];
}

PARAMETER(submergence_m)
{
    const double depth = gauge_depth_m(setting);
    const double above =
        height_m(value, setting, depth, quality) - (depth - setting->datum[DATUM_INTAKE_DEPTH]);
    if (above < 0.0)
        *quality = quality_first(*quality, QUALITY_OUTSIDE_VALIDITY);
    return above < 0.0 ? 0.0 : above;
}

PARAMETER(level_depth_m)
{
    const double depth = gauge_depth_m(setting);
    return depth - height_m(value, setting, depth, quality);
}

PARAMETER(density)
{
    (void)value;
    (void)quality;
    return setting->density_kg_m3;
}

PARAMETER(gradient_kpa_m)
{
    return density(value, setting, quality) * STANDARD_GRAVITY / KPA;
}

PARAMETER(stage_head_m)
{
    return well_total_head_m(value, setting, quality) / setting->datum[DATUM_STAGES];
}

PARAMETER(reference_head_m)
{
    return RUN(affinity_head, quality, well_total_head_m(value, setting, quality), value[2],
               setting->datum[DATUM_REFERENCE_FREQUENCY]);
}

PARAMETER(reference_rate_m3_d)
{
    return RUN(affinity_rate, quality, well_pump_rate(setting, quality), value[0],
               setting->datum[DATUM_REFERENCE_FREQUENCY]) *
           DAY_IN_S;
}

PARAMETER(electrical_kw)
{
    (void)setting;
    return RUN(power_active, quality, value[0], value[1], value[2]) / KW;
}

PARAMETER(efficiency_percent)
{
    const double hydraulic = well_hydraulic_kw(value, setting, quality);
    if (!(hydraulic > 0.0) || !(value[2] > 0.0)) {
        *quality = QUALITY_OUT_OF_DOMAIN;
        return NAN;
    }
    return 100.0 * RUN(power_efficiency, quality, hydraulic, value[2]);
}

/** kWh/m3: kW over m3/h. */
PARAMETER(energy_kwh_m3)
{
    const double rate_m3_h = well_stated_rate_m3_d(setting, quality) / 24.0;
    if (!(rate_m3_h > 0.0) || value[0] < 0.0) {
        *quality = QUALITY_OUT_OF_DOMAIN;
        return NAN;
    }
    return value[0] / rate_m3_h;
}

static double intake_z(const double *value, const struct well_setting *setting, uint8_t *quality)
{
    return RUN(gas_z_chain, quality, value[0] * KPA, value[1] + ICE_POINT_K,
               setting->datum[DATUM_GAS_GRAVITY]);
}

PARAMETER(z_factor)
{
    return intake_z(value, setting, quality);
}

/** Oil, water and free gas at the intake, of one volume of stock-tank liquid. */
struct intake_volumes {
    double gas, liquid;
};

static struct intake_volumes intake_volumes(const double *value, const struct well_setting *setting,
                                            uint8_t *quality)
{
    const double p = value[0] * KPA, t = value[1] + ICE_POINT_K,
                 gravity = setting->datum[DATUM_GAS_GRAVITY],
                 api = setting->datum[DATUM_OIL_GRAVITY], cut = setting->datum[DATUM_WATER_CUT],
                 gor = setting->datum[DATUM_GAS_OIL_RATIO];
    double dissolved = RUN(pvt_rs_standing, quality, p, gravity, api, t);
    if (dissolved > gor)
        dissolved = gor; /* above the bubble point oil holds all the gas there is */
    const double b_o = RUN(pvt_bo_standing, quality, dissolved, gravity, api, t);
    const double b_g = RUN(gas_volume_factor, quality, p, t, intake_z(value, setting, quality));
    return (struct intake_volumes){.gas = (1.0 - cut) * (gor - dissolved) * b_g,
                                   .liquid = (1.0 - cut) * b_o + cut};
}

PARAMETER(free_gas_percent)
{
    const struct intake_volumes at = intake_volumes(value, setting, quality);
    return 100.0 * at.gas / (at.gas + at.liquid);
}

PARAMETER(turpin)
{
    const struct intake_volumes at = intake_volumes(value, setting, quality);
    return RUN(intake_turpin, quality, at.gas, at.liquid, value[0] * KPA);
}

PARAMETER(boiling_margin_k)
{
    (void)setting;
    return RUN(water_margin, quality, value[0] * KPA, value[1] + ICE_POINT_K);
}

PARAMETER(limit_margin_k)
{
    (void)quality;
    return setting->datum[DATUM_WINDING_LIMIT] - value[0];
}

PARAMETER(insulation_kohm)
{
    if (!(value[0] > 0.0)) {
        *quality = QUALITY_OUT_OF_DOMAIN;
        return NAN;
    }
    return RUN(insulation_at_reference, quality, value[0], value[1] + ICE_POINT_K,
               setting->datum[DATUM_INSULATION_REFERENCE] + ICE_POINT_K);
}

/** A well that flows stands below its static pressure; else one of the two is not what it is said
 * to be. */
PARAMETER(drawdown_kpa)
{
    const double drawdown =
        setting->datum[DATUM_STATIC_PRESSURE] - well_datum_kpa(value, setting, quality);
    if (drawdown < 0.0)
        *quality = quality_first(*quality, QUALITY_OUTSIDE_VALIDITY);
    return drawdown;
}

/** A straight line only above the bubble point. */
PARAMETER(index_m3_d_bar)
{
    const double drawdown = drawdown_kpa(value, setting, quality);
    if (!(drawdown > 0.0)) {
        *quality = QUALITY_OUT_OF_DOMAIN;
        return NAN;
    }
    if (setting->datum[DATUM_STATIC_PRESSURE] - drawdown < setting->datum[DATUM_BUBBLE_POINT])
        *quality = quality_first(*quality, QUALITY_OUTSIDE_VALIDITY);
    return well_stated_rate_m3_d(setting, quality) / (drawdown / 100.0);
}

/** Vogel's curve was established for oil; with water in it what lies below the bubble point is
 * outside of that. */
static double inflow_m3_d(double p_wf_pa, const struct well_setting *setting, uint8_t *quality)
{
    if (p_wf_pa < setting->datum[DATUM_BUBBLE_POINT] * KPA && setting->datum[DATUM_WATER_CUT] > 0.0)
        *quality = quality_first(*quality, QUALITY_OUTSIDE_VALIDITY);
    return RUN(inflow_composite_rate, quality, setting->datum[DATUM_INDEX] / DAY_IN_S / BAR,
               setting->datum[DATUM_STATIC_PRESSURE] * KPA,
               setting->datum[DATUM_BUBBLE_POINT] * KPA, p_wf_pa) *
           DAY_IN_S;
}

PARAMETER(inflow)
{
    return inflow_m3_d(well_datum_kpa(value, setting, quality) * KPA, setting, quality);
}

PARAMETER(inflow_share_percent)
{
    return 100.0 * inflow(value, setting, quality) / inflow_m3_d(0.0, setting, quality);
}

/* clang-format off */
#define INTAKE {POINT_INTAKE_PRESSURE, 0}
#define DISCHARGE {POINT_DISCHARGE_PRESSURE, 0}
#define TEMPERATURE {POINT_INTAKE_TEMPERATURE, 0}
#define POWER {POINT_MOTOR_POWER, 0}
#define FREQUENCY {POINT_DRIVE_FREQUENCY, 0}
#define AT_DATUM NEEDS(DATUM_GAUGE_DEPTH) | NEEDS(DATUM_DATUM_DEPTH) | NEEDS_DENSITY
#define ANNULUS NEEDS(DATUM_INTAKE_DEPTH) | NEEDS(DATUM_ANNULUS_DENSITY) | NEEDS(DATUM_ANNULUS_TEMPERATURE) | NEEDS(DATUM_GAS_GRAVITY)
#define RATE NEEDS(DATUM_LIQUID_RATE) | NEEDS(DATUM_WATER_CUT)
#define GAS NEEDS(DATUM_GAS_GRAVITY) | NEEDS(DATUM_GAS_OIL_RATIO) | NEEDS(DATUM_OIL_GRAVITY) | NEEDS(DATUM_WATER_CUT)
#define INFLOW AT_DATUM | NEEDS(DATUM_STATIC_PRESSURE) | NEEDS(DATUM_BUBBLE_POINT) | NEEDS(DATUM_INDEX)
const struct derived_row DERIVED_WELL[] = {
    {.point = POINT_DATUM_PRESSURE, .n_required = 1, .input = {INTAKE}, .needs = AT_DATUM, .needs_density = true, .compute = well_datum_kpa},
    {.point = POINT_SUBMERGENCE, .n_required = 2, .input = {INTAKE, {POINT_CASING_HEAD_PRESSURE, 0}}, .needs = ANNULUS, .needs_absolute = true, .compute = submergence_m},
    {.point = POINT_FLUID_LEVEL_DEPTH, .n_required = 2, .input = {INTAKE, {POINT_CASING_HEAD_PRESSURE, 0}}, .needs = ANNULUS, .needs_absolute = true, .compute = level_depth_m},
    {.point = POINT_LIQUID_DENSITY, .n_required = 1, .input = {INTAKE}, .rides_only = true, .needs = NEEDS_DENSITY, .needs_density = true, .compute = density},
    {.point = POINT_LIQUID_GRADIENT, .n_required = 1, .input = {INTAKE}, .rides_only = true, .needs = NEEDS_DENSITY, .needs_density = true, .compute = gradient_kpa_m},
    {.point = POINT_PUMP_TOTAL_HEAD, .n_required = 2, .n_optional = 1, .input = {DISCHARGE, INTAKE, RUNS}, .needs_one_reference = true, .needs = NEEDS(DATUM_PORT_SPACING) | NEEDS_DENSITY,
     .needs_density = true, .needs_pump = true, .compute = well_total_head_m},
    {.point = POINT_HEAD_PER_STAGE, .n_required = 2, .n_optional = 1, .input = {DISCHARGE, INTAKE, RUNS}, .needs_one_reference = true,
     .needs = NEEDS(DATUM_PORT_SPACING) | NEEDS(DATUM_STAGES) | NEEDS_DENSITY, .needs_density = true, .needs_pump = true, .compute = stage_head_m},
    {.point = POINT_REFERENCE_HEAD, .n_required = 3, .n_optional = 1, .input = {DISCHARGE, INTAKE, FREQUENCY, RUNS}, .needs_pump = true, .needs_same_pressures = true,
     .needs = NEEDS(DATUM_PORT_SPACING) | NEEDS(DATUM_REFERENCE_FREQUENCY) | NEEDS_DENSITY, .needs_density = true, .compute = reference_head_m},
    {.point = POINT_REFERENCE_RATE, .n_required = 1, .n_optional = 1, .input = {FREQUENCY, RUNS}, .needs_pump = true, .needs = RATE | NEEDS(DATUM_REFERENCE_FREQUENCY),
     .compute = reference_rate_m3_d},
    {.point = POINT_HYDRAULIC_POWER, .n_required = 2, .n_optional = 1, .input = {DISCHARGE, INTAKE, RUNS}, .needs_one_reference = true, .needs_pump = true, .needs = RATE,
     .compute = well_hydraulic_kw},
    {.point = POINT_ELECTRICAL_POWER, .n_required = 3, .input = {{POINT_MOTOR_VOLTAGE, POINT_DRIVE_OUTPUT_VOLTAGE}, {POINT_MOTOR_CURRENT, 0}, {POINT_POWER_FACTOR, 0}}, .needs_motor_side = true, .compute = electrical_kw},
    {.point = POINT_PUMP_MOTOR_EFFICIENCY, .n_required = 3, .n_optional = 1, .input = {DISCHARGE, INTAKE, POWER, RUNS}, .needs_same_pressures = true, .needs_pump = true, .needs = RATE,
     .compute = efficiency_percent},
    {.point = POINT_SPECIFIC_ENERGY, .n_required = 1, .n_optional = 1, .input = {POWER, RUNS}, .needs_pump = true, .power_at = POWER_AT_DRIVE_IF_KNOWN, .needs = NEEDS(DATUM_LIQUID_RATE), .compute = energy_kwh_m3},
    {.point = POINT_GAS_COMPRESSIBILITY_FACTOR, .n_required = 2, .input = {INTAKE, TEMPERATURE}, .needs_absolute = true, .needs = NEEDS(DATUM_GAS_GRAVITY), .compute = z_factor},
    {.point = POINT_FREE_GAS_FRACTION, .n_required = 2, .input = {INTAKE, TEMPERATURE}, .needs_absolute = true, .needs = GAS, .compute = free_gas_percent},
    {.point = POINT_TURPIN_NUMBER, .n_required = 2, .input = {INTAKE, TEMPERATURE}, .needs_absolute = true, .needs = GAS, .compute = turpin},
    {.point = POINT_BOILING_MARGIN, .n_required = 2, .input = {INTAKE, MOTOR_TEMPERATURE}, .needs_absolute = true, .compute = boiling_margin_k},
    {.point = POINT_MOTOR_TEMPERATURE_MARGIN, .n_required = 1, .input = {MOTOR_TEMPERATURE}, .needs_winding = true, .needs = NEEDS(DATUM_WINDING_LIMIT), .compute = limit_margin_k},
    {.point = POINT_REFERENCE_INSULATION, .n_required = 2, .input = {{POINT_INSULATION_RESISTANCE, 0}, MOTOR_TEMPERATURE}, .needs = NEEDS(DATUM_INSULATION_REFERENCE),
     .compute = insulation_kohm},
    {.point = POINT_DRAWDOWN, .n_required = 1, .input = {INTAKE}, .needs = AT_DATUM | NEEDS(DATUM_STATIC_PRESSURE), .needs_density = true, .needs_absolute = true, .compute = drawdown_kpa},
    {.point = POINT_PRODUCTIVITY_INDEX, .n_required = 1, .n_optional = 1, .input = {INTAKE, RUNS}, .needs_pump = true, .needs = AT_DATUM | NEEDS(DATUM_STATIC_PRESSURE) | NEEDS(DATUM_LIQUID_RATE), .needs_density = true,
     .needs_absolute = true, .compute = index_m3_d_bar},
    {.point = POINT_INFLOW_RATE, .n_required = 1, .input = {INTAKE}, .needs = INFLOW, .needs_density = true, .needs_absolute = true, .compute = inflow},
    {.point = POINT_INFLOW_SHARE, .n_required = 1, .input = {INTAKE}, .needs = INFLOW, .needs_density = true, .needs_absolute = true, .compute = inflow_share_percent},
};
/* clang-format on */
const size_t DERIVED_WELL_COUNT = sizeof DERIVED_WELL / sizeof *DERIVED_WELL;
