/* SPDX-License-Identifier: Apache-2.0
 *
 * for_a_while.c - the command's end; see for_a_while.h.
 */
#include "for_a_while.h"

#include "socket.h"
#include "span.h"

#include <getopt.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

int while_read_options(const struct command *command, int argc, char **argv,
                       const struct while_kind *kind, bool takes_time, struct while_asked *out)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"by", required_argument, NULL, 'b'},
                                            {"for", required_argument, NULL, 'f'},
                                            {NULL, 0, NULL, 0}};
    *out =
        (struct while_asked){.asked = {.config = CONFIG_DEFAULT}, .by = "", .ms = kind->usual_ms};
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
        else if (!span_from_text(optarg, &out->ms) || out->ms < kind->least_ms ||
                 out->ms > kind->most_ms)
            return command_usage_error(command, "--for %s: expected %s", optarg, kind->spans);
    }
    if (optind == argc)
        return command_usage_error(
            command, "which %s? Name it, as in 'uphole %s %s'; 'uphole status' lists them",
            kind->thing, command->name, kind->example);
    out->name = argv[optind++];
    if (optind < argc)
        return command_usage_error(command, "'%s' is one word too many", argv[optind]);
    if (strlen(out->name) > NAME_LENGTH_MAX || strpbrk(out->name, " \n") != NULL)
        return command_usage_error(command, "that is no name of a %s", kind->thing);
    if (strlen(out->by) > ASKER_NAME_MAX || strchr(out->by, '\n') != NULL)
        return command_usage_error(command, "--by takes a role of at most %d bytes",
                                   ASKER_NAME_MAX);
    return 0;
}

int while_give(const struct command *command, struct while_asked *given, bool takes_time)
{
    char order[SOCKET_REQUEST_MAX], time[24] = "";
    if (takes_time)
        snprintf(time, sizeof time, " %" PRId64, given->ms);
    snprintf(order, sizeof order, "order %s %s%s%s%s", command->name, given->name, time,
             given->by[0] != '\0' ? " " : "", given->by);
    return socket_ask_print(&given->asked, order);
}
