/* SPDX-License-Identifier: Apache-2.0
 *
 * hold_book.c - who holds which line, as core and the lines' start read it. See hold.h.
 */
#include "hold.h"

#include <string.h>

const struct hold *hold_of_line(const struct hold_book *book, const char *line)
{
    for (size_t i = 0; book != NULL && i < PLAN_LINES_MAX; i++)
        if (strcmp(book->hold[i].line, line) == 0)
            return &book->hold[i];
    return NULL;
}

bool hold_is_on(const struct hold *hold, int64_t now_boot_ms)
{
    return hold->line[0] != '\0' && now_boot_ms < hold->until.boot_ms;
}

const struct hold *hold_now(const struct hold_book *book, const char *line, int64_t now_boot_ms)
{
    const struct hold *hold = hold_of_line(book, line);
    return hold != NULL && hold_is_on(hold, now_boot_ms) ? hold : NULL;
}

int64_t hold_until_us(const struct hold_book *book, const char *line, int64_t now_boot_ms)
{
    const struct hold *hold = hold_now(book, line, now_boot_ms);
    return hold != NULL ? hold->until.boot_ms * 1000 : 0;
}
