/* SPDX-License-Identifier: Apache-2.0
 *
 * reply_tcp.c - reads an answer from a TCP connection: header first, every field of it checked,
 * then the rest.
 *
 * The stock reader lets another unit, protocol number or length pass; here any of them, a wrong
 * transaction number or a byte too many ends the connection, which the caller does for each verdict
 * but an answer or an exception.
 */
#include "exchange.h"

#include "uphole/wire.h"

#include <string.h>

/** Whole length of the frame by its header; -1 where the header is not that of an answer to the
 * last question. */
static int frame_length(const struct wire *wire, const uint8_t *header)
{
    unsigned length = get_u16(header + 4);
    if (get_u16(header) != wire->transaction || get_u16(header + 2) != 0 ||
        header[6] != wire->last.unit_id || length < 3 || length > PDU_MAX + 1)
        return -1;
    return (int)length + MBAP_SIZE - 1;
}

static uint8_t verdict_of(struct wire *wire, const uint8_t *frame, size_t n, struct exchange *out)
{
    out->n = n - MBAP_SIZE;
    memcpy(out->pdu, frame + MBAP_SIZE, out->n);
    switch (pdu_check_answer(&wire->last.request, out->pdu, out->n, &out->exception)) {
    case ANSWER_MATCHES:
        return OUTCOME_ANSWERED;
    case ANSWER_EXCEPTION:
        return OUTCOME_EXCEPTION;
    case ANSWER_WRONG_FUNCTION:
    case ANSWER_WRONG_LENGTH:
        break;
    }
    return OUTCOME_WRONG_REPLY;
}

void exchange_read_tcp(struct wire *wire, struct exchange *out)
{
    uint8_t frame[TCP_ADU_MAX + 1]; /* one more: a byte too many is seen */
    size_t n = 0, whole = MBAP_SIZE;
    int64_t deadline_us = wire->last.sent_us + (int64_t)wire->line->response_timeout_ms * 1000;
    while (n < whole) {
        ssize_t got = wire->port->receive(wire->port->context, frame + n, sizeof frame - n,
                                          deadline_us, &wire->error);
        out->ended_us = clock_boot_us(wire->clock);
        if (got < 0)
            return; /* verdict stays PORT_GONE */
        if (got == 0) {
            out->verdict = n == 0 ? OUTCOME_SILENT : OUTCOME_CUT_SHORT;
            return;
        }
        n += (size_t)got;
        wire->active_us = out->ended_us;
        if (n < MBAP_SIZE)
            continue;
        int length = frame_length(wire, frame);
        if (length < 0 || n > (size_t)length) {
            out->verdict = OUTCOME_WRONG_REPLY;
            out->stray += (uint32_t)n;
            return;
        }
        whole = (size_t)length;
    }
    out->verdict = verdict_of(wire, frame, n, out);
    if (out->verdict == OUTCOME_WRONG_REPLY)
        out->stray += (uint32_t)n;
}
