/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_shutin_fit.c - Horner's line over the window asked for and over windows beside it, by
 * the rows of formula_buildup.c; and what speaks against it.
 *
 * A straight piece can be found in almost any build-up; so the line never stands without what it
 * becomes when the window moves.
 */
#include "calculate_shutin.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

#define EDGE 1e-9           /* relative: a sample at the edge of the window is in it */
#define CYCLES_WANTED 1.0   /* common practice, no source */
#define M_RANGE_MOST 0.1    /* of m, over the windows: beyond it a warning; common practice */
#define HOLE_MOST (1.0 / 3) /* of the window on a logarithmic axis without a sample */
#define UNIT_SLOPE 0.15     /* how far Dp/Dt may be off on the unit slope */
#define UNIT_SLOPE_POINTS 3
/* Storage is felt for about a cycle and a half behind the unit slope: common practice, from
 * memory. */
#define STORAGE_FACTOR 31.6
#define HOUR_S 3600.0

/** `from` and `to` by shares of the window on a logarithmic axis of time; then by whole samples. */
static const struct {
    const char *words;
    double from, to;
    size_t first, last;
} VARIANTS[SHUTIN_VARIANTS] = {
    {"begins a quarter later", 0.25, 0.0, 0, 0},  {"ends a quarter earlier", 0.0, -0.25, 0, 0},
    {"moved a quarter later", 0.25, 0.25, 0, 0},  {"moved a quarter earlier", -0.25, -0.25, 0, 0},
    {"without its first sample", 0.0, 0.0, 1, 0}, {"without its last sample", 0.0, 0.0, 0, 1}};

__attribute__((format(printf, 2, 3))) static void warn(struct shutin_analysis *out,
                                                       const char *format, ...)
{
    if (out->n_warnings == SHUTIN_WARNINGS_MAX)
        return;
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(out->warning[out->n_warnings++], SHUTIN_WARNING_MAX, format, arguments);
    va_end(arguments);
}

static enum formula_reason of_line(const char *label, double t_p,
                                   const struct shutin_record *record,
                                   const struct shutin_line *line, double *value)
{
    const struct formula *formula = formula_by_label(label);
    struct formula_given given[FORMULA_INPUTS_MAX] = {
        {.present = true, .value = t_p},
        {.present = true, .list = record->dt + line->first, .n = line->n},
        {.present = true, .list = record->p + line->first, .n = line->n}};
    struct formula_result result;
    formula_evaluate(formula, given, NULL, &result);
    *value = result.value;
    return (enum formula_reason)result.reason;
}

static double ratio_log(double t_p, double dt)
{
    return log10((t_p + dt) / dt);
}

static void fit(const struct shutin_asked *asked, const struct shutin_record *record,
                struct shutin_line *line)
{
    size_t i = 0;
    while (i < record->n && record->dt[i] < line->from * (1.0 - EDGE))
        i++;
    line->first = i;
    while (i < record->n && record->dt[i] <= line->to * (1.0 + EDGE))
        i++;
    line->n = i - line->first;
    line->reason = REASON_TOO_FEW;
    if (line->n == 0)
        return;
    const double *dt = record->dt + line->first, *p = record->p + line->first;
    line->cycles = ratio_log(asked->t_p, dt[0]) - ratio_log(asked->t_p, dt[line->n - 1]);
    line->reason = of_line("buildup.m_fit", asked->t_p, record, line, &line->m);
    if (line->reason == REASON_NONE)
        line->reason = of_line("buildup.p_star_fit", asked->t_p, record, line, &line->star);
    if (line->reason == REASON_NONE)
        line->reason = of_line("buildup.p1h_from_line", asked->t_p, record, line, &line->one_hour);
    double sum = 0.0;
    for (size_t k = 0; line->reason == REASON_NONE && k < line->n; k++) {
        const double off = p[k] - (line->star - line->m * ratio_log(asked->t_p, dt[k]));
        sum += off * off;
    }
    line->scatter = line->reason == REASON_NONE ? sqrt(sum / (double)(line->n - 2)) : 0.0;
}

