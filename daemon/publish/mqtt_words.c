/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_words.c - what stands between us and a broker, in a plain sentence. Reason codes:
 * MQTT 5.0, 2.4; return codes: MQTT 3.1.1, 3.2.2.3.
 */
#include "mqtt_words.h"

#include "uphole/stamp.h"

#include <errno.h>
#include <netdb.h>
#include <stdio.h>
#include <string.h>

struct code_words {
    int code;
    uint8_t cause; /* enum gap_cause */
    const char *words;
};

/* CONNACK and DISCONNECT; after "Broker NAME ". */
static const struct code_words ENDINGS[] = {
    {0x01, CAUSE_UNREACHABLE, "does not speak this version of MQTT. Check mqtt_version."},
    {0x02, CAUSE_NOT_AUTHORISED, "refuses this box's name as client id. Check box."},
    {0x03, CAUSE_UNREACHABLE, "says that its service is not available."},
    {0x04, CAUSE_NOT_AUTHORISED, "refuses user name or password. Check user and password_file."},
    {0x05, CAUSE_NOT_AUTHORISED,
     "does not authorise this user. Check user, password_file, and its rights there."},
    {0x82, CAUSE_UNREACHABLE, "reports a protocol error. Check mqtt_version."},
    {0x84, CAUSE_UNREACHABLE, "does not speak MQTT 5. Check mqtt_version."},
    {0x85, CAUSE_NOT_AUTHORISED, "refuses this box's name as client id. Check box."},
    {0x86, CAUSE_NOT_AUTHORISED, "refuses user name or password. Check user and password_file."},
    {0x87, CAUSE_NOT_AUTHORISED,
     "does not authorise this user. Check user, password_file, and its rights there."},
    {0x88, CAUSE_UNREACHABLE, "says that its service is not available."},
    {0x89, CAUSE_UNREACHABLE, "says that it is busy."},
    {0x8A, CAUSE_NOT_AUTHORISED, "has banned this client. Ask whoever runs the broker."},
    {0x8B, CAUSE_UNREACHABLE, "is shutting down."},
    {0x8D, CAUSE_UNREACHABLE, "heard nothing from us for too long."},
    {0x93, CAUSE_UNREACHABLE, "got more unanswered messages than it takes."},
    {0x95, CAUSE_QUOTA, "got a message that is too large for it."},
    {0x96, CAUSE_QUOTA, "says that messages come too fast."},
    {0x97, CAUSE_QUOTA, "says that a quota is used up."},
    {0x98, CAUSE_UNREACHABLE, "ended the connection by an action of its administrator."},
    {0x9A, CAUSE_UNREACHABLE, "keeps no retained messages, and refuses them."},
    {0x9B, CAUSE_UNREACHABLE,
     "acknowledges no messages (maximum QoS 0), so nothing can be proved delivered."},
    {0x9C, CAUSE_UNREACHABLE, "asks us to use another server."},
    {0x9D, CAUSE_UNREACHABLE, "has moved for good."},
    {0x9F, CAUSE_QUOTA, "says that we connect too often."},
};

/* PUBACK; after "the broker does not take TOPIC: ". */
static const struct code_words REFUSALS[] = {
    {0x10, CAUSE_NO_SUBSCRIBER, "nobody subscribes to it"},
    {0x80, CAUSE_UNREACHABLE, "it gives no reason"},
    {0x83, CAUSE_UNREACHABLE, "a rule of its own forbids it"},
    {0x87, CAUSE_NOT_AUTHORISED, "this user is not authorised to publish there"},
    {0x90, CAUSE_NOT_AUTHORISED, "it does not accept the topic's name"},
    {0x91, CAUSE_UNREACHABLE, "it says that the message's number is in use"},
    {0x95, CAUSE_QUOTA, "even one row is larger than it takes"},
    {0x97, CAUSE_QUOTA, "a quota is used up"},
    {0x99, CAUSE_UNREACHABLE, "it does not accept the content's format"},
};

