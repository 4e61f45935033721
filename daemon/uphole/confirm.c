/* SPDX-License-Identifier: Apache-2.0
 *
 * confirm.c - a number from a screen, against what was read. See confirm.h.
 */
#include "confirm.h"

#include "uphole/measure.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define NUMBER_MAX 24

bool confirm_number(const char *text, double *value, double *step)
{
    struct decimal decimal;
    const size_t length = strlen(text);
    const char *point = strchr(text, '.');
    if (length == 0 || length > NUMBER_MAX ||
        strspn(text, "+-.0123456789") != length || /* no exponent: screens show none */
        !decimal_from_text(text, length, &decimal))
        return false;
    *value = decimal_to_double(decimal);
    *step = point == NULL ? 1.0 : pow(10.0, -(double)strlen(point + 1));
    return true;
}

double confirm_tolerance(const struct channel *channel, const char *number, unit_number screen_unit,
                         double read)
{
    const enum quantity kind = unit_get(screen_unit)->kind;
    double value = 0, step = 0;
    if (!confirm_number(number, &value, &step))
        return 0.0;
    const double factor = fabs(unit_convert(1.0, screen_unit, point_unit(channel->point)) -
                               unit_convert(0.0, screen_unit, point_unit(channel->point)));
    const double moves = kind == QUANTITY_TEMPERATURE ? 0.5
                         : kind == QUANTITY_PRESSURE  ? 0.002 * fabs(read)
                                                      : 0.1 * fabs(read);
    return step * factor + channel_resolution(channel) + moves;
}
