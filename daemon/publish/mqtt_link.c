/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_link.c - see mqtt_link.h.
 */
#include "mqtt_link.h"

#include "mqtt_rest.h"
#include "mqtt_secret.h"

#include <errno.h>
#include <linux/tcp.h>
#include <mqtt_protocol.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>

#define WRITES_MAX 64 /* of whole packets, a round */
#define RECEIVE_BUFFER (32 * 1024)
#define PASSWORD_MAX 4096 /* bytes of its file; a signed token as a password has 1,000 and more */

static int64_t now_ms(const struct mqtt_link *link)
{
    return clock_boot_ms(link->clock);
}

/* ---- the library's object ---- */

/* Announces the largest packet that we take: a broker that keeps to it never sends one that must be
 * refused. The library has no call for it that does not connect, but keeps the properties of one
 * whose address it refuses. */
static void announce_limit(struct mosquitto *library, const struct mqtt_link_options *options)
{
    mosquitto_property *properties = NULL;
    if (mosquitto_property_add_int32(&properties, MQTT_PROP_MAXIMUM_PACKET_SIZE,
                                     options->take_most) == MOSQ_ERR_SUCCESS)
        (void)mosquitto_connect_bind_v5(library, NULL, 0, options->keepalive_s, NULL, properties);
    mosquitto_property_free_all(&properties);
}

enum up_rc mqtt_link_open(struct mqtt_link *link, const struct mqtt_link_options *options,
                          struct up_error *error)
{
    const bool is_newer = options->to->mqtt_version == 5;
    link->phase = MQTT_RESTING;
    link->clock = options->clock;
    link->keepalive_s = options->keepalive_s;
    if (!mqtt_pipe_prepare(&link->pipe, options->take_most))
        return UP_FAIL(error, UP_E_MEMORY, "destination %s: no memory for what a broker sends",
                       options->to->name);
    link->library = mosquitto_new(options->client_id, true, options->owner);
    if (link->library == NULL) {
        const enum up_rc rc = UP_FAIL_ERRNO(
            error, UP_E_MEMORY, "destination %s: no memory for an MQTT client", options->to->name);
        mqtt_link_close(link);
        return rc;
    }
    mosquitto_int_option(link->library, MOSQ_OPT_PROTOCOL_VERSION,
                         is_newer ? MQTT_PROTOCOL_V5 : MQTT_PROTOCOL_V311);
    mosquitto_int_option(link->library, MOSQ_OPT_TCP_NODELAY, 1);
    /* Else it writes CONNECT, password and all, while it connects: before the pipe with its TLS
     * stands between. So it only writes when it is told to. */
    mosquitto_threaded_set(link->library, true);
    if (is_newer)
        announce_limit(link->library, options);
    return UP_OK;
}

void mqtt_link_close(struct mqtt_link *link)
{
    mqtt_pipe_discard(&link->pipe);
    if (link->library != NULL)
        mosquitto_destroy(link->library);
    link->library = NULL;
    link->phase = MQTT_RESTING;
}

/* ---- an attempt ---- */

static bool set_secrets(struct mqtt_link *link, const char *user, const char *password_file,
                        struct mqtt_trouble *trouble)
{
    char password[PASSWORD_MAX] = "";
    if (password_file != NULL &&
        !mqtt_secret_read(password_file, password, sizeof password, trouble))
        return false;
    const int rc =
        mosquitto_username_pw_set(link->library, user, password_file != NULL ? password : NULL);
    explicit_bzero(password, sizeof password);
    if (rc == MOSQ_ERR_SUCCESS)
        return true;
    trouble->kind = MQTT_SECRET;
    snprintf(trouble->detail, sizeof trouble->detail,
             "user and password can't be used. Check password_file.");
    return false;
}

enum mqtt_look mqtt_link_begin(struct mqtt_link *link, const struct destination_plan *to,
                               const char *user, const char *password_file,
                               struct mqtt_trouble *trouble)
{
    link->address = 0;
    link->deadline_ms = now_ms(link) + MQTT_LOOKUP_DEADLINE_MS;
    link->phase = MQTT_LOOKING;
    if (!set_secrets(link, user, password_file, trouble))
        return LOOK_FAILED;
    if (lookup_is_address(to->host, &link->found))
        return LOOK_FOUND;
    if (lookup_begin(&link->lookup, to->host))
        return LOOK_WAITS;
    mqtt_link_give_up(link, trouble);
    return LOOK_FAILED;
}

