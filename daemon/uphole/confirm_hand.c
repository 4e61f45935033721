/* SPDX-License-Identifier: Apache-2.0
 *
 * confirm_hand.c - the order `confirm`: from what a person read to a fact of the journal, or to the
 * reason why not. See confirm.h.
 *
 * The person may be wrong, and so may we: nothing is confirmed that the newest scans don't bear
 * out.
 */
#include "confirm_inside.h"

#include "uphole/say.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

static int read_words(const char *at, struct asked *asked, struct answer *to)
{
    static const char FORM[] =
        "A unit is confirmed with the well, the point, and what the screen says, as 1790 psi, and "
        "with the role of who read it.";
    if (!by_hand_word(&at, asked->well, sizeof asked->well) ||
        !by_hand_word(&at, asked->point, sizeof asked->point) ||
        !by_hand_word(&at, asked->at, sizeof asked->at))
        return answer(to, EX_USAGE, "%s", FORM);
    asked->withdraw = strcmp(asked->at, "withdraw") == 0;
    if (!asked->withdraw && (!by_hand_word(&at, asked->number, sizeof asked->number) ||
                             !by_hand_word(&at, asked->unit, sizeof asked->unit)))
        return answer(to, EX_USAGE, "%s", FORM);
    if (at[0] == '\0' || strspn(at, " ") == strlen(at) || strlen(at) > CONFIRM_ROLE_MAX)
        return answer(to, EX_USAGE,
                      "Say with --by in which role you read the screen, in at most %d bytes: "
                      "technician, operations engineer.",
                      CONFIRM_ROLE_MAX);
    snprintf(asked->role, sizeof asked->role, "%s", at);
    return 0;
}

static int find_names(struct core *core, const struct asked *asked, int64_t now_utc_ms,
                      struct about *about, struct answer *to)
{
    const struct plan *plan = core->options.plan;
    uint16_t w = 0;
    const int code = by_hand_well(core, asked->well, &w, to);
    if (code != 0)
        return code;
    about->well = &core->wells[w];
    about->point = point_find(asked->point, strlen(asked->point));
    if (about->point == 0)
        return answer(to, EX_NOINPUT,
                      "'%.60s' is no point. 'uphole confirm %s --list' shows those that can be "
                      "confirmed.",
                      asked->point, asked->well);
    about->at_utc_ms = now_utc_ms;
    if (!asked->withdraw && strcmp(asked->at, "-") != 0 &&
        !stamp_from_text(asked->at, strlen(asked->at), &about->at_utc_ms))
        return answer(to, EX_USAGE, "'%.60s' is no time; expected one like 2031-03-01T06:00:05Z.",
                      asked->at);
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS && about->channel == NULL; s++) {
        about->entry = plan_entry_at(&plan->wells[w], s, about->at_utc_ms);
        about->source = s;
        if (about->entry != NULL)
            about->channel = map_channel(&plan->maps[about->entry->map], about->point);
    }
    if (about->channel == NULL)
        return answer(to, EX_NOINPUT, "No map of %s holds %s, so there is nothing to confirm.",
                      asked->well, asked->point);
    if (!point_needs_confirmation(about->point))
        return answer(to, EX_DATAERR,
                      "%s is a %s, which needs no confirmation: only pressures, temperatures and "
                      "vibration do.",
                      asked->point, quantity_name(point_get(about->point)->kind));
    return 0;
}

static int read_screen(const struct asked *asked, struct about *about, struct answer *to)
{
    const enum quantity kind = point_get(about->point)->kind;
    double number, step;
    if (!confirm_number(asked->number, &number, &step))
        return answer(to, EX_USAGE,
                      "'%.40s' is no number as a screen shows it; expected one like 1790 or 12.34.",
                      asked->number);
    about->unit = unit_find(asked->unit, strlen(asked->unit), kind);
    if (about->unit == 0) {
        const unit_number other = unit_find(asked->unit, strlen(asked->unit), QUANTITY_NONE);
        return other != 0
                   ? answer(to, EX_DATAERR, "%s is a %s, and %.40s is a unit of %s.", asked->point,
                            quantity_name(kind), asked->unit, quantity_name(unit_get(other)->kind))
                   : answer(to, EX_DATAERR,
                            "'%.40s' is no unit that is known here; write it as the screen "
                            "does: psi, kPa, bar, kgf/cm2, degC, degF, g, m/s2.",
                            asked->unit);
    }
    about->shown = unit_convert(number, about->unit, point_unit(about->point));
    return 0;
}

