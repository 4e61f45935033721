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

/**
 * Makes the directory with its maps; `directory` is its whole path, "" where it was not made.
 * Returns 0, or the exit code of what it has said.
 */
int exercise_make_files(const struct exercise_wish *wish, char directory[static PATH_LENGTH_MAX]);
int exercise_write_configuration(const char *directory, const struct exercise *exercise);
void exercise_write_screen(const char *directory, const struct exercise *exercise,
                           const struct well_truth *truth);
/** Removes what shows the present; with `all`, everything: nothing was served. "" is nothing. */
void exercise_drop_files(const char *directory, bool all);

#endif
