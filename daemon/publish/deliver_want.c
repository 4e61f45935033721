/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_want.c - what is asked for, and whose rows are handed over (invariants:
 * deliver.h).
 *
 * While rows of one want are written and sent, the well side reads and measures those of the next
 * ones, of other lanes or of the same one behind them. Those are asked for only where a lane is
 * behind, on a link that is fast, without a limit on late rows; so live rows never wait for them.
 */
#include "deliver_inside.h"

struct wanted *deliver_asked(struct deliver *deliver, uint32_t serial)
{
    for (unsigned i = 0; i < deliver->n_wanted; i++) {
        struct wanted *wanted = deliver_wanted(deliver, i);
        if (wanted->phase == WANT_ASKED && wanted->serial == serial)
            return wanted;
    }
    return NULL;
}

static unsigned count_asked(const struct deliver *deliver)
{
    unsigned n = 0;
    for (unsigned i = 0; i < WANTS_MAX; i++)
        n += deliver->wanted[i].phase == WANT_ASKED;
    return n;
}

static void clear(struct wanted *wanted)
{
    wanted->phase = WANT_NONE;
    wanted->head = wanted->n = 0;
}

/* The front is one that is in use: those before it are done. */
static void come_to_front(struct deliver *deliver)
{
    while (deliver->n_wanted > 0 && deliver_front(deliver)->phase == WANT_NONE) {
        deliver->front = (uint8_t)((deliver->front + 1) % WANTS_MAX);
        deliver->n_wanted--;
        struct wanted *front = deliver_front(deliver);
        if (deliver->n_wanted > 0 && front->phase != WANT_NONE &&
            front->after != deliver->lane[front->lane].handed_pos)
            clear(front); /* what it follows was not handed over after all */
    }
}

void deliver_drop(struct deliver *deliver, struct wanted *wanted)
{
    clear(wanted);
    come_to_front(deliver);
}

void deliver_drop_lane(struct deliver *deliver, uint16_t index)
{
    for (unsigned i = 0; i < WANTS_MAX; i++)
        if (deliver->wanted[i].phase != WANT_NONE && deliver->wanted[i].lane == index)
            clear(&deliver->wanted[i]);
    come_to_front(deliver);
}

void deliver_drop_asked(struct deliver *deliver)
{
    for (unsigned i = 0; i < WANTS_MAX; i++)
        if (deliver->wanted[i].phase == WANT_ASKED)
            clear(&deliver->wanted[i]);
    come_to_front(deliver);
}

void deliver_drop_all(struct deliver *deliver)
{
    for (unsigned i = 0; i < WANTS_MAX; i++)
        clear(&deliver->wanted[i]);
    deliver->n_wanted = 0;
}

static void drop_late_answers(struct deliver *deliver, int64_t now_ms)
{
    for (unsigned i = 0; i < WANTS_MAX; i++) {
        struct wanted *wanted = &deliver->wanted[i];
        if (wanted->phase == WANT_ASKED && now_ms - wanted->since_ms > DELIVER_WANT_TIMEOUT_MS)
            clear(wanted);
    }
    come_to_front(deliver);
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

/* Where a lane is asked behind: what will have been handed over once the rows at hand are. False:
 * that is not known yet. */
static bool position_ahead(const struct deliver *deliver, uint16_t index, uint64_t *after)
{
    *after = deliver->lane[index].handed_pos;
    for (unsigned i = 0; i < deliver->n_wanted; i++) {
        const struct wanted *wanted = &deliver->wanted[(deliver->front + i) % WANTS_MAX];
        if (wanted->phase == WANT_NONE || wanted->lane != index)
            continue;
        if (wanted->phase == WANT_ASKED)
            return false;
        *after = wanted->last_pos;
    }
    return true;
}

/* The next lane that is behind, while rows are at hand or on their way; n_lanes: none. */
static uint16_t lane_to_ask_ahead(const struct deliver *deliver, int64_t now_ms)
{
    const struct wanted *front = &deliver->wanted[deliver->front];
    if (deliver->n_wanted == WANTS_MAX || deliver_is_order(front->lane) || deliver->rate != 0 ||
        !deliver_pace_is_fast(deliver))
        return deliver->n_lanes;
    for (uint16_t i = 0; i < deliver->n_lanes; i++) {
        const uint16_t index = (uint16_t)((deliver->next_lane + i) % deliver->n_lanes);
        const struct lane *lane = &deliver->lane[index];
        uint64_t after;
        if (!deliver_is_order(index) && lane->late && lane->proven && lane->known &&
            !lane->broken && now_ms >= lane->not_before_ms &&
            position_ahead(deliver, index, &after) && lane->newest_pos > after)
            return index;
    }
    return deliver->n_lanes;
}

static void ask(struct deliver *deliver, uint16_t index, int64_t now_ms, struct wall_want *want)
{
    const struct lane *lane = &deliver->lane[index];
    struct wanted *wanted = deliver_wanted(deliver, deliver->n_wanted);
    uint64_t after;
    (void)position_ahead(deliver, index, &after);
    deliver->n_wanted++;
    wanted->phase = WANT_ASKED;
    wanted->lane = index;
    wanted->serial = ++deliver->serial;
    wanted->since_ms = now_ms;
    wanted->off = false;
    wanted->received = wanted->head = wanted->n = 0;
    wanted->after = wanted->last_pos = after;
    if (!deliver_is_order(index))
        deliver->next_lane = (uint16_t)((index + 1) % deliver->n_lanes);
    const uint16_t most = deliver_rate_rows(deliver);
    const bool is_behind = lane->late || deliver_is_order(index);
    *want = (struct wall_want){.stream = deliver_stream_of(index),
                               .serial = wanted->serial,
                               .after = after,
                               .n = is_behind && most > 0 ? most : DELIVER_ROWS_MAX,
                               .order = lane->order};
}

bool deliver_next_want(struct deliver *deliver, int64_t now_ms, uint16_t *well,
                       struct wall_want *want)
{
    drop_late_answers(deliver, now_ms);
    deliver_refill(deliver, now_ms);
    deliver_rate_yield(deliver);
    if (!deliver->connected || count_asked(deliver) >= WANTS_ASKED_MAX)
        return false;
    struct wanted *front = deliver_front(deliver);
    const bool yields = deliver->n_wanted > 0 && front->phase == WANT_READY &&
                        deliver_is_order(front->lane) && deliver->lane[front->lane].under_way > 0;
    uint16_t index = deliver->n_lanes;
    if (deliver->n_wanted > 0 && !yields)
        index = lane_to_ask_ahead(deliver, now_ms);
    else if (deliver->n_entries < deliver->window)
        index = lane_to_ask(deliver, now_ms);
    if (index >= deliver->n_lanes || (yields && deliver_is_order(index)))
        return false;
    if (yields)
        deliver_drop(deliver, front);
    *well = index / DELIVER_STREAMS;
    ask(deliver, index, now_ms, want);
    return true;
}
