/* SPDX-License-Identifier: Apache-2.0
 *
 * well_data.c - what the configuration states of the well, by name; and the liquid's density from
 * it.
 *
 * Nothing is guessed silently: without an oil gravity or a water cut there is no density, and where
 * only the water's own density is missing, that of fresh water stands in and is said to be assumed.
 */
#include "fold_state.h"

#include <stddef.h>
#include <string.h>

#define WATER_60F_KG_M3                                                                            \
    999.016 /* pure water at 60 degF, to which the API gravity refers (API MPMS ch. 11, from       \
               memory) */

double oil_density_kg_m3(double gravity_api)
{
    /* API MPMS ch. 11: relative density 60/60 degF = 141.5 / (131.5 + API gravity). */
    return 141.5 / (131.5 + gravity_api) * WATER_60F_KG_M3;
}

#define DATUM(field, name)                                                                         \
    {                                                                                              \
        offsetof(struct well_data, field), name                                                    \
    }
static const struct datum_row {
    size_t at;
    const char *key;
} DATA[WELL_DATA] = {
    [DATUM_INTAKE_DEPTH] = DATUM(intake_depth_m, "intake_depth"),
    [DATUM_GAUGE_DEPTH] = DATUM(gauge_depth_m, "gauge_depth"),
    [DATUM_DATUM_DEPTH] = DATUM(datum_depth_m, "datum_depth"),
    [DATUM_PORT_SPACING] = DATUM(port_spacing_m, "port_spacing"),
    [DATUM_STAGES] = DATUM(stages, "stages"),
    [DATUM_REFERENCE_FREQUENCY] = DATUM(reference_frequency_hz, "reference_frequency"),
    [DATUM_LIQUID_RATE] = DATUM(liquid_rate_m3_d, "liquid_rate"),
    [DATUM_OIL_VOLUME_FACTOR] = DATUM(oil_volume_factor, "oil_volume_factor"),
    [DATUM_GAS_GRAVITY] = DATUM(gas_gravity, "gas_gravity"),
    [DATUM_GAS_OIL_RATIO] = DATUM(gas_oil_ratio_m3_m3, "gas_oil_ratio"),
    [DATUM_OIL_GRAVITY] = DATUM(oil_gravity_api, "oil_gravity"),
    [DATUM_WATER_CUT] = DATUM(water_cut_ratio, "water_cut"),
    [DATUM_ANNULUS_DENSITY] = DATUM(annulus_density_kg_m3, "annulus_density"),
    [DATUM_ANNULUS_TEMPERATURE] = DATUM(annulus_temperature_degc, "annulus_temperature"),
    [DATUM_STATIC_PRESSURE] = DATUM(static_pressure_kpa, "static_pressure"),
    [DATUM_BUBBLE_POINT] = DATUM(bubble_point_kpa, "bubble_point"),
    [DATUM_INDEX] = DATUM(index_m3_d_bar, "productivity_index"),
    [DATUM_WINDING_LIMIT] = DATUM(winding_limit_degc, "winding_limit"),
    [DATUM_INSULATION_REFERENCE] = DATUM(insulation_reference_degc, "insulation_reference"),
    [DATUM_STATISTICS_COVERAGE] = DATUM(statistics_coverage_ratio, "statistics_coverage"),
    [DATUM_INTAKE_LIMIT] = DATUM(intake_pressure_limit_kpa, "intake_pressure_limit"),
    [DATUM_CURVE_FREQUENCY] = DATUM(curve_frequency_hz, "curve_frequency"),
    [DATUM_RATED_POWER] = DATUM(rated_power_kw, "rated_power"),
    [DATUM_RATED_FREQUENCY] = DATUM(rated_frequency_hz, "rated_frequency"),
    [DATUM_TRANSFORMER_RATIO] = DATUM(transformer_ratio, "transformer_ratio"),
    [DATUM_TRANSFORMER_EFFICIENCY] = DATUM(transformer_efficiency, "transformer_efficiency"),
    [DATUM_CABLE_LENGTH] = DATUM(cable_length_m, "cable_length"),
    [DATUM_CABLE_TEMPERATURE] = DATUM(cable_temperature_degc, "cable_temperature"),
    [DATUM_FETKOVICH_EXPONENT] = DATUM(fetkovich_exponent, "fetkovich_exponent"),
    [DATUM_CABLE_RESISTANCE] = DATUM(cable_resistance_ohm_km, "cable_resistance (or cable_size)"),
    [DATUM_CURVE] = {0, "pump_curve"},
    [DATUM_CURVE_POWER] = {0, "power or efficiency in pump_curve"},
    [DATUM_TESTS] = {0, "inflow_tests (two, or one with fetkovich_exponent)"},
};

static bool curve_states_power(const struct well_data *data)
{
    const struct pump_curve_row *row = &data->curve[0];
    return data->n_curve > 0 && (isfinite(row->stage_power_kw) || isfinite(row->power_kw) ||
                                 isfinite(row->efficiency_ratio));
}

bool well_curve_is_of_stages(const struct well_data *data)
{
    const struct pump_curve_row *row = &data->curve[0];
    return data->n_curve > 0 && (isfinite(row->stage_head_m) || isfinite(row->stage_power_kw));
}

