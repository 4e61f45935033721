/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_groups.h - the groups of formulas, a file each; and how their rows are written.
 *
 * To add a formula: a static array of inputs, a compute function over `given` (same order), a row
 * in the group's array. All values are coherent SI: temperatures in K, rates in m3/s, angles in
 * rad.
 */
#ifndef UPHOLE_FORMULA_GROUPS_H
#define UPHOLE_FORMULA_GROUPS_H

#include "uphole/formula.h"

struct formula_group {
    const struct formula *row;
    size_t n;
};

/** INPUT("p_d", "Pa", "discharge pressure", .bound = BOUND_POSITIVE): name, own unit, words, and
 * what else differs from a plain measured one. */
#define FORMULA_FUNCTION(name)                                                                     \
    static void name(const struct formula_given *given, struct formula_steps *steps,               \
                     struct formula_result *out)
/** The same, of a formula that derived points use as well. */
#define FORMULA_SHARED(name)                                                                       \
    void name(const struct formula_given *given, struct formula_steps *steps,                      \
              struct formula_result *out)
#define INPUT(symbol, own_unit, words, ...)                                                        \
    {                                                                                              \
        .name = (symbol), .unit = (own_unit), .about = (words), __VA_ARGS__                        \
    }
#define FORMULA_INPUTS(array) .input = (array), .n_inputs = sizeof(array) / sizeof *(array)
/** INPUT of a datum that the configuration states. */
#define CONFIGURED(symbol, own_unit, words, limit)                                                 \
    INPUT(symbol, own_unit, words, .take = TAKE_CONFIGURED, .bound = (limit))
/** A whole row. */
#define FORMULA(name, words, form, result_unit, valid, from, inputs, function)                     \
    {                                                                                              \
        .label = (name), .title = (words), .expression = (form), .unit = (result_unit),            \
        .validity = (valid), .source = (from), FORMULA_INPUTS(inputs), .compute = (function)       \
    }
#define FORMULA_ROWS(array)                                                                        \
    {                                                                                              \
        (array), sizeof(array) / sizeof *(array)                                                   \
    }

#define STANDARD_GRAVITY 9.80665        /* m/s2, exact: CGPM 1901, NIST SP 811 (2008) app. B */
#define STANDARD_ATMOSPHERE_PA 101325.0 /* exact: ISO 2533 */
#define GAS_CONSTANT 8.31446261815324   /* J/(mol K), exact: SI 2019 */
#define AIR_MOLAR_MASS 0.02896546       /* kg/mol: ISO 6976:2016, from memory */
#define ICE_POINT_K 273.15
#define FRESH_WATER_60F_KG_M3 999.016 /* API MPMS 11.4.1, from memory */
#define PSI_IN_PA (0.45359237 * 9.80665 / (0.0254 * 0.0254))
#define BARREL_IN_M3 0.158987294928
#define FOOT_IN_M 0.3048
#define DAY_IN_S 86400.0
#define HEAD_RATIO_MOST 1.2 /* of a pump to its curve; common practice, no source */

extern const struct formula_group FORMULA_UNITS_AND_HYDROSTATICS, FORMULA_SURVEY, FORMULA_FLUID,
    FORMULA_GAS, FORMULA_LEVEL, FORMULA_PUMP, FORMULA_CURVE, FORMULA_POWER, FORMULA_CABLE,
    FORMULA_MOTOR, FORMULA_VIBRATION, FORMULA_INFLOW, FORMULA_BUILDUP, FORMULA_PVT, FORMULA_INTAKE,
    FORMULA_STATISTICS, FORMULA_WINDOWS, FORMULA_UNCERTAINTY;

/* Formulas that derived points use too; inputs in the order of their rows. */
typedef void formula_function(const struct formula_given *given, struct formula_steps *steps,
                              struct formula_result *out);
/* The first input; it times, and over, the second one. */
formula_function formula_itself, formula_product, formula_quotient;
formula_function level_height, gas_z_chain, gas_volume_factor, pvt_rs_standing, pvt_bo_standing,
    intake_free_fraction, intake_turpin, water_margin, inflow_composite_rate,
    insulation_at_reference, affinity_head, affinity_rate, power_active, power_efficiency,
    pump_total_head, datum_pressure, cable_loss, copper_resistance, cable_resistance,
    cable_terminal_power, motor_efficiency, curve_head, curve_shaft_power,
    curve_shaft_power_of_efficiency, curve_head_ratio, inflow_fetkovich_of_tests;
/** A least-squares line of y over x, point by point; squares are about means that go along. */
struct running_line {
    size_t n;
    double mean_x, mean_y, sxx, sxy;
};
static inline void running_line_add(struct running_line *line, double x, double y)
{
    const double dx = x - line->mean_x, dy = y - line->mean_y;
    line->n++;
    line->mean_x += dx / (double)line->n;
    line->mean_y += dy / (double)line->n;
    line->sxx += dx * (x - line->mean_x);
    line->sxy += dx * (y - line->mean_y);
}
/** Outside the ratios of frequencies for which affinity laws hold. */
void affinity_judge(double ratio, struct formula_result *out);
/** The first row that a function computes; NULL: none. For formula_evaluate, which judges inputs.
 */
const struct formula *formula_of(formula_function *function);
/** Z by Dranchuk and Abou-Kassem; fills reason or flags. */
void gas_z_dak(double reduced_temperature, double reduced_pressure, struct formula_result *out);
/** Median of the slopes of all pairs with different x; of more than 128 samples the newest. */
void slope_theil_sen(const double *x, const double *y, size_t n, struct formula_result *out);
/** The same with Sen's bounds of 95 %, ties counted: no slope is shown where they lie on both sides
 * of 0. Samples are taken as independent. */
void slope_theil_sen_bounds(const double *x, const double *y, size_t n, double *low, double *high,
                            struct formula_result *out);

#endif
