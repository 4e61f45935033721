/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_curve.c - the pump against its curve: head, shaft power and efficiency of the curve at
 * the present rate and frequency.
 *
 * A curve is a table of its maker's, drawn for fresh water at one frequency; straight lines join
 * its rows, the last one goes on beyond the table and is said to. Affinity laws bring rate, head
 * and power to another frequency; head does not know the density, power goes with it.
 */
#include "formula_groups.h"

#include <math.h>

/** y of a table at x; the lines at its ends go on beyond it, which is flagged. */
static double interpolate(const struct formula_given *xs, const struct formula_given *ys, double x,
                          struct formula_result *out)
{
    const size_t n = xs->n;
    size_t i = 1;
    while (i + 1 < n && xs->list[i] < x)
        i++;
    if (x < xs->list[0] || x > xs->list[n - 1])
        out->flags |= FLAG_EXTRAPOLATED;
    const double share = (x - xs->list[i - 1]) / (xs->list[i] - xs->list[i - 1]);
    return ys->list[i - 1] + share * (ys->list[i] - ys->list[i - 1]);
}

/** Two rows at least, as many in each column, rates ascending. */
static bool is_table(const struct formula_given *given, size_t columns, struct formula_result *out)
{
    const size_t n = given[0].n;
    bool good = n >= 2;
    for (size_t c = 1; c < columns; c++)
        good = good && given[c].n == n;
    for (size_t i = 1; good && i < n; i++)
        good = given[0].list[i] > given[0].list[i - 1];
    if (!good)
        formula_none(out, REASON_CONFIG_MISSING, 0);
    return good;
}

/** What the rows have in common behind their lists. */
struct asked {
    double stages, ratio, rate; /* ratio of frequencies, now over the curve's; rate on the curve */
};

/** False where the pump stands. `at`: stages, the curve's frequency, the present one, the rate. */
static bool ask(const struct formula_given *at, unsigned first, struct formula_steps *steps,
                struct asked *asked, struct formula_result *out)
{
    if (!(at[2].value > 0.0)) {
        formula_none(out, REASON_PUMP_STOPPED, first + 2);
        return false;
    }
    asked->stages = formula_or(&at[0], 1.0);
    asked->ratio = at[2].value / at[1].value;
    asked->rate = at[3].value / asked->ratio;
    formula_step(steps, "f / f_c", asked->ratio, "");
    formula_step(steps, "q_c = q f_c / f", asked->rate, "m3/d");
    affinity_judge(asked->ratio, out);
    return true;
}

/** A number that a curve can't go below. */
static bool is_above_nought(double value, unsigned culprit, struct formula_result *out)
{
    if (value > 0.0)
        return true;
    formula_none(out, REASON_DOMAIN, culprit);
    return false;
}

FORMULA_SHARED(curve_head)
{
    struct asked asked;
    if (!is_table(given, 2, out) || !ask(given + 2, 2, steps, &asked, out))
        return;
    const double head_m = interpolate(&given[0], &given[1], asked.rate, out);
    formula_step(steps, "H_c(q_c)", head_m, "m");
    if (is_above_nought(head_m, 5, out))
        out->value = asked.stages * head_m * asked.ratio * asked.ratio;
}

FORMULA_SHARED(curve_shaft_power)
{
    struct asked asked;
    if (!is_table(given, 2, out) || !ask(given + 2, 2, steps, &asked, out))
        return;
    const double power_w = interpolate(&given[0], &given[1], asked.rate, out);
    formula_step(steps, "P_c(q_c)", power_w, "kW");
    formula_step(steps, "rho / rho_w", given[6].value / FRESH_WATER_60F_KG_M3, "");
    if (is_above_nought(power_w, 5, out))
        out->value =
            asked.stages * power_w * pow(asked.ratio, 3) * given[6].value / FRESH_WATER_60F_KG_M3;
}

/** Lists: rate, head, efficiency. Without flow a pump's efficiency is nothing, and its power not to
 * be had from it. */
FORMULA_SHARED(curve_shaft_power_of_efficiency)
{
    struct asked asked;
    if (!is_table(given, 3, out) || !ask(given + 3, 3, steps, &asked, out))
        return;
    const double head_m = interpolate(&given[0], &given[1], asked.rate, out),
                 efficiency = interpolate(&given[0], &given[2], asked.rate, out);
    formula_step(steps, "H_c(q_c)", head_m, "m");
    formula_step(steps, "eta_c(q_c)", efficiency, "");
    if (is_above_nought(head_m, 6, out) && is_above_nought(efficiency, 6, out))
        out->value = given[7].value * STANDARD_GRAVITY * asked.rate * asked.stages * head_m /
                     efficiency * pow(asked.ratio, 3);
}

