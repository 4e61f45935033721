/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_packet.c - see mqtt_packet.h. Sources: MQTT 5.0, 2.1 (head), 2.2.2.2 table 2-4 (properties),
 * 3.2, 3.3, 3.4, 3.9, 3.13, 3.14 (packets); MQTT 3.1.1, 3.2, 3.4, 3.9.
 */
#include "mqtt_packet.h"

/** What is left to read. */
struct rest {
    const uint8_t *at;
    size_t n;
};

static bool skip(struct rest *rest, size_t n)
{
    if (n > rest->n)
        return false;
    rest->at += n;
    rest->n -= n;
    return true;
}

static bool skip_text(struct rest *rest) /* and binary data: two bytes of length before it */
{
    return rest->n >= 2 && skip(rest, 2 + ((size_t)rest->at[0] << 8 | rest->at[1]));
}

/** MQTT 5.0, 1.5.5: at most four bytes, seven bits each, the least first. */
static bool read_number(struct rest *rest, size_t *value)
{
    *value = 0;
    for (unsigned i = 0; i < 4; i++) {
        if (rest->n == 0)
            return false;
        uint8_t byte = *rest->at;
        (void)skip(rest, 1);
        *value |= (size_t)(byte & 0x7F) << (7 * i);
        if ((byte & 0x80) == 0)
            return true;
    }
    return false;
}

enum property_type { NO_PROPERTY = 0, ONE_BYTE, TWO_BYTES, FOUR_BYTES, NUMBER, TEXT, TWO_TEXTS };

/* MQTT 5.0, table 2-4. */
static const uint8_t PROPERTIES[] = {
    [0x01] = ONE_BYTE,   [0x02] = FOUR_BYTES, [0x03] = TEXT,       [0x08] = TEXT,
    [0x09] = TEXT,       [0x0B] = NUMBER,     [0x11] = FOUR_BYTES, [0x12] = TEXT,
    [0x13] = TWO_BYTES,  [0x15] = TEXT,       [0x16] = TEXT,       [0x17] = ONE_BYTE,
    [0x18] = FOUR_BYTES, [0x19] = ONE_BYTE,   [0x1A] = TEXT,       [0x1C] = TEXT,
    [0x1F] = TEXT,       [0x21] = TWO_BYTES,  [0x22] = TWO_BYTES,  [0x23] = TWO_BYTES,
    [0x24] = ONE_BYTE,   [0x25] = ONE_BYTE,   [0x26] = TWO_TEXTS,  [0x27] = FOUR_BYTES,
    [0x28] = ONE_BYTE,   [0x29] = ONE_BYTE,   [0x2A] = ONE_BYTE,
};

static bool skip_property(struct rest *rest)
{
    size_t id, value;
    if (!read_number(rest, &id) || id >= sizeof PROPERTIES)
        return false;
    switch ((enum property_type)PROPERTIES[id]) {
    case ONE_BYTE:
        return skip(rest, 1);
    case TWO_BYTES:
        return skip(rest, 2);
    case FOUR_BYTES:
        return skip(rest, 4);
    case NUMBER:
        return read_number(rest, &value);
    case TEXT:
        return skip_text(rest);
    case TWO_TEXTS:
        return skip_text(rest) && skip_text(rest);
    default:
        return false;
    }
}

static bool skip_properties(struct rest *rest)
{
    size_t length;
    if (!read_number(rest, &length) || length > rest->n)
        return false;
    struct rest properties = {rest->at, length};
    while (properties.n > 0)
        if (!skip_property(&properties))
            return false;
    return skip(rest, length);
}

/** A reason and properties, each of which may be left out with what follows. */
static bool is_ending(struct rest *rest)
{
    return rest->n == 0 ||
           (skip(rest, 1) && (rest->n == 0 || (skip_properties(rest) && rest->n == 0)));
}

static bool is_publish(struct rest *rest, uint8_t flags, uint8_t version)
{
    const unsigned qos = flags >> 1 & 3u;
    /* 2 was never granted, so it is never sent. */
    return qos <= 1 && skip_text(rest) && (qos == 0 || skip(rest, 2)) &&
           (version < 5 || skip_properties(rest));
}

size_t mqtt_packet_length(const uint8_t *bytes, size_t n)
{
    if (n < 2)
        return 0;
    struct rest rest = {bytes + 1, n - 1};
    size_t length;
    return read_number(&rest, &length) ? (size_t)(rest.at - bytes) + length : 0;
}

bool mqtt_packet_is_sound(const uint8_t *packet, size_t n, uint8_t version)
{
    struct rest rest = {packet, n};
    size_t length;
    if (!skip(&rest, 1) || !read_number(&rest, &length) || length != rest.n)
        return false;
    const uint8_t flags = packet[0] & 0x0F;
    switch (packet[0] >> 4) {
    case 2: /* CONNACK; two bytes alone: of a broker that speaks no MQTT 5 */
        return flags == 0 && skip(&rest, 2) &&
               (rest.n == 0 || (version >= 5 && skip_properties(&rest) && rest.n == 0));
    case 3: /* PUBLISH */
        return is_publish(&rest, flags, version);
    case 4: /* PUBACK */
        return flags == 0 && skip(&rest, 2) && (version >= 5 ? is_ending(&rest) : rest.n == 0);
    case 9: /* SUBACK */
        return flags == 0 && skip(&rest, 2) && (version < 5 || skip_properties(&rest)) &&
               rest.n > 0;
    case 13: /* PINGRESP */
        return flags == 0 && rest.n == 0;
    case 14: /* DISCONNECT */
        return version >= 5 && flags == 0 && is_ending(&rest);
    default:
        return false;
    }
}
