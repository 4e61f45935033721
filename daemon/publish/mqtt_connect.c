/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_connect.c - the connection to one broker: the library's object, the attempt with its
 * deadline, reading and writing, and the end.
 *
 * The library speaks MQTT and nothing else: the name is looked up by mqtt_lookup.c, TLS is
 * mqtt_tls.c's, and the library is given an address. It (2.0.11) calls no callback for several ways
 * in which a connection ends, and returns success for some of them. So every return value, the
 * connection itself, and deadlines of ours are looked at, and any of them ends the attempt.
 */
#include "mqtt_inside.h"

#include "mqtt_secret.h"

#include "uphole/say.h"

#include <errno.h>
#include <linux/tcp.h>
#include <mosquitto.h>
#include <mqtt_protocol.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define MQTT_WRITES_MAX 64 /* of whole packets, a round */
#define RECEIVE_BUFFER (32 * 1024)

static const char *or_null(const char *text)
{
    return text[0] == '\0' ? NULL : text;
}

/* ---- secrets ---- */

static bool set_secrets(struct mqtt_client *client, struct mqtt_trouble *trouble)
{
    char password[512] = "";
    bool wanted = client->to->password_file[0] != '\0';
    if (wanted && !mqtt_secret_read(client->to->password_file, password, sizeof password, trouble))
        return false;
    int rc = mosquitto_username_pw_set(client->library, or_null(client->to->user),
                                       wanted ? password : NULL);
    explicit_bzero(password, sizeof password);
    if (rc == MOSQ_ERR_SUCCESS)
        return true;
    trouble->kind = MQTT_SECRET;
    snprintf(trouble->detail, sizeof trouble->detail,
             "user and password can't be used. Check password_file.");
    return false;
}

/* ---- the library's object ---- */

/* Announces the largest packet that we take: a broker that keeps to it never sends one that must be
 * refused. The library has no call for it that does not connect, but keeps the properties of one
 * whose address it refuses. */
static void announce_limit(struct mosquitto *library)
{
    mosquitto_property *properties = NULL;
    if (mosquitto_property_add_int32(&properties, MQTT_PROP_MAXIMUM_PACKET_SIZE,
                                     MQTT_TAKE_PACKET_MAX) == MOSQ_ERR_SUCCESS)
        (void)mosquitto_connect_bind_v5(library, NULL, 0, MQTT_KEEPALIVE_S, NULL, properties);
    mosquitto_property_free_all(&properties);
}

enum up_rc mqtt_library_open(struct mqtt_client *client, struct up_error *error)
{
    client->library = mosquitto_new(client->plan->box, true, client);
    if (client->library == NULL)
        return UP_FAIL_ERRNO(error, UP_E_MEMORY, "destination %s: no memory for an MQTT client",
                             client->to->name);
    int version = client->to->mqtt_version == 5 ? MQTT_PROTOCOL_V5 : MQTT_PROTOCOL_V311;
    mosquitto_int_option(client->library, MOSQ_OPT_PROTOCOL_VERSION, version);
    mosquitto_int_option(client->library, MOSQ_OPT_SEND_MAXIMUM, DELIVER_WINDOW_MAX);
    mosquitto_int_option(client->library, MOSQ_OPT_TCP_NODELAY, 1);
    /* Else it writes CONNECT, password and all, while it connects: before the pipe with its TLS
     * stands between. So it only writes when it is told to. */
    mosquitto_threaded_set(client->library, true);
    if (client->to->mqtt_version == 5)
        announce_limit(client->library);
    mqtt_set_callbacks(client);
    client->renew = false;
    return UP_OK;
}

void mqtt_library_close(struct mqtt_client *client)
{
    if (client->library != NULL)
        mosquitto_destroy(client->library);
    client->library = NULL;
    client->n_others = 0;
}

/* ---- an attempt ---- */

static void rest(struct mqtt_client *client, const struct mqtt_trouble *trouble)
{
    client->phase = MQTT_RESTING;
    client->random = client->random * 1664525u + 1013904223u;
    client->retry_ms =
        mqtt_now_ms(client) +
        mqtt_rest_ms(client->attempts, mqtt_trouble_is_slow(trouble), client->random >> 8);
    client->attempts++;
    if (trouble->kind == MQTT_PAUSED) {
        client->retry_ms = client->paused_until_ms;
        client->attempts = 0;
    }
    if (trouble->kind == MQTT_TOO_LARGE)
        client->no_read_back_until_ms = mqtt_now_ms(client) + MQTT_NO_READ_BACK_MS;
}

