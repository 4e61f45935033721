/* SPDX-License-Identifier: Apache-2.0
 *
 * exchange.c - frames in, answers out. A unit on a serial line is silent to broadcasts, to other
 * units' numbers and to frames whose checksum is wrong. Source: Modbus over Serial Line
 * V1.02, 2.4.1 and 2.5.1; Modbus Messaging on TCP/IP V1.0b, 3.1.3.
 */
#include <string.h>

#include "line.h"
#include "uphole/wire.h"

int64_t exchange_ready_us(const struct virtual_line *line, unsigned connection)
{
    const struct receiving *in = &line->in[connection];
    if (!line->is_serial || in->n == 0)
        return NEVER;
    int64_t on_wire_us = in->first_us + (int64_t)((double)in->n * line->character_us + 0.5);
    return (on_wire_us > in->last_us ? on_wire_us : in->last_us) + line->quiet_us;
}

static struct virtual_unit *unit_of(const struct virtual_line *line, uint8_t unit_id)
{
    for (unsigned i = 0; i < line->options->n_units; i++)
        if (virtual_unit_id(line->unit[i]) == unit_id)
            return line->unit[i];
    bool to_the_one =
        !line->is_serial && line->options->n_units == 1 && (unit_id == 0 || unit_id == 255);
    return to_the_one ? line->unit[0] : NULL;
}

static void answer(struct virtual_line *line, struct exchange *exchange, int64_t at_us)
{
    struct virtual_unit *unit = unit_of(line, exchange->unit_id);
    if (!unit) {
        line->counts.other_units++;
        if (line->is_serial)
            return;
        exchange->pdu[0] =
            (uint8_t)(exchange->request[0] |
                      0x80); /* the converter answers for the unit that isn't there */
        exchange->pdu[1] = line->options->missing_exception ? line->options->missing_exception
                                                            : MODBUS_TARGET_SILENT;
        exchange->n = 2;
    } else {
        line->counts.requests++;
        line->last_unit_id = exchange->unit_id;
        memcpy(line->last_request, exchange->request,
               exchange->request_n < PDU_MAX ? exchange->request_n : PDU_MAX);
        exchange->n = virtual_unit_answer(unit, line_unit_ms(at_us), exchange->request,
                                          exchange->request_n, exchange->pdu);
    }
    if (exchange->n)
        inject_and_queue(line, exchange, at_us + line->options->reply_delay_us);
}

static void take_serial(struct virtual_line *line, int64_t at_us)
{
    struct receiving *in = &line->in[0];
    size_t n = in->n;
    in->n = 0;
    if (in->collided || n < 4 || n > RTU_ADU_MAX || !rtu_crc_is_right(in->bytes, n)) {
        line->counts.bad_frames++;
        return;
    }
    if (in->bytes[0] == 0)
        return; /* a broadcast is never answered */
    struct exchange exchange = {
        .unit_id = in->bytes[0], .request = in->bytes + 1, .request_n = n - 3};
    answer(line, &exchange, at_us);
}

static void take_tcp(struct virtual_line *line, unsigned connection, int64_t at_us)
{
    struct receiving *in = &line->in[connection];
    while (in->n >= MBAP_SIZE + 1) {
        size_t length = get_u16(in->bytes + 4);
        if (get_u16(in->bytes + 2) != 0 || length < 2 || length > PDU_MAX + 1) {
            line->counts.bad_frames++;
            in->n = 0; /* out of step for good: what came is dropped */
            return;
        }
        if (in->n < 6 + length)
            return;
        struct exchange exchange = {.connection = connection,
                                    .transaction = get_u16(in->bytes),
                                    .unit_id = in->bytes[6],
                                    .request = in->bytes + MBAP_SIZE,
                                    .request_n = length - 1};
        answer(line, &exchange, at_us);
        in->n -= 6 + length;
        memmove(in->bytes, in->bytes + 6 + length, in->n);
    }
}

void exchange_take(struct virtual_line *line, unsigned connection, int64_t at_us)
{
    if (line->is_serial)
        take_serial(line, at_us);
    else
        take_tcp(line, connection, at_us);
}

/* A question of another master leaves, and its answer behind it. */
static void queue_foreign(struct virtual_line *line, int64_t at_us, uint8_t unit_id,
                          const uint8_t *pdu)
{
    uint8_t frame[RTU_ADU_MAX], answer_pdu[PDU_MAX];
    size_t n = rtu_put_frame(frame, unit_id, pdu, 5);
    line->queues_foreign = true;
    line_queue(line, 0, at_us, frame, n);
    line->counts.foreign_exchanges++;
    struct virtual_unit *unit = unit_of(line, unit_id);
    size_t answer_n = unit ? virtual_unit_answer(unit, line_unit_ms(at_us), pdu, 5, answer_pdu) : 0;
    if (answer_n) {
        int64_t asked_us = at_us + (int64_t)((double)n * line->character_us + 0.5);
        n = rtu_put_frame(frame, unit_id, answer_pdu, answer_n);
        line_queue(line, 0, asked_us + line->quiet_us + line->options->reply_delay_us, frame, n);
    }
    line->queues_foreign = false;
}

/* The other master asks like ours did last, only elsewhere: equal unit, function and length are
 * what can be mistaken. */
void exchange_foreign(struct virtual_line *line, int64_t at_us)
{
    uint8_t pdu[PDU_MAX] = {MODBUS_READ_HOLDING_REGISTERS, 0, 0, 0, 2};
    uint8_t unit_id = line->last_unit_id;
    if (unit_id == 0 && line->options->n_units)
        unit_id = virtual_unit_id(line->unit[0]);
    if (line->last_unit_id && line->last_request[0] >= 1 && line->last_request[0] <= 4)
        memcpy(pdu, line->last_request, 5);
    uint16_t first = get_u16(pdu + 1);
    line->foreign_serial++;
    put_u16(pdu + 1, (uint16_t)(line->foreign_serial % 2 && first ? first - 1 : first + 1));
    queue_foreign(line, at_us, unit_id, pdu);
}

void exchange_controller(struct virtual_line *line, int64_t at_us)
{
    const struct simulate_controller *controller = &line->options->controller;
    uint8_t pdu[PDU_MAX];
    (void)pdu_put_read(pdu, &controller->question[line->controller_turn]);
    queue_foreign(line, at_us, controller->unit_id, pdu);
}
