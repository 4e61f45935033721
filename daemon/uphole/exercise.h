/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise.h - `uphole simulate --exercise`: files, ports and the prompt of an exercise.
 */
#ifndef UPHOLE_EXERCISE_COMMAND_H
#define UPHOLE_EXERCISE_COMMAND_H

#include "uphole/exercise.h"

struct exercise_wish {
    unsigned number;
    uint64_t seed;
    uint32_t refresh_ms;
    const char *directory; /* NULL: exercise-N-SEED here */
    const char *maps;      /* NULL: the installed ones */
    const char *answer;    /* judged, and nothing is served; NULL: served */
};
/** Serves the exercise, or judges an answer to it. Returns the exit code: 0 right (or stopped), 1
 * not right. */
int exercise_run(const struct exercise_wish *wish);

#endif
