/* SPDX-License-Identifier: Apache-2.0
 *
 * units.h - private to base: the exact factors behind the public table of units.
 */
#ifndef UPHOLE_BASE_UNITS_H
#define UPHOLE_BASE_UNITS_H

#include "uphole/quantity.h"

#include <stdint.h>

/** One row: the public doubles, and the whole numbers that they come from. (x * numerator + addend)
 * / denominator is in the kind's own unit. */
struct unit_row {
    struct unit unit;
    uint64_t numerator, denominator;
    int64_t addend;
};

const struct unit_row *unit_row_get(unit_number id); /* row 0 for an id beyond the table */

#endif
