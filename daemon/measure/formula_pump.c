/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_pump.c - the pump: differential pressure, head, hydraulic power.
 *
 * Pressure head and total head are different quantities; each row says which one it is.
 */
#include "formula_groups.h"

#include <math.h>

static void differential(const struct formula_given *given, struct formula_steps *steps,
                         struct formula_result *out)
{
    (void)steps;
    out->value = given[0].value - given[1].value;
    if (out->value <= 0.0)
        out->flags |= FLAG_REVERSED_DP;
}

static void pressure_head(const struct formula_given *given, struct formula_steps *steps,
                          struct formula_result *out)
{
    const double dp_pa = given[0].value - given[1].value;
    formula_step(steps, "dp = p_d - p_i", dp_pa, "MPa");
    formula_step(steps, "rho g", given[2].value * STANDARD_GRAVITY, "Pa/m");
    out->value = dp_pa / (given[2].value * STANDARD_GRAVITY);
    if (dp_pa <= 0.0)
        out->flags |= FLAG_REVERSED_DP;
}

void pump_total_head(const struct formula_given *given, struct formula_steps *steps,
                     struct formula_result *out)
{
    const double v_d = formula_or(&given[4], 0.0), v_i = formula_or(&given[5], 0.0);
    const double velocity_m = (v_d * v_d - v_i * v_i) / (2.0 * STANDARD_GRAVITY);
    pressure_head(given, steps, out);
    formula_step(steps, "H_p = dp / (rho g)", out->value, "m");
    formula_step(steps, "dz", given[3].value, "m");
    formula_step(steps, "(v_d^2 - v_i^2) / (2 g)", velocity_m, "m");
    out->value += given[3].value + velocity_m;
}

static void head_of_difference(const struct formula_given *given, struct formula_steps *steps,
                               struct formula_result *out)
{
    (void)steps;
    out->value = given[0].value / (given[1].value * STANDARD_GRAVITY);
    if (given[0].value <= 0.0)
        out->flags |= FLAG_REVERSED_DP;
}

static void power_of_head(const struct formula_given *given, struct formula_steps *steps,
                          struct formula_result *out)
{
    const double dp_pa = given[1].value * STANDARD_GRAVITY * given[0].value;
    formula_step(steps, "dp = rho g H", dp_pa, "MPa");
    out->value = dp_pa * given[2].value;
}

/** How many units of q times dp (or H) make one unit of power; the unit's size comes with the
 * option. */
static double power_unit_w(const struct formula_given *given)
{
    static const double UNIT_W[] = {550.0 * PSI_IN_PA * FOOT_IN_M * 0.0254 * 0.0254, 1e3, 1.0};
    return UNIT_W[(size_t)given->value % 3];
}

static void constant_of_difference(const struct formula_given *given, struct formula_steps *steps,
                                   struct formula_result *out)
{
    (void)steps;
    out->value = power_unit_w(&given[2]) / (given[0].value * given[1].value);
}

static void constant_of_head(const struct formula_given *given, struct formula_steps *steps,
                             struct formula_result *out)
{
    (void)steps;
    out->value = power_unit_w(&given[3]) /
                 (given[0].value * given[1].value * given[2].value * STANDARD_GRAVITY);
}

/* clang-format off */
#define DENSITY INPUT("rho", "kg/m3", "density of what the pump lifts", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE)
#define POWER_UNIT INPUT("P_unit", "", "unit of the power", .take = TAKE_OPTION, .choices = "hp|kW|W")
#define DISCHARGE_TEMPERATURE INPUT("T_d", "degC", "discharge temperature: takes no part", .take = TAKE_REMARK, .optional = true)
static const struct formula_input DIFFERENCE[] = {
    INPUT("p_d", "Pa", "discharge pressure"), INPUT("p_i", "Pa", "intake pressure, same reference"), DISCHARGE_TEMPERATURE};
static const struct formula_input PRESSURE_HEAD[] = {
    INPUT("p_d", "Pa", "discharge pressure"), INPUT("p_i", "Pa", "intake pressure, same reference"), DENSITY, DISCHARGE_TEMPERATURE};
static const struct formula_input TOTAL_HEAD[] = {
    INPUT("p_d", "Pa", "discharge pressure"), INPUT("p_i", "Pa", "intake pressure, same reference"), DENSITY,
    INPUT("dz", "m", "height of the discharge port above the intake port", .take = TAKE_CONFIGURED),
    INPUT("v_d", "m/s", "velocity at discharge", .take = TAKE_CONFIGURED, .optional = true),
    INPUT("v_i", "m/s", "velocity at intake", .take = TAKE_CONFIGURED, .optional = true)};
static const struct formula_input HEAD_OF_DIFFERENCE[] = {INPUT("dp", "Pa", "differential pressure"), DENSITY};
static const struct formula_input PER_STAGE[] = {
    INPUT("H", "m", "head"), INPUT("N_st", "", "stages", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE)};
