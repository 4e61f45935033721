/* SPDX-License-Identifier: Apache-2.0
 *
 * day_port.c - a line's port in the harness: requests go to virtual units at once, answers come
 * back at the line's pace on the day's clock.
 */
#include "day_inside.h"

#include "check.h"

#include "uphole/wire.h"

#include <stdlib.h>

static enum up_rc open_port(void *context, struct up_error *error)
{
    (void)error;
    struct day_port *port = context;
    port->is_open = true;
    return UP_OK;
}

static void close_port(void *context)
{
    struct day_port *port = context;
    port->is_open = false;
    port->n_flights = 0;
}

static int64_t character_us(const struct day_port *port)
{
    const struct line_plan *line = &port->day->plan->lines[port->line];
    return line->medium == LINE_MEDIUM_TCP
               ? 1
               : (int64_t)line_bits_per_character(line) * 1000000 / line->baud;
}

static void note_truth(struct day_unit *unit, int64_t now_ms)
{
    if (unit->n_truths == unit->room) {
        unit->room = unit->room == 0 ? 4096 : 2 * unit->room;
        unit->truths = realloc(unit->truths, unit->room * sizeof *unit->truths);
        assert_non_null(unit->truths);
    }
    struct day_truth *truth = &unit->truths[unit->n_truths++];
    truth->at_ms = now_ms;
    virtual_unit_truth(unit->unit, now_ms, &truth->truth);
}

/** The unit's answer as a frame of the line's kind; n 0: silence. */
static void ask_unit(struct day_port *port, const uint8_t *bytes, size_t n,
                     struct day_answer *answer)
{
    struct day *day = port->day;
    const bool tcp = day->plan->lines[port->line].medium == LINE_MEDIUM_TCP;
    const size_t head = tcp ? MBAP_SIZE : 1, tail = tcp ? 0 : 2;
    uint8_t pdu[PDU_MAX];
    if (n <= head + tail)
        return;
    const uint8_t unit_id = bytes[head - 1];
    struct day_unit *unit = day_find_unit(day, port->line, unit_id);
    day->counts.asked++;
    if (unit == NULL)
        return;
    const int64_t now_ms = day_unit_now_ms(day);
    const size_t m = virtual_unit_answer(unit->unit, now_ms, bytes + head, n - head - tail, pdu);
    note_truth(unit, now_ms);
    if (m == 0)
        return;
    day->counts.answered++;
    answer->n = tcp ? tcp_put_frame(answer->bytes, get_u16(bytes), unit_id, pdu, m)
                    : rtu_put_frame(answer->bytes, unit_id, pdu, m);
}

/** The rest of a flight's times follow from its first byte's. */
static void put_flight(struct day_port *port, const uint8_t *bytes, size_t n, int64_t first_us)
{
    assert_true(port->n_flights < DAY_ANSWERS_MAX);
    struct day_flight *flight = &port->flights[port->n_flights++];
    *flight = (struct day_flight){.n = n, .per_byte_us = character_us(port), .first_us = first_us};
    memcpy(flight->bytes, bytes, n);
}

void day_put_bytes(struct day *day, uint16_t line, const uint8_t *bytes, size_t n)
{
    struct day_port *port = &day->port_state[line];
    assert_true(n <= sizeof port->flights[0].bytes);
    if (port->is_open && port->n_flights < DAY_ANSWERS_MAX)
        put_flight(port, bytes, n, day->now_us + character_us(port));
}

void day_other_master(struct day *day, uint16_t line, uint8_t unit_id,
                      const struct read_request *request, day_harm harm, void *context)
{
    struct day_port *port = &day->port_state[line];
    struct day_answer answer = {.n = 0};
    uint8_t pdu[PDU_MAX], question[RTU_ADU_MAX];
    size_t n = rtu_put_frame(question, unit_id, pdu, pdu_put_read(pdu, request));
    const int64_t per_byte_us = character_us(port);
    const int64_t end_us = day->now_us + (int64_t)n * per_byte_us;
    const int64_t now_us = day->now_us;
    day->now_us = end_us; /* the unit reads its registers when it has the whole question */
    ask_unit(port, question, n, &answer);
    day->now_us = now_us;
    if (harm != NULL)
        harm(day, context, question, &n, &answer);
    if (!port->is_open)
        return;
    if (n > 0)
        put_flight(port, question, n, day->now_us + per_byte_us);
    if (answer.n > 0)
        put_flight(port, answer.bytes, answer.n,
                   end_us + line_quiet_us(&day->plan->lines[line]) + answer.delay_us + per_byte_us);
}

const struct line_counts *day_line(const struct day *day, uint16_t line)
{
    return line_totals(day->lines[line]);
}

