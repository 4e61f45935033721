/* SPDX-License-Identifier: Apache-2.0
 *
 * retain.c - see retain.h.
 *
 *   idle ──(too old, too much)──▶ floors, a well a pass ──▶ with the next commit ──▶ idle
 *
 * Age takes only what every destination has accepted, and only by a clock that can be trusted. Size
 * takes the oldest, accepted or not, and what was not is counted in the ledger. An interval under
 * review stops both: nothing that it holds goes, nor anything younger, so that no hole comes behind
 * it.
 */
#include "retain.h"
#include "retain_lead.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#ifndef LOOK_EVERY_US          /* walks run a program that removes soon */
#define LOOK_EVERY_US 10000000 /* where nothing has to go */
#endif
#define TIDY_EVERY_US 3600000000
#define FULL_PERCENT 95
#define DAY_MS 86400000
#define RAN_MORE_MS 3600000   /* rows of a stretch are not in the order of their begin alone */
#define RAN_LOOK_US 600000000 /* it takes a look at each boot since */
#define RAN_STRETCH_US 10000000

enum retain_step { STEP_IDLE = 0, STEP_FLOORS, STEP_COMMIT, STEP_TIDY };

void retain_open(struct retain *retain)
{
    memset(retain, 0, sizeof *retain);
}

void retain_abandon(struct retain *retain)
{
    if (retain->step == STEP_COMMIT)
        return; /* core holds it; its wells are named by number */
    journal_reader_close(retain->reader);
    retain->reader = NULL;
    retain->step = STEP_IDLE;
    retain->held_by_interval = 0;
    retain->held_for = NULL; /* a name of the plan before */
    retain->next_us = 0;
}

void retain_close(struct retain *retain)
{
    journal_reader_close(retain->reader);
    free(retain->slice);
    memset(retain, 0, sizeof *retain);
}

/* ---- what has to go ---- */

static bool is_too_much(struct journal *journal, const struct plan *plan)
{
    struct journal_room room;
    journal_room_of(journal, &room);
    /* The log counts by its fixed size, from the start: what it has of it by now says nothing about
     * history, and one that another program's reader holds grows with each removal. */
    return plan->journal.at_most_bytes > 0 &&
           room.used_bytes + room.log_wanted + room.reserve_wanted >
               plan->journal.at_most_bytes / 100 * FULL_PERCENT;
}

/** Scans that bear a time ahead, from before a clock was set back, are at least as old as the box
 * has run since: no reading of any clock makes them younger. */
static bool has_run_too_long(struct retain *retain, const struct retain_options *options)
{
    struct up_error error = {0};
    const int64_t now_us = clock_boot_us(options->clock);
    int64_t ran_ms = 0;
    if (now_us < retain->ran_next_us || options->plan->journal.n_retain > 0)
        return false; /* whether such scans are of the interval no label can tell */
    const bool known = journal_ran_since(options->journal, retain->next.to_pos, now_us / 1000,
                                         &ran_ms, &error) == UP_OK;
    const bool too_long = known && ran_ms > (int64_t)options->plan->journal.keep_ms + RAN_MORE_MS;
    retain->ran_next_us = now_us + (too_long ? RAN_STRETCH_US : RAN_LOOK_US);
    return too_long;
}

static bool is_too_old(struct retain *retain, const struct retain_options *options)
{
    const struct removal_next *next = &retain->next;
    int64_t now_ms = 0;
    if (!retain_age_now(&retain->age, options->journal, options->clock, options->watch, &now_ms) ||
        options->plan->journal.keep_ms == 0)
        return false;
    if (next->dated && next->to_utc_ms < now_ms - (int64_t)options->plan->journal.keep_ms)
        return true;
    return (!next->dated || next->to_utc_ms > now_ms) && has_run_too_long(retain, options);
}

static uint8_t reason_of(struct retain *retain, const struct retain_options *options)
{
    if (journal_needs_room(options->journal))
        return RETAIN_DISK;
    if (is_too_much(options->journal, options->plan))
        return RETAIN_SIZE;
    return is_too_old(retain, options) ? RETAIN_AGE : RETAIN_NONE;
}

int64_t retain_longest_lead_ms(const struct plan *plan)
{
    int64_t longest_ms = 0;
    for (uint16_t w = 0; w < plan->n_wells; w++) {
        const int64_t lead_ms = retain_lead_ms(plan, &plan->wells[w]);
        longest_ms = lead_ms > longest_ms ? lead_ms : longest_ms;
    }
    return longest_ms + longest_ms / 4; /* back-off stretches it */
}

