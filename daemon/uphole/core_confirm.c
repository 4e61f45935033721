/* SPDX-License-Identifier: Apache-2.0
 *
 * core_confirm.c - what persons confirmed of units: loaded at the start, told where it ends, and
 * the words about it kept at hand.
 *
 * What counts is in the facts, and with them in the fold; the words are the journal's events
 * `unit_confirmed` and `unit_lapsed`, whose text begins with `WELL POINT: `.
 */
#include "confirm.h"
#include "core_inside.h"

#include "uphole/say.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define EVENTS_READ_MAX 4096 /* of each kind, newest first */
#define FACTS_READ_MAX 1024  /* of a well's points in the rows that hold their newest */

struct confirm_words *core_confirm_words(struct core *core, uint16_t well, unsigned point,
                                         bool make)
{
    for (size_t i = 0; i < core->n_confirm_book; i++)
        if (core->confirm_book[i].well == well && core->confirm_book[i].point == point)
            return &core->confirm_book[i];
    if (!make || core->n_confirm_book == CONFIRM_BOOK_MAX)
        return NULL;
    struct confirm_words *words = &core->confirm_book[core->n_confirm_book++];
    *words = (struct confirm_words){.well = well, .point = (uint16_t)point};
    return words;
}

/** The row that an event's text names, with what stands behind its `WELL POINT: `; NULL: none. */
static struct confirm_words *words_of_event(struct core *core, const struct event *event,
                                            const char **text)
{
    char id[NAME_LENGTH_MAX + 1];
    const size_t n = strcspn(event->text, " ");
    const char *name = event->text + n + (event->text[n] == ' ');
    const char *end = strstr(name, ": ");
    if (n >= sizeof id || end == NULL)
        return NULL;
    memcpy(id, event->text, n);
    id[n] = '\0';
    const struct well_plan *well = plan_well_by_id(core->options.plan, id);
    const unsigned point = point_find(name, (size_t)(end - name));
    *text = end + 2;
    return well == NULL || point == 0 ? NULL : core_confirm_words(core, well->number, point, true);
}

/** Events come newest first, and only the newest of a point is shown. */
static void take_event(struct core *core, const struct event *event, bool is_end)
{
    const char *text = "";
    struct confirm_words *words = words_of_event(core, event, &text);
    if (words == NULL)
        return;
    if (is_end && words->ended_utc_ms == 0 && event->utc_ms >= words->utc_ms) {
        words->ended_utc_ms = event->utc_ms;
        snprintf(words->ended, sizeof words->ended, "%s", text);
    }
    if (!is_end && words->utc_ms == 0) {
        words->utc_ms = event->utc_ms;
        snprintf(words->who, sizeof words->who, "%s", event->who);
        snprintf(words->text, sizeof words->text, "%s", text);
    }
}

static enum up_rc load_words(struct core *core, struct journal_reader *reader,
                             struct up_error *error)
{
    static const char *const KINDS[] = {"unit_confirmed", "unit_lapsed"};
    struct event *slice = calloc(JOURNAL_SLICE_MAX, sizeof *slice);
    enum up_rc rc = slice != NULL
                        ? UP_OK
                        : UP_FAIL(error, UP_E_MEMORY, "no memory for what was confirmed of units");
    for (unsigned k = 0; k < 2 && rc == UP_OK; k++) {
        uint64_t before = UINT64_MAX;
        size_t got = 1;
        for (size_t read = 0; rc == UP_OK && got > 0 && read < EVENTS_READ_MAX; read += got) {
            rc = journal_read_events_of(reader, KINDS[k], before, JOURNAL_SLICE_MAX, slice, &got,
                                        error);
            for (size_t i = 0; rc == UP_OK && i < got; i++)
                take_event(core, &slice[i], k == 1);
            before = got > 0 ? slice[got - 1].pos : 0;
        }
    }
    free(slice);
    return rc;
}