static const struct code_words *find(const struct code_words *rows, size_t n, int code)
{
    for (size_t i = 0; i < n; i++)
        if (rows[i].code == code)
            return &rows[i];
    return NULL;
}

static const struct code_words *ending(int code)
{
    return find(ENDINGS, sizeof ENDINGS / sizeof *ENDINGS, code);
}

static const struct code_words *refusal(int code)
{
    return find(REFUSALS, sizeof REFUSALS / sizeof *REFUSALS, code);
}

static int words_of_reach(int code, const struct destination_plan *to, char *into, size_t room)
{
    if (code == ECONNREFUSED)
        return snprintf(
            into, room,
            "Broker %s: nothing listens at %s:%u. Check the port, and that the broker runs.",
            to->name, to->host, to->port);
    if (code == ENETUNREACH || code == EHOSTUNREACH || code == ENETDOWN)
        return snprintf(into, room, "Broker %s: no way to %s. Check the network.", to->name,
                        to->host);
    return snprintf(into, room,
                    "Broker %s: no answer from %s:%u. Check the network and the firewall.",
                    to->name, to->host, to->port);
}

static int words_of_lookup(int code, const struct destination_plan *to, char *into, size_t room)
{
    if (code == MQTT_LOOKUP_HANGS || code == EAI_AGAIN)
        return snprintf(into, room,
                        "Broker %s: no name server answers for %s. Check the network, and the name "
                        "server of this box.",
                        to->name, to->host);
    return snprintf(into, room,
                    "Broker %s: the name %s was not found. Check its spelling and the name server.",
                    to->name, to->host);
}

/* A certificate's date against this box's clock: which of the two is wrong? */
static int words_of_date(const struct mqtt_trouble *trouble, const struct destination_plan *to,
                         char *into, size_t room)
{
    char now[STAMP_TEXT_MAX];
    const bool has_expired = trouble->code == TLS_EXPIRED;
    const bool doubtful = trouble->clock == CLOCK_STATE_NEVER_SET ||
                          trouble->clock == CLOCK_STATE_UNSYNCHRONISED || trouble->now_utc_ms == 0;
    (void)stamp_to_short_text(trouble->now_utc_ms, now);
    return snprintf(
        into, room,
        "Broker %s: its certificate is valid %s %.10s; this box's clock%s says %.10s. %s.",
        to->name, has_expired ? "until" : "only from", trouble->detail,
        doubtful ? " (not set by any source)" : "", now,
        doubtful      ? "Set the clock"
        : has_expired ? "Renew the certificate"
                      : "Check the clock");
}

static int words_of_tls(const struct mqtt_trouble *trouble, const struct destination_plan *to,
                        char *into, size_t room)
{
    switch ((enum mqtt_tls_fault)trouble->code) {
    case TLS_WRONG_CA:
        return snprintf(into, room,
                        "Broker %s: no authority of %s has signed its certificate. Check ca_file, "
                        "and that it is the right broker.",
                        to->name, to->ca_file[0] != '\0' ? "ca_file" : "this system");
    case TLS_WRONG_NAME:
        return snprintf(into, room,
                        "Broker %s: its certificate is for %.40s, not for %s. Check the name in "
                        "mqtt.",
                        to->name, trouble->detail, to->host);
    case TLS_EXPIRED:
    case TLS_NOT_YET_VALID:
        return words_of_date(trouble, to, into, room);
    case TLS_BAD_CERTIFICATE:
        return snprintf(into, room, "Broker %s: its certificate does not hold (%.60s).", to->name,
                        trouble->detail);
    case TLS_NOT_TLS:
        return snprintf(into, room,
                        "Broker %s: %s:%u does not speak TLS. Check the port, and mqtt or mqtts.",
                        to->name, to->host, to->port);
    case TLS_REFUSES_US:
        return snprintf(into, room,
                        "Broker %s ended the secure connection (%.50s). Check certificate_file and "
                        "key_file.",
                        to->name, trouble->detail);
    default:
        return snprintf(into, room, "Broker %s: no secure connection (%.60s).", to->name,
                        trouble->detail[0] != '\0' ? trouble->detail : "no reason given");
    }
}

