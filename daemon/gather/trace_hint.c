/* SPDX-License-Identifier: Apache-2.0
 *
 * trace_hint.c - what a person wants to know of each event of a trace (pure): what was asked, what
 * came, whether its checksum is good. Hints are comments: nothing decides by them.
 */
#include "uphole/trace.h"

#include "uphole/wire.h"

#include <stdio.h>
#include <string.h>

static const char *table_of(uint8_t function)
{
    static const char *const TABLES[] = {"", "coils", "discrete inputs", "holding registers",
                                         "input registers"};
    return function >= MODBUS_READ_COILS && function <= MODBUS_READ_INPUT_REGISTERS
               ? TABLES[function]
               : "something";
}

static const char *exception_of(uint8_t code)
{
    static const struct {
        uint8_t code;
        const char *words;
    } WORDS[] = {
        {MODBUS_ILLEGAL_FUNCTION, ", illegal function"},
        {MODBUS_ILLEGAL_ADDRESS, ", illegal address"},
        {MODBUS_ILLEGAL_VALUE, ", illegal value"},
        {MODBUS_DEVICE_FAILURE, ", device failure"},
        {MODBUS_ACKNOWLEDGE, ", acknowledged, not ready"},
        {MODBUS_BUSY, ", busy"},
        {MODBUS_PATH_UNAVAILABLE, ", gateway: no path"},
        {MODBUS_TARGET_SILENT, ", gateway: the unit behind it is silent"},
    };
    for (size_t i = 0; i < sizeof WORDS / sizeof WORDS[0]; i++)
        if (WORDS[i].code == code)
            return WORDS[i].words;
    return "";
}

static void hint_sent(struct trace_hints *hints, const struct trace_event *event, char *into)
{
    const size_t at = hints->is_rtu ? 1 : MBAP_SIZE; /* of the function */
    hints->asked = event->n >= at + 5 && event->n <= sizeof hints->question;
    hints->answered = false;
    hints->n_heard = 0;
    if (!hints->asked)
        return;
    hints->n_question = event->n;
    memcpy(hints->question, event->bytes, event->n);
    hints->unit_id = event->bytes[at - 1];
    hints->transaction = get_u16(event->bytes);
    hints->request = (struct read_request){.function = event->bytes[at],
                                           .first = get_u16(event->bytes + at + 1),
                                           .count = get_u16(event->bytes + at + 3)};
    int n = snprintf(into, TRACE_HINT_MAX, "asks unit %u for %s %u to %u (function %02X)",
                     hints->unit_id, table_of(hints->request.function), hints->request.first,
                     hints->request.first + hints->request.count - 1u, hints->request.function);
    if (!hints->is_rtu)
        snprintf(into + n, TRACE_HINT_MAX - (size_t)n, ", transaction %u", hints->transaction);
}

/** What an answer's PDU says, e.g. "unit 1 answers, 20 bytes". */
static int say_answer(uint8_t unit_id, const uint8_t *pdu, size_t n, char *into)
{
    if (n >= 2 && (pdu[0] & 0x80) != 0)
        return snprintf(into, TRACE_HINT_MAX, "unit %u refuses: exception %02X%s", unit_id, pdu[1],
                        exception_of(pdu[1]));
    return snprintf(into, TRACE_HINT_MAX, "unit %u answers function %02X, %u bytes of data",
                    unit_id, pdu[0], n >= 2 ? pdu[1] : 0u);
}

/* ---- RTU ---- */

/** Whole length of the good frame at `at`, 0 if there is none; `as_answer` says how it was read. */
static size_t good_frame(const uint8_t *at, size_t left, bool *as_answer)
{
    if (left < 4)
        return 0;
    const int answer = rtu_answer_length(at, left), request = rtu_request_length(at, left);
    *as_answer = answer >= 4 && (size_t)answer <= left && rtu_crc_is_right(at, (size_t)answer);
    if (*as_answer)
        return (size_t)answer;
    if (request >= 4 && (size_t)request <= left && rtu_crc_is_right(at, (size_t)request))
        return (size_t)request;
    return 0;
}

static bool is_the_answer(const struct trace_hints *hints, const uint8_t *frame, size_t n)
{
    if (frame[0] != hints->unit_id)
        return false;
    if (frame[1] == (hints->request.function | 0x80))
        return n == 5;
    return frame[1] == hints->request.function && n == pdu_answer_length(&hints->request) + 3;
}

