/* SPDX-License-Identifier: Apache-2.0
 *
 * listen.c - finds frames in bytes that nobody here asked for (pure).
 *
 * Every offset is tried both ways, as a request and as an answer. An offset that looks like the
 * beginning of a longer frame holds nothing up: a whole frame further on is taken first, since its
 * checksum is evidence and a length byte of noise is none.
 */
#include "listen.h"

#include <string.h>

#define FORGET_US 2000000
#define FRAME_LEAST 4

void listener_hear(struct listener *listener, const uint8_t *bytes, size_t n, int64_t now_us)
{
    if (now_us - listener->heard_us > FORGET_US)
        listener->n = 0;
    listener->heard_us = now_us;
    if (n > LISTENER_ROOM) {
        bytes += n - LISTENER_ROOM;
        n = LISTENER_ROOM;
    }
    size_t over = listener->n + n > LISTENER_ROOM ? listener->n + n - LISTENER_ROOM : 0;
    if (over > 0) {
        memmove(listener->bytes, listener->bytes + over, listener->n - over);
        listener->n -= over;
    }
    memcpy(listener->bytes + listener->n, bytes, n);
    listener->n += n;
}

static bool is_frame(const uint8_t *bytes, size_t n, int length)
{
    return length >= FRAME_LEAST && length <= RTU_ADU_MAX && (size_t)length <= n &&
           rtu_crc_is_right(bytes, (size_t)length);
}

bool listener_next(struct listener *listener, struct heard_frame *frame)
{
    for (size_t at = 0; at + FRAME_LEAST <= listener->n; at++) {
        const uint8_t *bytes = listener->bytes + at;
        size_t left = listener->n - at;
        int request = rtu_request_length(bytes, left), answer = rtu_answer_length(bytes, left);
        frame->as_request = is_frame(bytes, left, request);
        frame->as_answer = is_frame(bytes, left, answer);
        if (!frame->as_request && !frame->as_answer)
            continue;
        frame->n = (size_t)(frame->as_answer ? answer : request);
        memcpy(frame->bytes, bytes, frame->n);
        listener->n = left - frame->n;
        memmove(listener->bytes, bytes + frame->n, listener->n);
        return true;
    }
    return false;
}
