/* SPDX-License-Identifier: Apache-2.0
 *
 * run_lines.c - the lines of the plan, a thread each.
 */
#include "run_inside.h"

#include "uphole/say.h"

#include <poll.h>

enum up_rc run_start_lines(struct well_side *side, bool again, struct up_error *error)
{
    enum up_rc first = UP_OK;
    for (uint16_t i = 0; i < side->plan->n_lines; i++) {
        struct up_error failed = {0};
        if (side->gatherers[i] != NULL)
            continue;
        const struct line_options options = {
            .plan = side->plan,
            .index = i,
            .clock = &side->clock,
            .ring = side->rings[i],
            .wake_fd = side->wake_fd,
            .run = side->run,
            .grid_start_us = side->began.boot_ms * 1000,
            .from_ms = side->lines_from_ms,
            .starts = side->reload.starts,
            .n_starts = side->reload.n_starts,
            .listen_first = !again && side->listen[i],
            .floor_utc_ms = side->watch.floor_utc_ms,
            .seed = (uint32_t)(side->run ^ i),
            .hold_until_us =
                hold_until_us(&side->holds, side->plan->lines[i].name, clock_boot_ms(&side->clock)),
        };
        const enum up_rc rc = gather_start(&options, &side->gatherers[i], &failed);
        if (rc != UP_OK && first == UP_OK) {
            first = rc;
            *error = failed;
        }
    }
    return first;
}

/** Its memory, ring and plan stay: it may use them when its lookup ends. */
static void leave_behind(struct well_side *side, uint16_t line)
{
    struct reload *reload = &side->reload;
    say(SAY_WARNING, "line",
        "The thread of line %s did not end in time: it waits for the system (a name that is looked "
        "up, a port that does not close, or a machine with too much to do). It is left behind.",
        side->plan->lines[line].name);
    if (reload->n_left < PLAN_LINES_MAX)
        reload->left[reload->n_left++] = side->gatherers[line];
    side->ring_is_left[line] = true;
}

/** Where the due times of a line that has stopped would go on. */
static void note_next_dues(struct well_side *side, uint16_t line)
{
    struct reload *reload = &side->reload;
    for (uint16_t w = 0; w < side->plan->n_wells; w++)
        for (uint8_t s = SOURCE_NONE + 1; s < SOURCE_KINDS; s++) {
            struct due_start start = {.well = side->plan->wells[w].number, .source = s};
            if (reload->n_starts < RELOAD_STARTS_MAX &&
                gather_next_due(side->gatherers[line], start.well, s, &start.from_ms))
                reload->starts[reload->n_starts++] = start;
        }
}

void run_stop_lines(struct well_side *side, int64_t within_us)
{
    const int64_t until_us = clock_boot_us(&side->clock) + within_us;
    side->reload.n_starts = 0;
    for (int i = 0; i < PLAN_LINES_MAX; i++)
        gather_ask_stop(side->gatherers[i]);
    for (uint16_t i = 0; i < PLAN_LINES_MAX; i++) {
        while (side->gatherers[i] != NULL && !gather_has_ended(side->gatherers[i]) &&
               clock_boot_us(&side->clock) < until_us)
            (void)poll(NULL, 0, 2);
        if (side->gatherers[i] != NULL && gather_has_ended(side->gatherers[i]))
            note_next_dues(side, i);
        if (!gather_end(side->gatherers[i], until_us))
            leave_behind(side, i);
        side->gatherers[i] = NULL;
    }
}

bool run_end_line(struct well_side *side, uint16_t line)
{
    const bool ended = gather_end(side->gatherers[line], 0);
    if (!ended)
        leave_behind(side, line);
    side->gatherers[line] = NULL;
    return ended;
}

void run_drop_ring(struct well_side *side, uint16_t line)
{
    if (!side->ring_is_left[line])
        ring_destroy(side->rings[line]);
    side->rings[line] = NULL;
    side->ring_is_left[line] = false;
}
