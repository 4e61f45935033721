/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_inside.h - the inside of one MQTT destination: the thread's state, shared by mqtt.c (the
 * loop), mqtt_connect.c (its attempts), mqtt_send.c (what is published) and mqtt_answer.c (what
 * comes back). All of it belongs to that one thread but `stop` and `thread`.
 */
#ifndef UPHOLE_PUBLISH_MQTT_INSIDE_H
#define UPHOLE_PUBLISH_MQTT_INSIDE_H

#include "deliver.h"
#include "mqtt.h"
#include "mqtt_link.h"
#include "mqtt_rest.h"
#include "usage.h"

#include "uphole/publish.h"

#include <pthread.h>
#include <stdatomic.h>

#define MQTT_KEEPALIVE_S 30
#define MQTT_TAKE_PACKET_MAX 16384u /* of the broker, without its head */
#define MQTT_SETTLED_MS 10000 /* connected for so long, the next break starts the back-off anew */
#define MQTT_SHORT_LIVES 3    /* after so many, another client under our name is the likely cause */
#define MQTT_OTHER_BOX_MS (10 * 60 * 1000)
#define MQTT_NOTES_MAX 64
#define MQTT_OTHERS_MAX 32
#define MQTT_REPAIR_EVERY_MS 5000
#define MQTT_NO_READ_BACK_MS (60 * 60 * 1000)
#define TOPIC_MAX 256

/* What the library's callbacks saw; they only note, the loop acts. */
struct mqtt_notes {
    bool connack, is_answered, ended, box_offline, box_of_another, will_of_another;
    int connack_code, ended_code;
    uint16_t receive_maximum;
    uint32_t maximum_packet;
    uint8_t maximum_qos, retain_available;
    uint8_t read_back_refused; /* reason code; 0: none */
    size_t n_answers;
    bool answers_lost;
    struct {
        uint16_t mid;
        uint8_t code;
    } answer[MQTT_NOTES_MAX];
};

enum mqtt_other_kind { OTHER_LATEST = 1, OTHER_BOX };

struct mqtt_other {
    uint16_t mid, well;
    uint8_t kind;
    size_t bytes;
};

struct mqtt_well {
    uint64_t seen;      /* count of the snapshot last looked at */
    uint32_t signature; /* states and qualities last published */
    uint32_t states;    /* the same of states and classes of quality alone */
    int64_t next_ms, sent_ms;
    bool due, refused, said_aside;
};

struct mqtt_client {
    const struct plan *plan;
    const struct destination_plan *to;
    uint16_t destination;
    struct side *side;             /* held */
    _Atomic(struct side *) handed; /* of a new plan, held; taken between two steps */
    int wake_fd;                   /* an eventfd, written when `stop` or `handed` changes */
    const struct up_clock *clock;
    struct inbox *inbox;
    pthread_t thread;
    atomic_bool stop;
    atomic_int stop_within_ms;
    int done_fd; /* written when the thread ends */

    struct mqtt_link link;
    struct deliver *deliver;
    struct mqtt_notes notes;
    bool renew; /* the library's state is no longer ours: take a new client object */
    int64_t retry_ms, connected_ms, tick_ms, no_read_back_until_ms;
    int64_t paused_until_ms; /* by order; 0: not */
    uint32_t attempts, random;
    uint32_t short_lives; /* connections in a row that broke within MQTT_SETTLED_MS */
    uint16_t window;
    uint32_t maximum_packet; /* 0: no limit stated */
    uint32_t learned_packet; /* a broker hung up over a message of more; 0: none did */
    int64_t learned_until_ms;
    bool is_guess;  /* learned_packet: the broker didn't say so of one row */
    bool no_retain; /* the broker keeps nothing: nothing is sent to be kept */
    bool said_no_retain;
    uint32_t said_packet;
    uint16_t said_window;

    struct usage usage;  /* of the month */
    bool usage_is_known; /* what earlier runs used is in it */
    uint8_t usage_level; /* enum usage_level, as last said */
    uint64_t told_bytes;
    int64_t usage_count_ms, usage_tell_ms;
    size_t sent_uncounted;

    struct mqtt_trouble trouble; /* that stands now, or MQTT_NO_TROUBLE */
    int64_t state_since_ms;      /* CLOCK_BOOTTIME */
    int64_t state_since_utc_ms;

