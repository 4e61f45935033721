/* SPDX-License-Identifier: Apache-2.0
 *
 * well_rate.c - rate of change of a measured point, by least squares over a stated window.
 *
 * The window is RATE_BINS bins of boot time, each as long as a refresh of the gauge (or as a poll,
 * where polls are rarer), so refreshes are counted and not polls. Bins lie on boot time itself: no
 * phase depends on where a fold began, so a late record finds the bins of the live one.
 */
#include "fold_state.h"

#include <string.h>

static struct rate_bin *bin_at(struct rate_series *series, int64_t index)
{
    return &series->bin[(uint64_t)index % RATE_BINS];
}

void rate_take(struct rate_series *series, unsigned point, uint8_t source, int64_t step_ms,
               int64_t boot_ms, uint8_t quality, double value)
{
    if (series->point != point || series->source != source || series->step_ms != step_ms) {
        memset(series, 0, sizeof *series);
        series->point = (uint16_t)point;
        series->source = source;
        series->step_ms = step_ms;
        series->newest = NEVER;
    }
    int64_t index = boot_ms / step_ms;
    if (boot_ms < 0 || index < series->newest)
        return;
    series->newest = index;
    if (quality_class_of(quality) == QUALITY_CLASS_BAD || !isfinite(value))
        return;
    struct rate_bin *bin = bin_at(series, index);
    if (bin->n == 0 || bin->index != index)
        *bin = (struct rate_bin){.index = index, .first = value, .worst = QUALITY_GOOD};
    bin->n++;
    bin->sum_ms += boot_ms - index * step_ms;
    bin->sum += value - bin->first;
    bin->worst = quality_first(bin->worst, quality);
}

uint8_t rate_of(const struct rate_series *series, double *per_s)
{
    double x[RATE_BINS], y[RATE_BINS], mean_x = 0.0, mean_y = 0.0, sxx = 0.0, sxy = 0.0;
    unsigned n = 0;
    bool has_gap = false, is_unsure = false;
    int64_t last = NEVER;
    *per_s = NAN;
    if (series->step_ms <= 0 || series->newest == NEVER)
        return QUALITY_TOO_FEW;
    for (int64_t index = series->newest - RATE_BINS + 1; index <= series->newest; index++) {
        const struct rate_bin *bin = &series->bin[(uint64_t)(index < 0 ? 0 : index) % RATE_BINS];
        if (index < 0 || bin->n == 0 || bin->index != index)
            continue;
        has_gap = has_gap || (last != NEVER && index - last - 1 > RATE_HOLES_MAX);
        is_unsure = is_unsure || bin->worst != QUALITY_GOOD;
        last = index;
        /* Times from the newest bin: sums of squares of large times lose digits. */
        x[n] =
            ((double)((index - series->newest) * series->step_ms) + (double)bin->sum_ms / bin->n) /
            1000.0;
        y[n] = bin->first + bin->sum / bin->n;
        n++;
    }
    if (n < RATE_NEEDS)
        return QUALITY_TOO_FEW;
    if (has_gap)
        return QUALITY_GAP_IN_WINDOW;
    for (unsigned i = 0; i < n; i++) {
        mean_x += x[i] / n;
        mean_y += (y[i] - y[0]) / n;
    }
    for (unsigned i = 0; i < n; i++) { /* b = Sxy / Sxx about the means */
        sxx += (x[i] - mean_x) * (x[i] - mean_x);
        sxy += (x[i] - mean_x) * (y[i] - y[0] - mean_y);
    }
    *per_s = sxy / sxx;
    if (!isfinite(*per_s))
        return QUALITY_OUT_OF_DOMAIN;
    return is_unsure ? QUALITY_INPUT_UNSURE : QUALITY_GOOD;
}
