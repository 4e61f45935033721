/* SPDX-License-Identifier: Apache-2.0
 *
 * hold.h - the orders `hold` and `release`: a line's port is given free for other work for a set
 * time, and everybody can see by whom and until when.
 *
 * The line itself ends a hold when its time is over (gather/hold.c). The book is what the daemon
 * remembers of it, by the line's name, so that it outlives a gatherer that is started anew; a stop
 * of the daemon ends all holds.
 */
#ifndef UPHOLE_HOLD_H
#define UPHOLE_HOLD_H

#include "order.h"

#include "uphole/plan.h"

#define HOLD_LEAST_MS INT64_C(60000)
#define HOLD_MOST_MS (4 * INT64_C(3600000))

struct hold {
    char line[NAME_LENGTH_MAX + 1]; /* "": free */
    struct stamp since, until;
    char who[2 * ASKER_NAME_MAX + 4]; /* "technician (jana)", or "jana" */
    char sentence[GAP_CAUSE_MAX];     /* cause of its ledger rows */
};
struct hold_book {
    struct hold hold[PLAN_LINES_MAX];
};

/** The newest hold of a line, which may be over; NULL where it was never held. `book` may be NULL.
 */
const struct hold *hold_of_line(const struct hold_book *book, const char *line);
bool hold_is_on(const struct hold *hold, int64_t now_boot_ms);
/** The hold that is on at `now_boot_ms`, or NULL. */
const struct hold *hold_now(const struct hold_book *book, const char *line, int64_t now_boot_ms);
/** For line_options.hold_until_us: 0 where the line is not held. */
int64_t hold_until_us(const struct hold_book *book, const char *line, int64_t now_boot_ms);

#endif
