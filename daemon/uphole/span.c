/* SPDX-License-Identifier: Apache-2.0
 *
 * span.c - see span.h.
 */
#include "span.h"

#include "command.h"

#include "uphole/stamp.h"

#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#define HOUR_MS INT64_C(3600000)

bool span_from_text(const char *text, int64_t *ms)
{
    static const struct {
        const char *unit;
        int64_t ms;
    } UNITS[] = {
        {"s", 1000}, {"min", 60000}, {"h", HOUR_MS}, {"d", 24 * HOUR_MS}, {"w", 7 * 24 * HOUR_MS}};
    char *end = NULL;
    const long long number = strtoll(text, &end, 10);
    while (end != NULL && *end == ' ')
        end++;
    for (size_t i = 0;
         end != text && number > 0 && number < 100000 && i < sizeof UNITS / sizeof *UNITS; i++)
        if (strcmp(end, UNITS[i].unit) == 0) {
            *ms = number * UNITS[i].ms;
            return true;
        }
    return false;
}

int command_take_time(const struct command *command, const char *option, const char *text,
                      int64_t *utc_ms)
{
    return stamp_from_text(text, strlen(text), utc_ms)
               ? 0
               : command_usage_error(command,
                                     "--%s %s is no time; expected one like 2031-03-01T06:00:00Z",
                                     option, text);
}

int command_take_span(const struct command *command, const char *option, const char *text,
                      int64_t *ms)
{
    return span_from_text(text, ms)
               ? 0
               : command_usage_error(
                     command, "--%s %s is no span of time; expected one like 7d, 36h or 90min",
                     option, text);
}
