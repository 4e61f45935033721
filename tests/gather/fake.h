/* SPDX-License-Identifier: Apache-2.0
 *
 * fake.h - a port and a clock of the test's own: virtual time moves only where the line waits, so
 * that hours take milliseconds.
 *
 * The port checks by itself what must never happen: a byte sent that is no read request, a question
 * to unit 0 on a serial line.
 */
#ifndef UPHOLE_TESTS_GATHER_FAKE_H
#define UPHOLE_TESTS_GATHER_FAKE_H

#include "uphole/gather.h"
#include "uphole/wire.h"

#include "check.h"
#include "made.h"

#include <stdlib.h>

#define FAKE_QUEUE_MAX 256
#define FAKE_RING_SLOTS 8192
#define FAKE_UTC_US (INT64_C(1930000000) * 1000000) /* in the year 2031 */
#define FAKE_START_US (INT64_C(1000) * 1000000)

struct fake;
typedef void (*fake_unit)(struct fake *fake, uint8_t unit_id, const struct read_request *request);

struct arrival {
    int64_t at_us;
    size_t n;
    uint8_t bytes[300];
};
struct fake {
    struct made_plan made;
    int64_t now_us, asleep_us;
    struct up_clock clock;
    struct port port;
    struct ring *ring;
    struct line *line;
    fake_unit unit; /* called with each question */
    int mode;       /* the unit's own */
    unsigned seed;
    bool is_open, refuses, is_gone, is_serial;
    unsigned opens, open_tries, closes, sends, flushes;
    int64_t last_sent_us, open_tried_us[64];
    uint16_t transaction; /* of the last question, on TCP */
    unsigned n_queued;
    struct arrival queue[FAKE_QUEUE_MAX];
};

static int64_t fake_boot_us(void *context)
{
    return ((struct fake *)context)->now_us;
}
static int64_t fake_utc_us(void *context)
{
    return FAKE_UTC_US + ((struct fake *)context)->now_us;
}
static bool fake_is_synchronised(void *context)
{
    (void)context;
    return true;
}
static int64_t fake_asleep_us(void *context)
{
    return ((struct fake *)context)->asleep_us;
}
static inline void fake_sleep_until(void *context, int64_t until_us)
{
    struct fake *fake = context;
    if (until_us > fake->now_us)
        fake->now_us = until_us;
}

static enum up_rc fake_open(void *context, struct up_error *error)
{
    struct fake *fake = context;
    if (fake->open_tries < 64)
        fake->open_tried_us[fake->open_tries] = fake->now_us;
    fake->open_tries++;
    if (fake->refuses)
        return UP_FAIL(error, UP_E_PORT, "the fake port refuses");
    fake->opens++;
    fake->is_open = true;
    fake->is_gone = false;
    return UP_OK;
}
static inline void fake_close(void *context)
{
    struct fake *fake = context;
    fake->closes += fake->is_open ? 1u : 0u;
    fake->is_open = false;
    if (!fake->is_serial)
        fake->n_queued = 0; /* a new connection carries nothing of the old one */
}
static inline void fake_flush(void *context)
{
    struct fake *fake = context;
    fake->flushes++;
    unsigned kept = 0;
    for (unsigned i = 0; i < fake->n_queued; i++)
        if (fake->queue[i].at_us > fake->now_us)
            fake->queue[kept++] = fake->queue[i];
    fake->n_queued = kept;
}
static ssize_t fake_receive(void *context, uint8_t *into, size_t room, int64_t deadline_us,
                            struct up_error *error)
{
    struct fake *fake = context;
    assert_true(fake->is_open);
    int first = -1;
    for (unsigned i = 0; i < fake->n_queued; i++)
        if (first < 0 || fake->queue[i].at_us < fake->queue[first].at_us)
            first = (int)i;
    int64_t until_us = deadline_us > fake->now_us ? deadline_us : fake->now_us;
    if (fake->is_gone) {
        up_fail(error, UP_E_PORT, 0, __FILE__, __LINE__, "the fake port is gone");
        return -1;
    }
    if (first < 0 || fake->queue[first].at_us > until_us) {
        fake->now_us = until_us;
        return 0;
    }
    struct arrival *arrival = &fake->queue[first];
    if (arrival->at_us > fake->now_us)
        fake->now_us = arrival->at_us;
    size_t n = arrival->n < room ? arrival->n : room;
    memcpy(into, arrival->bytes, n);
    memmove(arrival->bytes, arrival->bytes + n, arrival->n - n);
    arrival->n -= n;
    if (arrival->n == 0)
        memmove(arrival, arrival + 1, (--fake->n_queued - (unsigned)first) * sizeof *arrival);
    return (ssize_t)n;
}

