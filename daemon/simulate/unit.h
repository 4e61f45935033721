/* SPDX-License-Identifier: Apache-2.0
 *
 * unit.h - what a line knows of its units beyond the front door: the shared truth log and the next
 * refresh.
 */
#ifndef UPHOLE_SIMULATE_UNIT_H
#define UPHOLE_SIMULATE_UNIT_H

#include <stdio.h>

#include "uphole/simulate.h"

/** Where truth goes: one log for all lines of a simulator. Times written are the unit's plus
 * `to_utc_ms`, which may move. */
struct truth_log {
    FILE *file;
    int64_t to_utc_ms;  /* what turns an instant of the units into UTC */
    int64_t to_boot_ms; /* and into CLOCK_BOOTTIME */
};

/** Lends the unit a log; `line` is the name it writes. NULL takes it away. */
void virtual_unit_log_to(struct virtual_unit *unit, struct truth_log *log, const char *line);
/** Brings the registers to time_ms and logs the refreshes passed. */
void virtual_unit_step(struct virtual_unit *unit, int64_t time_ms);
/** First instant after time_ms at which the registers change by themselves. */
int64_t virtual_unit_next_ms(const struct virtual_unit *unit, int64_t time_ms);
uint8_t virtual_unit_id(const struct virtual_unit *unit);
bool virtual_unit_is_alive(const struct virtual_unit *unit);

#endif
