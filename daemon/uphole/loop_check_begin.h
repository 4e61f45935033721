/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_begin.h - how a sitting of a loop check begins (loop_check_begin.c).
 */
#ifndef UPHOLE_LOOP_CHECK_BEGIN_H
#define UPHOLE_LOOP_CHECK_BEGIN_H

#include "loop_check.h"

/** Plan, ways to SCADA, lock, progress of an earlier sitting. 0, or an exit code (said). */
int loop_begin(struct loop_check *check, const char *well, bool *is_resumed);
/** Opens what is to be read back, and hears that something comes. 0, or an exit code (said). */
int loop_open_paths(struct loop_check *check);

#endif
