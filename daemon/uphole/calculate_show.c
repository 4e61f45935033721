/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_show.c - shows the working of a formula as an engineer would write it down.
 */
#include "calculate.h"
#include "command.h"

#include "uphole/quantity.h"

#include <math.h>
#include <string.h>

#define SHOWN_MAX 96

/** Ten significant digits, without zeros that say nothing. */
static const char *digits(double value, char into[static SHOWN_MAX])
{
    snprintf(into, SHOWN_MAX, "%.10g", value);
    return into;
}

/** In `unit`; `difference`: of two temperatures, where degF has no zero point. */
static const char *in_unit(double si, const char *unit, bool difference,
                           char into[static SHOWN_MAX])
{
    struct formula_unit shown;
    char number[SHOWN_MAX];
    if (!formula_unit_parse(unit, strlen(unit), !difference, &shown))
        shown = (struct formula_unit){.factor = 1.0};
    snprintf(into, SHOWN_MAX, "%.40s%s%.30s", digits(calculate_shown(si, &shown), number),
             unit[0] != '\0' ? " " : "", unit);
    return into;
}

/** The value as written, or the word that stands for it. */
static const char *as_written(const struct calculation *calculation, size_t index,
                              char into[static SHOWN_MAX])
{
    const struct calculate_pair *pair = calculation->pair[index];
    const size_t length = pair->length < 60 ? pair->length : 60;
    snprintf(into, SHOWN_MAX, "%.*s%s", (int)length, pair->value, pair->length > 60 ? "..." : "");
    return into;
}

/** Differences have no zero point: a degC of uncertainty is a K. */
static const char *unit_of_uncertainty(const char *unit)
{
    return strcmp(unit, "degC") == 0 ? "K" : unit;
}

static bool is_temperature(const struct formula *formula)
{
    return strcmp(formula->unit, "degC") == 0 || strcmp(formula->unit, "degF") == 0;
}

static void show_inputs(FILE *stream, const struct calculation *calculation, const double *part)
{
    const struct formula *formula = calculation->formula;
    char text[SHOWN_MAX], share[SHOWN_MAX];
    for (size_t i = 0; i < formula->n_inputs; i++) {
        if (calculation->pair[i] == NULL)
            continue;
        fprintf(stream, "  %-8s %-22s %s", formula->input[i].name, as_written(calculation, i, text),
                formula->input[i].about);
        if (part != NULL && part[i] > 0.0)
            fprintf(stream, " (its uncertainty gives %s)",
                    in_unit(part[i], unit_of_uncertainty(formula->unit), true, share));
        fprintf(stream, "\n");
    }
}

static void show_flags(FILE *stream, uint8_t flags)
{
    for (unsigned bit = 1; bit <= FLAG_UNCERTAIN; bit <<= 1)
        if ((flags & bit) != 0)
            fprintf(stream, "  flag     %s\n", formula_flag_name((enum formula_flag)bit));
}

void calculate_show(FILE *stream, const struct calculation *calculation, const char *unit)
{
    const struct formula *formula = calculation->formula;
    struct formula_steps steps = {0};
    struct formula_result result;
    double part[FORMULA_INPUTS_MAX] = {0}, u = 0.0;
    char text[SHOWN_MAX];
    const char *shown = unit != NULL ? unit : formula->unit;
    formula_evaluate(formula, calculation->given, &steps, &result);
    const bool with_u =
        calculation->has_u && result.reason == REASON_NONE &&
        formula_uncertainty(formula, calculation->given, calculation->u, part, &u) == REASON_NONE;
    fprintf(stream, "%s: %s\n  %s\n\n", formula->label, formula->title, formula->expression);
    show_inputs(stream, calculation, with_u ? part : NULL);
    fprintf(stream, "\n");
    for (size_t i = 0; result.reason == REASON_NONE && i < steps.n; i++)
        fprintf(stream, "  %-24s = %s\n", steps.step[i].symbol,
                in_unit(steps.step[i].value, steps.step[i].unit, false, text));
    if (result.reason == REASON_NONE) {
        fprintf(stream, "  result   %s\n",
                in_unit(result.value, shown, !is_temperature(formula), text));
        if (with_u)
            fprintf(stream, "  standard uncertainty %s (inputs taken as uncorrelated)\n",
                    in_unit(u, unit_of_uncertainty(shown), true, text));
        show_flags(stream, result.flags);
    } else {
        fprintf(stream, "  no value: %s%s%s\n",
                formula_reason_name((enum formula_reason)result.reason),
                result.culprit != FORMULA_NO_INPUT ? ", because of " : "",
                result.culprit != FORMULA_NO_INPUT ? formula->input[result.culprit].name : "");
    }
    if (formula->validity[0] != '\0')
        fprintf(stream, "  valid    %s\n", formula->validity);
    fprintf(stream, "  source   %s\n", formula->source);
}

