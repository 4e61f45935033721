/* SPDX-License-Identifier: Apache-2.0
 *
 * registers.h - truth to register words: the inverse of what a channel of a map says.
 */
#ifndef UPHOLE_SIMULATE_REGISTERS_H
#define UPHOLE_SIMULATE_REGISTERS_H

#include <stdbool.h>
#include <stdint.h>

#include "uphole/plan.h"

#define REGISTERS_CHANNEL_WORDS 32 /* longest text that is written */

/** Words of one channel; `mask` says which of their bits are the channel's (fields of bits share a
 * register). */
struct encoded {
    uint16_t n;
    uint16_t words[REGISTERS_CHANNEL_WORDS], mask[REGISTERS_CHANNEL_WORDS];
    double value; /* what the words say, in the point's own unit; NaN for text and markers */
};
/**
 * Encodes `value` (the point's own unit) as the channel would be read: clamped to what the type
 * holds, rounded half to even, and moved one count where it would say one of the channel's markers.
 * Texts say `text`.
 */
void registers_encode(const struct channel *channel, double value, const char *text,
                      struct encoded *out);
/** The channel's first marker of a list, or zeros where there is none. */
void registers_marker(const struct channel *channel, const struct marker *markers, unsigned n,
                      struct encoded *out);

#endif
