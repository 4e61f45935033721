/* SPDX-License-Identifier: Apache-2.0
 *
 * hold.c - see hold.h.
 */
#include "by_hand.h"
#include "for_a_while.h"
#include "hold.h"
#include "socket_answer.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

/** The line's place in the book: its own, a free one, or that of a hold that is over (a line of an
 * earlier plan). */
static struct hold *place_of(struct hold_book *book, const char *line, int64_t now_boot_ms)
{
    struct hold *place = NULL;
    for (size_t i = 0; i < PLAN_LINES_MAX; i++) {
        struct hold *hold = &book->hold[i];
        if (strcmp(hold->line, line) == 0)
            return hold;
        if (place == NULL && !hold_is_on(hold, now_boot_ms))
            place = hold;
    }
    return place;
}

static int find_line(const struct order_view *view, const char *name, struct socket_text *text)
{
    for (uint16_t i = 0; i < view->plan->n_lines; i++)
        if (strcmp(view->plan->lines[i].name, name) == 0)
            return i;
    text_add(text, "There is no line '%s'; the lines are", name);
    for (uint16_t i = 0; i < view->plan->n_lines; i++)
        text_add(text, "%s %s", i == 0 ? "" : ",", view->plan->lines[i].name);
    text_add(text, ".");
    return -1;
}

int order_hold(struct order_view *view, const struct asker *who, const char *arguments,
               struct socket_text *text)
{
    struct while_words words;
    char until[STAMP_TEXT_MAX], how_long[STAMP_TEXT_MAX];
    if (!while_read_words(arguments, true, &words))
        return text_not_understood(text);
    const int line = find_line(view, words.name, text);
    if (line < 0)
        return EX_NOINPUT;
    if (words.ms < HOLD_LEAST_MS || words.ms > HOLD_MOST_MS) {
        text_add(text, "A line is held for 1 min at least and 4 h at most; ask again for more.");
        return EX_USAGE;
    }
    if (view->gatherers[line] == NULL) {
        text_add(text, "%s does not run, so its port is free already.", words.name);
        return EX_UNAVAILABLE;
    }
    const struct stamp now = stamp_take(view->clock, view->watch);
    struct hold *hold = place_of(view->holds, words.name, now.boot_ms);
    if (hold == NULL) {
        text_add(text, "Too many lines are held; release one first.");
        return EX_TEMPFAIL;
    }
    const bool goes_on = strcmp(hold->line, words.name) == 0 && hold_is_on(hold, now.boot_ms);
    memcpy(hold->line, words.name, sizeof hold->line);
    if (!goes_on)
        hold->since = now;
    hold->until = now;
    hold->until.boot_ms += words.ms;
    hold->until.utc_ms += words.ms;
    by_hand_who(words.role, who->name, hold->who, sizeof hold->who);
    duration_to_text(words.ms, how_long);
    snprintf(hold->sentence, sizeof hold->sentence,
             "Paused by %s for at most %s: the line was released for other work.", hold->who,
             how_long);
    gather_hold(view->gatherers[line], hold->until.boot_ms * 1000);
    text_add(text,
             "%s is held by %s until %s (%s). Due scans are counted as not asked meanwhile. "
             "Polling goes on by itself then, or at once with 'uphole release %s'.",
             words.name, hold->who, stamp_to_short_text(hold->until.utc_ms, until), how_long,
             words.name);
    return 0;
}

int order_release(struct order_view *view, const struct asker *who, const char *arguments,
                  struct socket_text *text)
{
    struct while_words words;
    char how_long[STAMP_TEXT_MAX];
    (void)who;
    if (!while_read_words(arguments, false, &words))
        return text_not_understood(text);
    const int line = find_line(view, words.name, text);
    if (line < 0)
        return EX_NOINPUT;
    const struct stamp now = stamp_take(view->clock, view->watch);
    struct hold *hold = place_of(view->holds, words.name, now.boot_ms);
    if (hold == NULL || strcmp(hold->line, words.name) != 0 || !hold_is_on(hold, now.boot_ms)) {
        text_add(text, "%s is not held.", words.name);
        return 1;
    }
    const int64_t held_ms = now.boot_ms - hold->since.boot_ms;
    hold->until = now;
    if (view->gatherers[line] != NULL)
        gather_hold(view->gatherers[line], 0);
    text_add(text, "%s is released after %s; polling goes on.", words.name,
             duration_to_text(held_ms, how_long));
    const uint32_t listen_ms = view->plan->lines[line].listen_first_ms;
    if (held_ms > 600000 && listen_ms > 0)
        text_add(text, " It listens for %s first, since another master may be there by now.",
                 duration_to_text(listen_ms, how_long));
    return 0;
}

void held_as_text(const struct status_view *view, struct socket_text *text)
{
    const int64_t now_boot_ms = clock_boot_ms(view->clock);
    for (uint16_t i = 0; i < view->plan->n_lines; i++) {
        const char *name = view->plan->lines[i].name;
        const bool held = hold_now(view->holds, name, now_boot_ms) != NULL;
        const bool is_free = status_port_is_free(view, i);
        text_add(text, "%s %s\n", name, !held ? "polled" : is_free ? "free" : "held");
    }
}