/** 1 + index of the interval under review that holds a row of [from, to]; 0: none. */
static uint8_t interval_of(const struct plan *plan, int64_t from_utc_ms, int64_t to_utc_ms)
{
    for (uint8_t i = 0; i < plan->journal.n_retain; i++)
        if (to_utc_ms >= plan->journal.retain[i].from_utc_ms &&
            from_utc_ms <= plan->journal.retain[i].to_utc_ms)
            return (uint8_t)(i + 1);
    return 0;
}

/** Says once that an interval stands in the way, and once that it no longer does. */
static void tell_held(struct retain *retain, const struct retain_options *options, uint8_t by)
{
    const bool needs_room = by != 0 && retain->reason != RETAIN_AGE;
    char text[GAP_CAUSE_MAX], from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    const bool was = retain->needs_room;
    retain->held_by_interval = by;
    retain->needs_room = needs_room;
    if (needs_room == was)
        return;
    if (needs_room) {
        const struct retained *interval = &options->plan->journal.retain[by - 1];
        snprintf(text, sizeof text,
                 "Retention can't make room: %s to %s is retained (%.40s). New scans are stored "
                 "until the disk is full.",
                 stamp_to_short_text(interval->from_utc_ms, from),
                 stamp_to_short_text(interval->to_utc_ms, to), interval->reason);
        say(SAY_WARNING, "journal",
            "%s Then they are read and shown, but lost. Take the interval out of `retain` in the "
            "configuration, raise `at_most`, or make room on the disk.",
            text);
    } else {
        snprintf(text, sizeof text, "Retention can make room again.");
        say(SAY_INFO, "journal", "%s", text);
    }
    if (core_has_room_for_event(options->core))
        core_add_event(options->core, "retention", "uphole", text, strlen(text));
}

static const char *words_of(uint8_t reason, const struct plan *plan, char *into, size_t room)
{
    char span[STAMP_TEXT_MAX];
    const double bytes = (double)plan->journal.at_most_bytes;
    if (reason == RETAIN_AGE && plan->journal.keep_ms >= 2 * DAY_MS)
        snprintf(into, room, "they are older than %.0f days (keep)",
                 (double)plan->journal.keep_ms / DAY_MS);
    else if (reason == RETAIN_AGE)
        snprintf(into, room, "they are older than %s (keep)",
                 duration_to_text((int64_t)plan->journal.keep_ms, span));
    else if (reason == RETAIN_SIZE)
        snprintf(into, room, "the journal nears %.1f %s (at_most)",
                 bytes / (bytes < 1e9 ? 1e6 : 1e9), bytes < 1e9 ? "MB" : "GB");
    else
        snprintf(into, room, "the disk is full and gives the journal no more");
    return into;
}

/* ---- the steps ---- */

static void begin(struct retain *retain, const struct retain_options *options)
{
    struct up_error error = {0};
    if (retain->slice == NULL)
        retain->slice = calloc(JOURNAL_SLICE_MAX, sizeof *retain->slice);
    if (retain->slice == NULL ||
        journal_reader_open(options->plan->journal.path, &retain->reader, &error) != UP_OK)
        return;
    char words[96];
    retain->well = 0;
    retain->removal = (struct removal){.to_pos = retain->next.to_pos,
                                       .to_utc_ms = retain->next.to_utc_ms,
                                       .floors = retain->floors};
    snprintf(retain->why, sizeof retain->why,
             "Removed by retention before they were accepted: %s. They can't be sent any more.",
             words_of(retain->reason, options->plan, words, sizeof words));
    retain->step = STEP_FLOORS;
}

static void look(struct retain *retain, const struct retain_options *options)
{
    struct up_error error = {0};
    const int64_t now_us = clock_boot_us(options->clock);
    if (now_us < retain->next_us)
        return;
    if (now_us >= retain->next_tidy_us) {
        retain->next_tidy_us = now_us + TIDY_EVERY_US;
        retain->step = STEP_TIDY;
        return;
    }
    retain->next_us = now_us + LOOK_EVERY_US;
    retain->held_for = NULL;
    if (journal_removal_next(options->journal, &retain->next, &error) != UP_OK)
        return;
    retain_warn(retain, options);
    retain->reason = retain->next.to_pos == 0 ? RETAIN_NONE : reason_of(retain, options);
    const uint8_t interval =
        retain->reason == RETAIN_NONE
            ? 0
            : interval_of(options->plan, retain->next.from_utc_ms,
                          retain->next.to_utc_ms + retain_longest_lead_ms(options->plan));
    tell_held(retain, options, interval);
    if (retain->reason == RETAIN_NONE || interval != 0)
        return;
    begin(retain, options);
}