static void json_number(FILE *stream, double value)
{
    if (isfinite(value))
        fprintf(stream, "%.17g", value);
    else
        fprintf(stream, "null");
}

static void json_text(FILE *stream, const char *name, const char *text)
{
    fprintf(stream, ",\"%s\":", name);
    command_json_text(stream, text);
}

static void json_inputs(FILE *stream, const struct calculation *calculation)
{
    const struct formula *formula = calculation->formula;
    char text[SHOWN_MAX];
    bool first = true;
    fprintf(stream, ",\"inputs\":{");
    for (size_t i = 0; i < formula->n_inputs; i++) {
        if (calculation->pair[i] == NULL)
            continue;
        fprintf(stream, "%s", first ? "" : ",");
        command_json_text(stream, formula->input[i].name);
        fputc(':', stream);
        command_json_text(stream, as_written(calculation, i, text));
        first = false;
    }
    fputc('}', stream);
}

void calculate_show_json(FILE *stream, const struct calculation *calculation, const char *unit)
{
    const struct formula *formula = calculation->formula;
    struct formula_steps steps = {0};
    struct formula_result result;
    struct formula_unit out = {.factor = 1.0};
    double u = NAN;
    const char *shown = unit != NULL ? unit : formula->unit;
    formula_evaluate(formula, calculation->given, &steps, &result);
    if (!formula_unit_parse(shown, strlen(shown), is_temperature(formula), &out))
        out = (struct formula_unit){.factor = 1.0};
    if (calculation->has_u && result.reason == REASON_NONE &&
        formula_uncertainty(formula, calculation->given, calculation->u, NULL, &u) != REASON_NONE)
        u = NAN;
    fprintf(stream, "{\"schema\":\"uphole/calculation/1\"");
    json_text(stream, "quantity", formula->label);
    json_text(stream, "formula", formula->expression);
    json_inputs(stream, calculation);
    fprintf(stream, ",\"value\":");
    json_number(stream, result.reason == REASON_NONE ? calculate_shown(result.value, &out) : NAN);
    json_text(stream, "unit", shown);
    fprintf(stream, ",\"standard_uncertainty\":");
    json_number(stream, u / out.factor);
    json_text(stream, "reason", formula_reason_name((enum formula_reason)result.reason));
    fprintf(stream, ",\"because_of\":");
    if (result.culprit != FORMULA_NO_INPUT)
        command_json_text(stream, formula->input[result.culprit].name);
    else
        fprintf(stream, "null");
    fprintf(stream, ",\"flags\":[");
    const char *comma = "";
    for (unsigned bit = 1; bit <= FLAG_UNCERTAIN; bit <<= 1) {
        if ((result.flags & bit) == 0)
            continue;
        fprintf(stream, "%s\"%s\"", comma, formula_flag_name((enum formula_flag)bit));
        comma = ",";
    }
    fprintf(stream, "]");
    json_text(stream, "validity", formula->validity);
    json_text(stream, "source", formula->source);
    fprintf(stream, "}\n");
}

void calculate_list(FILE *stream, bool json)
{
    if (json)
        fputc('[', stream);
    for (size_t f = 0; f < formula_count(); f++) {
        const struct formula *formula = formula_at(f);
        if (json) {
            fprintf(stream, "%s{\"quantity\":", f > 0 ? ",\n" : "");
            command_json_text(stream, formula->label);
            json_text(stream, "title", formula->title);
            json_text(stream, "formula", formula->expression);
            json_text(stream, "unit", formula->unit);
            json_text(stream, "source", formula->source);
            fputc('}', stream);
            continue;
        }
        fprintf(stream, "%-32s %s\n%32s   inputs:", formula->label, formula->title, "");
        for (size_t i = 0; i < formula->n_inputs; i++)
            fprintf(stream, " %s%s%s", formula->input[i].optional ? "[" : "",
                    formula->input[i].name, formula->input[i].optional ? "]" : "");
        fprintf(stream, "; result in %s\n", formula->unit[0] != '\0' ? formula->unit : "1");
    }
    if (json)
        fprintf(stream, "]\n");
}
