/* SPDX-License-Identifier: Apache-2.0
 *
 * retain_age.c - see retain_age.h.
 *
 * A clock that jumps ahead by more than `keep` would make all history too old at once, and what is
 * removed does not come back when the clock is set right. So age has a time of its own: it goes on
 * with boot time from where it was, over restarts and reboots as the journal knows it, and follows
 * the wall clock back at once (scans get younger) but ahead only by small steps, or once the clock
 * has stayed there, synchronised, for a day. A box that was off for weeks removes a day later for
 * it; a day off is believed at once.
 */
#include "retain_age.h"

#include "uphole/say.h"

#include <stdlib.h>

#define SMALL_MS 60000                 /* what a correction of the clock may be */
#define OFF_MS 86400000                /* how long a box may have been off without a question */
#ifndef AGE_BELIEVED_AFTER_MS          /* walks run a program that removes soon */
#define AGE_BELIEVED_AFTER_MS 86400000 /* see docs/operations.md */
#endif
#define NOTE_EVERY_MS 3600000
#define NOT_AHEAD INT64_MIN

static void note(struct retain_age *age, struct journal *journal, const struct stamp *now)
{
    struct up_error error = {0};
    const struct age_clock clock = {
        .utc_ms = now->boot_ms + age->offset_ms, .boot_ms = now->boot_ms, .boot = now->boot};
    age->next_note_ms = now->boot_ms + NOTE_EVERY_MS;
    if (journal_note_age_clock(journal, &clock, &error) != UP_OK)
        say(SAY_WARNING, "journal", "%s", error.why); /* the next commit hears of it */
}

static bool read_known(struct retain_age *age, struct journal *journal, const struct stamp *now)
{
    struct up_error error = {0};
    struct age_clock clock;
    if (age->is_read)
        return true;
    if (journal_read_age_clock(journal, &clock, &error) != UP_OK)
        return false;
    age->is_read = true;
    age->is_known = clock.utc_ms != 0;
    age->ahead_since_ms = NOT_AHEAD;
    /* Within a boot it went on; how long the box was off no clock of ours can tell. */
    const bool is_same_boot = clock.boot == now->boot && clock.boot_ms <= now->boot_ms;
    age->offset_ms = clock.utc_ms - (is_same_boot ? clock.boot_ms : now->boot_ms);
    const int64_t off_ms = now->utc_ms - now->boot_ms - age->offset_ms;
    if (age->is_known && !is_same_boot && off_ms > 0 && off_ms <= OFF_MS)
        age->offset_ms += off_ms;
    return true;
}

static void believe(struct retain_age *age, struct journal *journal, const struct stamp *now,
                    int64_t offset_ms)
{
    const bool far = !age->is_known || llabs(offset_ms - age->offset_ms) > SMALL_MS;
    age->offset_ms = offset_ms;
    age->is_known = true;
    age->ahead_since_ms = NOT_AHEAD;
    age->told = false;
    if (far || now->boot_ms >= age->next_note_ms)
        note(age, journal, now);
}

static void tell(struct retain_age *age)
{
    char ahead[STAMP_TEXT_MAX], wait[STAMP_TEXT_MAX];
    if (age->told)
        return;
    age->told = true;
    say(SAY_WARNING, "journal",
        "The box's clock is %s ahead of what it showed before. No scan counts as older for that, "
        "and none is removed by it, until the clock has been synchronised there for %s. If it is "
        "wrong, set it right by then.",
        duration_to_text(age->ahead_offset_ms - age->offset_ms, ahead),
        duration_to_text(AGE_BELIEVED_AFTER_MS, wait));
}

bool retain_age_now(struct retain_age *age, struct journal *journal, const struct up_clock *clock,
                    struct clock_watch *watch, int64_t *utc_ms)
{
    const struct stamp now = stamp_take(clock, watch);
    const int64_t wall_ms = now.utc_ms - now.boot_ms;
    if ((now.clock != CLOCK_STATE_SYNCHRONISED && now.clock != CLOCK_STATE_HOLDOVER) ||
        !read_known(age, journal, &now)) {
        age->ahead_since_ms = NOT_AHEAD;
        return false;
    }
    if (!age->is_known || wall_ms <= age->offset_ms + SMALL_MS) {
        believe(age, journal, &now, wall_ms);
    } else {
        const bool is_new =
            age->ahead_since_ms == NOT_AHEAD || llabs(wall_ms - age->ahead_offset_ms) > SMALL_MS;
        if (is_new || now.clock != CLOCK_STATE_SYNCHRONISED)
            age->ahead_since_ms = now.boot_ms; /* a day begins */
        age->told = age->told && !is_new;
        age->ahead_offset_ms = wall_ms;
        tell(age);
        if (now.boot_ms - age->ahead_since_ms >= AGE_BELIEVED_AFTER_MS)
            believe(age, journal, &now, wall_ms);
        else if (now.boot_ms >= age->next_note_ms)
            note(age, journal, &now);
    }
    *utc_ms = now.boot_ms + age->offset_ms;
    return true;
}

int64_t retain_age_ahead_ms(const struct retain_age *age)
{
    return age->is_read && age->ahead_since_ms != NOT_AHEAD ? age->ahead_offset_ms - age->offset_ms
                                                            : 0;
}
