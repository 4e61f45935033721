/* SPDX-License-Identifier: Apache-2.0
 *
 * derive_uncertainty.c - standard uncertainty of a derived point from those of the channels that it
 * is made of.
 *
 * JCGM 100:2008, 5.1.2: first order, inputs uncorrelated, sensitivities by central differences one
 * standard uncertainty wide (5.1.3, note 2). Well data count as exact: the configuration states no
 * uncertainty of theirs. A mean, a lowest or a highest value has that of a reading: what is the
 * same in all readings does not average out.
 */
#include "derive_rows.h"

#include <math.h>

struct propagation {
    const struct derived_row *row;
    size_t index;
    const struct well_setting *setting;
    struct input inputs[INPUTS_MAX];
};

/** The point's value with one input moved; NaN where there is none then. */
static double moved(const struct propagation *of, size_t input, double by)
{
    struct input inputs[INPUTS_MAX];
    int64_t fresh;
    for (size_t i = 0; i < INPUTS_MAX; i++)
        inputs[i] = of->inputs[i];
    inputs[input].value += by;
    return derive(of->index, inputs, of->setting, &fresh).value;
}

static bool propagate(const struct propagation *of, const struct channel *const *channels,
                      double *u, bool *at_least)
{
    double square = 0.0;
    bool is_known = false;
    *at_least = false;
    for (size_t i = 0; i < of->row->n_required; i++) {
        double own = 0.0;
        bool least = true;
        if (channels[i] == 0 || !channel_standard_uncertainty(channels[i], &own, &least)) {
            *at_least = true; /* nobody knows how well this input is known */
            continue;
        }
        const double part = 0.5 * (moved(of, i, own) - moved(of, i, -own));
        if (!isfinite(part))
            return false;
        *at_least = *at_least || least;
        is_known = true;
        square += part * part;
    }
    *u = sqrt(square);
    return is_known;
}

bool derived_standard_uncertainty(const struct plan *plan, const struct well_plan *well,
                                  int64_t utc_ms, unsigned point, const double *values, double *u,
                                  bool *at_least)
{
    struct propagation of = {0};
    while (of.index < derived_count() && derived_point(of.index) != point)
        of.index++;
    if (of.index >= derived_count() || !isfinite(values[point]))
        return false;
    of.row = derived_row(of.index);
    uint16_t points[INPUTS_MAX];
    const struct channel *channels[INPUTS_MAX] = {0};
    const size_t n = derived_inputs(of.index, plan, well, utc_ms, points);
    for (size_t i = 0; i < n; i++) {
        uint8_t source;
        channels[i] = well_channel(plan, well, points[i], utc_ms, &source);
        of.inputs[i].value = values[points[i]];
        of.inputs[i].quality = isfinite(values[points[i]]) ? QUALITY_GOOD : QUALITY_NO_DATA;
        input_describe(&of.inputs[i], points[i], channels[i]);
    }
    const enum derived_how how = derived_how(of.index);
    const bool is_of_readings = how == HOW_MEAN || how == HOW_LOW || how == HOW_HIGH;
    if (is_of_readings && of.row->quantity != WINDOW_RUNNING)
        return channels[0] != 0 && channel_standard_uncertainty(channels[0], u, at_least);
    if (how != HOW_FORMULA || of.row->rides_only)
        return false;
    const struct well_setting setting = well_setting_at(well, utc_ms);
    of.setting = &setting;
    return propagate(&of, channels, u, at_least);
}

/** As the derived readings of this scan found them. */
static void values_of(const struct fold *fold, double *values)
{
    for (unsigned point = 0; point < POINT_COUNT; point++) {
        const struct point_state *state = &fold->point[point];
        const bool has_value =
            state->has_record && quality_class_of(state->record_quality) != QUALITY_CLASS_BAD;
        values[point] = has_value ? state->record_value : NAN;
    }
}

void note_uncertainties(const struct fold *fold, const struct plan *plan,
                        const struct well_plan *well, struct record *out)
{
    bool is_asked = false;
    for (unsigned i = 0; i < plan->n_destinations; i++)
        is_asked = is_asked || plan->destinations[i].units.with_uncertainty;
    if (!is_asked)
        return;
    double values[POINT_COUNT];
    values_of(fold, values);
    for (uint16_t i = 0; i < out->n; i++) {
        struct reading *reading = &out->reading[i];
        uint8_t source;
        double u = 0.0;
        bool at_least = true;
        const struct channel *channel =
            well_channel(plan, well, reading->point, out->at.utc_ms, &source);
        const bool is_known =
            isfinite(reading->value) &&
            (channel != 0 ? channel_standard_uncertainty(channel, &u, &at_least)
                          : derived_standard_uncertainty(plan, well, out->at.utc_ms, reading->point,
                                                         values, &u, &at_least));
        if (is_known && !at_least)
            reading->u = u; /* a lower bound would be taken for it */
    }
}
