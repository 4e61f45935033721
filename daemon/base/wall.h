/* SPDX-License-Identifier: Apache-2.0
 *
 * wall.h - private to base: how large a message is, and whether one may be believed.
 */
#ifndef UPHOLE_BASE_WALL_H
#define UPHOLE_BASE_WALL_H

#include "uphole/wall.h"

#define WALL_PLAN_BYTES_MAX (1024 * 1024)

/** Bytes that a message of this kind and these counts takes; 0 for an unknown kind or a count
 * beyond its array. */
size_t wall_size(const struct wall_message *message);
/** Bytes of a kind that must be there before its counts may be read; 0 for an unknown kind. */
size_t wall_least_size(uint32_t kind);
/** Whether every index, enumeration, flag and text of a whole message is in bounds. */
bool wall_is_sound(const struct wall_message *message);

#endif
