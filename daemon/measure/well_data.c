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
};

static double datum_of(const struct well_data *data, enum well_datum datum)
{
    double value;
    memcpy(&value, (const char *)data + DATA[datum].at, sizeof value);
    return value;
}

void well_datum_forget(struct well_data *data, enum well_datum datum)
{
    const double none = NAN;
    memcpy((char *)data + DATA[datum].at, &none, sizeof none);
}

const char *well_datum_key(enum well_datum datum)
{
    return datum < WELL_DATA ? DATA[datum].key : "";
}

enum well_datum well_datum_missing(const struct well_plan *well, int64_t utc_ms, uint32_t needs)
{
    if (needs == 0)
        return WELL_DATA;
    const struct well_data *data = well->n_data > 0 ? plan_data_at(well, utc_ms) : 0;
    for (unsigned d = 0; d < WELL_DATA; d++)
        if ((needs & NEEDS(d)) != 0 && (data == 0 || !isfinite(datum_of(data, (enum well_datum)d))))
            return (enum well_datum)d;
    if ((needs & NEEDS_DENSITY) == 0 || isfinite(well_setting_at(well, utc_ms).density_kg_m3))
        return WELL_DATA;
    return data != 0 && isfinite(data->oil_gravity_api) ? DATUM_WATER_CUT : DATUM_OIL_GRAVITY;
}

uint32_t well_data_missing(const struct well_plan *well, int64_t utc_ms, uint32_t needs)
{
    uint32_t missing = 0;
    for (unsigned d = 0; d < WELL_DATA; d++)
        if ((needs & NEEDS(d)) != 0 && well_datum_missing(well, utc_ms, NEEDS(d)) != WELL_DATA)
            missing |= NEEDS(d);
    if ((needs & NEEDS_DENSITY) != 0 &&
        well_datum_missing(well, utc_ms, NEEDS_DENSITY) != WELL_DATA)
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
