/* SPDX-License-Identifier: Apache-2.0
 *
 * read_back.c - see read_back.h. A connection like the daemon's own (mqtt_link.h) that subscribes
 * in place of publishing; here are only the reader's name, topics and words.
 *
 * Blocking, by poll and a deadline: one person waits for it.
 */
#include "uphole/read_back.h"

#include "mqtt_link.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>

#define KEEPALIVE_S 60 /* longer than twice the 20 s in which read_back_next is called */
#define SLICE_MS 250   /* a stop is seen, and the library keeps alive, at least so often */
#define STEPS_AFTER 64 /* what came is taken although the time is over, up to so many packets */
#define TOPIC_NAME_MAX 256
#define N_TOPICS (READ_BACK_TOPICS - 1)

/** What the library's callbacks saw; they only note. */
struct read_notes {
    bool connack, suback, ended, too_many;
    int connack_code, ended_code;
    int n_granted, granted[N_TOPICS];
};

struct read_back {
    struct read_back_options options;
    const struct destination_plan *to;
    struct mqtt_link link;
    struct read_notes notes;
    char client_id[READ_BACK_ID_MAX];
    char topic[READ_BACK_TOPICS][TOPIC_NAME_MAX];
    bool has_message;
    struct read_back_message message;
    char payload[READ_BACK_PACKET_MAX];
};

static int64_t now_ms(const struct read_back *session)
{
    return clock_boot_ms(session->options.clock);
}

/* ---- callbacks: they note ---- */

static void on_connect(struct mosquitto *library, void *context, int code, int flags,
                       const mosquitto_property *properties)
{
    (void)library;
    (void)flags;
    (void)properties;
    struct read_back *session = context;
    session->notes.connack = true;
    session->notes.connack_code = code;
}

static void on_disconnect(struct mosquitto *library, void *context, int code,
                          const mosquitto_property *properties)
{
    (void)library;
    (void)properties;
    struct read_back *session = context;
    session->notes.ended = session->notes.ended || code >= 0x80; /* below: the library's own */
    session->notes.ended_code = code;
}

static void on_subscribe(struct mosquitto *library, void *context, int mid, int n,
                         const int *granted)
{
    (void)library;
    (void)mid;
    struct read_back *session = context;
    session->notes.suback = true;
    session->notes.n_granted = n < N_TOPICS ? n : N_TOPICS;
    for (int i = 0; i < session->notes.n_granted; i++)
        session->notes.granted[i] = granted[i];
}

static void on_message(struct mosquitto *library, void *context,
                       const struct mosquitto_message *message)
{
    (void)library;
    struct read_back *session = context;
    uint8_t topic = READ_BACK_LATEST;
    while (topic < READ_BACK_TOPICS && strcmp(session->topic[topic], message->topic) != 0)
        topic++;
    const size_t length = message->payloadlen > 0 ? (size_t)message->payloadlen : 0;
    if (topic == READ_BACK_TOPICS || length > sizeof session->payload)
        return; /* not asked for; the pipe lets nothing longer through */
    if (session->has_message) {
        session->notes.too_many = true; /* the library takes one packet a step */
        return;
    }
    if (length > 0)
        memcpy(session->payload, message->payload, length);
    session->has_message = true;
    session->message = (struct read_back_message){.topic = topic,
                                                  .retained = message->retain,
                                                  .payload = session->payload,
                                                  .length = length,
                                                  .came_boot_ms = now_ms(session)};
}

/* ---- why it is over ---- */

static enum up_rc fail_with(const struct read_back *session, const struct mqtt_trouble *trouble,
                            struct up_error *error)
{
    char words[MQTT_WORDS_MAX];
    if (trouble->kind == MQTT_TOO_LARGE)
        return UP_FAIL(error, UP_E_FRAME,
                       "Broker %s sent a packet of more than %d KiB; it is not read back",
                       session->to->name, READ_BACK_PACKET_MAX / 1024);
    if (trouble->kind == MQTT_REFUSED && (trouble->code == 0x02 || trouble->code == 0x85))
        return UP_FAIL(error, UP_E_PORT,
                       "Broker %s does not take the client id %s, under which it is read back "
                       "(0x%02X). Ask whoever runs the broker to allow it",
                       session->to->name, session->client_id, (unsigned)trouble->code);
    size_t n = mqtt_words(trouble, session->options.plan, session->to, words);
    if (n > 0 && words[n - 1] == '.')
        words[n - 1] = '\0';
    return UP_FAIL(error, trouble->kind == MQTT_SECRET ? UP_E_CONFIG : UP_E_PORT, "%s", words);
}

/* ---- steps ---- */

static bool is_stopped(const struct read_back *session)
{
    return session->options.is_stopped != NULL && *session->options.is_stopped != 0;
}

