/* SPDX-License-Identifier: Apache-2.0
 *
 * hold_command.c - `uphole hold` and `uphole release`: give a line's port free for other work, and
 * take it back.
 */
#include "for_a_while.h"
#include "hold.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define FREE_TRIES 75 /* of 200 ms: a poll under way ends in a few seconds */

static const struct while_kind LINE = {.thing = "line",
                                       .example = "pad-line",
                                       .spans = "1min to 4h, as in 10min; a hold can be extended",
                                       .usual_ms = 600000,
                                       .least_ms = HOLD_LEAST_MS,
                                       .most_ms = HOLD_MOST_MS};

/** A poll under way ends before the port is closed; whoever waits wants to know when. */
static int wait_until_free(const struct while_asked *held)
{
    struct up_clock clock;
    char wanted[NAME_LENGTH_MAX + 16];
    snprintf(wanted, sizeof wanted, "%s free\n", held->name);
    clock_of_system(&clock);
    for (int i = 0; i < FREE_TRIES; i++) {
        struct up_error error = {0};
        char *body = NULL;
        size_t length = 0;
        const int code = socket_ask(&held->asked, "held text", &body, &length, &error);
        if (code != 0) {
            (void)command_fail(&error);
            return code;
        }
        const bool is_free = strstr(body, wanted) != NULL;
        free(body);
        if (is_free) {
            printf("Its port is closed: another program can open it now.\n\n"
                   "What that program asks is not Uphole's doing: if the drive reads this gauge on "
                   "the same pair, foreign questions can\n"
                   "spoil its answers, and a drive set to trip on gauge data may stop the pump. "
                   "Agree with whoever is responsible for the\n"
                   "drive first. The cabinet holds dangerous voltage: open it only under the "
                   "site's electrical work procedure and permit.\n");
            return 0;
        }
        clock.sleep_until(clock.context, clock_boot_us(&clock) + 200000);
    }
    fputs("uphole: the port is not closed yet; a poll is still under way. 'uphole status' says "
          "when it is free.\n",
          stderr);
    return EX_TEMPFAIL;
}

static int run_hold(int argc, char **argv)
{
    struct while_asked held;
    int code = while_read_options(&COMMAND_HOLD, argc, argv, &LINE, true, &held);
    if (code == 0)
        code = while_give(&COMMAND_HOLD, &held, true);
    return code != 0 ? code : wait_until_free(&held);
}

static int run_release(int argc, char **argv)
{
    struct while_asked held;
    const int code = while_read_options(&COMMAND_RELEASE, argc, argv, &LINE, false, &held);
    return code != 0 ? code : while_give(&COMMAND_RELEASE, &held, false);
}

const struct command COMMAND_HOLD = {
    .name = "hold",
    .summary = "leave a line's port to another program for a while; due scans are counted",
    .usage = "hold LINE [--for SPAN] [--by ROLE] [--config FILE [--maps DIRECTORY] | --journal "
             "DIRECTORY]",
    .help =
        "  --for SPAN           1min to 4h; 10min by default\n"
        "  --by ROLE            who needs it, for the ledger: technician, drive "
        "engineer\n" SOCKET_ASK_HELP "\n"
        "For work with another program on the same port: settings of the surface unit, a "
        "comparison "
        "with its own software. The poll under\n"
        "way ends, the port is closed, and this command returns when it is free. Every scan that "
        "falls "
        "due is counted in the ledger as never\n"
        "attempted, cause paused, with who held the line. The hold ends by itself at its time, at "
        "'uphole release', or when Uphole stops;\n"
        "a second one replaces the first. Then polling goes on; after more than 10 min a line that "
        "speaks RTU is listened to first.\n"
        "\n"
        "Uphole's own user, root and the group named in orders_group may order this. Exit codes: "
        "66 no such line, 69 no Uphole runs\n"
        "with this journal, 75 the port is not free yet, 77 you may not order.\n"
        "\n"
        "Values are not collected while a line is held. Monitoring only; not a protection "
        "system.\n",
    .run = run_hold,
};

const struct command COMMAND_RELEASE = {
    .name = "release",
    .summary = "end a hold: poll a line again at once",
    .usage = "release LINE [--by ROLE] [--config FILE [--maps DIRECTORY] | --journal DIRECTORY]",
    .help = "  --by ROLE            who does it\n" SOCKET_ASK_HELP "\n"
            "Whoever used the port must have left it. Uphole's own user, root and the group named "
            "in orders_group may order this.\n"
            "Exit codes: 1 the line was not held, 66 no such line, 69 no Uphole runs with this "
            "journal, 77 you may not order.\n"
            "\n"
            "Monitoring only; not a protection system.\n",
    .run = run_release,
};
