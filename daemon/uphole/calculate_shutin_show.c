/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_shutin_show.c - the line, what follows from it and what speaks against it, shown.
 */
#include "calculate_shutin.h"

#include <math.h>
#include <string.h>

#define HOUR_S 3600.0

static double shown(double si, const char *unit)
{
    struct formula_unit out;
    return formula_unit_parse(unit, strlen(unit), false, &out) ? calculate_shown(si, &out) : si;
}

static double pressure(const struct shutin_analysis *analysis, double si)
{
    return calculate_shown(si, &analysis->record->in_unit);
}

/** A difference, or a slope. */
static double step(const struct shutin_analysis *analysis, double si)
{
    return si / analysis->record->in_unit.factor;
}

static void show_line(FILE *stream, const struct shutin_analysis *analysis,
                      const struct shutin_line *line)
{
    fprintf(stream, "  %-26s %8.4g to %8.4g h %7zu  ", line->words, line->from / HOUR_S,
            line->to / HOUR_S, line->n);
    if (line->reason == REASON_NONE)
        fprintf(stream, "%12.7g %12.7g\n", step(analysis, line->m), pressure(analysis, line->star));
    else
        fprintf(stream, "no line: %s\n", formula_reason_name(line->reason));
}

static void show_quantity(FILE *stream, const struct shutin_quantity *quantity,
                          const char *pressure_unit)
{
    const char *unit = strcmp(quantity->unit, "psi") == 0 ? pressure_unit : quantity->unit;
    if (!quantity->computed) {
        fprintf(stream, "  %-26s not computed; it lacks %s\n", quantity->words, quantity->missing);
        return;
    }
    if (quantity->reason != REASON_NONE) {
        fprintf(stream, "  %-26s no value: %s%s%s\n", quantity->words,
                formula_reason_name(quantity->reason),
                quantity->culprit != NULL ? ", because of " : "",
                quantity->culprit != NULL ? quantity->culprit : "");
        return;
    }
    fprintf(stream, "  %-26s %s = %.7g%s%s", quantity->words, quantity->name,
            shown(quantity->value, unit), unit[0] != '\0' ? " " : "", unit);
    if (strcmp(unit, "ft") == 0)
        fprintf(stream, " (%.5g m)", quantity->value);
    if (quantity->has_u)
        fprintf(stream, ", standard uncertainty %.3g%s%s from the inputs alone",
                shown(quantity->u, unit), unit[0] != '\0' ? " " : "", unit);
    fprintf(stream, "\n");
}

static void show_flowing(FILE *stream, const struct shutin_analysis *analysis)
{
    const char *unit = analysis->record->unit;
    if (isnan(analysis->flowing))
        fprintf(stream, "  p_wf        not known: no sample before the shut-in\n");
    else if (analysis->given_flowing)
        fprintf(stream, "  p_wf        %.7g %s, as given\n", pressure(analysis, analysis->flowing),
                unit);
    else
        fprintf(stream, "  p_wf        %.7g %s, the sample %.4g h before the shut-in\n",
                pressure(analysis, analysis->flowing), unit,
                analysis->record->flowing_age_s / HOUR_S);
}

void shutin_show(FILE *stream, const struct shutin_analysis *analysis)
{
    const struct shutin_record *record = analysis->record;
    const struct shutin_line *line = &analysis->line;
    const char *unit = record->unit;
    fprintf(stream,
            "Shut-in at %s: Horner's line p_ws = p* - m log10[(t_p + Dt) / Dt], least squares\n\n"
            "  record      %zu samples after the shut-in, %.4g h to %.4g h\n"
            "  t_p         %.6g h\n",
            analysis->asked->shut_at, record->n, record->dt[0] / HOUR_S,
            record->dt[record->n - 1] / HOUR_S, analysis->asked->t_p / HOUR_S);
    show_flowing(stream, analysis);
    fprintf(stream, "  window      %.4g h to %.4g h: %zu points over %.2f cycles\n\n",
            line->from / HOUR_S, line->to / HOUR_S, line->n, line->cycles);
    if (line->reason == REASON_NONE)
        fprintf(stream,
                "  slope                      m = %.7g %s/cycle\n"
                "  extrapolated pressure      p* = %.7g %s\n"
                "  on the line after 1 h      p_1h = %.7g %s\n"
                "  scatter about the line     %.3g %s\n",
                step(analysis, line->m), unit, pressure(analysis, line->star), unit,
                pressure(analysis, line->one_hour), unit, step(analysis, line->scatter), unit);
    else
        fprintf(stream, "  no line: %s\n", formula_reason_name(line->reason));
    for (size_t i = 0; i < SHUTIN_QUANTITIES; i++)
        show_quantity(stream, &analysis->quantity[i], unit);
    fprintf(stream, "\n  the same over other windows                         points            m   "
                    "        p*\n");
    show_line(stream, analysis, line);
    for (size_t i = 0; i < SHUTIN_VARIANTS; i++)
        show_line(stream, analysis, &analysis->variant[i]);
    if (analysis->fitted > 1)
        fprintf(stream, "  over %zu windows: m %.7g to %.7g %s/cycle, p* %.7g to %.7g %s\n",
                analysis->fitted, step(analysis, analysis->m_low), step(analysis, analysis->m_high),
                unit, pressure(analysis, analysis->star_low),
                pressure(analysis, analysis->star_high), unit);
    fprintf(stream, "\n");
    for (size_t i = 0; i < analysis->n_warnings; i++)
        fprintf(stream, "  warning: %s\n", analysis->warning[i]);
    fprintf(stream, "  valid    %s\n  source   %s\n", formula_by_label("buildup.m_fit")->validity,
            formula_by_label("buildup.m_fit")->source);
}

