/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_rate.c - how fast late rows go (invariant 7 of deliver.h).
 *
 * A budget that fills with time and holds two seconds' worth: a backlog neither crowds out what is
 * live nor comes in a flood after a rest. What is live costs nothing of it, so it never waits for
 * it.
 */
#include "deliver_inside.h"

#define BUDGET_SECONDS 2

void deliver_set_rate(struct deliver *deliver, uint32_t records_per_s)
{
    deliver->rate = records_per_s;
}

void deliver_refill(struct deliver *deliver, int64_t now_ms)
{
    const int64_t passed_ms = now_ms - deliver->refilled_ms;
    const int64_t most_milli = (int64_t)deliver->rate * 1000 * BUDGET_SECONDS;
    deliver->refilled_ms = now_ms;
    if (passed_ms <= 0 || deliver->rate == 0)
        return;
    if (passed_ms >= BUDGET_SECONDS * 1000)
        deliver->budget_milli = most_milli;
    else
        deliver->budget_milli += passed_ms * (int64_t)deliver->rate;
    if (deliver->budget_milli > most_milli)
        deliver->budget_milli = most_milli;
}

/* Rows that are worth a message: a second's worth, so that a backlog goes in batches. */
static int64_t batch_milli(const struct deliver *deliver)
{
    return (deliver->rate < DELIVER_ROWS_MAX ? deliver->rate : DELIVER_ROWS_MAX) * 1000;
}

bool deliver_rate_lets(const struct deliver *deliver, uint16_t index)
{
    const bool is_late = deliver->lane[index].late || deliver_is_order(index);
    return deliver->rate == 0 || deliver_stream_of(index) == DELIVER_GAPS || !is_late ||
           deliver->budget_milli >= batch_milli(deliver);
}

uint16_t deliver_rate_rows(const struct deliver *deliver)
{
    const int64_t rows = deliver->budget_milli / 1000;
    return deliver->rate == 0 || rows >= DELIVER_ROWS_MAX ? DELIVER_ROWS_MAX
           : rows > 0                                     ? (uint16_t)rows
                                                          : 0;
}

void deliver_rate_spend(struct deliver *deliver, size_t rows)
{
    if (deliver->rate > 0)
        deliver->budget_milli -= (int64_t)rows * 1000;
}

void deliver_rate_yield(struct deliver *deliver)
{
    struct wanted *want = deliver_front(deliver);
    if (want->phase == WANT_READY && deliver_stream_of(want->lane) != DELIVER_GAPS &&
        !want->live[want->head] && deliver_rate_rows(deliver) == 0)
        deliver_drop(deliver, want);
}
