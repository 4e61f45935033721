/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_link.h - one connection to a broker by the client library, for whoever publishes (mqtt.h) or
 * only reads (read_back.h): name, TCP, TLS, and the library behind the pipe.
 *
 *   begin ─▶ LOOKING ─ look ─▶ reach ─▶ CONNECTING ─ serve ─▶ CONNECTED ─ serve ─▶ ... drop
 *                                 ▲         │
 *                                 └─ next ──┘ of several addresses
 *
 * The library speaks MQTT and nothing else: the name is looked up by mqtt_lookup.c, TLS is
 * mqtt_tls.c's, and the library is given an address. It (2.0.11) calls no callback for several ways
 * in which a connection ends, and returns success for some of them. So every return value, the
 * connection itself, and deadlines of ours are looked at, and any of them ends the attempt.
 *
 * The owner sets the library's callbacks, which get the owner; on a CONNACK that lets it in it sets
 * phase to MQTT_CONNECTED. Nothing here waits. One thread.
 */
#ifndef UPHOLE_PUBLISH_MQTT_LINK_H
#define UPHOLE_PUBLISH_MQTT_LINK_H

#include "mqtt_lookup.h"
#include "mqtt_pipe.h"
#include "mqtt_words.h"

#include "uphole/error.h"
#include "uphole/stamp.h"

#include <mosquitto.h>

#define MQTT_USER_TIMEOUT_MS 30000u
#define MQTT_LOOKUP_DEADLINE_MS 10000
#define MQTT_CONNECT_DEADLINE_MS 15000

enum mqtt_phase { MQTT_RESTING = 1, MQTT_LOOKING, MQTT_CONNECTING, MQTT_CONNECTED };

/** Who connects; borrowed for the call. */
struct mqtt_link_options {
    const char *client_id;
    const struct destination_plan *to;
    const struct up_clock *clock; /* borrowed for the link's life */
    uint16_t keepalive_s;
    uint32_t take_most; /* bytes of a packet, without its head; a larger one ends the connection */
    void *owner;        /* of the callbacks */
};

struct mqtt_link {
    struct mosquitto *library; /* NULL: none */
    struct mqtt_pipe pipe;
    const struct up_clock *clock;
    uint16_t keepalive_s;
    uint8_t phase;
    struct mqtt_lookup lookup;
    struct lookup_result found;
    unsigned address; /* of `found`, that is tried */
    int64_t reach_ms, deadline_ms, misc_ms;
    bool pipe_heard, library_heard; /* since it was served: poll found something to do there */
};

/** Zeroed before the first time. The phase is MQTT_RESTING, the connection none. */
UP_MUST enum up_rc mqtt_link_open(struct mqtt_link *link, const struct mqtt_link_options *options,
                                  struct up_error *error);
/** Safe when closed; a lookup under way goes on, for the next open. */
void mqtt_link_close(struct mqtt_link *link);

enum mqtt_look { LOOK_WAITS = 0, LOOK_FOUND, LOOK_FAILED };
/** Begins an attempt as `user` (NULL: none), with the first line of `password_file` (NULL: none),
 * and looks for the host's addresses. LOOK_FAILED: trouble. */
enum mqtt_look mqtt_link_begin(struct mqtt_link *link, const struct destination_plan *to,
                               const char *user, const char *password_file,
                               struct mqtt_trouble *trouble);
/** While it waits: are they there? */
enum mqtt_look mqtt_link_look(struct mqtt_link *link, struct mqtt_trouble *trouble);
/** To the address whose turn it is. False: trouble. */
bool mqtt_link_reach(struct mqtt_link *link, const struct destination_plan *to,
                     struct mqtt_trouble *trouble);
/** A name may have several addresses, of which one answers: true where it is another one's turn. */
bool mqtt_link_next(struct mqtt_link *link, const struct mqtt_trouble *trouble);

#define MQTT_LINK_FDS 3
/** What to wait for, and how long: `timeout_ms`, or 0 where something is to be acted on at once.
 * Hands over first what the library holds. */
int mqtt_link_wants(struct mqtt_link *link, struct pollfd fds[static MQTT_LINK_FDS],
                    int timeout_ms);
/** What poll found there: only that is looked at, as each look is a call of the system. */
void mqtt_link_hear(struct mqtt_link *link, const struct pollfd fds[static MQTT_LINK_FDS]);
/** Moves bytes, reads, writes and keeps alive as far as that needs no waiting; the library takes
 * one packet at most. False: the connection is over, trouble says why; what the callbacks noted
 * counts first. */
bool mqtt_link_serve(struct mqtt_link *link, struct mqtt_trouble *trouble);
/** What an attempt waits for, as the reason why it is given up. */
void mqtt_link_give_up(const struct mqtt_link *link, struct mqtt_trouble *trouble);
/** Says DISCONNECT, and goodbye to TLS, if that needs no waiting. */
void mqtt_link_leave(struct mqtt_link *link);
/** Ends the connection, if any, without a word. What the library holds stays held. */
void mqtt_link_drop(struct mqtt_link *link);

#endif