static const struct formula_input POWER_OF_DIFFERENCE[] = {
    INPUT("dp", "Pa", "differential pressure"), INPUT("Q", "m3/d", "liquid rate at pump conditions", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input POWER_OF_DIFFERENCE_Q[] = {
    INPUT("q", "m3/d", "liquid rate at pump conditions", .bound = BOUND_NOT_NEGATIVE), INPUT("dp", "Pa", "differential pressure")};
static const struct formula_input POWER_OF_HEAD[] = {
    INPUT("H", "m", "head"), DENSITY, INPUT("Q", "m3/d", "liquid rate at pump conditions", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input CONSTANT_OF_DIFFERENCE[] = {
    INPUT("q", "m3/d", "rate", .bound = BOUND_POSITIVE), INPUT("dp", "Pa", "differential pressure", .bound = BOUND_POSITIVE), POWER_UNIT};
static const struct formula_input CONSTANT_OF_HEAD[] = {
    INPUT("q", "m3/d", "rate", .bound = BOUND_POSITIVE), INPUT("H", "m", "head", .bound = BOUND_POSITIVE), DENSITY, POWER_UNIT};

#define HEAD_SOURCE "ISO 9906 and Hydraulic Institute, total head (from memory)"
#define HEAD_VALIDITY "nearly single-phase; with free gas an equivalent head only; curves are for water, above about 10 mm2/s see ANSI/HI 9.6.7 (from memory)"
static const struct formula ROWS[] = {
    {.label = "pump.dp", .title = "Pump differential pressure", .expression = "dp = p_d - p_i", .unit = "kPa", .validity = "both of one reference",
     .source = "definition", FORMULA_INPUTS(DIFFERENCE), .compute = differential},
    {.label = "pump.pressure_head", .title = "Pump head, pressure term", .expression = "H_p = (p_d - p_i) / (rho g)", .unit = "m",
     .validity = HEAD_VALIDITY, .source = HEAD_SOURCE, FORMULA_INPUTS(PRESSURE_HEAD), .compute = pressure_head},
    {.label = "pump.total_head", .title = "Pump head, with port spacing and velocities",
     .expression = "H = (p_d - p_i) / (rho g) + dz + (v_d^2 - v_i^2) / (2 g)", .unit = "m",
     .validity = HEAD_VALIDITY, .source = HEAD_SOURCE, FORMULA_INPUTS(TOTAL_HEAD), .compute = pump_total_head},
    {.label = "pump.pressure_head_ft", .title = "Pump head in feet from a pressure difference", .expression = "H_p = dp / (rho g)", .unit = "ft",
     .validity = HEAD_VALIDITY, .source = HEAD_SOURCE, FORMULA_INPUTS(HEAD_OF_DIFFERENCE), .compute = head_of_difference},
    {.label = "pump.head_per_stage", .title = "Head of one stage", .expression = "H / N_st", .unit = "m", .validity = "",
     .source = "definition", FORMULA_INPUTS(PER_STAGE), .compute = formula_quotient},
    {.label = "pump.hydraulic_power", .title = "Hydraulic power", .expression = "P_h = dp Q", .unit = "kW",
     .validity = "rate at pump conditions, which is larger than the stock-tank rate", .source = "ISO 9906, pump power output (from memory)",
     FORMULA_INPUTS(POWER_OF_DIFFERENCE), .compute = formula_product},
    {.label = "pump.hydraulic_power", .title = "Hydraulic power", .expression = "P_h = dp q", .unit = "kW",
     .validity = "rate at pump conditions, which is larger than the stock-tank rate", .source = "ISO 9906, pump power output (from memory)",
     FORMULA_INPUTS(POWER_OF_DIFFERENCE_Q), .compute = formula_product},
    {.label = "pump.hydraulic_power", .title = "Hydraulic power from head", .expression = "P_h = rho g H Q", .unit = "kW",
     .validity = "rate at pump conditions, which is larger than the stock-tank rate", .source = "ISO 9906, pump power output (from memory)",
     FORMULA_INPUTS(POWER_OF_HEAD), .compute = power_of_head},
    {.label = "pump.field_constant_dp", .title = "Constant of the field form: power = q dp / constant", .expression = "P_unit / (q dp)", .unit = "",
     .validity = "", .source = "definitions of the units; handbooks print 58,800 (from memory)", FORMULA_INPUTS(CONSTANT_OF_DIFFERENCE),
     .compute = constant_of_difference},
    {.label = "pump.field_constant_head", .title = "Constant of the field form: power = q H SG / constant", .expression = "P_unit / (q rho g H)", .unit = "",
     .validity = "", .source = "definitions of the units; handbooks print 135,770 (from memory)", FORMULA_INPUTS(CONSTANT_OF_HEAD),
     .compute = constant_of_head},
};
/* clang-format on */

const struct formula_group FORMULA_PUMP = FORMULA_ROWS(ROWS);