static inline void fake_arrives(struct fake *fake, int64_t delay_us, const uint8_t *bytes, size_t n)
{
    assert_true(fake->n_queued < FAKE_QUEUE_MAX && n <= 300);
    struct arrival *arrival = &fake->queue[fake->n_queued++];
    arrival->at_us = fake->now_us + delay_us;
    arrival->n = n;
    memcpy(arrival->bytes, bytes, n);
}

/* Source: Modbus Application Protocol V1.1b3, 6.1 to 6.4 (requests), Messaging on TCP/IP
 * V1.0b, 3.1.3 (header). */
static enum up_rc fake_send(void *context, const uint8_t *bytes, size_t n, struct up_error *error)
{
    struct fake *fake = context;
    (void)error;
    assert_true(fake->is_open);
    const uint8_t *at = bytes;
    if (fake->is_serial) {
        assert_int_equal(n, 8);
        assert_true(rtu_crc_is_right(bytes, n));
        assert_true(at[0] >= 1 && at[0] <= 247);
    } else {
        assert_int_equal(n, 12);
        fake->transaction = get_u16(bytes);
        assert_int_equal(get_u16(bytes + 2), 0);
        assert_int_equal(get_u16(bytes + 4), 6);
        at = bytes + 6;
    }
    assert_true(at[1] >= 1 && at[1] <= 4);
    fake->sends++;
    fake->last_sent_us = fake->now_us;
    struct read_request request = {
        .function = at[1], .first = get_u16(at + 2), .count = get_u16(at + 4)};
    assert_true(request.count >= 1 && request.first + request.count <= 65536);
    if (fake->unit != NULL)
        fake->unit(fake, at[0], &request);
    return UP_OK;
}

/* ---- answers ---- */

/** The value of a register of a fake unit: unit and address. */
static uint16_t fake_value(uint8_t unit_id, unsigned address)
{
    return (uint16_t)((unsigned)unit_id << 10 | (address & 0x3FF));
}
/** An answer PDU with the unit id before it; returns its length (without checksum). */
static inline size_t fake_answer(uint8_t *into, uint8_t unit_id, const struct read_request *request)
{
    into[0] = unit_id;
    into[1] = request->function;
    if (request->function <= 2) {
        into[2] = (uint8_t)((request->count + 7) / 8);
        memset(into + 3, 0xA5, into[2]);
        return 3u + into[2];
    }
    into[2] = (uint8_t)(2 * request->count);
    for (unsigned i = 0; i < request->count; i++)
        put_u16(into + 3 + 2 * i, fake_value(unit_id, request->first + i));
    return 3 + 2 * (size_t)request->count;
}
/** Closes what fake_answer wrote for the wire of this fake; returns the frame's length. */
static inline size_t fake_frame(const struct fake *fake, uint8_t *into, size_t n)
{
    if (fake->is_serial) {
        uint16_t crc = crc16(into, n);
        into[n] = (uint8_t)(crc & 0xFF);
        into[n + 1] = (uint8_t)(crc >> 8);
        return n + 2;
    }
    memmove(into + 6, into, n);
    put_u16(into, fake->transaction);
    put_u16(into + 2, 0);
    put_u16(into + 4, (uint16_t)n);
    return n + 6;
}
static inline void fake_answers(struct fake *fake, int64_t delay_us, uint8_t unit_id,
                                const struct read_request *request)
{
    uint8_t frame[300];
    fake_arrives(fake, delay_us, frame,
                 fake_frame(fake, frame, fake_answer(frame, unit_id, request)));
}
static inline void fake_excepts(struct fake *fake, int64_t delay_us, uint8_t unit_id,
                                uint8_t function, uint8_t code)
{
    uint8_t frame[16] = {unit_id, (uint8_t)(function | 0x80), code};
    fake_arrives(fake, delay_us, frame, fake_frame(fake, frame, 3));
}
static inline void fake_fine_unit(struct fake *fake, uint8_t unit_id,
                                  const struct read_request *request)
{
    fake_answers(fake, 30000, unit_id, request);
}

