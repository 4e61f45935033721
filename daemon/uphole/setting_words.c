/* SPDX-License-Identifier: Apache-2.0
 *
 * setting_words.c - a word of the unit-setting register, for people.
 */
#include "unit_words.h"

#include <stdio.h>

const char *setting_words(const struct map *map, unsigned index, uint16_t word,
                          char into[static SETTING_WORDS_MAX])
{
    bool any = false, known = false;
    size_t n = (size_t)snprintf(into, SETTING_WORDS_MAX, "%u", word);
    for (unsigned k = 0; k < map->n_unit_settings; k++) {
        const struct unit_setting *setting = &map->unit_settings[k];
        if (setting->at != index)
            continue;
        const struct unit_meaning *meaning = unit_meaning_of(setting, word);
        n += (size_t)snprintf(into + n, SETTING_WORDS_MAX - n, "%s%s", any ? ", " : " (",
                              meaning != NULL                      ? unit_get(meaning->unit)->name
                              : setting->kind == QUANTITY_PRESSURE ? "no unit of pressures"
                                                                   : "none of temperatures");
        any = true;
        known = known || meaning != NULL;
    }
    if (any && !known)
        snprintf(into, SETTING_WORDS_MAX, "%u (unknown to the map)", word);
    else if (any)
        snprintf(into + n, SETTING_WORDS_MAX - n, ")");
    return into;
}

bool unit_is_in_doubt(const struct unit_doubt_now *found)
{
    return found->finding.verdict >= UNIT_DIFFERS || found->held != UNIT_AS_CONFIGURED ||
           found->setting == SETTING_UNSEEN || found->setting == SETTING_UNKNOWN;
}

bool setting_is_known(const struct map *map, unsigned index, uint16_t word)
{
    for (unsigned k = 0; k < map->n_unit_settings; k++)
        if (map->unit_settings[k].at == index &&
            unit_meaning_of(&map->unit_settings[k], word) == NULL)
            return false;
    return true;
}