    size_t n_others;
    struct mqtt_other other[MQTT_OTHERS_MAX];
    uint32_t
        wills_of_others; /* of other runs than ours, read back: one is an old session's of ours */
    bool box_due, box_was_sent, said_other_box, said_no_read_back;
    int64_t other_box_ms; /* when another box was last seen under our name; 0: never */
    uint32_t box_signature;
    int64_t box_next_ms, box_repaired_ms;
    char box_topic[TOPIC_MAX];

    struct snapshot snapshot;
    struct wall_state state;
    struct wall_message message;
    char payload[PAYLOAD_MAX];
    struct mqtt_well well[PLAN_WELLS_MAX];
};

int64_t mqtt_now_ms(const struct mqtt_client *client);

/* mqtt_connect.c */
UP_MUST enum up_rc mqtt_library_open(struct mqtt_client *client, struct up_error *error);
void mqtt_library_close(struct mqtt_client *client);
void mqtt_connect(struct mqtt_client *client);
/** Leaves the broker by order, without a goodbye, or comes back. */
void mqtt_pause(struct mqtt_client *client, const struct wall_pause *pause);
/** While the name is looked up: goes on once its addresses are there, or gives up. */
void mqtt_look(struct mqtt_client *client);
/** Ends the connection (if any) because of `trouble`, and rests. What the library holds stays held.
 */
void mqtt_end(struct mqtt_client *client, const struct mqtt_trouble *trouble);
/** Serves the connection, and ends it where it is over. */
void mqtt_serve(struct mqtt_client *client);

/* mqtt_answer.c */
void mqtt_set_callbacks(struct mqtt_client *client);
/** Acts on what the callbacks noted: the connection stands, or ended; messages were accepted or
 * refused. */
void mqtt_act_on_notes(struct mqtt_client *client);
/** Sends client->message over the wall; waits while there is no room for it. */
void mqtt_tell_message(struct mqtt_client *client);
/** Tells the well side what changed: accepted, refused. */
void mqtt_tell(struct mqtt_client *client);

/* mqtt_plan.c */
/** Goes over to the plan that was handed, if any; between two steps. */
void mqtt_go_over(struct mqtt_client *client);

/* mqtt_limits.c */
/** The broker stated a limit when it connected. */
bool mqtt_has_limits(const struct mqtt_client *client);
uint32_t mqtt_packet_limit(const struct mqtt_client *client); /* bytes; 0: none known */
/** A connection ended: was a message too large for the broker? */
void mqtt_learn_limit(struct mqtt_client *client, const struct mqtt_trouble *trouble);
/** What it said when it connected, where that narrows what we do. */
void mqtt_say_limits(struct mqtt_client *client);
/** The first of `rows` is larger than the broker ever takes: told, and passed over. */
void mqtt_set_aside(struct mqtt_client *client, const struct deliver_message *rows);

/* mqtt_usage.c */
/** Once a second: counts, and tells the well side now and then. */
void mqtt_watch_usage(struct mqtt_client *client);
/** So many bytes were handed over: a backlog is not let run far beyond the limit. */
void mqtt_note_sent(struct mqtt_client *client, size_t bytes);
/** Counts what the connection has cost since; before it is closed. */
void mqtt_count(struct mqtt_client *client);
/** What the well side kept, when it begins. */
void mqtt_learn_usage(struct mqtt_client *client, const struct wall_cursor *kept);
/** To the well side: connected, or stopped by the limit. */
void mqtt_tell_up(struct mqtt_client *client);
static inline bool mqtt_is_used_up(const struct mqtt_client *client)
{
    return client->usage_level == USAGE_USED_UP;
}

/** Says that the trouble is over, if one stands. */
void mqtt_say_back(struct mqtt_client *client);

/* mqtt_send.c */
/** Everything is to be published again: at each connect. */
void mqtt_send_begin(struct mqtt_client *client);
/** Box, `latest`, then records and gaps, as far as the window allows. */
void mqtt_send(struct mqtt_client *client);
/** Fills the payload for the box's topic; returns its length. */
size_t mqtt_box_payload(struct mqtt_client *client, bool running);
/** "offline", just before an orderly end; false where it could not be handed over. */
bool mqtt_send_offline(struct mqtt_client *client);

#endif
