/* SPDX-License-Identifier: Apache-2.0
 *
 * hold_command.c - `uphole hold` and `uphole release`: give a line's port free for other work, and
 * take it back.
 */
#include "hold.h"
#include "socket.h"
#include "socket_ask.h"
#include "span.h"

#include <getopt.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define FREE_TRIES 75 /* of 200 ms: a poll under way ends in a few seconds */

struct held_asked {
    struct socket_asked asked;
    const char *line, *by;
    int64_t ms;
};

static int read_options(const struct command *command, int argc, char **argv, bool takes_time,
                        struct held_asked *out)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"by", required_argument, NULL, 'b'},
                                            {"for", required_argument, NULL, 'f'},
                                            {NULL, 0, NULL, 0}};
    *out = (struct held_asked){.asked = {.config = CONFIG_DEFAULT}, .by = "", .ms = 600000};
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
        else if (!span_from_text(optarg, &out->ms) || out->ms < HOLD_LEAST_MS ||
                 out->ms > HOLD_MOST_MS)
            return command_usage_error(
                command, "--for %s: expected 1min to 4h, as in 10min; a hold can be extended",
                optarg);
    }
    if (optind == argc)
        return command_usage_error(
            command, "which line? Name it, as in 'uphole %s pad-line'; 'uphole status' lists them",
            command->name);
    out->line = argv[optind++];
    if (optind < argc)
        return command_usage_error(command, "'%s' is one word too many", argv[optind]);
    if (strlen(out->line) > NAME_LENGTH_MAX || strpbrk(out->line, " \n") != NULL)
        return command_usage_error(command, "that is no name of a line");
    if (strlen(out->by) > ASKER_NAME_MAX || strchr(out->by, '\n') != NULL)
        return command_usage_error(command, "--by takes a role of at most %d bytes",
                                   ASKER_NAME_MAX);
    return 0;
}

static int give(struct held_asked *held, const char *order)
{
    struct up_error error = {0};
    char *body = NULL;
    size_t length = 0;
    int code = socket_ask_where(&held->asked, &error);
    if (code == 0)
        code = socket_ask(&held->asked, order, &body, &length, &error);
    if (code != 0) {
        (void)command_fail(&error);
        return code;
    }
    printf("%s\n", body);
    free(body);
    return 0;
}

/** A poll under way ends before the port is closed; whoever waits wants to know when. */
static int wait_until_free(struct held_asked *held)
{
    struct up_clock clock;
    char wanted[NAME_LENGTH_MAX + 16];
    snprintf(wanted, sizeof wanted, "%s free\n", held->line);
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
    struct held_asked held;
    char order[SOCKET_REQUEST_MAX];
    int code = read_options(&COMMAND_HOLD, argc, argv, true, &held);
    if (code != 0)
        return code;
    snprintf(order, sizeof order, "order hold %s %" PRId64 "%s%s", held.line, held.ms,
             held.by[0] != '\0' ? " " : "", held.by);
    code = give(&held, order);
    return code != 0 ? code : wait_until_free(&held);
}

static int run_release(int argc, char **argv)
{
    struct held_asked held;
    char order[SOCKET_REQUEST_MAX];
    const int code = read_options(&COMMAND_RELEASE, argc, argv, false, &held);
    if (code != 0)
        return code;
    snprintf(order, sizeof order, "order release %s%s%s", held.line, held.by[0] != '\0' ? " " : "",
             held.by);
    return give(&held, order);
}

const struct command COMMAND_HOLD = {
    .name = "hold",
    .summary = "release a line's port to another program for a while; due scans are counted",
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
        "Uphole's own user, root and the group named in orders_group may order this. Exit code 69: "
        "no Uphole runs with this journal.\n"
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
            "Whoever used the port must have left it. Exit code 1: the line was not held. 69: no "
            "Uphole runs with this journal.\n"
            "\n"
            "Monitoring only; not a protection system.\n",
    .run = run_release,
};
