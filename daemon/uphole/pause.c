/* SPDX-License-Identifier: Apache-2.0
 *
 * pause.c - see pause.h. A pause outlives no restart: not of the SCADA side, not of Uphole.
 */
#include "pause.h"

#include "by_hand.h"
#include "for_a_while.h"

#include <string.h>
#include <sysexits.h>

/** The index of an MQTT destination, or -1 and a sentence. */
static int find_destination(const struct plan *plan, const char *name, struct socket_text *text)
{
    const char *before = " ";
    for (uint16_t i = 0; i < plan->n_destinations; i++) {
        if (strcmp(plan->destinations[i].name, name) != 0)
            continue;
        if (plan->destinations[i].medium == DESTINATION_MQTT)
            return i;
        text_add(text, "%s is a table: SCADA asks it, so it has no connection of its own to pause.",
                 name);
        return -1;
    }
    text_add(text, "There is no destination '%s'; those with a broker are", name);
    for (uint16_t i = 0; i < plan->n_destinations; i++)
        if (plan->destinations[i].medium == DESTINATION_MQTT) {
            text_add(text, "%s%s", before, plan->destinations[i].name);
            before = ", ";
        }
    text_add(text, "%s.", before[0] == ' ' ? " none" : "");
    return -1;
}

static int give(struct order_view *view, const struct asker *who, const char *arguments,
                bool is_pause, struct socket_text *text)
{
    struct while_words words;
    char by[sizeof((struct wall_pause *)0)->by], until_text[STAMP_TEXT_MAX], long_[STAMP_TEXT_MAX];
    if (!while_read_words(arguments, is_pause, &words))
        return text_not_understood(text);
    const int destination = find_destination(view->plan, words.name, text);
    if (destination < 0)
        return EX_NOINPUT;
    if (is_pause && (words.ms < PAUSE_LEAST_MS || words.ms > PAUSE_MOST_MS)) {
        text_add(text, "A destination is paused for 5 s at least and 10 min at most.");
        return EX_USAGE;
    }
    struct stamp until = {0};
    if (is_pause) {
        until = stamp_take(view->clock, view->watch);
        until.boot_ms += words.ms;
        until.utc_ms += words.ms;
    }
    by_hand_who(words.role, who->name, by, sizeof by);
    if (!core_pause_destination(view->core, (uint16_t)destination, &until, by)) {
        text_add(text, "The SCADA side of Uphole can't be told just now, so nothing was changed. "
                       "'uphole status' says how it is; try again.");
        return EX_TEMPFAIL;
    }
    if (is_pause)
        text_add(text,
                 "%s is paused by %s until %s (%s). Records are stored and will be sent then; "
                 "'uphole resume %s' ends it at once.",
                 words.name, by, stamp_to_short_text(until.utc_ms, until_text),
                 duration_to_text(words.ms, long_), words.name);
    else
        text_add(text, "%s is told to connect again, by %s.", words.name, by);
    return 0;
}

int order_pause(struct order_view *view, const struct asker *who, const char *arguments,
                struct socket_text *text)
{
    return give(view, who, arguments, true, text);
}

int order_resume(struct order_view *view, const struct asker *who, const char *arguments,
                 struct socket_text *text)
{
    return give(view, who, arguments, false, text);
}
