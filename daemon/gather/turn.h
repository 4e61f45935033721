/* SPDX-License-Identifier: Apache-2.0
 *
 * turn.h - whose turn it is on a line: due times, skips, back-off (pure).
 *
 * Due n of a source is grid + n x period. Every due time ends in exactly one of two ways: claimed
 * by the scan that begins in [due n, due n + 1), or passed, when due n + 1 comes and nothing has
 * begun. `next` is the first one that has not ended.
 */
#ifndef UPHOLE_GATHER_TURN_H
#define UPHOLE_GATHER_TURN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct turn {
    int64_t grid_ms, period_ms; /* CLOCK_BOOTTIME; period > 0 */
    int64_t next;               /* first due that has not ended */
    int64_t waiting_since_ms;   /* first due since the last scan: what makes it urgent */
    int64_t not_before_us;      /* end of the back-off */
    uint64_t served;            /* order of its last scan, for round robin */
    uint32_t failed;            /* whole scans in a row without an answer */
    uint8_t down_after;
    bool is_active; /* its entry is valid now, and on this line */
};

/** Due times first..first + count - 1 that nothing served. */
struct passed {
    int64_t first_due_ms, last_due_ms;
    uint32_t count;
    bool in_back_off;
};

/** Starts a source's grid; its first due is the first one at or after `from_ms` (the grid's start,
 * for a new line). */
void turn_init(struct turn *turn, int64_t grid_ms, int64_t period_ms, int64_t from_ms,
               uint8_t down_after);
static inline int64_t turn_due_ms(const struct turn *turn, int64_t n)
{
    return turn->grid_ms + n * turn->period_ms;
}
/**
 * Takes out the oldest stretch of due times that ended unserved by `now_us`, with one cause; false
 * when there is none. Call until false. `until_now` takes a due that is still open as well, for an
 * orderly stop.
 */
bool turn_pass(struct turn *turn, int64_t now_us, bool until_now, struct passed *passed);
/** A due is open and the back-off is over. */
bool turn_is_ready(const struct turn *turn, int64_t now_us);
/** A due is open, back-off or not. */
bool turn_is_due(const struct turn *turn, int64_t now_us);
/** The scan that began at `begun_ms` takes its due; turn_pass has been called with that time.
 * Returns its index. */
int64_t turn_claim(struct turn *turn, int64_t begun_ms, uint64_t order);
static inline bool turn_is_down(const struct turn *turn)
{
    return turn->down_after > 0 && turn->failed >= turn->down_after;
}
/**
 * Result of a scan that ended at `now_us`. From `down_after` failed ones in a row the source backs
 * off: one period, then twice as long each time, at most max(60 s, 25 x probe_us), less up to 15 %
 * by `random` (any number). probe_us: response_timeout + rest.
 */
void turn_end(struct turn *turn, bool is_heard, int64_t now_us, int64_t probe_us, uint32_t random);
/** The ready source that waits longest, of equals the one served longest ago; -1: none. */
int turn_choose(const struct turn *turns, size_t n, int64_t now_us);
/** When the next source becomes ready or a due passes; INT64_MAX: never. */
int64_t turn_next_us(const struct turn *turns, size_t n, int64_t now_us);
/** When the next due passes unserved, if nothing begins before; INT64_MAX: never. */
int64_t turn_next_pass_us(const struct turn *turns, size_t n);

#endif
