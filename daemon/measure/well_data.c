/* SPDX-License-Identifier: Apache-2.0
 *
 * well_data.c - the liquid's density, from what the configuration states of the well.
 *
 * Nothing is guessed silently: without an oil gravity or a water cut there is no density, and where
 * only the water's own density is missing, that of fresh water stands in and is said to be assumed.
 */
#include "fold_state.h"

#define WATER_60F_KG_M3                                                                            \
    999.016 /* pure water at 60 degF, to which the API gravity refers (API MPMS ch. 11, from       \
               memory) */

double oil_density_kg_m3(double gravity_api)
{
    /* API MPMS ch. 11: relative density 60/60 degF = 141.5 / (131.5 + API gravity). */
    return 141.5 / (131.5 + gravity_api) * WATER_60F_KG_M3;
}

struct well_setting well_setting_at(const struct well_plan *well, int64_t utc_ms)
{
    struct well_setting setting = {
        .density_kg_m3 = NAN, .intake_depth_m = NAN, .local_atmosphere_kpa = NAN};
    const struct well_data *data = well->n_data > 0 ? plan_data_at(well, utc_ms) : 0;
    if (data == 0)
        return setting;
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
