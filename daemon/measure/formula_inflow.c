/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_inflow.c - what the reservoir gives: productivity index, Vogel, composite, Fetkovich.
 *
 * Vogel and Fetkovich use ratios of pressures, which belong to absolute pressures; a gauge at the
 * intake is not p_wf before its pressure was carried to the datum.
 */
#include "formula_groups.h"

#include <math.h>

#define TURN 6.28318530717958647692
#define STB_D (BARREL_IN_M3 / DAY_IN_S)

static double vogel(double x)
{
    return 1.0 - 0.2 * x - 0.8 * x * x;
}

FORMULA_FUNCTION(drawdown)
{
    (void)steps;
    out->value = given[0].value - given[1].value;
}

FORMULA_FUNCTION(index_of)
{
    const double drawdown_pa = given[1].value - given[2].value;
    if (!(drawdown_pa > 0.0)) {
        formula_none(out, REASON_DOMAIN, 2);
        return;
    }
    formula_step(steps, "p_r - p_wf", drawdown_pa, "kPa");
    out->value = given[0].value / drawdown_pa;
}

FORMULA_FUNCTION(linear_rate)
{
    const double drawdown_pa = given[1].value - given[2].value;
    if (drawdown_pa < 0.0) {
        formula_none(out, REASON_DOMAIN, 2);
        return;
    }
    formula_step(steps, "p_r - p_wf", drawdown_pa, "kPa");
    out->value = given[0].value * drawdown_pa;
}

FORMULA_FUNCTION(linear_pressure)
{
    const double drawdown_pa = given[2].value / given[0].value;
    formula_step(steps, "q / J", drawdown_pa, "kPa");
    out->value = given[1].value - drawdown_pa;
    if (out->value < 0.0)
        formula_none(out, REASON_DOMAIN, 2);
}

FORMULA_FUNCTION(vogel_most)
{
    const double x = given[2].value / given[1].value;
    if (!(x < 1.0)) {
        formula_none(out, REASON_DOMAIN, 2);
        return;
    }
    formula_step(steps, "x = p_wf / p_r", x, "");
    formula_step(steps, "1 - 0.2 x - 0.8 x^2", vogel(x), "");
    out->value = given[0].value / vogel(x);
}

FORMULA_FUNCTION(vogel_rate)
{
    const double x = given[3].value / given[1].value;
    vogel_most(given, steps, out);
    if (out->reason != REASON_NONE)
        return;
    if (x > 1.0) {
        formula_none(out, REASON_DOMAIN, 3);
        return;
    }
    formula_step(steps, "q_max", out->value, "m3/d");
    formula_step(steps, "x = p_wf / p_r", x, "");
    out->value *= vogel(x);
}

FORMULA_FUNCTION(vogel_most_of_index)
{
    (void)steps;
    out->value = given[0].value * given[1].value / 1.8;
}

FORMULA_FUNCTION(vogel_ratio)
{
    (void)steps;
    out->value = (sqrt(81.0 - 80.0 * given[0].value) - 1.0) / 8.0;
}

FORMULA_FUNCTION(composite_bubble_rate)
{
    (void)steps;
    out->value = given[0].value * (given[1].value - given[2].value);
    if (out->value < 0.0)
        formula_none(out, REASON_DOMAIN, 2);
}

/** Above the bubble point a straight line, below it Vogel's curve, of one slope where they meet. */
FORMULA_SHARED(inflow_composite_rate)
{
    const double j = given[0].value, p_r = given[1].value, p_wf = given[3].value;
    const double p_b = given[2].value < p_r ? given[2].value : p_r;
    if (p_wf > p_r) {
        formula_none(out, REASON_DOMAIN, 3);
        return;
    }
    if (p_wf >= p_b) {
        out->value = j * (p_r - p_wf);
        return;
    }
    formula_step(steps, "q_b = J (p_r - p_b)", j * (p_r - p_b), "m3/d");
    formula_step(steps, "x = p_wf / p_b", p_wf / p_b, "");
    out->value = j * (p_r - p_b) + j * p_b / 1.8 * vogel(p_wf / p_b);
}

