/* SPDX-License-Identifier: Apache-2.0
 *
 * core_units.c - says once that a unit is doubted, and once that it no longer is: a line in the log
 * and an event in the journal.
 *
 * The quality says it with the first scan; people are told with the third, so that one odd reading
 * makes no noise.
 */
#include "core_inside.h"
#include "unit_words.h"

#include "uphole/say.h"

#include <stdio.h>
#include <string.h>

#define TELL_AFTER 3

static bool any_unconfirmed(const struct record *record)
{
    for (uint16_t i = 0; i < record->n; i++)
        if (record->reading[i].quality == QUALITY_UNIT_UNCONFIRMED)
            return true;
    return false;
}

static void tell(struct core *core, struct core_well *well, const struct unit_doubt_now *found,
                 const struct stamp *at)
{
    char words[UNIT_WORDS_MAX], text[UNIT_WORDS_MAX + 64];
    if (unit_words(core->options.plan, well->plan, at->utc_ms, found, words) == 0)
        return;
    const int n = snprintf(text, sizeof text, "%s: %s", well->plan->id, words);
    say(SAY_WARNING, "units", "%s", text);
    core_add_event(core, "unit_doubt", "uphole", text, n > 0 ? (size_t)n : 0);
}

void core_watch_units(struct core *core, struct core_well *well, const struct scan *scan,
                      const struct record *record)
{
    struct unit_doubt_now found[UNIT_DOUBTS_MAX];
    size_t n = 0;
    bool any = false;
    if (scan->source != SOURCE_GAUGE || !outcome_has_data(scan->outcome))
        return;
    if (any_unconfirmed(record))
        n = measure_units(well->fold, core->options.plan, well->plan, &scan->begun, found);
    for (size_t i = 0; i < n; i++)
        any = any || unit_is_in_doubt(&found[i]);
    if (any == well->told_units) {
        well->scans_units = 0;
        return;
    }
    if (++well->scans_units < TELL_AFTER)
        return;
    well->scans_units = 0;
    well->told_units = any;
    for (size_t i = 0; i < n; i++)
        tell(core, well, &found[i], &scan->begun);
    if (!any) {
        char text[120];
        const int length =
            snprintf(text, sizeof text, "%s: no unit is doubted any more.", well->plan->id);
        say(SAY_INFO, "units", "%s", text);
        core_add_event(core, "unit_doubt", "uphole", text, length > 0 ? (size_t)length : 0);
    }
}
