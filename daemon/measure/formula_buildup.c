/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_buildup.c - a shut-in well: Horner's straight line, permeability, skin.
 *
 * A fit over the wrong points is the main error: early ones carry wellbore storage, late ones
 * boundaries. The window belongs to the person; these functions only draw the line.
 */
#include "formula_groups.h"

#include <math.h>

#define LN_10 2.302585092994045684
#define FOUR_PI 12.566370614359172954
#define EULER 0.5772156649
#define DARCY_MD 9.869233e-16 /* m2, of 1 cP, 1 atm/cm and 1 cm/s */
#define STB_D (BARREL_IN_M3 / DAY_IN_S)
#define HOUR_S 3600.0
#define POINTS_LEAST 5
#define CYCLE_LEAST 0.5 /* of the Horner ratio, in powers of ten */

struct line {
    double slope, star; /* p_ws = star - slope log10 R_H */
};

static bool fit(const struct formula_given *given, struct line *line, struct formula_result *out)
{
    struct running_line sums = {0};
    double least = INFINITY, most = -INFINITY;
    const size_t n = given[1].n;
    if (n != given[2].n) {
        formula_none(out, REASON_DOMAIN, 2);
        return false;
    }
    for (size_t i = 0; i < n; i++) {
        if (!(given[1].list[i] > 0.0) || !isfinite(given[2].list[i])) {
            formula_none(out, REASON_DOMAIN, given[1].list[i] > 0.0 ? 2 : 1);
            return false;
        }
        const double x = log10((given[0].value + given[1].list[i]) / given[1].list[i]);
        running_line_add(&sums, x, given[2].list[i]);
        least = fmin(least, x);
        most = fmax(most, x);
    }
    if (n < POINTS_LEAST || most - least < CYCLE_LEAST) {
        formula_none(out, REASON_TOO_FEW, 1);
        return false;
    }
    line->slope = -sums.sxy / sums.sxx;
    line->star = sums.mean_y + line->slope * sums.mean_x;
    return true;
}

FORMULA_FUNCTION(horner_ratio)
{
    (void)steps;
    out->value = (given[0].value + given[1].value) / given[1].value;
}

FORMULA_FUNCTION(producing_time)
{
    (void)steps;
    out->value = given[0].value / given[1].value;
}

/** Each change of rate acts from its own time on. One rate gives log10 of Horner's ratio. */
FORMULA_FUNCTION(superposition)
{
    const size_t n = given[0].n;
    if (n == 0 || n != given[1].n || !(given[0].list[n - 1] > 0.0)) {
        formula_none(out, REASON_DOMAIN, n != given[1].n ? 1 : 0);
        return;
    }
    const double shut = given[1].list[n - 1], last = given[0].list[n - 1];
    double sum = 0.0, began = 0.0, volume = 0.0;
    for (size_t i = 0; i < n; i++) {
        const double rate = given[0].list[i], ended = given[1].list[i];
        if (!(rate >= 0.0) || !(ended > began)) {
            formula_none(out, REASON_DOMAIN, rate >= 0.0 ? 1 : 0);
            return;
        }
        const double since_end = shut - ended + given[2].value;
        sum += rate / last * log10((shut - began + given[2].value) / since_end);
        volume += rate * (ended - began);
        began = ended;
    }
    formula_step(steps, "t_p of one rate, N_p / q_N", volume / last, "h");
    formula_step(steps, "10^X, to be read as R_H", pow(10.0, sum), "");
    out->value = sum;
}

FORMULA_FUNCTION(equivalent_time)
{
    (void)steps;
    out->value = given[0].value * given[1].value / (given[0].value + given[1].value);
}

FORMULA_FUNCTION(slope)
{
    struct line line;
    if (!fit(given, &line, out))
        return;
    formula_step(steps, "p*", line.star, "kPa");
    out->value = line.slope;
}

FORMULA_FUNCTION(star)
{
    struct line line;
    if (!fit(given, &line, out))
        return;
    formula_step(steps, "m", line.slope, "kPa/cycle");
    out->value = line.star;
}