static void end_search(struct retain *retain)
{
    journal_reader_close(retain->reader);
    retain->reader = NULL;
    retain->step = STEP_IDLE;
}

/** False: what every destination accepted ends below the floor, or rows that are still to come need
 * these in their windows; age alone takes neither. */
static bool may_go(struct retain *retain, const struct retain_options *options,
                   const struct row_floor *floor)
{
    const char *who = NULL;
    if (retain->reason == RETAIN_AGE && floor->is_young && floor->run == core_run(options->core))
        return false;
    if (retain->reason != RETAIN_AGE ||
        core_accepted_pos(options->core, retain->well, &who) >= floor->pos)
        return true;
    retain->held_for = who;
    return false;
}

static void find_floor(struct retain *retain, const struct retain_options *options)
{
    struct up_error error = {0};
    const struct plan *plan = options->plan;
    if (retain->well == plan->n_wells) {
        end_search(retain);
        retain->step = STEP_COMMIT;
        core_take_removal(options->core, &retain->removal, retain->why);
        return;
    }
    const struct well_plan *well = &plan->wells[retain->well];
    const struct fold_window window = fold_window_of(plan, well);
    struct row_floor *floor = &retain->floors[retain->removal.n_floors];
    const enum up_rc rc = journal_find_floor(retain->reader, well->number, retain->removal.to_pos,
                                             window.ms, window.scans, retain->slice, floor, &error);
    if (rc != UP_OK || !may_go(retain, options, floor)) {
        end_search(retain);
        return;
    }
    /* What a full disk takes can't wait for whole windows: the rows to come begin anew instead. */
    if (floor->is_young && floor->run == core_run(options->core))
        core_begin_anew(options->core, retain->well);
    if (floor->pos != 0)
        retain->removal.n_floors++;
    retain->well++;
}

/** At most once a day for each reason: what went since the last time. */
static void tell_removed(struct retain *retain, const struct retain_options *options)
{
    char text[GAP_CAUSE_MAX], to[STAMP_TEXT_MAX], words[96];
    const uint8_t reason = retain->reason;
    const int64_t day = clock_boot_ms(options->clock) / DAY_MS + 1;
    core_set_at_age(options->core, reason == RETAIN_AGE);
    retain->removed_all += retain->next.rows;
    retain->removed_to_utc_ms = retain->next.to_utc_ms;
    if (retain->told_day[reason] == day || !core_has_room_for_event(options->core))
        return;
    snprintf(text, sizeof text, "Retention removes the oldest scans, by now those up to %s: %s.",
             stamp_to_short_text(retain->next.to_utc_ms, to),
             words_of(reason, options->plan, words, sizeof words));
    say(SAY_INFO, "journal", "%s", text);
    core_add_event(options->core, "retention", "uphole", text, strlen(text));
    retain->told_day[reason] = day;
}

static void see_commit(struct retain *retain, const struct retain_options *options)
{
    bool failed = false;
    if (core_has_removal(options->core, &failed))
        return;
    retain->step = STEP_TIDY;
    if (!failed)
        tell_removed(retain, options);
    retain->next_us = 0; /* is there more that has to go? */
}

static void tidy(struct retain *retain, const struct retain_options *options)
{
    struct up_error error = {0};
    bool more = false;
    if (journal_tidy(options->journal, &more, &error) != UP_OK)
        say(SAY_WARNING, "journal", "%s", error.why); /* the next commit hears of it */
    if (!more)
        retain->step = STEP_IDLE;
}

void retain_step(struct retain *retain, const struct retain_options *options)
{
    switch (retain->step) {
    case STEP_FLOORS:
        find_floor(retain, options);
        break;
    case STEP_COMMIT:
        see_commit(retain, options);
        break;
    case STEP_TIDY:
        tidy(retain, options);
        break;
    default:
        look(retain, options);
    }
}
