/* SPDX-License-Identifier: Apache-2.0
 *
 * channel_uncertainty.c - what a map says about how well a channel is known.
 *
 * Only what its maker states and what its registers can hold: drift, lag and a sensor in the wrong
 * place are not in it.
 */
#include "uphole/measure.h"
#include "uphole/points.h"

#include <math.h>

static double count_of(const struct channel *channel)
{
    switch ((enum register_type)channel->type) {
    case TYPE_U16:
    case TYPE_S16:
    case TYPE_U32:
    case TYPE_S32:
    case TYPE_U64:
    case TYPE_S64:
    case TYPE_BCD16:
    case TYPE_BCD32:
    case TYPE_M10K32:
        return fabs(channel->to_point.multiply / channel->to_point.divide);
    default:
        return 0.0;
    }
}

double channel_resolution(const struct channel *channel)
{
    const double count = count_of(channel);
    return channel->has_resolution && channel->resolution > count ? channel->resolution : count;
}

bool channel_standard_uncertainty(const struct channel *channel, double *u, bool *at_least)
{
    const struct point *point = point_get(channel->point);
    if (point == NULL || point->kind == QUANTITY_STATE || point->kind == QUANTITY_COUNT)
        return false;
    const double step = channel_resolution(channel) / sqrt(12.0);
    const double half = channel->has_accuracy ? channel->accuracy / sqrt(3.0) : 0.0;
    *u = hypot(half, step);
    *at_least = !channel->has_accuracy;
    return channel->has_accuracy || step > 0.0;
}
