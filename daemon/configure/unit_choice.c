/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_choice.c - which unit a destination sends a point in, and with which resolution.
 */
#include "uphole/plan.h"
#include "uphole/points.h"

#include <math.h>
#include <string.h>

/* The largest of 1, 2, 5 x 10^n that is not coarser than `exact`: a conversion may not throw digits
 * away. */
static double rounded_resolution(double exact)
{
    static const double STEPS[] = {5, 2, 1};
    if (!(exact > 0))
        return exact;
    const double decade = floor(log10(exact) + 1e-9);
    for (size_t i = 0; i < sizeof STEPS / sizeof STEPS[0]; i++) {
        /* Division by a power of ten is rounded once; a product with 10^-n is not the decimal that
         * is meant. */
        const double step = decade < 0 ? STEPS[i] / pow(10, -decade) : STEPS[i] * pow(10, decade);
        if (step <= exact * (1 + 1e-9))
            return step;
    }
    return exact;
}

unit_number unit_choice_of(const struct unit_choice *choice, unsigned point, double *resolution)
{
    const struct point *row = point_get(point);
    if (!row) {
        *resolution = 0;
        return 0;
    }
    const unit_number own = point_unit(point);
    *resolution = row->resolution;
    if (choice->set == UNITS_US && row->us_unit && row->us_unit[0]) {
        *resolution = row->us_resolution;
        return unit_find(row->us_unit, strlen(row->us_unit), row->kind);
    }
    const unit_number chosen = choice->set == UNITS_OWN ? choice->by_kind[row->kind] : 0;
    if (!chosen || chosen == own)
        return own;
    if (choice->set == UNITS_OWN && row->us_unit && row->us_unit[0] &&
        chosen == unit_find(row->us_unit, strlen(row->us_unit), row->kind)) {
        *resolution = row->us_resolution; /* the table's own figure for this unit */
        return chosen;
    }
    /* A step, not a point: the difference of two converted values, so that offsets of temperatures
     * drop out. */
    *resolution = rounded_resolution(
        fabs(unit_convert(row->resolution, own, chosen) - unit_convert(0, own, chosen)));
    return chosen;
}
