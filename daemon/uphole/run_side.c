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

static void start_side(struct well_side *side)
{
    struct up_error error = {0};
    int fd = -1;
    if (side_process_start(side->plan, &side->side, &fd, &error) != UP_OK) {
        say(SAY_ERROR, "uphole", "%s. It is tried again in a second.", error.why);
        side->side_next_us = clock_boot_us(&side->clock) + SIDE_RESTART_US;
        return;
    }
    const size_t n = core_cursors(side->core, side->cursors, RUN_CURSORS_MAX);
    side->side_wall = fd;
    backlog_thread_greet(side->backlog, fd, side->run, side->cursors, n);
}

static void reap_side(struct well_side *side)
{
    int status = 0;
    const pid_t ended = side->side > 0 ? waitpid(side->side, &status, WNOHANG) : 0;
    if (ended != side->side || ended <= 0)
        return;
    char how[64];
    side_process_ending(status, how, sizeof how);
    say(SAY_WARNING, "uphole",
        "The SCADA side %s. Polling and the journal go on; it is started again.", how);
    core_set_wall(side->core, -1);
    side->side = 0;
    side->side_wall = -1;
    side->side_next_us = clock_boot_us(&side->clock) + SIDE_RESTART_US;
}

void run_keep_side(struct well_side *side)
{
    reap_side(side);
    if (side->side == 0 && clock_boot_us(&side->clock) >= side->side_next_us)
        start_side(side);
    const int greeted = backlog_thread_greeted(side->backlog);
    if (greeted >= 0)
        core_set_wall(side->core, greeted);
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
