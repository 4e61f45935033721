/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_inside.h - the state of one destination's delivery, shared by deliver.c (which row goes
 * next) and deliver_answer.c (what the broker said). Nobody else includes it.
 */
#ifndef UPHOLE_PUBLISH_DELIVER_INSIDE_H
#define UPHOLE_PUBLISH_DELIVER_INSIDE_H

#include "deliver.h"

#define WANT_AGAIN_MS 200 /* after a want that brought nothing, or not what it said */

enum entry_state { ENTRY_OUT = 1, ENTRY_ACCEPTED, ENTRY_REFUSED };

struct entry {
    uint16_t mid;
    uint16_t lane;
    uint8_t state;
    uint64_t first_pos, last_pos, last_seq;
    int64_t last_boot_ms, since_ms;
    size_t bytes;
};

struct lane {
    bool known;  /* its cursor came */
    bool proven; /* the newest answer was an acceptance */
    bool broken; /* one of its messages was refused: the rest of them settles, then it starts again
                    at the cursor */
    uint64_t accepted_pos, accepted_seq, handed_pos, newest_pos, refused_pos;
    int64_t accepted_boot_ms, not_before_ms;
    uint32_t back_off_ms;
    uint16_t under_way;
    uint8_t code, recovered_from;
    bool tell_accepted, tell_refused, tell_recovered;
};

enum want_phase { WANT_NONE = 0, WANT_ASKED, WANT_READY };

struct want_state {
    uint8_t phase;
    uint16_t lane;
    uint32_t serial;
    int64_t since_ms;
    bool off; /* what came is not in order: none of it is used */
    size_t received, head, n;
    uint64_t last_pos;
};

struct deliver {
    uint16_t n_lanes, window, n_entries, next_lane, next_event;
    bool connected, mid_twice;
    uint32_t random;
    size_t bytes;
    struct want_state want;
    struct entry entry[DELIVER_WINDOW_MAX];
    bool live[DELIVER_ROWS_MAX];
    struct record record[DELIVER_ROWS_MAX];
    struct gap gap[DELIVER_ROWS_MAX];
    struct lane lane[]; /* two a well: records, gaps */
};

static inline uint8_t deliver_stream_of(uint16_t lane)
{
    return lane % 2 == 0 ? DELIVER_RECORDS : DELIVER_GAPS;
}

static inline void deliver_drop_want(struct deliver *deliver)
{
    deliver->want.phase = WANT_NONE;
    deliver->want.head = deliver->want.n = 0;
}

/** The lane at `index` is refused from `pos` on: it rests, and starts again at its cursor once
 * nothing of it is out. */
void deliver_break_lane(struct deliver *deliver, uint16_t index, uint64_t pos, uint8_t code,
                        int64_t now_ms);

#endif
