/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_marker.c - is what a screen shows the value for "sensor not fitted", in whatever unit?
 * (pure)
 *
 * A unit that is switched to psi and degF may send 9505 and 32 where its document says 65.535 MPa
 * and 0 degC. Both sides then show the same, and neither is a measurement.
 */
#include "compare_inside.h"

#include <math.h>

#define MOVED_MAX 3 /* places by which a point moves with the unit */

static bool is_near(double a, double b, double step)
{
    return isfinite(a) && isfinite(b) && fabs(a - b) <= step + ROUNDED_FACTOR * fabs(b);
}

static double value_of_words(const struct channel *channel, const uint16_t *words)
{
    double number;
    if (!decode_number(channel->type, channel->words, channel->bytes, words, &number))
        return NAN;
    return conversion_apply(&channel->to_point, number);
}

/** Value, in the point's unit, of the map's own markers and, of gauge channels, of those that
 * surface units usually send; NaN behind the last. */
static double marker_value(const struct beside *beside, unsigned index)
{
    const struct channel *channel = beside->question->channel;
    if (index < channel->n_markers)
        return value_of_words(channel, channel->not_fitted[index].words);
    const unsigned usual = index - channel->n_markers;
    if (!point_is_of_gauge(channel->point) || usual > 0)
        return NAN;
    /* 65535 counts of 0.001 MPa, and exactly 0 degC: common practice, no source */
    if (beside->point->kind == QUANTITY_PRESSURE)
        return 65535.0;
    return channel->point == POINT_DISCHARGE_TEMPERATURE ? 0.0 : NAN;
}

/** The register's number is that of the marker in another unit, with its point moved or not. */
static bool is_marker_elsewhere(const struct beside *beside, double uphole, double marker)
{
    const unit_number own = point_unit(beside->point->number),
                      says = beside->question->channel->unit;
    const double number = unit_convert(uphole, own, says);
    const double count =
        fabs(unit_convert(beside->count, own, says) - unit_convert(0.0, own, says));
    for (unit_number id = 1; id < unit_count(); id++) {
        if (unit_get(id)->kind != beside->point->kind)
            continue;
        for (int power = -MOVED_MAX; power <= MOVED_MAX; power++)
            if (is_near(number, unit_convert(marker, own, id) * pow(10.0, power), count))
                return true;
    }
    return false;
}

/** The screen shows a marker's value, in whatever unit; or nothing, while the register's number is
 * a marker's. */
bool compare_shows_marker(const struct beside *beside, double uphole)
{
    for (unsigned i = 0; i <= beside->question->channel->n_markers; i++) {
        const double marker = marker_value(beside, i);
        if (!isfinite(marker))
            continue;
        if (beside->value->is_blank ? is_marker_elsewhere(beside, uphole, marker)
                                    : beside->step <= 0.01 * fabs(marker) + 1.0 &&
                                          is_near(beside->screen, marker, beside->step))
            return true;
    }
    return false;
}