static enum up_rc send_port(void *context, const uint8_t *bytes, size_t n, struct up_error *error)
{
    (void)error;
    struct day_port *port = context;
    struct day *day = port->day;
    struct day_answer answer = {.n = 0};
    if (day->plan->lines[port->line].share_line == LINE_LISTENS)
        fail_msg("%zu bytes were sent on a line that is only listened to", n);
    ask_unit(port, bytes, n, &answer);
    if (day->options.fault != NULL)
        day->options.fault(day, day->options.context, port->line, bytes, n, &answer);
    if (answer.n == 0)
        return UP_OK;
    const int64_t per_byte_us = character_us(port);
    const struct line_plan *line = &day->plan->lines[port->line];
    const int64_t quiet_us = line->medium == LINE_MEDIUM_TCP ? 500 : line_quiet_us(line);
    put_flight(port, answer.bytes, answer.n,
               day->now_us + (int64_t)n * per_byte_us + quiet_us + answer.delay_us + per_byte_us);
    return UP_OK;
}

/** Bytes of a flight that have arrived by `at_us`. */
static size_t arrived(const struct day_flight *flight, int64_t at_us)
{
    if (at_us < flight->first_us)
        return 0;
    const size_t n = 1 + (size_t)((at_us - flight->first_us) / flight->per_byte_us);
    return n < flight->n ? n : flight->n;
}

static ssize_t take(struct day_port *port, uint8_t *into, size_t room)
{
    size_t n = 0;
    for (size_t i = 0; i < port->n_flights && n < room; i++) {
        struct day_flight *flight = &port->flights[i];
        const size_t there = arrived(flight, port->day->now_us);
        for (; flight->taken < there && n < room; flight->taken++)
            into[n++] = flight->bytes[flight->taken];
    }
    size_t kept = 0;
    for (size_t i = 0; i < port->n_flights; i++)
        if (port->flights[i].taken < port->flights[i].n)
            port->flights[kept++] = port->flights[i];
    port->n_flights = kept;
    return (ssize_t)n;
}

static ssize_t receive_port(void *context, uint8_t *into, size_t room, int64_t deadline_us,
                            struct up_error *error)
{
    (void)error;
    struct day_port *port = context;
    struct day *day = port->day;
    const ssize_t there = take(port, into, room);
    if (there > 0)
        return there;
    int64_t next_us = deadline_us;
    for (size_t i = 0; i < port->n_flights; i++) {
        /* As a driver does: bytes come in a chunk, here what is left of the frame. */
        const struct day_flight *flight = &port->flights[i];
        const int64_t end_us = flight->first_us + (int64_t)(flight->n - 1) * flight->per_byte_us;
        if (end_us < next_us)
            next_us = end_us;
    }
    if (next_us > day->now_us)
        day->now_us = next_us;
    return take(port, into, room);
}

static void flush_port(void *context)
{
    uint8_t sink[64];
    while (take(context, sink, sizeof sink) > 0)
        continue;
}

static bool make_line(struct day *day, struct line_options *options, struct up_error *error)
{
    const uint16_t index = options->index;
    assert_true(index < DAY_LINES_MAX);
    day->port_state[index] = (struct day_port){.day = day, .line = index};
    day->ports[index] = (struct port){.open = open_port,
                                      .close = close_port,
                                      .send = send_port,
                                      .receive = receive_port,
                                      .flush = flush_port,
                                      .context = &day->port_state[index]};
    day->rings[index] = ring_create(day->options.ring_slots != 0 ? day->options.ring_slots : 256,
                                    sizeof(struct gathered));
    options->plan = day->plan;
    options->clock = &day->clock;
    options->port = &day->ports[index];
    options->ring = day->rings[index];
    options->wake_fd = -1;
    options->run = day->run;
    options->floor_utc_ms = day->floor_utc_ms;
    options->seed = (uint32_t)day->options.seed;
    day->lines[index] = line_create(options, error);
    day->line_next_us[index] = day->now_us;
    return day->lines[index] != NULL;
}

bool day_make_line(struct day *day, uint16_t index, const struct stamp *began,
                   struct up_error *error)
{
    struct line_options options = {.index = index, .grid_start_us = began->boot_ms * 1000};
    return make_line(day, &options, error);
}

bool day_make_line_anew(struct day *day, uint16_t index, const struct due_start *starts,
                        size_t n_starts, struct up_error *error)
{
    struct line_options options = {.index = index,
                                   .grid_start_us = day->began_ms[day->n_runs - 1] * 1000,
                                   .from_ms = day_now_ms(day) + 1,
                                   .starts = starts,
                                   .n_starts = n_starts};
    return make_line(day, &options, error);
}