static void json_number(FILE *stream, const char *name, double value)
{
    if (isfinite(value))
        fprintf(stream, ",\"%s\":%.17g", name, value);
    else
        fprintf(stream, ",\"%s\":null", name);
}

static void json_line(FILE *stream, const struct shutin_analysis *analysis,
                      const struct shutin_line *line)
{
    const bool fitted = line->reason == REASON_NONE;
    fprintf(stream, "{\"window\":\"%s\"", line->words);
    json_number(stream, "from_s", line->from);
    json_number(stream, "to_s", line->to);
    fprintf(stream, ",\"points\":%zu", line->n);
    json_number(stream, "cycles", line->cycles);
    json_number(stream, "m", fitted ? step(analysis, line->m) : NAN);
    json_number(stream, "p_star", fitted ? pressure(analysis, line->star) : NAN);
    json_number(stream, "p_1h", fitted ? pressure(analysis, line->one_hour) : NAN);
    json_number(stream, "scatter", fitted ? step(analysis, line->scatter) : NAN);
    fprintf(stream, ",\"reason\":\"%s\"}", formula_reason_name(line->reason));
}

static void json_quantity(FILE *stream, const struct shutin_quantity *quantity)
{
    const bool valued = quantity->computed && quantity->reason == REASON_NONE;
    fprintf(stream, ",\"%s\":{\"quantity\":\"%s\",\"unit\":\"%s\"", quantity->name, quantity->label,
            quantity->unit);
    json_number(stream, "value", valued ? shown(quantity->value, quantity->unit) : NAN);
    json_number(stream, "standard_uncertainty",
                quantity->has_u ? shown(quantity->u, quantity->unit) : NAN);
    fprintf(stream, ",\"reason\":\"%s\",\"missing\":\"%s\"}",
            quantity->computed ? formula_reason_name(quantity->reason) : "input_missing",
            quantity->missing);
}

void shutin_show_json(FILE *stream, const struct shutin_analysis *analysis)
{
    const struct shutin_record *record = analysis->record;
    fprintf(stream, "{\"schema\":\"uphole/shut-in/1\",\"pressure_unit\":\"%s\",\"samples\":%zu",
            record->unit, record->n);
    json_number(stream, "first_sample_s", record->dt[0]);
    json_number(stream, "last_sample_s", record->dt[record->n - 1]);
    json_number(stream, "t_p_s", analysis->asked->t_p);
    json_number(stream, "p_wf", pressure(analysis, analysis->flowing));
    fprintf(stream, ",\"line\":");
    json_line(stream, analysis, &analysis->line);
    for (size_t i = 0; i < SHUTIN_QUANTITIES; i++)
        json_quantity(stream, &analysis->quantity[i]);
    fprintf(stream, ",\"other_windows\":[");
    for (size_t i = 0; i < SHUTIN_VARIANTS; i++) {
        fprintf(stream, "%s", i > 0 ? "," : "");
        json_line(stream, analysis, &analysis->variant[i]);
    }
    fprintf(stream, "],\"windows_fitted\":%zu", analysis->fitted);
    json_number(stream, "m_low", analysis->fitted > 0 ? step(analysis, analysis->m_low) : NAN);
    json_number(stream, "m_high", analysis->fitted > 0 ? step(analysis, analysis->m_high) : NAN);
    json_number(stream, "p_star_low",
                analysis->fitted > 0 ? pressure(analysis, analysis->star_low) : NAN);
    json_number(stream, "p_star_high",
                analysis->fitted > 0 ? pressure(analysis, analysis->star_high) : NAN);
    fprintf(stream, ",\"warnings\":[");
    for (size_t i = 0; i < analysis->n_warnings; i++)
        fprintf(stream, "%s\"%s\"", i > 0 ? "," : "", analysis->warning[i]);
    fprintf(stream, "]}\n");
}
