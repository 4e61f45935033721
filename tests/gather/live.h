/* SPDX-License-Identifier: Apache-2.0
 *
 * live.h - a real line that is gathered from beside a thread that plays its unit: for tests of
 * ports, which can't do without real descriptors and real time.
 */
#ifndef UPHOLE_TESTS_GATHER_LIVE_H
#define UPHOLE_TESTS_GATHER_LIVE_H

#include "check.h"
#include "made.h"

#include <pthread.h>
#include <stdatomic.h>

struct live {
    struct made_plan made;
    struct up_clock clock;
    struct ring *ring;
    struct gatherer *gatherer;
    pthread_t thread;
    atomic_bool stopping; /* for the unit's thread to look at */
};

/** Holding registers 100 to 103 of unit id 1 each 200 ms, by the line that stands in `made`; `unit`
 * runs with `context`. */
static inline void live_start(struct live *live, void *(*unit)(void *), void *context)
{
    struct up_error error = {0};
    clock_of_system(&live->clock);
    live->made.line.response_timeout_ms = 200;
    made_map(&live->made.map[0]);
    made_channels(&live->made.map[0], TABLE_HOLDING, 100, 4);
    made_plan_join(&live->made, 1, 200);
    live->made.entry[0].unit_id = 1;
    live->ring = ring_create(4096, sizeof(struct gathered));
    assert_int_equal(pthread_create(&live->thread, NULL, unit, context), 0);
    const struct line_options options = {.plan = &live->made.plan,
                                         .clock = &live->clock,
                                         .ring = live->ring,
                                         .wake_fd = -1,
                                         .grid_start_us = clock_boot_us(&live->clock),
                                         .seed = 9};
    if (gather_start(&options, &live->gatherer, &error) != UP_OK)
        fail_msg("%s", error.why);
}

static inline void live_stop(struct live *live)
{
    gather_stop(live->gatherer);
    atomic_store(&live->stopping, true);
    pthread_join(live->thread, NULL);
    ring_destroy(live->ring);
}

#endif