FORMULA_FUNCTION(composite_index)
{
    const double p_r = given[1].value, p_wf = given[3].value;
    const double p_b = given[2].value < p_r ? given[2].value : p_r;
    const double drive_pa = p_wf >= p_b ? p_r - p_wf : p_r - p_b + p_b / 1.8 * vogel(p_wf / p_b);
    if (!(drive_pa > 0.0)) {
        formula_none(out, REASON_DOMAIN, 3);
        return;
    }
    formula_step(steps, "(p_r - p_b) + (p_b / 1.8)(1 - 0.2 x - 0.8 x^2)", drive_pa, "kPa");
    out->value = given[0].value / drive_pa;
}

static double squares(double p_r, double p)
{
    return (p_r - p) * (p_r + p);
}

static void judge_exponent(struct formula_result *out)
{
    if (out->value < 0.5 || out->value > 1.0)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_FUNCTION(fetkovich_exponent)
{
    const double first = squares(given[0].value, given[2].value),
                 second = squares(given[0].value, given[4].value);
    if (!(first > 0.0) || !(second > 0.0) || first == second) {
        formula_none(out, REASON_DOMAIN, first > 0.0 ? 4 : 2);
        return;
    }
    out->value = log(given[1].value / given[3].value) / log(first / second);
    (void)steps;
    judge_exponent(out);
}

/** In stb/d and psi: the unit of C depends on n. */
FORMULA_FUNCTION(fetkovich_constant)
{
    const double squared = squares(given[0].value, given[2].value) / (PSI_IN_PA * PSI_IN_PA);
    if (!(squared > 0.0)) {
        formula_none(out, REASON_DOMAIN, 2);
        return;
    }
    (void)steps;
    out->value = given[1].value / STB_D / pow(squared, given[3].value);
}

FORMULA_FUNCTION(fetkovich_rate)
{
    const double squared = squares(given[0].value, given[3].value) / (PSI_IN_PA * PSI_IN_PA);
    if (squared < 0.0) {
        formula_none(out, REASON_DOMAIN, 3);
        return;
    }
    formula_step(steps, "p_r^2 - p_wf^2", squared * PSI_IN_PA * PSI_IN_PA, "psi^2");
    out->value = given[1].value * pow(squared, given[2].value) * STB_D;
    if (given[2].value < 0.5 || given[2].value > 1.0)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

/** Fetkovich's line through tests, on logarithms: y = ln q over x = ln(p_r^2 - p^2). Which inputs
 * are p_r, q and p is the row's business. */
static bool line_of_tests(const struct formula_given *given, unsigned reservoir, unsigned rate,
                          unsigned pressure, struct running_line *line, struct formula_result *out)
{
    *line = (struct running_line){0};
    for (size_t i = 0; i < given[rate].n; i++) {
        const double squared = squares(given[reservoir].value, given[pressure].list[i]);
        if (!(squared > 0.0) || !(given[rate].list[i] > 0.0)) {
            formula_none(out, REASON_DOMAIN, squared > 0.0 ? rate : pressure);
            return false;
        }
        running_line_add(line, log(squared), log(given[rate].list[i]));
    }
    return true;
}

FORMULA_FUNCTION(fetkovich_fit)
{
    struct running_line line;
    const size_t n = given[1].n;
    (void)steps;
    if (n != given[2].n || n < 2) {
        formula_none(out, n < 2 ? REASON_TOO_FEW : REASON_DOMAIN, 2);
        return;
    }
    if (!line_of_tests(given, 0, 1, 2, &line, out))
        return;
    out->value = line.sxy / line.sxx;
    judge_exponent(out);
}

/** The line's exponent: as it was given, else of the line. False: none, or one of no well. */
static bool exponent_of_tests(const struct formula_given *given, struct running_line *line,
                              double *exponent, struct formula_result *out)
{
    const size_t n = given[0].n, needs = given[3].present ? 1 : 2;
    if (n < needs || given[1].n != n) {
        formula_none(out, n < needs ? REASON_TOO_FEW : REASON_DOMAIN, 0);
        return false;
    }
    if (!line_of_tests(given, 2, 0, 1, line, out))
        return false;
    *exponent = given[3].present ? given[3].value : line->sxy / line->sxx;
    if (isfinite(*exponent) && *exponent > 0.0)
        return true;
    formula_none(out, REASON_DOMAIN, 0); /* tests of one pressure, or rates that fall as it falls */
    return false;
}

FORMULA_SHARED(inflow_fetkovich_of_tests)
{
    struct running_line line;
    double n;
    if (!exponent_of_tests(given, &line, &n, out))
        return;
    const double squared = squares(given[2].value, given[4].value);
    if (squared < 0.0) {
        formula_none(out, REASON_DOMAIN, 4);
        return;
    }
    double lowest_pa = given[1].list[0];
    for (size_t i = 1; i < given[1].n; i++)
        lowest_pa = fmin(lowest_pa, given[1].list[i]);
    formula_step(steps, "n", n, "");
    formula_step(steps, "p_r^2 - p_wf^2", squared, "psi^2");
    out->value = squared > 0.0 ? exp(line.mean_y + n * (log(squared) - line.mean_x)) : 0.0;
    if (n < 0.5 || n > 1.0)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
    if (given[4].value < lowest_pa)
        out->flags |= FLAG_EXTRAPOLATED;
}

FORMULA_FUNCTION(index_of_rock)
{
    const double shape = log(0.472 * given[4].value / given[5].value) + given[6].value;
    if (!(shape > 0.0)) {
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
        return;
    }
    formula_step(steps, "ln(0.472 r_e / r_w) + s", shape, "");
    out->value = TURN * given[0].value * given[1].value / (given[3].value * given[2].value * shape);
}

/** Field texts write ln(r_e/r_w) - 0.75 for ln(0.472 r_e/r_w), and 141.2 for the units. */
FORMULA_FUNCTION(index_of_rock_field)
{
    const double md = given[0].value / 9.869233e-16, ft = given[1].value / FOOT_IN_M;
    const double shape = log(given[4].value / given[5].value) - 0.75 + given[6].value;
    if (!(shape > 0.0)) {
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
        return;
    }
    formula_step(steps, "ln(r_e / r_w) - 0.75 + s", shape, "");
    out->value =
        md * ft / (141.2 * given[2].value * given[3].value / 1e-3 * shape) * STB_D / PSI_IN_PA;
}

/* clang-format off */
#define STATIC CONFIGURED("p_r", "Pa", "static reservoir pressure", BOUND_POSITIVE)
#define FLOWING INPUT("p_wf", "Pa", "flowing pressure at the datum", .bound = BOUND_NOT_NEGATIVE)
#define INDEX CONFIGURED("J", "stb/(d psi)", "productivity index", BOUND_POSITIVE)
#define RATE INPUT("q", "m3/d", "rate", .bound = BOUND_NOT_NEGATIVE)
#define BUBBLE CONFIGURED("p_b", "Pa", "bubble point", BOUND_POSITIVE)
static const struct formula_input DRAWDOWN[] = {STATIC, FLOWING};
static const struct formula_input OF_TEST[] = {RATE, STATIC, FLOWING};
static const struct formula_input OPEN[] = {INDEX, STATIC};
static const struct formula_input LINEAR[] = {INDEX, STATIC, FLOWING};
static const struct formula_input PRESSURE[] = {INDEX, STATIC, RATE};
static const struct formula_input VOGEL[] = {CONFIGURED("q_test", "m3/d", "rate of the test", BOUND_NOT_NEGATIVE), STATIC,
    CONFIGURED("p_wf_test", "Pa", "flowing pressure of the test", BOUND_NOT_NEGATIVE), FLOWING};
static const struct formula_input RATIO[] = {INPUT("q_ratio", "", "q / q_max", .bound = BOUND_RATIO)};
static const struct formula_input BUBBLE_RATE[] = {INDEX, STATIC, BUBBLE};
static const struct formula_input COMPOSITE[] = {INDEX, STATIC, BUBBLE, FLOWING};
static const struct formula_input COMPOSITE_TEST[] = {RATE, STATIC, BUBBLE, FLOWING};
static const struct formula_input TWO_TESTS[] = {STATIC, INPUT("q1", "m3/d", "rate of the first test", .bound = BOUND_POSITIVE), INPUT("p1", "Pa", "its flowing pressure"),
    INPUT("q2", "m3/d", "rate of the second test", .bound = BOUND_POSITIVE), INPUT("p2", "Pa", "its flowing pressure")};
static const struct formula_input CONSTANT[] = {STATIC, RATE, FLOWING, CONFIGURED("n", "", "exponent", BOUND_POSITIVE)};
static const struct formula_input FETKOVICH[] = {STATIC, CONFIGURED("C", "stb/(d psi^2n)", "coefficient, stb/d and psi", BOUND_POSITIVE),
    CONFIGURED("n", "", "exponent", BOUND_POSITIVE), FLOWING};
static const struct formula_input FIT[] = {STATIC, INPUT("q", "m3/d", "rates", .list = true), INPUT("p_wf", "Pa", "flowing pressures", .list = true),
    INPUT("method", "", "of the fit", .take = TAKE_REMARK, .optional = true)};
static const struct formula_input TESTS[] = {INPUT("q_test", "m3/d", "rates of the tests", .take = TAKE_CONFIGURED, .list = true),
    INPUT("p_test", "Pa", "their flowing pressures", .take = TAKE_CONFIGURED, .list = true), STATIC, INPUT("n", "", "exponent; fitted where it isn't given", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .optional = true),
    FLOWING};
static const struct formula_input ROCK[] = {CONFIGURED("k", "mD", "permeability", BOUND_POSITIVE), CONFIGURED("h", "m", "thickness", BOUND_POSITIVE),
    CONFIGURED("B", "", "formation volume factor", BOUND_POSITIVE), CONFIGURED("mu", "Pa s", "viscosity", BOUND_POSITIVE),
    CONFIGURED("r_e", "m", "drainage radius", BOUND_POSITIVE), CONFIGURED("r_w", "m", "well radius", BOUND_POSITIVE), CONFIGURED("s", "", "skin", BOUND_NONE)};

#define VOGEL_VALIDITY "solution-gas drive below the bubble point, no damage, oil; ratios belong to absolute pressures"
#define VOGEL_SOURCE "Vogel 1968 (SPE 1476), from memory"
#define FETKOVICH_SOURCE "Fetkovich 1973 (SPE 4529), from memory"
static const struct formula ROWS[] = {
    FORMULA("ipr.drawdown", "Drawdown", "p_r - p_wf", "kPa", "", "definition", DRAWDOWN, drawdown),
    FORMULA("ipr.J", "Productivity index", "J = q / (p_r - p_wf)", "m3/(d MPa)", "above the bubble point, stabilised", "definition", OF_TEST, index_of),
    FORMULA("ipr.aof_linear", "Rate at no pressure, straight line", "J p_r", "m3/d", "above the bubble point only", "definition", OPEN, formula_product),
    FORMULA("ipr.q_linear", "Rate, straight line", "q = J (p_r - p_wf)", "m3/d", "above the bubble point", "definition", LINEAR, linear_rate),
    FORMULA("ipr.p_wf_linear", "Flowing pressure, straight line", "p_wf = p_r - q / J", "kPa", "above the bubble point", "definition", PRESSURE, linear_pressure),
    FORMULA("ipr.vogel_qmax", "Vogel's rate at no pressure", "q_max = q / (1 - 0.2 x - 0.8 x^2), x = p_wf / p_r", "m3/d", VOGEL_VALIDITY, VOGEL_SOURCE, OF_TEST, vogel_most),
    FORMULA("ipr.vogel_q", "Vogel's rate", "q = q_max (1 - 0.2 x - 0.8 x^2), x = p_wf / p_r", "m3/d", VOGEL_VALIDITY, VOGEL_SOURCE, VOGEL, vogel_rate),
    FORMULA("ipr.vogel_qmax_from_J", "Vogel's rate at no pressure from the productivity index", "J p_r / 1.8", "m3/d", VOGEL_VALIDITY, VOGEL_SOURCE, OPEN, vogel_most_of_index),
    FORMULA("ipr.vogel_x", "Vogel's pressure ratio", "x = [sqrt(81 - 80 q / q_max) - 1] / 8", "", VOGEL_VALIDITY, VOGEL_SOURCE, RATIO, vogel_ratio),
    FORMULA("ipr.composite_qb", "Rate at the bubble point", "q_b = J (p_r - p_b)", "m3/d", "", "definition", BUBBLE_RATE, composite_bubble_rate),
    FORMULA("ipr.composite_q", "Rate, straight line and Vogel", "q_b + (J p_b / 1.8)(1 - 0.2 x - 0.8 x^2), x = p_wf / p_b, below p_b", "m3/d", VOGEL_VALIDITY,
            "composite of Vogel 1968 (from memory)", COMPOSITE, inflow_composite_rate),
    FORMULA("ipr.composite_J", "Productivity index from a test below the bubble point", "J = q / [(p_r - p_b) + (p_b / 1.8)(1 - 0.2 x - 0.8 x^2)]", "m3/(d MPa)",
            VOGEL_VALIDITY, "composite of Vogel 1968 (from memory)", COMPOSITE_TEST, composite_index),
    FORMULA("ipr.fetkovich_n", "Fetkovich's exponent from two tests", "n = ln(q1 / q2) / ln[(p_r^2 - p1^2) / (p_r^2 - p2^2)]", "", "n from 0.5 to 1", FETKOVICH_SOURCE, TWO_TESTS, fetkovich_exponent),
    FORMULA("ipr.fetkovich_n_fit", "Fetkovich's exponent from several tests", "slope of log q over log(p_r^2 - p_wf^2)", "", "n from 0.5 to 1", FETKOVICH_SOURCE, FIT, fetkovich_fit),
    FORMULA("ipr.fetkovich_C", "Fetkovich's coefficient", "C = q / (p_r^2 - p_wf^2)^n", "stb/(d psi^2n)", "", FETKOVICH_SOURCE, CONSTANT, fetkovich_constant),
    FORMULA("ipr.fetkovich_q", "Fetkovich's rate", "q = C (p_r^2 - p_wf^2)^n", "m3/d", "n from 0.5 to 1", FETKOVICH_SOURCE, FETKOVICH, fetkovich_rate),
    FORMULA("ipr.fetkovich_q", "Fetkovich's rate, by tests of the well", "q = C (p_r^2 - p_wf^2)^n; C and n by least squares of log q_test over log(p_r^2 - p_test^2)", "m3/d",
            "n from 0.5 to 1; not below the lowest pressure tested", FETKOVICH_SOURCE, TESTS, inflow_fetkovich_of_tests),
    FORMULA("ipr.J_darcy_pss", "Productivity index from rock and fluid, field form", "k h / [141.2 mu B (ln(r_e / r_w) - 0.75 + s)]", "m3/(d MPa)", "pseudo-steady radial flow, constants as texts print them",
            "Darcy; Guo, Lyons, Ghalambor, Petroleum Production Engineering, ch. 3 (from memory)", ROCK, index_of_rock_field),
    FORMULA("ipr.J_darcy_pss_SI", "Productivity index from rock and fluid", "2 pi k h / [mu B (ln(0.472 r_e / r_w) + s)]", "m3/(d MPa)", "pseudo-steady radial flow",
            "Darcy", ROCK, index_of_rock),
};
/* clang-format on */

const struct formula_group FORMULA_INFLOW = FORMULA_ROWS(ROWS);