static void widen(struct shutin_analysis *out, const struct shutin_line *line)
{
    if (line->reason != REASON_NONE)
        return;
    const bool first = out->fitted++ == 0;
    out->m_low = first ? line->m : fmin(out->m_low, line->m);
    out->m_high = first ? line->m : fmax(out->m_high, line->m);
    out->star_low = first ? line->star : fmin(out->star_low, line->star);
    out->star_high = first ? line->star : fmax(out->star_high, line->star);
}

static void vary(struct shutin_analysis *out)
{
    const double width = log(out->line.to / out->line.from);
    widen(out, &out->line);
    for (size_t i = 0; i < SHUTIN_VARIANTS; i++) {
        struct shutin_line *line = &out->variant[i];
        *line = (struct shutin_line){.words = VARIANTS[i].words,
                                     .from = out->line.from * exp(VARIANTS[i].from * width),
                                     .to = out->line.to * exp(VARIANTS[i].to * width)};
        const double *dt = out->record->dt + out->line.first;
        if (VARIANTS[i].first > 0 && out->line.n > 1)
            line->from = dt[1];
        if (VARIANTS[i].last > 0 && out->line.n > 1)
            line->to = dt[out->line.n - 2];
        fit(out->asked, out->record, line);
        if (line->n != out->line.n || line->first != out->line.first)
            widen(out, line);
    }
}

/** The early line on which pressure rises as time does: the well fills, the formation is not seen
 * yet. */
static void find_unit_slope(struct shutin_analysis *out)
{
    const struct shutin_record *record = out->record;
    double first = 0.0;
    size_t on = 0;
    if (isnan(out->flowing) || record->n < UNIT_SLOPE_POINTS)
        return;
    for (size_t i = 0; i < UNIT_SLOPE_POINTS; i++)
        first += (record->p[i] - out->flowing) / record->dt[i] / UNIT_SLOPE_POINTS;
    while (on < record->n &&
           fabs((record->p[on] - out->flowing) / record->dt[on] - first) <= UNIT_SLOPE * first)
        on++;
    out->has_unit_slope = on >= UNIT_SLOPE_POINTS;
    out->unit_slope_end_s = out->has_unit_slope ? record->dt[on - 1] : 0.0;
}

static void warn_of_samples(struct shutin_analysis *out)
{
    const struct shutin_record *record = out->record;
    const struct shutin_line *line = &out->line;
    const double first = record->dt[0], last = record->dt[record->n - 1];
    if (line->from < first * (1.0 - EDGE))
        warn(out, "the window begins at %.4g h, the first sample after the shut-in lies at %.4g h",
             line->from / HOUR_S, first / HOUR_S);
    if (line->to > last * (1.0 + EDGE))
        warn(out, "the window ends at %.4g h, the last sample lies at %.4g h", line->to / HOUR_S,
             last / HOUR_S);
    double hole = 0.0, begins = line->from;
    const double width = log(line->to / line->from);
    for (size_t i = 0; i <= line->n; i++) {
        const double here = i < line->n ? record->dt[line->first + i] : line->to;
        const double size = log(here / (i > 0 ? record->dt[line->first + i - 1] : line->from));
        if (size > hole) {
            hole = size;
            begins = i > 0 ? record->dt[line->first + i - 1] : line->from;
        }
    }
    if (line->n > 0 && hole > HOLE_MOST * width)
        warn(out,
             "no sample from %.4g h to %.4g h, a large part of the window on its logarithmic "
             "axis",
             begins / HOUR_S, begins * exp(hole) / HOUR_S);
    if (record->empty > 0)
        warn(out, "rows without a time or a pressure, left out: %zu", record->empty);
    if (record->unsure > 0)
        warn(out, "rows whose quality is not Good, left out: %zu", record->unsure);
}

