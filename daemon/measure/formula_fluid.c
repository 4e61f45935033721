/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_fluid.c - densities of oil, water and their mixture; gradients, pressure at a datum,
 * friction.
 */
#include "formula_groups.h"

#include <math.h>

#define AIR_15C_KG_M3 1.2250 /* air at 15 degC and 101,325 Pa: ISO 2533 */
#define LAMINAR_MOST 2300.0
#define TURBULENT_LEAST 5e3
#define TURBULENT_MOST 1e8

/** API MPMS ch. 11: relative density at 60 degF. */
FORMULA_FUNCTION(relative_density)
{
    (void)steps;
    if (!(given[0].value > -131.5)) {
        formula_none(out, REASON_DOMAIN, 0);
        return;
    }
    out->value = 141.5 / (given[0].value + 131.5);
    if (given[0].value < 8.0 || given[0].value > 60.0)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_FUNCTION(oil_gravity)
{
    (void)steps;
    out->value = 141.5 / given[0].value - 131.5;
}

FORMULA_FUNCTION(oil_density)
{
    relative_density(given, steps, out);
    formula_step(steps, "gamma_o = 141.5 / (API + 131.5)", out->value, "");
    out->value *= formula_or(&given[1], FRESH_WATER_60F_KG_M3);
}

FORMULA_FUNCTION(mixture_density)
{
    (void)steps;
    out->value = given[0].value * given[1].value + (1.0 - given[0].value) * given[2].value;
}

FORMULA_FUNCTION(live_oil_density)
{
    const double gas = given[1].value * given[2].value * AIR_15C_KG_M3;
    formula_step(steps, "R_s rho_g,sc", gas, "kg/m3");
    out->value = (given[0].value + gas) / given[3].value;
}

FORMULA_FUNCTION(cut_at_pump)
{
    const double water = given[0].value * given[1].value;
    const double all = water + (1.0 - given[0].value) * given[2].value;
    formula_step(steps, "f_w B_w", water, "");
    formula_step(steps, "f_w B_w + (1 - f_w) B_o", all, "");
    out->value = water / all;
}

FORMULA_SHARED(datum_pressure)
{
    const double column = given[3].value * STANDARD_GRAVITY * (given[2].value - given[1].value);
    formula_step(steps, "rho g (D_D - D_g)", column, "MPa");
    out->value = given[0].value + column;
}

FORMULA_FUNCTION(two_point_gradient)
{
    const double depth_m = given[3].value - given[1].value;
    formula_step(steps, "TVD2 - TVD1", depth_m, "m");
    out->value = (given[2].value - given[0].value) / depth_m;
}

FORMULA_FUNCTION(apparent_density)
{
    two_point_gradient(given, steps, out);
    formula_step(steps, "G", out->value, "Pa/m");
    out->value /= STANDARD_GRAVITY;
}

FORMULA_FUNCTION(reynolds)
{
    (void)steps;
    out->value = given[0].value * fabs(given[1].value) * given[2].value / given[3].value;
}

/** Darcy's factor (four times Fanning's): 64/Re, or Swamee and Jain. Between 2,300 and 5,000 no
 * formula holds: that of turbulent flow is given, flagged. */
FORMULA_FUNCTION(friction_factor)
{
    const double number = given[0].value, roughness = given[1].value / given[2].value;
    formula_step(steps, "eps/d", roughness, "");
    if (number < LAMINAR_MOST) {
        out->value = 64.0 / number;
        return;
    }
    const double denominator = log10(roughness / 3.7 + 5.74 / pow(number, 0.9));
    out->value = 0.25 / (denominator * denominator);
    if (number < TURBULENT_LEAST || number > TURBULENT_MOST || roughness < 1e-6 || roughness > 1e-2)
        out->flags |= FLAG_OUTSIDE_VALIDITY;
}

FORMULA_FUNCTION(friction_gradient)
{
    (void)steps;
    out->value = given[0].value * given[1].value * given[2].value * fabs(given[2].value) /
                 (2.0 * given[3].value);
}

/* clang-format off */
static const struct formula_input GRAVITY[] = {CONFIGURED("API", "degAPI", "oil gravity at 60 degF", BOUND_NONE)};
static const struct formula_input RELATIVE[] = {CONFIGURED("gamma_o", "", "relative density of oil, water = 1", BOUND_POSITIVE)};
static const struct formula_input OIL[] = {CONFIGURED("API", "degAPI", "oil gravity at 60 degF", BOUND_NONE),
    INPUT("rho_w60", "kg/m3", "fresh water at 60 degF; 999.016 where it is not given", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE, .optional = true)};
static const struct formula_input MIXTURE[] = {CONFIGURED("f_w", "", "water cut by volume, 0 to 1", BOUND_RATIO),
    CONFIGURED("rho_w", "kg/m3", "density of water", BOUND_POSITIVE), CONFIGURED("rho_o", "kg/m3", "density of oil", BOUND_POSITIVE)};
static const struct formula_input LIVE_OIL[] = {CONFIGURED("rho_o_sc", "kg/m3", "density of stock-tank oil", BOUND_POSITIVE),
    CONFIGURED("R_s", "m3/m3", "solution gas-oil ratio", BOUND_NOT_NEGATIVE), CONFIGURED("gamma_g", "", "gas gravity, air = 1", BOUND_POSITIVE),
    CONFIGURED("B_o", "", "oil formation volume factor", BOUND_POSITIVE)};
static const struct formula_input CUT[] = {CONFIGURED("f_w", "", "stock-tank water cut, 0 to 1", BOUND_RATIO),
    CONFIGURED("B_w", "", "water formation volume factor", BOUND_POSITIVE), CONFIGURED("B_o", "", "oil formation volume factor", BOUND_POSITIVE)};
static const struct formula_input DATUM[] = {INPUT("p_g", "Pa", "pressure at the gauge"), CONFIGURED("D_g", "m", "vertical depth of the gauge", BOUND_NONE),
    CONFIGURED("D_D", "m", "vertical depth of the datum", BOUND_NONE), CONFIGURED("rho", "kg/m3", "density between gauge and datum", BOUND_POSITIVE)};
static const struct formula_input TWO_POINTS[] = {INPUT("p1", "Pa", "upper pressure"), CONFIGURED("TVD1", "m", "its vertical depth", BOUND_NONE),
    INPUT("p2", "Pa", "lower pressure"), CONFIGURED("TVD2", "m", "its vertical depth", BOUND_NONE)};
static const struct formula_input REYNOLDS[] = {CONFIGURED("rho", "kg/m3", "density", BOUND_POSITIVE), INPUT("v", "m/s", "mean velocity"),
    CONFIGURED("d", "m", "inner diameter", BOUND_POSITIVE), CONFIGURED("mu", "Pa s", "viscosity", BOUND_POSITIVE)};
static const struct formula_input FRICTION[] = {INPUT("Re", "", "Reynolds number", .bound = BOUND_POSITIVE),
    CONFIGURED("eps", "m", "roughness", BOUND_NOT_NEGATIVE), CONFIGURED("d", "m", "inner diameter", BOUND_POSITIVE)};
static const struct formula_input DARCY[] = {INPUT("f", "", "Darcy's friction factor", .bound = BOUND_NOT_NEGATIVE),
    CONFIGURED("rho", "kg/m3", "density", BOUND_POSITIVE), INPUT("v", "m/s", "mean velocity"), CONFIGURED("d", "m", "inner diameter", BOUND_POSITIVE)};

#define MPMS "API MPMS ch. 11 (from memory)"
static const struct formula ROWS[] = {
    FORMULA("density.sg_from_api", "Relative density of oil", "gamma_o = 141.5 / (API + 131.5)", "", "API about 8 to 60", MPMS, GRAVITY, relative_density),
    FORMULA("density.api_from_sg", "API gravity of oil", "API = 141.5 / gamma_o - 131.5", "degAPI", "API about 8 to 60", MPMS, RELATIVE, oil_gravity),
    FORMULA("density.oil", "Density of stock-tank oil", "rho_o = rho_w60 141.5 / (API + 131.5)", "kg/m3", "API about 8 to 60", MPMS, OIL, oil_density),
    FORMULA("density.mix", "Density of the liquid mixture", "rho_L = f_w rho_w + (1 - f_w) rho_o", "kg/m3", "no slip, no free gas, volumes add",
            "volume balance", MIXTURE, mixture_density),
    FORMULA("density.live_oil", "Density of oil with its dissolved gas", "rho_o = (rho_o_sc + R_s gamma_g 1.2250 kg/m3) / B_o", "kg/m3", "",
            "mass balance; air: ISO 2533", LIVE_OIL, live_oil_density),
    FORMULA("density.insitu_cut", "Water cut at pump conditions", "f_w B_w / (f_w B_w + (1 - f_w) B_o)", "", "", "volume balance", CUT, cut_at_pump),
    FORMULA("datum.pressure", "Pressure at a datum", "p_D = p_g + rho g (D_D - D_g)", "kPa",
            "one fluid at rest between gauge and datum; choose the density for the state, flowing or shut in", "hydrostatics", DATUM, datum_pressure),
    FORMULA("datum.gradient", "Gradient between two pressures", "G = (p2 - p1) / (TVD2 - TVD1)", "Pa/m",
            "over a few metres it amplifies the gauges' errors", "definition", TWO_POINTS, two_point_gradient),
    FORMULA("datum.apparent_density", "Apparent density between two pressures", "rho = (p2 - p1) / (g (TVD2 - TVD1))", "kg/m3",
            "over a few metres it amplifies the gauges' errors", "definition", TWO_POINTS, apparent_density),
    FORMULA("flow.reynolds", "Reynolds number", "Re = rho v d / mu", "", "", "definition", REYNOLDS, reynolds),
    FORMULA("flow.friction_factor", "Darcy's friction factor", "64 / Re, or 0.25 / [log10(eps/(3.7 d) + 5.74/Re^0.9)]^2", "",
            "laminar below Re 2,300; turbulent for 5e3 < Re < 1e8 and 1e-6 < eps/d < 1e-2", "Swamee and Jain 1976 (from memory)", FRICTION, friction_factor),
    FORMULA("flow.friction_gradient", "Pressure gradient by friction", "f rho v |v| / (2 d)", "Pa/m", "along the hole, not vertical",
            "Darcy and Weisbach", DARCY, friction_gradient),
};
/* clang-format on */

const struct formula_group FORMULA_FLUID = FORMULA_ROWS(ROWS);
