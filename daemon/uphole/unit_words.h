/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_words.h - a doubted unit, in a sentence with the check that settles it.
 */
#ifndef UPHOLE_UNIT_WORDS_H
#define UPHOLE_UNIT_WORDS_H

#include "uphole/measure.h"

#define UNIT_WORDS_MAX 400

/**
 * "intake pressure: 1091 kPa doesn't fit this well; 7520 kPa would, as if the registers held psi and not kPa (odds 20000 to 1). ..." Nothing is
 * repaired: the value goes out as configured, unit_unconfirmed. `found` is measure_units'. Returns the length.
 */
size_t unit_words(const struct plan *plan, const struct well_plan *well, int64_t utc_ms, const struct unit_doubt_now *found,
                  char into[static UNIT_WORDS_MAX]);

/** Something speaks against the unit; a want of a confirmation alone doesn't. */
bool unit_is_in_doubt(const struct unit_doubt_now *found);
/** What a word of the map's unit-setting register `index` means: "1 (psi, degF)", "7 (unknown to the map)", "3" where the map says nothing of it. */
#define SETTING_WORDS_MAX 64
const char *setting_words(const struct map *map, unsigned index, uint16_t word, char into[static SETTING_WORDS_MAX]);
/** False: some kind has no unit while the register holds this word. */
bool setting_is_known(const struct map *map, unsigned index, uint16_t word);

#endif
