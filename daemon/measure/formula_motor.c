/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_motor.c - the motor's temperature and the insulation of the downhole circuit.
 *
 * The gauge measures one point of the motor; the hot spot lies above it by an amount that nobody
 * published, so no allowance is built in.
 */
#include "formula_groups.h"

#include <math.h>

#define RATE_SAMPLES_LEAST 5

FORMULA_FUNCTION(difference)
{
    (void)steps;
    out->value = given[0].value - given[1].value;
}

FORMULA_FUNCTION(margin)
{
    (void)steps;
    out->value = given[1].value - given[0].value;
}

FORMULA_FUNCTION(time_to_limit)
{
    const double margin_k = given[1].value - given[0].value;
    formula_step(steps, "M = T_lim - T_w", margin_k, "K");
    if (given[2].value > 0.0)
        out->value = margin_k / given[2].value;
    else
        formula_none(out, REASON_DOMAIN, 2);
}

FORMULA_FUNCTION(heating)
{
    const double left = exp(-given[3].value / given[2].value);
    formula_step(steps, "exp(-t / tau)", left, "");
    out->value = given[1].value - (given[1].value - given[0].value) * left;
}

/** Three samples, equally far apart: where an exponential ends. In differences, so that no digits
 * go: T_inf = T1 + (T2 - T1)^2 / (2 T2 - T1 - T3). */
FORMULA_FUNCTION(final_temperature)
{
    const double first = given[1].value - given[0].value, second = given[2].value - given[1].value;
    formula_step(steps, "T2 - T1", first, "K");
    formula_step(steps, "T3 - T2", second, "K");
    if (first == second)
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
    else
        out->value = given[0].value + first * first / (first - second);
}

FORMULA_FUNCTION(time_constant)
{
    const double first = given[1].value - given[0].value, second = given[2].value - given[1].value;
    const double ratio = second / first;
    formula_step(steps, "(T3 - T2) / (T2 - T1)", ratio, "");
    if (ratio > 0.0 && ratio < 1.0)
        out->value = -given[3].value / log(ratio);
    else
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
}

FORMULA_FUNCTION(by_resistance)
{
    const double cold = given[1].value - ICE_POINT_K, k = formula_or(&given[3], 235.0);
    formula_step(steps, "R2 / R1", given[2].value / given[0].value, "");
    out->value = given[2].value / given[0].value * (k + cold) - k + ICE_POINT_K;
}

FORMULA_FUNCTION(fluid_heating)
{
    const double loss = given[0].value * (1.0 - given[1].value);
    formula_step(steps, "P_loss = P_m (1 - eta_m)", loss, "kW");
    out->value = loss / (given[2].value * given[3].value * given[4].value);
}

FORMULA_FUNCTION(relative_life)
{
    (void)steps;
    out->value = exp2(-(given[0].value - given[1].value) / 10.0);
    out->flags |= FLAG_UNCERTAIN;
}

FORMULA_FUNCTION(rise_at_current)
{
    const double ratio = given[2].value / given[1].value;
    formula_step(steps, "I2 / I1", ratio, "");
    out->value = given[0].value * ratio * ratio;
}

/** Theil-Sen over one sample a refresh, fewer than five of which are noise. */
FORMULA_FUNCTION(rate)
{
    if (given[0].n != given[1].n) {
        formula_none(out, REASON_DOMAIN, 1);
        return;
    }
    if (given[0].n < RATE_SAMPLES_LEAST) {
        formula_none(out, REASON_TOO_FEW, 0);
        return;
    }
    slope_theil_sen(given[0].list, given[1].list, given[0].n, out);
    (void)steps;
}

/* ---- insulation ---- */

/** Resistance halves for each 10 K; the power of two of the distance to a reference. */
static double halving(double temperature_k, double reference_k)
{
    return exp2((temperature_k - reference_k) / 10.0);
}

FORMULA_FUNCTION(factor_40)
{
    (void)steps;
    out->value = halving(given[0].value, ICE_POINT_K + 40.0);
}

FORMULA_FUNCTION(at_40)
{
    const double k = halving(given[1].value, ICE_POINT_K + 40.0);
    formula_step(steps, "K_T = 0.5^((40 - T)/10)", k, "");
    out->value = given[0].value * k;
}

FORMULA_SHARED(insulation_at_reference)
{
    const double k = halving(given[1].value, given[2].value);
    formula_step(steps, "2^((T - T_ref)/10)", k, "");
    out->value = given[0].value * k;
}

