/* SPDX-License-Identifier: Apache-2.0
 *
 * derive.c - derived points: one table row each, quality from the worst input, and that input's
 * number beside it.
 *
 * A derived point rides with the records of one source, the first that maps one of its inputs, so
 * that a well's columns stand still.
 */
#include "fold_state.h"

#include <math.h>

#define INPUTS_MAX 4

struct derived_row {
    uint16_t point;
    uint8_t n_inputs;
    uint16_t input[INPUTS_MAX]; /* all required */
    bool needs_one_reference;   /* pressures to subtract: both absolute, or both gauge, and known */
    double (*compute)(const double *value);
};

static double difference(const double *value)
{
    return value[0] - value[1];
}

/* pump_differential_pressure = discharge - intake; points.md section 2, row 34. */
static const struct derived_row DERIVED[] = {
    {POINT_PUMP_DIFFERENTIAL_PRESSURE,
     2,
     {POINT_DISCHARGE_PRESSURE, POINT_INTAKE_PRESSURE},
     true,
     difference},
};

size_t derived_count(void)
{
    return sizeof DERIVED / sizeof *DERIVED;
}

unsigned derived_point(size_t index)
{
    return DERIVED[index].point;
}

size_t derived_inputs(size_t index, const uint16_t **points)
{
    *points = DERIVED[index].input;
    return DERIVED[index].n_inputs;
}

const struct channel *well_channel(const struct plan *plan, const struct well_plan *well,
                                   unsigned point, int64_t utc_ms, uint8_t *source)
{
    for (uint8_t kind = SOURCE_GAUGE; kind < SOURCE_KINDS; kind++) {
        const struct source_entry *entry = entry_at(plan, well, kind, utc_ms);
        const struct channel *channel =
            entry != 0 ? map_channel(&plan->maps[entry->map], point) : 0;
        if (channel != 0) {
            *source = kind;
            return channel;
        }
    }
    *source = SOURCE_NONE;
    return 0;
}

uint8_t derived_source(size_t index, const struct plan *plan, const struct well_plan *well,
                       int64_t utc_ms)
{
    const struct derived_row *row = &DERIVED[index];
    uint8_t first = SOURCE_NONE, source;
    if (well_channel(plan, well, row->point, utc_ms, &source) != 0)
        return SOURCE_NONE; /* the map delivers it as measured */
    for (unsigned i = 0; i < row->n_inputs; i++) {
        if (well_channel(plan, well, row->input[i], utc_ms, &source) == 0)
            return SOURCE_NONE;
        if (first == SOURCE_NONE || source < first)
            first = source;
    }
    return first;
}

/** 8 where references are unknown or differ; the input that is to be put right is named. */
static uint8_t reference_quality(const struct derived_row *row, const struct input *inputs,
                                 uint8_t *worst)
{
    for (unsigned i = 0; row->needs_one_reference && i < row->n_inputs; i++) {
        bool is_known =
            inputs[i].reference == REFERENCE_ABSOLUTE || inputs[i].reference == REFERENCE_GAUGE;
        if (!is_known || inputs[i].reference != inputs[0].reference) {
            *worst = (uint8_t)row->input[i];
            return QUALITY_NOT_CONFIGURED;
        }
    }
    return QUALITY_GOOD;
}

struct reading derive(size_t index, const struct input *inputs, int64_t *fresh)
{
    const struct derived_row *row = &DERIVED[index];
    uint8_t quality[INPUTS_MAX] = {0}, worst_input = 0;
    double value[INPUTS_MAX] = {0};
    *fresh = INT64_MAX;
    for (unsigned i = 0; i < row->n_inputs; i++) {
        quality[i] = inputs[i].quality;
        value[i] = inputs[i].value;
        if (inputs[i].fresh < *fresh)
            *fresh = inputs[i].fresh;
    }
    uint8_t result = reference_quality(row, inputs, &worst_input);
    if (result == QUALITY_GOOD) {
        int worst = -1;
        result = quality_combine(quality, row->n_inputs, 0, 0, &worst);
        if (worst >= 0 && worst < row->n_inputs)
            worst_input = (uint8_t)row->input[worst];
    }
    double number = NAN;
    if (quality_class_of(result) != QUALITY_CLASS_BAD) {
        number = row->compute(value) + 0.0;
        if (!isfinite(number))
            result = QUALITY_OUT_OF_DOMAIN;
    }
    return reading_of(row->point, result, worst_input, number, 0.0);
}
