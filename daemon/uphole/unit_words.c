/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_words.c - a doubted unit, in a sentence with the check that settles it.
 */
#include "unit_words.h"

#include <math.h>
#include <stdio.h>

static const struct channel *channel_of(const struct plan *plan, const struct well_plan *well,
                                        int64_t utc_ms, unsigned point)
{
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++) {
        const struct source_entry *entry = plan_entry_at(well, source, utc_ms);
        const struct channel *channel =
            entry != NULL ? map_channel(&plan->maps[entry->map], point) : NULL;
        if (channel != NULL)
            return channel;
    }
    return NULL;
}

/** The whole odds, rounded down to one digit, so that nobody takes them for a measurement. */
static double plain_odds(double odds)
{
    if (!(odds < 1e6))
        return 1e6;
    double ten = pow(10.0, floor(log10(odds)));
    return floor(odds / ten) * ten;
}

/** The register says nothing that can be used. */
static size_t words_of_setting(const struct point *point, uint8_t setting, const char *unit,
                               char into[static UNIT_WORDS_MAX])
{
    const int n =
        snprintf(into, UNIT_WORDS_MAX,
                 "%s: the unit-setting register %s. It is published in %s as the map states, "
                 "unit_unconfirmed. %s.",
                 point->trade_name,
                 setting == SETTING_UNKNOWN ? "holds a number that the map doesn't know"
                                            : "was not read for ten minutes or more",
                 unit,
                 setting == SETTING_UNKNOWN
                     ? "Set it back, or add the number to the map"
                     : "Look why that register is not answered: 'uphole status' shows the line");
    return n > 0 && n < UNIT_WORDS_MAX ? (size_t)n : UNIT_WORDS_MAX - 1;
}

/** Register and numbers don't go together. */
static size_t words_of_lag(const struct point *point, const struct unit_doubt_now *found,
                           unit_number unit, char into[static UNIT_WORDS_MAX])
{
    char value[NUMBER_TEXT_MAX], before[NUMBER_TEXT_MAX], screen[NUMBER_TEXT_MAX];
    number_to_text(found->published, point->resolution, value);
    number_to_text(found->as_before, point->resolution, before);
    number_to_text(unit_convert(found->published, unit_of_kind(point->kind), unit), 0.01, screen);
    const int n = snprintf(
        into, UNIT_WORDS_MAX,
        "%s: the unit-setting register says %s, but the numbers go on as before, as %s %s and not "
        "%s %s. It is published by the register, unit_unconfirmed. Look whether the surface unit's "
        "own screen says %s %s.",
        point->trade_name, unit_get(unit)->name, before, point->unit, value, point->unit, screen,
        unit_get(unit)->name);
    return n > 0 && n < UNIT_WORDS_MAX ? (size_t)n : UNIT_WORDS_MAX - 1;
}

size_t unit_words(const struct plan *plan, const struct well_plan *well, int64_t utc_ms,
                  const struct unit_doubt_now *found, char into[static UNIT_WORDS_MAX])
{
    const struct point *point = point_get(found->finding.point);
    const struct channel *channel = channel_of(plan, well, utc_ms, found->finding.point);
    char value[NUMBER_TEXT_MAX], truth[NUMBER_TEXT_MAX], screen[NUMBER_TEXT_MAX];
    into[0] = '\0';
    if (point == NULL || channel == NULL)
        return 0;
    const unit_number unit = found->unit != 0 ? found->unit : channel->unit;
    if (found->setting == SETTING_UNSEEN || found->setting == SETTING_UNKNOWN)
        return words_of_setting(point, found->setting, unit_get(channel->unit)->name, into);
    if (found->held >= UNIT_AS_MEANING)
        return words_of_lag(point, found, unit, into);
    const uint8_t change = found->held != UNIT_AS_CONFIGURED ? found->held : found->finding.change;
    const double true_value = found->held != UNIT_AS_CONFIGURED
                                  ? unit_change_undo(found->held, unit, found->published)
                                  : found->finding.true_value;
    number_to_text(found->published, point->resolution, value);
    number_to_text(true_value, point->resolution, truth);
    number_to_text(unit_convert(found->published, unit_of_kind(point->kind), unit), 0.01, screen);
    int n = 0;
    if (found->held != UNIT_AS_CONFIGURED)
        n = snprintf(into, UNIT_WORDS_MAX,
                     "%s: stepped by a known ratio, as if the surface unit's setting had been "
                     "changed: %s %s would be %s %s (%s).",
                     point->trade_name, value, point->unit, truth, point->unit,
                     unit_change_name(change));
    else if (found->finding.verdict == UNIT_DIFFERS)
        n = snprintf(into, UNIT_WORDS_MAX,
                     "%s: %s %s doesn't fit this well; %s %s would, as if the register held %s "
                     "where the map says %s (odds about %.0f to 1).",
                     point->trade_name, value, point->unit, truth, point->unit,
                     unit_change_name(change), unit_get(unit)->name,
                     plain_odds(found->finding.odds));
    else if (found->finding.verdict == UNIT_DIFFERS_SOMEHOW)
        n = snprintf(into, UNIT_WORDS_MAX,
                     "%s: %s %s doesn't fit this well in the map's unit, %s; more than one other "
                     "unit would fit.",
                     point->trade_name, value, point->unit, unit_get(unit)->name);
    else
        return 0;
    if (n > 0 && n < UNIT_WORDS_MAX)
        n += snprintf(into + n, (size_t)(UNIT_WORDS_MAX - n),
                      " It is published as configured, unit_unconfirmed. Look whether the surface "
                      "unit's own screen says %s %s.",
                      screen, unit_get(unit)->name);
    return n > 0 && n < UNIT_WORDS_MAX ? (size_t)n : UNIT_WORDS_MAX - 1;
}
