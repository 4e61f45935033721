/* SPDX-License-Identifier: Apache-2.0
 *
 * free_port.h - ports for tests that run side by side: tests/walk/ports.py in C, with the same
 * marks, so that neither gets the other's.
 *
 * A port that is taken from the kernel and given back may be anybody's a moment later: it is one of
 * those that outgoing connections get, and a line that dials it while nobody listens may even reach
 * itself.
 */
#ifndef UPHOLE_TESTS_FREE_PORT_H
#define UPHOLE_TESTS_FREE_PORT_H

#include "check.h"

#include <netinet/in.h>
#include <stdbool.h>
#include <sys/random.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#define FREE_PORT_FIRST 12000
#define FREE_PORT_LAST 32000 /* 32768 and more are the kernel's to give out */

/** Marks the port by an abstract local name; -1 where another test holds that. The descriptor stays
 * open until the process ends. */
static inline int free_port_mark(uint16_t port)
{
    struct sockaddr_un name = {.sun_family = AF_UNIX};
    const int n =
        snprintf(name.sun_path + 1, sizeof name.sun_path - 1, "uphole-test-port-%u", port);
    const int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    const socklen_t length = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + 1 + (size_t)n);
    if (fd >= 0 && bind(fd, (struct sockaddr *)&name, length) == 0)
        return fd;
    if (fd >= 0)
        close(fd);
    return -1;
}

static inline bool free_port_can_be_bound(uint16_t port)
{
    const struct sockaddr_in at = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    const int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    const bool can = fd >= 0 && bind(fd, (const struct sockaddr *)&at, sizeof at) == 0;
    if (fd >= 0)
        close(fd);
    return can;
}

/** A port of 127.0.0.1 that nobody listens on and that no other test gets while this one runs. */
static inline uint16_t free_port(void)
{
    for (int tries = 0; tries < 1000; tries++) {
        uint16_t drawn = 0;
        if (getrandom(&drawn, sizeof drawn, 0) != (ssize_t)sizeof drawn)
            break;
        const uint16_t port =
            (uint16_t)(FREE_PORT_FIRST + drawn % (FREE_PORT_LAST - FREE_PORT_FIRST));
        const int mark = free_port_mark(port);
        if (mark < 0)
            continue;
        if (free_port_can_be_bound(port))
            return port;
        close(mark);
    }
    fail_msg("no free port between %d and %d", FREE_PORT_FIRST, FREE_PORT_LAST);
    return 0;
}

#endif
