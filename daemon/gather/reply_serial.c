/* SPDX-License-Identifier: Apache-2.0
 *
 * reply_serial.c - reads an answer from a serial line with a deadline of its own, and says what it
 * is.
 *
 * The answer is searched for in all that came, since an idle pair without bias sends a stray
 * character before it; what stands around it is counted as stray and makes the scan disturbed. An
 * answer counts only with unit, function, byte count and checksum right. A two-wire converter
 * returns our own request first: with strip_echo those bytes are taken off the front, uncounted.
 */
#include "exchange.h"

#include "uphole/wire.h"

#include <string.h>

#define REPLY_ROOM (2 * RTU_ADU_MAX)
#define BAD_FRAME_QUIET_US                                                                         \
    50000 /* a frame that is whole and wrong ends the wait after this much quiet (converters pause \
             16 to 30 ms) */
#define EXCEPTION_FRAME 5

struct reply {
    size_t n;
    int64_t heard_us;
    size_t start, length; /* of the answer, once found */
    uint8_t bytes[REPLY_ROOM];
};

/** Length of a right answer to the last question that starts at `at`, 0 if there is none (yet). */
static size_t answer_at(const struct question *question, const uint8_t *at, size_t left)
{
    if (left < EXCEPTION_FRAME || at[0] != question->unit_id)
        return 0;
    size_t length = 0;
    if (at[1] == (question->request.function | 0x80) && exception_is_a_code(at[2]))
        length = EXCEPTION_FRAME;
    else if (at[1] == question->request.function &&
             at[2] == pdu_answer_length(&question->request) - 2)
        length = pdu_answer_length(&question->request) + 3;
    return length > 0 && length <= left && rtu_crc_is_right(at, length) ? length : 0;
}

static bool find_answer(const struct question *question, struct reply *reply)
{
    for (reply->start = 0; reply->start < reply->n; reply->start++) {
        reply->length = answer_at(question, reply->bytes + reply->start, reply->n - reply->start);
        if (reply->length > 0)
            return true;
    }
    return false;
}

/** True where the answer, or an exception, may have begun at `at`: of unit, function and byte count
 * two are right, so that one flipped bit does not hide it. */
static bool begins_answer(const struct question *question, const uint8_t *at, size_t left)
{
    const uint8_t function = question->request.function;
    if (left < 2)
        return false;
    const bool is_unit = at[0] == question->unit_id;
    if (is_unit && (at[1] == function || at[1] == (function | 0x80)))
        return true;
    const bool is_count = left > 2 && at[2] == (uint8_t)(pdu_answer_length(&question->request) - 2);
    return is_count && (is_unit || at[1] == function);
}

/** Why nothing in the reply is the answer. Bytes among which it never began are none of the unit's:
 * a swapped pair, another speed, an idle pair without bias. */
static uint8_t verdict_without_answer(const struct question *question, const struct reply *reply)
{
    if (reply->n == 0)
        return OUTCOME_SILENT;
    int length = rtu_answer_length(reply->bytes, reply->n);
    if (length > 0 && (size_t)length <= reply->n && rtu_crc_is_right(reply->bytes, (size_t)length))
        return OUTCOME_WRONG_REPLY;
    if (reply->n == 1 && reply->bytes[0] == question->unit_id)
        return OUTCOME_CUT_SHORT;
    size_t start = 0;
    while (start < reply->n && !begins_answer(question, reply->bytes + start, reply->n - start))
        start++;
    const size_t left = reply->n - start;
    if (left == 0)
        return OUTCOME_SILENT;
    size_t whole = left > 1 && reply->bytes[start + 1] == (question->request.function | 0x80)
                       ? EXCEPTION_FRAME
                       : pdu_answer_length(&question->request) + 3;
    return left < whole ? OUTCOME_CUT_SHORT : OUTCOME_BAD_CHECKSUM;
}

enum echo { ECHO_NONE = 0, ECHO_MAY_COME, ECHO_WHOLE };

/** Does what came begin with our own request? */
static enum echo echo_in(const struct question *question, const struct reply *reply)
{
    size_t n = reply->n < question->n ? reply->n : question->n;
    if (n == 0 || memcmp(reply->bytes, question->frame, n) != 0)
        return ECHO_NONE;
    return n == question->n ? ECHO_WHOLE : ECHO_MAY_COME;
}

