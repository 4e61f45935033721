/* SPDX-License-Identifier: Apache-2.0
 *
 * read_command.c - `uphole read WELL`: raw beside measured, as the running daemon has it.
 */
#include "socket_ask.h"

static int run_read(int argc, char **argv)
{
    struct socket_asked asked;
    const int code = socket_ask_options(&COMMAND_READ, argc, argv, true, true, &asked);
    return code != 0 ? code : socket_ask_print(&asked, asked.json ? "read json" : "read text");
}

const struct command COMMAND_READ = {
    .name = "read",
    .summary = "show each channel of a well once: raw words, decoded, value, unit, quality, age",
    .usage = "read WELL [--config FILE [--maps DIRECTORY] | --journal DIRECTORY] [--json]",
    .help = SOCKET_ASK_HELP "  --json               the same as one object\n"
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
