/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise.h - the inside of exercises, shared by exercise.c (which, and what is common to all),
 * exercise_faults.c (the table of faults), exercise_answer.c (the judge), exercise_words.c (texts).
 */
#ifndef UPHOLE_SIMULATE_EXERCISE_H
#define UPHOLE_SIMULATE_EXERCISE_H

#include "uphole/exercise.h"

#define EXERCISE_MAPS_MAX 2

struct exercise_row {
    const char *map[EXERCISE_MAPS_MAX]; /* with which it can be; NULL: no more */
    /** Puts the fault in: into `truth` and `cabinet`, which are as the paper says so far, and says
     * the right answer. */
    enum up_rc (*put)(struct exercise *exercise, struct up_error *error);
    const char *evidence; /* which output would have told */
    const char *trap;
};
extern const struct exercise_row EXERCISE_ROWS[EXERCISES];

/** A number below `below`, drawn by the exercise's seed and kind; another `turn`, another draw. */
unsigned exercise_draw(const struct exercise *exercise, unsigned turn, unsigned below);

enum answer_form {
    FORM_UNIT_ID = 0,
    FORM_SETTINGS,
    FORM_OFF_BY_ONE,
    FORM_WORD_ORDER,
    FORM_NOT_FITTED,
    FORM_UNIT,
    FORM_ANOTHER_MASTER,
    FORM_SWAPPED,
    FORM_NO_BIAS,
    FORM_CONVERTER,
    FORMS
};
/** Sets the right answer by the words in which a person would give it; they must be one. */
UP_MUST enum up_rc exercise_set_answer(struct exercise *exercise, struct up_error *error,
                                       const char *format, ...)
    __attribute__((format(printf, 3, 4)));
/** The right answer in words. */
void exercise_answer_to_text(const struct exercise_answer *answer, char *into, size_t room);
/** "unit id N", ...; NULL behind the last. */
const char *exercise_form_at(unsigned index, const char **meaning);

#endif