/** Notes an echo, and takes it off the front where the site says that there is one. True while only
 * a part of it is there: nothing of an answer has come. */
static bool take_echo(const struct wire *wire, struct reply *reply, bool *is_echoed)
{
    if (*is_echoed)
        return false;
    enum echo echo = echo_in(&wire->last, reply);
    *is_echoed = echo == ECHO_WHOLE;
    if (!wire->line->strip_echo)
        return false;
    if (echo == ECHO_WHOLE) {
        reply->n -= wire->last.n;
        memmove(reply->bytes, reply->bytes + wire->last.n, reply->n);
    }
    return echo == ECHO_MAY_COME;
}

/** Reads until the answer stands whole in `reply` (true), or until the deadline, a full buffer or a
 * lost port (false). */
static bool read_reply(struct wire *wire, struct reply *reply, bool *is_echoed, bool *is_gone)
{
    const struct read_request *request = &wire->last.request;
    size_t whole = pdu_answer_length(request) + 3;
    int64_t character_us =
        INT64_C(1000000) * line_bits_per_character(wire->line) / wire->line->baud;
    int64_t first_by_us = wire->last.sent_us + (int64_t)wire->last.n * character_us +
                          (int64_t)wire->line->response_timeout_ms * 1000;
    int64_t all_by_us = first_by_us + (int64_t)whole * character_us;
    bool is_echo_only = false;
    *is_gone = false;
    while (reply->n < REPLY_ROOM) {
        int64_t deadline_us = reply->n == 0 || is_echo_only ? first_by_us : all_by_us;
        bool is_whole_and_wrong = reply->n >= whole;
        if (is_whole_and_wrong && reply->heard_us + BAD_FRAME_QUIET_US < deadline_us)
            deadline_us = reply->heard_us + BAD_FRAME_QUIET_US;
        ssize_t n = wire->port->receive(wire->port->context, reply->bytes + reply->n,
                                        REPLY_ROOM - reply->n, deadline_us, &wire->error);
        if (n <= 0) {
            *is_gone = n < 0;
            return false;
        }
        reply->n += (size_t)n;
        reply->heard_us = wire->active_us = clock_boot_us(wire->clock);
        is_echo_only = take_echo(wire, reply, is_echoed);
        if (find_answer(&wire->last, reply))
            return true;
        if (reply->heard_us >= all_by_us)
            return false; /* bytes without end are no answer */
    }
    return false;
}

static void take_answer(struct wire *wire, const struct reply *reply, struct exchange *out)
{
    const uint8_t *frame = reply->bytes + reply->start;
    size_t after = reply->n - reply->start - reply->length;
    out->n = reply->length - 3;
    memcpy(out->pdu, frame + 1, out->n);
    out->ended_us = reply->heard_us;
    out->stray += (uint32_t)(reply->start + after);
    if (reply->start > 0)
        listener_hear(&wire->listener, reply->bytes, reply->start, reply->heard_us);
    if (after > 0)
        listener_hear(&wire->listener, frame + reply->length, after, reply->heard_us);
    out->verdict = OUTCOME_ANSWERED;
    if (pdu_check_answer(&wire->last.request, out->pdu, out->n, &out->exception) != ANSWER_MATCHES)
        out->verdict = OUTCOME_EXCEPTION;
}

void exchange_read_serial(struct wire *wire, struct exchange *out)
{
    struct reply reply;
    bool is_gone;
    reply.n = 0;
    if (read_reply(wire, &reply, &out->is_echoed, &is_gone)) {
        take_answer(wire, &reply, out);
        return;
    }
    out->ended_us = clock_boot_us(wire->clock);
    if (reply.n > 0)
        listener_hear(&wire->listener, reply.bytes, reply.n, reply.heard_us);
    if (is_gone)
        return;
    out->verdict = verdict_without_answer(&wire->last, &reply);
    if (out->verdict == OUTCOME_WRONG_REPLY || out->verdict == OUTCOME_SILENT)
        out->stray += (uint32_t)reply.n;
}
