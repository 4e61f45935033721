/* SPDX-License-Identifier: Apache-2.0
 *
 * read_back.h - what does SCADA hear? A session of its own at a destination's broker that only reads: a well's topics and the box's.
 *
 * It works in a command beside the daemon, with the daemon's settings and TLS, under a client id of its own that no box can have, so that it takes over
 * nobody's session. It publishes nothing and has no last will. Each call waits as long as it says and no longer; a packet beyond READ_BACK_PACKET_MAX ends
 * the session.
 */
#ifndef UPHOLE_READ_BACK_H
#define UPHOLE_READ_BACK_H

#include "uphole/plan.h"
#include "uphole/stamp.h"

#include <signal.h>

#define READ_BACK_PACKET_MAX (256 * 1024)
#define READ_BACK_ID_MAX 24 /* MQTT 3.1.1, 3.1.3.1: ids of 23 bytes are taken everywhere */
#define READ_BACK_CONNECT_MS 15000

enum read_back_topic { READ_BACK_LATEST = 1, READ_BACK_RECORD, READ_BACK_GAP, READ_BACK_BOX, READ_BACK_TOPICS };

struct read_back; /* opaque */
struct read_back_options {
    const struct plan *plan;        /* borrowed for the session's life */
    uint16_t destination;           /* one with a broker */
    const char *well;               /* id */
    const char *user, *password_file; /* of a reader with rights of its own; NULL: the destination's */
    const struct up_clock *clock;   /* borrowed */
    const volatile sig_atomic_t *is_stopped; /* looked at while it connects; NULL: nobody stops it */
};
struct read_back_message {
    uint8_t topic;       /* enum read_back_topic */
    bool retained;       /* kept by the broker from before the session */
    const char *payload; /* until the next call; not ended by a NUL */
    size_t length;
    int64_t came_boot_ms;
};

/** Connects and subscribes, within READ_BACK_CONNECT_MS. On failure `error` says which layer, and what to look at; UP_E_TIMEOUT: it was stopped. */
UP_MUST enum up_rc read_back_open(const struct read_back_options *options, struct read_back **out, struct up_error *error);
void read_back_close(struct read_back *session); /* NULL is fine */
/** Readable when something came. Read_back_next must be called at least each 20 s, or the broker ends the session. */
int read_back_fd(const struct read_back *session);
/** The next message: UP_OK; UP_E_TIMEOUT where none came within `wait_ms`; anything else: the session is over. */
UP_MUST enum up_rc read_back_next(struct read_back *session, int wait_ms, struct read_back_message *out, struct up_error *error);
const char *read_back_client_id(const struct read_back *session);
/** The topic, as subscribed. */
const char *read_back_topic_name(const struct read_back *session, uint8_t topic);

#endif