/* ---- giving it ---- */

/** Fact and event in one transaction; false: not stored, and nothing holds. */
static bool store(struct core *core, const struct about *about, const struct fact *fact,
                  const char *kind, const char *who, const char *text)
{
    const size_t n_events = core->n_events;
    if (!core_has_room_for_event(core))
        return false;
    core->confirm_fact = *fact;
    core->confirm_fact.pos = about->well->newest_pos;
    core_add_event(core, kind, who, text, strlen(text));
    core_commit(core, false);
    const bool is_stored = core->confirm_fact.well == 0;
    if (is_stored)
        fold_load_fact(about->well->fold, fact);
    else if (core->n_events > n_events)
        core->n_events = n_events; /* what did not happen is not told later */
    core->confirm_fact.well = 0;
    return is_stored;
}

static void note_words(struct core *core, const struct about *about, const char *who,
                       const char *text, int64_t utc_ms, bool is_end)
{
    struct confirm_words *words =
        core_confirm_words(core, about->well->plan->number, about->point, true);
    const char *behind = strstr(text, ": ");
    behind = behind != NULL ? behind + 2 : text;
    if (words == NULL)
        return;
    if (is_end) {
        words->ended_utc_ms = utc_ms;
        snprintf(words->ended, sizeof words->ended, "%.*s", GAP_CAUSE_MAX - 1, behind);
        return;
    }
    words->utc_ms = utc_ms;
    words->ended_utc_ms = 0;
    words->ended[0] = '\0';
    snprintf(words->who, sizeof words->who, "%s", who);
    snprintf(words->text, sizeof words->text, "%.*s", GAP_CAUSE_MAX - 1, behind);
}

/** "; serial number G-0417, map scaled-16, unit register 1" */
static void tie_words(const struct core *core, const struct about *about,
                      const struct unit_tie *tie, char *into, size_t room)
{
    size_t n = 0;
    if (about->entry->serial_number[0] != '\0')
        n += (size_t)snprintf(into, room, "; serial number %s", about->entry->serial_number);
    if (n < room)
        n += (size_t)snprintf(into + n, room - n, "%smap %s", n > 0 ? ", " : "; ",
                              core->options.plan->maps[about->entry->map].name);
    if (n < room && tie->has_setting)
        snprintf(into + n, room - n, ", unit register %u", tie->setting);
}

static int refuse_store(struct answer *to)
{
    return answer(to, EX_TEMPFAIL,
                  "The confirmation could not be stored, so it does not hold. Try again; 'uphole "
                  "status' says how the journal is.");
}

static int refuse_often(const struct asked *asked, struct answer *to)
{
    return answer(to, EX_TEMPFAIL,
                  "The unit of %s was confirmed several times within a short while already. Wait "
                  "until the surface unit's setting stays as it is, an hour or two.",
                  asked->point);
}

