/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_pipe.c - moves bytes between the broker and the client library, and follows the broker's
 * packets (why: mqtt_pipe.h).
 */
#include "mqtt_pipe.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define PART_BODY 5

bool mqtt_follow_bytes(struct mqtt_follow *follow, const uint8_t *bytes, size_t n)
{
    for (size_t i = 0; i < n;) {
        if (follow->part == PART_BODY) {
            size_t step = n - i < follow->remaining ? n - i : follow->remaining;
            follow->remaining -= (uint32_t)step;
            i += step;
            if (follow->remaining == 0)
                follow->part = 0;
            continue;
        }
        uint8_t byte = bytes[i++];
        if (follow->part == 0) {
            follow->part = 1;
            follow->remaining = 0;
            continue;
        }
        follow->remaining |= (uint32_t)(byte & 0x7F) << (7 * (follow->part - 1));
        if (byte & 0x80) {
            if (++follow->part == PART_BODY)
                return false; /* four bytes at most */
            continue;
        }
        if (follow->remaining > MQTT_TAKE_PACKET_MAX)
            return false;
        follow->part = follow->remaining > 0 ? PART_BODY : 0;
    }
    return true;
}

bool mqtt_pipe_open(struct mqtt_pipe *pipe, int library_fd, bool plain)
{
    int pair[2];
    *pipe = (struct mqtt_pipe){.tcp = -1, .inner = -1, .plain = plain};
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0, pair) != 0)
        return false;
    pipe->inner = pair[0];
    pipe->tcp = fcntl(library_fd, F_DUPFD_CLOEXEC, 0);
    bool is_open = pipe->tcp >= 0 && dup3(pair[1], library_fd, O_CLOEXEC) >= 0;
    close(pair[1]);
    if (!is_open)
        mqtt_pipe_close(pipe);
    return is_open;
}

void mqtt_pipe_close(struct mqtt_pipe *pipe)
{
    if (pipe->tcp >= 0)
        close(pipe->tcp);
    if (pipe->inner >= 0)
        close(pipe->inner);
    pipe->tcp = pipe->inner = -1;
}

void mqtt_pipe_wants(const struct mqtt_pipe *pipe, struct pollfd *tcp, struct pollfd *inner)
{
    bool reads = !pipe->ended && !pipe->too_large && pipe->in_n == 0;
    *tcp = (struct pollfd){.fd = pipe->ended ? -1 : pipe->tcp};
    *inner = (struct pollfd){.fd = pipe->inner};
    if (reads)
        tcp->events |= POLLIN;
    if (pipe->out_n > 0)
        tcp->events |= POLLOUT;
    else
        inner->events |= POLLIN;
    if (pipe->in_n > 0)
        inner->events |= POLLOUT;
    if (tcp->events == 0)
        tcp->fd = -1; /* else a hang-up would wake us for nothing */
}

static bool would_wait(void)
{
    return errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR;
}

static void end_with(struct mqtt_pipe *pipe, int why)
{
    if (!pipe->ended)
        pipe->why = why;
    pipe->ended = true;
}

static void from_broker(struct mqtt_pipe *pipe)
{
    if (pipe->in_n == 0 && !pipe->ended && !pipe->too_large) {
        ssize_t n = recv(pipe->tcp, pipe->in, sizeof pipe->in, MSG_DONTWAIT);
        if (n > 0) {
            pipe->in_at = 0;
            pipe->in_n = (size_t)n;
            pipe->fed += (size_t)n;
            pipe->too_large = pipe->plain ? !mqtt_follow_bytes(&pipe->follow, pipe->in, (size_t)n)
                                          : pipe->fed > MQTT_TAKE_BYTES_MAX;
        } else if (n == 0 || !would_wait()) {
            end_with(pipe, n == 0 ? 0 : errno);
        }
    }
    if (pipe->in_n > 0 && !pipe->too_large) {
        ssize_t n =
            send(pipe->inner, pipe->in + pipe->in_at, pipe->in_n, MSG_DONTWAIT | MSG_NOSIGNAL);
        if (n > 0) {
            pipe->in_at += (size_t)n;
            pipe->in_n -= (size_t)n;
        }
    }
    if (pipe->ended && pipe->in_n == 0 && !pipe->told_end) {
        shutdown(pipe->inner, SHUT_WR); /* the library reads the end after the last byte */
        pipe->told_end = true;
    }
}

static void to_broker(struct mqtt_pipe *pipe)
{
    for (int rounds = 0; rounds < 64 && !pipe->ended; rounds++) {
        if (pipe->out_n == 0) {
            ssize_t n = recv(pipe->inner, pipe->out, sizeof pipe->out, MSG_DONTWAIT);
            if (n <= 0)
                return;
            pipe->out_at = 0;
            pipe->out_n = (size_t)n;
        }
        ssize_t n =
            send(pipe->tcp, pipe->out + pipe->out_at, pipe->out_n, MSG_DONTWAIT | MSG_NOSIGNAL);
        if (n < 0) {
            /* What the broker said before it closed still waits to be read: the end is that side's
             * to tell. */
            if (!would_wait())
                pipe->out_n = 0;
            return;
        }
        pipe->out_at += (size_t)n;
        pipe->out_n -= (size_t)n;
    }
}

void mqtt_pipe_move(struct mqtt_pipe *pipe)
{
    if (pipe->tcp < 0)
        return;
    to_broker(pipe);
    from_broker(pipe);
}