/** As poll returns it. */
static int wait_until(struct read_back *session, int64_t until_ms)
{
    struct pollfd fds[MQTT_LINK_FDS];
    const int64_t left_ms = until_ms - now_ms(session);
    const int slice_ms = left_ms <= 0 ? 0 : left_ms < SLICE_MS ? (int)left_ms : SLICE_MS;
    const int ready = poll(fds, MQTT_LINK_FDS, mqtt_link_wants(&session->link, fds, slice_ms));
    if (ready > 0)
        mqtt_link_hear(&session->link, fds);
    return ready;
}

static bool serve(struct read_back *session, struct mqtt_trouble *trouble)
{
    const bool stands = mqtt_link_serve(&session->link, trouble);
    if (session->notes.ended)
        *trouble = (struct mqtt_trouble){.kind = MQTT_ENDED, .code = session->notes.ended_code};
    return stands && !session->notes.ended;
}

static bool reach(struct read_back *session, struct mqtt_trouble *trouble)
{
    do {
        if (mqtt_link_reach(&session->link, session->to, trouble))
            return true;
        mqtt_link_drop(&session->link);
    } while (mqtt_link_next(&session->link, trouble));
    return false;
}

static enum up_rc give_up(const struct read_back *session, struct up_error *error)
{
    struct mqtt_trouble trouble;
    if (is_stopped(session))
        return UP_FAIL(error, UP_E_TIMEOUT, "Stopped before broker %s was reached",
                       session->to->name);
    if (session->link.phase == MQTT_CONNECTED)
        return UP_FAIL(error, UP_E_PORT, "Broker %s does not answer the subscription to %.150s",
                       session->to->name, session->topic[READ_BACK_RECORD]);
    mqtt_link_give_up(&session->link, &trouble);
    return fail_with(session, &trouble, error);
}

/** Until what `noted` says has come; messages that come before are nobody's. */
static enum up_rc await(struct read_back *session, const bool *noted, int64_t until_ms,
                        struct up_error *error)
{
    struct mqtt_trouble trouble;
    while (!*noted) {
        if (is_stopped(session) || now_ms(session) >= until_ms)
            return give_up(session, error);
        (void)wait_until(session, until_ms);
        const bool stands = serve(session, &trouble);
        session->has_message = false;
        if (stands || *noted)
            continue;
        mqtt_link_drop(&session->link);
        if (!mqtt_link_next(&session->link, &trouble) || !reach(session, &trouble))
            return fail_with(session, &trouble, error);
    }
    return UP_OK;
}

/* ---- the connection ---- */

static const char *or_null(const char *text)
{
    return text == NULL || text[0] == '\0' ? NULL : text;
}

static enum up_rc find(struct read_back *session, int64_t until_ms, struct up_error *error)
{
    const struct destination_plan *to = session->to;
    const bool own = session->options.user != NULL;
    struct mqtt_trouble trouble = {0};
    enum mqtt_look look = mqtt_link_begin(
        &session->link, to, or_null(own ? session->options.user : to->user),
        or_null(own ? session->options.password_file : to->password_file), &trouble);
    while (look == LOOK_WAITS) {
        if (is_stopped(session))
            return give_up(session, error);
        (void)wait_until(session, until_ms);
        look = mqtt_link_look(&session->link, &trouble);
    }
    return look == LOOK_FOUND && reach(session, &trouble) ? UP_OK
                                                          : fail_with(session, &trouble, error);
}

static enum up_rc subscribe(struct read_back *session, int64_t until_ms, struct up_error *error)
{
    char *topics[N_TOPICS];
    const struct read_notes *notes = &session->notes;
    for (int i = 0; i < N_TOPICS; i++)
        topics[i] = session->topic[READ_BACK_LATEST + i];
    if (mosquitto_subscribe_multiple(session->link.library, NULL, N_TOPICS, topics, 1, 0, NULL) !=
        MOSQ_ERR_SUCCESS)
        return UP_FAIL(error, UP_E_CONFIG, "%.150s is no topic that can be subscribed to",
                       topics[0]);
    const enum up_rc rc = await(session, &notes->suback, until_ms, error);
    for (int i = 0; rc == UP_OK && i < notes->n_granted; i++)
        if (notes->granted[i] >= 0x80)
            return UP_FAIL(error, UP_E_PORT,
                           "Broker %s does not let this user read %.120s (0x%02X). Give it the "
                           "right there, or name a user that has it (--reader-user)",
                           session->to->name, topics[i], (unsigned)notes->granted[i]);
    return rc;
}

