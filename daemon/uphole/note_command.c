/* SPDX-License-Identifier: Apache-2.0
 *
 * note_command.c - `uphole note`: what a person knows of a gap, into the ledger.
 */
#include "note.h"
#include "order.h"
#include "socket.h"
#include "socket_ask.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

static int run_note(int argc, char **argv)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"by", required_argument, NULL, 'b'},
                                            {"planned", no_argument, NULL, 'p'},
                                            {NULL, 0, NULL, 0}};
    struct socket_asked asked = {.config = CONFIG_DEFAULT};
    struct gap_asked gap;
    const char *by = "";
    bool planned = false;
    optind = 1;
    for (int c; (c = command_option(&COMMAND_NOTE, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&asked, c))
            continue;
        if (c == COMMAND_OPTION_BAD)
            return EX_USAGE;
        if (c == 'b')
            by = optarg;
        else
            planned = true;
    }
    if (argc - optind != 2)
        return command_usage_error(
            &COMMAND_NOTE,
            "expected a gap and a text, as in 'uphole note 475f99:3 \"Pump was pulled.\" --by "
            "technician'; 'uphole gaps' lists the gaps");
    if (!note_read_gap(argv[optind], strlen(argv[optind]), &gap))
        return command_usage_error(
            &COMMAND_NOTE, "'%s' names no gap; expected one like 475f99:3, as 'uphole gaps' shows",
            argv[optind]);
    const char *text = argv[optind + 1], *trouble = note_trouble(by, text);
    if (trouble != NULL)
        return command_usage_error(&COMMAND_NOTE, "%s", trouble);
    if (!order_text_is_clean(text) || !order_text_is_clean(by))
        return command_usage_error(&COMMAND_NOTE, "the text holds a control character (a line "
                                                  "break?) or is no UTF-8; leave that out");
    char order[SOCKET_REQUEST_MAX];
    snprintf(order, sizeof order, "order note %s %s %zu %s %s", argv[optind],
             planned ? "planned" : "unplanned", strlen(by), by, text);
    return socket_ask_print(&asked, order);
}

const struct command COMMAND_NOTE = {
    .name = "note",
    .summary = "write on a gap of the ledger what a person knows about it",
    .usage = "note GAP TEXT --by ROLE [--planned] [--config FILE [--maps DIRECTORY] | --journal "
             "DIRECTORY]",
    .help =
        "  --by ROLE            in which role you write: technician, operations engineer\n"
        "  --planned            the outage was planned: it is counted apart\n" SOCKET_ASK_HELP "\n"
        "GAP is what 'uphole gaps' shows in its first column, as 475f99:3: the beginning of "
        "the run's number and the row's id. TEXT is\n"
        "a sentence of at most 200 characters. The note stands in 'uphole gaps', and goes to "
        "each destination as the next revision of the\n"
        "row; what Uphole itself found out stays. A second note on the same gap replaces the "
        "first, which stays in the journal. Of an\n"
        "outage of the program the rows of all sources are noted at once.\n"
        "\n"
        "Uphole's own user, root and the group named in orders_group may order this. Exit codes: "
        "66 no such gap, 69 no Uphole runs "
        "with this journal.\n"
        "\n"
        "Monitoring only; not a protection system.\n",
    .run = run_note,
};
