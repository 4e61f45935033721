/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_rest.h - how long a destination rests before it tries again (pure).
 *
 * A broker that is back is found within 15 s, however long it was away: at most 5 s for a
 * connection that nobody takes, and at most 10 s of rest. Full jitter spreads the boxes of a field
 * over that time, so that a broker which comes back isn't met by all of them at once.
 */
#ifndef UPHOLE_PUBLISH_MQTT_REST_H
#define UPHOLE_PUBLISH_MQTT_REST_H

#include <stdbool.h>
#include <stdint.h>

#define MQTT_REACH_DEADLINE_MS 5000
#define MQTT_REST_LEAST_MS 200
#define MQTT_REST_FIRST_MS 1000u
#define MQTT_REST_MOST_MS 9500u
/* Certificate, password, name at the broker: nothing that a second try cures. */
#define MQTT_REST_SLOW_FIRST_MS 4000u
#define MQTT_REST_SLOW_MOST_MS 30000u

/** After `attempts` that failed in a row before this one; `random` is any number. */
static inline uint32_t mqtt_rest_ms(uint32_t attempts, bool is_slow, uint32_t random)
{
    const uint32_t most = is_slow ? MQTT_REST_SLOW_MOST_MS : MQTT_REST_MOST_MS;
    uint32_t limit = is_slow ? MQTT_REST_SLOW_FIRST_MS : MQTT_REST_FIRST_MS;
    for (uint32_t i = 0; i < attempts && limit < most; i++)
        limit *= 2;
    return MQTT_REST_LEAST_MS + random % (limit < most ? limit : most);
}

#endif