static int give(struct core *core, const char *who, const struct asked *asked,
                const struct stamp *now, struct about *about, struct answer *to)
{
    struct unit_tie tie;
    struct fact fact;
    char read[NUMBER_TEXT_MAX], when[STAMP_TEXT_MAX], tied[160] = "";
    char text[512]; /* cut to an event's length there */
    char by[sizeof((struct event *)0)->who];
    const struct scan *newest = &about->well->newest_scan[about->source];
    if (!measure_unit_tie(core->options.plan, about->well->plan, &about->scan, about->point, &tie))
        return refuse_store(to);
    if (!fold_confirm(about->well->fold, core->options.plan, about->well->plan, newest,
                      about->point, CONFIRMED_HOLDS, &tie, &fact))
        return refuse_often(asked, to);
    confirm_number_in(asked, about, about->read, read);
    tie_words(core, about, &tie, tied, sizeof tied);
    snprintf(text, sizeof text, "%s %s: screen %s %s, read %s %s at %s, by %s%s.", asked->well,
             asked->point, asked->number, unit_get(about->unit)->name, read,
             unit_get(about->unit)->name, stamp_to_short_text(about->scan.begun.utc_ms, when),
             asked->role, tied);
    by_hand_who(asked->role, who, by, sizeof by);
    if (!store(core, about, &fact, "unit_confirmed", by, text))
        return refuse_store(to);
    note_words(core, about, by, text, now->utc_ms, false);
    return answer(
        to, 0,
        "%s of %s is confirmed from the next scan on: the screen says %s %s, Uphole read "
        "%s %s at %s; by %s (%s).%s",
        asked->point, asked->well, asked->number, unit_get(about->unit)->name, read,
        unit_get(about->unit)->name, when, asked->role, who,
        about->entry->confirmed_units[about->point] ? " It stood in confirmed_units already." : "");
}

static int withdraw(struct core *core, const char *who, const struct asked *asked,
                    const struct stamp *now, struct about *about, struct answer *to)
{
    struct confirmation held;
    struct fact fact;
    char text[512], by[sizeof((struct event *)0)->who];
    struct scan newest = about->well->newest_scan[about->source];
    fold_confirmation(about->well->fold, about->point, &held);
    if (held.state != CONFIRMED_HOLDS)
        return answer(to, EX_DATAERR,
                      "%s of %s is not confirmed by a person, so there is nothing to withdraw%s.",
                      asked->point, asked->well,
                      about->entry->confirmed_units[about->point]
                          ? "; it stands in confirmed_units of the configuration"
                          : "");
    if (newest.outcome == OUTCOME_NONE)
        return answer(to, EX_UNAVAILABLE,
                      "%s was not read yet in this run. Withdraw it once it was.", asked->point);
    if (!fold_confirm(about->well->fold, core->options.plan, about->well->plan, &newest,
                      about->point, CONFIRMED_WITHDRAWN, &held.tie, &fact))
        return refuse_often(asked, to);
    snprintf(text, sizeof text, "%s %s: the confirmation was withdrawn by %s.", asked->well,
             asked->point, asked->role);
    by_hand_who(asked->role, who, by, sizeof by);
    if (!store(core, about, &fact, "unit_lapsed", by, text))
        return refuse_store(to);
    note_words(core, about, by, text, now->utc_ms, true);
    return answer(to, 0,
                  "The confirmation of %s of %s is withdrawn by %s (%s): from the next scan on it "
                  "is unit_unconfirmed again%s.",
                  asked->point, asked->well, asked->role, who,
                  about->entry->confirmed_units[about->point]
                      ? " where confirmed_units doesn't hold it"
                      : "");
}

int confirm_by_hand(struct core *core, const char *who, const char *arguments, char *text,
                    size_t room)
{
    struct answer to = {.text = text, .room = room};
    struct asked asked = {0};
    struct about *about = calloc(1, sizeof *about);
    if (about == NULL)
        return answer(&to, EX_OSERR, "No memory for this order.");
    int code = read_words(arguments, &asked, &to);
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    if (code == 0)
        code = find_names(core, &asked, now.utc_ms, about, &to);
    if (code == 0 && !asked.withdraw)
        code = read_screen(&asked, about, &to);
    if (code == 0 && !core->refusing)
        core_commit(core, false); /* what is in hand becomes rows: the fact belongs to the newest */
    if (code == 0 && core->refusing)
        code =
            answer(&to, EX_TEMPFAIL, "The disk refuses to store, so nothing can be confirmed now.");
    if (code == 0 && asked.withdraw) {
        code = withdraw(core, who, &asked, &now, about, &to);
        free(about);
        return code;
    }
    if (code == 0)
        code = confirm_look(core, &asked, &now, about, &to);
    if (code == 0)
        code = confirm_compare(core, &asked, &now, about, &to);
    if (code == 0)
        code = give(core, who, &asked, &now, about, &to);
    free(about);
    return code;
}