FORMULA_FUNCTION(at_one_hour)
{
    struct line line;
    if (!fit(given, &line, out))
        return;
    const double ratio = (given[0].value + HOUR_S) / HOUR_S;
    formula_step(steps, "m", line.slope, "kPa/cycle");
    formula_step(steps, "p*", line.star, "kPa");
    formula_step(steps, "(t_p + 1 h) / 1 h", ratio, "");
    out->value = line.star - line.slope * log10(ratio);
}

/** ln(10) / (4 pi) in the units of oil fields. */
static double field_constant(void)
{
    return LN_10 / FOUR_PI * STB_D * 1e-3 / (PSI_IN_PA * DARCY_MD * FOOT_IN_M);
}

FORMULA_FUNCTION(permeability_field)
{
    const double constant = formula_or(&given[5], field_constant());
    formula_step(steps, "constant", constant, "");
    out->value = constant * (given[0].value / STB_D) * given[1].value * (given[2].value / 1e-3) /
                 ((given[3].value / PSI_IN_PA) * (given[4].value / FOOT_IN_M)) * DARCY_MD;
}

FORMULA_FUNCTION(permeability)
{
    (void)steps;
    out->value = LN_10 / FOUR_PI * given[0].value * given[1].value * given[2].value /
                 (given[3].value * given[4].value);
}

FORMULA_FUNCTION(constant_of_slope)
{
    (void)given;
    (void)steps;
    out->value = field_constant();
}

/** -log10(4 e^-gamma t_1 k / (phi mu c_t r_w^2)) in mD, cP, 1/psi, ft, without the variables. */
FORMULA_FUNCTION(constant_of_skin)
{
    const double units = DARCY_MD * PSI_IN_PA / (1e-3 * FOOT_IN_M * FOOT_IN_M);
    (void)steps;
    out->value = -log10(4.0 * exp(-EULER) * formula_or(&given[0], HOUR_S) * units);
}

FORMULA_FUNCTION(skin)
{
    const double k = given[3].value / DARCY_MD, mu = given[5].value / 1e-3,
                 c_t = given[6].value * PSI_IN_PA, r_w = given[7].value / FOOT_IN_M;
    const double group = log10(k / (given[4].value * mu * c_t * r_w * r_w));
    const double first = (given[0].value - given[1].value) / given[2].value;
    double last = 0.0;
    if (given[9].value == 1.0) {
        if (!given[8].present || !(given[8].value > 0.0)) {
            formula_none(out, REASON_CONFIG_MISSING, 8);
            return;
        }
        last = log10((given[8].value + HOUR_S) / given[8].value);
    }
    formula_step(steps, "(p_1h - p_wf) / m", first, "");
    formula_step(steps, "log10(k / (phi mu c_t r_w^2))", group, "");
    formula_step(steps, "log10((t_p + 1 h) / t_p)", last, "");
    out->value = 1.1513 * (first - group + 3.2275 + last);
}

FORMULA_FUNCTION(skin_pressure)
{
    (void)steps;
    out->value = given[0].value * given[1].value / 1.1513;
}

FORMULA_FUNCTION(flow_efficiency)
{
    const double drawdown = given[0].value - given[1].value;
    const double skin_pa = given[2].value * given[3].value / 1.1513;
    if (!(drawdown > 0.0)) {
        formula_none(out, REASON_DOMAIN, 1);
        return;
    }
    formula_step(steps, "Dp_s = m s / 1.1513", skin_pa, "kPa");
    out->value = (drawdown - skin_pa) / drawdown;
}

FORMULA_FUNCTION(radius)
{
    const double k = given[0].value / DARCY_MD, t = given[1].value / HOUR_S,
                 mu = given[3].value / 1e-3, c_t = given[4].value * PSI_IN_PA;
    (void)steps;
    out->value = 0.0325 * sqrt(k * t / (given[2].value * mu * c_t)) * FOOT_IN_M;
}

