/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise.h - faults to practise: a virtual cabinet in which one thing is wrong, what the technician is told, and the judge of what is found.
 *
 * Everything follows from number and seed, so that the judge needs no memory. The number does not tell the kind of fault: with one seed, numbers 1 to
 * EXERCISES are all kinds, in an order that the seed draws.
 */
#ifndef UPHOLE_EXERCISE_H
#define UPHOLE_EXERCISE_H

#include "uphole/simulate.h"

#include <stdio.h>

#define EXERCISES 8
#define EXERCISE_DETAIL_MAX 40
#define EXERCISE_ANSWER_MAX 200 /* characters of an answer */
#define EXERCISE_REFRESH_MS 5000

/** What is wrong, in the words of an answer: its form, and what the form asks for. */
struct exercise_answer {
    uint8_t form; /* row of the table of forms */
    char detail[2][EXERCISE_DETAIL_MAX];
};

struct exercise_row; /* a kind of fault */
struct exercise {
    unsigned number;
    uint64_t seed;
    const struct exercise_row *row;
    const char *map_name; /* the office's */
    struct line_plan paper; /* what the paper says of the line */
    uint8_t paper_unit_id;
    struct map map, truth; /* the office's map, and what the unit really does */
    struct simulate_line cabinet; /* its device, or host and port, are the caller's to fill in */
    bool is_ordered[POINT_COUNT]; /* sensors that the gauge was ordered with */
    bool shows_map_units;  /* the screen has a unit setting of its own, the map's */
    double shown[POINT_COUNT]; /* what the screen shows of a sensor that isn't there, point's unit; NaN: nothing */
    struct exercise_answer answer;
};

/** Chooses kind and map; `exercise_make` then needs that map. False where the number is none of 1 to EXERCISES. */
bool exercise_choose(unsigned number, uint64_t seed, struct exercise *out);
/** Builds the cabinet. UP_E_RANGE where the map can't serve, which a test excludes for the installed ones. Large: on the heap. */
UP_MUST enum up_rc exercise_make(struct exercise *exercise, const struct map *map, uint32_t refresh_ms, struct up_error *error);

enum exercise_verdict {
    EXERCISE_NOT_UNDERSTOOD = 0,
    EXERCISE_RIGHT,
    EXERCISE_KIND_ONLY, /* the kind of fault is right, its detail is not */
    EXERCISE_WRONG
};
/** Judges an answer as a person types it. Pure. */
enum exercise_verdict exercise_judge(const struct exercise *exercise, const char *answer);

/** What the technician is told; `directory` holds what exercise_print_configuration and the screen are written to. `maps`: where the exercise's were taken
 *  from, or NULL for the installed ones. */
void exercise_print_briefing(FILE *out, const struct exercise *exercise, const char *directory, const char *maps);
/** uphole.yaml as the office made it. */
void exercise_print_configuration(FILE *out, const struct exercise *exercise, const char *directory);
/** The surface unit's screen, of what its registers hold. */
void exercise_print_screen(FILE *out, const struct exercise *exercise, const struct well_truth *truth);
/** How answers are written. */
void exercise_print_forms(FILE *out);
/** The verdict with what it was, the evidence that would have told, and the trap. */
void exercise_print_verdict(FILE *out, const struct exercise *exercise, enum exercise_verdict verdict);

#endif