static int words_of_ending(int code, const struct plan *plan, const struct destination_plan *to,
                           char *into, size_t room)
{
    if (code == MQTT_TAKEN_OVER)
        return snprintf(into, room,
                        "Another client took over the name %s at broker %s (0x8E). Two boxes may "
                        "hold the same configuration.",
                        plan->box, to->name);
    const struct code_words *row = ending(code);
    if (row != NULL)
        return snprintf(into, room, "Broker %s %s (0x%02X)", to->name, row->words,
                        (unsigned)code & 0xFF);
    return snprintf(into, room, "Broker %s ended the connection (reason 0x%02X).", to->name,
                    (unsigned)code & 0xFF);
}

/* It answers, or something does, and not as a broker should. */
static int words_of_answer(const struct mqtt_trouble *trouble, const struct destination_plan *to,
                           char *into, size_t room)
{
    switch ((enum mqtt_trouble_kind)trouble->kind) {
    case MQTT_SILENT:
        return snprintf(into, room,
                        "Broker %s: %s:%u does not answer as a broker within %d s. Check the port, "
                        "and mqtt or mqtts.",
                        to->name, to->host, to->port, trouble->code);
    case MQTT_CLOSED:
        return snprintf(into, room,
                        "Broker %s: %s:%u closed the connection before it answered as a broker. "
                        "Check the port, and mqtt or mqtts.",
                        to->name, to->host, to->port);
    case MQTT_NOT_MQTT:
        return snprintf(into, room,
                        "Broker %s: what answers at %s:%u does not speak MQTT. Check the port, and "
                        "mqtt or mqtts.",
                        to->name, to->host, to->port);
    case MQTT_TOO_LARGE:
        return snprintf(into, room,
                        "Broker %s sent a packet above 16 KiB, so we hung up. Check who publishes "
                        "to this box's topic.",
                        to->name);
    case MQTT_GARBAGE:
        return snprintf(into, room,
                        "Broker %s sent what is not MQTT, so we hung up. Check what stands at "
                        "%s:%u.",
                        to->name, to->host, to->port);
    default: /* MQTT_NO_QOS */
        return snprintf(into, room,
                        "Broker %s acknowledges no messages (maximum QoS 0), so nothing can be "
                        "proved delivered.",
                        to->name);
    }
}

/* It stood, and does no longer. */
static int words_of_break(const struct mqtt_trouble *trouble, const struct plan *plan,
                          const struct destination_plan *to, char *into, size_t room)
{
    switch ((enum mqtt_trouble_kind)trouble->kind) {
    case MQTT_STALLED:
        return snprintf(into, room,
                        "Broker %s did not answer a message for 5 min; starting again from the "
                        "newest answer.",
                        to->name);
    case MQTT_PAUSED:
        return snprintf(into, room, "Broker %s: the connection is paused %s.", to->name,
                        trouble->detail);
    case MQTT_TWO_BOXES:
        return snprintf(into, room,
                        "Another box publishes as %s at broker %s. Two boxes may hold the same "
                        "configuration.",
                        plan->box, to->name);
    default:
        break;
    }
    if (trouble->code == MQTT_LOST_AGAIN)
        return snprintf(into, room,
                        "Broker %s: connections break soon after each connect. Check the link, and "
                        "that no other client is called %s.",
                        to->name, plan->box);
    return snprintf(into, room, "Broker %s: the connection to %s:%u broke.", to->name, to->host,
                    to->port);
}

