/* SPDX-License-Identifier: Apache-2.0
 *
 * live.h - the newest snapshot of each well and the newest state of the box, as the wall brought
 * them: one writer, several readers.
 *
 * Whole values are copied in and out under one lock, so nobody ever sees half of one. A reader that
 * has seen count n of a well and finds n again has nothing to do.
 */
#ifndef UPHOLE_PUBLISH_LIVE_H
#define UPHOLE_PUBLISH_LIVE_H

#include "uphole/plan.h"
#include "uphole/scan.h"
#include "uphole/wall.h"

#define LIVE_LISTENERS_MAX 16

struct live;

/** For the wells of `plan` (borrowed), by index. NULL without memory. */
struct live *live_create(const struct plan *plan);
void live_destroy(struct live *live); /* NULL is fine */

/** A non-blocking eventfd that is written after each snapshot or state. Any thread. UP_E_FULL
 * beyond LIVE_LISTENERS_MAX. What came before is not told again: look once after joining. */
UP_MUST enum up_rc live_listen(struct live *live, int event_fd, struct up_error *error);
void live_unlisten(struct live *live, int event_fd); /* before it is closed */

/** Replaces the snapshot of its well (snapshot->well is the journal's number); false where the plan
 * has no such well. */
bool live_put_snapshot(struct live *live, const struct snapshot *snapshot);
void live_put_state(struct live *live, const struct wall_state *state);

/** How often the snapshot of the well at `index` was replaced; 0: none came yet. */
uint64_t live_snapshot_count(struct live *live, uint16_t index);
/** Copies the newest snapshot; returns its count, and leaves `out` untouched at 0. */
uint64_t live_snapshot_copy(struct live *live, uint16_t index, struct snapshot *out);
/** Whether a state came. */
bool live_has_state(struct live *live);
/** Copies the newest state; returns its count, and leaves `out` untouched at 0. */
uint64_t live_state_copy(struct live *live, struct wall_state *out);

#endif