static void hint_frame(struct trace_hints *hints, size_t start, size_t length, bool as_answer,
                       char *into)
{
    const uint8_t *frame = hints->heard + start;
    const size_t after = hints->n_heard - start - length;
    const bool open = hints->asked && !hints->answered;
    int n;
    if (length == hints->n_question && memcmp(frame, hints->question, length) == 0 &&
        hints->asked) {
        n = snprintf(into, TRACE_HINT_MAX, "our own question came back: an echo");
    } else if (open && as_answer && is_the_answer(hints, frame, length)) {
        n = say_answer(frame[0], frame + 1, length - 3, into);
        hints->answered = true;
    } else {
        n = snprintf(into, TRACE_HINT_MAX, "%s: %s unit %u, function %02X",
                     open ? "not ours" : "nobody here asked",
                     as_answer ? "an answer of" : "a request to", frame[0], frame[1]);
    }
    n += snprintf(into + n, TRACE_HINT_MAX - (size_t)n, ", checksum good");
    if (start > 0)
        n += snprintf(into + n, TRACE_HINT_MAX - (size_t)n, ", after %zu bytes more", start);
    if (after > 0)
        snprintf(into + n, TRACE_HINT_MAX - (size_t)n, ", %zu bytes behind it", after);
    hints->n_heard = after;
    memmove(hints->heard, hints->heard + start + length, after);
}

static void hint_rtu(struct trace_hints *hints, char *into)
{
    const bool open = hints->asked && !hints->answered;
    bool as_answer = false;
    for (size_t start = 0; start + 4 <= hints->n_heard; start++) {
        const size_t length = good_frame(hints->heard + start, hints->n_heard - start, &as_answer);
        if (length == 0)
            continue;
        hint_frame(hints, start, length, as_answer, into);
        return;
    }
    const bool refuses = hints->n_heard > 1 && (hints->heard[1] & 0x80) != 0;
    const size_t whole = refuses ? 5 : pdu_answer_length(&hints->request) + 3;
    if (!open)
        snprintf(into, TRACE_HINT_MAX, "nobody here asked: %zu bytes, no frame so far",
                 hints->n_heard);
    else if (hints->n_heard < whole)
        snprintf(into, TRACE_HINT_MAX, "%zu of %zu bytes", hints->n_heard, whole);
    else
        snprintf(into, TRACE_HINT_MAX, "%zu bytes, checksum bad or no frame", hints->n_heard);
}

/* ---- TCP ---- */

static void hint_mbap(struct trace_hints *hints, char *into)
{
    const uint8_t *heard = hints->heard;
    const size_t whole = hints->n_heard >= MBAP_SIZE ? get_u16(heard + 4) + 6u : 0;
    if (whole == 0 || (hints->n_heard < whole && whole <= TCP_ADU_MAX)) {
        snprintf(into, TRACE_HINT_MAX, "%zu bytes, not whole yet", hints->n_heard);
        return;
    }
    if (whole < MBAP_SIZE + 2 || whole > TCP_ADU_MAX || get_u16(heard + 2) != 0) {
        snprintf(into, TRACE_HINT_MAX, "no frame of Modbus TCP");
        return;
    }
    const bool is_ours = hints->asked && !hints->answered && get_u16(heard) == hints->transaction &&
                         heard[6] == hints->unit_id;
    int n = say_answer(heard[6], heard + MBAP_SIZE, whole - MBAP_SIZE, into);
    n += snprintf(into + n, TRACE_HINT_MAX - (size_t)n, ", transaction %u%s", get_u16(heard),
                  is_ours ? "" : ": not the one asked");
    if (hints->n_heard > whole)
        snprintf(into + n, TRACE_HINT_MAX - (size_t)n, ", %zu bytes behind it",
                 hints->n_heard - whole);
    hints->answered = hints->answered || is_ours;
    hints->n_heard = 0;
}

static void hint_received(struct trace_hints *hints, const struct trace_event *event, char *into)
{
    const uint8_t *bytes = event->bytes;
    size_t n = event->n;
    if (n > sizeof hints->heard) {
        bytes += n - sizeof hints->heard;
        n = sizeof hints->heard;
    }
    if (hints->n_heard + n > sizeof hints->heard) /* the oldest can't be looked at any more */
        hints->n_heard = 0;
    memcpy(hints->heard + hints->n_heard, bytes, n);
    hints->n_heard += n;
    if (hints->is_rtu)
        hint_rtu(hints, into);
    else
        hint_mbap(hints, into);
}

void trace_hint(struct trace_hints *hints, const struct trace_event *event,
                char into[static TRACE_HINT_MAX])
{
    into[0] = '\0';
    switch (event->kind) {
    case TRACE_SENT:
    case TRACE_NOT_SENT:
        hint_sent(hints, event, into);
        return;
    case TRACE_RECEIVED:
        hint_received(hints, event, into);
        return;
    case TRACE_TIMEOUT:
        snprintf(into, TRACE_HINT_MAX, "%s",
                 hints->asked && !hints->answered ? "no answer, or not all of it, until here"
                                                  : "quiet");
        hints->n_heard = 0;
        return;
    case TRACE_CUT:
        snprintf(into, TRACE_HINT_MAX, "so many events were not kept");
        hints->asked = false;
        hints->n_heard = 0;
        return;
    case TRACE_OPEN:
    case TRACE_CLOSE:
    case TRACE_FLUSH:
        hints->n_heard = 0;
        return;
    default:
        return;
    }
}
