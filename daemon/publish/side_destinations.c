/* SPDX-License-Identifier: Apache-2.0
 *
 * side_destinations.c - see side_destinations.h.
 */
#include "side_destinations.h"

#include "mqtt.h"
#include "server.h"

#include "uphole/say.h"

#include <string.h>

#define START_AGAIN_MS                                                                             \
    30000 /* a destination that could not be started: its password file is missing, say */
#define MQTT_STOP_WITHIN_MS 1000 /* all of them; the well side waits 1.5 s */
#define LEFT_BEHIND_MAX 4

/* ---- start ---- */

static bool start_one(struct destination *destination, struct side *side, uint16_t index,
                      struct up_error *error)
{
    const struct plan *plan = side_plan(side);
    if (plan->destinations[index].medium == DESTINATION_MQTT)
        destination->mqtt = mqtt_client_start(plan, index, side, error);
    else
        destination->table = table_thread_start(side, index, error);
    return destination->mqtt != NULL || destination->table != NULL;
}

void destinations_start(struct destinations *destinations, struct side *side, int64_t now_ms)
{
    const struct plan *plan = side_plan(side);
    if (destinations->is_quiet)
        return;
    for (uint16_t i = 0; i < plan->n_destinations && i < PLAN_DESTINATIONS_MAX; i++) {
        struct destination *destination = &destinations->at[i];
        if (destination->mqtt != NULL || destination->table != NULL ||
            now_ms < destination->start_at_ms)
            continue;
        struct up_error error = {0};
        if (start_one(destination, side, i, &error))
            continue;
        destination->start_at_ms = now_ms + START_AGAIN_MS;
        if (!destination->has_failed) {
            say(SAY_ERROR, "publish", "%s: %s. It is tried again every %d s.",
                plan->destinations[i].name, error.why, START_AGAIN_MS / 1000);
            side_report(side, i, DELIVERY_STOPPED, error.why);
        }
        destination->has_failed = true;
    }
}

/* ---- end ---- */

/** Of all `n`, first the tables, then the clients; returns how many hang. */
static unsigned stop_all(struct destination *at, unsigned n, const struct up_clock *clock)
{
    unsigned hang = 0;
    for (unsigned i = 0; i < n; i++)
        table_thread_stop(at[i].table);
    int64_t end_ms = clock_boot_ms(clock) + MQTT_STOP_WITHIN_MS;
    for (unsigned i = 0; i < n; i++) {
        int64_t left_ms = end_ms - clock_boot_ms(clock);
        hang += !mqtt_client_stop(at[i].mqtt, left_ms > 50 ? (int)left_ms : 50);
    }
    memset(at, 0, n * sizeof *at);
    return hang;
}

bool destinations_stop(struct destinations *destinations, const struct up_clock *clock)
{
    destinations->n_left_behind += stop_all(destinations->at, PLAN_DESTINATIONS_MAX, clock);
    return destinations->n_left_behind == 0;
}

void destinations_quiet(struct destinations *destinations)
{
    destinations->is_quiet = true;
    for (unsigned i = 0; i < PLAN_DESTINATIONS_MAX; i++)
        table_thread_quiet(destinations->at[i].table);
}

/* ---- another plan ---- */

/** Index under `before` of what destination `index` of `plan` was; PLAN_DESTINATIONS_MAX: it is
 * new, or changed. The broker knows it by site and box as well. */
static unsigned same_before(const struct plan *before, const struct plan *plan, uint16_t index)
{
    if (strcmp(before->site, plan->site) != 0 || strcmp(before->box, plan->box) != 0)
        return PLAN_DESTINATIONS_MAX;
    for (unsigned i = 0; i < before->n_destinations && i < PLAN_DESTINATIONS_MAX; i++)
        if (destination_is_same(&before->destinations[i], &plan->destinations[index]))
            return i;
    return PLAN_DESTINATIONS_MAX;
}

bool destinations_take_side(struct destinations *destinations, struct side *side, struct side *next)
{
    const struct plan *before = side_plan(side), *plan = side_plan(next);
    struct destination old[PLAN_DESTINATIONS_MAX];
    memcpy(old, destinations->at, sizeof old);
    memset(destinations->at, 0, sizeof destinations->at);
    for (uint16_t i = 0; i < plan->n_destinations && i < PLAN_DESTINATIONS_MAX; i++) {
        const unsigned was = same_before(before, plan, i);
        if (was == PLAN_DESTINATIONS_MAX)
            continue;
        /* One that couldn't be started is tried again at once: what it lacked may be there now. */
        destinations->at[i] = (struct destination){.mqtt = old[was].mqtt, .table = old[was].table};
        memset(&old[was], 0, sizeof old[was]);
        mqtt_client_take_side(destinations->at[i].mqtt, next);
        table_thread_take_side(destinations->at[i].table, next);
    }
    /* First the old ones go: a broker or a port may be wanted by the new ones. */
    destinations->n_left_behind += stop_all(old, PLAN_DESTINATIONS_MAX, side_clock(next));
    destinations_start(destinations, next, clock_boot_ms(side_clock(next)));
    return destinations->n_left_behind <= LEFT_BEHIND_MAX;
}
