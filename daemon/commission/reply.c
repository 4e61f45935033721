/* SPDX-License-Identifier: Apache-2.0
 *
 * reply.c - see reply.h. An answer is taken only where unit, function, byte count and checksum (on
 * TCP the whole header) are right; it may stand behind our own echo and stray bytes.
 */
#include "reply.h"

#include "uphole/wire.h"

#include <string.h>

#define FRAME_LEAST 5
#define EXCEPTION_FRAME 5
#define IDENTIFY_CODE_BASIC 1
#define MEI_IDENTIFY 0x0E
#define IDENTIFY_PDU_LEAST 7

static size_t close_frame(struct asked *asked, const uint8_t *pdu, size_t n)
{
    if (n == 0 || (asked->is_rtu && (asked->unit_id == 0 || asked->unit_id > 247))) {
        asked->n = 0;
        return 0;
    }
    asked->n = asked->is_rtu
                   ? rtu_put_frame(asked->frame, asked->unit_id, pdu, n)
                   : tcp_put_frame(asked->frame, asked->transaction, asked->unit_id, pdu, n);
    return asked->n;
}

size_t asked_put_read(struct asked *asked, bool is_rtu, uint16_t transaction, uint8_t unit_id,
                      const struct read_request *request)
{
    uint8_t pdu[PDU_MAX];
    *asked = (struct asked){.is_rtu = is_rtu,
                            .unit_id = unit_id,
                            .function = request->function,
                            .transaction = transaction,
                            .request = *request};
    return close_frame(asked, pdu, pdu_put_read(pdu, request));
}

size_t asked_put_identify(struct asked *asked, bool is_rtu, uint16_t transaction, uint8_t unit_id,
                          uint8_t object)
{
    uint8_t pdu[PDU_MAX];
    *asked = (struct asked){.is_rtu = is_rtu,
                            .unit_id = unit_id,
                            .function = MODBUS_ENCAPSULATED,
                            .transaction = transaction};
    return close_frame(asked, pdu, pdu_put_identify(pdu, IDENTIFY_CODE_BASIC, object));
}

size_t asked_longest_answer(const struct asked *asked)
{
    if (asked->function == MODBUS_ENCAPSULATED)
        return RTU_ADU_MAX;
    return pdu_answer_length(&asked->request) + (asked->is_rtu ? 3 : MBAP_SIZE);
}

/** What a whole PDU is to the question. */
static uint8_t kind_of_pdu(const struct asked *asked, const uint8_t *pdu, size_t n,
                           uint8_t *exception)
{
    if (asked->function != MODBUS_ENCAPSULATED)
        switch (pdu_check_answer(&asked->request, pdu, n, exception)) {
        case ANSWER_MATCHES:
            return REPLY_ANSWER;
        case ANSWER_EXCEPTION:
            return REPLY_EXCEPTION;
        case ANSWER_WRONG_FUNCTION:
        case ANSWER_WRONG_LENGTH:
            return REPLY_OTHER;
        }
    if (n == 2 && pdu[0] == (MODBUS_ENCAPSULATED | 0x80)) {
        *exception = pdu[1];
        return REPLY_EXCEPTION;
    }
    const bool is_whole =
        n >= IDENTIFY_PDU_LEAST && pdu[0] == MODBUS_ENCAPSULATED && pdu[1] == MEI_IDENTIFY;
    return is_whole ? REPLY_ANSWER : REPLY_OTHER;
}

static void take(const struct asked *asked, uint8_t unit_id, const uint8_t *pdu, size_t n,
                 struct reply *out)
{
    uint8_t exception = 0;
    const uint8_t kind =
        unit_id == asked->unit_id ? kind_of_pdu(asked, pdu, n, &exception) : REPLY_OTHER;
    if (out->kind == REPLY_ANSWER || out->kind == REPLY_EXCEPTION)
        return; /* the first that fits */
    out->kind = kind;
    out->unit_id = unit_id;
    out->exception = exception;
    out->n = n;
    memcpy(out->pdu, pdu, n);
}

/* ---- RTU ---- */

