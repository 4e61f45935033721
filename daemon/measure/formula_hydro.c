/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_hydro.c - units by themselves, and hydrostatics: pressure, gradient and head of a column.
 */
#include "formula_groups.h"

#include <math.h>

#define CONVERT_SOURCE "NIST SP 811 (2008) app. B; definitions"

static void pressure(const struct formula_given *given, struct formula_steps *steps,
                     struct formula_result *out)
{
    formula_step(steps, "rho g", given[0].value * STANDARD_GRAVITY, "Pa/m");
    out->value = given[0].value * STANDARD_GRAVITY * given[1].value;
}

static void gradient(const struct formula_given *given, struct formula_steps *steps,
                     struct formula_result *out)
{
    (void)steps;
    out->value = given[0].value * STANDARD_GRAVITY;
}

static void head_per_pressure(const struct formula_given *given, struct formula_steps *steps,
                              struct formula_result *out)
{
    (void)steps;
    out->value = 1.0 / (given[0].value * STANDARD_GRAVITY);
}

static void head(const struct formula_given *given, struct formula_steps *steps,
                 struct formula_result *out)
{
    formula_step(steps, "rho g", given[1].value * STANDARD_GRAVITY, "Pa/m");
    out->value = given[0].value / (given[1].value * STANDARD_GRAVITY);
}

/** Factors that a unit taken twice, or for another, leaves behind; a value within 2 % of one is
 * suspect. Exact ratios of the units' definitions. */
static void conversion_ratio(const struct formula_given *given, struct formula_steps *steps,
                             struct formula_result *out)
{
    static const double KNOWN[] = {
        1e6 / PSI_IN_PA, /* MPa and psi */
        1e5 / PSI_IN_PA, /* bar and psi */
        1e3 / PSI_IN_PA, /* kPa and psi */
        1e6 / 98066.5,   /* MPa and kgf/cm2 */
        1.0 / FOOT_IN_M, /* m and ft */
        10.0,
        100.0,
        1000.0, /* MPa and bar, bar and kPa, MPa and kPa */
    };
    const double ratio = given[0].value / given[1].value;
    (void)steps;
    for (size_t i = 0; i < sizeof KNOWN / sizeof *KNOWN; i++)
        if (fabs(ratio / KNOWN[i] - 1.0) < 0.02 || fabs(ratio * KNOWN[i] - 1.0) < 0.02)
            out->flags |= FLAG_UNIT_SUSPECT;
    out->value = ratio;
}

/* clang-format off */
static const struct formula_input PRESSURE_ALONE[] = {INPUT("p", "Pa", "pressure", .bound = BOUND_NONE)};
static const struct formula_input LENGTH_ALONE[] = {INPUT("L", "m", "length")};
static const struct formula_input RATE_ALONE[] = {INPUT("q", "m3/d", "rate")};
static const struct formula_input POWER_ALONE[] = {INPUT("P", "W", "power")};
static const struct formula_input TEMPERATURE_ALONE[] = {INPUT("T", "degC", "temperature")};
static const struct formula_input DIFFERENCE_ALONE[] = {INPUT("dT", "K", "temperature difference")};
static const struct formula_input COLUMN[] = {
    INPUT("rho", "kg/m3", "density of the column", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE),
    INPUT("dTVD", "m", "vertical height of the column", .take = TAKE_CONFIGURED)};
static const struct formula_input DENSITY_ALONE[] = {
    INPUT("rho", "kg/m3", "density", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE)};
static const struct formula_input HEAD[] = {
    INPUT("dp", "Pa", "pressure difference"),
    INPUT("rho", "kg/m3", "density", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE)};
static const struct formula_input RATIO[] = {
    INPUT("p_seen", "MPa", "value seen", .bound = BOUND_POSITIVE), INPUT("p_trusted", "MPa", "value that is trusted", .bound = BOUND_POSITIVE)};

static const struct formula ROWS[] = {
    {.label = "convert.pressure", .title = "A pressure in another unit", .expression = "p", .unit = "Pa", .validity = "",
     .source = CONVERT_SOURCE, FORMULA_INPUTS(PRESSURE_ALONE), .compute = formula_itself},
    {.label = "convert.length", .title = "A length in another unit", .expression = "L", .unit = "m", .validity = "",
     .source = CONVERT_SOURCE, FORMULA_INPUTS(LENGTH_ALONE), .compute = formula_itself},
    {.label = "convert.rate", .title = "A rate in another unit", .expression = "q", .unit = "m3/d", .validity = "",
     .source = CONVERT_SOURCE, FORMULA_INPUTS(RATE_ALONE), .compute = formula_itself},
    {.label = "convert.power", .title = "A power in another unit", .expression = "P", .unit = "W", .validity = "",
     .source = CONVERT_SOURCE, FORMULA_INPUTS(POWER_ALONE), .compute = formula_itself},
    {.label = "convert.temperature", .title = "A temperature in another unit", .expression = "T", .unit = "degC", .validity = "",
     .source = CONVERT_SOURCE, FORMULA_INPUTS(TEMPERATURE_ALONE), .compute = formula_itself},
    {.label = "convert.temperature_difference", .title = "A temperature difference in another unit", .expression = "dT", .unit = "K",
     .validity = "no zero point takes part", .source = CONVERT_SOURCE, FORMULA_INPUTS(DIFFERENCE_ALONE), .compute = formula_itself},
    {.label = "hydro.pressure", .title = "Pressure of a liquid column", .expression = "dp = rho g dTVD", .unit = "Pa",
     .validity = "constant density; above about 1000 m of compressible liquid the density errs by about 1 % (common practice, no source)",
     .source = "hydrostatics; g: NIST SP 811 (2008) app. B", FORMULA_INPUTS(COLUMN), .compute = pressure},
    {.label = "hydro.gradient", .title = "Pressure gradient of a liquid", .expression = "G = rho g", .unit = "Pa/m", .validity = "",
     .source = "hydrostatics; g: NIST SP 811 (2008) app. B", FORMULA_INPUTS(DENSITY_ALONE), .compute = gradient},
    {.label = "hydro.head_per_psi", .title = "Head of a unit of pressure", .expression = "1 / (rho g)", .unit = "ft/psi", .validity = "",
     .source = "hydrostatics; g: NIST SP 811 (2008) app. B", FORMULA_INPUTS(DENSITY_ALONE), .compute = head_per_pressure},
    {.label = "hydro.head", .title = "Head of a pressure difference", .expression = "H = dp / (rho g)", .unit = "m", .validity = "",
     .source = "ISO 9906, pressure term", FORMULA_INPUTS(HEAD), .compute = head},
    {.label = "hydro.double_conversion_ratio", .title = "Ratio that gives a unit mix-up away", .expression = "p_seen / p_trusted", .unit = "",
     .validity = "suspect within 2 % of a ratio of two units (project rule)", .source = "ratios of the units' definitions, NIST SP 811 (2008) app. B",
     FORMULA_INPUTS(RATIO), .compute = conversion_ratio},
};
/* clang-format on */

const struct formula_group FORMULA_UNITS_AND_HYDROSTATICS = FORMULA_ROWS(ROWS);
