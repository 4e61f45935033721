/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_link.h - what a running Uphole reads of one well, for commands that stand beside it at the surface unit's screen: its plan, and the scans of each
 * source as they come. It puts no question on the line.
 */
#ifndef UPHOLE_UNIT_LINK_H
#define UPHOLE_UNIT_LINK_H

#include "socket_ask.h"

#include "uphole/compare.h"

#define UNIT_LINK_SCANS COMPARE_SCANS_MAX

/** Large: on the heap. */
struct unit_link {
    struct socket_asked *asked; /* its well is the one */
    struct plan *plan;          /* the running one; owned */
    const struct well_plan *well;
    uint8_t quality[POINT_COUNT]; /* of each point at the newest answer */
    int64_t now_utc_ms, now_boot_ms; /* of the newest answer; the box's own clocks */
    unsigned n_scans[SOURCE_KINDS];
    struct scan scan[SOURCE_KINDS][UNIT_LINK_SCANS]; /* oldest first, distinct */
};

/** Asks for the plan, and for the newest scans once. Returns 0, or an exit code with `error` filled; then `link` holds nothing to free. */
int unit_link_open(struct unit_link *link, struct socket_asked *asked, struct up_error *error);
/** Asks once more; *changed: the plan in force is another than at the open. Returns 0, or an exit code with `error` filled. */
int unit_link_look(struct unit_link *link, bool *changed, struct up_error *error);
void unit_link_close(struct unit_link *link);

/** The entry of a source valid now; NULL: none. */
const struct source_entry *unit_link_entry(const struct unit_link *link, uint8_t source);
const struct map *unit_link_map(const struct unit_link *link, uint8_t source);
/** The source whose map has the point, and its channel; NULL: none. */
const struct channel *unit_link_channel(const struct unit_link *link, unsigned point, uint8_t *source);
/** What compare_judge needs of a channel, for a key press at `instant_ms` (CLOCK_BOOTTIME). Borrows from `link` until the next look. */
void unit_link_question(const struct unit_link *link, uint8_t source, const struct channel *channel, int64_t instant_ms, struct compare_question *out);

#endif