enum mqtt_look mqtt_link_look(struct mqtt_link *link, struct mqtt_trouble *trouble)
{
    if (lookup_take(&link->lookup, &link->found)) {
        *trouble = (struct mqtt_trouble){.kind = MQTT_LOOKUP, .code = link->found.code};
        return link->found.code == 0 ? LOOK_FOUND : LOOK_FAILED;
    }
    if (now_ms(link) < link->deadline_ms)
        return LOOK_WAITS;
    mqtt_link_give_up(link, trouble); /* it goes on; the next attempt takes what it brings */
    return LOOK_FAILED;
}

static void tune_socket(int fd)
{
    unsigned user_timeout = MQTT_USER_TIMEOUT_MS;
    int buffer = RECEIVE_BUFFER;
    setsockopt(fd, IPPROTO_TCP, TCP_USER_TIMEOUT, &user_timeout, sizeof user_timeout);
    setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &buffer, sizeof buffer);
}

static void trouble_of_library(const struct mqtt_link *link, int rc, int why,
                               struct mqtt_trouble *trouble)
{
    *trouble =
        (struct mqtt_trouble){.kind = link->phase == MQTT_CONNECTING ? MQTT_CLOSED : MQTT_LOST};
    if (link->phase == MQTT_CONNECTING &&
        (rc == MOSQ_ERR_ERRNO || rc == MOSQ_ERR_CONN_REFUSED || rc == MOSQ_ERR_EAI)) {
        trouble->kind = MQTT_REACH;
        trouble->code = why;
    } else if (rc == MOSQ_ERR_PROTOCOL || rc == MOSQ_ERR_MALFORMED_PACKET ||
               rc == MOSQ_ERR_MALFORMED_UTF8) {
        trouble->kind = MQTT_NOT_MQTT;
    } else if (rc == MOSQ_ERR_KEEPALIVE) {
        trouble->kind = MQTT_SILENT;
        trouble->code = link->keepalive_s;
    }
}

bool mqtt_link_reach(struct mqtt_link *link, const struct destination_plan *to,
                     struct mqtt_trouble *trouble)
{
    link->phase = MQTT_CONNECTING;
    link->reach_ms = now_ms(link) + MQTT_REACH_DEADLINE_MS;
    link->deadline_ms = now_ms(link) + MQTT_CONNECT_DEADLINE_MS;
    errno = 0;
    const int rc = mosquitto_connect_async(link->library, link->found.address[link->address],
                                           to->port, link->keepalive_s);
    if (rc != MOSQ_ERR_SUCCESS) {
        trouble_of_library(link, rc, errno, trouble);
        return false;
    }
    const int fd = mosquitto_socket(link->library);
    tune_socket(fd);
    if (!mqtt_pipe_open(&link->pipe, fd, to->mqtt_version)) {
        *trouble = (struct mqtt_trouble){.kind = MQTT_LOST};
        return false;
    }
    if (!to->tls)
        return true;
    struct mqtt_tls *tls = mqtt_tls_open(to, link->pipe.tcp, trouble);
    if (tls != NULL)
        mqtt_pipe_set_tls(&link->pipe, tls);
    return tls != NULL;
}

bool mqtt_link_next(struct mqtt_link *link, const struct mqtt_trouble *trouble)
{
    if (trouble->kind != MQTT_REACH || link->phase != MQTT_CONNECTING ||
        link->address + 1 >= link->found.n)
        return false;
    link->address++;
    return true;
}

void mqtt_link_give_up(const struct mqtt_link *link, struct mqtt_trouble *trouble)
{
    if (link->phase == MQTT_LOOKING)
        *trouble = (struct mqtt_trouble){.kind = MQTT_LOOKUP, .code = MQTT_LOOKUP_HANGS};
    else if (!mqtt_pipe_is_connected(&link->pipe))
        *trouble = (struct mqtt_trouble){.kind = MQTT_REACH, .code = ETIMEDOUT};
    else
        *trouble =
            (struct mqtt_trouble){.kind = MQTT_SILENT, .code = MQTT_CONNECT_DEADLINE_MS / 1000};
}

/* ---- while it stands ---- */

/* How the broker's side of the pipe ended, before the library has seen it. */
static bool pipe_trouble(const struct mqtt_link *link, struct mqtt_trouble *trouble)
{
    const struct mqtt_pipe *pipe = &link->pipe;
    if (pipe->too_large) {
        trouble->kind = MQTT_TOO_LARGE;
        return true;
    }
    if (pipe->not_mqtt) {
        trouble->kind = link->phase == MQTT_CONNECTING ? MQTT_NOT_MQTT : MQTT_GARBAGE;
        return true;
    }
    if (!pipe->ended || link->phase != MQTT_CONNECTING || pipe->sound_n > 0)
        return false;
    if (pipe->tls != NULL && mqtt_tls_trouble(pipe->tls, trouble)) {
        trouble->now_utc_ms = link->clock->utc_us(link->clock->context) / 1000;
        return true;
    }
    bool no_way = pipe->why != 0 && pipe->why != ECONNRESET && pipe->why != EPIPE;
    trouble->kind = no_way ? MQTT_REACH : MQTT_CLOSED;
    trouble->code = no_way ? pipe->why : 0;
    return true;
}