size_t mqtt_words(const struct mqtt_trouble *trouble, const struct plan *plan,
                  const struct destination_plan *to, char into[static MQTT_WORDS_MAX])
{
    const size_t room = MQTT_WORDS_MAX;
    int n = 0;
    switch ((enum mqtt_trouble_kind)trouble->kind) {
    case MQTT_NO_TROUBLE:
        n = snprintf(
            into, room,
            to->mqtt_version == 5
                ? "Broker %s is connected."
                : "Broker %s is connected by MQTT 3.1.1, whose acknowledgement is weak proof.",
            to->name);
        break;
    case MQTT_SECRET:
        n = snprintf(into, room, "Broker %s: %s", to->name, trouble->detail);
        break;
    case MQTT_LOOKUP:
        n = words_of_lookup(trouble->code, to, into, room);
        break;
    case MQTT_REACH:
        n = words_of_reach(trouble->code, to, into, room);
        break;
    case MQTT_TLS:
        n = words_of_tls(trouble, to, into, room);
        break;
    case MQTT_SILENT:
    case MQTT_CLOSED:
    case MQTT_NOT_MQTT:
    case MQTT_TOO_LARGE:
    case MQTT_GARBAGE:
    case MQTT_NO_QOS:
        n = words_of_answer(trouble, to, into, room);
        break;
    case MQTT_REFUSED:
    case MQTT_ENDED:
        n = words_of_ending(trouble->code, plan, to, into, room);
        break;
    default:
        n = words_of_break(trouble, plan, to, into, room);
    }
    return n < 0 ? 0 : (size_t)n < room ? (size_t)n : room - 1;
}

uint8_t mqtt_cause(const struct mqtt_trouble *trouble)
{
    if (trouble->kind == MQTT_NO_TROUBLE)
        return CAUSE_NONE;
    if (trouble->kind == MQTT_SECRET)
        return CAUSE_NOT_AUTHORISED;
    if (trouble->kind == MQTT_PAUSED)
        return CAUSE_PAUSED;
    if (trouble->kind == MQTT_REFUSED || trouble->kind == MQTT_ENDED) {
        const struct code_words *row = ending(trouble->code);
        return row != NULL ? row->cause : (uint8_t)CAUSE_UNREACHABLE;
    }
    return CAUSE_UNREACHABLE;
}

bool mqtt_trouble_is_slow(const struct mqtt_trouble *trouble)
{
    switch ((enum mqtt_trouble_kind)trouble->kind) {
    case MQTT_SECRET:
    case MQTT_TLS:
    case MQTT_TOO_LARGE:
    case MQTT_GARBAGE:
    case MQTT_NO_QOS:
    case MQTT_TWO_BOXES:
        return true;
    case MQTT_REFUSED: /* what we change ourselves; not available, busy, shutting down: a broker
                          that starts says so */
        return trouble->code != 0x03 && trouble->code != 0x88 && trouble->code != 0x89 &&
               trouble->code != 0x8B && trouble->code != MQTT_NO_RETAIN;
    case MQTT_LOST:
        return trouble->code == MQTT_LOST_AGAIN;
    case MQTT_ENDED:
        return trouble->code == MQTT_TAKEN_OVER;
    default:
        return false;
    }
}

bool mqtt_trouble_comes_again(const struct mqtt_trouble *trouble)
{
    return trouble->kind == MQTT_TWO_BOXES ||
           (trouble->kind == MQTT_LOST && trouble->code == MQTT_LOST_AGAIN) ||
           (trouble->kind == MQTT_ENDED && trouble->code == MQTT_TAKEN_OVER);
}

const char *mqtt_refusal(uint8_t code)
{
    const struct code_words *row = refusal(code);
    return row != NULL ? row->words : "it gives a reason that MQTT 5 does not name";
}

uint8_t mqtt_refusal_cause(uint8_t code)
{
    const struct code_words *row = refusal(code);
    return row != NULL ? row->cause : (uint8_t)CAUSE_UNREACHABLE;
}
