/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_words.h - what stands between us and a broker, in a plain sentence: which layer failed, and
 * what to look at first (pure).
 */
#ifndef UPHOLE_PUBLISH_MQTT_WORDS_H
#define UPHOLE_PUBLISH_MQTT_WORDS_H

#include "uphole/plan.h"
#include "uphole/scan.h"

/** Layers, from the bottom up. */
enum mqtt_trouble_kind {
    MQTT_NO_TROUBLE = 0,
    MQTT_SECRET,   /* a password, certificate or key file of ours */
    MQTT_LOOKUP,   /* the name; code: EAI_... of getaddrinfo, or MQTT_LOOKUP_HANGS */
    MQTT_REACH,    /* TCP; code: errno */
    MQTT_TLS,      /* code: enum mqtt_tls_fault; detail: names or date of the certificate, or why */
    MQTT_SILENT,   /* connected, and no answer */
    MQTT_REFUSED,  /* CONNACK; code: its reason */
    MQTT_ENDED,    /* DISCONNECT of the broker; code: its reason */
    MQTT_CLOSED,   /* closed before it answered as a broker */
    MQTT_NOT_MQTT, /* what answers is no broker */
    MQTT_LOST,     /* the connection broke; code: MQTT_LOST_AGAIN where it does so soon after each
                      connect */
    MQTT_TWO_BOXES, /* it broke, and another box publishes under our name */
    MQTT_TOO_LARGE, /* a packet from the broker above our limit */
    MQTT_GARBAGE,   /* a packet that no broker may send us */
    MQTT_NO_QOS,    /* the broker acknowledges nothing */
    MQTT_STALLED,   /* a message without its answer */
    MQTT_PAUSED,    /* left by order; detail: until when, and who ordered it */
    MQTT_TROUBLE_KINDS
};

#define MQTT_WORDS_MAX 160 /* room of wall_destination.reason */

/** What was wrong with a secure connection. */
enum mqtt_tls_fault {
    TLS_OTHER = 0,
    TLS_WRONG_CA,        /* nobody that ca_file vouches for signed it */
    TLS_WRONG_NAME,      /* it is another host's; detail: whose */
    TLS_EXPIRED,         /* detail: when */
    TLS_NOT_YET_VALID,   /* detail: from when */
    TLS_BAD_CERTIFICATE, /* any other fault of the certificate; detail: which */
    TLS_NOT_TLS,         /* what answers doesn't speak it */
    TLS_REFUSES_US       /* the broker ended it; detail: its alert */
};

struct mqtt_trouble {
    uint8_t kind;
    int code;
    char detail[120];
    int64_t now_utc_ms; /* of TLS dates: this box's clock, */
    uint8_t clock;      /* and what is known of it (enum clock_state) */
};

/** MQTT 5.0 reason codes where their sense needs a sentence of its own. */
#define MQTT_TAKEN_OVER 0x8E
#define MQTT_NO_RETAIN 0x9A
#define MQTT_LOST_AGAIN 1
#define MQTT_LOOKUP_HANGS 1 /* EAI_... are negative */

/** One sentence or two, without time: what happened, what to look at. Returns its length. */
size_t mqtt_words(const struct mqtt_trouble *trouble, const struct plan *plan,
                  const struct destination_plan *to, char into[static MQTT_WORDS_MAX]);
/** The cause for the ledger. */
uint8_t mqtt_cause(const struct mqtt_trouble *trouble);
/** Nothing that a second try cures by itself: retry slowly. */
bool mqtt_trouble_is_slow(const struct mqtt_trouble *trouble);
/** It lets us in each time, and then out again: over only once a connection lasts. */
bool mqtt_trouble_comes_again(const struct mqtt_trouble *trouble);
/** One clause for a message's refusal (PUBACK): "not authorised to publish there". */
const char *mqtt_refusal(uint8_t code);
uint8_t mqtt_refusal_cause(uint8_t code);

#endif
