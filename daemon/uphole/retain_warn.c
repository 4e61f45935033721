/* SPDX-License-Identifier: Apache-2.0
 *
 * retain_warn.c - a word before scans go that a destination has not accepted: from then on they
 * can't be sent any more.
 *
 * Said at 70 % and at 85 % of the room, once each; at 95 % they go. Where what goes next was
 * accepted, nothing is said, however full the journal is: that is retention's everyday work.
 */
#include "retain.h"

#include "uphole/say.h"

#include <stdio.h>
#include <string.h>

#define WARN_PERCENT 70
#define URGENT_PERCENT 85
#define CALM_PERCENT 60 /* so that it isn't said again and again at the edge */

/** A destination that has not accepted all of what goes next, or of the lead-in behind it; NULL:
 * each has. */
static const char *who_lacks_it(const struct retain *retain, const struct retain_options *options)
{
    const struct removal_next *next = &retain->next;
    if (next->to_pos == 0)
        return NULL;
    return core_who_lacks(options->core, next->to_pos,
                          next->dated ? next->to_utc_ms + retain_longest_lead_ms(options->plan)
                                      : INT64_MIN);
}

/** Of what the journal may take: `at_most`, or what the disk has for it where that is less. */
static uint8_t filled_percent(const struct retain_options *options)
{
    struct journal_room room;
    uint64_t bytes = 0, free_bytes = 0;
    journal_room_of(options->journal, &room);
    journal_sizes(options->journal, &bytes, &free_bytes);
    bytes += room.reserve_wanted;
    uint64_t most = bytes + free_bytes;
    if (options->plan->journal.at_most_bytes > 0 && options->plan->journal.at_most_bytes < most)
        most = options->plan->journal.at_most_bytes;
    return (uint8_t)(bytes >= most ? 100 : bytes * 100 / most);
}

static const char *words_of_days(uint16_t days, char into[static 32])
{
    if (days < 1)
        return "within a day";
    snprintf(into, 32, "in about %u %s", days, days == 1 ? "day" : "days");
    return into;
}

void retain_warn(struct retain *retain, const struct retain_options *options)
{
    char text[GAP_CAUSE_MAX], days[32];
    const char *who = who_lacks_it(retain, options);
    const uint8_t percent = filled_percent(options);
    const uint8_t reached = who == NULL                 ? 0
                            : percent >= URGENT_PERCENT ? URGENT_PERCENT
                            : percent >= WARN_PERCENT   ? WARN_PERCENT
                                                        : 0;
    const bool is_over = retain->warned_at != 0 && (who == NULL || percent < CALM_PERCENT);
    retain->filled_percent = percent;
    if ((!is_over && reached <= retain->warned_at) || !core_has_room_for_event(options->core))
        return;
    retain->warned_at = reached;
    if (is_over) {
        snprintf(text, sizeof text, "No record has to be removed any more before it is accepted.");
        say(SAY_INFO, "journal", "%s", text);
    } else {
        snprintf(text, sizeof text,
                 "The journal is filled to %u %%, and its oldest scans were not accepted by %s. At "
                 "95 %%, %s, they are removed and can't be sent any more.",
                 percent, who, words_of_days(core_days_left(options->core), days));
        say(reached == URGENT_PERCENT ? SAY_ERROR : SAY_WARNING, "journal",
            "%s See in `uphole status` why they wait; raise `at_most` of the journal, or make room "
            "on its disk.",
            text);
    }
    core_add_event(options->core, "space", "uphole", text, strlen(text));
}
