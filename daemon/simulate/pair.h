/* SPDX-License-Identifier: Apache-2.0
 *
 * pair.h - the two wires and the converter between a serial port and the units.
 */
#ifndef UPHOLE_SIMULATE_PAIR_H
#define UPHOLE_SIMULATE_PAIR_H

#include "uphole/simulate.h"

#define PAIR_BYTES_MAX 1024

struct pair {
    const struct simulate_line *options;
    bool is_in_frame;
    unsigned frames, strays;
    int64_t stray_next_us; /* INT64_MAX: the pair is quiet by itself */
    size_t n_held;         /* of a frame that only makes sense whole */
    uint8_t held[PAIR_BYTES_MAX];
};

void pair_init(struct pair *pair, const struct simulate_line *options);
/** False where bytes pass as they are. */
bool pair_is_faulty(const struct pair *pair);
/** What the units hear of bytes sent at `port`'s settings; returns how many, at most `room`. */
size_t pair_to_units(const struct pair *pair, const struct line_plan *port, const uint8_t *bytes,
                     size_t n, uint8_t *into, size_t room);
/** What comes back by itself on each question: nothing, as a rule. */
size_t pair_answers_question(const struct pair *pair, uint8_t *into, size_t room);
/**
 * What a port at these settings hears of bytes of the units; `ends` says that the frame ends with
 * them. May hold bytes back until then. Returns how many are written, at most `room`.
 */
size_t pair_to_port(struct pair *pair, const struct line_plan *port, const uint8_t *bytes, size_t n,
                    bool ends, uint8_t *into, size_t room);
/** The stray byte of a pair without bias that is due by now; 0 or 1. */
size_t pair_stray(struct pair *pair, int64_t now_us, uint8_t *into);

#endif
