/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_pipe.c - moves bytes between the broker and the client library, and follows the broker's
 * packets (why: mqtt_pipe.h).
 */
#include "mqtt_pipe.h"

#include "mqtt_packet.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/tcp.h>
#include <netinet/in.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define PART_BODY 5
#define TCP_STATE_ESTABLISHED 1 /* of the kernel, which linux/tcp.h does not give */
#define ROUNDS_MAX 64
#define HEAD_MAX 5 /* MQTT 5.0, 2.1 */

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
        if (follow->remaining > follow->most)
            return false;
        follow->part = follow->remaining > 0 ? PART_BODY : 0;
    }
    return true;
}

bool mqtt_pipe_prepare(struct mqtt_pipe *pipe, uint32_t take_most)
{
    *pipe = (struct mqtt_pipe){.tcp = -1, .inner = -1, .take_most = take_most};
    pipe->in = malloc(take_most + HEAD_MAX + MQTT_PIPE_ROOM);
    return pipe->in != NULL;
}

bool mqtt_pipe_open(struct mqtt_pipe *pipe, int library_fd, uint8_t version)
{
    int pair[2];
    *pipe = (struct mqtt_pipe){.tcp = -1,
                               .inner = -1,
                               .stands = true,
                               .version = version,
                               .follow.most = pipe->take_most,
                               .take_most = pipe->take_most,
                               .in = pipe->in};
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

void mqtt_pipe_set_tls(struct mqtt_pipe *pipe, struct mqtt_tls *tls)
{
    pipe->tls = tls;
    pipe->stands = false;
}

void mqtt_pipe_close(struct mqtt_pipe *pipe)
{
    if (pipe->in == NULL)
        return; /* zeroed: nothing was ever opened */
    mqtt_tls_close(pipe->tls);
    pipe->tls = NULL;
    if (pipe->tcp >= 0)
        close(pipe->tcp);
    if (pipe->inner >= 0)
        close(pipe->inner);
    pipe->tcp = pipe->inner = -1;
}

void mqtt_pipe_discard(struct mqtt_pipe *pipe)
{
    mqtt_pipe_close(pipe);
    free(pipe->in);
    pipe->in = NULL;
}

static bool may_take(const struct mqtt_pipe *pipe)
{
    return !pipe->ended && !pipe->too_large && !pipe->not_mqtt && pipe->sound_n == 0;
}

void mqtt_pipe_wants(const struct mqtt_pipe *pipe, struct pollfd *tcp, struct pollfd *inner)
{
    const bool reads = may_take(pipe);
    *tcp = (struct pollfd){.fd = pipe->ended ? -1 : pipe->tcp};
    *inner = (struct pollfd){.fd = pipe->inner};
    if (pipe->tls != NULL)
        tcp->events |= mqtt_tls_wants(pipe->tls);
    if (pipe->stands && reads)
        tcp->events |= POLLIN;
    if (!pipe->stands)
        ; /* the library's bytes wait for the handshake, which wants what it wants */
    else if (pipe->out_n > 0)
        tcp->events |= POLLOUT;
    else
        inner->events |= POLLIN;
    if (pipe->sound_n > 0)
        inner->events |= POLLOUT;
    if (tcp->events == 0)
        tcp->fd = -1; /* else a hang-up would wake us for nothing */
    if (inner->events == 0)
        inner->fd = -1;
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

/** Behind what is there of a packet already. */
static ssize_t take(struct mqtt_pipe *pipe)
{
    memmove(pipe->in, pipe->in + pipe->in_at, pipe->in_n);
    pipe->in_at = 0;
    uint8_t *into = pipe->in + pipe->in_n;
    return pipe->tls != NULL ? mqtt_tls_read(pipe->tls, into, MQTT_PIPE_ROOM)
                             : recv(pipe->tcp, into, MQTT_PIPE_ROOM, MSG_DONTWAIT);
}

/** How much of what came may be passed on. */
static void look_into(struct mqtt_pipe *pipe)
{
    while (pipe->version != 0 && !pipe->not_mqtt) {
        const uint8_t *packet = pipe->in + pipe->in_at + pipe->sound_n;
        const size_t n = pipe->in_n - pipe->sound_n, length = mqtt_packet_length(packet, n);
        if (length == 0 || length > n)
            return;
        pipe->not_mqtt = !mqtt_packet_is_sound(packet, length, pipe->version);
        pipe->sound_n += pipe->not_mqtt ? 0 : length;
    }
    if (pipe->version == 0)
        pipe->sound_n = pipe->in_n;
}

static ssize_t give(struct mqtt_pipe *pipe)
{
    const uint8_t *at = pipe->out + pipe->out_at;
    return pipe->tls != NULL ? mqtt_tls_write(pipe->tls, at, pipe->out_n)
                             : send(pipe->tcp, at, pipe->out_n, MSG_DONTWAIT | MSG_NOSIGNAL);
}

/** True where the library has something to read now. */
static bool from_broker(struct mqtt_pipe *pipe)
{
    bool brought = false;
    if (may_take(pipe)) {
        ssize_t n = take(pipe);
        if (n > 0) {
            pipe->too_large = !mqtt_follow_bytes(&pipe->follow, pipe->in + pipe->in_n, (size_t)n);
            pipe->in_n += (size_t)n;
            if (!pipe->too_large)
                look_into(pipe);
        } else if (n == 0 || !would_wait()) {
            end_with(pipe, n == 0 ? 0 : errno);
        }
    }
    if (pipe->sound_n > 0 && !pipe->too_large) {
        ssize_t n =
            send(pipe->inner, pipe->in + pipe->in_at, pipe->sound_n, MSG_DONTWAIT | MSG_NOSIGNAL);
        if (n > 0) {
            brought = true;
            pipe->in_at += (size_t)n;
            pipe->in_n -= (size_t)n;
            pipe->sound_n -= (size_t)n;
        }
    }
    if (pipe->ended && pipe->sound_n == 0 && !pipe->told_end) {
        shutdown(pipe->inner, SHUT_WR); /* the library reads the end after the last byte */
        pipe->told_end = true;
        brought = true;
    }
    return brought;
}

static void to_broker(struct mqtt_pipe *pipe)
{
    bool is_last = false; /* the library writes nothing meanwhile: it is this thread's */
    for (int rounds = 0; rounds < ROUNDS_MAX && !pipe->ended && !is_last; rounds++) {
        if (pipe->out_n == 0) {
            ssize_t n = recv(pipe->inner, pipe->out, sizeof pipe->out, MSG_DONTWAIT);
            if (n <= 0)
                return;
            pipe->out_at = 0;
            pipe->out_n = (size_t)n;
        }
        const size_t held = pipe->out_at + pipe->out_n;
        ssize_t n = give(pipe);
        if (n < 0) {
            /* What the broker said before it closed still waits to be read: the end is that side's
             * to tell. */
            if (would_wait())
                return;
            pipe->out_n = 0;
            if (errno != EPIPE && errno != ECONNRESET) /* no way there: nothing was ever said */
                end_with(pipe, errno);
            return;
        }
        pipe->out_at += (size_t)n;
        pipe->out_n -= (size_t)n;
        is_last = pipe->out_n == 0 && held < sizeof pipe->out;
    }
}

/* True once bytes may pass. */
static bool stands(struct mqtt_pipe *pipe)
{
    if (pipe->stands || pipe->ended)
        return pipe->stands;
    const enum tls_step step = mqtt_tls_shake(pipe->tls);
    pipe->stands = step == TLS_STANDS;
    if (step == TLS_FAILED) {
        int error = 0;
        socklen_t length = sizeof error;
        const int why = errno;
        const bool is_known = getsockopt(pipe->tcp, SOL_SOCKET, SO_ERROR, &error, &length) == 0;
        end_with(pipe, is_known && error != 0 ? error : why);
        shutdown(pipe->inner, SHUT_WR);
        pipe->told_end = true;
    }
    return pipe->stands;
}

void mqtt_pipe_send(struct mqtt_pipe *pipe)
{
    if (pipe->tcp >= 0 && stands(pipe))
        to_broker(pipe);
}

bool mqtt_pipe_take(struct mqtt_pipe *pipe)
{
    if (pipe->tcp < 0)
        return false;
    const bool knew = pipe->told_end;
    return stands(pipe) ? from_broker(pipe) : pipe->told_end && !knew;
}

static bool ask_kernel(const struct mqtt_pipe *pipe, struct tcp_info *info)
{
    socklen_t length = sizeof *info;
    return pipe->tcp >= 0 && getsockopt(pipe->tcp, IPPROTO_TCP, TCP_INFO, info, &length) == 0;
}

bool mqtt_pipe_is_connected(const struct mqtt_pipe *pipe)
{
    struct tcp_info info = {0};
    return ask_kernel(pipe, &info) && info.tcpi_state == TCP_STATE_ESTABLISHED;
}

uint64_t mqtt_pipe_network_bytes(struct mqtt_pipe *pipe)
{
    struct tcp_info info = {0};
    struct sockaddr_storage us = {0};
    socklen_t length = sizeof us;
    if (!ask_kernel(pipe, &info) || getsockname(pipe->tcp, (struct sockaddr *)&us, &length) != 0)
        return 0;
    const uint64_t head = us.ss_family == AF_INET6 ? 72 : 52;
    const uint64_t all = info.tcpi_bytes_sent + info.tcpi_bytes_received +
                         head * ((uint64_t)info.tcpi_segs_out + info.tcpi_segs_in);
    const uint64_t more = all > pipe->counted ? all - pipe->counted : 0;
    pipe->counted = all;
    return more;
}
