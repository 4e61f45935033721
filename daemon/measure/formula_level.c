/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_level.c - the annulus: level_height of liquid above the intake, with the weight of the
 * gas column.
 */
#include "formula_groups.h"

#include <math.h>

#define BISECTIONS 200

/** k = gamma_g M_air g / (Z R T): the gas column's exponent, 1/m. */
static double exponent_of(double gravity, double temperature_k, double z)
{
    return gravity * AIR_MOLAR_MASS * STANDARD_GRAVITY / (z * GAS_CONSTANT * temperature_k);
}

FORMULA_FUNCTION(gas_exponent)
{
    (void)steps;
    out->value = exponent_of(given[0].value, given[1].value, given[2].value);
}

FORMULA_FUNCTION(gas_column)
{
    const double k = exponent_of(given[2].value, given[3].value, given[4].value);
    formula_step(steps, "k = gamma_g M_air g / (Z R T_avg)", k, "1/m");
    out->value = given[0].value * exp(k * given[1].value);
}

/** M_air g / R, and the units in which it is wanted are those of the result. */
FORMULA_FUNCTION(column_constant)
{
    (void)steps;
    out->value = given[0].value * given[1].value / given[2].value;
}

/** Excess of what column and gas would make at the intake over what the gauge reads; grows with h
 * as long as the liquid is denser than the gas. */
static double excess(const struct formula_given *given, double k, double h_m)
{
    return given[1].value * exp(k * (given[2].value - h_m)) +
           given[3].value * STANDARD_GRAVITY * h_m - given[0].value;
}

FORMULA_SHARED(level_height)
{
    const double depth_m = given[2].value;
    const double k = exponent_of(given[4].value, given[5].value, given[6].value);
    double low = 0.0, high = depth_m;
    formula_step(steps, "k = gamma_g M_air g / (Z R T_avg)", k, "1/m");
    formula_step(steps, "h0 = (p_i - p_c) / (rho_a g)",
                 (given[0].value - given[1].value) / (given[3].value * STANDARD_GRAVITY), "m");
    if (excess(given, k, low) >= 0.0 || excess(given, k, high) <= 0.0) {
        out->value = excess(given, k, low) >= 0.0 ? low : high;
        out->flags |= FLAG_OUTSIDE_VALIDITY;
        return;
    }
    for (int i = 0; i < BISECTIONS; i++) {
        const double middle = 0.5 * (low + high);
        if (middle <= low || middle >= high)
            break; /* no number lies between */
        if (excess(given, k, middle) < 0.0)
            low = middle;
        else
            high = middle;
    }
    out->value = 0.5 * (low + high);
}

FORMULA_FUNCTION(level_depth)
{
    level_height(given, steps, out);
    formula_step(steps, "h", out->value, "m");
    out->value = given[2].value - out->value;
}

FORMULA_FUNCTION(height_without_gas)
{
    (void)steps;
    out->value = (given[0].value - given[1].value) / (given[2].value * STANDARD_GRAVITY);
}

/* clang-format off */
#define GAS CONFIGURED("gamma_g", "", "gas gravity, air = 1", BOUND_POSITIVE), \
    CONFIGURED("T_avg", "degC", "mean temperature of the gas column", BOUND_POSITIVE), \
    CONFIGURED("Z", "", "mean compressibility factor", BOUND_POSITIVE)
#define ABSOLUTE(symbol, words) INPUT(symbol, "Pa", words, .bound = BOUND_POSITIVE, .absolute = true)
static const struct formula_input EXPONENT[] = {GAS};
static const struct formula_input COLUMN[] = {ABSOLUTE("p_c", "casing-head pressure, absolute"), INPUT("D_f", "m", "vertical depth of the fluid level"), GAS};
static const struct formula_input CONSTANT[] = {CONFIGURED("M_air", "kg/mol", "molar mass of air", BOUND_POSITIVE),
    CONFIGURED("g", "m/s2", "gravity", BOUND_POSITIVE), CONFIGURED("R", "J/(mol K)", "molar gas constant", BOUND_POSITIVE),
    INPUT("T_unit", "", "of the result", .take = TAKE_OPTION, .choices = "K|degR"), INPUT("L_unit", "", "of the result", .take = TAKE_OPTION, .choices = "m|ft")};
static const struct formula_input HEIGHT[] = {ABSOLUTE("p_i", "intake pressure, absolute"), ABSOLUTE("p_c", "casing-head pressure, absolute"),
    CONFIGURED("D_i", "m", "vertical depth of the intake", BOUND_POSITIVE), CONFIGURED("rho_a", "kg/m3", "mean density of the annulus liquid", BOUND_POSITIVE), GAS};
static const struct formula_input PLAIN[] = {INPUT("p_i", "Pa", "intake pressure"), INPUT("p_c", "Pa", "casing-head pressure, same reference"),
    CONFIGURED("rho_a", "kg/m3", "mean density of the annulus liquid", BOUND_POSITIVE)};

#define LEVEL_VALIDITY "casing shut or steady, no foam; gas that flows through the liquid makes the true level higher; a vertical height; clamped to 0 and D_i"
#define LEVEL_SOURCE "hydrostatics of gas and liquid: p_i = p_c exp(k (D_i - h)) + rho_a g h"
static const struct formula ROWS[] = {
    FORMULA("level.gas_exponent", "Exponent of the gas column", "k = gamma_g M_air g / (Z R T_avg)", "1/m", "", "real gas at rest", EXPONENT, gas_exponent),
    FORMULA("level.gas_column_pressure", "Pressure at the bottom of the gas column", "p_f = p_c exp(k D_f)", "kPa", "", "real gas at rest", COLUMN, gas_column),
    FORMULA("level.field_constant", "Constant of the gas column in field units", "M_air g / R", "degR/ft", "", "definitions; texts print 0.01875 (from memory)",
            CONSTANT, column_constant),
    FORMULA("level.height_above_intake", "Liquid above the intake", "p_i = p_c exp(k (D_i - h)) + rho_a g h, solved for h", "m", LEVEL_VALIDITY,
            LEVEL_SOURCE, HEIGHT, level_height),
    FORMULA("level.fluid_level_TVD", "Vertical depth of the fluid level", "D_f = D_i - h", "m", LEVEL_VALIDITY, LEVEL_SOURCE, HEIGHT, level_depth),
    FORMULA("level.height_no_gas_weight", "Liquid above the intake, gas without weight", "h0 = (p_i - p_c) / (rho_a g)", "m",
            "a first estimate: the gas usually shortens it by 1 to 10 %", "hydrostatics", PLAIN, height_without_gas),
    FORMULA("level.fluid_over_pump", "Liquid above the pump, gas without weight", "(p_i - p_c) / (rho_a g)", "ft",
            "a first estimate: the gas usually shortens it by 1 to 10 %", "hydrostatics", PLAIN, height_without_gas),
};
/* clang-format on */

const struct formula_group FORMULA_LEVEL = FORMULA_ROWS(ROWS);
