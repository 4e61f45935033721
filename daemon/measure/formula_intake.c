/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_intake.c - what enters the pump: free gas, its separation, Turpin's number; the
 * saturation line of water.
 */
#include "formula_groups.h"

#include <math.h>

#define SCF_M3 (FOOT_IN_M * FOOT_IN_M * FOOT_IN_M)
#define RANKINE (5.0 / 9.0)
#define WATER_T_LEAST_K 273.15
#define WATER_T_MOST_K 647.096
#define WATER_P_LEAST_PA 611.213
#define WATER_P_MOST_PA 22.064e6

FORMULA_FUNCTION(volume_factor_field)
{
    const double constant = formula_or(&given[3], 5.04);
    formula_step(steps, "constant", constant, "");
    out->value = constant * given[0].value * (given[1].value / RANKINE) /
                 (given[2].value / PSI_IN_PA) * BARREL_IN_M3 / (1e3 * SCF_M3);
}

FORMULA_FUNCTION(volume_constant)
{
    (void)steps;
    out->value =
        (given[0].value / PSI_IN_PA) / (given[1].value / RANKINE) * 1e3 * SCF_M3 / BARREL_IN_M3;
}

FORMULA_FUNCTION(fraction_of_rates)
{
    const double all = given[0].value + given[1].value + given[2].value;
    formula_step(steps, "q_g + q_o + q_w at intake conditions", all, "m3/d");
    if (all > 0.0)
        out->value = given[0].value / all;
    else
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
}

/** GOR, R_s, q_o, q_w, B_o, B_w, B_g. What is dissolved is not free; less than nothing is none. */
FORMULA_SHARED(intake_free_fraction)
{
    const double excess = fmax(0.0, given[0].value - given[1].value);
    const double gas = given[2].value * excess * given[6].value;
    const double all = gas + given[2].value * given[4].value + given[3].value * given[5].value;
    formula_step(steps, "q_g = q_o (GOR - R_s) B_g", gas, "m3/d");
    formula_step(steps, "q_g + q_o B_o + q_w B_w", all, "m3/d");
    if (all > 0.0)
        out->value = gas / all;
    else
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
}

