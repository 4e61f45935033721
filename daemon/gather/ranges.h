/* SPDX-License-Identifier: Apache-2.0
 *
 * ranges.h - read plans inside the room: the same plan made again without the registers that a unit
 * refused.
 */
#ifndef UPHOLE_GATHER_RANGES_H
#define UPHOLE_GATHER_RANGES_H

#include "uphole/gather.h"

#define AVOID_MAX SCAN_BLOCKS_MAX

/**
 * As read_plan_make; registers of `avoid` that no channel, status, counter or unit register needs
 * count as forbidden. A range that was answered with exception 02 goes there, and what is left of
 * it is read in pieces.
 */
UP_MUST enum up_rc read_plan_make_avoiding(const struct map *map, const struct line_plan *line,
                                           const struct register_range *avoid, unsigned n_avoid,
                                           struct read_plan *out, struct up_error *error);
/** Names the registers of a range that nothing needs, "40 to 47 and 60", into `into`; empty where
 * there are none. */
void read_plan_name_unneeded(const struct map *map, const struct read_request *request, char *into,
                             size_t room);

#endif
