/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_guard.c - packets from the broker that are too large are seen before the client library
 * takes them into memory, which it does without limit.
 *
 * Where the bytes are plain, the head of the next packet is peeked at whenever the library stands
 * between two packets. Where they are not (TLS), or a head comes in pieces, a second bound holds:
 * the kernel counts what a connection received, and no packet of ours needs MQTT_TAKE_BYTES_MAX.
 * What the library reserves and never fills costs no memory.
 */
#include "mqtt_inside.h"

#include <linux/tcp.h>
#include <netinet/in.h>
#include <sys/ioctl.h>
#include <sys/socket.h>

uint32_t mqtt_packet_length(const uint8_t *bytes, size_t n)
{
    uint32_t length = 0;
    for (size_t i = 1; i < n;
         i++) { /* MQTT 5.0, 1.5.5: seven bits a byte, least first, four bytes at most */
        if (i > 4)
            return UINT32_MAX;
        length |= (uint32_t)(bytes[i] & 0x7F) << (7 * (i - 1));
        if ((bytes[i] & 0x80) == 0)
            return length + 1 + (uint32_t)i;
    }
    return n > 5 ? UINT32_MAX : 0;
}

static uint64_t bytes_received(int socket_fd)
{
    struct tcp_info info = {0};
    socklen_t length = sizeof info;
    if (getsockopt(socket_fd, IPPROTO_TCP, TCP_INFO, &info, &length) != 0)
        return 0;
    return info.tcpi_bytes_received;
}

/* Bytes of this connection that were read out of the kernel; UINT64_MAX where more kept coming
 * while we counted. */
static uint64_t bytes_taken(int socket_fd)
{
    for (int tries = 0; tries < 4; tries++) {
        uint64_t before = bytes_received(socket_fd);
        int unread = 0;
        if (ioctl(socket_fd, FIONREAD, &unread) != 0)
            return UINT64_MAX;
        if (before == bytes_received(socket_fd))
            return before - (uint64_t)unread;
    }
    return UINT64_MAX;
}

void mqtt_guard_begin(struct mqtt_guard *guard, bool plain)
{
    *guard = (struct mqtt_guard){.plain = plain, .at_boundary = true};
}

static void peek(struct mqtt_guard *guard, int socket_fd)
{
    uint8_t head[6];
    ssize_t n = recv(socket_fd, head, sizeof head, MSG_PEEK | MSG_DONTWAIT);
    if (n > 0 && mqtt_packet_length(head, (size_t)n) > MQTT_TAKE_PACKET_MAX)
        guard->too_large = true;
}

bool mqtt_guard_look(struct mqtt_guard *guard, int socket_fd)
{
    guard->packet_ended = false;
    if (guard->plain && guard->at_boundary)
        peek(guard, socket_fd);
    return !guard->too_large;
}

void mqtt_guard_packet(struct mqtt_guard *guard, int socket_fd)
{
    guard->packet_ended = true;
    if (socket_fd < 0)
        return;
    guard->received = bytes_received(socket_fd);
    if (!guard->plain)
        return;
    guard->taken = bytes_taken(socket_fd);
    peek(guard, socket_fd);
}

bool mqtt_guard_after(struct mqtt_guard *guard, int socket_fd)
{
    if (guard->too_large)
        return false;
    if (socket_fd < 0)
        return true;
    if (guard->plain) {
        uint64_t taken = bytes_taken(socket_fd);
        guard->at_boundary = taken != UINT64_MAX && taken == guard->taken;
    }
    return bytes_received(socket_fd) - guard->received <= MQTT_TAKE_BYTES_MAX;
}
