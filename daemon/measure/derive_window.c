/* SPDX-License-Identifier: Apache-2.0
 *
 * derive_window.c - points that look back over windows: means, extremes, deviations, coverage,
 * robust rates, times to a limit, the trend of the insulation.
 *
 * The newest reading must itself be usable, else its quality speaks (7, 69); the window's own words
 * are 11 too few, 12 nothing in it, 72 where readings cover less of it than `statistics_coverage`,
 * 69 where they do only with the Uncertain ones.
 */
#include "derive_rows.h"

#include <math.h>

#define HOURS_AHEAD 24.0 /* a straight line of one hour is not drawn further; project rule */

/* clang-format off */
#define PRESSURE {POINT_INTAKE_PRESSURE, 0}
#define CURRENT {POINT_MOTOR_CURRENT, 0}
#define WINDOW_OF(name, number, source, what, length) \
    .point = (number), .how = (what), .n_required = 1, .input = {source}, .quantity = WINDOW_##name, .span = (length), .needs = NEEDS(DATUM_STATISTICS_COVERAGE)
const struct derived_row DERIVED_WINDOW[] = {
    {WINDOW_OF(PRESSURE, POINT_INTAKE_PRESSURE_MEAN_1MIN, PRESSURE, HOW_MEAN, SPAN_MINUTE)},
    {WINDOW_OF(PRESSURE, POINT_INTAKE_PRESSURE_MEAN_1H, PRESSURE, HOW_MEAN, SPAN_HOUR)},
    {WINDOW_OF(PRESSURE, POINT_INTAKE_PRESSURE_MEAN_24H, PRESSURE, HOW_MEAN, SPAN_DAY)},
    {WINDOW_OF(PRESSURE, POINT_INTAKE_PRESSURE_LOW_24H, PRESSURE, HOW_LOW, SPAN_DAY)},
    {WINDOW_OF(PRESSURE, POINT_INTAKE_PRESSURE_HIGH_24H, PRESSURE, HOW_HIGH, SPAN_DAY)},
    {WINDOW_OF(PRESSURE, POINT_INTAKE_PRESSURE_DEVIATION_1H, PRESSURE, HOW_DEVIATION, SPAN_HOUR)},
    {WINDOW_OF(PRESSURE, POINT_INTAKE_PRESSURE_COVERAGE_24H, PRESSURE, HOW_COVERAGE, SPAN_DAY)},
    {WINDOW_OF(TEMPERATURE, POINT_MOTOR_TEMPERATURE_MEAN_1H, MOTOR_TEMPERATURE, HOW_MEAN, SPAN_HOUR)},
    {WINDOW_OF(TEMPERATURE, POINT_MOTOR_TEMPERATURE_MEAN_24H, MOTOR_TEMPERATURE, HOW_MEAN, SPAN_DAY)},
    {WINDOW_OF(TEMPERATURE, POINT_MOTOR_TEMPERATURE_HIGH_24H, MOTOR_TEMPERATURE, HOW_HIGH, SPAN_DAY)},
    {WINDOW_OF(CURRENT, POINT_MOTOR_CURRENT_MEAN_1MIN, CURRENT, HOW_MEAN, SPAN_MINUTE)},
    {WINDOW_OF(CURRENT, POINT_MOTOR_CURRENT_MEAN_1H, CURRENT, HOW_MEAN, SPAN_HOUR)},
    {WINDOW_OF(CURRENT, POINT_MOTOR_CURRENT_MEAN_24H, CURRENT, HOW_MEAN, SPAN_DAY)},
    {WINDOW_OF(CURRENT, POINT_MOTOR_CURRENT_DEVIATION_1H, CURRENT, HOW_DEVIATION, SPAN_HOUR)},
    {.point = POINT_DRIVE_FREQUENCY_MEAN_24H, .how = HOW_MEAN, .n_required = 1, .input = {{POINT_DRIVE_FREQUENCY, 0}}, .quantity = WINDOW_FREQUENCY, .span = SPAN_DAY,
     .needs = NEEDS(DATUM_STATISTICS_COVERAGE)},
    {WINDOW_OF(RUNNING, POINT_RUNNING_SHARE_24H, RUNS, HOW_MEAN, SPAN_DAY)},
    {WINDOW_OF(PRESSURE, POINT_INTAKE_PRESSURE_ROBUST_RATE, PRESSURE, HOW_SLOPE, SPAN_HOUR)},
    {WINDOW_OF(TEMPERATURE, POINT_MOTOR_TEMPERATURE_ROBUST_RATE, MOTOR_TEMPERATURE, HOW_SLOPE, SPAN_HOUR)},
    {.point = POINT_MOTOR_TIME_TO_LIMIT, .how = HOW_TIME_TO_LIMIT, .n_required = 1, .input = {MOTOR_TEMPERATURE}, .quantity = WINDOW_TEMPERATURE, .span = SPAN_HOUR,
     .limit = DATUM_WINDING_LIMIT, .needs_winding = true, .needs = NEEDS(DATUM_STATISTICS_COVERAGE) | NEEDS(DATUM_WINDING_LIMIT)},
    {.point = POINT_INTAKE_TIME_TO_LIMIT, .how = HOW_TIME_TO_LIMIT, .n_required = 1, .input = {PRESSURE}, .quantity = WINDOW_PRESSURE, .span = SPAN_HOUR,
     .limit = DATUM_INTAKE_LIMIT, .needs_absolute = true, .needs = NEEDS(DATUM_STATISTICS_COVERAGE) | NEEDS(DATUM_INTAKE_LIMIT)},
    {.point = POINT_INSULATION_DAILY_CHANGE, .how = HOW_DAILY_CHANGE, .n_required = 2, .input = {{POINT_INSULATION_RESISTANCE, 0}, MOTOR_TEMPERATURE},
     .quantity = WINDOW_INSULATION, .span = SPAN_DAY, .needs = NEEDS(DATUM_STATISTICS_COVERAGE) | NEEDS(DATUM_INSULATION_REFERENCE)},
};
/* clang-format on */
const size_t DERIVED_WINDOW_COUNT = sizeof DERIVED_WINDOW / sizeof *DERIVED_WINDOW;

