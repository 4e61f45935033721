/* SPDX-License-Identifier: Apache-2.0
 *
 * usage.h - what a destination has sent and received in a calendar month (UTC), against `at_most`
 * (pure).
 *
 * The count survives a restart: the well side keeps it beside the cursors and hands it back. A
 * month only begins by a clock that can be trusted; until then what is sent counts for the month
 * that was known last, so a box that starts in 1970 begins no new one.
 */
#ifndef UPHOLE_PUBLISH_USAGE_H
#define UPHOLE_PUBLISH_USAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define USAGE_WARN_PERCENT 80

struct usage {
    uint32_t month; /* 203103 is March 2031; 0: not known yet */
    uint64_t bytes;
};

enum usage_level { USAGE_BELOW = 0, USAGE_WARNS, USAGE_USED_UP };

/** Year x 100 + month of an instant, UTC. */
uint32_t usage_month_of(int64_t utc_ms);
/** First instant of the month after `month`, as text: "2031-04-01". */
void usage_month_end(uint32_t month, char into[static 11]);
/** Counts `bytes` at an instant of `clock_is_good`. True: a new month began. */
bool usage_add(struct usage *usage, uint64_t bytes, int64_t utc_ms, bool clock_is_good);
/** What the well side had kept, once, when the SCADA side starts. */
void usage_learn(struct usage *usage, uint32_t month, uint64_t bytes);
/** `at_most` 0: no limit. */
enum usage_level usage_level(const struct usage *usage, uint64_t at_most);
/** "300 MB", at most three digits. Returns `into`. */
const char *usage_size(uint64_t bytes, char into[static 24]);

#endif
