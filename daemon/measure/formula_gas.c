/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_gas.c - natural gas: pseudo-critical properties, compressibility, density, volume.
 *
 * Both correlations for Z have more roots than one near the critical point. The search goes up from
 * low density and takes the first: the vapour.
 */
#include "formula_groups.h"

#include <math.h>

#define BRACKET_STEPS 400
#define ROOT_STEPS 200
#define RANKINE (5.0 / 9.0)
#define STANDARD_60F_K 288.70555555555556

/** f grows through zero once between low and high; bisection to the last digit. */
static double bisect(double (*f)(double, const double *), const double *with, double low,
                     double high)
{
    for (int i = 0; i < ROOT_STEPS; i++) {
        const double middle = 0.5 * (low + high);
        if (middle == low || middle == high)
            break;
        if (f(middle, with) < 0.0)
            low = middle;
        else
            high = middle;
    }
    return 0.5 * (low + high);
}

/** The lowest root in (0, most), searched upwards. NaN: there is none. */
static double first_root(double (*f)(double, const double *), const double *with, double most)
{
    double low = 0.0;
    for (int i = 1; i <= BRACKET_STEPS; i++) {
        const double high = most * i / BRACKET_STEPS;
        if (f(high, with) >= 0.0)
            return bisect(f, with, low, high);
        low = high;
    }
    return NAN;
}

/** Dranchuk and Abou-Kassem 1975: Z of a reduced density at 1/T_pr = with[0]. */
static double dak_z(double density, double t)
{
    static const double A[12] = {0,      0.3265,  -1.0700, -0.5339, 0.01569, -0.05165,
                                 0.5475, -0.7361, 0.1844,  0.1056,  0.6134,  0.7210};
    const double d2 = density * density, d5 = d2 * d2 * density;
    const double c1 = A[1] + t * (A[2] + t * t * (A[3] + t * (A[4] + t * A[5])));
    const double c2 = A[6] + t * (A[7] + t * A[8]), c3 = A[9] * t * (A[7] + t * A[8]);
    const double c4 = A[10] * (1.0 + A[11] * d2) * d2 * t * t * t * exp(-A[11] * d2);
    return 1.0 + c1 * density + c2 * d2 - c3 * d5 + c4;
}

/** rho_r Z T_pr / 0.27 - p_pr: nought where the density fits the pressure. with: 1/T_pr, p_pr. */
static double dak_balance(double density, const double *with)
{
    return density * dak_z(density, with[0]) / (0.27 * with[0]) - with[1];
}

