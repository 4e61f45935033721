/* SPDX-License-Identifier: Apache-2.0
 *
 * read_command.c - `uphole read WELL`: raw beside measured, as the running daemon has it.
 */
#include "socket_ask.h"

#include <getopt.h>
#include <sysexits.h>

static int run_read(int argc, char **argv)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"json", no_argument, NULL, 'J'},
                                            {"uncertainty", no_argument, NULL, 'u'},
                                            {NULL, 0, NULL, 0}};
    struct socket_asked asked = {.config = CONFIG_DEFAULT};
    bool uncertainty = false;
    optind = 1;
    for (int c; (c = command_option(&COMMAND_READ, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&asked, c))
            continue;
        if (c == 'J')
            asked.json = true;
        else if (c == 'u')
            uncertainty = true;
        else
            return EX_USAGE;
    }
    const int code = socket_ask_well(&COMMAND_READ, argc, argv, &asked);
    if (code != 0)
        return code;
    return socket_ask_print(&asked, asked.json    ? "read json"
                                    : uncertainty ? "read uncertainty"
                                                  : "read text");
}

const struct command COMMAND_READ = {
    .name = "read",
    .summary = "show each channel of a well once: raw words, decoded, value, unit, quality, age",
    .usage = "read WELL [--config FILE [--maps DIRECTORY] | --journal DIRECTORY] [--json] "
             "[--uncertainty]",
    .help = SOCKET_ASK_HELP "  --json               the same as one object, uncertainties too\n"
                            "  --uncertainty        with each channel's and derived point's standard uncertainty, "
                            "from the map's accuracy and the resolution\n"
                            "\n"
                            "Shows the newest scan of each source that the running Uphole has; it "
                            "puts no extra question on "
                            "the line. Raw words stand\n"
                            "as they came, in hex and decimal; decoded is the number in them "
                            "before scale and unit. A value "
                            "that is not good says why.\n"
                            "Exit code 69: no Uphole runs with this journal.\n"
                            "\n"
                            "Monitoring only: values can be late, missing or wrong. Never use them "
                            "for trips, interlocks or "
                            "safety functions.\n",
    .run = run_read,
};
