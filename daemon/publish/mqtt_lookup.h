/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_lookup.h - the addresses of a broker's name, looked up in a helper thread: a name server
 * that hangs holds up nobody, neither this destination's own thread nor a stop.
 *
 * At most one lookup is under way; while it hangs no other is begun. Its thread is never waited
 * for: what it works on belongs to whoever of the two lets go last.
 */
#ifndef UPHOLE_PUBLISH_MQTT_LOOKUP_H
#define UPHOLE_PUBLISH_MQTT_LOOKUP_H

#include <stdbool.h>
#include <stdint.h>

#define LOOKUP_ADDRESSES_MAX 8
#define LOOKUP_ADDRESS_MAX 64 /* an IPv6 address with its scope */

struct lookup_result {
    int code; /* 0, or EAI_... of getaddrinfo */
    unsigned n;
    char address[LOOKUP_ADDRESSES_MAX][LOOKUP_ADDRESS_MAX];
};

struct lookup_job;
struct mqtt_lookup {
    struct lookup_job *job; /* under way; NULL: none */
};

/** True: `host` is an address itself, and `result` holds it. */
bool lookup_is_address(const char *host, struct lookup_result *result);
/** Begins a lookup, unless one is under way. False: no thread or memory for it. */
bool lookup_begin(struct mqtt_lookup *lookup, const char *host);
/** Takes the result of the lookup under way; false while there is none. */
bool lookup_take(struct mqtt_lookup *lookup, struct lookup_result *result);
/** To be polled for reading: a result is there. -1: none is under way. */
int lookup_fd(const struct mqtt_lookup *lookup);
/** Lets go of the lookup under way, without waiting for it. */
void lookup_leave(struct mqtt_lookup *lookup);

#endif
