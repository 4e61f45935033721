/* SPDX-License-Identifier: Apache-2.0
 *
 * check_well_data.c - the part of `uphole check` that looks at well data twice: allowed, but unlike
 * any well, pump, motor or cable. Each sentence says what to look at.
 *
 * Limits are common practice, no source, unless a comment names one; they switch nothing off.
 */
#include "check.h"

#include "uphole/formula.h"

#include <math.h>
#include <string.h>

#define RATING_LEAST 0.3 /* of power factor times efficiency, by the rating */
#define RATING_MOST 0.95
#define PERCENT_APART 5.0   /* of two statements of one thing */
#define WATER_KG_M3 999.016 /* at 60 degF, API MPMS 11.4.1 (from memory) */
#define GRAVITY 9.80665

struct look {
    struct check_facts *facts;
    const char *well;
    const struct well_data *data;
};

static bool apart(double a, double b, double percent)
{
    return fabs(a - b) > percent / 100.0 * fmax(fabs(a), fabs(b));
}

/* ---- depths ---- */

static void look_at_depths(const struct look *look)
{
    static const char *const KEY[WELL_DEPTHS] = {"intake_depth", "gauge_depth", "datum_depth"};
    const struct well_data *data = look->data;
    for (int i = 0; i < WELL_DEPTHS; i++)
        if (data->beyond_survey[i])
            check_advise(look->facts,
                         "Well %s: %s lies %.1f m below the survey's last station; the hole is "
                         "taken to go straight on, and what needs the depth is Uncertain "
                         "(extrapolated). Add the missing stations.",
                         look->well, KEY[i],
                         data->measured_depth_m[i] - data->survey[data->n_survey - 1].md_m);
    if (data->n_survey > 0 && data->survey[0].md_m > 0 && data->survey[0].inclination_deg > 0)
        check_advise(look->facts,
                     "Well %s: the survey begins at %.1f m with an inclination of %.1f deg; the "
                     "hole above it counts as vertical. Add its upper stations.",
                     look->well, data->survey[0].md_m, data->survey[0].inclination_deg);
    if (data->gauge_depth_m < data->intake_depth_m)
        check_advise(look->facts,
                     "Well %s: gauge_depth lies %.1f m above intake_depth, but a gauge below the "
                     "motor hangs below the intake. Compare both with the completion.",
                     look->well, data->intake_depth_m - data->gauge_depth_m);
    if (data->datum_depth_m < data->intake_depth_m)
        check_advise(look->facts,
                     "Well %s: datum_depth lies %.1f m above intake_depth; the perforations are "
                     "usually below the pump. Compare both with the completion.",
                     look->well, data->intake_depth_m - data->datum_depth_m);
}

/* ---- the pump's curve ---- */

static double head_of(const struct pump_curve_row *row)
{
    return isnan(row->stage_head_m) ? row->head_m : row->stage_head_m;
}

/** Efficiency that head and power of a row make, where they are both of one stage or both of the
 * pump. */
static double made_efficiency(const struct pump_curve_row *row)
{
    const double power_kw = isnan(row->stage_head_m) ? row->power_kw : row->stage_power_kw;
    return WATER_KG_M3 * GRAVITY * head_of(row) * row->rate_m3_d / 86400.0 / (1000.0 * power_kw);
}

static void look_at_efficiency(const struct look *look, const struct pump_curve_row *row)
{
    const double made = made_efficiency(row);
    if (made > 0.85)
        check_advise(look->facts,
                     "Well %s: at %g m3/d head and power of pump_curve make an efficiency of "
                     "%.0f %%, more than a pump has. Look at the units of its columns.",
                     look->well, row->rate_m3_d, 100 * made);
    else if (!isnan(row->efficiency_ratio) && row->rate_m3_d > 0 &&
             apart(made, row->efficiency_ratio, PERCENT_APART))
        check_advise(look->facts,
                     "Well %s: at %g m3/d head and power of pump_curve make an efficiency of "
                     "%.0f %%, but its column says %.0f %%. The power is what counts.",
                     look->well, row->rate_m3_d, 100 * made, 100 * row->efficiency_ratio);
}

static void look_at_curve(const struct look *look)
{
    const struct well_data *data = look->data;
    for (unsigned i = 1; i < data->n_curve; i++) {
        const struct pump_curve_row *low = &data->curve[i - 1], *high = &data->curve[i];
        if (head_of(high) < head_of(low))
            continue;
        check_advise(look->facts,
                     "Well %s: the head of pump_curve does not fall between %g and %g m3/d. A "
                     "pump's head falls as its rate grows, but for some at small rates: look for "
                     "a slip.",
                     look->well, low->rate_m3_d, high->rate_m3_d);
        break;
    }
    unsigned worst = 0; /* one row is enough to say what is wrong with the columns */
    for (unsigned i = 1; i < data->n_curve; i++)
        if (made_efficiency(&data->curve[i]) > made_efficiency(&data->curve[worst]) ||
            isnan(made_efficiency(&data->curve[worst])))
            worst = i;
    if (data->n_curve > 0)
        look_at_efficiency(look, &data->curve[worst]);
}

/* ---- motor, transformer, cable ---- */

static double depth_of_pump(const struct well_data *data)
{
    const double along = data->measured_depth_m[DEPTH_INTAKE];
    return isnan(along) ? data->intake_depth_m : along;
}

