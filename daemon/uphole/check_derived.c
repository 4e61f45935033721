/* SPDX-License-Identifier: Apache-2.0
 *
 * check_derived.c - the part of `uphole check` that says which derived points a well has, and what
 * switches the others off.
 *
 * What a point lacks is measure's word (measure_lacks); here it becomes sentences. Well parameters
 * that lack the same stand in one sentence, so that a well without well data is not a page.
 */
#include "check.h"
#include "command.h"

#include "uphole/measure.h"

#include <math.h>
#include <string.h>

#define DERIVED_MAX POINT_COUNT
#define LINE_ROOM 1200

struct lacks {
    size_t n;
    struct lack of[DERIVED_MAX];
};

static void lacks_of(const struct check_facts *facts, const struct well_plan *well,
                     struct lacks *out)
{
    out->n = 0;
    while (out->n < DERIVED_MAX &&
           measure_lacks(facts->plan, well, facts->now_utc_ms, out->n, &out->of[out->n]))
        out->n++;
}

static void line(FILE *out, const char *text)
{
    fprintf(out, "%19s", "");
    check_wrapped(out, 21, text);
}

static size_t add(char *text, size_t n, const char *piece)
{
    const size_t length = strlen(piece);
    if (n + length < LINE_ROOM) {
        memcpy(text + n, piece, length + 1);
        n += length;
    }
    return n;
}

static size_t add_data(char *text, size_t n, uint64_t data)
{
    const char *between = "";
    for (unsigned bit = 0; bit < 64; bit++) {
        if ((data & (UINT64_C(1) << bit)) == 0)
            continue;
        n = add(text, n, between);
        n = add(text, n, measure_datum_key(bit));
        between = ", ";
    }
    return (data & (UINT64_C(1) << MEASURE_DENSITY_BIT)) != 0
               ? add(text, n, " (or oil_gravity with water_cut)")
               : n;
}

static void reason_of(const struct lack *lack, char text[static LINE_ROOM], size_t n)
{
    char why[400] = "";
    if (lack->kind == LACKS_POINT)
        (void)snprintf(why, sizeof why, "no %s, or it is stated as not fitted",
                       point_get(lack->input)->id);
    else if (lack->kind == LACKS_REFERENCE)
        (void)snprintf(why, sizeof why, "%s and %s must count from the same `reference`%s",
                       point_get(lack->beside)->id, point_get(lack->input)->id,
                       lack->takes_atmosphere ? ", or well_data must state local_atmosphere" : "");
    else if (lack->kind == LACKS_ABSOLUTE)
        (void)snprintf(why, sizeof why,
                       "%s must be absolute, or well_data must state local_atmosphere",
                       point_get(lack->input)->id);
    n = add(text, n, why);
    if (lack->kind == LACKS_DATA)
        (void)add_data(text, add(text, n, "well_data states no "), lack->data);
}

static bool alike(const struct lack *a, const struct lack *b)
{
    return a->kind == b->kind && a->input == b->input && a->beside == b->beside &&
           a->data == b->data;
}

/** One sentence for `first` and, of well parameters, for all behind it that lack the same. */
static void show_off(FILE *out, const struct lacks *lacks, size_t first, bool *said)
{
    const struct lack *lack = &lacks->of[first];
    const bool is_parameter = lack->point >= POINT_DATUM_PRESSURE;
    char text[LINE_ROOM] = "";
    size_t n = add(text, 0, point_get(lack->point)->id), others = 0;
    for (size_t i = first + 1; is_parameter && i < lacks->n; i++) {
        if (!alike(lack, &lacks->of[i]))
            continue;
        said[i] = true;
        others++;
        n = add(text, n, ", ");
        n = add(text, n, point_get(lacks->of[i].point)->id);
    }
    n = add(text, n, others > 0 ? " are off: " : " is off: ");
    reason_of(lack, text, n);
    line(out, text);
}

static void show_worked_out(FILE *out, const struct lacks *lacks)
{
    char text[LINE_ROOM] = "";
    size_t n = 0;
    for (size_t i = 0; i < lacks->n; i++) {
        if (lacks->of[i].kind != LACKS_NOTHING)
            continue;
        n = add(text, n, n > 0 ? ", " : "worked out: ");
        n = add(text, n, point_get(lacks->of[i].point)->id);
    }
    check_wrapped(out, 19, n > 0 ? text : "nothing is worked out");
}

