/* SPDX-License-Identifier: Apache-2.0
 *
 * decode_show.h - how `uphole decode` shows what it found; private to the program.
 */
#ifndef UPHOLE_DECODE_SHOW_H
#define UPHOLE_DECODE_SHOW_H

#include "uphole/plan.h"

#define DECODE_REGISTERS_MAX 64

/** Raw, marker, number, value, range, quality: a line each, or one JSON object. `words` are the
 * channel's n_words registers. */
void decode_show_steps(const struct channel *channel, const uint16_t *words, bool json);
/** All plausible decodings of n registers side by side, or as a JSON object. */
void decode_show_all(const uint16_t *words, unsigned n, bool json);

/** The value by each meaning of the map's unit-setting register; nothing where that doesn't concern the channel. */
void decode_show_settings(const struct map *map, const struct channel *channel, const uint16_t *words);

#endif
