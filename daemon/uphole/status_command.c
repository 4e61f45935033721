/* SPDX-License-Identifier: Apache-2.0
 *
 * status_command.c - `uphole status`: how the running daemon is.
 */
#include "socket_ask.h"

static int run_status(int argc, char **argv)
{
    struct socket_asked asked;
    const int code = socket_ask_options(&COMMAND_STATUS, argc, argv, false, true, &asked);
    return code != 0 ? code : socket_ask_print(&asked, asked.json ? "status json" : "status text");
}

const struct command COMMAND_STATUS = {
    .name = "status",
    .summary = "show how each well's line, gauge, channels and delivery stand, and how the box is",
    .usage = "status [--config FILE [--maps DIRECTORY] | --journal DIRECTORY] [--json]",
    .help = SOCKET_ASK_HELP
    "  --json               everything, as one object\n"
    "\n"
    "Asks the running Uphole at its local socket; the line is not asked anything. The four stages "
    "of "
    "a well stand apart:\n"
    "a line that is up says nothing about the gauge, and a live gauge nothing about the delivery. "
    "Uphole's own user, root and\n"
    "the socket's group may ask. Exit code 69: no Uphole runs with this journal.\n"
    "\n"
    "Monitoring only; not a protection system.\n",
    .run = run_status,
};
