/* SPDX-License-Identifier: Apache-2.0
 *
 * server_client.c - one connection of the table: bytes to frames, frames to answers, in order.
 *
 * A frame that can't be Modbus TCP (protocol id, length) ends the connection without an answer:
 * nothing after it could be trusted to be a frame. Whoever doesn't read is not read from, and is
 * closed in the end. Source: Modbus Messaging on TCP/IP V1.0b, 3.1.3.
 */
#include "server_inside.h"

#include "uphole/wire.h"

#include <errno.h>
#include <string.h>
#include <sys/epoll.h>
#include <unistd.h>

#define LENGTH_LEAST 2u /* unit id and function */
#define LENGTH_MOST 254u

static void wait_for(struct table_server *server, struct client *client, bool to_send)
{
    if (client->waits_to_send == to_send)
        return;
    client->waits_to_send = to_send;
    struct epoll_event event = {.events = to_send ? EPOLLOUT : EPOLLIN, .data.ptr = client};
    epoll_ctl(server->epoll_fd, EPOLL_CTL_MOD, client->fd, &event);
}

void client_close(struct table_server *server, struct client *client)
{
    if (client->fd < 0)
        return;
    close(client->fd); /* leaves the epoll set by itself: the descriptor has no duplicate */
    client->fd = -1;
    server->n_clients--;
}

/** Sends what waits; false where the connection is gone (and closed). */
static bool flush_out(struct table_server *server, struct client *client, int64_t now_ms)
{
    while (client->out_n > 0) {
        ssize_t sent = send(client->fd, client->out + client->out_from, client->out_n,
                            MSG_NOSIGNAL | MSG_DONTWAIT);
        if (sent < 0 && errno == EINTR)
            continue;
        if (sent < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) {
            if (!client->waits_to_send)
                client->blocked_since_ms = now_ms;
            wait_for(server, client, true);
            return true;
        }
        if (sent < 0) {
            client_close(server, client);
            return false;
        }
        client->out_from = (uint16_t)(client->out_from + sent);
        client->out_n = (uint16_t)(client->out_n - sent);
    }
    client->out_from = 0;
    wait_for(server, client, false);
    return true;
}

static bool is_write(uint8_t function)
{
    static const uint8_t writes[] = {0x05, 0x06, 0x0F, 0x10, 0x15, 0x16, 0x17};
    return memchr(writes, function, sizeof writes) != NULL;
}

/** Answers the frame at `frame` (whole, `length` bytes behind its sixth) into the buffer, where
 * there is room for any answer. */
static void answer_frame(struct table_server *server, struct client *client, const uint8_t *frame,
                         size_t length, int64_t now_ms)
{
    const uint8_t *request = frame + MBAP_SIZE;
    size_t n = length - 1;
    if (n == 5 &&
        (request[0] == MODBUS_READ_HOLDING_REGISTERS || request[0] == MODBUS_READ_INPUT_REGISTERS))
        image_age(server->image, get_u16(request + 1), get_u16(request + 3), now_ms);
    uint8_t *out = client->out + client->out_from + client->out_n;
    size_t answered = table_answer(server->image, frame[6], request, n, out + MBAP_SIZE);
    memcpy(out, frame, 4); /* transaction and protocol id */
    put_u16(out + 4, (uint16_t)(answered + 1));
    out[6] = frame[6];
    client->out_n = (uint16_t)(client->out_n + MBAP_SIZE + answered);
    client->has_asked = true;
    client->since_ms = now_ms;
    server->counts.requests++;
    if (out[MBAP_SIZE] & 0x80u) {
        server->counts.exceptions++;
        if (is_write(request[0])) {
            server->counts.writes_refused++;
            server->writer = client->peer;
        }
    }
}

/** Answers the whole frames at hand while there is room for answers; false where the connection was
 * closed. */
static bool answer_frames(struct table_server *server, struct client *client, int64_t now_ms)
{
    size_t at = 0;
    while (client->in_n - at >= MBAP_SIZE) {
        const uint8_t *frame = client->in + at;
        unsigned length = get_u16(frame + 4);
        if (get_u16(frame + 2) != 0 || length < LENGTH_LEAST || length > LENGTH_MOST) {
            server->counts.bad_frame++;
            client_close(server, client);
            return false;
        }
        if (client->in_n - at < 6 + (size_t)length)
            break;
        if (client->out_from + client->out_n + TCP_ADU_MAX > CLIENT_OUT_MAX) {
            if (!flush_out(server, client, now_ms))
                return false;
            if (client->out_n > 0)
                break; /* goes on when these are taken */
        }
        answer_frame(server, client, frame, length, now_ms);
        at += 6 + length;
    }
    if (at > 0) {
        client->in_n = (uint16_t)(client->in_n - at);
        memmove(client->in, client->in + at, client->in_n);
        client->frame_since_ms = now_ms;
    }
    return client->waits_to_send || flush_out(server, client, now_ms);
}

/** Takes what came; false where the connection was closed. */
static bool receive(struct table_server *server, struct client *client, int64_t now_ms)
{
    size_t room = CLIENT_IN_MAX - client->in_n;
    if (room == 0)
        return true;
    ssize_t got = recv(client->fd, client->in + client->in_n, room, MSG_DONTWAIT);
    if (got < 0 && (errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR))
        return true;
    if (got < 0) {
        client_close(server, client);
        return false;
    }
    if (got == 0) {
        client->is_ending = true;
        return true;
    }
    if (client->in_n == 0)
        client->frame_since_ms = now_ms;
    client->in_n = (uint16_t)(client->in_n + got);
    return true;
}

void client_is_ready(struct table_server *server, struct client *client, uint32_t events,
                     int64_t now_ms)
{
    if (client->fd < 0)
        return;
    if (client->waits_to_send) {
        if ((events & (EPOLLERR | EPOLLHUP)) != 0) {
            client_close(server, client);
            return;
        }
        if (!flush_out(server, client, now_ms) || client->waits_to_send)
            return;
        if (!answer_frames(server, client, now_ms)) /* those that had to wait */
            return;
    } else if (!receive(server, client, now_ms) || !answer_frames(server, client, now_ms)) {
        return;
    }
    if (client->is_ending && client->out_n == 0)
        client_close(server, client);
}

void client_sweep(struct table_server *server, struct client *client, int64_t now_ms)
{
    uint32_t idle_ms = server->options.destination->idle_ms;
    uint64_t *count = NULL;
    if (client->waits_to_send) {
        if (now_ms - client->blocked_since_ms >= TAKEN_WITHIN_MS)
            count = &server->counts.not_reading;
    } else if (client->in_n > 0) {
        if (now_ms - client->frame_since_ms >= FRAME_WITHIN_MS)
            count = &server->counts.stalled;
    } else if (idle_ms > 0 && now_ms - client->since_ms >= idle_ms) {
        count = &server->counts.idle;
    }
    if (count == NULL)
        return;
    (*count)++;
    client_close(server, client);
}