FORMULA_FUNCTION(curve_efficiency)
{
    struct asked asked;
    const struct formula_given at[4] = {
        {.value = 1.0, .present = true}, given[2], given[3], given[4]};
    if (!is_table(given, 2, out) || !ask(at, 1, steps, &asked, out))
        return;
    out->value = interpolate(&given[0], &given[1], asked.rate, out);
    (void)is_above_nought(out->value, 4, out);
}

FORMULA_SHARED(curve_head_ratio)
{
    (void)steps;
    out->value = given[0].value / given[1].value;
    if (out->value < 0.0 || out->value > HEAD_RATIO_MOST)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

/* clang-format off */
#define LIST(name, unit, words) INPUT(name, unit, words, .take = TAKE_CONFIGURED, .list = true)
#define RATES LIST("Q_c", "m3/d", "rates of the curve, ascending, at pump conditions")
#define STAGES INPUT("N_st", "", "stages, where the curve is of one", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .optional = true)
#define AT CONFIGURED("f_c", "Hz", "frequency of the curve", BOUND_POSITIVE), INPUT("f", "Hz", "frequency now", .bound = BOUND_NOT_NEGATIVE), \
    INPUT("q", "m3/d", "rate through the pump now", .bound = BOUND_NOT_NEGATIVE)
#define DENSITY CONFIGURED("rho", "kg/m3", "density of what the pump lifts", BOUND_POSITIVE)
static const struct formula_input HEAD[] = {RATES, LIST("H_c", "m", "heads of the curve"), STAGES, AT};
static const struct formula_input POWER[] = {RATES, LIST("P_c", "kW", "shaft powers of the curve, of fresh water"), STAGES, AT, DENSITY};
static const struct formula_input POWER_OF_EFFICIENCY[] = {RATES, LIST("H_c", "m", "heads of the curve"), LIST("eta_c", "", "efficiencies of the curve"), STAGES, AT, DENSITY};
static const struct formula_input EFFICIENCY[] = {RATES, LIST("eta_c", "", "efficiencies of the curve"), AT};
static const struct formula_input RATIO[] = {INPUT("H", "m", "head of the pump, with the spacing of its ports"), INPUT("H_c", "m", "head of its curve", .bound = BOUND_POSITIVE)};

#define CURVE_VALIDITY "within the table; frequency ratio 0.6 to 1.3 (common practice, no source); slip neglected; near-water viscosity, above about 10 mm2/s see ANSI/HI 9.6.7 (from memory); " \
    "liquid without free gas"
#define CURVE_SOURCE "straight lines between the rows of the maker's table; affinity laws; curves of fresh water: API RP 11S2 (from memory)"
static const struct formula ROWS[] = {
    FORMULA("curve.head", "Head of the pump's curve", "H = N_st H_c(q f_c / f) (f / f_c)^2", "m", CURVE_VALIDITY, CURVE_SOURCE, HEAD, curve_head),
    FORMULA("curve.shaft_power", "Shaft power of the pump's curve", "P = N_st P_c(q f_c / f) (f / f_c)^3 rho / 999.016 kg/m3", "kW", CURVE_VALIDITY, CURVE_SOURCE, POWER, curve_shaft_power),
    FORMULA("curve.shaft_power", "Shaft power of the pump's curve, from its efficiency", "P = N_st rho g q_c H_c(q_c) / eta_c(q_c) (f / f_c)^3, q_c = q f_c / f", "kW", CURVE_VALIDITY, CURVE_SOURCE,
            POWER_OF_EFFICIENCY, curve_shaft_power_of_efficiency),
    FORMULA("curve.efficiency", "Efficiency of the pump's curve", "eta_c(q f_c / f)", "", CURVE_VALIDITY, CURVE_SOURCE, EFFICIENCY, curve_efficiency),
    FORMULA("curve.head_ratio", "Head of the pump, of that of its curve", "H / H_c", "", "0 to 1.2 (common practice, no source)", "definition", RATIO, curve_head_ratio),
};
/* clang-format on */

const struct formula_group FORMULA_CURVE = FORMULA_ROWS(ROWS);
