/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_packet.h - looks into a packet of the broker before the client library does. Pure.
 *
 * The library ends the process over a property that it doesn't know (an assertion of 2.0.11), so
 * that one broker gone mad would take the table and the other brokers along. So only what MQTT lets
 * a broker say to a client like ours goes through: whole packets of the six kinds that it may get,
 * with properties that the standard names.
 */
#ifndef UPHOLE_PUBLISH_MQTT_PACKET_H
#define UPHOLE_PUBLISH_MQTT_PACKET_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Length of the packet that begins at `bytes`, its head included; 0: more bytes are needed to
 * tell. The length's own bytes must be in order (mqtt_follow_bytes). */
size_t mqtt_packet_length(const uint8_t *bytes, size_t n);
/** Whether a whole packet of n bytes is one that a broker may send us; `version` 5 or 3 (3.1.1). */
bool mqtt_packet_is_sound(const uint8_t *packet, size_t n, uint8_t version);

#endif
