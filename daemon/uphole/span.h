/* SPDX-License-Identifier: Apache-2.0
 *
 * span.h - a span of time as people type it behind an option: 7d, 36h, 90min, "10 min".
 */
#ifndef UPHOLE_SPAN_H
#define UPHOLE_SPAN_H

#include <stdbool.h>
#include <stdint.h>

/** Whole number and s, min, h, d or w, a blank between them or none; whole text. False, leaving
 * `ms` untouched, for anything else, and for 0. */
bool span_from_text(const char *text, int64_t *ms);

#endif