void gas_z_dak(double reduced_temperature, double reduced_pressure, struct formula_result *out)
{
    const double with[2] = {1.0 / reduced_temperature, reduced_pressure};
    if (reduced_pressure == 0.0) {
        out->value = 1.0;
        return;
    }
    const double density = first_root(dak_balance, with, 6.0);
    if (!(density > 0.0)) {
        formula_none(out, REASON_NOT_CONVERGED, FORMULA_NO_INPUT);
        return;
    }
    out->value = 0.27 * reduced_pressure / (density * reduced_temperature);
    const bool cold = reduced_temperature <= 1.0;
    if (reduced_temperature > 3.0 || reduced_pressure >= 30.0 || reduced_temperature <= 0.7 ||
        (cold ? reduced_pressure >= 1.0 : reduced_pressure < 0.2))
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_FUNCTION(z_dak)
{
    gas_z_dak(given[0].value, given[1].value, out);
    formula_step(steps, "p_pr / (Z T_pr)", given[1].value / (out->value * given[0].value), "");
}

/** Hall and Yarborough 1973; with: t = 1/T_pr, a p_pr. */
static double hy_balance(double y, const double *with)
{
    const double t = with[0], rest = 1.0 - y;
    return -with[1] + y * (1.0 + y + y * y - y * y * y) / (rest * rest * rest) -
           t * (14.76 - t * (9.76 - t * 4.58)) * y * y +
           t * (90.7 - t * (242.2 - t * 42.4)) * pow(y, 2.18 + 2.82 * t);
}

FORMULA_FUNCTION(z_hy)
{
    const double t = 1.0 / given[0].value, a = 0.06125 * t * exp(-1.2 * (1.0 - t) * (1.0 - t));
    const double with[2] = {t, a * given[1].value};
    if (given[0].value <= 1.0) {
        formula_none(out, REASON_DOMAIN, 0);
        return;
    }
    if (given[1].value == 0.0) {
        out->value = 1.0;
        return;
    }
    const double y = first_root(hy_balance, with, 0.9999);
    if (!(y > 0.0)) {
        formula_none(out, REASON_NOT_CONVERGED, FORMULA_NO_INPUT);
        return;
    }
    formula_step(steps, "a", a, "");
    formula_step(steps, "y", y, "");
    out->value = with[1] / y;
    if (given[0].value > 3.0 || given[1].value >= 24.0)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_FUNCTION(sutton_pressure)
{
    const double g = given[0].value;
    (void)steps;
    out->value = (756.8 - 131.0 * g - 3.6 * g * g) * PSI_IN_PA;
}

FORMULA_FUNCTION(sutton_temperature)
{
    const double g = given[0].value;
    (void)steps;
    out->value = (169.2 + 349.5 * g - 74.0 * g * g) * RANKINE;
}

FORMULA_FUNCTION(standing_pressure)
{
    const double g = given[0].value;
    (void)steps;
    out->value = (677.0 + 15.0 * g - 37.5 * g * g) * PSI_IN_PA;
}

FORMULA_FUNCTION(standing_temperature)
{
    const double g = given[0].value;
    (void)steps;
    out->value = (168.0 + 325.0 * g - 12.5 * g * g) * RANKINE;
}

/** p, T, gamma_g, and the choices of correlations. */
FORMULA_SHARED(gas_z_chain)
{
    struct formula_given reduced[2] = {{.present = true}, {.present = true}};
    struct formula_result pressure = {0}, temperature = {0};
    const bool standing = given[3].value == 1.0;
    (standing ? standing_pressure : sutton_pressure)(&given[2], 0, &pressure);
    (standing ? standing_temperature : sutton_temperature)(&given[2], 0, &temperature);
    if (!(pressure.value > 0.0) || !(temperature.value > 0.0)) {
        formula_none(out, REASON_DOMAIN, 2);
        return;
    }
    reduced[0].value = given[1].value / temperature.value;
    reduced[1].value = given[0].value / pressure.value;
    (given[4].value == 1.0 ? z_hy : z_dak)(reduced, 0, out);
    formula_step(steps, "p_pc", pressure.value, "psia");
    formula_step(steps, "T_pc", temperature.value, "degR");
    formula_step(steps, "T_pr = T / T_pc", reduced[0].value, "");
    formula_step(steps, "p_pr = p / p_pc", reduced[1].value, "");
}

FORMULA_FUNCTION(gas_density)
{
    (void)steps;
    out->value = given[0].value * given[2].value * AIR_MOLAR_MASS /
                 (given[3].value * GAS_CONSTANT * given[1].value);
}

FORMULA_SHARED(gas_volume_factor)
{
    const double p_sc = formula_or(&given[3], STANDARD_ATMOSPHERE_PA);
    const double t_sc = formula_or(&given[4], STANDARD_60F_K);
    formula_step(steps, "p_sc", p_sc, "Pa");
    formula_step(steps, "T_sc", t_sc, "K");
    out->value = p_sc / t_sc * given[2].value * given[1].value / given[0].value;
}

/* clang-format off */
#define ABSOLUTE(symbol, words) INPUT(symbol, "Pa", words, .bound = BOUND_POSITIVE, .absolute = true)
#define KELVIN(symbol, words) INPUT(symbol, "degC", words, .bound = BOUND_POSITIVE)
#define GAS_GRAVITY INPUT("gamma_g", "", "gas gravity, air = 1", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE)
static const struct formula_input REDUCED[] = {
    INPUT("T_pr", "", "T / T_pc, both absolute", .bound = BOUND_POSITIVE), INPUT("p_pr", "", "p / p_pc, both absolute", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input GRAVITY[] = {GAS_GRAVITY};
static const struct formula_input CHAIN[] = {ABSOLUTE("p", "pressure, absolute"), KELVIN("T", "temperature"), GAS_GRAVITY,
    INPUT("pseudo_critical", "", "correlation of the pseudo-critical point", .take = TAKE_OPTION, .choices = "Sutton|Standing"),
    INPUT("Z", "", "correlation of Z", .take = TAKE_OPTION, .choices = "DAK|HY")};
static const struct formula_input DENSITY[] = {ABSOLUTE("p", "pressure, absolute"), KELVIN("T", "temperature"), GAS_GRAVITY,
    INPUT("Z", "", "compressibility factor", .bound = BOUND_POSITIVE)};
static const struct formula_input VOLUME[] = {ABSOLUTE("p", "pressure, absolute"), KELVIN("T", "temperature"),
    INPUT("Z", "", "compressibility factor", .bound = BOUND_POSITIVE),
    INPUT("p_sc", "Pa", "standard pressure; 101,325 Pa where it is not given", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .optional = true, .absolute = true),
    INPUT("T_sc", "degC", "standard temperature; 60 degF where it is not given", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .optional = true)};

#define SUTTON "Sutton 1985 (SPE 14265), from memory"
#define STANDING "Standing 1977, dry gas, from memory"
#define SWEET "sweet gas; H2S and CO2 need a correction"
static const struct formula ROWS[] = {
    FORMULA("gas.p_pc_sutton", "Pseudo-critical pressure", "756.8 - 131 gamma_g - 3.6 gamma_g^2 psia", "psia", SWEET, SUTTON, GRAVITY, sutton_pressure),
    FORMULA("gas.T_pc_sutton", "Pseudo-critical temperature", "169.2 + 349.5 gamma_g - 74 gamma_g^2 degR", "degR", SWEET, SUTTON, GRAVITY, sutton_temperature),
    FORMULA("gas.p_pc_standing", "Pseudo-critical pressure", "677 + 15 gamma_g - 37.5 gamma_g^2 psia", "psia", SWEET, STANDING, GRAVITY, standing_pressure),
    FORMULA("gas.T_pc_standing", "Pseudo-critical temperature", "168 + 325 gamma_g - 12.5 gamma_g^2 degR", "degR", SWEET, STANDING, GRAVITY, standing_temperature),
    FORMULA("gas.z_dak", "Compressibility factor, Dranchuk and Abou-Kassem", "Z = 0.27 p_pr / (rho_r T_pr), rho_r from the fitted equation of state", "",
            "0.2 <= p_pr < 30 for 1 < T_pr <= 3; p_pr < 1 for 0.7 < T_pr <= 1; poor near T_pr 1.05 to 1.1 at p_pr 1 to 2.5",
            "Dranchuk and Abou-Kassem 1975 (from memory)", REDUCED, z_dak),
    FORMULA("gas.z_hy", "Compressibility factor, Hall and Yarborough", "Z = a p_pr / y", "", "not for T_pr <= 1",
            "Hall and Yarborough 1973 (from memory)", REDUCED, z_hy),
    FORMULA("gas.z_chain", "Compressibility factor of a gas by its gravity", "Z(T / T_pc, p / p_pc)", "", SWEET,
            "Sutton 1985 or Standing 1977, then Dranchuk and Abou-Kassem 1975 or Hall and Yarborough 1973 (from memory)", CHAIN, gas_z_chain),
    FORMULA("gas.density", "Density of gas", "rho_g = p gamma_g M_air / (Z R T)", "kg/m3", "", "real gas law; M_air: ISO 6976:2016 (from memory)", DENSITY, gas_density),
    FORMULA("gas.B_g", "Gas formation volume factor", "B_g = (p_sc / T_sc) Z T / p", "m3/m3", "", "real gas law", VOLUME, gas_volume_factor),
};
/* clang-format on */

const struct formula_group FORMULA_GAS = FORMULA_ROWS(ROWS);
