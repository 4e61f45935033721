/* SPDX-License-Identifier: Apache-2.0
 *
 * recalculate_command.c - `uphole recalculate`: have an interval of a well measured under another
 * configuration. Both ends: the command, and the order as the daemon takes it (recalculate.c does
 * it).
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

int order_recalculate(struct order_view *view, const struct asker *who, const char *arguments,
                      struct socket_text *text)
{
    char sentence[640];
    const int code =
        recalculate_by_hand(view->core, who->name, arguments, sentence, sizeof sentence);
    text_add(text, "%s", sentence);
    return code;
}

struct recalculate_asked {
    struct socket_asked asked;
    const char *well, *from, *to, *plan;
    struct by_hand_words words;
};

static int read_options(int argc, char **argv, struct recalculate_asked *out)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"from", required_argument, NULL, 'f'},
                                            {"to", required_argument, NULL, 't'},
                                            {"plan", required_argument, NULL, 'p'},
                                            {"by", required_argument, NULL, 'b'},
                                            {"reason", required_argument, NULL, 'r'},
                                            {NULL, 0, NULL, 0}};
    const struct command *command = &COMMAND_RECALCULATE;
    int64_t utc_ms;
    *out = (struct recalculate_asked){
        .asked = {.config = CONFIG_DEFAULT}, .plan = "-", .words = {"", ""}};
    optind = 1;
    for (int c; (c = command_option(command, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&out->asked, c))
            continue;
        if (c == COMMAND_OPTION_BAD)
            return EX_USAGE;
        *(c == 'f'   ? &out->from
          : c == 't' ? &out->to
          : c == 'p' ? &out->plan
          : c == 'b' ? &out->words.by
                     : &out->words.reason) = optarg;
    }
    if (argc - optind != 1)
        return command_usage_error(command, "expected one well, as in 'uphole recalculate heron-7 "
                                            "--from 2031-03-01T06:00:00Z --to "
                                            "2031-03-02T06:00:00Z --reason \"map corrected\"'");
    out->well = argv[optind];
    const char *const times[] = {out->from, out->to};
    for (size_t i = 0; i < 2; i++)
        if (times[i] == NULL || !stamp_from_text(times[i], strlen(times[i]), &utc_ms))
            return command_usage_error(
                command, "--%s takes a time with its offset, as in 2031-03-01T06:00:00Z",
                i == 0 ? "from" : "to");
    if (out->well[0] == '\0' || strpbrk(out->well, " \n") != NULL || out->plan[0] == '\0' ||
        strpbrk(out->plan, " \n") != NULL)
        return command_usage_error(command, "the well or the plan holds a blank, or nothing");
    return by_hand_check(command, &out->words, false, true);
}

static int run_recalculate(int argc, char **argv)
{
    struct recalculate_asked asked;
    char order[SOCKET_REQUEST_MAX];
    const int code = read_options(argc, argv, &asked);
    if (code != 0)
        return code;
    const int n =
        snprintf(order, sizeof order, "order recalculate %s %s..%s %s %zu %s%s%s", asked.well,
                 asked.from, asked.to, asked.plan, strlen(asked.words.by), asked.words.by,
                 asked.words.by[0] != '\0' ? " " : "", asked.words.reason);
    if (n < 0 || (size_t)n >= sizeof order)
        return command_usage_error(&COMMAND_RECALCULATE, "that is longer than an order may be");
    return socket_ask_print(&asked.asked, order);
}

const struct command COMMAND_RECALCULATE = {
    .name = "recalculate",
    .summary = "measure a well's rows of a past time under a corrected configuration",
    .usage = "recalculate WELL --from TIME --to TIME --reason TEXT [--plan DIGEST] [--by ROLE] "
             "[--config FILE [--maps DIRECTORY] | --journal DIRECTORY]",
    .help =
        "  --from TIME          from TIME on, in RFC 3339: 2031-03-01T06:00:00Z\n"
        "  --to TIME            up to TIME, which belongs to it\n"
        "  --reason TEXT        why, in one line: it is kept beside the records\n"
        "  --plan DIGEST        under the plan whose digest begins so, 8 digits or more, as the\n"
        "                       records carry it; by default the one in force\n"
        "  --by ROLE            who asks, for the journal: operations engineer\n" SOCKET_ASK_HELP
        "\n"
        "First correct the configuration and put it into force with 'uphole reload'. Entries are\n"
        "dated: correct the entry that was valid then, a new one only counts from its date on.\n"
        "\n"
        "The rows go out to every broker once more as the next revision, with\n"
        "\"sent\":\"recalculated\" and by whom. What was read from the surface unit never changes, "
        "and\n"
        "the earlier revision stays: 'uphole replay' prints either. Live records and those that\n"
        "still wait go first; 'uphole status' shows how many are left, over restarts and outages.\n"
        "Uphole's own user, root and the group named in orders_group may order this. Exit codes:\n"
        "66 no such row, well or plan; 69 no Uphole runs with this journal; 75 too many orders\n"
        "wait; 77 you may not order.\n"
        "\n"
        "Monitoring only; not a protection system.\n",
    .run = run_recalculate,
};
