/* SPDX-License-Identifier: Apache-2.0
 *
 * once_more.h - a receiver that keeps rows as they were first sent, and rows that were sent once
 * more; shared by the scenarios of orders and of a clock that is set.
 */
#ifndef UPHOLE_TESTS_ONCE_MORE_H
#define UPHOLE_TESTS_ONCE_MORE_H

#include "day_inside.h"
#include "day_late.h"

#include "check.h"

#include <inttypes.h>
#include <stdlib.h>

#define HOUR INT64_C(3600000)
#define MINUTE INT64_C(60000)

static const char ONE_WELL[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"
    "  scada-table: {modbus_tcp: '127.0.0.1:1502'}\n";
/** What the receiver has: rows as first sent, and rows sent once more. */
struct receiver {
    struct kept_records first;
    struct record *again;
    size_t n_again, room;
    uint8_t kind;
    char by[80];
    uint64_t live_late; /* live rows that were read late while an order was under way */
    bool counts_late;
};

static inline void keep_first(struct day *day, void *context, const struct record *record,
                              bool live)
{
    struct receiver *receiver = context;
    keep_record(day, &receiver->first, record, live);
    receiver->live_late += receiver->counts_late && !live;
}

static inline void keep_again(struct day *day, void *context, const struct record *record,
                              const struct wall_order *order)
{
    (void)day;
    struct receiver *receiver = context;
    if (receiver->n_again == receiver->room) {
        receiver->room = receiver->room == 0 ? 1024 : receiver->room * 2;
        receiver->again = realloc(receiver->again, receiver->room * sizeof *receiver->again);
        assert_non_null(receiver->again);
    }
    receiver->again[receiver->n_again++] = *record;
    receiver->kind = order->kind;
    memcpy(receiver->by, order->by, sizeof receiver->by);
}

static inline void drop(struct receiver *receiver)
{
    free(receiver->first.record);
    free(receiver->again);
}

static inline const struct record *first_of(const struct receiver *receiver, uint64_t seq)
{
    for (size_t i = 0; i < receiver->first.n; i++)
        if (receiver->first.record[i].seq == seq)
            return &receiver->first.record[i];
    return NULL;
}

static inline size_t times_sent(const struct receiver *receiver, uint64_t seq, uint32_t revision)
{
    size_t n = 0;
    for (size_t i = 0; i < receiver->n_again; i++)
        n += receiver->again[i].seq == seq && receiver->again[i].revision == revision;
    return n;
}

/** A day of ONE_WELL whose rows the receiver keeps, also those sent once more. */
static inline struct day *day_kept(uint64_t seed, struct receiver *receiver)
{
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = seed,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = receiver};
    return day_create(&options);
}

/** The same of a box that starts without knowing the time, its clock at `utc_ms`. */
static inline struct day *day_of_unknown_time(const char *config, uint64_t seed, int64_t utc_ms,
                                              struct receiver *receiver)
{
    const struct day_options options = {.config = config,
                                        .seed = seed,
                                        .utc_ms = utc_ms,
                                        .clock_unsynchronised = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = receiver};
    return day_create(&options);
}

static inline int64_t offset_ms(const struct day *day)
{
    return day->clock.utc_us(day->clock.context) / 1000 - day_now_ms(day);
}

#endif
