/* SPDX-License-Identifier: Apache-2.0
 *
 * while_words.c - the order's end; see for_a_while.h.
 */
#include "for_a_while.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

bool while_read_words(const char *arguments, bool has_time, struct while_words *words)
{
    int after = 0;
    *words = (struct while_words){.role = ""};
    if (sscanf(arguments, "%33[a-z0-9-]%n", words->name, &after) != 1 ||
        strlen(words->name) > NAME_LENGTH_MAX)
        return false;
    arguments += after;
    if (has_time) {
        after = 0;
        if (sscanf(arguments, " %9" SCNd64 "%n", &words->ms, &after) != 1)
            return false;
        arguments += after;
    }
    if (*arguments != '\0' && *arguments != ' ')
        return false;
    words->role = *arguments == ' ' ? arguments + 1 : arguments;
    return strlen(words->role) <= ASKER_NAME_MAX;
}