/* clang-format off */
#define PRODUCING CONFIGURED("t_p", "h", "producing time before shut-in", BOUND_POSITIVE)
#define PERMEABILITY CONFIGURED("k", "mD", "permeability", BOUND_POSITIVE)
#define POROSITY CONFIGURED("phi", "", "porosity", BOUND_POSITIVE)
#define VISCOSITY CONFIGURED("mu", "cP", "viscosity", BOUND_POSITIVE)
#define COMPRESSIBILITY CONFIGURED("c_t", "1/psi", "total compressibility", BOUND_POSITIVE)
#define SLOPE INPUT("m", "psi/cycle", "slope of Horner's line", .bound = BOUND_POSITIVE)
static const struct formula_input RATIO[] = {PRODUCING, INPUT("Dt", "h", "time since shut-in", .bound = BOUND_POSITIVE)};
static const struct formula_input TIME[] = {CONFIGURED("N_p", "stb", "volume produced", BOUND_POSITIVE), CONFIGURED("q", "stb/d", "last rate", BOUND_POSITIVE)};
static const struct formula_input HISTORY[] = {INPUT("q", "stb/d", "rates, one after the other; the last one until shut-in", .take = TAKE_CONFIGURED, .list = true),
    INPUT("t", "h", "time at which each rate ended, from the start of the first; the last is the shut-in", .take = TAKE_CONFIGURED, .list = true), INPUT("Dt", "h", "time since shut-in", .bound = BOUND_POSITIVE)};
static const struct formula_input LINE[] = {PRODUCING, INPUT("Dt", "h", "times since shut-in, of the window", .list = true),
    INPUT("p_ws", "Pa", "shut-in pressures", .list = true), INPUT("method", "", "of the fit", .take = TAKE_REMARK, .optional = true)};
static const struct formula_input FIELD[] = {CONFIGURED("q", "stb/d", "rate before shut-in", BOUND_POSITIVE), CONFIGURED("B", "", "formation volume factor", BOUND_POSITIVE), VISCOSITY,
    SLOPE, CONFIGURED("h", "ft", "thickness", BOUND_POSITIVE), INPUT("constant", "", "162.6 in texts; exact where it is not given", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .optional = true)};
static const struct formula_input SI_FORM[] = {CONFIGURED("q", "m3/s", "rate before shut-in", BOUND_POSITIVE), CONFIGURED("B", "", "formation volume factor", BOUND_POSITIVE), VISCOSITY,
    INPUT("m", "Pa/cycle", "slope of Horner's line", .bound = BOUND_POSITIVE), CONFIGURED("h", "m", "thickness", BOUND_POSITIVE),
    INPUT("mD", "m2", "the size of a millidarcy, for the reader", .take = TAKE_REMARK, .optional = true)};
static const struct formula_input OF_SLOPE[] = {INPUT("expr", "", "what the constant is", .take = TAKE_OPTION, .choices = "ln10/(4 pi)"),
    INPUT("units", "", "the units that make it", .take = TAKE_OPTION, .choices = "stb/d,cP,psi,mD,ft")};
static const struct formula_input OF_SKIN[] = {INPUT("t_1", "s", "the hour at which p_1h is read", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .optional = true),
    INPUT("expr", "", "what the constant is", .take = TAKE_OPTION, .choices = "-log10(4 exp(-0.5772156649) t_1)"),
    INPUT("units", "", "the units that make it", .take = TAKE_OPTION, .choices = "mD,cP,1/psi,ft")};
static const struct formula_input SKIN[] = {INPUT("p_1h", "Pa", "pressure on the line after 1 h"), INPUT("p_wf", "Pa", "flowing pressure at shut-in"), SLOPE,
    PERMEABILITY, POROSITY, VISCOSITY, COMPRESSIBILITY, CONFIGURED("r_w", "ft", "well radius", BOUND_POSITIVE),
    INPUT("t_p", "h", "producing time, for the last term", .take = TAKE_CONFIGURED, .optional = true),
    INPUT("form", "", "with or without the term of t_p", .take = TAKE_OPTION, .choices = "without t_p term, 1.1513 and 3.2275|with t_p term, 1.1513 and 3.2275")};