enum up_rc core_load_confirmations(struct core *core, struct up_error *error)
{
    struct journal_reader *reader = NULL;
    struct fact *facts = calloc(FACTS_READ_MAX, sizeof *facts);
    size_t all = 0;
    if (facts == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for what was confirmed of units");
    enum up_rc rc = journal_reader_open(core->options.plan->journal.path, &reader, error);
    if (rc == UP_OK)
        rc = journal_read_confirmations(reader, facts, FACTS_READ_MAX, &all, error);
    for (size_t i = 0; rc == UP_OK && i < all; i++) {
        const int w = core_well_index(core, facts[i].well);
        if (w >= 0)
            fold_load_fact(core->wells[w].fold, &facts[i]);
    }
    if (rc == UP_OK && all > 0)
        rc = load_words(core, reader, error);
    if (rc == UP_OK)
        rc = core_load_settings(core, reader, error);
    journal_reader_close(reader);
    free(facts);
    return rc;
}

/* ---- what ends one ---- */

/** "the unit-setting register went from 0 to 1" */
static void cause_words(const struct core *core, const struct core_well *well,
                        const struct scan *scan, const struct confirmation *ended, unsigned point,
                        char *into, size_t room)
{
    struct unit_tie now;
    switch (ended->state) {
    case CONFIRMED_OTHER_SERIAL:
        snprintf(into, room, "the surface unit's serial number is another");
        return;
    case CONFIRMED_OTHER_MAP:
        snprintf(into, room, "the map says otherwise of this channel");
        return;
    default:
        break;
    }
    if (measure_unit_tie(core->options.plan, well->plan, scan, point, &now))
        snprintf(into, room, "the unit-setting register went from %u to %u", ended->tie.setting,
                 now.setting);
    else
        snprintf(into, room, "the unit-setting register no longer holds %u", ended->tie.setting);
}

void core_tell_confirmation(struct core *core, const struct core_well *well,
                            const struct scan *scan, const struct fact *fact)
{
    struct confirmation ended;
    if (fact->kind < FACT_UNIT_CONFIRMED || fact->kind > FACT_UNIT_CONFIRMED_LAST)
        return;
    confirmation_of_fact(fact, &ended);
    if (ended.state <= CONFIRMED_WITHDRAWN) /* made again of an earlier run: nothing new */
        return;
    char cause[80], since[STAMP_TEXT_MAX], text[GAP_CAUSE_MAX];
    cause_words(core, well, scan, &ended, fact->point, cause, sizeof cause);
    snprintf(text, sizeof text,
             "%s %s: no longer confirmed since %s: %s. Compare with the screen and confirm again.",
             well->plan->id, point_get(fact->point)->id,
             stamp_to_short_text(scan->begun.utc_ms, since), cause);
    say(SAY_WARNING, "units", "%s", text);
    core_add_event(core, "unit_lapsed", "uphole", text, strlen(text));
    struct confirm_words *words = core_confirm_words(core, well->plan->number, fact->point, true);
    if (words == NULL)
        return;
    words->ended_utc_ms = scan->begun.utc_ms;
    const char *behind = strstr(text, ": ");
    snprintf(words->ended, sizeof words->ended, "%s", behind != NULL ? behind + 2 : text);
}

/* ---- as it stands, for people ---- */

size_t confirm_rows(const struct core *core, uint16_t well_index, int64_t utc_ms,
                    struct confirm_row *into, size_t room)
{
    const struct plan *plan = core->options.plan;
    const struct core_well *well = &core->wells[well_index];
    size_t n = 0;
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct source_entry *entry = plan_entry_at(well->plan, s, utc_ms);
        for (unsigned i = 0; entry != NULL && i < plan->maps[entry->map].n_channels; i++) {
            const struct map *map = &plan->maps[entry->map];
            const struct channel *channel = &map->channel[i];
            struct confirmation held;
            if (!point_needs_confirmation(channel->point) || n == room)
                continue;
            fold_confirmation(well->fold, channel->point, &held);
            const struct confirm_words *words = NULL;
            for (size_t k = 0; k < core->n_confirm_book && words == NULL; k++)
                if (core->confirm_book[k].well == well->plan->number &&
                    core->confirm_book[k].point == channel->point)
                    words = &core->confirm_book[k];
            into[n++] = (struct confirm_row){
                .channel = channel,
                .map = map,
                .serial_number = entry->serial_number,
                .is_configured = entry->confirmed_units[channel->point],
                .state = held.state,
                .has_setting = held.tie.has_setting,
                .setting = held.tie.setting,
                .since_utc_ms =
                    words != NULL && words->utc_ms != 0 ? words->utc_ms : held.since_utc_ms,
                .ended_utc_ms = words != NULL && words->ended_utc_ms != 0 ? words->ended_utc_ms
                                                                          : held.since_utc_ms,
                .who = words != NULL ? words->who : "",
                .text = words != NULL ? words->text : "",
                .ended = words != NULL ? words->ended : ""};
        }
    }
    return n;
}
