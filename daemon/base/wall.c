/* SPDX-License-Identifier: Apache-2.0
 *
 * wall.c - messages between the well side and the SCADA side, one a packet of a SOCK_SEQPACKET
 * pair.
 *
 * A message is sent as the leading bytes of its struct, up to the last element that its counts
 * name; arrays stand last for that. The receiver takes nothing on trust: size, counts, indices,
 * enumerations, flags and the ends of texts are checked before the caller sees them, and what was
 * not sent reads as zero.
 */
#include "wall.h"

#include <errno.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define BUFFER_BYTES                                                                               \
    (1 << 20) /* asked for; the kernel gives what net.core.wmem_max allows, with 64 full records   \
                 as the need */
#define WAIT_SLICES 8
#define TRIES_MAX 8 /* of a call that a signal interrupted */

int wall_pair(int fds[static 2])
{
    if (socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, fds) != 0)
        return -1;
    const int bytes = BUFFER_BYTES;
    for (int i = 0; i < 2; i++) {
        /* More room only delays the moment of UP_E_FULL, so a refusal is no failure. */
        (void)setsockopt(fds[i], SOL_SOCKET, SO_SNDBUF, &bytes, sizeof bytes);
        (void)setsockopt(fds[i], SOL_SOCKET, SO_RCVBUF, &bytes, sizeof bytes);
    }
    return 0;
}

enum up_rc wall_send(int fd, const struct wall_message *message)
{
    size_t size = wall_size(message);
    if (size == 0)
        return UP_E_RANGE;
    for (int i = 0; i < TRIES_MAX; i++) {
        if (send(fd, message, size, MSG_DONTWAIT | MSG_NOSIGNAL) >= 0)
            return UP_OK;
        if (errno != EINTR)
            break;
    }
    switch (errno) {
    case EAGAIN:
    case ENOBUFS:
    case ENOMEM:
    case EINTR:
        return UP_E_FULL;
    case EMSGSIZE:
        return UP_E_RANGE;
    default:
        return UP_E_PORT;
    }
}

enum up_rc wall_send_wait(int fd, const struct wall_message *message, int timeout_ms)
{
    /* No clock here: the span is spent in slices, so a wake-up that another sender used up costs
     * one slice, not the whole span anew. */
    int slice_ms = timeout_ms <= 0 ? 0 : (timeout_ms + WAIT_SLICES - 1) / WAIT_SLICES;
    enum up_rc rc = wall_send(fd, message);
    for (int i = 0; i < WAIT_SLICES && rc == UP_E_FULL && slice_ms > 0; i++) {
        struct pollfd ready = {.fd = fd, .events = POLLOUT};
        (void)poll(&ready, 1, slice_ms);
        rc = wall_send(fd, message);
    }
    return rc;
}

enum up_rc wall_receive(int fd, struct wall_message *message)
{
    ssize_t got = -1;
    for (int i = 0; i < TRIES_MAX; i++) {
        got = recv(fd, message, sizeof *message, MSG_DONTWAIT | MSG_TRUNC);
        if (got >= 0 || errno != EINTR)
            break;
    }
    if (got < 0 && (errno == EAGAIN || errno == EINTR))
        return UP_E_TIMEOUT;
    if (got <= 0)
        return UP_E_PORT;
    size_t size = (size_t)got;
    if (size <= sizeof *message)
        memset((unsigned char *)message + size, 0, sizeof *message - size);
    bool sound = size <= sizeof *message && size >= sizeof message->kind &&
                 wall_least_size(message->kind) != 0 && size >= wall_least_size(message->kind) &&
                 size == wall_size(message) && wall_is_sound(message);
    if (!sound) {
        memset(message, 0, sizeof *message);
        return UP_E_FRAME;
    }
    return UP_OK;
}

enum up_rc wall_send_plan(int fd, uint32_t plan_serial, const char *text, size_t length,
                          int timeout_ms)
{
    struct wall_message message;
    memset(&message, 0, sizeof message);
    message.kind = WALL_PLAN;
    message.plan_serial = plan_serial;
    if (length == 0 || length > WALL_PLAN_BYTES_MAX)
        return UP_E_RANGE;
    message.plan.total = (uint32_t)length;
    for (size_t offset = 0; offset < length;) {
        size_t size = length - offset < WALL_PIECE_MAX ? length - offset : WALL_PIECE_MAX;
        message.plan.offset = (uint32_t)offset;
        message.plan.size = (uint32_t)size;
        memcpy(message.plan.bytes, text + offset, size);
        enum up_rc rc = wall_send_wait(fd, &message, timeout_ms);
        if (rc != UP_OK)
            return rc;
        offset += size;
    }
    return UP_OK;
}
