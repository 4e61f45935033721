/* SPDX-License-Identifier: Apache-2.0
 *
 * read_back_packet.h - the few MQTT packets of a session that only reads, as bytes. Pure.
 * Sources: MQTT 5.0, 2.1, 3.1, 3.3, 3.4, 3.8, 3.9, 3.12; MQTT 3.1.1, the same sections.
 *
 * What comes is looked into by mqtt_packet.h first; here it is only taken apart.
 */
#ifndef UPHOLE_PUBLISH_READ_BACK_PACKET_H
#define UPHOLE_PUBLISH_READ_BACK_PACKET_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum packet_type {
    PACKET_CONNACK = 2,
    PACKET_PUBLISH = 3,
    PACKET_SUBACK = 9,
    PACKET_PINGRESP = 13,
    PACKET_DISCONNECT = 14
};

/** Each writes a whole packet and returns its length, 0 where it does not fit. `version` 5 or 3
 * (3.1.1); user and password NULL: none. */
size_t packet_put_connect(uint8_t *into, size_t room, uint8_t version, const char *client_id,
                          const char *user, const char *password, uint16_t keep_alive_s,
                          uint32_t packet_max);
/** Of `n` topics with QoS 1. */
size_t packet_put_subscribe(uint8_t *into, size_t room, uint8_t version, uint16_t id,
                            const char *const *topics, size_t n);
size_t packet_put_ack(uint8_t *into, size_t room, uint16_t id);
size_t packet_put_ping(uint8_t *into, size_t room);
size_t packet_put_disconnect(uint8_t *into, size_t room);

/** Length of the packet that begins here, its head included; 0: more bytes are needed to tell;
 * above `most`: it is too long, or no MQTT. */
size_t packet_whole_length(const uint8_t *bytes, size_t n, size_t most);

struct packet_publish {
    const uint8_t *topic, *payload;
    size_t topic_n, payload_n;
    uint16_t id; /* 0: not to be acknowledged */
    bool retained;
};
/** Of a sound packet (mqtt_packet_is_sound). */
void packet_take_publish(const uint8_t *packet, size_t n, uint8_t version,
                         struct packet_publish *out);
/** Reason code of a sound CONNACK or DISCONNECT. */
uint8_t packet_reason(const uint8_t *packet, size_t n);
/** Codes of a sound SUBACK: their number, and where they stand. */
size_t packet_take_suback(const uint8_t *packet, size_t n, uint8_t version, const uint8_t **codes);

#endif
