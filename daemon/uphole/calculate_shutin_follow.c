/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_shutin_follow.c - what follows from Horner's line, by the rows of formula_buildup.c:
 * as far as the inputs are given.
 */
#include "calculate_shutin.h"

#include <math.h>
#include <string.h>

#define NUMBER_TEXT 48

/** In order: each may take the results before it. */
static const struct {
    const char *name, *label, *words;
} QUANTITIES[SHUTIN_QUANTITIES] = {{"k", "buildup.k_field", "permeability"},
                                   {"s", "buildup.skin_field", "skin"},
                                   {"dp_s", "buildup.dp_skin", "pressure drop of the skin"},
                                   {"efficiency", "buildup.flow_efficiency", "flow efficiency"},
                                   {"r_inv", "buildup.radius_field", "radius of investigation"}};

/* The last term of the skin belongs to Horner's line; texts leave it out where t_p is long. */
static const char SKIN_FORM[] = "with t_p term, 1.1513 and 3.2275";
static const char *const NAMES[] = {"q",   "B",   "mu",   "h",        "phi",
                                    "c_t", "r_w", "p_wf", "constant", "form"};

static bool is_name(const char *name)
{
    for (size_t i = 0; i < sizeof NAMES / sizeof *NAMES; i++)
        if (strcmp(NAMES[i], name) == 0)
            return true;
    return false;
}

bool shutin_takes(const char *name)
{
    return is_name(strncmp(name, "u_", 2) == 0 ? name + 2 : name);
}

/** Computed so far, by the symbol of the formulas, as text that they read. */
struct known {
    size_t n;
    struct {
        const char *name;
        char text[NUMBER_TEXT];
    } row[12];
};

static void know(struct known *known, const char *name, double si, const char *unit)
{
    if (!isfinite(si))
        return;
    known->row[known->n].name = name;
    snprintf(known->row[known->n++].text, NUMBER_TEXT, "%.17g%s%s", si, unit[0] != '\0' ? " " : "",
             unit);
}

static const struct calculate_pair *asked_pair(const struct shutin_asked *asked, const char *name)
{
    for (size_t i = 0; i < asked->n_pairs; i++)
        if (strcmp(asked->pair[i].name, name) == 0)
            return &asked->pair[i];
    return NULL;
}

static bool take(struct calculate_pair *pairs, size_t *n, const struct shutin_asked *asked,
                 const struct known *known, const char *name)
{
    const struct calculate_pair *pair = asked_pair(asked, name);
    if (pair != NULL) {
        pairs[(*n)++] = *pair;
        return true;
    }
    for (size_t i = 0; i < known->n; i++)
        if (strcmp(known->row[i].name, name) == 0) {
            snprintf(pairs[*n].name, sizeof pairs[*n].name, "%s", name);
            pairs[*n].value = known->row[i].text;
            pairs[(*n)++].length = strlen(known->row[i].text);
            return true;
        }
    return false;
}

/** The inputs of a formula from what was given and computed; those that lack into `missing`. */
static size_t gather(const struct formula *formula, const struct shutin_asked *asked,
                     const struct known *known, struct calculate_pair *pairs,
                     struct shutin_quantity *quantity)
{
    char u_name[CALCULATE_NAME_MAX + 1];
    size_t n = 0;
    for (size_t i = 0; i < formula->n_inputs; i++) {
        const struct formula_input *input = &formula->input[i];
        if (take(pairs, &n, asked, known, input->name)) {
            snprintf(u_name, sizeof u_name, "u_%s", input->name);
            if (asked_pair(asked, u_name) != NULL)
                (void)take(pairs, &n, asked, known, u_name);
            continue;
        }
        const size_t used = strlen(quantity->missing);
        if (!input->optional && input->take <= TAKE_CONFIGURED)
            snprintf(quantity->missing + used, sizeof quantity->missing - used, "%s%s",
                     used > 0 ? ", " : "", input->name);
    }
    return n;
}

static enum up_rc compute(struct shutin_analysis *analysis, const struct known *known,
                          struct shutin_quantity *quantity, struct up_error *error)
{
    const struct formula *formula = formula_by_label(quantity->label);
    struct calculate_pair pairs[FORMULA_INPUTS_MAX];
    struct calculate_sets sets = {0};
    struct calculation calculation = {0};
    struct formula_result result;
    const size_t n = gather(formula, analysis->asked, known, pairs, quantity);
    quantity->unit = formula->unit;
    if (quantity->missing[0] != '\0')
        return UP_OK;
    const enum up_rc rc = calculation_make(quantity->label, pairs, n, &sets, &calculation, error);
    if (rc == UP_OK) {
        formula_evaluate(calculation.formula, calculation.given, NULL, &result);
        quantity->computed = true;
        quantity->reason = (enum formula_reason)result.reason;
        quantity->value = result.value;
        quantity->flags = result.flags;
        if (result.culprit != FORMULA_NO_INPUT)
            quantity->culprit = formula->input[result.culprit].name;
        quantity->has_u = calculation.has_u && quantity->reason == REASON_NONE &&
                          formula_uncertainty(calculation.formula, calculation.given, calculation.u,
                                              NULL, &quantity->u) == REASON_NONE;
    }
    calculation_free(&calculation);
    return rc;
}

enum up_rc shutin_quantities(struct shutin_analysis *analysis, struct up_error *error)
{
    const struct shutin_record *record = analysis->record;
    const struct shutin_line *line = &analysis->line;
    struct known known = {0};
    if (line->reason == REASON_NONE) {
        know(&known, "m", line->m, "Pa/cycle");
        know(&known, "p_star", line->star, "Pa");
        know(&known, "p_1h", line->one_hour, "Pa");
        know(&known, "t", record->dt[line->first + line->n - 1], "s");
    }
    know(&known, "t_p", analysis->asked->t_p, "s");
    know(&known, "p_wf", analysis->flowing, "Pa");
    snprintf(known.row[known.n].text, NUMBER_TEXT, "%s", SKIN_FORM);
    known.row[known.n++].name = "form";
    enum up_rc rc = UP_OK;
    for (size_t i = 0; rc == UP_OK && i < SHUTIN_QUANTITIES; i++) {
        struct shutin_quantity *quantity = &analysis->quantity[i];
        *quantity = (struct shutin_quantity){
            .name = QUANTITIES[i].name, .label = QUANTITIES[i].label, .words = QUANTITIES[i].words};
        rc = compute(analysis, &known, quantity, error);
        if (quantity->computed && quantity->reason == REASON_NONE && i < 2)
            know(&known, quantity->name, quantity->value, i == 0 ? "m2" : "");
    }
    return rc;
}
