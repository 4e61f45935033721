/* SPDX-License-Identifier: Apache-2.0
 *
 * by_hand.c - see by_hand.h.
 */
#include "by_hand.h"

#include "core_inside.h"
#include "resend.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

int answer(struct answer *answer, int code, const char *format, ...)
{
    va_list values;
    va_start(values, format);
    vsnprintf(answer->text, answer->room, format, values);
    va_end(values);
    return code;
}

/** Bytes of the text's beginning that fit and end with a whole character of UTF-8. */
static size_t fitting(const char *text, size_t most)
{
    size_t n = strlen(text);
    if (n <= most)
        return n;
    for (n = most; n > 0 && ((unsigned char)text[n] & 0xC0) == 0x80;)
        n--;
    return n;
}

void by_hand_who(const char *role, const char *name, char *into, size_t room)
{
    if (role[0] == '\0') {
        snprintf(into, room, "%.*s", (int)fitting(name, room - 1), name);
        return;
    }
    const size_t both = room - sizeof " ()", least = both / 3, wanted = strlen(role);
    const size_t named = fitting(name, wanted < both - least ? both - wanted : least);
    snprintf(into, room, "%.*s (%.*s)", (int)fitting(role, both - named), role, (int)named, name);
}

bool by_hand_word(const char **at, char *into, size_t room)
{
    const size_t length = strcspn(*at, " ");
    if (length == 0 || length >= room)
        return false;
    memcpy(into, *at, length);
    into[length] = '\0';
    *at += length + ((*at)[length] == ' ');
    return true;
}

bool by_hand_role(const char **at, char role[static BY_HAND_ROLE_MAX + 1])
{
    char number[8];
    if (!by_hand_word(at, number, sizeof number))
        return false;
    const unsigned long length = strtoul(number, NULL, 10);
    if (length > BY_HAND_ROLE_MAX || length > strlen(*at))
        return false;
    snprintf(role, BY_HAND_ROLE_MAX + 1, "%.*s", (int)length, *at);
    *at += length;
    *at += **at == ' ';
    return true;
}

int by_hand_well(const struct core *core, const char *id, uint16_t *index, struct answer *to)
{
    const struct plan *plan = core->options.plan;
    const struct well_plan *well = plan_well_by_id(plan, id);
    if (well == NULL)
        return answer(to, EX_NOINPUT,
                      "There is no well '%.40s'. 'uphole status' shows those that there are.", id);
    *index = (uint16_t)(well - plan->wells);
    return 0;
}

int by_hand_not_stored(struct answer *to)
{
    return answer(to, EX_TEMPFAIL,
                  "The order could not be stored, so it is not given. Try again; 'uphole status' "
                  "says how the journal is.");
}

int by_hand_open(struct core *core, struct journal_reader **reader, struct answer *to)
{
    struct up_error error = {0};
    if (core->refusing)
        return answer(to, EX_TEMPFAIL, "The disk refuses to store, so no order can be given now.");
    if (resend_count_waiting(core, RESENDS_WAITING_MAX) >= RESENDS_WAITING_MAX)
        return answer(to, EX_TEMPFAIL,
                      "%d orders are waiting already. One more can be given when one of them is "
                      "done: 'uphole status' shows how far they are.",
                      RESENDS_WAITING_MAX);
    if (journal_reader_open(core->options.plan->journal.path, reader, &error) != UP_OK)
        return answer(to, EX_IOERR, "The journal could not be read: %.150s.", error.why);
    return 0;
}
