/* SPDX-License-Identifier: Apache-2.0
 *
 * table_harness.c - opens a server for a test, and speaks to it.
 */
#include "check.h"
#include "table_harness.h"

#include "uphole/wire.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#define STEPS_MAX 20000 /* of 1 ms where nothing comes: the kernel hands over when it gets to it   \
                         */

static int64_t test_now(void *context)
{
    return ((struct state *)context)->now_us;
}

void open_server(struct state *own)
{
    const struct table_server_options options = {.plan = own->plan,
                                                 .destination = own->plan->destinations,
                                                 .live = own->live,
                                                 .clock = &own->clock};
    struct up_error error = {0};
    own->server = table_server_open(&options, &error);
    assert_non_null(own->server);
    if (table_server_listen(own->server, &error) != UP_OK)
        fail_msg("%s", error.why);
}

int harness_set_up(void **state)
{
    static struct state own;
    memset(&own, 0, sizeof own);
    own.plan = fixture_plan();
    own.live = live_create(own.plan);
    own.now_us = FIXTURE_NOW_MS * 1000LL;
    own.clock.boot_us = test_now;
    own.clock.context = &own;
    *state = &own;
    return own.live == NULL;
}

int harness_tear_down(void **state)
{
    struct state *own = *state;
    table_server_close(own->server);
    live_destroy(own->live);
    fixture_free(own->plan);
    return 0;
}

void step(struct state *own, int times)
{
    for (int i = 0; i < times; i++)
        table_server_step(own->server, 1);
}

void pass(struct state *own, int64_t ms)
{
    own->now_us += ms * 1000;
    step(own, 3);
}

int connect_from(struct state *own, unsigned host)
{
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(fd >= 0);
    struct sockaddr_in from = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(0x7F000000u + host)};
    assert_int_equal(bind(fd, (struct sockaddr *)&from, sizeof from), 0);
    struct sockaddr_in to = {.sin_family = AF_INET,
                             .sin_port = htons(table_server_port(own->server)),
                             .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    assert_int_equal(connect(fd, (struct sockaddr *)&to, sizeof to), 0);
    assert_int_equal(fcntl(fd, F_SETFL, O_NONBLOCK), 0);
    step(own, 2);
    return fd;
}

void put_request(uint8_t frame[12], uint16_t transaction, uint16_t first, uint16_t count)
{
    put_u16(frame, transaction);
    put_u16(frame + 2, 0);
    put_u16(frame + 4, 6);
    frame[6] = METRIC_HIGH;
    frame[7] = 4;
    put_u16(frame + 8, first);
    put_u16(frame + 10, count);
}

void send_all(int fd, const uint8_t *bytes, size_t n)
{
    assert_int_equal(send(fd, bytes, n, MSG_NOSIGNAL), (ssize_t)n);
}

/** Steps the server until `n` bytes have come; fewer: the connection was closed or nothing comes.
 */
size_t take(struct state *own, int fd, uint8_t *bytes, size_t n)
{
    size_t have = 0;
    for (int i = 0; i < STEPS_MAX && have < n; i++) {
        ssize_t got = recv(fd, bytes + have, n - have, 0);
        if (got == 0)
            return have;
        if (got > 0)
            have += (size_t)got;
        else
            step(own, 1);
    }
    return have;
}

static bool closes_within(struct state *own, int fd, int steps)
{
    uint8_t byte;
    for (int i = 0; i < steps; i++) {
        ssize_t got = recv(fd, &byte, 1, 0);
        if (got == 0 || (got < 0 && errno == ECONNRESET))
            return true;
        step(own, 1);
    }
    return false;
}

bool is_closed(struct state *own, int fd)
{
    return closes_within(own, fd, STEPS_MAX);
}

bool stays_open(struct state *own, int fd)
{
    return !closes_within(own, fd, 5);
}

bool is_served(struct state *own, int fd)
{
    uint8_t frame[12], answer[11];
    put_request(frame, 4711, 0, 1);
    if (send(fd, frame, sizeof frame, MSG_NOSIGNAL) != (ssize_t)sizeof frame)
        return false;
    return take(own, fd, answer, sizeof answer) == sizeof answer && get_u16(answer) == 4711 &&
           get_u16(answer + 9) == 1;
}
