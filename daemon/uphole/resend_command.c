/* SPDX-License-Identifier: Apache-2.0
 *
 * resend_command.c - `uphole resend`: have a range of records sent to a broker once more. Both
 * ends: the command, and the order as the daemon takes it (resend_hand.c does it).
 */
#include "resend.h"

#include "by_hand.h"
#include "order.h"
#include "socket.h"
#include "socket_ask.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

int order_resend(struct order_view *view, const struct asker *who, const char *arguments,
                 struct socket_text *text)
{
    char sentence[512];
    const int code = resend_by_hand(view->core, who->name, arguments, sentence, sizeof sentence);
    text_add(text, "%s", sentence);
    return code;
}

struct resend_asked {
    struct socket_asked asked;
    const char *destination, *well, *range;
    struct by_hand_words words;
};

static int read_options(int argc, char **argv, struct resend_asked *out)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"by", required_argument, NULL, 'b'},
                                            {"reason", required_argument, NULL, 'r'},
                                            {NULL, 0, NULL, 0}};
    const struct command *command = &COMMAND_RESEND;
    *out = (struct resend_asked){.asked = {.config = CONFIG_DEFAULT}, .words = {"", ""}};
    optind = 1;
    for (int c; (c = command_option(command, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&out->asked, c))
            continue;
        if (c == COMMAND_OPTION_BAD)
            return EX_USAGE;
        *(c == 'b' ? &out->words.by : &out->words.reason) = optarg;
    }
    if (argc - optind != 3)
        return command_usage_error(command,
                                   "expected DESTINATION WELL FROM..TO, as in 'uphole resend "
                                   "plant-broker heron-7 88120..89000 --by engineer'");
    out->destination = argv[optind];
    out->well = argv[optind + 1];
    out->range = argv[optind + 2];
    for (int i = optind; i < argc; i++)
        if (argv[i][0] == '\0' || strpbrk(argv[i], " \n") != NULL)
            return command_usage_error(command, "'%s' holds a blank, or nothing", argv[i]);
    return by_hand_check(command, &out->words, true, false);
}

static int run_resend(int argc, char **argv)
{
    struct resend_asked resend;
    char order[SOCKET_REQUEST_MAX];
    const int code = read_options(argc, argv, &resend);
    if (code != 0)
        return code;
    const int n =
        snprintf(order, sizeof order, "order resend %s %s %s %zu %s%s%s", resend.destination,
                 resend.well, resend.range, strlen(resend.words.by), resend.words.by,
                 resend.words.reason[0] != '\0' ? " " : "", resend.words.reason);
    if (n < 0 || (size_t)n >= sizeof order)
        return command_usage_error(&COMMAND_RESEND, "that is longer than an order may be");
    return socket_ask_print(&resend.asked, order);
}

const struct command COMMAND_RESEND = {
    .name = "resend",
    .summary = "have a range of a well's records sent to a broker once more",
    .usage = "resend DESTINATION WELL FROM..TO --by ROLE [--reason TEXT] [--config FILE [--maps "
             "DIRECTORY] | --journal DIRECTORY]",
    .help =
        "  --by ROLE            who asks, for the journal: operations engineer, integrator\n"
        "  --reason TEXT        why, in one line\n" SOCKET_ASK_HELP "\n"
        "FROM and TO belong to the range and are given alike: two times in RFC 3339\n"
        "(2031-03-01T06:00:00Z..2031-03-01T07:00:00Z), or two sequence numbers as in the records\n"
        "(88120..89000), where a number may name its run as 'after' does "
        "(9f3c61d2a07b44e8:88120).\n"
        "\n"
        "The records go out with \"sent\":\"resent\", with the same identity and content as "
        "before,\n"
        "so a receiver that has them drops them. Live records and those that still wait go "
        "first;\n"
        "'uphole status' shows how many are left, over restarts and outages. At most 8 orders "
        "wait.\n"
        "Uphole's own user, root and the group named in orders_group may order this. Exit codes:\n"
        "66 no such destination, well or records; 69 no Uphole runs with this journal; 75 too "
        "many\n"
        "orders wait, or the records were not accepted a first time yet; 77 you may not order.\n"
        "\n"
        "Monitoring only; not a protection system.\n",
    .run = run_resend,
};
