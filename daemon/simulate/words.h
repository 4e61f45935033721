/* SPDX-License-Identifier: Apache-2.0
 *
 * words.h - one line of a fault script as words, taken from left to right; each complaint names
 * file and line.
 */
#ifndef UPHOLE_SIMULATE_WORDS_H
#define UPHOLE_SIMULATE_WORDS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "uphole/error.h"

#define WORDS_MAX 32
#define WORD_LENGTH_MAX 40

struct reader {
    const char *name;
    int line;
    unsigned n, at;
    char words[WORDS_MAX][WORD_LENGTH_MAX];
    struct up_error *error;
};

/** Writes "name:line: text" into the reader's error; false, so that it can be returned. */
__attribute__((format(printf, 2, 3))) bool words_fail(struct reader *reader, const char *format,
                                                      ...);
/** Splits a line at blanks, up to '#'. */
bool words_split(struct reader *reader, const char *line, size_t length);
/** The word that is next; "" at the end. */
const char *words_peek(const struct reader *reader);
/** Takes the next word if it is `word`. */
bool words_take(struct reader *reader, const char *word);
/** A number without sign or exponent, e.g. 30, 1.5, 0x0B; *rest is what follows it. */
bool words_number(const char *text, double *value, const char **rest);
/** "30 s", "1.5min", and with `range` "150..1300 ms" or "150 ms..1.3 s". `after` is the word
 * before, for complaints. */
bool words_take_duration(struct reader *reader, const char *after, bool range, int64_t *low_us,
                         int64_t *high_us);
/** A whole number of low to high; with `to` also a range such as 1..4. */
bool words_take_whole(struct reader *reader, const char *after, int64_t low, int64_t high,
                      int64_t *from, int64_t *to);

#endif
