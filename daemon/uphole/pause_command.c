/* SPDX-License-Identifier: Apache-2.0
 *
 * pause_command.c - `uphole pause` and `uphole resume`: a destination leaves its broker for a
 * while, and comes back.
 */
#include "pause.h"
#include "socket.h"
#include "socket_ask.h"
#include "span.h"

#include <getopt.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

struct pause_asked {
    struct socket_asked asked;
    const char *destination, *by;
    int64_t ms;
};

static int read_options(const struct command *command, int argc, char **argv, bool takes_time,
                        struct pause_asked *out)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"by", required_argument, NULL, 'b'},
                                            {"for", required_argument, NULL, 'f'},
                                            {NULL, 0, NULL, 0}};
    *out = (struct pause_asked){.asked = {.config = CONFIG_DEFAULT}, .by = "", .ms = 120000};
    optind = 1;
    for (int c; (c = command_option(command, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&out->asked, c))
            continue;
        if (c == COMMAND_OPTION_BAD)
            return EX_USAGE;
        if (c == 'f' && !takes_time)
            return command_usage_error(command, "option '%s' is not known", argv[optind - 1]);
        if (c == 'b')
            out->by = optarg;
        else if (!span_from_text(optarg, &out->ms) || out->ms < PAUSE_LEAST_MS ||
                 out->ms > PAUSE_MOST_MS)
            return command_usage_error(command, "--for %s: expected 5s to 10min, as in 2min",
                                       optarg);
    }
    if (optind == argc)
        return command_usage_error(
            command,
            "which destination? Name it, as in 'uphole %s plant-broker'; 'uphole status' lists "
            "them",
            command->name);
    out->destination = argv[optind++];
    if (optind < argc)
        return command_usage_error(command, "'%s' is one word too many", argv[optind]);
    if (strlen(out->destination) > NAME_LENGTH_MAX || strpbrk(out->destination, " \n") != NULL)
        return command_usage_error(command, "that is no name of a destination");
    if (strlen(out->by) > ASKER_NAME_MAX || strchr(out->by, '\n') != NULL)
        return command_usage_error(command, "--by takes a role of at most %d bytes",
                                   ASKER_NAME_MAX);
    return 0;
}

static int run_pause(int argc, char **argv)
{
    struct pause_asked pause;
    char order[SOCKET_REQUEST_MAX];
    const int code = read_options(&COMMAND_PAUSE, argc, argv, true, &pause);
    if (code != 0)
        return code;
    snprintf(order, sizeof order, "order pause %s %" PRId64 "%s%s", pause.destination, pause.ms,
             pause.by[0] != '\0' ? " " : "", pause.by);
    return socket_ask_print(&pause.asked, order);
}

static int run_resume(int argc, char **argv)
{
    struct pause_asked pause;
    char order[SOCKET_REQUEST_MAX];
    const int code = read_options(&COMMAND_RESUME, argc, argv, false, &pause);
    if (code != 0)
        return code;
    snprintf(order, sizeof order, "order resume %s%s%s", pause.destination,
             pause.by[0] != '\0' ? " " : "", pause.by);
    return socket_ask_print(&pause.asked, order);
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
        "Uphole's own user, root and the group named in orders_group may order this. Exit code 69: "
        "no Uphole runs with this journal.\n"
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
            "Where the destination is not paused, nothing changes. Exit code 69: no Uphole runs "
            "with this journal.\n"
            "\n"
            "Monitoring only; not a protection system.\n",
    .run = run_resume,
};