static int whole_frame(const uint8_t *at, size_t left)
{
    const int length = rtu_answer_length(at, left);
    return length >= FRAME_LEAST && (size_t)length <= left && rtu_crc_is_right(at, (size_t)length)
               ? length
               : 0;
}

static bool is_inverted(const uint8_t *bytes, size_t n)
{
    uint8_t turned[REPLY_ROOM];
    for (size_t i = 0; i < n; i++)
        turned[i] = (uint8_t)~bytes[i];
    for (size_t at = 0; at + FRAME_LEAST <= n; at++)
        if (whole_frame(turned + at, n - at) > 0)
            return true;
    return false;
}

/** Bytes that are no whole frame: do they begin as the answer? */
static uint8_t kind_of_rest(const struct asked *asked, const uint8_t *bytes, size_t n)
{
    for (size_t at = 0; at + 1 < n; at++) {
        if (bytes[at] != asked->unit_id || (bytes[at + 1] & 0x7F) != asked->function)
            continue;
        const size_t left = n - at;
        size_t whole = (bytes[at + 1] & 0x80) != 0 ? EXCEPTION_FRAME : asked_longest_answer(asked);
        if (asked->function == MODBUS_ENCAPSULATED) {
            const int length = rtu_answer_length(bytes + at, left);
            whole = length > 0 ? (size_t)length : left + 1;
        }
        return left < whole ? REPLY_CUT : REPLY_BAD_CHECKSUM;
    }
    return n == 0 ? REPLY_SILENT : REPLY_GARBAGE;
}

static void count_stray(struct reply *out, uint8_t byte)
{
    out->stray++;
    out->zeros += byte == 0x00;
    out->ones += byte == 0xFF;
}

static void judge_rtu(const struct asked *asked, const uint8_t *bytes, size_t n, struct reply *out)
{
    size_t rest = 0;
    uint8_t left_over[REPLY_ROOM];
    for (size_t at = 0; at < n;) {
        if (!out->is_echoed && n - at >= asked->n &&
            memcmp(bytes + at, asked->frame, asked->n) == 0) {
            out->is_echoed = true;
            at += asked->n;
            continue;
        }
        const int length = n - at >= FRAME_LEAST ? whole_frame(bytes + at, n - at) : 0;
        if (length > 0) {
            take(asked, bytes[at], bytes + at + 1, (size_t)length - 3, out);
            at += (size_t)length;
            continue;
        }
        count_stray(out, bytes[at]);
        left_over[rest++] = bytes[at++];
    }
    out->is_inverted = is_inverted(left_over, rest);
    if (out->kind == REPLY_SILENT)
        out->kind = kind_of_rest(asked, left_over, rest);
}

/* ---- TCP ---- */

static void judge_tcp(const struct asked *asked, const uint8_t *bytes, size_t n, struct reply *out)
{
    size_t at = 0;
    while (n - at > MBAP_SIZE) {
        const uint8_t *head = bytes + at;
        const size_t length = get_u16(head + 4);
        if (get_u16(head + 2) != 0 || length < 3 || length > PDU_MAX + 1)
            break;
        if (length + MBAP_SIZE - 1 > n - at) {
            out->kind = out->kind == REPLY_SILENT ? REPLY_CUT : out->kind;
            return;
        }
        const bool is_ours = get_u16(head) == asked->transaction;
        struct reply before = *out;
        take(asked, head[6], head + MBAP_SIZE, length - 1, out);
        if (!is_ours && before.kind != REPLY_ANSWER && before.kind != REPLY_EXCEPTION)
            out->kind = REPLY_OTHER; /* late: of an earlier question */
        at += length + MBAP_SIZE - 1;
    }
    for (size_t i = at; i < n; i++)
        count_stray(out, bytes[i]);
    if (out->kind == REPLY_SILENT && n > 0)
        out->kind = n <= MBAP_SIZE ? REPLY_CUT : REPLY_GARBAGE;
}

void reply_judge(const struct asked *asked, const uint8_t *bytes, size_t n, struct reply *out)
{
    memset(out, 0, sizeof *out);
    if (n > REPLY_ROOM)
        n = REPLY_ROOM;
    if (asked->is_rtu)
        judge_rtu(asked, bytes, n, out);
    else
        judge_tcp(asked, bytes, n, out);
}
