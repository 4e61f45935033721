/* SPDX-License-Identifier: Apache-2.0
 *
 * reply.h - what came behind a question, judged by its bytes alone (pure): every byte is evidence.
 */
#ifndef UPHOLE_COMMISSION_REPLY_H
#define UPHOLE_COMMISSION_REPLY_H

#include "uphole/commission.h"

#define REPLY_ROOM 640

enum reply_kind {
    REPLY_SILENT = 0, /* no byte, or nothing but our own echo */
    REPLY_ANSWER,     /* data in place */
    REPLY_EXCEPTION,
    REPLY_OTHER,        /* a whole frame of another unit, or to another question */
    REPLY_CUT,          /* begins as the answer and ends early */
    REPLY_BAD_CHECKSUM, /* begins as the answer, as long as it, and the checksum is wrong */
    REPLY_GARBAGE       /* bytes that make no frame */
};

/** A question as it was sent. function 1 to 4: `request`; MODBUS_ENCAPSULATED: identification. */
struct asked {
    bool is_rtu;
    uint8_t unit_id, function;
    uint16_t transaction;
    struct read_request request;
    size_t n;
    uint8_t frame[TCP_ADU_MAX];
};
struct reply {
    uint8_t kind; /* enum reply_kind */
    uint8_t unit_id, exception;
    bool is_echoed,
        is_inverted;      /* inverted: the bytes make a frame when all their bits are turned */
    size_t stray;         /* bytes of no frame */
    unsigned zeros, ones; /* 00 and FF among them */
    size_t n;             /* of the PDU */
    uint8_t pdu[PDU_MAX];
};

/** Writes the frame of a read; 0 and no frame for what may not be asked (a write can't be said
 * here). */
size_t asked_put_read(struct asked *asked, bool is_rtu, uint16_t transaction, uint8_t unit_id,
                      const struct read_request *request);
/** The same for device identification (2B/0E): code 1, from `object` on. */
size_t asked_put_identify(struct asked *asked, bool is_rtu, uint16_t transaction, uint8_t unit_id,
                          uint8_t object);
/** Judges all that came. */
void reply_judge(const struct asked *asked, const uint8_t *bytes, size_t n, struct reply *out);
/** Length of the longest answer to it, frame and all. */
size_t asked_longest_answer(const struct asked *asked);

#endif
