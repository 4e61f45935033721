/* SPDX-License-Identifier: Apache-2.0
 *
 * formula.c - see formula.h: looks formulas up, judges inputs before the formula sees them, and
 * propagates uncertainty.
 */
#include "formula_groups.h"

#include <math.h>
#include <string.h>

/* A central difference errs least near a step of the cube root of the relative rounding. */
#define STEP_RELATIVE 6.055454452393343e-06

static const struct formula_group *const GROUPS[] = {
    &FORMULA_UNITS_AND_HYDROSTATICS,
    &FORMULA_SURVEY,
    &FORMULA_FLUID,
    &FORMULA_GAS,
    &FORMULA_LEVEL,
    &FORMULA_PUMP,
    &FORMULA_CURVE,
    &FORMULA_POWER,
    &FORMULA_CABLE,
    &FORMULA_MOTOR,
    &FORMULA_VIBRATION,
    &FORMULA_INFLOW,
    &FORMULA_BUILDUP,
    &FORMULA_PVT,
    &FORMULA_INTAKE,
    &FORMULA_STATISTICS,
    &FORMULA_WINDOWS,
    &FORMULA_UNCERTAINTY,
};

size_t formula_count(void)
{
    size_t n = 0;
    for (size_t g = 0; g < sizeof GROUPS / sizeof *GROUPS; g++)
        n += GROUPS[g]->n;
    return n;
}

const struct formula *formula_at(size_t index)
{
    for (size_t g = 0; g < sizeof GROUPS / sizeof *GROUPS; g++) {
        if (index < GROUPS[g]->n)
            return &GROUPS[g]->row[index];
        index -= GROUPS[g]->n;
    }
    return 0;
}

const struct formula *formula_of(formula_function *function)
{
    for (size_t g = 0; g < sizeof GROUPS / sizeof *GROUPS; g++)
        for (size_t i = 0; i < GROUPS[g]->n; i++)
            if (GROUPS[g]->row[i].compute == function)
                return &GROUPS[g]->row[i];
    return 0;
}

size_t formula_input_index(const struct formula *formula, const char *name)
{
    size_t i = 0;
    while (i < formula->n_inputs && strcmp(formula->input[i].name, name) != 0)
        i++;
    return i;
}

const struct formula *formula_by_label(const char *label)
{
    for (size_t i = 0; i < formula_count(); i++)
        if (strcmp(formula_at(i)->label, label) == 0)
            return formula_at(i);
    return 0;
}

static bool named(const char *name, const char *const *names, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(name, names[i]) == 0)
            return true;
    return false;
}

static bool fits(const struct formula *formula, const char *const *names, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (formula_input_index(formula, names[i]) == formula->n_inputs)
            return false;
    for (size_t i = 0; i < formula->n_inputs; i++) {
        const struct formula_input *input = &formula->input[i];
        if (!input->optional && input->take <= TAKE_CONFIGURED && !named(input->name, names, n))
            return false;
    }
    return true;
}

const struct formula *formula_find(const char *label, const char *const *names, size_t n)
{
    for (size_t i = 0; i < formula_count(); i++) {
        const struct formula *formula = formula_at(i);
        if (strcmp(formula->label, label) == 0 && fits(formula, names, n))
            return formula;
    }
    return 0;
}

const char *formula_reason_name(enum formula_reason reason)
{
    static const char *const NAMES[FORMULA_REASONS] = {
        "none",         "config_missing", "not_fitted", "input_missing", "input_bad",
        "pump_stopped", "too_few",        "gap",        "domain",        "not_converged"};
    return (unsigned)reason < FORMULA_REASONS ? NAMES[reason] : "";
}

const char *formula_flag_name(enum formula_flag flag)
{
    static const char *const NAMES[] = {"outside_validity", "extrapolated", "unit_suspect",
                                        "reversed_dp",      "limited",      "uncertain"};
    for (unsigned i = 0; i < sizeof NAMES / sizeof *NAMES; i++)
        if ((unsigned)flag == 1u << i)
            return NAMES[i];
    return "";
}

FORMULA_SHARED(formula_itself)
{
    (void)steps;
    out->value = given[0].value;
}

FORMULA_SHARED(formula_product)
{
    (void)steps;
    out->value = given[0].value * given[1].value;
}

