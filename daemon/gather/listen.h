/* SPDX-License-Identifier: Apache-2.0
 *
 * listen.h - what is said on the pair that nobody here asked for: frames found by length and
 * checksum in a run of bytes (pure).
 *
 * Bytes come in lumps (converters group them), so gaps can't mark frames; a frame is what measures
 * right and has a right checksum.
 */
#ifndef UPHOLE_GATHER_LISTEN_H
#define UPHOLE_GATHER_LISTEN_H

#include "uphole/pdu.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define LISTENER_ROOM (2 * RTU_ADU_MAX)

struct listener {
    size_t n;
    int64_t heard_us; /* when the newest byte came */
    uint8_t bytes[LISTENER_ROOM];
};

/** A frame that was heard: `bytes` includes unit id and checksum. A frame may measure right both
 * ways. */
struct heard_frame {
    size_t n;
    bool as_request, as_answer;
    uint8_t bytes[RTU_ADU_MAX];
};

/** Adds bytes; what was left from more than two seconds ago is dropped first, and the oldest where
 * the room ends. */
void listener_hear(struct listener *listener, const uint8_t *bytes, size_t n, int64_t now_us);
/** Takes out the next whole frame, with whatever stood before it; false when there is none yet. */
bool listener_next(struct listener *listener, struct heard_frame *frame);

#endif
