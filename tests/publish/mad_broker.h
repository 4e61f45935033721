/* SPDX-License-Identifier: Apache-2.0
 *
 * mad_broker.h - a broker that says the packets it is told to, whatever it hears, and the session's
 * clock beside it. See test_read_back.c.
 */
#ifndef UPHOLE_TESTS_PUBLISH_MAD_BROKER_H
#define UPHOLE_TESTS_PUBLISH_MAD_BROKER_H

#include "check.h"

#include "uphole/stamp.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <pthread.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define SILENT_CLOCK_RATE 25
#define HEARD_MAX 65536

enum said_when { AT_ONCE, AFTER_CONNECT, AFTER_SUBSCRIBE, WHENS };
struct says {
    const uint8_t *bytes;
    size_t n;
    bool hangs_up;
};
struct broker {
    enum said_when
        silent_from; /* in place of these words stands nothing, or half of them; AT_ONCE: nowhere */
    int listens;
    uint16_t port;
    bool in_pieces; /* a byte at a time */
    struct says says[WHENS];
    pthread_t thread;
    uint8_t heard[HEARD_MAX];
    size_t n_heard;
};

static bool say_it(int fd, const struct broker *broker, const struct says *says)
{
    for (size_t sent = 0; sent < says->n;) {
        const size_t step = broker->in_pieces ? 1 : says->n - sent;
        const ssize_t n = send(fd, says->bytes + sent, step, MSG_NOSIGNAL);
        if (n <= 0)
            return false;
        sent += (size_t)n;
    }
    return !says->hangs_up;
}

/* ---- the session's clock ---- */

static struct {
    pthread_mutex_t lock;
    int64_t since_us, passed_us; /* since when it runs at this rate, and what passed before */
    int rate;
} session_clock = {.lock = PTHREAD_MUTEX_INITIALIZER, .rate = 1};

static int64_t monotonic_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static int64_t clock_us(void *context)
{
    (void)context;
    pthread_mutex_lock(&session_clock.lock);
    const int64_t now_us =
        session_clock.passed_us + (monotonic_us() - session_clock.since_us) * session_clock.rate;
    pthread_mutex_unlock(&session_clock.lock);
    return now_us;
}
static const struct up_clock CLOCK = {.boot_us = clock_us, .utc_us = clock_us};

/** Goes on from where it stands. */
static void run_clock_at(int rate)
{
    pthread_mutex_lock(&session_clock.lock);
    const int64_t now_us = monotonic_us();
    session_clock.passed_us += (now_us - session_clock.since_us) * session_clock.rate;
    session_clock.since_us = now_us;
    session_clock.rate = rate;
    pthread_mutex_unlock(&session_clock.lock);
}

/* ---- a broker that says what it is told to ---- */

/** Until a packet of `type` is whole (0: until the end); short ones only, as the reader's are. */
static bool hear(int fd, struct broker *broker, size_t *at, uint8_t type)
{
    for (;;) {
        const size_t left = broker->n_heard - *at;
        const uint8_t *packet = broker->heard + *at;
        const size_t head = left >= 2 && (packet[1] & 0x80) != 0 ? 3 : 2;
        const size_t length =
            left < head
                ? 0
                : head + (head == 2 ? packet[1] : (packet[1] & 0x7Fu) | (size_t)packet[2] << 7);
        if (length > 0 && left >= length) {
            *at += length;
            if (packet[0] >> 4 == type)
                return true;
            continue;
        }
        const ssize_t n = recv(fd, broker->heard + broker->n_heard, HEARD_MAX - broker->n_heard, 0);
        if (n <= 0)
            return false;
        broker->n_heard += (size_t)n;
    }
}

/** What it says at this point; from where it is to be silent, time flies. */
static bool say(int fd, const struct broker *broker, enum said_when when)
{
    const bool goes_on = say_it(fd, broker, &broker->says[when]);
    if (when == broker->silent_from && when != AT_ONCE)
        run_clock_at(SILENT_CLOCK_RATE);
    return goes_on;
}

static void *serve(void *context)
{
    struct broker *broker = context;
    size_t at = 0;
    const int fd = accept(broker->listens, NULL, NULL);
    if (fd < 0)
        return NULL;
    if (say(fd, broker, AT_ONCE) && hear(fd, broker, &at, 1) && say(fd, broker, AFTER_CONNECT) &&
        hear(fd, broker, &at, 8) && say(fd, broker, AFTER_SUBSCRIBE)) {
        (void)hear(fd, broker, &at, 0);
    } else {
        shutdown(fd, SHUT_WR); /* what was said arrives first */
        (void)hear(fd, broker, &at, 0);
    }
    close(fd);
    return NULL;
}

static void begin(struct broker *broker)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof at;
    broker->n_heard = 0;
    broker->listens = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_int_equal(bind(broker->listens, (struct sockaddr *)&at, sizeof at), 0);
    assert_int_equal(listen(broker->listens, 1), 0);
    assert_int_equal(getsockname(broker->listens, (struct sockaddr *)&at, &length), 0);
    broker->port = ntohs(at.sin_port);
    assert_int_equal(pthread_create(&broker->thread, NULL, serve, broker), 0);
}

static void end(struct broker *broker)
{
    shutdown(broker->listens, SHUT_RDWR); /* where nobody came */
    pthread_join(broker->thread, NULL);
    close(broker->listens);
}

#endif
