/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_want.c - what is asked for, and which of two wants is handed over (invariants:
 * deliver.h).
 *
 * While rows of one want are written and sent, the well side reads and measures those of the next:
 * the want behind. It is asked only for a lane that is behind, on a link that is fast, without a
 * limit on late rows; so live rows never wait for it.
 */
#include "deliver_inside.h"

struct wanted *deliver_asked(struct deliver *deliver)
{
    for (int i = 0; i < 2; i++)
        if (deliver->wanted[i].phase == WANT_ASKED)
            return &deliver->wanted[i];
    return NULL;
}

static void clear(struct wanted *wanted)
{
    wanted->phase = WANT_NONE;
    wanted->head = wanted->n = 0;
}

void deliver_drop(struct deliver *deliver, struct wanted *wanted)
{
    clear(wanted);
    struct wanted *behind = deliver_behind(deliver);
    if (wanted == behind || behind->phase == WANT_NONE)
        return;
    deliver->front = !deliver->front;
    if (behind->after != deliver->lane[behind->lane].handed_pos)
        clear(behind); /* what it follows was not handed over after all */
}

void deliver_drop_lane(struct deliver *deliver, uint16_t index)
{
    struct wanted *behind = deliver_behind(deliver), *front = deliver_front(deliver);
    if (behind->phase != WANT_NONE && behind->lane == index)
        clear(behind);
    if (front->phase != WANT_NONE && front->lane == index)
        deliver_drop(deliver, front);
}

void deliver_drop_all(struct deliver *deliver)
{
    clear(&deliver->wanted[0]);
    clear(&deliver->wanted[1]);
}

/* ---- which lane ---- */

static bool lane_has_rows(const struct lane *lane, int64_t now_ms)
{
    return lane->known && !lane->broken && lane->newest_pos > lane->handed_pos &&
           now_ms >= lane->not_before_ms;
}

static bool lane_is_ready(const struct lane *lane, int64_t now_ms)
{
    return lane_has_rows(lane, now_ms) &&
           ((lane->proven && lane->order == 0) || lane->under_way == 0);
}

/* The next lane of records or gaps in its turn, else the first of an order that may go; n_lanes:
 * none. */
static uint16_t lane_to_ask(const struct deliver *deliver, int64_t now_ms)
{
    for (uint16_t i = 0; i < deliver->n_lanes; i++) {
        uint16_t index = (uint16_t)((deliver->next_lane + i) % deliver->n_lanes);
        if (!deliver_is_order(index) && lane_is_ready(&deliver->lane[index], now_ms) &&
            deliver_rate_lets(deliver, index))
            return index;
    }
    for (uint16_t index = 0; index < deliver->n_lanes; index++)
        if (!deliver_is_order(index) && lane_has_rows(&deliver->lane[index], now_ms))
            return deliver->n_lanes; /* it waits for an answer, or its share: it comes first */
    for (uint16_t index = 0; index < deliver->n_lanes; index++)
        if (deliver_is_order(index) && lane_is_ready(&deliver->lane[index], now_ms) &&
            deliver_order_may_go(deliver, index) && deliver_rate_lets(deliver, index))
            return index;
    return deliver->n_lanes;
}

/* Behind what will have been handed over once the rows at hand are. */
static uint64_t position_ahead(const struct deliver *deliver, uint16_t index)
{
    const struct wanted *front = &deliver->wanted[deliver->front];
    return front->phase == WANT_READY && front->lane == index ? front->last_pos
                                                              : deliver->lane[index].handed_pos;
}

/* The next lane that is behind, while rows are at hand; n_lanes: none. */
static uint16_t lane_to_ask_ahead(const struct deliver *deliver, int64_t now_ms)
{
    const struct wanted *front = &deliver->wanted[deliver->front];
    if (front->phase != WANT_READY || deliver_is_order(front->lane) || deliver->rate != 0 ||
        deliver->wanted[!deliver->front].phase != WANT_NONE || !deliver_pace_is_fast(deliver))
        return deliver->n_lanes;
    for (uint16_t i = 0; i < deliver->n_lanes; i++) {
        const uint16_t index = (uint16_t)((deliver->next_lane + i) % deliver->n_lanes);
        const struct lane *lane = &deliver->lane[index];
        if (!deliver_is_order(index) && lane->late && lane->proven && lane->known &&
            !lane->broken && now_ms >= lane->not_before_ms &&
            lane->newest_pos > position_ahead(deliver, index))
            return index;
    }
    return deliver->n_lanes;
}

static void ask(struct deliver *deliver, struct wanted *wanted, uint16_t index, int64_t now_ms,
                struct wall_want *want)
{
    const struct lane *lane = &deliver->lane[index];
    wanted->phase = WANT_ASKED;
    wanted->lane = index;
    wanted->serial = ++deliver->serial;
    wanted->since_ms = now_ms;
    wanted->off = false;
    wanted->received = wanted->head = wanted->n = 0;
    wanted->after = wanted->last_pos = position_ahead(deliver, index);
    if (!deliver_is_order(index))
        deliver->next_lane = (uint16_t)((index + 1) % deliver->n_lanes);
    const uint16_t most = deliver_rate_rows(deliver);
    const bool is_behind = lane->late || deliver_is_order(index);
    *want = (struct wall_want){.stream = deliver_stream_of(index),
                               .serial = wanted->serial,
                               .after = wanted->after,
                               .n = is_behind && most > 0 ? most : DELIVER_ROWS_MAX,
                               .order = lane->order};
}

bool deliver_next_want(struct deliver *deliver, int64_t now_ms, uint16_t *well,
                       struct wall_want *want)
{
    struct wanted *asked = deliver_asked(deliver);
    if (asked != NULL && now_ms - asked->since_ms > DELIVER_WANT_TIMEOUT_MS)
        deliver_drop(deliver, asked);
    else if (asked != NULL)
        return false;
    deliver_refill(deliver, now_ms);
    deliver_rate_yield(deliver);
    if (!deliver->connected)
        return false;
    struct wanted *front = deliver_front(deliver);
    const bool yields = front->phase == WANT_READY && deliver_is_order(front->lane) &&
                        deliver->lane[front->lane].under_way > 0;
    uint16_t index = deliver->n_lanes;
    if ((front->phase == WANT_NONE || yields) && deliver->n_entries < deliver->window)
        index = lane_to_ask(deliver, now_ms);
    else if (front->phase == WANT_READY)
        index = lane_to_ask_ahead(deliver, now_ms);
    if (index >= deliver->n_lanes || (yields && deliver_is_order(index)))
        return false;
    if (yields)
        deliver_drop(deliver, front);
    front = deliver_front(deliver);
    *well = index / DELIVER_STREAMS;
    ask(deliver, front->phase == WANT_NONE ? front : deliver_behind(deliver), index, now_ms, want);
    return true;
}
