/* SPDX-License-Identifier: Apache-2.0
 *
 * derive_run.c - how derived points run formulas, and what several of them share: the rate through
 * the pump, its head, its hydraulic power, the pressure at the datum.
 */
#include "derive_run.h"

#include <math.h>

/** What a formula says against, or about, its value. */
static uint8_t quality_of(const struct formula_result *result)
{
    static const uint8_t REASONS[FORMULA_REASONS] = {
        [REASON_NONE] = QUALITY_GOOD,
        [REASON_CONFIG_MISSING] = QUALITY_NOT_CONFIGURED,
        [REASON_NOT_FITTED] = QUALITY_INPUT_BAD,
        [REASON_INPUT_MISSING] = QUALITY_INPUT_BAD,
        [REASON_INPUT_BAD] = QUALITY_INPUT_BAD,
        [REASON_PUMP_STOPPED] = QUALITY_PUMP_STOPPED,
        [REASON_TOO_FEW] = QUALITY_TOO_FEW,
        [REASON_GAP] = QUALITY_GAP_IN_WINDOW,
        [REASON_DOMAIN] = QUALITY_OUT_OF_DOMAIN,
        [REASON_NOT_CONVERGED] = QUALITY_NO_SOLUTION,
    };
    if (result->reason != REASON_NONE)
        return REASONS[result->reason];
    if ((result->flags & FLAG_UNIT_SUSPECT) != 0)
        return QUALITY_UNIT_UNCONFIRMED;
    if ((result->flags & FLAG_LIMITED) != 0)
        return QUALITY_LIMITED;
    if ((result->flags & (FLAG_OUTSIDE_VALIDITY | FLAG_REVERSED_DP)) != 0)
        return QUALITY_OUTSIDE_VALIDITY;
    if ((result->flags & FLAG_EXTRAPOLATED) != 0)
        return QUALITY_EXTRAPOLATED;
    return (result->flags & FLAG_UNCERTAIN) != 0 ? QUALITY_INPUT_UNSURE : QUALITY_GOOD;
}

double derive_run_lists(formula_function *function, const struct derived_lists *lists,
                        const double *si, size_t n, uint8_t *quality)
{
    struct formula_given given[FORMULA_INPUTS_MAX] = {{0}};
    struct formula_result result = {.value = NAN, .reason = REASON_DOMAIN};
    const struct formula *formula = formula_of(function);
    if (quality_class_of(*quality) == QUALITY_CLASS_BAD)
        return NAN; /* what this would be made of is none */
    for (size_t i = 0; i < lists->n_lists; i++)
        given[i] = (struct formula_given){.list = lists->list[i], .n = lists->n, .present = true};
    for (size_t i = 0; i < n && lists->n_lists + i < FORMULA_INPUTS_MAX; i++)
        given[lists->n_lists + i] =
            (struct formula_given){.value = si[i], .present = isfinite(si[i])};
    if (formula != 0)
        formula_evaluate(formula, given, 0, &result);
    *quality = quality_first(*quality, quality_of(&result));
    return result.reason == REASON_NONE ? result.value : NAN;
}
double derive_run(formula_function *function, const double *si, size_t n, uint8_t *quality)
{
    static const struct derived_lists NO_LISTS = {0};
    return derive_run_lists(function, &NO_LISTS, si, n, quality);
}

double well_datum_kpa(const double *value, const struct well_setting *setting, uint8_t *quality)
{
    return RUN(datum_pressure, quality, value[0] * KPA, setting->datum[DATUM_GAUGE_DEPTH],
               setting->datum[DATUM_DATUM_DEPTH], setting->density_kg_m3) /
           KPA;
}

double well_total_head_m(const double *value, const struct well_setting *setting, uint8_t *quality)
{
    return RUN(pump_total_head, quality, value[0] * KPA, value[1] * KPA, setting->density_kg_m3,
               setting->datum[DATUM_PORT_SPACING]);
}

double well_stated_rate_m3_d(const struct well_setting *setting, uint8_t *quality)
{
    if (setting->rate_is_old)
        *quality = quality_first(*quality, QUALITY_INPUT_UNSURE);
    return setting->datum[DATUM_LIQUID_RATE];
}

double well_pump_rate(const struct well_setting *setting, uint8_t *quality)
{
    const double cut = setting->datum[DATUM_WATER_CUT];
    double factor = setting->datum[DATUM_OIL_VOLUME_FACTOR];
    if (!isfinite(factor)) {
        factor = 1.0;
        if (cut < 1.0)
            *quality = quality_first(*quality, QUALITY_INPUT_UNSURE);
    }
    return well_stated_rate_m3_d(setting, quality) / DAY_IN_S * (cut + (1.0 - cut) * factor);
}

double well_hydraulic_kw(const double *value, const struct well_setting *setting, uint8_t *quality)
{
    const double dp_pa = (value[0] - value[1]) * KPA;
    if (dp_pa <= 0.0)
        *quality = quality_first(*quality, QUALITY_OUTSIDE_VALIDITY);
    return dp_pa * well_pump_rate(setting, quality) / KW;
}
