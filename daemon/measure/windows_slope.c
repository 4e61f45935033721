/* SPDX-License-Identifier: Apache-2.0
 *
 * windows_slope.c - Theil and Sen's robust line through the bins of a window, with the bounds of 95
 * % that say whether there is a slope at all.
 *
 * Minutes of the last hour for pressure and temperature, days of the last month for the insulation.
 * Worked out once a bin, from whole bins alone: every scan of a minute says the same.
 */
#include "fold_state.h"
#include "formula_groups.h"

#define HOLE_MOST 5 /* empty minutes in a row; what lies before a longer hole is left out */
#define MINUTES_LEAST 15
#define DAYS_LEAST 5
#define COVERED_LEAST 0.5 /* of a minute, else it counts as empty */

struct line_points {
    unsigned n;
    bool has_hole, is_unsure;
    double x[SPAN_HOUR_BINS], y[SPAN_HOUR_BINS];
};

static void line_point(struct line_points *points, double x, double y, bool is_unsure)
{
    points->x[points->n] = x;
    points->y[points->n++] = y;
    points->is_unsure = points->is_unsure || is_unsure;
}

static void fit(struct window_slope *slope, const struct line_points *points, unsigned least)
{
    struct formula_result result = {0};
    slope->quality = points->is_unsure ? QUALITY_INPUT_UNSURE : QUALITY_GOOD;
    if (points->n < least) {
        slope->quality = points->has_hole ? QUALITY_GAP_IN_WINDOW : QUALITY_TOO_FEW;
        return;
    }
    slope_theil_sen_bounds(points->x, points->y, points->n, &slope->low, &slope->high, &result);
    slope->slope = result.value;
    if (result.reason != REASON_NONE)
        slope->quality = QUALITY_OUT_OF_DOMAIN;
}

void windows_fit_hour(struct windows *windows, enum window_quantity quantity, int64_t now)
{
    struct window_slope *slope = &windows->slope[quantity];
    const int64_t newest = now / WINDOW_MINUTE_MS - 1;
    unsigned n;
    int64_t length_ms;
    const struct window_bin *ring = windows_bins(windows, quantity, SPAN_HOUR, &n, &length_ms);
    if (slope->key == newest || ring == 0)
        return;
    *slope = (struct window_slope){.key = newest};
    struct line_points points = {0};
    int64_t last = NEVER;
    for (int64_t index = newest - (int64_t)n + 2; index <= newest; index++) {
        const struct window_bin *bin = &ring[(uint64_t)(index < 0 ? 0 : index) % n];
        const bool is_before =
            windows->pump_changed != NEVER && index * length_ms < windows->pump_changed;
        if (index < 0 || bin->index != index || is_before ||
            bin->weight_ms < COVERED_LEAST * (double)length_ms)
            continue;
        if (last != NEVER && index - last - 1 > HOLE_MOST)
            points = (struct line_points){.has_hole = true};
        line_point(&points, (double)(index - newest), bin->mean, bin->is_unsure);
        last = index;
    }
    if (last != NEVER && newest - last > HOLE_MOST)
        points = (struct line_points){.has_hole = true};
    fit(slope, &points, MINUTES_LEAST);
}

void windows_fit_days(struct windows *windows, int64_t now)
{
    struct window_slope *slope = &windows->slope[WINDOW_INSULATION];
    const int64_t hour = now / WINDOW_HOUR_MS, newest = now / WINDOW_DAY_MS - 1,
                  began = windows->began[WINDOW_INSULATION] / WINDOW_DAY_MS;
    if (slope->key == hour)
        return;
    *slope = (struct window_slope){.key = hour};
    struct line_points points = {0};
    for (int64_t index = newest - WINDOW_DAYS + 1; index <= newest; index++) {
        const struct window_day *day =
            &windows->days[(uint64_t)(index < 0 ? 0 : index) % WINDOW_DAYS];
        if (index < 0 || day->index != index || day->weight_ms == 0.0 || index < began)
            continue;
        line_point(&points, (double)(index - newest), day->mean, day->weight_ms < 0.0);
    }
    fit(slope, &points, DAYS_LEAST);
}