static void look_at_motor(const struct look *look)
{
    const struct well_data *data = look->data;
    const double share =
        data->rated_power_kw * 1000.0 / (sqrt(3.0) * data->rated_voltage_v * data->rated_current_a);
    if (share < RATING_LEAST || share > RATING_MOST)
        check_advise(look->facts,
                     "Well %s: rated_power, rated_voltage and rated_current make %.2f of power "
                     "factor times efficiency; motors have 0.5 to 0.8. Look at the name plate, and "
                     "at the units.",
                     look->well, share);
    if (!isnan(data->rated_power_kw) && isnan(data->rated_frequency_hz))
        check_advise(look->facts,
                     "Well %s: rated_power without rated_frequency is not used; state both.",
                     look->well);
    if (data->transformer_ratio < 1.0)
        check_advise(look->facts,
                     "Well %s: transformer_ratio of %g steps down; it is the voltage on the motor "
                     "side for one on the drive side, usually above 1.",
                     look->well, data->transformer_ratio);
    if (data->cable_length_m < depth_of_pump(data))
        check_advise(look->facts,
                     "Well %s: cable_length is %.0f m less than the depth of the intake; the cable "
                     "runs along the hole, and on to the transformer.",
                     look->well, depth_of_pump(data) - data->cable_length_m);
    if (!isnan(data->cable_resistance_ohm_km) && data->cable_size != CABLE_UNSTATED)
        check_advise(look->facts,
                     "Well %s: cable_resistance and cable_size are both stated; the resistance is "
                     "what counts.",
                     look->well);
}

/* ---- liquids and inflow ---- */

static void look_at_liquids(const struct look *look)
{
    const struct well_data *data = look->data;
    const double oil_kg_m3 = 141.5 / (131.5 + data->oil_gravity_api) * WATER_KG_M3;
    if (data->water_density_kg_m3 < oil_kg_m3)
        check_advise(look->facts,
                     "Well %s: water_density of %.0f kg/m3 is below that of its oil, %.0f kg/m3 by "
                     "oil_gravity. Look at both.",
                     look->well, data->water_density_kg_m3, oil_kg_m3);
    if (data->bubble_point_kpa > data->static_pressure_kpa)
        check_advise(look->facts,
                     "Well %s: bubble_point lies above static_pressure; the inflow curve is "
                     "Vogel's from the static pressure down.",
                     look->well);
}

/** Fetkovich's exponent by the formula that everybody can run; NaN where there is none. */
static double exponent_of(const struct well_data *data)
{
    double rate[INFLOW_TESTS_MAX], pressure[INFLOW_TESTS_MAX];
    struct formula_given given[FORMULA_INPUTS_MAX] = {{0}};
    struct formula_result result;
    const struct formula *formula = formula_by_label("ipr.fetkovich_n_fit");
    for (unsigned i = 0; i < data->n_tests; i++) {
        rate[i] = data->test[i].rate_m3_d / 86400.0;
        pressure[i] = data->test[i].pressure_kpa * 1000.0;
    }
    given[0] = (struct formula_given){.value = data->static_pressure_kpa * 1000.0,
                                      .present = !isnan(data->static_pressure_kpa)};
    given[1] = (struct formula_given){.list = rate, .n = data->n_tests, .present = true};
    given[2] = (struct formula_given){.list = pressure, .n = data->n_tests, .present = true};
    if (formula == NULL || data->n_tests < 2)
        return NAN;
    formula_evaluate(formula, given, NULL, &result);
    return result.reason == REASON_NONE ? result.value : NAN;
}

static void look_at_tests(const struct look *look)
{
    const struct well_data *data = look->data;
    const bool is_stated = !isnan(data->fetkovich_exponent);
    const double n = is_stated ? data->fetkovich_exponent : exponent_of(data);
    for (unsigned i = 0; i < data->n_tests; i++)
        if (data->test[i].pressure_kpa >= data->static_pressure_kpa)
            check_advise(look->facts,
                         "Well %s: inflow_tests hold a flowing pressure of %.0f kPa, not below "
                         "static_pressure; fetkovich_rate has no value then. Look at both.",
                         look->well, data->test[i].pressure_kpa);
    if (n < 0.5 || n > 1.0)
        check_advise(look->facts,
                     "Well %s: Fetkovich's exponent is %.2f %s; it lies from 0.5 to 1 (Fetkovich "
                     "1973, from memory), and fetkovich_rate is Uncertain (outside_validity) or "
                     "has no value. Look at the tests.",
                     look->well, n, is_stated ? "as stated" : "by inflow_tests");
}

void check_advise_well_data(struct check_facts *facts)
{
    for (int w = 0; w < facts->plan->n_wells; w++) {
        const struct well_plan *well = &facts->plan->wells[w];
        const struct look look = {facts, well->id, plan_data_at(well, facts->now_utc_ms)};
        if (look.data == NULL)
            continue;
        look_at_depths(&look);
        look_at_curve(&look);
        look_at_motor(&look);
        look_at_liquids(&look);
        look_at_tests(&look);
    }
}

void check_show_depths(FILE *out, const struct well_data *data)
{
    static const char *const NAME[WELL_DEPTHS] = {"intake", "gauge", "datum"};
    const double vertical[WELL_DEPTHS] = {data->intake_depth_m, data->gauge_depth_m,
                                          data->datum_depth_m};
    char text[300];
    if (data->n_survey == 0)
        return;
    const struct survey_row *last = &data->survey[data->n_survey - 1];
    size_t n = (size_t)snprintf(text, sizeof text, "survey: %u stations to %.1f m", data->n_survey,
                                last->md_m);
    for (int i = 0; i < WELL_DEPTHS && n < sizeof text; i++)
        if (!isnan(data->measured_depth_m[i]))
            n += (size_t)snprintf(text + n, sizeof text - n, "; %s %.1f m MD is %.1f m TVD",
                                  NAME[i], data->measured_depth_m[i], vertical[i]);
    fprintf(out, "%19s", "");
    check_wrapped(out, 21, text);
}