FORMULA_FUNCTION(factor_thermoset)
{
    const double celsius = given[0].value - ICE_POINT_K;
    const double slope = celsius >= 40.0 ? 4230.0 : 1245.0;
    formula_step(steps, "coefficient", slope, "K");
    out->value = exp(-slope * (1.0 / (celsius + 273.0) - 1.0 / 313.0));
    if (celsius < 10.0 || celsius > 85.0)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_FUNCTION(polarisation)
{
    (void)steps;
    out->value = given[1].value / given[0].value;
}

FORMULA_FUNCTION(from_leakage)
{
    (void)steps;
    out->value = given[0].value / given[1].value;
}

FORMULA_FUNCTION(parallel)
{
    (void)steps;
    out->value = given[0].value * given[1].value / (given[0].value + given[1].value);
}

FORMULA_FUNCTION(minimum_old)
{
    (void)steps;
    out->value = (given[0].value / 1e3 + 1.0) * 1e6;
}

/* clang-format off */
#define RESISTANCE(symbol, words) INPUT(symbol, "Mohm", words, .bound = BOUND_POSITIVE)
#define WINDING INPUT("T_w", "degC", "motor winding (or oil) temperature")
#define LIMIT INPUT("T_lim", "degC", "configured limit", .take = TAKE_CONFIGURED)
#define THREE INPUT("T1", "degC", "first sample"), INPUT("T2", "degC", "second sample"), INPUT("T3", "degC", "third sample"), \
    INPUT("dt", "s", "time between samples", .bound = BOUND_POSITIVE)
static const struct formula_input RISE[] = {WINDING, INPUT("T_i", "degC", "intake fluid temperature")};
static const struct formula_input MARGIN[] = {WINDING, LIMIT};
static const struct formula_input TO_LIMIT[] = {WINDING, LIMIT, INPUT("r", "K/min", "rate of change")};
static const struct formula_input HEATING[] = {INPUT("T_0", "degC", "temperature at the start"), INPUT("T_inf", "degC", "temperature in the end"),
    INPUT("tau", "s", "time constant", .bound = BOUND_POSITIVE), INPUT("t", "s", "time since the start", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input SAMPLES[] = {THREE};
static const struct formula_input BY_RESISTANCE[] = {INPUT("R1", "ohm", "resistance cold", .bound = BOUND_POSITIVE), INPUT("theta1", "degC", "temperature cold"),
    INPUT("R2", "ohm", "resistance hot", .bound = BOUND_POSITIVE), INPUT("k", "", "constant of the conductor; 235 of copper", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .optional = true)};
static const struct formula_input FLUID_HEATING[] = {INPUT("P_m", "kW", "power of the motor", .bound = BOUND_NOT_NEGATIVE), CONFIGURED("eta_m", "", "efficiency of the motor", BOUND_RATIO),
    CONFIGURED("rho", "kg/m3", "density of what flows past", BOUND_POSITIVE), INPUT("Q", "m3/d", "rate past the motor", .bound = BOUND_POSITIVE),
    CONFIGURED("c_p", "J/(kg K)", "specific heat", BOUND_POSITIVE)};
static const struct formula_input LIFE[] = {INPUT("T", "degC", "temperature"), INPUT("T_ref", "degC", "reference temperature", .take = TAKE_CONFIGURED)};
static const struct formula_input AT_CURRENT[] = {INPUT("dT1", "K", "rise at I1"), INPUT("I1", "A", "current", .bound = BOUND_POSITIVE), INPUT("I2", "A", "the other current", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input RATE[] = {INPUT("t", "s", "times, one a refresh", .list = true), INPUT("T_w", "degC", "temperatures", .list = true),
    INPUT("method", "", "robust slope", .take = TAKE_OPTION, .choices = "Theil-Sen", .optional = true)};
static const struct formula_input INSULATION_T[] = {INPUT("T", "degC", "temperature of the insulation")};
static const struct formula_input AT_40[] = {RESISTANCE("R_T", "resistance as read"), INPUT("T", "degC", "temperature of the insulation")};
static const struct formula_input AT_REFERENCE[] = {RESISTANCE("R_T", "resistance as read"), INPUT("T", "degC", "temperature of the insulation"),
    INPUT("T_ref", "degC", "reference temperature", .take = TAKE_CONFIGURED)};
static const struct formula_input POLARISATION[] = {RESISTANCE("R_1min", "after 1 min"), RESISTANCE("R_10min", "after 10 min")};
static const struct formula_input LEAKAGE[] = {INPUT("V_test", "V", "voltage", .bound = BOUND_NOT_NEGATIVE), INPUT("I_leak", "mA", "leakage current", .bound = BOUND_POSITIVE)};
static const struct formula_input PARALLEL[] = {RESISTANCE("R_1", "one part"), RESISTANCE("R_2", "the other")};
static const struct formula_input RATED[] = {INPUT("V_rated", "V", "rated voltage", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE)};

#define ONE_POINT "of the point that the gauge measures; the hot spot lies above it by an unknown amount"
#define TREND_ONLY "for trends; not a bench insulation test: the gauge's circuit and voltage are not those of a standard test"
static const struct formula ROWS[] = {
    FORMULA("motor.rise", "Motor temperature above intake fluid", "dT = T_w - T_i", "K", ONE_POINT, "definition", RISE, difference),
    FORMULA("motor.margin", "Margin to the limit", "M = T_lim - T_w", "K", ONE_POINT, "definition", MARGIN, margin),
    FORMULA("motor.rate", "Rate of change of the motor's temperature", "median of (T_j - T_i) / (t_j - t_i)", "K/min",
            "five samples at least, one a refresh of the gauge", "Theil 1950, Sen 1968 (from memory)", RATE, rate),
    FORMULA("motor.time_to_limit", "Time until the limit at the present rate", "(T_lim - T_w) / r", "min", ONE_POINT, "definition", TO_LIMIT, time_to_limit),
    FORMULA("motor.heating", "Temperature while it heats up", "T = T_inf - (T_inf - T_0) exp(-t / tau)", "degC", "one body", "first-order heating", HEATING, heating),
    FORMULA("motor.T_inf", "Final temperature from three samples", "(T1 T3 - T2^2) / (T1 + T3 - 2 T2)", "degC", "one body", "first-order heating", SAMPLES, final_temperature),
    FORMULA("motor.tau", "Time constant from three samples", "-dt / ln[(T3 - T2) / (T2 - T1)]", "s", "one body", "first-order heating", SAMPLES, time_constant),
    FORMULA("motor.temp_by_resistance", "Temperature by resistance", "theta2 = (R2 / R1) (k + theta1) - k", "degC", "",
            "IEC 60034-1, k = 235; IEEE 112, k = 234.5 (from memory)", BY_RESISTANCE, by_resistance),
    FORMULA("motor.fluid_heating", "Heating of the fluid past the motor", "dT_f = P_m (1 - eta_m) / (rho Q c_p)", "K", "", "heat balance", FLUID_HEATING, fluid_heating),
    FORMULA("motor.relative_life", "Relative life of the insulation", "2^(-(T - T_ref) / 10 K)", "", "rough", "Montsinger's rule (from memory)", LIFE, relative_life),
    FORMULA("motor.rise_at_current", "Rise at another current", "dT2 = dT1 (I2 / I1)^2", "K", "rough; same cooling", "losses as the square of current", AT_CURRENT, rise_at_current),
    FORMULA("insulation.K_T", "Factor to 40 degC", "K_T = 0.5^((40 - T) / 10)", "", TREND_ONLY, "IEEE 43 (from memory)", INSULATION_T, factor_40),
    FORMULA("insulation.R40", "Insulation resistance at 40 degC", "R_40 = K_T R_T", "Mohm", TREND_ONLY, "IEEE 43 (from memory)", AT_40, at_40),
    FORMULA("insulation.R_ref", "Insulation resistance at a reference temperature", "R_ref = R_T 2^((T - T_ref) / 10)", "Mohm", TREND_ONLY, "IEEE 43 (from memory)", AT_REFERENCE, insulation_at_reference),
    FORMULA("insulation.K_T_thermoset", "Factor to 40 degC, thermosetting insulation", "exp[-4230 (1/(T + 273) - 1/313)], 1245 below 40 degC", "", "10 to 85 degC",
            "IEEE 43-2013 (from memory)", INSULATION_T, factor_thermoset),
    FORMULA("insulation.PI", "Polarisation index", "R_10min / R_1min", "", "not above 5 Gohm", "IEEE 43 (from memory)", POLARISATION, polarisation),
    FORMULA("insulation.from_leakage", "Insulation resistance from leakage", "R = V_test / I_leak", "Mohm", TREND_ONLY, "Ohm", LEAKAGE, from_leakage),
    FORMULA("insulation.parallel", "Two parts in parallel", "1/R = 1/R_1 + 1/R_2", "Mohm", "", "Kirchhoff", PARALLEL, parallel),
    FORMULA("insulation.minimum_old", "Least resistance of old windings at 40 degC", "kV + 1 Mohm", "Mohm", "windings before about 1970",
            "IEEE 43 (from memory)", RATED, minimum_old),
};
/* clang-format on */

const struct formula_group FORMULA_MOTOR = FORMULA_ROWS(ROWS);
