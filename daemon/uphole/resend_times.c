/* SPDX-License-Identifier: Apache-2.0
 *
 * resend_times.c - once the clock of a boot is known, rows from before get the time at which they
 * were taken: time = the set instant - (boot_ms at it - boot_ms of the row). See resend.h.
 *
 * One order a boot, made from what is on disk: the boot's first run did not begin with the time,
 * no times order of this boot stands in the journal, and a scan was taken under a synchronised
 * clock. So a restart between any two of these makes the same order. Never across boots: CLOCK_
 * BOOTTIME starts anew, and nothing tells how long the box was off.
 *
 * Which rows of the range get another time is order_corrects' to say, row by row: a row that a
 * slow line hands over late is in it as well, since the order waits SETTLE_MS.
 */
#include "resend.h"

#include "core_inside.h"

#include "uphole/say.h"

#include <stdio.h>
#include <string.h>

#define SETTLE_MS 10000

void resend_times_name(const struct stamp *set, char into[static sizeof((struct row_order *)0)->by])
{
    char text[STAMP_TEXT_MAX];
    snprintf(into, sizeof((struct row_order *)0)->by, "clock set at %s",
             stamp_to_text(set->utc_ms, text));
}

static bool knows_the_time(uint8_t clock)
{
    return clock == CLOCK_STATE_SYNCHRONISED || clock == CLOCK_STATE_HOLDOVER;
}

void resend_times_open(struct core *core)
{
    struct resend *resend = &core->resend;
    struct row_order newest;
    struct boot_begin begin;
    if (journal_newest_times(core->options.journal, &newest, NULL) != UP_OK ||
        journal_boot_begins(core->options.journal, &begin, NULL) != UP_OK)
        return; /* the next start looks again */
    resend->boot_begins = begin.pos;
    const bool is_first = begin.pos == 0 || begin.run == core->options.run;
    resend->unsure = !is_first && !knows_the_time(begin.clock);
    resend->times_settled =
        (newest.pos > begin.pos && begin.pos != 0) || (!is_first && knows_the_time(begin.clock));
}

void resend_see_clock(struct core *core, const struct stamp *begun)
{
    struct resend *resend = &core->resend;
    if (resend->times_settled || resend->set.boot_ms != 0)
        return;
    if (begun->clock == CLOCK_STATE_SYNCHRONISED)
        resend->set = *begun;
    else
        resend->unsure = true;
}

void resend_make_times(struct core *core, int64_t now_boot_ms)
{
    struct resend *resend = &core->resend;
    if (resend->times_settled || resend->set.boot_ms == 0)
        return;
    if (!resend->unsure) { /* this boot's first run had the time with its first scan */
        resend->times_settled = true;
        return;
    }
    if (now_boot_ms - resend->set.boot_ms < SETTLE_MS || resend->boot_begins == 0 ||
        resend->n_waiting > 0) /* an order of this commit can't be seen by the next revision */
        return;
    struct row_order order = {.kind = ORDER_TIMES,
                              .from = resend->boot_begins + 1,
                              .to = journal_newest_pos(core->options.journal),
                              .set = resend->set,
                              .reason = "The clock of this box was set after its start."};
    resend_times_name(&resend->set, order.by);
    if (order.from > order.to ||
        journal_next_revision(core->options.journal, 0, order.from, order.to, &order.revision,
                              NULL) != UP_OK ||
        !resend_add(core, &order))
        return;
    char at[STAMP_TEXT_MAX], text[GAP_CAUSE_MAX];
    snprintf(text, sizeof text,
             "The clock of this box is set since %s. Records from before, since the box started, "
             "go out again with their right times.",
             stamp_to_text(resend->set.utc_ms, at));
    say(SAY_INFO, "journal", "%s", text);
    core_add_event(core, "clock_set", "uphole", text, strlen(text));
    resend->times_settled = true;
}
