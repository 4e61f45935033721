/* SPDX-License-Identifier: Apache-2.0
 *
 * score.h - how a map's channels fit registers that were read: as the map says, or read otherwise
 * (pure).
 */
#ifndef UPHOLE_COMMISSION_SCORE_H
#define UPHOLE_COMMISSION_SCORE_H

#include "uphole/commission.h"

/** How a map is held against the registers: each address moved, tables exchanged. */
struct reading_as {
    int shift;
    bool tables_exchanged; /* input for holding, and the other way round */
};
struct fit {
    unsigned channels, there, missing; /* missing: refused, or outside what answers */
    unsigned with_words, markers;
    double plausible; /* sum over channels, 0 to 1 each */
};
void fit_make(const struct map *map, const struct find_unit *unit, const struct register_book *book,
              struct reading_as as, struct fit *out);
/** Mean plausibility of the channels that have words, 0 to 1; 0 without any. */
double fit_share(const struct fit *fit);
/** 1 typical, 0.5 possible, 0 not: the value of one channel. Markers count as 1. */
double channel_plausibility(const struct channel *channel, const uint16_t *words, bool *is_marker);
/** The channel's words as they are read `as`; false where they weren't. */
bool channel_words(const struct channel *channel, const struct register_book *book,
                   struct reading_as as, uint16_t *words);

/** True where the map's status may read so. */
bool map_knows_state(const struct map *map, uint16_t word);

__attribute__((format(printf, 2, 3))) void score_say(struct map_score *score, const char *format,
                                                     ...);
__attribute__((format(printf, 2, 3))) void score_warn(struct map_score *score, const char *format,
                                                      ...);
/** Adds warnings, and returns how well the map would fit if they were heeded, 0 to 1. */
double score_traps(const struct map *map, const struct find_unit *unit,
                   const struct register_book *book, const struct fit *fit,
                   struct map_score *score);

#endif
