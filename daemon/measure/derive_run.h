/* SPDX-License-Identifier: Apache-2.0
 *
 * derive_run.h - how derived points run formulas, and what several of them share. Private to
 * measure.
 *
 * What a formula says joins `quality`; once that is Bad nothing more is run, and values are NaN.
 */
#ifndef UPHOLE_DERIVE_RUN_H
#define UPHOLE_DERIVE_RUN_H

#include "derive_rows.h"
#include "formula_groups.h"

#define KPA 1000.0
#define KW 1000.0
#define BAR 1e5

/** Lists that a formula takes before its other inputs, all of n values. */
struct derived_lists {
    size_t n_lists, n;
    const double *list[3];
};

/** Runs a formula over SI values in the order of its inputs, bounds of the inputs and all; NaN
 * stands for one that is left out. */
double derive_run(formula_function *function, const double *si, size_t n, uint8_t *quality);
double derive_run_lists(formula_function *function, const struct derived_lists *lists,
                        const double *si, size_t n, uint8_t *quality);
#define RUN(formula, quality, ...)                                                                 \
    derive_run((formula), (const double[]){__VA_ARGS__},                                           \
               sizeof((const double[]){__VA_ARGS__}) / sizeof(double), (quality))
#define RUN_LISTS(formula, lists, quality, ...)                                                    \
    derive_run_lists((formula), (lists), (const double[]){__VA_ARGS__},                            \
                     sizeof((const double[]){__VA_ARGS__}) / sizeof(double), (quality))

#define PARAMETER(name)                                                                            \
    static double name(const double *value, const struct well_setting *setting, uint8_t *quality)

/** value: intake pressure. */
double well_datum_kpa(const double *value, const struct well_setting *setting, uint8_t *quality);
/** value: discharge, intake pressure. */
double well_total_head_m(const double *value, const struct well_setting *setting, uint8_t *quality);
double well_hydraulic_kw(const double *value, const struct well_setting *setting, uint8_t *quality);
/** The stated rate is that of the last test; after a month without a new one nobody knows. */
double well_stated_rate_m3_d(const struct well_setting *setting, uint8_t *quality);
/** Through the pump, m3/s. Oil swells with its gas; without a stated factor 1 stands in, and the
 * result is unsure where there is oil at all. Water at the pump is taken as at surface. */
double well_pump_rate(const struct well_setting *setting, uint8_t *quality);

#endif