/** A number of rows; NaN where they are too few. */
static double count_of(unsigned n, unsigned least)
{
    return n >= least ? (double)n : NAN;
}

static double datum_of(const struct well_data *data, enum well_datum datum)
{
    double value;
    if (datum == DATUM_CURVE)
        return count_of(data->n_curve, 2);
    if (datum == DATUM_CURVE_POWER)
        return curve_states_power(data) ? (double)data->n_curve : NAN;
    if (datum == DATUM_TESTS)
        return count_of(data->n_tests, isfinite(data->fetkovich_exponent) ? 1 : 2);
    if (datum == DATUM_CABLE_RESISTANCE && !isfinite(data->cable_resistance_ohm_km))
        return cable_size_ohm_km((enum cable_size)data->cable_size);
    memcpy(&value, (const char *)data + DATA[datum].at, sizeof value);
    return value;
}

void well_datum_forget(struct well_data *data, enum well_datum datum)
{
    const double none = NAN;
    if (datum == DATUM_CURVE)
        data->n_curve = 0;
    else if (datum == DATUM_CURVE_POWER)
        for (unsigned i = 0; i < data->n_curve; i++)
            data->curve[i].stage_power_kw = data->curve[i].power_kw =
                data->curve[i].efficiency_ratio = NAN;
    else if (datum == DATUM_TESTS)
        data->n_tests = 0;
    if (DATA[datum].at == 0)
        return;
    if (datum == DATUM_CABLE_RESISTANCE)
        data->cable_size = CABLE_UNSTATED;
    memcpy((char *)data + DATA[datum].at, &none, sizeof none);
}

const char *well_datum_key(enum well_datum datum)
{
    return datum < WELL_DATA ? DATA[datum].key : "";
}

static bool is_missing(const struct well_data *data, enum well_datum datum, uint64_t needs)
{
    if (data == 0)
        return true;
    if (datum == DATUM_STAGES && (needs & NEEDS(DATUM_CURVE)) != 0 && data->n_curve > 0 &&
        !well_curve_is_of_stages(data))
        return false;
    return !isfinite(datum_of(data, datum));
}

static bool density_is_missing(const struct well_plan *well, int64_t utc_ms)
{
    return !isfinite(well_setting_at(well, utc_ms).density_kg_m3);
}

enum well_datum well_datum_missing(const struct well_plan *well, int64_t utc_ms, uint64_t needs)
{
    if (needs == 0)
        return WELL_DATA;
    const struct well_data *data = well->n_data > 0 ? plan_data_at(well, utc_ms) : 0;
    for (unsigned d = 0; d < WELL_DATA; d++)
        if ((needs & NEEDS(d)) != 0 && is_missing(data, (enum well_datum)d, needs))
            return (enum well_datum)d;
    if ((needs & NEEDS_DENSITY) == 0 || !density_is_missing(well, utc_ms))
        return WELL_DATA;
    return data != 0 && isfinite(data->oil_gravity_api) ? DATUM_WATER_CUT : DATUM_OIL_GRAVITY;
}

uint64_t well_data_missing(const struct well_plan *well, int64_t utc_ms, uint64_t needs)
{
    const struct well_data *data = well->n_data > 0 ? plan_data_at(well, utc_ms) : 0;
    uint64_t missing = 0;
    for (unsigned d = 0; d < WELL_DATA; d++)
        if ((needs & NEEDS(d)) != 0 && is_missing(data, (enum well_datum)d, needs))
            missing |= NEEDS(d);
    if ((needs & NEEDS_DENSITY) != 0 && density_is_missing(well, utc_ms))
        missing |= NEEDS_DENSITY;
    return missing;
}

struct well_setting well_setting_at(const struct well_plan *well, int64_t utc_ms)
{
    struct well_setting setting = {
        .density_kg_m3 = NAN, .intake_depth_m = NAN, .local_atmosphere_kpa = NAN};
    const struct well_data *data = well->n_data > 0 ? plan_data_at(well, utc_ms) : 0;
    for (unsigned d = 0; d < WELL_DATA; d++)
        setting.datum[d] = data != 0 ? datum_of(data, (enum well_datum)d) : NAN;
    if (data == 0)
        return setting;
    setting.data = data;
    setting.rate_is_old = utc_ms - data->from_utc_ms > MEASURE_RATE_HOLDS_MS;
    setting.intake_depth_m = data->intake_depth_m;
    setting.local_atmosphere_kpa = data->local_atmosphere_kpa;
    if (isfinite(data->liquid_density_kg_m3)) {
        setting.density_kg_m3 = data->liquid_density_kg_m3;
    } else if (isfinite(data->oil_gravity_api) && isfinite(data->water_cut_ratio)) {
        /* Volumes add, without slip: rho = (1 - fw) rho_oil + fw rho_water. */
        double cut = data->water_cut_ratio, water = data->water_density_kg_m3;
        setting.is_assumed = cut > 0.0 && !isfinite(water);
        if (!isfinite(water))
            water = WATER_60F_KG_M3;
        setting.density_kg_m3 =
            (1.0 - cut) * oil_density_kg_m3(data->oil_gravity_api) + cut * water;
    }
    if (!isfinite(setting.density_kg_m3) || setting.density_kg_m3 <= 0.0)
        setting.density_kg_m3 = NAN;
    return setting;
}