static void tune_socket(int fd)
{
    unsigned user_timeout = MQTT_USER_TIMEOUT_MS;
    int buffer = RECEIVE_BUFFER;
    setsockopt(fd, IPPROTO_TCP, TCP_USER_TIMEOUT, &user_timeout, sizeof user_timeout);
    setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &buffer, sizeof buffer);
}

static void trouble_of_library(const struct mqtt_client *client, int rc, int why,
                               struct mqtt_trouble *trouble)
{
    *trouble =
        (struct mqtt_trouble){.kind = client->phase == MQTT_CONNECTING ? MQTT_CLOSED : MQTT_LOST};
    if (client->phase == MQTT_CONNECTING &&
        (rc == MOSQ_ERR_ERRNO || rc == MOSQ_ERR_CONN_REFUSED || rc == MOSQ_ERR_EAI)) {
        trouble->kind = MQTT_REACH;
        trouble->code = why;
    } else if (rc == MOSQ_ERR_PROTOCOL || rc == MOSQ_ERR_MALFORMED_PACKET ||
               rc == MOSQ_ERR_MALFORMED_UTF8) {
        trouble->kind = MQTT_NOT_MQTT;
    } else if (rc == MOSQ_ERR_KEEPALIVE) {
        trouble->kind = MQTT_SILENT;
        trouble->code = MQTT_KEEPALIVE_S;
    }
}

/* To the address whose turn it is. False: trouble filled. */
static bool reach(struct mqtt_client *client, struct mqtt_trouble *trouble)
{
    const int64_t now_ms = mqtt_now_ms(client);
    client->notes = (struct mqtt_notes){0};
    client->phase = MQTT_CONNECTING;
    client->reach_ms = now_ms + MQTT_REACH_DEADLINE_MS;
    client->deadline_ms = now_ms + MQTT_CONNECT_DEADLINE_MS;
    size_t n = mqtt_box_payload(client, false);
    mosquitto_will_set(client->library, client->box_topic, (int)n, client->payload, 1,
                       !client->no_retain);
    errno = 0;
    int rc = mosquitto_connect_async(client->library, client->found.address[client->address],
                                     client->to->port, MQTT_KEEPALIVE_S);
    if (rc != MOSQ_ERR_SUCCESS) {
        trouble_of_library(client, rc, errno, trouble);
        return false;
    }
    int fd = mosquitto_socket(client->library);
    tune_socket(fd);
    const bool is_open = mqtt_pipe_open(&client->pipe, fd);
    client->pipe.version = client->to->mqtt_version;
    if (!is_open) {
        *trouble = (struct mqtt_trouble){.kind = MQTT_LOST};
        return false;
    }
    if (!client->to->tls)
        return true;
    struct mqtt_tls *tls = mqtt_tls_open(client->to, client->pipe.tcp, trouble);
    if (tls != NULL)
        mqtt_pipe_set_tls(&client->pipe, tls);
    return tls != NULL;
}

static void reach_or_end(struct mqtt_client *client)
{
    struct mqtt_trouble trouble = {0};
    if (!reach(client, &trouble))
        mqtt_end(client, &trouble);
}

void mqtt_connect(struct mqtt_client *client)
{
    struct mqtt_trouble trouble = {0};
    client->address = 0;
    client->deadline_ms = mqtt_now_ms(client) + MQTT_LOOKUP_DEADLINE_MS;
    client->phase = MQTT_LOOKING;
    if (!set_secrets(client, &trouble)) {
        mqtt_end(client, &trouble);
    } else if (lookup_is_address(client->to->host, &client->found)) {
        reach_or_end(client);
    } else if (!lookup_begin(&client->lookup, client->to->host)) {
        trouble = (struct mqtt_trouble){.kind = MQTT_LOOKUP, .code = MQTT_LOOKUP_HANGS};
        mqtt_end(client, &trouble);
    }
}

void mqtt_look(struct mqtt_client *client)
{
    struct mqtt_trouble trouble = {.kind = MQTT_LOOKUP, .code = MQTT_LOOKUP_HANGS};
    if (lookup_take(&client->lookup, &client->found)) {
        trouble.code = client->found.code;
        if (client->found.code == 0)
            reach_or_end(client);
        else
            mqtt_end(client, &trouble);
    } else if (mqtt_now_ms(client) >= client->deadline_ms) {
        mqtt_end(client, &trouble); /* the lookup goes on; the next attempt takes what it brings */
    }
}