/* ---- life ---- */

/** Zeroes the fake; a serial line at 9600 8N1 and empty maps follow, for the test to fill before
 * fake_start. */
static inline void fake_init(struct fake *fake, uint8_t medium)
{
    memset(fake, 0, sizeof *fake);
    fake->now_us = FAKE_START_US;
    fake->is_serial = medium == LINE_MEDIUM_SERIAL;
    fake->clock = (struct up_clock){.boot_us = fake_boot_us,
                                    .utc_us = fake_utc_us,
                                    .is_synchronised = fake_is_synchronised,
                                    .sleep_until = fake_sleep_until,
                                    .asleep_us = fake_asleep_us,
                                    .context = fake,
                                    .boot = 7};
    fake->port = (struct port){.open = fake_open,
                               .close = fake_close,
                               .send = fake_send,
                               .receive = fake_receive,
                               .flush = fake_flush,
                               .context = fake};
    fake->seed = 1;
    fake->made.line = made_serial(9600, 'N');
    fake->made.line.medium = medium;
    for (unsigned i = 0; i < MADE_SOURCES_MAX; i++)
        made_map(&fake->made.map[i]);
}
static inline void fake_start(struct fake *fake, bool listen_first)
{
    struct up_error error = {0};
    fake->ring = ring_create(FAKE_RING_SLOTS, sizeof(struct gathered));
    assert_non_null(fake->ring);
    struct line_options options = {.plan = &fake->made.plan,
                                   .clock = &fake->clock,
                                   .port = &fake->port,
                                   .ring = fake->ring,
                                   .wake_fd = -1,
                                   .run = 42,
                                   .grid_start_us = fake->now_us,
                                   .listen_first = listen_first,
                                   .seed = 5};
    fake->line = line_create(&options, &error);
    if (fake->line == NULL)
        fail_msg("%s", error.why);
}
/** Steps the line until virtual time has come. A line that steps on the spot for ever fails here.
 */
static inline void fake_run_until(struct fake *fake, int64_t until_us)
{
    int64_t stuck_us = fake->now_us;
    for (unsigned on_the_spot = 0; fake->now_us < until_us;) {
        int64_t next_us = line_step(fake->line);
        if (next_us > fake->now_us)
            fake->now_us = next_us < until_us ? next_us : until_us;
        on_the_spot = fake->now_us == stuck_us ? on_the_spot + 1 : 0;
        stuck_us = fake->now_us;
        assert_true(on_the_spot < 1000);
    }
}
static inline void fake_run(struct fake *fake, int64_t for_us)
{
    fake_run_until(fake, fake->now_us + for_us);
}
/** The next item of a kind; false when there is none. Others before it are dropped. */
static inline bool fake_take(struct fake *fake, enum gathered_kind kind, struct gathered *item)
{
    while (ring_get(fake->ring, item))
        if (item->kind == kind)
            return true;
    return false;
}
static inline void fake_take_scan(struct fake *fake, struct scan *scan)
{
    static struct gathered item;
    if (!fake_take(fake, GATHERED_SCAN, &item))
        fail_msg("no scan came");
    *scan = item.scan;
}
static inline void fake_stop(struct fake *fake)
{
    check_count("items lost by a full ring", (long long)ring_take_lost(fake->ring), 0);
    line_destroy(fake->line);
    ring_destroy(fake->ring);
}

#endif
