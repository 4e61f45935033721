/* SPDX-License-Identifier: Apache-2.0
 *
 * hold.h - a line that a person holds: its port is closed and free for others until a set time.
 *
 * A poll under way ends first. While held nothing is asked, and each due time passes as a counted
 * skip with the cause "paused". A hold ends by itself; the port is then opened again, and a line
 * that speaks RTU and was away for more than 10 min listens before it asks.
 */
#ifndef UPHOLE_GATHER_HOLD_H
#define UPHOLE_GATHER_HOLD_H

#include "line_inside.h"

/** Begins and ends holds as their time comes; true where the line is held: nothing may be done to
 * it. The due times before `now_us` must be accounted for. */
bool hold_rules(struct line *line, int64_t now_us);
/** When a held line wants its next step. */
int64_t hold_next_us(const struct line *line);

#endif
