/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_pvt.c - oil and its gas: bubble point, solution gas, volume factor by named correlations.
 *
 * The correlations are in field units by origin (psia, degF, scf/stb) and are converted at their
 * edge. A measured bubble point always wins over a correlation; typical error 5 to 15 %.
 */
#include "formula_groups.h"

#include <math.h>

#define SCF_STB (FOOT_IN_M * FOOT_IN_M * FOOT_IN_M / BARREL_IN_M3)

static double fahrenheit(const struct formula_given *given)
{
    return (given->value - ICE_POINT_K) * 1.8 + 32.0;
}

static bool between(double value, double low, double high)
{
    return value >= low && value <= high;
}

/** Ranges as recalled of Standing's data: psia, degF, scf/stb, API, gas gravity. */
static void judge_standing(double p, double t, double r, double api, double gravity,
                           struct formula_result *out)
{
    if (!between(p, 130.0, 7000.0) || !between(t, 100.0, 258.0) || !between(r, 20.0, 1425.0) ||
        !between(api, 16.5, 63.8) || !between(gravity, 0.59, 0.95))
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

static double standing_bubble(double r, double gravity, double api, double t)
{
    return 18.2 * (pow(r / gravity, 0.83) * pow(10.0, 0.00091 * t - 0.0125 * api) - 1.4);
}

static double standing_solution(double p, double gravity, double api, double t)
{
    return gravity * pow((p / 18.2 + 1.4) * pow(10.0, 0.0125 * api - 0.00091 * t), 1.0 / 0.83);
}

FORMULA_FUNCTION(pb_standing)
{
    const double r = given[0].value / SCF_STB, t = fahrenheit(&given[3]);
    const double p = standing_bubble(r, given[1].value, given[2].value, t);
    formula_step(steps, "(R_s / gamma_g)^0.83", pow(r / given[1].value, 0.83), "");
    judge_standing(p, t, r, given[2].value, given[1].value, out);
    if (p > 0.0)
        out->value = p * PSI_IN_PA;
    else
        formula_none(out, REASON_DOMAIN, 0);
}

FORMULA_SHARED(pvt_rs_standing)
{
    const double p = given[0].value / PSI_IN_PA, t = fahrenheit(&given[3]);
    const double r = standing_solution(p, given[1].value, given[2].value, t);
    (void)steps;
    judge_standing(p, t, r, given[2].value, given[1].value, out);
    out->value = r * SCF_STB;
}

FORMULA_SHARED(pvt_bo_standing)
{
    const double r = given[0].value / SCF_STB, t = fahrenheit(&given[3]);
    const double gamma_o = 141.5 / (131.5 + given[2].value);
    const double f = r * sqrt(given[1].value / gamma_o) + 1.25 * t;
    formula_step(steps, "gamma_o", gamma_o, "");
    formula_step(steps, "R_s (gamma_g / gamma_o)^0.5 + 1.25 T", f, "");
    out->value = 0.9759 + 0.000120 * pow(f, 1.2);
    if (!(f >= 0.0))
        formula_none(out, REASON_DOMAIN, 3);
}

static double separator_gravity(double gravity, double api, double t_sep, double p_sep)
{
    return gravity * (1.0 + 5.912e-5 * api * t_sep * log10(p_sep / 114.7));
}

FORMULA_FUNCTION(gravity_at_separator)
{
    (void)steps;
    out->value = separator_gravity(given[0].value, given[1].value, fahrenheit(&given[2]),
                                   given[3].value / PSI_IN_PA);
}

struct vb {
    double c1, c2, c3;
};

static double vb_bubble(double r, double gravity, double api, double t)
{
    static const struct vb HEAVY = {27.624, 0.914328, 11.172}, LIGHT = {56.18, 0.84246, 10.393};
    const struct vb *c = api <= 30.0 ? &HEAVY : &LIGHT;
    return pow(c->c1 * r / gravity * pow(10.0, -c->c3 * api / (t + 460.0)), c->c2);
}

static double vb_solution(double p, double gravity, double api, double t)
{
    static const struct vb HEAVY = {0.0362, 1.0937, 25.7240}, LIGHT = {0.0178, 1.1870, 23.9310};
    const struct vb *c = api <= 30.0 ? &HEAVY : &LIGHT;
    return c->c1 * gravity * pow(p, c->c2) * exp(c->c3 * api / (t + 460.0));
}

static void judge_vb(double p, double t, double r, double api, double gravity,
                     struct formula_result *out)
{
    if (!between(p, 50.0, 5250.0) || !between(t, 70.0, 295.0) || !between(r, 20.0, 2070.0) ||
        !between(api, 16.0, 58.0) || !between(gravity, 0.56, 1.18))
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_FUNCTION(pb_vb)
{
    const double r = given[0].value / SCF_STB, api = given[2].value, t = fahrenheit(&given[3]);
    const double gravity =
        separator_gravity(given[1].value, api, fahrenheit(&given[4]), given[5].value / PSI_IN_PA);
    formula_step(steps, "gamma_gs", gravity, "");
    out->value = vb_bubble(r, gravity, api, t) * PSI_IN_PA;
    judge_vb(out->value / PSI_IN_PA, t, r, api, gravity, out);
}

FORMULA_FUNCTION(pb_vb_of_separator)
{
    const double r = given[0].value / SCF_STB, t = fahrenheit(&given[3]);
    (void)steps;
    out->value = vb_bubble(r, given[1].value, given[2].value, t) * PSI_IN_PA;
    judge_vb(out->value / PSI_IN_PA, t, r, given[2].value, given[1].value, out);
}

FORMULA_FUNCTION(rs_vb)
{
    const double p = given[0].value / PSI_IN_PA, t = fahrenheit(&given[3]);
    const double r = vb_solution(p, given[1].value, given[2].value, t);
    (void)steps;
    out->value = r * SCF_STB;
    judge_vb(p, t, r, given[2].value, given[1].value, out);
}

/* clang-format off */
#define SOLUTION CONFIGURED("R_s", "scf/stb", "solution gas-oil ratio", BOUND_NOT_NEGATIVE)
#define GRAVITY CONFIGURED("gamma_g", "", "gas gravity, air = 1", BOUND_POSITIVE)
#define GRAVITY_SEPARATOR CONFIGURED("gamma_gs", "", "gas gravity at 114.7 psia", BOUND_POSITIVE)
#define API CONFIGURED("API", "degAPI", "oil gravity", BOUND_POSITIVE)
#define TEMPERATURE INPUT("T", "degF", "temperature", .bound = BOUND_POSITIVE)
#define SEPARATOR INPUT("T_sep", "degF", "separator temperature", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE), \
    INPUT("p_sep", "psia", "separator pressure, absolute", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .absolute = true)
#define PRESSURE INPUT("p", "psia", "pressure, absolute", .bound = BOUND_POSITIVE, .absolute = true)
static const struct formula_input BUBBLE[] = {SOLUTION, GRAVITY, API, TEMPERATURE};
static const struct formula_input OF_PRESSURE[] = {PRESSURE, GRAVITY, API, TEMPERATURE, INPUT("R_s", "scf/stb", "what the pressure came from", .take = TAKE_REMARK, .optional = true)};
static const struct formula_input AT_SEPARATOR[] = {GRAVITY, API, SEPARATOR};
static const struct formula_input BUBBLE_VB[] = {SOLUTION, GRAVITY, API, TEMPERATURE, SEPARATOR};
static const struct formula_input BUBBLE_OF_SEPARATOR[] = {SOLUTION, GRAVITY_SEPARATOR, API, TEMPERATURE,
    INPUT("p", "psia", "what R_s came from", .take = TAKE_REMARK, .optional = true)};
static const struct formula_input OF_PRESSURE_VB[] = {PRESSURE, GRAVITY_SEPARATOR, API, TEMPERATURE};
static const struct formula_input RATIO[] = {SOLUTION};

#define STANDING_RANGE "p_b 130 to 7000 psia, T 100 to 258 degF, R_s 20 to 1425 scf/stb, API 16.5 to 63.8, gamma_g 0.59 to 0.95; error 5 to 15 %"
#define STANDING "Standing 1947, 1981 (from memory)"
#define VB_RANGE "p_b 50 to 5250 psia, T 70 to 295 degF, R_s 20 to 2070 scf/stb, API 16 to 58, gamma_g 0.56 to 1.18; error 5 to 15 %"
#define VB "Vasquez and Beggs 1980 (from memory)"
static const struct formula ROWS[] = {
    FORMULA("pvt.pb_standing", "Bubble point, Standing", "p_b = 18.2 [(R_s / gamma_g)^0.83 10^(0.00091 T - 0.0125 API) - 1.4]", "psia", STANDING_RANGE, STANDING, BUBBLE, pb_standing),
    FORMULA("pvt.rs_standing", "Solution gas, Standing", "R_s = gamma_g [(p / 18.2 + 1.4) 10^(0.0125 API - 0.00091 T)]^(1/0.83)", "scf/stb", STANDING_RANGE, STANDING, OF_PRESSURE, pvt_rs_standing),
    FORMULA("pvt.rs_standing_roundtrip", "Solution gas back from the bubble point, Standing", "R_s(p_b(R_s))", "scf/stb", STANDING_RANGE, STANDING, OF_PRESSURE, pvt_rs_standing),
    FORMULA("pvt.bo_standing", "Oil volume factor, Standing", "B_o = 0.9759 + 0.000120 [R_s (gamma_g / gamma_o)^0.5 + 1.25 T]^1.2", "", STANDING_RANGE, STANDING, BUBBLE, pvt_bo_standing),
    FORMULA("pvt.gamma_gs", "Gas gravity at 114.7 psia", "gamma_g [1 + 5.912e-5 API T_sep log10(p_sep / 114.7)]", "", VB_RANGE, VB, AT_SEPARATOR, gravity_at_separator),
    FORMULA("pvt.pb_vasquez_beggs", "Bubble point, Vasquez and Beggs", "p_b = [(C1 R_s / gamma_gs) 10^(-C3 API / (T + 460))]^C2", "psia", VB_RANGE, VB, BUBBLE_VB, pb_vb),
    FORMULA("pvt.pb_vb_roundtrip", "Bubble point back from the solution gas, Vasquez and Beggs", "p_b(R_s(p))", "psia", VB_RANGE, VB, BUBBLE_OF_SEPARATOR, pb_vb_of_separator),
    FORMULA("pvt.rs_vasquez_beggs", "Solution gas, Vasquez and Beggs", "R_s = C1 gamma_gs p^C2 exp[C3 API / (T + 460)]", "scf/stb", VB_RANGE, VB, OF_PRESSURE_VB, rs_vb),
    FORMULA("pvt.gor_unit", "A gas-oil ratio in another unit", "R_s", "m3/m3", "", "NIST SP 811 (2008) app. B", RATIO, formula_itself),
};
/* clang-format on */

const struct formula_group FORMULA_PVT = FORMULA_ROWS(ROWS);