static const struct formula_input SKIN_PRESSURE[] = {SLOPE, INPUT("s", "", "skin")};
static const struct formula_input EFFICIENCY[] = {INPUT("p_star", "Pa", "extrapolated pressure"), INPUT("p_wf", "Pa", "flowing pressure at shut-in"), SLOPE, INPUT("s", "", "skin")};
static const struct formula_input RADIUS[] = {PERMEABILITY, INPUT("t", "h", "time since shut-in", .bound = BOUND_POSITIVE), POROSITY, VISCOSITY, COMPRESSIBILITY};

#define RADIAL "infinite-acting radial flow, constant rate before shut-in; five points and half a power of ten at least"
#define HORNER "Horner 1951 (from memory)"
static const struct formula ROWS[] = {
    FORMULA("buildup.horner_ratio", "Horner ratio", "R_H = (t_p + Dt) / Dt", "", "", HORNER, RATIO, horner_ratio),
    FORMULA("buildup.superposition", "Superposition time of a history of rates", "X = sum (q_j / q_N) log10[(t_N - t_(j-1) + Dt) / (t_N - t_j + Dt)]; p_ws = p* - m X", "", RADIAL, "principle of superposition in time of the line source's logarithm (from memory)", HISTORY, superposition),
    FORMULA("buildup.equivalent_time", "Equivalent drawdown time", "Dt_e = t_p Dt / (t_p + Dt)", "h", RADIAL, "Agarwal 1980 (from memory)", RATIO, equivalent_time),
    FORMULA("buildup.t_p", "Producing time", "t_p = N_p / q", "h", "", "definition", TIME, producing_time),
    FORMULA("buildup.m_fit", "Slope of Horner's line", "p_ws = p* - m log10 R_H, least squares", "psi/cycle", RADIAL, HORNER, LINE, slope),
    FORMULA("buildup.p_star_fit", "Extrapolated pressure", "p* at R_H = 1, least squares", "psi", RADIAL, HORNER, LINE, star),
    FORMULA("buildup.p1h_from_line", "Pressure on the line after 1 h", "p_1h = p* - m log10(t_p + 1)", "psi", RADIAL, HORNER, LINE, at_one_hour),
    FORMULA("buildup.k_field", "Permeability from the slope, field form", "k = constant q B mu / (m h)", "mD", RADIAL, "Horner 1951; Lee, Well Testing (from memory)", FIELD, permeability_field),
    FORMULA("buildup.k_si", "Permeability from the slope", "k = (ln 10 / 4 pi) q B mu / (m h)", "mD", RADIAL, HORNER, SI_FORM, permeability),
    FORMULA("buildup.field_constant", "Constant of the slope in field units", "ln 10 / (4 pi)", "", "", "definitions; texts print 162.6 (from memory)", OF_SLOPE, constant_of_slope),
    FORMULA("buildup.skin_constant", "Constant of the skin in field units", "-log10(4 exp(-gamma) t_1)", "", "", "definitions; texts print 3.2275 (from memory)", OF_SKIN, constant_of_skin),
    FORMULA("buildup.skin_field", "Skin, field form", "1.1513 [(p_1h - p_wf)/m - log10(k / (phi mu c_t r_w^2)) + 3.2275]", "", RADIAL, "Lee, Well Testing (from memory)", SKIN, skin),
    FORMULA("buildup.dp_skin", "Pressure drop of the skin", "m s / 1.1513", "psi", "", "Lee, Well Testing (from memory)", SKIN_PRESSURE, skin_pressure),
    FORMULA("buildup.flow_efficiency", "Flow efficiency", "(p* - p_wf - Dp_s) / (p* - p_wf)", "", "", "Lee, Well Testing (from memory)", EFFICIENCY, flow_efficiency),
    FORMULA("buildup.radius_field", "Radius of investigation, field form", "0.0325 sqrt(k t / (phi mu c_t))", "ft", RADIAL, "Lee, Well Testing (from memory)", RADIUS, radius),
};
/* clang-format on */

const struct formula_group FORMULA_BUILDUP = FORMULA_ROWS(ROWS);
