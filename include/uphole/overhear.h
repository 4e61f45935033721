/* SPDX-License-Identifier: Apache-2.0
 *
 * overhear.h - the exchanges of another master, told from the bytes on the pair alone (pure).
 *
 * A question is paired with the answer that stands directly behind it: same unit, function and byte
 * count, checksum right, in time, nothing between. Everything else is a fault. After a fault an
 * answer may be one that is late, so pairs are dropped until the line was quiet for longer than the
 * slowest answer, or until an answer comes that fits only one question this master is known to ask.
 * An answer that fits several must also come as soon as usual: else a question that went unheard
 * may stand between. Gaps can't be measured here (converters group bytes), so length and checksum
 * mark frames, and a long gap only ends what was begun. In doubt a pair is dropped.
 */
#ifndef UPHOLE_OVERHEAR_H
#define UPHOLE_OVERHEAR_H

#include "uphole/pdu.h"
#include "uphole/plan.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define OVERHEAR_ROOM (2 * RTU_ADU_MAX)
#define OVERHEAR_QUESTIONS_MAX 64
#define PAIR_WORDS_MAX 125

/** A whole exchange of the other master. exception 0: words. Bits are packed sixteen a word, the
 * first one lowest. Times are CLOCK_BOOTTIME, when the bytes had come. */
struct heard_pair {
    uint8_t unit_id, exception;
    struct read_request request;
    int64_t asked_us, answered_us;
    uint16_t n_words;
    uint16_t words[PAIR_WORDS_MAX];
};

/** A question that this master is known to ask. */
struct known_question {
    uint8_t unit_id, times; /* heard so often; 255: or more */
    struct read_request request;
};

struct overhear_counts {
    uint64_t pairs, in_doubt; /* handed out; dropped, since a late answer could stand there */
    uint64_t unanswered, faults;
    uint64_t unused_bytes; /* of no frame */
};

struct overhearer {
    int64_t gap_us;               /* a frame that pauses for longer is over */
    int64_t window_us;            /* an answer comes within this, or not at all */
    int64_t slowest_us, usual_us; /* from question to answer: ever; a moving mean */
    int64_t heard_us;             /* newest byte */
    size_t n;
    uint8_t bytes[OVERHEAR_ROOM];
    bool has_question, is_read; /* the question whose answer comes next; of functions 1 to 4 */
    uint8_t unit_id, function;
    struct read_request request;
    int64_t asked_us;
    bool is_in_doubt[256]; /* by unit id */
    bool is_full;          /* more questions than are kept: none is known to be the only one */
    unsigned n_questions;
    struct known_question questions[OVERHEAR_QUESTIONS_MAX];
    struct overhear_counts counts;
};

/** Begins in doubt about every unit: what was asked before is not known. */
void overhear_init(struct overhearer *overhearer, const struct line_plan *line, int64_t now_us);
/** Forgets what is under way, and is in doubt again; known questions stay. */
void overhear_begin_again(struct overhearer *overhearer, int64_t now_us);
/** Adds bytes that came at `now_us`; call overhear_next until false after it. */
void overhear_take(struct overhearer *overhearer, const uint8_t *bytes, size_t n, int64_t now_us);
/** The next pair that is beyond doubt; false: none yet. */
bool overhear_next(struct overhearer *overhearer, struct heard_pair *pair);

#endif
