/* SPDX-License-Identifier: Apache-2.0
 *
 * side_process.h - spawns the SCADA side as this same binary, with the wall as its only inherited
 * descriptor beside the standard three.
 */
#ifndef UPHOLE_SIDE_PROCESS_H
#define UPHOLE_SIDE_PROCESS_H

#include "uphole/plan.h"

#include <sys/types.h>

/** Starts it; *pid and *wall_fd (our end, non-blocking) are the caller's. Standard input is
 * /dev/null, output and error are shared. Its arguments say which of the plan's secrets it may read
 * and where it may listen. */
UP_MUST enum up_rc side_process_start(const struct plan *plan, pid_t *pid, int *wall_fd,
                                      struct up_error *error);
/** How a child ended, in plain words, into `into`: "was killed by signal 9", "ended with code 1".
 */
void side_process_ending(int status, char *into, size_t room);

#endif
