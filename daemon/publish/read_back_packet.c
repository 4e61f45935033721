/* SPDX-License-Identifier: Apache-2.0
 *
 * read_back_packet.c - see read_back_packet.h.
 */
#include "read_back_packet.h"

#include "mqtt_packet.h"

#include <string.h>

#define SUBSCRIBE_QOS 1

/** Bytes behind a head whose length is known only at the end. */
struct body {
    uint8_t *at;
    size_t n, room;
    bool full;
};

static void put(struct body *body, const void *bytes, size_t n)
{
    if (body->full || n > body->room - body->n) {
        body->full = true;
        return;
    }
    if (n > 0)
        memcpy(body->at + body->n, bytes, n);
    body->n += n;
}
static void put_byte(struct body *body, uint8_t byte)
{
    put(body, &byte, 1);
}
static void put_two(struct body *body, uint16_t value)
{
    const uint8_t bytes[] = {(uint8_t)(value >> 8), (uint8_t)value};
    put(body, bytes, sizeof bytes);
}
static void put_text(struct body *body, const char *text)
{
    const size_t n = strlen(text);
    if (n > UINT16_MAX)
        body->full = true;
    put_two(body, (uint16_t)n);
    put(body, text, n);
}

/** Five bytes before the body are left for the head, which is moved up to it. */
#define HEAD_ROOM 5
static struct body begin(uint8_t *into, size_t room)
{
    return (struct body){.at = into + (room > HEAD_ROOM ? HEAD_ROOM : room),
                         .room = room > HEAD_ROOM ? room - HEAD_ROOM : 0,
                         .full = room <= HEAD_ROOM};
}
static size_t end(uint8_t *into, const struct body *body, uint8_t first)
{
    size_t head = 1, left = body->n;
    if (body->full || body->n > 268435455) /* MQTT 5.0, 1.5.5 */
        return 0;
    into[0] = first;
    do {
        into[head++] = (uint8_t)((left & 0x7F) | (left > 0x7F ? 0x80 : 0));
        left >>= 7;
    } while (left > 0);
    memmove(into + head, body->at, body->n);
    return head + body->n;
}

size_t packet_put_connect(uint8_t *into, size_t room, uint8_t version, const char *client_id,
                          const char *user, const char *password, uint16_t keep_alive_s,
                          uint32_t packet_max)
{
    struct body body = begin(into, room);
    put_text(&body, "MQTT");
    put_byte(&body, version == 5 ? 5 : 4);
    put_byte(&body, (uint8_t)(0x02 | (user != NULL ? 0x80 : 0) | (password != NULL ? 0x40 : 0)));
    put_two(&body, keep_alive_s);
    if (version == 5) { /* the largest packet that is taken: property 0x27 */
        const uint8_t most[] = {5,
                                0x27,
                                (uint8_t)(packet_max >> 24),
                                (uint8_t)(packet_max >> 16),
                                (uint8_t)(packet_max >> 8),
                                (uint8_t)packet_max};
        put(&body, most, sizeof most);
    }
    put_text(&body, client_id);
    if (user != NULL)
        put_text(&body, user);
    if (password != NULL)
        put_text(&body, password);
    return end(into, &body, 0x10);
}

size_t packet_put_subscribe(uint8_t *into, size_t room, uint8_t version, uint16_t id,
                            const char *const *topics, size_t n)
{
    struct body body = begin(into, room);
    put_two(&body, id);
    if (version == 5)
        put_byte(&body, 0); /* no properties */
    for (size_t i = 0; i < n; i++) {
        put_text(&body, topics[i]);
        put_byte(&body, SUBSCRIBE_QOS);
    }
    return end(into, &body, 0x82);
}

size_t packet_put_ack(uint8_t *into, size_t room, uint16_t id)
{
    struct body body = begin(into, room);
    put_two(&body, id);
    return end(into, &body, 0x40);
}
size_t packet_put_ping(uint8_t *into, size_t room)
{
    const struct body body = begin(into, room);
    return end(into, &body, 0xC0);
}
size_t packet_put_disconnect(uint8_t *into, size_t room)
{
    const struct body body = begin(into, room);
    return end(into, &body, 0xE0);
}

/* ---- what comes ---- */

/** At most four bytes, seven bits each, the least first. Their number; 0: more are needed, or it is
 * too long. */
static size_t take_number(const uint8_t *bytes, size_t n, size_t *value)
{
    *value = 0;
    for (size_t i = 0; i < 4 && i < n; i++) {
        *value |= (size_t)(bytes[i] & 0x7F) << (7 * i);
        if ((bytes[i] & 0x80) == 0)
            return i + 1;
    }
    return 0;
}

size_t packet_whole_length(const uint8_t *bytes, size_t n, size_t most)
{
    size_t length;
    if (n < 2)
        return 0;
    const size_t head = take_number(bytes + 1, n - 1, &length);
    if (head == 0)
        return n >= 5 ? most + 1 : 0;
    return 1 + head + length;
}

static size_t body_at(const uint8_t *packet, size_t n)
{
    size_t length;
    return 1 + take_number(packet + 1, n - 1, &length);
}

static size_t two(const uint8_t *at)
{
    return (size_t)at[0] << 8 | at[1];
}

/** Behind the properties that begin at `at`. */
static size_t behind_properties(const uint8_t *packet, size_t n, size_t at)
{
    size_t length;
    const size_t head = take_number(packet + at, n - at, &length);
    return at + head + length;
}

void packet_take_publish(const uint8_t *packet, size_t n, uint8_t version,
                         struct packet_publish *out)
{
    size_t at = body_at(packet, n);
    *out = (struct packet_publish){
        .retained = (packet[0] & 1) != 0, .topic_n = two(packet + at), .topic = packet + at + 2};
    at += 2 + out->topic_n;
    if ((packet[0] & 0x06) != 0) {
        out->id = (uint16_t)two(packet + at);
        at += 2;
    }
    if (version == 5)
        at = behind_properties(packet, n, at);
    out->payload = packet + at;
    out->payload_n = n - at;
}

uint8_t packet_reason(const uint8_t *packet, size_t n)
{
    const size_t at = body_at(packet, n) + (packet[0] >> 4 == PACKET_CONNACK ? 1 : 0);
    return at < n ? packet[at] : 0; /* of a DISCONNECT without one: normal */
}

size_t packet_take_suback(const uint8_t *packet, size_t n, uint8_t version, const uint8_t **codes)
{
    size_t at = body_at(packet, n) + 2;
    if (version == 5)
        at = behind_properties(packet, n, at);
    *codes = packet + at;
    return n - at;
}