/* The attempt took too long. */
static bool is_late(const struct mqtt_link *link, struct mqtt_trouble *trouble)
{
    const int64_t now = now_ms(link);
    if (link->phase != MQTT_CONNECTING ||
        (now < link->deadline_ms && (now < link->reach_ms || mqtt_pipe_is_connected(&link->pipe))))
        return false;
    mqtt_link_give_up(link, trouble);
    return true;
}

/* Hands what the library holds to the pipe, as far as there is room. */
static void write_out(struct mqtt_link *link)
{
    /* What it returns, the next reading tells as well. */
    for (int i = 0; i < WRITES_MAX && mosquitto_socket(link->library) >= 0 &&
                    mosquitto_want_write(link->library);
         i++)
        if (mosquitto_loop_write(link->library, 1) != MOSQ_ERR_SUCCESS)
            return;
    mqtt_pipe_send(&link->pipe);
}

int mqtt_link_wants(struct mqtt_link *link, struct pollfd fds[static MQTT_LINK_FDS], int timeout_ms)
{
    for (int i = 0; i < MQTT_LINK_FDS; i++)
        fds[i] = (struct pollfd){.fd = -1};
    if (link->phase == MQTT_LOOKING) {
        fds[0] = (struct pollfd){.fd = lookup_fd(&link->lookup), .events = POLLIN};
    } else if (link->phase != MQTT_RESTING) {
        write_out(link);
        mqtt_pipe_wants(&link->pipe, &fds[0], &fds[1]);
        fds[2] = (struct pollfd){.fd = mosquitto_socket(link->library), .events = POLLIN};
        if (mosquitto_want_write(link->library))
            fds[2].events |= POLLOUT;
        if (link->pipe.too_large || link->pipe.not_mqtt)
            return 0; /* seen just now: nothing wakes us for it */
    }
    return timeout_ms;
}

void mqtt_link_hear(struct mqtt_link *link, const struct pollfd fds[static MQTT_LINK_FDS])
{
    link->pipe_heard = link->pipe_heard || fds[0].revents != 0 || fds[1].revents != 0;
    link->library_heard = link->library_heard || fds[2].revents != 0;
}

/* Reads, writes and keeps alive; returns the library's first complaint. */
static int serve_library(struct mqtt_link *link, bool has_to_read)
{
    int rc = MOSQ_ERR_SUCCESS;
    if (has_to_read)
        rc = mosquitto_loop_read(link->library, 1);
    if (rc == MOSQ_ERR_SUCCESS && mosquitto_want_write(link->library))
        rc = mosquitto_loop_write(link->library, 1);
    if (rc == MOSQ_ERR_SUCCESS && now_ms(link) >= link->misc_ms) {
        link->misc_ms = now_ms(link) + 1000;
        rc = mosquitto_loop_misc(link->library);
    }
    return rc;
}

bool mqtt_link_serve(struct mqtt_link *link, struct mqtt_trouble *trouble)
{
    bool has_to_read = link->library_heard;
    if (link->pipe_heard || link->pipe.tls != NULL) /* TLS may hold what poll doesn't see */
        has_to_read = mqtt_pipe_take(&link->pipe) || has_to_read;
    link->pipe_heard = link->library_heard = false;
    const int rc = serve_library(link, has_to_read); /* what it writes goes before the next wait */
    *trouble = (struct mqtt_trouble){0};
    if (pipe_trouble(link, trouble))
        return false;
    if (rc != MOSQ_ERR_SUCCESS || mosquitto_socket(link->library) < 0) {
        trouble_of_library(link, rc, link->pipe.why, trouble);
        return false;
    }
    return !is_late(link, trouble);
}

/* ---- the end ---- */

void mqtt_link_leave(struct mqtt_link *link)
{
    (void)mosquitto_disconnect(link->library);
    write_out(link); /* if there is room for two bytes */
    if (link->pipe.tls != NULL)
        mqtt_tls_end(link->pipe.tls);
}

void mqtt_link_drop(struct mqtt_link *link)
{
    mqtt_pipe_close(&link->pipe);
    if (mosquitto_socket(link->library) >= 0)
        (void)mosquitto_loop_read(link->library, 1); /* sees the end, and closes */
}
