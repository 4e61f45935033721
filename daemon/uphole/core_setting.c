/* SPDX-License-Identifier: Apache-2.0
 *
 * core_setting.c - says that a unit-setting register holds another word: a line in the log and an
 * event in the journal, over a restart as well.
 */
#include "core_inside.h"
#include "unit_words.h"

#include "uphole/say.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Changes of a well's settings; of more it is said once that they go on. */
#define TOLD_AN_HOUR_MAX 8
#define SETTINGS_READ_MAX ((size_t)PLAN_WELLS_MAX * SOURCE_KINDS * UNIT_REGISTERS_MAX)
#define HOUR_MS (INT64_C(3600) * 1000)

enum up_rc core_load_settings(struct core *core, struct journal_reader *reader,
                              struct up_error *error)
{
    struct fact *facts = calloc(SETTINGS_READ_MAX, sizeof *facts);
    size_t got = 0;
    if (facts == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for what unit-setting registers held");
    const enum up_rc rc = journal_read_settings(reader, facts, SETTINGS_READ_MAX, &got, error);
    for (size_t i = 0; rc == UP_OK && i < got; i++) {
        const int w = core_well_index(core, facts[i].well);
        const unsigned index = (unsigned)facts[i].kind - FACT_UNIT_SETTING;
        if (w >= 0 && facts[i].source < SOURCE_KINDS && index < UNIT_REGISTERS_MAX)
            core->wells[w].told_setting[facts[i].source][index] =
                (struct core_setting){true, (uint16_t)facts[i].value};
    }
    free(facts);
    return rc;
}

/** False: told often enough in this hour; the last time says so. */
static bool may_tell(struct core_well *well, int64_t now_ms, bool *is_last)
{
    if (well->n_settings_told == 0 || now_ms - well->settings_told_ms > HOUR_MS) {
        well->n_settings_told = 0;
        well->settings_told_ms = now_ms;
    }
    if (well->n_settings_told == TOLD_AN_HOUR_MAX)
        return false;
    *is_last = ++well->n_settings_told == TOLD_AN_HOUR_MAX;
    return true;
}

void core_tell_setting(struct core *core, struct core_well *well, const struct scan *scan,
                       const struct fact *fact)
{
    if (fact->kind < FACT_UNIT_SETTING || fact->kind > FACT_UNIT_SETTING_LAST ||
        fact->source >= SOURCE_KINDS)
        return;
    const unsigned index = (unsigned)fact->kind - FACT_UNIT_SETTING;
    struct core_setting *told = &well->told_setting[fact->source][index];
    const struct core_setting before = *told;
    *told = (struct core_setting){true, (uint16_t)fact->value};
    const struct source_entry *entry = plan_entry_at(well->plan, fact->source, scan->begun.utc_ms);
    bool is_last = false;
    if (!before.has || before.word == told->word || entry == NULL ||
        !may_tell(well, scan->begun.boot_ms, &is_last))
        return;
    const struct map *map = &core->options.plan->maps[entry->map];
    char was[SETTING_WORDS_MAX], is[SETTING_WORDS_MAX], since[STAMP_TEXT_MAX], text[400];
    snprintf(text, sizeof text, "%s %s: the unit-setting register went from %s to %s at %s. %s%s",
             well->plan->id, source_name(fact->source), setting_words(map, index, before.word, was),
             setting_words(map, index, told->word, is),
             stamp_to_short_text(scan->begun.utc_ms, since),
             map->n_unit_settings == 0 ? "The map doesn't say what it means: compare the units "
                                         "with the screen."
             : setting_is_known(map, index, told->word)
                 ? "Values are decoded by it. Ask who changed it, and compare with the screen."
                 : "These values are unit_unconfirmed: set it back, or add the number to the map.",
             is_last ? " More changes of this hour are not told." : "");
    say(SAY_WARNING, "units", "%s", text);
    core_add_event(core, "unit_setting", "uphole", text, strlen(text));
}