FORMULA_SHARED(formula_quotient)
{
    (void)steps;
    out->value = given[0].value / given[1].value;
}

void formula_step(struct formula_steps *steps, const char *symbol, double value, const char *unit)
{
    if (steps == 0 || steps->n == FORMULA_STEPS_MAX)
        return;
    steps->step[steps->n].symbol = symbol;
    steps->step[steps->n].unit = unit;
    steps->step[steps->n].value = value;
    steps->n++;
}

static bool within(double value, uint8_t bound)
{
    switch (bound) {
    case BOUND_POSITIVE:
        return value > 0.0;
    case BOUND_NOT_NEGATIVE:
        return value >= 0.0;
    case BOUND_RATIO:
        return value >= 0.0 && value <= 1.0;
    default:
        return true;
    }
}

/** What an input by itself says against a value. Lists are judged by their formula. */
static enum formula_reason reason_of(const struct formula_input *input,
                                     const struct formula_given *given)
{
    if (input->take >= TAKE_OPTION)
        return REASON_NONE;
    if (!given->present)
        return input->optional                  ? REASON_NONE
               : input->take == TAKE_CONFIGURED ? REASON_CONFIG_MISSING
                                                : REASON_INPUT_MISSING;
    if (given->reason == REASON_INPUT_MISSING && input->take == TAKE_CONFIGURED)
        return REASON_CONFIG_MISSING;
    if (given->reason != REASON_NONE)
        return (enum formula_reason)given->reason;
    if (input->list)
        return REASON_NONE;
    if (!isfinite(given->value))
        return input->take == TAKE_CONFIGURED ? REASON_CONFIG_MISSING : REASON_INPUT_BAD;
    return within(given->value, input->bound) ? REASON_NONE : REASON_DOMAIN;
}

void formula_evaluate(const struct formula *formula, const struct formula_given *given,
                      struct formula_steps *steps, struct formula_result *out)
{
    *out = (struct formula_result){.value = NAN, .culprit = FORMULA_NO_INPUT};
    if (steps != 0)
        steps->n = 0;
    for (uint8_t i = 0; i < formula->n_inputs; i++) {
        const enum formula_reason reason = reason_of(&formula->input[i], &given[i]);
        if (reason != REASON_NONE && (out->reason == REASON_NONE || reason < out->reason))
            formula_none(out, reason, i);
    }
    if (out->reason != REASON_NONE)
        return;
    formula->compute(given, steps, out);
    if (out->reason == REASON_NONE && !isfinite(out->value))
        formula_none(out, REASON_DOMAIN, FORMULA_NO_INPUT);
    if (out->reason != REASON_NONE) {
        out->value = NAN;
        out->flags = 0;
    }
}

enum formula_reason formula_uncertainty(const struct formula *formula,
                                        const struct formula_given *given, const double *u,
                                        double *part, double *out)
{
    struct formula_given moved[FORMULA_INPUTS_MAX];
    double sum = 0.0;
    memcpy(moved, given, formula->n_inputs * sizeof *moved);
    for (uint8_t i = 0; i < formula->n_inputs; i++) {
        const struct formula_input *input = &formula->input[i];
        if (part != 0)
            part[i] = 0.0;
        if (!given[i].present || input->list || input->take >= TAKE_OPTION || !(u[i] > 0.0))
            continue;
        const double x = given[i].value, size = fabs(x) > u[i] ? fabs(x) : u[i];
        struct formula_result high, low;
        moved[i].value = x + STEP_RELATIVE * size;
        const double up = moved[i].value - x;
        formula_evaluate(formula, moved, 0, &high);
        moved[i].value = x - STEP_RELATIVE * size;
        const double down = x - moved[i].value;
        formula_evaluate(formula, moved, 0, &low);
        moved[i].value = x;
        if (high.reason != REASON_NONE || low.reason != REASON_NONE)
            return high.reason != REASON_NONE ? (enum formula_reason)high.reason
                                              : (enum formula_reason)low.reason;
        const double share = fabs((high.value - low.value) / (up + down)) * u[i];
        if (part != 0)
            part[i] = share;
        sum += share * share;
    }
    *out = sqrt(sum);
    return isfinite(*out) ? REASON_NONE : REASON_DOMAIN;
}
