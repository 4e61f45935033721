/* SPDX-License-Identifier: Apache-2.0
 *
 * exchange.c - one question on a line: ask, and hand over what came back with a verdict.
 *
 *   drain ─▶ send ─▶ read until answer or deadline ─▶ t3.5 of quiet ─▶ verdict
 *
 * Invariants: only read functions leave, and never to unit 0 on a serial line; nothing is read
 * without a deadline; every byte that is no part of the answer is counted and goes to the listener.
 */
#include "exchange.h"

#include <string.h>

#define DRAIN_LUMPS_MAX 64 /* of 256 bytes: more than a driver holds */

void wire_init(struct wire *wire, const struct line_plan *line, const struct up_clock *clock,
               const struct port *port)
{
    memset(wire, 0, sizeof *wire);
    wire->line = line;
    wire->clock = clock;
    wire->port = port;
    wire->is_rtu = line_speaks_rtu(line);
    wire->is_tcp = line->medium == LINE_MEDIUM_TCP;
    wire->quiet_us = wire->is_rtu ? line_quiet_us(line) : 0;
}

ssize_t wire_hear(struct wire *wire, int64_t deadline_us)
{
    uint8_t bytes[RTU_ADU_MAX];
    ssize_t n =
        wire->port->receive(wire->port->context, bytes, sizeof bytes, deadline_us, &wire->error);
    if (n > 0) {
        wire->active_us = clock_boot_us(wire->clock);
        listener_hear(&wire->listener, bytes, (size_t)n, wire->active_us);
    }
    return n;
}

ssize_t wire_drain(struct wire *wire)
{
    ssize_t sum = 0;
    for (int lump = 0; lump < DRAIN_LUMPS_MAX; lump++) {
        ssize_t n = wire_hear(wire, clock_boot_us(wire->clock));
        if (n < 0)
            return -1;
        if (n == 0)
            break;
        sum += n;
    }
    return sum;
}

/** The frame to send; 0 for what may not be asked. The unit of a serial line is 1 to 247: address 0
 * speaks to all and is never used. */
static size_t put_frame(struct wire *wire, uint8_t unit_id, const struct read_request *request,
                        uint8_t frame[static TCP_ADU_MAX])
{
    uint8_t pdu[PDU_MAX];
    size_t n = pdu_put_read(pdu, request);
    if (n == 0 || (wire->is_rtu && (unit_id == 0 || unit_id > 247)) ||
        wire->line->share_line == LINE_LISTENS)
        return 0;
    if (wire->is_rtu)
        return rtu_put_frame(frame, unit_id, pdu, n);
    wire->transaction++;
    return tcp_put_frame(frame, wire->transaction, unit_id, pdu, n);
}

static bool ask(struct wire *wire, uint8_t unit_id, const struct read_request *request,
                struct exchange *out)
{
    uint8_t frame[TCP_ADU_MAX];
    size_t n = put_frame(wire, unit_id, request, frame);
    if (n == 0) {
        up_fail(&wire->error, UP_E_RANGE, 0, __FILE__, __LINE__,
                "unit id %u, function %u, %u registers from %u is not a question that may be asked",
                unit_id, request->function, request->count, request->first);
        return false;
    }
    wire->last = (struct question){.asked = true, .unit_id = unit_id, .request = *request, .n = n};
    memcpy(wire->last.frame, frame, n < RTU_ADU_MAX ? n : RTU_ADU_MAX);
    out->sent_us = wire->last.sent_us = wire->active_us = clock_boot_us(wire->clock);
    wire->last.asleep_us = clock_asleep_us(wire->clock);
    if (wire->port->send(wire->port->context, frame, n, &wire->error) != UP_OK)
        return false;
    out->was_sent = true;
    return true;
}

/** Unasked bytes after the answer are waited out: the line must be quiet for t3.5 before anybody
 * may speak. */
static void wait_for_quiet(struct wire *wire, struct exchange *out)
{
    while (out->stray < 2 * RTU_ADU_MAX) {
        ssize_t n = wire_hear(wire, wire->active_us + wire->quiet_us);
        if (n <= 0)
            return; /* a port that vanished now is found by the next question; this answer holds */
        out->stray += (uint32_t)n;
    }
}

void exchange_run(struct wire *wire, uint8_t unit_id, const struct read_request *request,
                  struct exchange *out)
{
    memset(out, 0, sizeof *out);
    out->verdict = OUTCOME_PORT_GONE;
    ssize_t unasked = wire_drain(wire);
    if (unasked < 0)
        return;
    out->stray = (uint32_t)unasked;
    if (!ask(wire, unit_id, request, out))
        return;
    if (wire->is_rtu)
        exchange_read_serial(wire, out);
    else
        exchange_read_tcp(wire, out);
    struct sleep_watch sleep = {.seen_us = wire->last.asleep_us};
    if (sleep_watch_step(&sleep, clock_asleep_us(wire->clock)) > 0)
        out->verdict = OUTCOME_SILENT; /* the box slept: nobody knows how old this answer is */
    bool is_clean = out->verdict == OUTCOME_ANSWERED || out->verdict == OUTCOME_EXCEPTION;
    wire->last.answered = is_clean;
    wire->last.answered_us = out->ended_us;
    if (is_clean && wire->is_rtu)
        wait_for_quiet(wire, out);
}