/* A name may have several addresses, of which one answers: each has its turn before the rest. */
static bool try_next_address(struct mqtt_client *client, const struct mqtt_trouble *trouble)
{
    if (trouble->kind != MQTT_REACH || client->phase != MQTT_CONNECTING ||
        client->address + 1 >= client->found.n)
        return false;
    client->address++;
    reach_or_end(client); /* bounded: each call takes the next address */
    return true;
}

/* Tells the well side; says it where it isn't the trouble that was said last. */
static void tell_trouble(struct mqtt_client *client, const struct mqtt_trouble *trouble,
                         bool is_new)
{
    char words[MQTT_WORDS_MAX], since[STAMP_TEXT_MAX];
    mqtt_words(trouble, client->plan, client->to, words);
    if (client->trouble.kind == MQTT_NO_TROUBLE) { /* else it was away before, for another reason */
        client->state_since_ms = mqtt_now_ms(client);
        client->state_since_utc_ms = client->clock->utc_us(client->clock->context) / 1000;
    }
    client->trouble = *trouble;
    if (is_new)
        say(SAY_WARNING, "publish", "%s Not connected since %s; rows are stored and will be sent.",
            words, stamp_to_short_text(client->state_since_utc_ms, since));
    struct wall_message *message = &client->message;
    message->kind = WALL_DESTINATION;
    message->destination = (struct wall_destination){.destination = client->destination,
                                                     .state = DELIVERY_DOWN,
                                                     .cause = mqtt_cause(trouble),
                                                     .since_boot_ms = client->state_since_ms,
                                                     .month = client->usage.month,
                                                     .month_bytes = client->usage.bytes};
    snprintf(message->destination.reason, sizeof message->destination.reason, "%s", words);
    mqtt_tell_message(client);
}

/* A connection that broke: what is known of why. A broker need not say that another client took our
 * name (Debian 12's does not). */
static struct mqtt_trouble explain(struct mqtt_client *client, const struct mqtt_trouble *trouble)
{
    struct mqtt_trouble explained = *trouble;
    if (client->phase != MQTT_CONNECTED)
        return explained;
    int64_t now_ms = mqtt_now_ms(client);
    client->short_lives =
        now_ms - client->connected_ms < MQTT_SETTLED_MS ? client->short_lives + 1 : 0;
    if (trouble->kind != MQTT_LOST)
        return explained;
    if (client->other_box_ms != 0 && now_ms - client->other_box_ms < MQTT_OTHER_BOX_MS)
        explained.kind = MQTT_TWO_BOXES;
    else if (client->short_lives >= MQTT_SHORT_LIVES)
        explained.code = MQTT_LOST_AGAIN;
    return explained;
}

void mqtt_end(struct mqtt_client *client, const struct mqtt_trouble *cause)
{
    struct mqtt_trouble explained = explain(client, cause), *trouble = &explained;
    mqtt_count(client);
    mqtt_pipe_close(&client->pipe);
    if (mosquitto_socket(client->library) >= 0)
        (void)mosquitto_loop_read(client->library, 1); /* sees the end, and closes */
    if (try_next_address(client, cause))
        return;
    if (client->phase == MQTT_CONNECTED &&
        mqtt_now_ms(client) - client->connected_ms >= MQTT_SETTLED_MS)
        client->attempts = 0;
    const bool was_connected = client->phase == MQTT_CONNECTED;
    mqtt_learn_limit(client, trouble);
    if (mqtt_has_limits(client))
        client->renew = true; /* the library would keep to them, though they were raised since */
    deliver_disconnected(client->deliver);
    client->counts[trouble->kind]++;
    rest(client, trouble);
    /* One line an event: the same trouble again is not a new one. */
    const bool is_new =
        client->trouble.kind != trouble->kind || client->trouble.code != trouble->code;
    if (is_new || was_connected)
        tell_trouble(client, trouble, is_new);
}

/* ---- by order ---- */

/* No goodbye: so the broker tells the last will, as it would where the network is cut, and who reads
 * there sees what a cut looks like. */
void mqtt_pause(struct mqtt_client *client, const struct wall_pause *pause)
{
    const int64_t now_ms = mqtt_now_ms(client);
    struct mqtt_trouble trouble = {.kind = MQTT_PAUSED};
    char until[STAMP_TEXT_MAX];
    client->paused_until_ms = pause->until_boot_ms < now_ms + PAUSE_MOST_MS
                                  ? pause->until_boot_ms
                                  : now_ms + PAUSE_MOST_MS;
    if (client->paused_until_ms <= now_ms) {
        client->paused_until_ms = 0;
        if (client->phase == MQTT_RESTING && client->trouble.kind == MQTT_PAUSED)
            client->retry_ms = now_ms;
        return;
    }
    snprintf(trouble.detail, sizeof trouble.detail, "until %s by %.80s",
             stamp_to_short_text(pause->until_utc_ms, until), pause->by);
    if (client->phase != MQTT_RESTING) {
        mqtt_end(client, &trouble);
        return;
    }
    rest(client, &trouble);
    tell_trouble(client, &trouble, true);
}

