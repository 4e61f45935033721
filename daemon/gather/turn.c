/* SPDX-License-Identifier: Apache-2.0
 *
 * turn.c - whose turn it is on a line: due times, skips, back-off (pure).
 *
 * Invariants: a due ends once, as a claim or as passed; `next` only grows; a source that waits is
 * served before any other is served twice, since its wait is counted from its first unserved due
 * and not from its newest.
 */
#include "turn.h"

#define BACK_OFF_LEAST_MOST_US (60 * INT64_C(1000000))
#define BACK_OFF_PROBES 25 /* one probe in 25: 4 % of the line */
#define JITTER_PERCENT                                                                             \
    15 /* taken off, so that the bound holds; 1 / (1 + 25 x 0.85) is still below 5 % */

static int64_t floor_div(int64_t a, int64_t b)
{
    return a / b - (a % b != 0 && (a < 0) != (b < 0));
}

void turn_init(struct turn *turn, int64_t grid_ms, int64_t period_ms, int64_t from_ms,
               uint8_t down_after)
{
    *turn = (struct turn){.grid_ms = grid_ms,
                          .period_ms = period_ms > 0 ? period_ms : 1,
                          .down_after = down_after,
                          .is_active = true};
    if (from_ms > grid_ms)
        turn->next = -floor_div(grid_ms - from_ms, turn->period_ms); /* rounded up */
    turn->waiting_since_ms = turn_due_ms(turn, turn->next);
}

/* Whole milliseconds, as in a scan's stamp, so that whoever counts due times from stamps comes to
 * the same index. */
static int64_t index_at(const struct turn *turn, int64_t ms)
{
    return floor_div(ms - turn->grid_ms, turn->period_ms);
}

static bool is_in_back_off(const struct turn *turn, int64_t due_ms)
{
    return turn->not_before_us > due_ms * 1000;
}

bool turn_pass(struct turn *turn, int64_t now_us, bool until_now, struct passed *passed)
{
    int64_t newest = index_at(turn, floor_div(now_us, 1000));
    int64_t end = until_now ? newest + 1 : newest; /* the newest due is still open */
    if (!turn->is_active || turn->next >= end)
        return false;
    int64_t first = turn->next;
    bool in_back_off = is_in_back_off(turn, turn_due_ms(turn, first));
    int64_t last = end - 1;
    if (in_back_off && !is_in_back_off(turn, turn_due_ms(turn, last)))
        last = index_at(turn, floor_div(turn->not_before_us - 1, 1000));
    if (last - first >= UINT32_MAX)
        last = first + UINT32_MAX - 1;
    turn->next = last + 1;
    *passed = (struct passed){.first_due_ms = turn_due_ms(turn, first),
                              .last_due_ms = turn_due_ms(turn, last),
                              .count = (uint32_t)(last - first + 1),
                              .in_back_off = in_back_off};
    return true;
}

bool turn_is_due(const struct turn *turn, int64_t now_us)
{
    return turn->is_active && now_us >= turn_due_ms(turn, turn->next) * 1000;
}

bool turn_is_ready(const struct turn *turn, int64_t now_us)
{
    return turn_is_due(turn, now_us) && now_us >= turn->not_before_us;
}

int64_t turn_claim(struct turn *turn, int64_t begun_ms, uint64_t order)
{
    int64_t index = index_at(turn, begun_ms);
    if (index < turn->next)
        index = turn->next;
    turn->next = index + 1;
    turn->waiting_since_ms = turn_due_ms(turn, turn->next);
    turn->served = order;
    return index;
}

void turn_end(struct turn *turn, bool is_heard, int64_t now_us, int64_t probe_us, uint32_t random)
{
    if (is_heard) {
        turn->failed = 0;
        turn->not_before_us = 0;
        return;
    }
    if (turn->failed < UINT32_MAX)
        turn->failed++;
    if (!turn_is_down(turn))
        return;
    int64_t most_us = BACK_OFF_PROBES * probe_us;
    if (most_us < BACK_OFF_LEAST_MOST_US)
        most_us = BACK_OFF_LEAST_MOST_US;
    int64_t wait_us = turn->period_ms * 1000;
    for (uint32_t n = turn->failed - turn->down_after; n > 0 && wait_us < most_us; n--)
        wait_us *= 2;
    if (wait_us > most_us)
        wait_us = most_us;
    wait_us -= wait_us / 100 * JITTER_PERCENT / 1024 * (random % 1025);
    turn->not_before_us = now_us + wait_us;
}

/** Since when a ready source waits: its first unserved due, or the end of its back-off. */
static int64_t waits_since_us(const struct turn *turn)
{
    int64_t since_us = turn->waiting_since_ms * 1000;
    return since_us > turn->not_before_us ? since_us : turn->not_before_us;
}

int turn_choose(const struct turn *turns, size_t n, int64_t now_us)
{
    int chosen = -1;
    for (size_t i = 0; i < n; i++) {
        if (!turn_is_ready(&turns[i], now_us))
            continue;
        if (chosen < 0) {
            chosen = (int)i;
            continue;
        }
        int64_t since_us = waits_since_us(&turns[i]), best_us = waits_since_us(&turns[chosen]);
        if (since_us < best_us || (since_us == best_us && turns[i].served < turns[chosen].served))
            chosen = (int)i;
    }
    return chosen;
}

int64_t turn_next_us(const struct turn *turns, size_t n, int64_t now_us)
{
    int64_t next_us = INT64_MAX;
    for (size_t i = 0; i < n; i++) {
        if (!turns[i].is_active)
            continue;
        int64_t ready_us = turn_due_ms(&turns[i], turns[i].next) * 1000;
        if (ready_us < turns[i].not_before_us)
            ready_us = turns[i].not_before_us;
        int64_t passes_us = turn_due_ms(&turns[i], turns[i].next + 1) * 1000;
        if (passes_us <= now_us)
            passes_us = now_us;
        int64_t event_us = ready_us < passes_us ? ready_us : passes_us;
        if (event_us < next_us)
            next_us = event_us;
    }
    return next_us;
}

int64_t turn_next_pass_us(const struct turn *turns, size_t n)
{
    int64_t next_us = INT64_MAX;
    for (size_t i = 0; i < n; i++) {
        int64_t passes_us = turn_due_ms(&turns[i], turns[i].next + 1) * 1000;
        if (turns[i].is_active && passes_us < next_us)
            next_us = passes_us;
    }
    return next_us;
}
