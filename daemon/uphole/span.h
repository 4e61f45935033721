/* SPDX-License-Identifier: Apache-2.0
 *
 * span.h - a time, or a span of time, as people type it behind an option: 7d, 36h, 90min, "10 min".
 */
#ifndef UPHOLE_SPAN_H
#define UPHOLE_SPAN_H

#include <stdbool.h>
#include <stdint.h>

/** Whole number and s, min, h, d or w, a blank between them or none; whole text. False, leaving
 * `ms` untouched, for anything else, and for 0. */
bool span_from_text(const char *text, int64_t *ms);

struct command;
/** Reads the time or the span of time behind --OPTION; returns 0, or EX_USAGE and has said what is
 * wrong. */
int command_take_time(const struct command *command, const char *option, const char *text,
                      int64_t *utc_ms);
int command_take_span(const struct command *command, const char *option, const char *text,
                      int64_t *ms);

#endif
