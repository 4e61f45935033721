/* SPDX-License-Identifier: Apache-2.0
 *
 * records.h - what a line handed over, measured as core would, as text that a person reads and a
 * test compares byte for byte.
 */
#ifndef UPHOLE_TESTS_RECORDS_H
#define UPHOLE_TESTS_RECORDS_H

#include "uphole/gather.h"
#include "uphole/measure.h"

#include <stdio.h>

struct records; /* opaque */
/** Text goes to `out`. The plan's wells bear numbers from 1 in their order. */
struct records *records_create(const struct plan *plan, FILE *out, int64_t boot_ms_of_zero);
void records_destroy(struct records *records);
/** One item of the line's, in order; context is a struct records. */
void records_take(void *context, const struct gathered *item);
unsigned records_scans(const struct records *records);

#endif
