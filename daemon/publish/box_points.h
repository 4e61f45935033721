/* SPDX-License-Identifier: Apache-2.0
 *
 * box_points.h - states of the box that are points: 45 and 46. They stand in `latest` and in the
 * table, from one place so that both say the same, and never in a record.
 */
#ifndef UPHOLE_PUBLISH_BOX_POINTS_H
#define UPHOLE_PUBLISH_BOX_POINTS_H

#include "uphole/plan.h"
#include "uphole/wall.h"

#define BOX_POINTS 2

/** What the well side said: records that wait for the destination that is furthest behind, and how
 * long the journal's space lasts. UINT16_MAX days: not known. Both are as old as `now`. */
void box_points(uint32_t waiting, uint16_t days_left, int64_t now_boot_ms,
                struct live_reading out[static BOX_POINTS]);
/** Puts them into a snapshot, in their place by number; where it has one already, that stays. */
void box_points_add(struct snapshot *snapshot, const struct wall_state *state, int64_t now_boot_ms);

#endif