int derived_quantity(size_t index)
{
    const struct derived_row *row = derived_row(index);
    return row->how >= HOW_MEAN ? (int)row->quantity : -1;
}

/** What is averaged of the input. */
static void sample_value(const struct scan_context *context, enum window_quantity quantity,
                         const struct input *input, struct window_sample *sample)
{
    sample->quality = input->quality;
    sample->value = input->value;
    if (quantity == WINDOW_RUNNING) {
        const enum pump_state state = pump_state_of(input->point, input->quality, input->value);
        sample->value = state == PUMP_UNKNOWN ? NAN : state == PUMP_RUNNING ? 100.0 : 0.0;
    } else if (quantity == WINDOW_INSULATION) {
        const struct reading *reading = &context->reading[POINT_REFERENCE_INSULATION];
        const bool is_there = context->present[POINT_REFERENCE_INSULATION];
        sample->quality = is_there ? reading->quality : (uint8_t)QUALITY_NO_DATA;
        sample->value = is_there && reading->value > 0.0 ? log(reading->value) : NAN;
    }
}

void derived_window_take(struct fold *fold, const struct scan_context *context, size_t index,
                         const struct input *input, struct fact *facts, size_t *n_facts)
{
    const enum window_quantity quantity = (enum window_quantity)derived_row(index)->quantity;
    const int64_t stale_ms = context->entry->stale_limit_ms;
    struct window_sample sample = {.point = input->point,
                                   .source = context->scan->source,
                                   .at = context->begun,
                                   .until = stale_ms > 0 ? context->fresh + stale_ms
                                                         : context->begun + context->lapse_ms,
                                   .lapse_ms = context->lapse_ms,
                                   .scan = context->scan};
    sample_value(context, quantity, input, &sample);
    windows_take(&fold->windows, quantity, &sample, facts, n_facts);
    if (quantity == WINDOW_RUNNING)
        windows_see_pump(&fold->windows,
                         (uint8_t)pump_state_of(input->point, input->quality, input->value),
                         context->begun, context->lapse_ms);
}

