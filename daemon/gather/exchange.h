/* SPDX-License-Identifier: Apache-2.0
 *
 * exchange.h - one question on a line and what came back: ask, read with a deadline, check every
 * byte, wait for quiet.
 */
#ifndef UPHOLE_GATHER_EXCHANGE_H
#define UPHOLE_GATHER_EXCHANGE_H

#include "listen.h"

#include "uphole/gather.h"

/** The question asked last: what a late answer is recognised by. */
struct question {
    bool asked, answered;
    uint8_t unit_id;
    struct read_request request;
    int64_t sent_us, asleep_us; /* when, and how long the box had slept in this boot by then */
    int64_t answered_us;        /* where answered */
    size_t n;
    uint8_t frame[RTU_ADU_MAX]; /* as sent on a serial line, to know its echo */
};

/** A line's end of the wire. Everything but the port, line and clock is this file's own. */
struct wire {
    const struct line_plan *line;
    const struct up_clock *clock;
    const struct port *port;
    int64_t quiet_us; /* t3.5 */
    bool is_rtu; /* RTU frames: a serial line, or a serial device server behind a TCP connection */
    bool is_tcp; /* a TCP connection, whatever its frames */
    uint16_t transaction;
    int64_t active_us; /* when the last byte was sent or heard */
    struct question last;
    struct listener listener; /* of bytes that nobody asked for */
    struct up_error error;    /* why the port is gone */
};

/** What came of one question. */
struct exchange {
    uint8_t verdict; /* enum outcome: ANSWERED, EXCEPTION (any code), SILENT, CUT_SHORT,
                        BAD_CHECKSUM, WRONG_REPLY, PORT_GONE */
    uint8_t exception;
    bool was_sent;
    bool is_echoed;            /* what came began with our own request */
    uint32_t stray;            /* bytes before, around and after the answer that nobody asked for */
    int64_t sent_us, ended_us; /* start of the request, end of the answer */
    size_t n;                  /* of the answer's PDU */
    uint8_t pdu[PDU_MAX];
};

void wire_init(struct wire *wire, const struct line_plan *line, const struct up_clock *clock,
               const struct port *port);
/** Asks and waits for the answer: at most response_timeout to its first byte, its wire time more to
 * its last, and t3.5 of quiet. */
void exchange_run(struct wire *wire, uint8_t unit_id, const struct read_request *request,
                  struct exchange *out);
/** Reads what came unasked until `deadline_us` or the first lump, into the listener. Bytes read; -1
 * port gone. */
ssize_t wire_hear(struct wire *wire, int64_t deadline_us);
/** Empties the port without waiting; returns the bytes dropped into the listener, -1 port gone. */
ssize_t wire_drain(struct wire *wire);

/* one of the two ways to read an answer; private to exchange.c */
void exchange_read_serial(struct wire *wire, struct exchange *out);
void exchange_read_tcp(struct wire *wire, struct exchange *out);

#endif
