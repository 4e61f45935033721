/* SPDX-License-Identifier: Apache-2.0
 *
 * table_harness.h - the table's server on real sockets, stepped by hand, with a clock of the test's
 * own.
 */
#ifndef UPHOLE_TESTS_TABLE_HARNESS_H
#define UPHOLE_TESTS_TABLE_HARNESS_H

#include "table_fixture.h"

#include "../../daemon/publish/server.h"

#include <stddef.h>

struct state {
    struct plan *plan;
    struct live *live;
    struct table_server *server;
    struct up_clock clock;
    int64_t now_us;
};

/** cmocka's set-up and tear-down: *state is a struct state with plan and live, the server not yet
 * opened. */
int harness_set_up(void **state);
int harness_tear_down(void **state);
void open_server(struct state *own);

void step(struct state *own, int times);
/** Moves the clock, then steps. */
void pass(struct state *own, int64_t ms);
/** From 127.0.0.`host`; the kernel connects without the server's help. */
int connect_from(struct state *own, unsigned host);
void put_request(uint8_t frame[12], uint16_t transaction, uint16_t first, uint16_t count);
void send_all(int fd, const uint8_t *bytes, size_t n);
/** Steps the server until `n` bytes have come; fewer: the connection was closed or nothing comes.
 */
size_t take(struct state *own, int fd, uint8_t *bytes, size_t n);
/** Steps the server until it is. */
bool is_closed(struct state *own, int fd);
/** Not closed in a few steps. */
bool stays_open(struct state *own, int fd);
bool is_served(struct state *own, int fd);

#endif