FORMULA_SHARED(intake_turpin)
{
    const double ratio = given[0].value / given[1].value;
    formula_step(steps, "q_g / q_l", ratio, "");
    out->value = 2000.0 * ratio / (3.0 * given[2].value / PSI_IN_PA);
    if (given[2].value / PSI_IN_PA > 414.7)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_FUNCTION(separation_total)
{
    (void)steps;
    out->value = given[0].value + given[1].value * (1.0 - given[0].value);
}

FORMULA_FUNCTION(rise_velocity)
{
    const double difference = given[1].value - given[2].value;
    if (!(difference > 0.0)) {
        formula_none(out, REASON_DOMAIN, 2);
        return;
    }
    (void)steps;
    out->value = 1.53 * pow(given[0].value * STANDARD_GRAVITY * difference /
                                (given[1].value * given[1].value),
                            0.25);
}

FORMULA_FUNCTION(natural_separation)
{
    (void)steps;
    out->value = given[0].value / (given[0].value + given[1].value);
}

/* ---- IAPWS-IF97, region 4 ---- */

static const double N[11] = {0,
                             0.11670521452767e4,
                             -0.72421316703206e6,
                             -0.17073846940092e2,
                             0.12020824702470e5,
                             -0.32325550322333e7,
                             0.14915108613530e2,
                             -0.48232657361591e4,
                             0.40511340542057e6,
                             -0.23855557567849,
                             0.65017534844798e3};

FORMULA_FUNCTION(saturation_pressure)
{
    const double t = given[0].value;
    if (t < WATER_T_LEAST_K || t > WATER_T_MOST_K) {
        formula_none(out, REASON_DOMAIN, 0);
        return;
    }
    const double theta = t + N[9] / (t - N[10]);
    const double a = theta * theta + N[1] * theta + N[2],
                 b = N[3] * theta * theta + N[4] * theta + N[5],
                 c = N[6] * theta * theta + N[7] * theta + N[8];
    const double root = 2.0 * c / (-b + sqrt(b * b - 4.0 * a * c));
    formula_step(steps, "theta", theta, "K");
    out->value = root * root * root * root * 1e6;
}

FORMULA_FUNCTION(saturation_temperature)
{
    const double p = given[0].value;
    if (p < WATER_P_LEAST_PA || p > WATER_P_MOST_PA) {
        formula_none(out, REASON_DOMAIN, 0);
        return;
    }
    const double beta = sqrt(sqrt(p / 1e6));
    const double e = beta * beta + N[3] * beta + N[6], f = N[1] * beta * beta + N[4] * beta + N[7],
                 g = N[2] * beta * beta + N[5] * beta + N[8];
    const double d = 2.0 * g / (-f - sqrt(f * f - 4.0 * e * g));
    const double sum = N[10] + d;
    formula_step(steps, "beta = p^0.25", beta, "");
    out->value = 0.5 * (sum - sqrt(sum * sum - 4.0 * (N[9] + N[10] * d)));
}

FORMULA_SHARED(water_margin)
{
    saturation_temperature(given, steps, out);
    formula_step(steps, "T_s(p_i)", out->value, "degC");
    out->value -= given[1].value;
}

/* clang-format off */
#define OIL_RATE INPUT("q_o", "stb/d", "stock-tank oil rate", .bound = BOUND_NOT_NEGATIVE)
#define ABSOLUTE(symbol, own, words) INPUT(symbol, own, words, .bound = BOUND_POSITIVE, .absolute = true)
static const struct formula_input TOTAL[] = {OIL_RATE, CONFIGURED("GOR", "scf/stb", "producing gas-oil ratio", BOUND_NOT_NEGATIVE)};
static const struct formula_input SOLUTION[] = {OIL_RATE, CONFIGURED("R_s", "scf/stb", "solution gas-oil ratio", BOUND_NOT_NEGATIVE)};
static const struct formula_input BG_FIELD[] = {INPUT("Z", "", "compressibility factor", .bound = BOUND_POSITIVE), INPUT("T", "degF", "temperature", .bound = BOUND_POSITIVE),
    ABSOLUTE("p", "psia", "pressure, absolute"), INPUT("constant", "", "5.04 where it is not given", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .optional = true)};
static const struct formula_input BG_CONSTANT[] = {CONFIGURED("p_sc", "psia", "standard pressure", BOUND_POSITIVE), CONFIGURED("T_sc", "degF", "standard temperature", BOUND_POSITIVE),
    INPUT("B_unit", "", "unit of B_g", .take = TAKE_OPTION, .choices = "bbl/Mscf")};
static const struct formula_input FREE_VOLUME[] = {INPUT("q_g_sc", "Mscf/d", "free gas at standard conditions", .bound = BOUND_NOT_NEGATIVE),
    INPUT("B_g", "bbl/Mscf", "gas volume factor", .bound = BOUND_POSITIVE)};
static const struct formula_input FRACTION_OF_RATES[] = {INPUT("q_g", "bbl/d", "gas at intake conditions", .bound = BOUND_NOT_NEGATIVE),
    INPUT("q_o_res", "bbl/d", "oil at intake conditions", .bound = BOUND_NOT_NEGATIVE), INPUT("q_w_res", "bbl/d", "water at intake conditions", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input FRACTION[] = {CONFIGURED("GOR", "m3/m3", "producing gas-oil ratio", BOUND_NOT_NEGATIVE),
    CONFIGURED("R_s", "m3/m3", "solution gas-oil ratio at the intake", BOUND_NOT_NEGATIVE), OIL_RATE, INPUT("q_w", "stb/d", "stock-tank water rate", .bound = BOUND_NOT_NEGATIVE),
    CONFIGURED("B_o", "", "oil volume factor", BOUND_POSITIVE), CONFIGURED("B_w", "", "water volume factor", BOUND_POSITIVE), INPUT("B_g", "m3/m3", "gas volume factor", .bound = BOUND_POSITIVE)};
static const struct formula_input TURPIN[] = {INPUT("q_g", "bbl/d", "free gas at the intake", .bound = BOUND_NOT_NEGATIVE), INPUT("q_l", "bbl/d", "liquid at the intake", .bound = BOUND_POSITIVE),
    ABSOLUTE("p_i", "psia", "intake pressure, absolute")};
static const struct formula_input SEPARATION[] = {INPUT("E_n", "", "natural separation", .bound = BOUND_RATIO), CONFIGURED("E_m", "", "efficiency of the separator", BOUND_RATIO)};
static const struct formula_input RISE[] = {CONFIGURED("sigma", "N/m", "surface tension", BOUND_POSITIVE), CONFIGURED("rho_L", "kg/m3", "density of liquid", BOUND_POSITIVE),
    INPUT("rho_g", "kg/m3", "density of gas", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input NATURAL[] = {INPUT("v_inf", "m/s", "rise velocity of a bubble", .bound = BOUND_POSITIVE), INPUT("v_sl", "m/s", "superficial velocity of liquid", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input OF_T[] = {INPUT("T", "degC", "temperature")};
static const struct formula_input OF_P[] = {ABSOLUTE("p", "Pa", "pressure, absolute")};
static const struct formula_input MARGIN[] = {ABSOLUTE("p_i", "Pa", "intake pressure, absolute"), INPUT("T", "degC", "temperature")};

#define DESIGN "gas balance of pump design texts (from memory)"
#define IF97 "IAPWS R7-97, region 4"
#define IF97_RANGE "pure water, 273.15 to 647.096 K; brine boils higher, dissolved gas flashes earlier"
static const struct formula ROWS[] = {
    FORMULA("gas.total", "Gas that is produced", "q_o GOR", "Mscf/d", "", DESIGN, TOTAL, formula_product),
    FORMULA("gas.solution", "Gas that stays dissolved", "q_o R_s", "Mscf/d", "", DESIGN, SOLUTION, formula_product),
    FORMULA("gas.Bg_field", "Gas volume factor, field form", "constant Z T / p", "bbl/Mscf", "", "real gas law; texts print 5.04 (from memory)", BG_FIELD, volume_factor_field),
    FORMULA("gas.Bg_constant", "Constant of the gas volume factor in field units", "p_sc / T_sc", "", "", "real gas law", BG_CONSTANT, volume_constant),
    FORMULA("gas.free_volume", "Free gas at intake conditions", "q_g,sc B_g", "bbl/d", "", DESIGN, FREE_VOLUME, formula_product),
    FORMULA("gas.free_fraction", "Free gas fraction at the intake", "q_g / (q_g + q_o + q_w), at intake conditions", "", "before any separation", DESIGN, FRACTION_OF_RATES, fraction_of_rates),
    FORMULA("gas.free_fraction", "Free gas fraction at the intake", "q_o (GOR - R_s) B_g / (q_o (GOR - R_s) B_g + q_o B_o + q_w B_w)", "", "before any separation", DESIGN, FRACTION, intake_free_fraction),
    FORMULA("gas.turpin", "Turpin's number", "2000 (q_g / q_l) / (3 p_i)", "", "stable below 1; fitted to few stages up to about 400 psig: an indicator",
            "Turpin, Lea and Bearden 1986 (from memory)", TURPIN, intake_turpin),
    FORMULA("gas.separation_total", "Natural and mechanical separation", "E = E_n + E_m (1 - E_n)", "", "", "balance", SEPARATION, separation_total),
    FORMULA("gas.v_inf", "Rise velocity of a gas bubble", "1.53 [sigma g (rho_L - rho_g) / rho_L^2]^0.25", "m/s", "", "Harmathy 1960 (from memory)", RISE, rise_velocity),
    FORMULA("gas.E_natural", "Natural separation", "E_n = v_inf / (v_inf + v_sl)", "", "simple form", "Alhanati 1993 (from memory)", NATURAL, natural_separation),
    FORMULA("water.p_sat", "Saturation pressure of water", "[2 C / (-B + sqrt(B^2 - 4 A C))]^4", "MPa", IF97_RANGE, IF97, OF_T, saturation_pressure),
    FORMULA("water.T_sat", "Saturation temperature of water", "{n10 + D - sqrt[(n10 + D)^2 - 4 (n9 + n10 D)]} / 2", "degC", IF97_RANGE, IF97, OF_P, saturation_temperature),
    FORMULA("water.margin", "Margin to boiling", "T_s(p_i) - T", "K", IF97_RANGE, IF97, MARGIN, water_margin),
};
/* clang-format on */

const struct formula_group FORMULA_INTAKE = FORMULA_ROWS(ROWS);
