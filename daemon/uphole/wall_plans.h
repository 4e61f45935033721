/* SPDX-License-Identifier: Apache-2.0
 *
 * wall_plans.h - the well side's memory of the plans that it sent over the wall, so that what comes
 * back is never taken for another destination's.
 *
 * An acceptance may be on its way when the plan changes; by then its index may name another
 * destination. What bears an earlier serial is brought to the present plan by the destination's
 * name, so that nothing that was said is lost. Only wants of an earlier plan are dropped: whoever
 * sent them asks again. Pure.
 */
#ifndef UPHOLE_WALL_PLANS_H
#define UPHOLE_WALL_PLANS_H

#include "uphole/plan.h"
#include "uphole/wall.h"

#define WALL_PLANS_KEPT 4
#define WALL_NO_DESTINATION 0xFF

struct wall_plans {
    uint32_t serial; /* of the plan in force */
    unsigned n_before;
    struct {
        uint32_t serial;
        uint8_t now[PLAN_DESTINATIONS_MAX]; /* index in the plan in force; WALL_NO_DESTINATION */
    } before[WALL_PLANS_KEPT];              /* newest first */
};

/** `next` takes the place of `present`, and bears `serial` at the wall. */
void wall_plans_take(struct wall_plans *plans, uint32_t serial, const struct plan *present,
                     const struct plan *next);
/** Brings a message that came back to the plan in force; false: it is to be dropped. */
bool wall_plans_bring_up(const struct wall_plans *plans, struct wall_message *message);

#endif
