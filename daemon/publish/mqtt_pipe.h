/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_pipe.h - what stands between the broker and the client library: every byte passes through
 * here, so that a packet which is too large is seen before the library takes it into memory (it
 * reserves and reads whatever length a packet states, in one go), and so that TLS is ours.
 *
 *   broker ── TCP ─ (TLS) ─ [ in 1 packet ] ──▶ pair ──▶ library
 *                           [ out 64 KiB  ] ◀── pair ◀── library
 *
 * The library's descriptor is the other end of the pair; it notices nothing. Its bytes are followed
 * packet by packet: a head that states more than the owner takes goes no further, and a packet
 * goes to the library when it is whole and was looked into (mqtt_packet.h).
 */
#ifndef UPHOLE_PUBLISH_MQTT_PIPE_H
#define UPHOLE_PUBLISH_MQTT_PIPE_H

#include "mqtt_tls.h"

#include <poll.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define MQTT_PIPE_ROOM 16384
/* A batch of records in one piece: a call costs as much as a row. */
#define MQTT_PIPE_OUT_ROOM 65536

/** Follows MQTT packets byte by byte. To begin, zero but for `most`. */
struct mqtt_follow {
    uint32_t most;      /* bytes of a body that pass */
    uint8_t part;       /* 0: type, 1 to 4: that byte of the length, 5: body */
    uint32_t remaining; /* of the body */
};
/** False where these bytes begin a packet that states more than `most`, or no MQTT length.
 * Source: MQTT 5.0, 1.5.5, 2.1. */
bool mqtt_follow_bytes(struct mqtt_follow *follow, const uint8_t *bytes, size_t n);

struct mqtt_pipe {
    int tcp, inner;       /* -1: closed */
    struct mqtt_tls *tls; /* NULL: plain */
    bool stands;          /* the handshake is done, or there is none to do */
    uint8_t version;      /* 5 or 3; 0: packets aren't looked into */
    bool too_large, not_mqtt, ended, told_end;
    int why;          /* errno of the end; 0: the broker closed; EPROTO: TLS failed */
    uint64_t counted; /* of mqtt_pipe_network_bytes, taken already */
    struct mqtt_follow follow;
    size_t in_at, in_n, out_at, out_n;
    size_t sound_n;     /* of in_n: whole packets that may be passed on */
    uint32_t take_most; /* bytes of a packet without its head */
    uint8_t *in;        /* room for such a packet, and what comes in one go */
    uint8_t out[MQTT_PIPE_OUT_ROOM];
};

/** Before all else, once: the largest packet that is taken, and memory for it. False: none. */
bool mqtt_pipe_prepare(struct mqtt_pipe *pipe, uint32_t take_most);
/** Puts itself between: `library_fd`, a connecting TCP socket, becomes an end of a pair. False: no
 * descriptors left. */
bool mqtt_pipe_open(struct mqtt_pipe *pipe, int library_fd, uint8_t version);
/** From now on bytes go through TLS; the pipe owns it. */
void mqtt_pipe_set_tls(struct mqtt_pipe *pipe, struct mqtt_tls *tls);
void mqtt_pipe_close(struct mqtt_pipe *pipe);   /* safe when closed */
void mqtt_pipe_discard(struct mqtt_pipe *pipe); /* closes it, and gives its memory back */
/** What to wait for, on the broker's and the inner side. */
void mqtt_pipe_wants(const struct mqtt_pipe *pipe, struct pollfd *tcp, struct pollfd *inner);
/** Moves what can be moved without waiting, to the broker. */
void mqtt_pipe_send(struct mqtt_pipe *pipe);
/** The same to the library, one buffer full at most; true: it has something to read, or the end. */
bool mqtt_pipe_take(struct mqtt_pipe *pipe);
/** The broker's host has taken the connection. */
bool mqtt_pipe_is_connected(const struct mqtt_pipe *pipe);
/**
 * Bytes on the network since the last call, both ways: what TCP sent (repeats too) and received by
 * the kernel's count, TLS included, and the heads of its packets, counted with 52 bytes each (IPv4
 * 20, TCP 20 and its time stamps 12; RFC 791, 9293, 7323), 72 with IPv6.
 */
uint64_t mqtt_pipe_network_bytes(struct mqtt_pipe *pipe);

#endif
