/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_pace.c - how many bytes may be with the broker unanswered (invariant 8 of deliver.h).
 *
 * Whatever is sent next waits behind them, `latest` too. So the limit follows how long answers take
 * beyond the shortest time seen, which is what waits in queues and not the way itself: it is halved
 * where that is above a second, and doubled where it (or its part in one message) was reached and
 * that is below a quarter; once a round trip, between one small message and what a fast link needs.
 * A target for the delay by one's own queue, and a shortest time that is forgotten after minutes
 * since ways change, are ideas of LEDBAT (RFC 6817, 2.4 and 3.4). A queue that never empties would
 * become part of the way in the end; so each time one is forgotten the limit is halved.
 */
#include "deliver_inside.h"

#define LIMIT_FIRST (32u * 1024u)
#define LIMIT_LEAST 8192u
#define AHEAD_FROM (64u * 1024u)
#define BATCH_PART 4 /* of the limit in one message: several are under way */
#define QUEUE_LONG_MS 1000
#define QUEUE_SHORT_MS 250
#define FORGET_MS (5 * 60 * 1000) /* twice that is looked back on */
#define LEAST_UNKNOWN INT64_MAX

void deliver_pace_begin(struct deliver *deliver, int64_t now_ms)
{
    deliver->pace = (struct pace){.limit = LIMIT_FIRST,
                                  .least_ms = LEAST_UNKNOWN,
                                  .least_before_ms = LEAST_UNKNOWN,
                                  .least_since_ms = now_ms,
                                  .changed_ms = now_ms};
}

static void set_limit(struct pace *pace, size_t limit, int64_t now_ms)
{
    const size_t before = pace->limit;
    pace->limit = limit < LIMIT_LEAST         ? LIMIT_LEAST
                  : limit > DELIVER_BYTES_MAX ? DELIVER_BYTES_MAX
                                              : limit;
    if (pace->limit != before) {
        pace->changed_ms = now_ms;
        pace->is_cut = false;
    }
}

void deliver_pace_take(struct deliver *deliver, const struct entry *entry, int64_t now_ms)
{
    struct pace *pace = &deliver->pace;
    const int64_t took_ms = now_ms > entry->since_ms ? now_ms - entry->since_ms : 0;
    if (now_ms - pace->least_since_ms > FORGET_MS) {
        pace->least_before_ms = pace->least_ms;
        pace->least_ms = LEAST_UNKNOWN;
        pace->least_since_ms = now_ms;
        set_limit(pace, pace->limit / 2, now_ms);
    }
    if (took_ms < pace->least_ms)
        pace->least_ms = took_ms;
    if (entry->since_ms < pace->changed_ms)
        return;
    const int64_t queued_ms =
        took_ms - (pace->least_before_ms < pace->least_ms ? pace->least_before_ms : pace->least_ms);
    if (queued_ms > QUEUE_LONG_MS)
        set_limit(pace, pace->limit / 2, now_ms);
    else if (queued_ms < QUEUE_SHORT_MS && (deliver->bytes >= pace->limit || pace->is_cut))
        set_limit(pace, pace->limit * 2, now_ms);
}

bool deliver_pace_is_fast(const struct deliver *deliver)
{
    return deliver->pace.limit >= AHEAD_FROM;
}

size_t deliver_batch_bytes(const struct deliver *deliver)
{
    const size_t part = deliver->pace.limit / BATCH_PART;
    return part > LIMIT_LEAST ? part : LIMIT_LEAST;
}
