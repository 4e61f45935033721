/* SPDX-License-Identifier: Apache-2.0
 *
 * table_print.h - what the four forms of the printed layout share.
 */
#ifndef UPHOLE_PUBLISH_TABLE_PRINT_H
#define UPHOLE_PUBLISH_TABLE_PRINT_H

#include "layout.h"

#include <stdio.h>

/** What is printed: a destination of a plan, or (plan NULL) the generic layout with the views that
 * the docs use. */
struct table_printer {
    FILE *out;
    const struct plan *plan;
    const struct destination_plan *destination;
};

const char *print_unit_set(const struct view *view);   /* "metric", "us", "own" */
const char *print_word_order(const struct view *view); /* "high-word-first", "low-word-first" */
/** "not a number", "the last value", "-9999": what stands where there is no value. */
const char *print_missing(const struct view *view, char into[static NUMBER_TEXT_MAX]);
/** Unit in which a view shows a point, "" for none; and the resolution there. */
const char *print_unit(const struct view *view, unsigned point, double *resolution);
/** Reference of a mapped pressure: "absolute", "gauge", "unknown"; "" for anything else. */
const char *print_reference(const struct plan *plan, const struct well_plan *well, unsigned point);
/** "gauge", "drive" or "wellhead" where an entry maps the point; "" else. */
const char *print_source(const struct plan *plan, const struct well_plan *well, unsigned point);
/** A view whose units an earlier view shows already: no column of its own. */
bool print_repeats_units(const struct destination_plan *destination, unsigned view);
/** "unit id 1, 2": the views with the units of `view`. */
void print_view_ids(const struct destination_plan *destination, unsigned view, char *into,
                    size_t room);
static inline uint32_t print_first_register(const struct well_plan *well)
{
    return well == NULL ? 0 : (uint32_t)well->table_block * TABLE_BLOCK_REGISTERS;
}

void table_print_text(const struct table_printer *printer);
void table_print_csv(const struct table_printer *printer);
void table_print_markdown(const struct table_printer *printer);
void table_print_json(const struct table_printer *printer);

#endif