static enum up_rc connect_all(struct read_back *session, struct up_error *error)
{
    const int64_t until_ms = now_ms(session) + READ_BACK_CONNECT_MS;
    enum up_rc rc = find(session, until_ms, error);
    if (rc == UP_OK)
        rc = await(session, &session->notes.connack, until_ms, error);
    if (rc != UP_OK)
        return rc;
    const struct mqtt_trouble refused = {.kind = MQTT_REFUSED, .code = session->notes.connack_code};
    if (refused.code != 0)
        return fail_with(session, &refused, error);
    session->link.phase = MQTT_CONNECTED;
    return subscribe(session, until_ms, error);
}

/* ---- the front door ---- */

static bool name_all(struct read_back *session)
{
    static const char *const LEAVES[] = {
        [READ_BACK_LATEST] = "latest", [READ_BACK_RECORD] = "record", [READ_BACK_GAP] = "gap"};
    const struct plan *plan = session->options.plan;
    uint32_t random = 0;
    if (getrandom(&random, sizeof random, 0) != sizeof random)
        return false;
    /* No box is called so, since names have no capital letters; and every broker has to take it
     * (MQTT 3.1.1, 3.1.3.1: 23 letters and digits). */
    snprintf(session->client_id, sizeof session->client_id, "upholeCheck%08x", random);
    for (uint8_t t = READ_BACK_LATEST; t <= READ_BACK_GAP; t++)
        snprintf(session->topic[t], TOPIC_NAME_MAX, "%s/%s/%s/%s", session->to->topic_root,
                 plan->site, session->options.well, LEAVES[t]);
    snprintf(session->topic[READ_BACK_BOX], TOPIC_NAME_MAX, "%s/%s/box/%s", session->to->topic_root,
             plan->site, plan->box);
    return true;
}

static enum up_rc begin(struct read_back *session, struct up_error *error)
{
    if (!name_all(session))
        return UP_FAIL(error, UP_E_SYSTEM, "no random number to be had");
    const struct mqtt_link_options options = {.client_id = session->client_id,
                                              .to = session->to,
                                              .clock = session->options.clock,
                                              .keepalive_s = KEEPALIVE_S,
                                              .take_most = READ_BACK_PACKET_MAX,
                                              .owner = session};
    const enum up_rc rc = mqtt_link_open(&session->link, &options, error);
    if (rc != UP_OK)
        return rc;
    mosquitto_connect_v5_callback_set(session->link.library, on_connect);
    mosquitto_disconnect_v5_callback_set(session->link.library, on_disconnect);
    mosquitto_subscribe_callback_set(session->link.library, on_subscribe);
    mosquitto_message_callback_set(session->link.library, on_message);
    return connect_all(session, error);
}

enum up_rc read_back_open(const struct read_back_options *options, struct read_back **out,
                          struct up_error *error)
{
    struct read_back *session = calloc(1, sizeof *session);
    *out = NULL;
    if (session == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for a session at the broker");
    session->options = *options;
    session->to = &options->plan->destinations[options->destination];
    (void)mosquitto_lib_init(); /* counts its callers */
    const enum up_rc rc = begin(session, error);
    if (rc == UP_OK)
        *out = session;
    else
        read_back_close(session);
    return rc;
}

void read_back_close(struct read_back *session)
{
    if (session == NULL)
        return;
    if (session->link.phase == MQTT_CONNECTED)
        mqtt_link_leave(&session->link);
    mqtt_link_close(&session->link);
    lookup_leave(&session->link.lookup);
    (void)mosquitto_lib_cleanup();
    free(session);
}

int read_back_fd(const struct read_back *session)
{
    return session->link.pipe.tcp;
}

const char *read_back_client_id(const struct read_back *session)
{
    return session->client_id;
}

const char *read_back_topic_name(const struct read_back *session, uint8_t topic)
{
    return topic < READ_BACK_TOPICS ? session->topic[topic] : "";
}

enum up_rc read_back_next(struct read_back *session, int wait_ms, struct read_back_message *out,
                          struct up_error *error)
{
    const int64_t until_ms = now_ms(session) + wait_ms;
    for (int after = 0;;) {
        struct mqtt_trouble trouble;
        session->has_message = false; /* its payload was until this call */
        const int ready = wait_until(session, until_ms);
        const bool stands = serve(session, &trouble);
        if (session->notes.too_many)
            return UP_FAIL(error, UP_E_SYSTEM,
                           "libmosquitto handed over two messages in one step; the first was not "
                           "read yet");
        if (session->has_message) {
            *out = session->message;
            return UP_OK;
        }
        if (!stands)
            return fail_with(session, &trouble, error);
        if (ready < 0)
            return UP_E_TIMEOUT; /* a signal: whoever waits looks at it */
        if (now_ms(session) >= until_ms && (ready == 0 || ++after >= STEPS_AFTER))
            return UP_E_TIMEOUT;
    }
}
