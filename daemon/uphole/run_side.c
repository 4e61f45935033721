/* SPDX-License-Identifier: Apache-2.0
 *
 * run_side.c - the SCADA side's life as the well side sees it: started, heard to end, started
 * again, stopped.
 */
#include "run_inside.h"
#include "side_process.h"

#include "uphole/say.h"
#include "uphole/wall.h"

#include <signal.h>
#include <sys/wait.h>

#define SIDE_RESTART_US 1000000
#define SIDE_STOP_MS 1500
#define SIDE_LEAVE_US 2000000  /* told to stop for another plan: so long it may take */
#define SIDE_GREET_US 15000000 /* longer than the backlog's thread waits for it to listen */
#define SIDE_SILENT_S 300      /* it says that it lives each second */

/** Plan, numbers, cursors; core says nothing before that is done. */
static void greet(struct well_side *side)
{
    const size_t n = core_cursors(side->core, side->cursors, RUN_CURSORS_MAX);
    side->side_kill_us = clock_boot_us(&side->clock) + SIDE_GREET_US;
    backlog_thread_greet(side->backlog, side->side_wall, side->run, side->cursors, n);
}

static void start_side(struct well_side *side)
{
    struct up_error error = {0};
    int fd = -1;
    if (side_process_start(side->plan, &side->side, &fd, &error) != UP_OK) {
        say(SAY_ERROR, "uphole", "%s. It is tried again in a second.", error.why);
        side->side_next_us = clock_boot_us(&side->clock) + SIDE_RESTART_US;
        return;
    }
    confine_needs_of(side->plan, &side->side_needs);
    side->side_wall = fd;
    greet(side);
}

static void reap_side(struct well_side *side)
{
    int status = 0;
    const pid_t ended = side->side > 0 ? waitpid(side->side, &status, WNOHANG) : 0;
    if (ended != side->side || ended <= 0)
        return;
    char how[64];
    side_process_ending(status, how, sizeof how);
    if (!side->side_leaves)
        say(SAY_WARNING, "uphole",
            "The SCADA side %s. Polling and the journal go on; it is started again.", how);
    core_set_wall(side->core, -1);
    side->side = 0;
    side->side_wall = -1;
    side->side_kill_us = 0;
    side->side_next_us = clock_boot_us(&side->clock) + (side->side_leaves ? 0 : SIDE_RESTART_US);
    side->side_leaves = false;
}

/** One that neither ends when it is told to, nor listens, nor says that it lives, is of no use. */
static void end_deaf_side(struct well_side *side)
{
    const bool overdue =
        side->side_kill_us != 0 && clock_boot_us(&side->clock) >= side->side_kill_us;
    if (side->side <= 0 || (!overdue && core_wall_silence_s(side->core) < SIDE_SILENT_S))
        return;
    core_set_wall(side->core, -1);
    side->side_kill_us = 0;
    say(SAY_WARNING, "uphole", "The SCADA side does not listen; it is ended and started again.");
    kill(side->side, SIGKILL);
}

void run_keep_side(struct well_side *side)
{
    end_deaf_side(side);
    reap_side(side);
    if (side->side == 0 && clock_boot_us(&side->clock) >= side->side_next_us)
        start_side(side);
    const int greeted = backlog_thread_greeted(side->backlog);
    if (greeted >= 0 && side->side > 0 && !side->side_leaves) {
        core_set_wall(side->core, greeted);
        side->side_kill_us = 0;
    }
}

/** In order: it is told to stop, and started again when it has. */
static void restart(struct well_side *side)
{
    static const struct wall_message GOODBYE = {.kind = WALL_STOP};
    if (side->side <= 0 || side->side_leaves)
        return;
    side->side_leaves = true;
    side->side_kill_us = clock_boot_us(&side->clock) + SIDE_LEAVE_US;
    core_set_wall(side->core, -1);
    if (wall_send(side->side_wall, &GOODBYE) != UP_OK)
        side->side_kill_us = clock_boot_us(&side->clock);
}

void run_side_new_run(struct well_side *side)
{
    const struct plan *plan = side->plan;
    struct wall_message message = {.kind = WALL_NUMBERS, .plan_serial = side->reload.serial};
    message.numbers =
        (struct wall_numbers){.version = WALL_VERSION, .run = side->run, .n_wells = plan->n_wells};
    if (side->side <= 0 || side->side_leaves)
        return; /* it hears the run when it starts */
    for (uint16_t i = 0; i < plan->n_wells; i++)
        message.numbers.number[i] = plan->wells[i].number;
    if (!core_wall_is_up(side->core))
        greet(side); /* it is being greeted, with the run before */
    else if (wall_send(side->side_wall, &message) != UP_OK)
        restart(side);
}

void run_side_take_plan(struct well_side *side)
{
    struct confine_needs needs;
    backlog_thread_take(side->backlog);
    if (side->side <= 0)
        return; /* it hears the plan when it starts */
    confine_needs_of(side->plan, &needs);
    if (confine_is_enough(&side->side_needs, &needs)) {
        greet(side);
        return;
    }
    say(SAY_INFO, "uphole",
        "The new configuration names secrets or ports that the running SCADA side may not use; it "
        "is started again.");
    restart(side);
}

void run_side_quiet(struct well_side *side)
{
    static const struct wall_message QUIET = {.kind = WALL_QUIET};
    if (side->side > 0 && side->side_wall >= 0)
        (void)!wall_send_wait(side->side_wall, &QUIET, 100);
}

void run_stop_side(struct well_side *side)
{
    if (side->side <= 0)
        return;
    if (side->side_wall >= 0) {
        const struct wall_message goodbye = {.kind = WALL_STOP};
        (void)!wall_send_wait(side->side_wall, &goodbye, 200);
    }
    for (int waited_ms = 0; waited_ms < SIDE_STOP_MS; waited_ms += 10) {
        int status = 0;
        if (waitpid(side->side, &status, WNOHANG) == side->side)
            return;
        side->clock.sleep_until(side->clock.context, clock_boot_us(&side->clock) + 10000);
    }
    kill(side->side, SIGKILL); /* it hangs in a lookup, say: nobody waits for it */
    waitpid(side->side, NULL, 0);
}