/** What is worked out, but never Good. */
static void show_unsure(FILE *out, const struct lacks *lacks, const struct well_data *data,
                        int64_t now_utc_ms)
{
    bool has_rate = false, has_pump_rate = false;
    for (size_t i = 0; i < lacks->n; i++) {
        const bool is_made = lacks->of[i].kind == LACKS_NOTHING;
        has_rate = has_rate || (is_made && lacks->of[i].of_rate);
        has_pump_rate = has_pump_rate || (is_made && lacks->of[i].of_pump_rate);
    }
    if (has_pump_rate && data && isnan(data->oil_volume_factor) && data->water_cut_ratio < 1)
        line(out, "no oil_volume_factor: 1 stands in, and what is worked out with the rate through "
                  "the pump is Uncertain (input_unsure)");
    if (has_rate && data && now_utc_ms - data->from_utc_ms > MEASURE_RATE_HOLDS_MS)
        line(out, "liquid_rate was stated more than 31 days ago: what is worked out with it is "
                  "Uncertain (input_unsure) until an entry with a newer test");
}

static void show_density(FILE *out, const struct well_data *data)
{
    const bool is_mixed = data && !isnan(data->oil_gravity_api) && !isnan(data->water_cut_ratio);
    if (!is_mixed && (!data || isnan(data->liquid_density_kg_m3)))
        line(out, "no liquid_density, nor oil_gravity with water_cut: switches off pump_head and "
                  "fluid_level_above_intake");
    else if (isnan(data->liquid_density_kg_m3) && isnan(data->water_density_kg_m3) &&
             data->water_cut_ratio > 0)
        line(out, "no water_density: that of fresh water, 999.016 kg/m3, stands in, and pump_head "
                  "and fluid_level_above_intake are Uncertain (input_unsure)");
    if (!data || isnan(data->intake_depth_m))
        line(out, "no intake_depth: switches off everything that is carried to another depth");
}

void check_show_derived(FILE *out, const struct check_facts *facts, const struct well_plan *well)
{
    const struct well_data *data = plan_data_at(well, facts->now_utc_ms);
    struct lacks lacks;
    bool said[DERIVED_MAX] = {false};
    lacks_of(facts, well, &lacks);
    fprintf(out, "  %-16s ", well->id);
    show_worked_out(out, &lacks);
    for (size_t i = 0; i < lacks.n; i++) {
        const struct lack *lack = &lacks.of[i];
        /* data that 34 to 42 lack are told below: it is a density */
        if (said[i] || lack->kind == LACKS_NOTHING || lack->kind == LACKS_NOT_ASKED ||
            (lack->kind == LACKS_DATA && lack->point < POINT_DATUM_PRESSURE))
            continue;
        show_off(out, &lacks, i, said);
    }
    if (data != NULL)
        check_show_depths(out, data);
    show_density(out, data);
    show_unsure(out, &lacks, data, facts->now_utc_ms);
}

static void show_json(FILE *out, const struct lack *lack)
{
    static const char *const STATES[] = {"worked_out", "measured", "off", "off", "off", "off"};
    char why[LINE_ROOM] = "";
    fprintf(out, "{\"point\":\"%s\",\"state\":\"%s\"", point_get(lack->point)->id,
            STATES[lack->kind]);
    reason_of(lack, why, 0);
    if (why[0] != '\0') {
        fprintf(out, ",\"why\":");
        command_json_text(out, why);
    }
    fputc('}', out);
}

void check_show_derived_json(FILE *out, const struct check_facts *facts)
{
    for (int w = 0; w < facts->plan->n_wells; w++) {
        struct lacks lacks;
        lacks_of(facts, &facts->plan->wells[w], &lacks);
        fprintf(out, "%s{\"well\":\"%s\",\"points\":[", w ? "," : "", facts->plan->wells[w].id);
        for (size_t i = 0; i < lacks.n; i++) {
            fputs(i ? "," : "", out);
            show_json(out, &lacks.of[i]);
        }
        fprintf(out, "]}");
    }
}
