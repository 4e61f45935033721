/* SPDX-License-Identifier: Apache-2.0
 *
 * core_refusals.c - who was turned away: requests to write to a table, clients that it doesn't
 * know, logins that a broker refuses, orders of persons who may not give any. The log says each;
 * the journal's events say it to who reviews months later, and nobody outside may fill it: the
 * first is told at once, what comes within a day is counted and told as one, with the address or
 * name of the latest.
 */
#include "core_inside.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

/** Where refused[...] of a destination is told; what stands behind the count, one and many. */
static const struct {
    const char *kind, *one, *many, *why;
} TOLD[REFUSALS] = {
    [REFUSED_WRITES] = {"refused_write", "request to write was refused",
                        "requests to write were refused",
                        " The table is read only, and nothing was changed: find the master that "
                        "writes."},
    [REFUSED_CLIENTS] = {"refused_client", "connection was refused", "connections were refused",
                         " `allow` doesn't name that address."},
};

/** Since when, how many times: behind the sentence that the SCADA side gave for it. */
static void say_login(const struct refusals *refused, const char *since, char *into, size_t room)
{
    const int n = snprintf(into, room, "%s", refused->latest);
    if (refused->n > 1 && n >= 0 && (size_t)n < room)
        snprintf(into + n, room - (size_t)n, " %" PRIu64 " times since %s.", refused->n, since);
}

void core_count_refusals(struct core *core, struct refusals *refused, uint64_t n,
                         const char *latest)
{
    if (n == 0)
        return;
    if (refused->n == 0)
        refused->since = stamp_take(core->options.clock, &core->watch);
    refused->n = n > UINT64_MAX - refused->n ? UINT64_MAX : refused->n + n;
    snprintf(refused->latest, sizeof refused->latest, "%s", latest);
}

/** True where it is time to tell of what was counted, and there is room; then it counts as told.
 * While the disk refuses nobody asks. */
static bool is_due(struct core *core, struct refusals *refused, bool last)
{
    const int64_t now_ms = clock_boot_ms(core->options.clock);
    if (refused->n == 0 || !core_has_room_for_event(core) ||
        (!last && refused->told_ms != 0 && now_ms - refused->told_ms < REFUSALS_EVERY_MS))
        return false;
    refused->told_ms = now_ms;
    return true;
}

static void tell(struct core *core, const char *name, struct refusals *refused, unsigned kind,
                 bool last)
{
    char text[GAP_CAUSE_MAX], since[STAMP_TEXT_MAX];
    if (!is_due(core, refused, last))
        return;
    stamp_to_text(refused->since.utc_ms, since);
    if (kind == REFUSED_LOGINS)
        say_login(refused, since, text, sizeof text);
    else
        snprintf(text, sizeof text, "%" PRIu64 " %s since %s, the latest from %.45s.%s", refused->n,
                 refused->n == 1 ? TOLD[kind].one : TOLD[kind].many, since, refused->latest,
                 TOLD[kind].why);
    core_add_event(core, kind == REFUSED_LOGINS ? "refused_login" : TOLD[kind].kind, name, text,
                   strlen(text));
    refused->n = 0;
}

static void tell_orders(struct core *core, bool last)
{
    char text[GAP_CAUSE_MAX], since[STAMP_TEXT_MAX];
    struct refusals *refused = &core->refused_orders;
    if (!is_due(core, refused, last))
        return;
    snprintf(text, sizeof text, "%" PRIu64 " %s refused since %s, the latest: %.110s.", refused->n,
             refused->n == 1 ? "order was" : "orders were",
             stamp_to_text(refused->since.utc_ms, since), refused->latest);
    core_add_event(core, "refused_order", "uphole", text, strlen(text));
    refused->n = 0;
}

void core_tell_refusals(struct core *core, bool last)
{
    const struct plan *plan = core->options.plan;
    for (uint16_t d = 0; d < plan->n_destinations; d++)
        for (unsigned kind = 0; kind < REFUSALS; kind++)
            tell(core, plan->destinations[d].name, &core->destinations[d].refused[kind], kind,
                 last);
    tell_orders(core, last);
}

void core_refuse_order(struct core *core, const char *who, const char *order)
{
    char latest[sizeof core->refused_orders.latest];
    snprintf(latest, sizeof latest, "'%s' of %s, who may not give orders", order, who);
    core_count_refusals(core, &core->refused_orders, 1, latest);
}

/** Counts grow while a table is served, and begin anew with it. */
static uint64_t grown(uint64_t *seen, uint64_t now)
{
    const uint64_t more = now >= *seen ? now - *seen : now;
    *seen = now;
    return more;
}

void core_see_refusals(struct core *core, struct core_destination *to,
                       const struct wall_destination *message)
{
    char from[WALL_PEER_MAX * 4];
    say_escape(from, sizeof from, message->writer, strnlen(message->writer, WALL_PEER_MAX));
    core_count_refusals(core, &to->refused[REFUSED_WRITES],
                        grown(&to->writes_seen, message->writes), from);
    say_escape(from, sizeof from, message->stranger, strnlen(message->stranger, WALL_PEER_MAX));
    core_count_refusals(core, &to->refused[REFUSED_CLIENTS],
                        grown(&to->strangers_seen, message->strangers), from);
    if (message->state == DELIVERY_DOWN && message->cause == CAUSE_NOT_AUTHORISED)
        core_count_refusals(core, &to->refused[REFUSED_LOGINS], 1, to->reason);
}
