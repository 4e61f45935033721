/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt.h - one MQTT destination in a thread of its own. It takes from side_inbox(side,
 * destination), reads side_snapshot_copy and side_state_copy for `latest` and `box`, and sends
 * want, accepted, refused and destination through side_send.
 */
#ifndef UPHOLE_PUBLISH_MQTT_H
#define UPHOLE_PUBLISH_MQTT_H

#include "side.h"

struct mqtt_client;

/** Starts it; never waits for the broker. NULL (error filled) only where threads, memory or the
 * library fail, or the secrets can't be read. */
struct mqtt_client *mqtt_client_start(const struct plan *plan, uint16_t destination,
                                      struct side *side, struct up_error *error);
/** Hands it the side of a new plan, in which its stanza, the site and the box are the same: it goes
 * over between two steps, and keeps its connection. Any thread. NULL is fine. */
void mqtt_client_take_side(struct mqtt_client *client, struct side *side);
/** Publishes "offline" if connected, disconnects, ends its thread: within `within_ms`. False: it
 * did not end and was left behind; what it borrowed must then stay until the process
 * ends. NULL is fine. */
bool mqtt_client_stop(struct mqtt_client *client, int within_ms);

#endif