/* ---- while it stands ---- */

/* How the broker's side of the pipe ended, before the library has seen it. */
static bool pipe_trouble(struct mqtt_client *client, struct mqtt_trouble *trouble)
{
    const struct mqtt_pipe *pipe = &client->pipe;
    if (pipe->too_large) {
        trouble->kind = MQTT_TOO_LARGE;
        return true;
    }
    if (pipe->not_mqtt) {
        trouble->kind = client->phase == MQTT_CONNECTING ? MQTT_NOT_MQTT : MQTT_GARBAGE;
        return true;
    }
    if (!pipe->ended || client->phase != MQTT_CONNECTING || pipe->sound_n > 0)
        return false;
    if (pipe->tls != NULL && mqtt_tls_trouble(pipe->tls, trouble)) {
        struct wall_state *state = &client->state;
        trouble->now_utc_ms = client->clock->utc_us(client->clock->context) / 1000;
        trouble->clock = side_state_copy(client->side, state) ? state->clock : CLOCK_STATE_UNKNOWN;
        return true;
    }
    bool no_way = pipe->why != 0 && pipe->why != ECONNRESET && pipe->why != EPIPE;
    trouble->kind = no_way ? MQTT_REACH : MQTT_CLOSED;
    trouble->code = no_way ? pipe->why : 0;
    return true;
}

/* The attempt took too long. */
static bool is_late(struct mqtt_client *client, struct mqtt_trouble *trouble)
{
    const int64_t now_ms = mqtt_now_ms(client);
    if (client->phase != MQTT_CONNECTING)
        return false;
    if (now_ms >= client->reach_ms && !mqtt_pipe_is_connected(&client->pipe))
        *trouble = (struct mqtt_trouble){.kind = MQTT_REACH, .code = ETIMEDOUT};
    else if (now_ms >= client->deadline_ms)
        *trouble =
            (struct mqtt_trouble){.kind = MQTT_SILENT, .code = MQTT_CONNECT_DEADLINE_MS / 1000};
    return trouble->kind != MQTT_NO_TROUBLE;
}

void mqtt_write(struct mqtt_client *client)
{
    /* What it returns, the next reading tells as well. */
    for (int i = 0; i < MQTT_WRITES_MAX && mosquitto_socket(client->library) >= 0 &&
                    mosquitto_want_write(client->library);
         i++)
        if (mosquitto_loop_write(client->library, 1) != MOSQ_ERR_SUCCESS)
            return;
    mqtt_pipe_move(&client->pipe);
}

/* Reads, writes and keeps alive; returns the library's first complaint. */
static int serve_library(struct mqtt_client *client, short revents)
{
    int rc = MOSQ_ERR_SUCCESS;
    if (revents & (POLLIN | POLLHUP | POLLERR))
        rc = mosquitto_loop_read(client->library, 1);
    if (rc == MOSQ_ERR_SUCCESS && mosquitto_want_write(client->library))
        rc = mosquitto_loop_write(client->library, 1);
    int64_t now_ms = mqtt_now_ms(client);
    if (rc == MOSQ_ERR_SUCCESS && now_ms >= client->misc_ms) {
        client->misc_ms = now_ms + 1000;
        rc = mosquitto_loop_misc(client->library);
    }
    return rc;
}

void mqtt_serve(struct mqtt_client *client)
{
    struct mqtt_trouble trouble = {0};
    mqtt_pipe_move(&client->pipe);
    /* What that brought is looked at here and now. */
    struct pollfd own = {.fd = mosquitto_socket(client->library), .events = POLLIN};
    if (own.fd >= 0)
        (void)poll(&own, 1, 0);
    int rc = serve_library(client, own.revents);
    mqtt_pipe_move(&client->pipe);
    if (client->notes.connack || client->notes.ended)
        return; /* the loop acts on what the broker said, before what the library made of it */
    if (pipe_trouble(client, &trouble)) {
        mqtt_end(client, &trouble);
    } else if (rc != MOSQ_ERR_SUCCESS || mosquitto_socket(client->library) < 0) {
        trouble_of_library(client, rc, client->pipe.why, &trouble);
        mqtt_end(client, &trouble);
    } else if (is_late(client, &trouble)) {
        mqtt_end(client, &trouble);
    }
}
