/* SPDX-License-Identifier: Apache-2.0
 *
 * wall_plans.c - see wall_plans.h.
 */
#include "wall_plans.h"

#include <string.h>

static uint8_t index_of(const struct plan *plan, const char *name)
{
    for (uint16_t i = 0; i < plan->n_destinations && i < PLAN_DESTINATIONS_MAX; i++)
        if (strcmp(plan->destinations[i].name, name) == 0)
            return (uint8_t)i;
    return WALL_NO_DESTINATION;
}

void wall_plans_take(struct wall_plans *plans, uint32_t serial, const struct plan *present,
                     const struct plan *next)
{
    uint8_t now[PLAN_DESTINATIONS_MAX];
    memset(now, WALL_NO_DESTINATION, sizeof now);
    for (uint16_t i = 0; i < present->n_destinations && i < PLAN_DESTINATIONS_MAX; i++)
        now[i] = index_of(next, present->destinations[i].name);
    for (unsigned b = 0; b < plans->n_before; b++) {
        uint8_t *earlier = plans->before[b].now;
        for (unsigned i = 0; i < PLAN_DESTINATIONS_MAX; i++)
            earlier[i] = earlier[i] < PLAN_DESTINATIONS_MAX ? now[earlier[i]] : WALL_NO_DESTINATION;
    }
    memmove(&plans->before[1], &plans->before[0], sizeof plans->before - sizeof plans->before[0]);
    plans->before[0].serial = plans->serial;
    memcpy(plans->before[0].now, now, sizeof now);
    plans->n_before += plans->n_before < WALL_PLANS_KEPT;
    plans->serial = serial;
}

static uint16_t *destination_of(struct wall_message *message)
{
    switch (message->kind) {
    case WALL_ACCEPTED:
        return &message->accepted.destination;
    case WALL_REFUSED:
        return &message->refused.destination;
    case WALL_DESTINATION:
        return &message->destination.destination;
    default:
        return NULL;
    }
}

bool wall_plans_bring_up(const struct wall_plans *plans, struct wall_message *message)
{
    if (message->kind == WALL_ALIVE || message->plan_serial == plans->serial)
        return true;
    uint16_t *destination = destination_of(message);
    if (destination == NULL || *destination >= PLAN_DESTINATIONS_MAX)
        return false;
    for (unsigned b = 0; b < plans->n_before; b++) {
        if (plans->before[b].serial != message->plan_serial)
            continue;
        const uint8_t now = plans->before[b].now[*destination];
        *destination = now;
        message->plan_serial = plans->serial;
        return now != WALL_NO_DESTINATION;
    }
    return false;
}
