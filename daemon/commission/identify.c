/* SPDX-License-Identifier: Apache-2.0
 *
 * identify.c - device identification (function 2B/0E): what the unit calls itself, as far as it
 * does. Source: Modbus Application Protocol V1.1b3, 6.21. The walk over its objects ends by their
 * number, and by an object number that doesn't grow.
 */
#include "finder.h"
#include "identify.h"

#include "uphole/say.h"

#include <stdio.h>
#include <string.h>

#define HEAD 7 /* function, 0E, code, conformity, more, next, number of objects */
#define STREAM_MOST 4

bool identify_take(const uint8_t *pdu, size_t n, struct find_unit *unit, uint8_t *next)
{
    if (n < HEAD)
        return false;
    size_t at = HEAD;
    for (unsigned i = 0; i < pdu[6] && at + 2 <= n; i++) {
        const size_t length = pdu[at + 1];
        char text[FIND_TEXT_MAX - 8];
        if (at + 2 + length > n)
            return false;
        say_escape(text, sizeof text, (const char *)pdu + at + 2, length);
        if (unit->n_objects < FIND_OBJECTS_MAX)
            snprintf(unit->object[unit->n_objects++], FIND_TEXT_MAX, "%u %s", pdu[at], text);
        at += 2 + length;
    }
    *next = pdu[5];
    return pdu[4] == 0xFF;
}

void identify_run(struct finder *finder)
{
    uint8_t next = 0;
    for (int i = 0; i < STREAM_MOST; i++) {
        struct asked asked;
        struct reply reply;
        const uint8_t object = next;
        asked_put_identify(&asked, line_speaks_rtu(&finder->line), ++finder->transaction,
                           finder->report->unit.unit_id, object);
        if (!finder_ask(finder, &asked, finder->options->wait_ms + SETTLE_MS / 2, &reply) ||
            reply.kind != REPLY_ANSWER ||
            !identify_take(reply.pdu, reply.n, &finder->report->unit, &next) || next <= object)
            return;
    }
}
