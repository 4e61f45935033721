/* SPDX-License-Identifier: Apache-2.0
 *
 * run_lines.c - the lines of the plan, a thread each.
 */
#include "run_inside.h"

enum up_rc run_start_lines(struct well_side *side, bool again, struct up_error *error)
{
    for (uint16_t i = 0; i < side->plan->n_lines; i++) {
        const struct line_options options = {
            .plan = side->plan,
            .index = i,
            .clock = &side->clock,
            .ring = side->rings[i],
            .wake_fd = side->wake_fd,
            .run = side->run,
            .grid_start_us = side->began.boot_ms * 1000,
            .listen_first = !again && side->listen[i],
            .floor_utc_ms = side->watch.floor_utc_ms,
            .seed = (uint32_t)(side->run ^ i),
            .hold_until_us = hold_until_us(&side->holds, side->plan->lines[i].name,
                                           clock_boot_ms(&side->clock)),
        };
        const enum up_rc rc = gather_start(&options, &side->gatherers[i], error);
        if (rc != UP_OK)
            return rc;
    }
    return UP_OK;
}

void run_stop_lines(struct well_side *side)
{
    for (int i = 0; i < PLAN_LINES_MAX; i++) {
        gather_stop(side->gatherers[i]);
        side->gatherers[i] = NULL;
    }
}