static uint8_t of_sum(const struct derived_row *row, const struct window_sum *sum, double coverage,
                      double *value)
{
    switch ((enum derived_how)row->how) {
    case HOW_LOW:
        *value = sum->low;
        break;
    case HOW_HIGH:
        *value = sum->high;
        break;
    case HOW_DEVIATION:
        *value = sqrt(sum->m2 / sum->weight_ms);
        break;
    case HOW_COVERAGE:
        *value = 100.0 * sum->good_ms / sum->total_ms;
        return QUALITY_GOOD;
    default:
        *value = sum->mean;
        break;
    }
    if (sum->bins == 0)
        return QUALITY_GAP_IN_WINDOW;
    if (sum->is_of_good)
        return QUALITY_GOOD;
    return sum->all_ms >= coverage * sum->total_ms ? QUALITY_INPUT_UNSURE
                                                   : QUALITY_OUTSIDE_VALIDITY;
}

/** A minute of one reading alone, held, is no mean. */
static bool is_too_slow(const struct scan_context *context, const struct derived_row *row)
{
    const bool of_minutes =
        row->span == SPAN_MINUTE || row->how == HOW_SLOPE || row->how == HOW_TIME_TO_LIMIT;
    return of_minutes && rate_step_of(context->entry) > WINDOW_MINUTE_MS;
}

/** Only where the slope is one: its bounds lie on the side of the limit. */
static uint8_t time_to_limit(const struct window_slope *slope, double margin, double towards,
                             double *hours)
{
    const double rate = towards * slope->slope * 60.0;
    const double least = towards > 0.0 ? slope->low : -slope->high;
    if (margin <= 0.0) {
        *hours = 0.0;
        return QUALITY_LIMITED;
    }
    if (!(least > 0.0) || !(rate > 0.0))
        return QUALITY_OUT_OF_DOMAIN;
    *hours = margin / rate;
    return *hours > HOURS_AHEAD ? QUALITY_EXTRAPOLATED : QUALITY_GOOD;
}

static uint8_t of_slope(struct fold *fold, const struct scan_context *context,
                        const struct derived_row *row, const struct input *input,
                        const struct well_setting *setting, double *value)
{
    windows_fit_hour(&fold->windows, (enum window_quantity)row->quantity, context->begun);
    const struct window_slope *slope = &fold->windows.slope[row->quantity];
    if (quality_class_of(slope->quality) == QUALITY_CLASS_BAD)
        return slope->quality;
    if (row->how == HOW_SLOPE) {
        *value = slope->slope * 60.0;
        return slope->quality;
    }
    const bool is_falling = row->limit == DATUM_INTAKE_LIMIT;
    double now = input->value;
    if (is_falling && input->reference == REFERENCE_GAUGE)
        now += setting->local_atmosphere_kpa;
    const double limit = setting->datum[row->limit];
    return quality_first(slope->quality,
                         time_to_limit(slope, is_falling ? now - limit : limit - now,
                                       is_falling ? -1.0 : 1.0, value));
}

uint8_t derived_window(struct fold *fold, const struct scan_context *context, size_t index,
                       const struct input *input, const struct well_setting *setting, double *value)
{
    const struct derived_row *row = derived_row(index);
    const enum window_quantity quantity = (enum window_quantity)row->quantity;
    const double coverage = setting->datum[DATUM_STATISTICS_COVERAGE];
    *value = NAN;
    if (is_too_slow(context, row))
        return QUALITY_TOO_FEW;
    if (row->how == HOW_SLOPE || row->how == HOW_TIME_TO_LIMIT)
        return of_slope(fold, context, row, input, setting, value);
    if (row->how == HOW_DAILY_CHANGE) {
        windows_fit_days(&fold->windows, context->begun);
        const struct window_slope *slope = &fold->windows.slope[quantity];
        if (quality_class_of(slope->quality) != QUALITY_CLASS_BAD)
            *value = 100.0 * expm1(slope->slope);
        return slope->quality;
    }
    const struct window_sum sum = windows_sum(&fold->windows, quantity, (enum window_span)row->span,
                                              context->begun, coverage);
    return of_sum(row, &sum, coverage, value);
}
