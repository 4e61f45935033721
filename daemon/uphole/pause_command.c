/* SPDX-License-Identifier: Apache-2.0
 *
 * pause_command.c - `uphole pause` and `uphole resume`: a destination leaves its broker for a
 * while, and comes back.
 */
#include "for_a_while.h"
#include "pause.h"

static const struct while_kind DESTINATION = {.thing = "destination",
                                              .example = "plant-broker",
                                              .spans = "5s to 10min, as in 2min",
                                              .usual_ms = 120000,
                                              .least_ms = PAUSE_LEAST_MS,
                                              .most_ms = PAUSE_MOST_MS};

static int run(const struct command *command, int argc, char **argv, bool takes_time)
{
    struct while_asked paused;
    const int code = while_read_options(command, argc, argv, &DESTINATION, takes_time, &paused);
    return code != 0 ? code : while_give(command, &paused, takes_time);
}

static int run_pause(int argc, char **argv)
{
    return run(&COMMAND_PAUSE, argc, argv, true);
}

static int run_resume(int argc, char **argv)
{
    return run(&COMMAND_RESUME, argc, argv, false);
}

const struct command COMMAND_PAUSE = {
    .name = "pause",
    .summary = "cut one destination off for a while, to see what SCADA makes of it; records wait",
    .usage = "pause DESTINATION [--for SPAN] [--by ROLE] [--config FILE [--maps DIRECTORY] | "
             "--journal DIRECTORY]",
    .help =
        "  --for SPAN           5s to 10min; 2min by default\n"
        "  --by ROLE            who needs it, for the ledger: technician, SCADA "
        "integrator\n" SOCKET_ASK_HELP "\n"
        "An outage test that pulls no plug. The connection to the destination's broker is closed "
        "without a goodbye, as a cut of the network\n"
        "would close it, so the broker publishes the last will (`running` false) and SCADA sees "
        "what a cut looks like: tell whoever watches it\n"
        "first. Polling, the journal and every other destination go on. Records wait in the "
        "journal "
        "and are sent, as late ones, when the pause\n"
        "ends: by itself at its time, at 'uphole resume', or when Uphole starts again. The ledger "
        "has a delivery row, cause paused, with who\n"
        "ordered it. A table has no connection of its own, and can't be paused.\n"
        "\n"
        "Uphole's own user, root and the group named in orders_group may order this. Exit codes: "
        "66 no such broker, 69 no Uphole\n"
        "runs with this journal, 77 you may not order.\n"
        "\n"
        "Nothing reaches this destination while it is paused. Monitoring only; not a protection "
        "system.\n",
    .run = run_pause,
};

const struct command COMMAND_RESUME = {
    .name = "resume",
    .summary = "end a pause: connect to a destination's broker again at once",
    .usage = "resume DESTINATION [--by ROLE] [--config FILE [--maps DIRECTORY] | --journal "
             "DIRECTORY]",
    .help = "  --by ROLE            who does it\n" SOCKET_ASK_HELP "\n"
            "Where the destination is not paused, nothing changes. Uphole's own user, root and "
            "the group named in orders_group may\n"
            "order this. Exit codes: 66 no such broker, 69 no Uphole runs with this journal, 77 "
            "you may not order.\n"
            "\n"
            "Monitoring only; not a protection system.\n",
    .run = run_resume,
};