static void warn_of_line(struct shutin_analysis *out)
{
    const struct shutin_line *line = &out->line;
    if (line->reason != REASON_NONE)
        warn(out,
             "%zu points over %.2f of a cycle of the Horner ratio; a line needs five points and "
             "half a cycle",
             line->n, line->cycles);
    else if (line->cycles < CYCLES_WANTED)
        warn(out,
             "the points cover %.2f of a cycle of the Horner ratio; a slope is held well by a "
             "whole one (common practice)",
             line->cycles);
    if (line->reason == REASON_NONE && !(line->m > 0.0))
        warn(out, "the pressure does not rise over the window: this is no build-up");
    else if (out->fitted > 1 && out->m_high - out->m_low > M_RANGE_MOST * fabs(line->m))
        warn(out,
             "the slope depends on the window by more than %.0f %%: no straight line is "
             "established",
             M_RANGE_MOST * 100);
    if (line->reason == REASON_NONE && out->fitted == 1)
        warn(out, "no other window gives a line: the sensitivity to the window is not known");
}

static void warn_of_storage(struct shutin_analysis *out)
{
    const double until = out->unit_slope_end_s * STORAGE_FACTOR;
    if (isnan(out->flowing))
        warn(out,
             "early points: without p_wf or a sample before the shut-in nothing tells how long "
             "wellbore storage lasted");
    else if (!out->has_unit_slope)
        warn(out,
             "early points: the first sample lies at %.4g h and the record shows no unit slope, "
             "so it can't tell how long wellbore storage lasted",
             out->record->dt[0] / HOUR_S);
    else if (out->line.from < until)
        warn(out,
             "early points: up to %.4g h the pressure rises as the well fills (unit slope); "
             "wellbore storage is felt to about %.4g h, a cycle and a half later (common "
             "practice)",
             out->unit_slope_end_s / HOUR_S, until / HOUR_S);
}

/** p_wf as given, else the last sample before the shut-in, else NaN. */
static enum up_rc find_flowing(struct shutin_analysis *out, struct up_error *error)
{
    const struct shutin_asked *asked = out->asked;
    out->flowing = out->record->has_flowing ? out->record->flowing : NAN;
    for (size_t i = 0; i < asked->n_pairs; i++) {
        struct formula_unit unit;
        double number;
        const struct calculate_pair *pair = &asked->pair[i];
        if (strcmp(pair->name, "p_wf") != 0)
            continue;
        const char *end = pair->value + pair->length;
        const char *at = calculate_number(pair->value, pair->length, &number);
        if (at == NULL)
            return UP_FAIL(error, UP_E_USAGE, "p_wf: '%.40s' is no number", pair->value);
        at += strspn(at, " ");
        const enum up_rc rc = calculate_unit("p_wf", "Pa", at, (size_t)(end - at), &unit, error);
        if (rc != UP_OK)
            return rc;
        if (unit.qualifier != QUALIFIER_NONE && out->record->in_unit.qualifier != QUALIFIER_NONE &&
            unit.qualifier != out->record->in_unit.qualifier)
            return UP_FAIL(error, UP_E_USAGE,
                           "p_wf is in %s and the file in %s: one is absolute, the other gauge", at,
                           out->record->unit);
        out->given_flowing = true;
        out->flowing = number * unit.factor + unit.offset;
    }
    return UP_OK;
}

enum up_rc shutin_analyse(const struct shutin_asked *asked, const struct shutin_record *record,
                          struct shutin_analysis *out, struct up_error *error)
{
    *out = (struct shutin_analysis){
        .asked = asked,
        .record = record,
        .line = {.words = "as asked for", .from = asked->from, .to = asked->to}};
    enum up_rc rc = find_flowing(out, error);
    if (rc != UP_OK)
        return rc;
    fit(asked, record, &out->line);
    vary(out);
    find_unit_slope(out);
    warn_of_samples(out);
    warn_of_line(out);
    warn_of_storage(out);
    return shutin_quantities(out, error);
}
