/* SPDX-License-Identifier: Apache-2.0
 *
 * by_hand_check.c - the command's end of an order over rows: who asks and why, before it is sent.
 * See by_hand.h.
 */
#include "by_hand.h"

#include "command.h"

#include <string.h>

static bool is_blank(const char *text)
{
    return strspn(text, " ") == strlen(text);
}

int by_hand_check(const struct command *command, const struct by_hand_words *words, bool by_must,
                  bool reason_must)
{
    const char *by = words->by, *reason = words->reason;
    if ((by_must && by[0] == '\0') || by[0] == ' ' || strlen(by) > BY_HAND_ROLE_MAX ||
        strchr(by, '\n') != NULL)
        return command_usage_error(command, "--by ROLE says who asks, in at most %d bytes",
                                   BY_HAND_ROLE_MAX);
    if ((reason_must && is_blank(reason)) || strlen(reason) > BY_HAND_REASON_MAX ||
        strchr(reason, '\n') != NULL)
        return command_usage_error(command, "--reason says why, in one line of at most %d bytes",
                                   BY_HAND_REASON_MAX);
    return 0;
}
