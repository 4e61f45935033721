/* SPDX-License-Identifier: Apache-2.0
 *
 * read_back.c - see read_back.h. Name, TLS and words are those of the daemon's own client; MQTT is
 * written out, since the client library takes whatever length a packet states and knows no TLS but
 * its own.
 *
 * Blocking, by poll and a deadline: one person waits for it.
 */
#include "uphole/read_back.h"

#include "mqtt_lookup.h"
#include "mqtt_packet.h"
#include "mqtt_secret.h"
#include "mqtt_tls.h"
#include "read_back_packet.h"

#include "uphole/say.h"

#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sys/socket.h>
#include <unistd.h>

#define KEEP_ALIVE_S 60
#define PING_EVERY_MS 20000
#define TOPIC_NAME_MAX 256
#define PASSWORD_MAX 512

struct read_back {
    struct read_back_options options;
    const struct destination_plan *to;
    int fd; /* -1: closed */
    struct mqtt_tls *tls;
    char client_id[READ_BACK_ID_MAX];
    char topic[READ_BACK_TOPICS][TOPIC_NAME_MAX];
    int64_t spoke_ms;
    size_t n, used; /* bytes that came; those of the message that was handed out */
    uint8_t bytes[READ_BACK_PACKET_MAX + 5];
};

static int64_t now_ms(const struct read_back *session)
{
    return clock_boot_ms(session->options.clock);
}

static enum up_rc fail_with(const struct read_back *session, const struct mqtt_trouble *trouble,
                            struct up_error *error)
{
    char words[MQTT_WORDS_MAX];
    size_t n = mqtt_words(trouble, session->options.plan, session->to, words);
    if (n > 0 && words[n - 1] == '.')
        words[n - 1] = '\0';
    return UP_FAIL(error, trouble->kind == MQTT_SECRET ? UP_E_CONFIG : UP_E_PORT, "%s", words);
}

static enum up_rc connection_ended(const struct read_back *session, struct up_error *error)
{
    struct mqtt_trouble trouble = {.kind = MQTT_LOST};
    if (session->tls != NULL)
        (void)mqtt_tls_trouble(session->tls, &trouble);
    return fail_with(session, &trouble, error);
}

/* ---- bytes ---- */

/** As poll returns it; `events` 0: `usual`. */
static int wait_for(const struct read_back *session, short events, short usual, int64_t until_ms)
{
    struct pollfd wait = {.fd = session->fd, .events = events != 0 ? events : usual};
    const int64_t left_ms = until_ms - now_ms(session);
    return poll(&wait, 1, left_ms > 0 ? (int)left_ms : 0);
}

static enum up_rc send_all(struct read_back *session, const uint8_t *bytes, size_t n,
                           struct up_error *error)
{
    const int64_t until_ms = now_ms(session) + READ_BACK_CONNECT_MS;
    while (n > 0) {
        const ssize_t sent = session->tls != NULL ? mqtt_tls_write(session->tls, bytes, n)
                                                  : send(session->fd, bytes, n, MSG_NOSIGNAL);
        if (sent > 0) {
            bytes += sent;
            n -= (size_t)sent;
            continue;
        }
        if (sent < 0 && errno != EAGAIN && errno != EINTR)
            return connection_ended(session, error);
        const short wants = session->tls != NULL ? mqtt_tls_wants(session->tls) : POLLOUT;
        if (wait_for(session, wants, POLLOUT, until_ms) == 0)
            return connection_ended(session, error);
    }
    session->spoke_ms = now_ms(session);
    return UP_OK;
}

/** Reads what is there, after waiting for it: UP_OK, UP_E_TIMEOUT, or the connection's end. */
static enum up_rc receive(struct read_back *session, int64_t until_ms, struct up_error *error)
{
    for (;;) {
        uint8_t *into = session->bytes + session->n;
        const size_t room = sizeof session->bytes - session->n;
        const ssize_t got = session->tls != NULL ? mqtt_tls_read(session->tls, into, room)
                                                 : recv(session->fd, into, room, 0);
        if (got > 0) {
            session->n += (size_t)got;
            return UP_OK;
        }
        if (got == 0 || (errno != EAGAIN && errno != EINTR))
            return connection_ended(session, error);
        const short wants = session->tls != NULL ? mqtt_tls_wants(session->tls) : POLLIN;
        if (now_ms(session) >= until_ms)
            return UP_E_TIMEOUT;
        if (wait_for(session, wants, POLLIN, until_ms) < 0 && errno == EINTR)
            return UP_E_TIMEOUT; /* a signal: whoever waits looks at it */
    }
}

/** The next whole packet stands at session->bytes, of *length; the one before is gone. */
static enum up_rc next_packet(struct read_back *session, int64_t until_ms, size_t *length,
                              struct up_error *error)
{
    static const struct mqtt_trouble GARBAGE = {.kind = MQTT_GARBAGE};
    session->n -= session->used;
    memmove(session->bytes, session->bytes + session->used, session->n);
    session->used = 0;
    for (;;) {
        *length = packet_whole_length(session->bytes, session->n, sizeof session->bytes);
        if (*length > sizeof session->bytes)
            return UP_FAIL(error, UP_E_FRAME,
                           "Broker %s sent a packet of more than %d KiB; it is not read back",
                           session->to->name, READ_BACK_PACKET_MAX / 1024);
        if (*length > 0 && session->n >= *length)
            break;
        const enum up_rc rc = receive(session, until_ms, error);
        if (rc != UP_OK)
            return rc;
    }
    if (!mqtt_packet_is_sound(session->bytes, *length, session->to->mqtt_version))
        return fail_with(session, &GARBAGE, error);
    session->used = *length;
    return UP_OK;
}

/* ---- the connection ---- */

static enum up_rc look_up(struct read_back *session, struct lookup_result *found,
                          struct up_error *error)
{
    struct mqtt_lookup lookup = {0};
    struct mqtt_trouble trouble = {.kind = MQTT_LOOKUP, .code = MQTT_LOOKUP_HANGS};
    if (lookup_is_address(session->to->host, found))
        return UP_OK;
    if (lookup_begin(&lookup, session->to->host)) {
        struct pollfd done = {.fd = lookup_fd(&lookup), .events = POLLIN};
        (void)poll(&done, 1, READ_BACK_CONNECT_MS);
        if (lookup_take(&lookup, found)) {
            trouble.code = found->code;
            if (found->code == 0)
                return UP_OK;
        }
        lookup_leave(&lookup);
    }
    return fail_with(session, &trouble, error);
}

/** To one address: a connected descriptor that never waits, or -1 and errno. */
static int reach(const struct read_back *session, const char *address, int64_t until_ms)
{
    struct addrinfo hints = {.ai_flags = AI_NUMERICHOST | AI_NUMERICSERV,
                             .ai_socktype = SOCK_STREAM};
    struct addrinfo *info = NULL;
    char port[8];
    int why = 0;
    socklen_t size = sizeof why;
    snprintf(port, sizeof port, "%u", session->to->port);
    if (getaddrinfo(address, port, &hints, &info) != 0) {
        errno = EHOSTUNREACH;
        return -1;
    }
    const int fd = socket(info->ai_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd >= 0 && connect(fd, info->ai_addr, info->ai_addrlen) != 0) {
        struct pollfd wait = {.fd = fd, .events = POLLOUT};
        const int64_t left_ms = until_ms - now_ms(session);
        why = errno;
        if (why == EINPROGRESS && poll(&wait, 1, left_ms > 0 ? (int)left_ms : 0) <= 0)
            why = ETIMEDOUT;
        else if (why == EINPROGRESS)
            (void)getsockopt(fd, SOL_SOCKET, SO_ERROR, &why, &size);
    }
    freeaddrinfo(info);
    if (fd < 0 || why == 0)
        return fd;
    close(fd);
    errno = why;
    return -1;
}

static enum up_rc secure(struct read_back *session, int64_t until_ms, struct up_error *error)
{
    struct mqtt_trouble trouble = {.kind = MQTT_LOST};
    if (!session->to->tls)
        return UP_OK;
    session->tls = mqtt_tls_open(session->to, session->fd, &trouble);
    while (session->tls != NULL) {
        const enum tls_step step = mqtt_tls_shake(session->tls);
        if (step == TLS_STANDS)
            return UP_OK;
        if (step == TLS_FAILED || now_ms(session) >= until_ms) {
            trouble.kind = step == TLS_FAILED ? MQTT_CLOSED : MQTT_SILENT;
            trouble.code = READ_BACK_CONNECT_MS / 1000;
            (void)mqtt_tls_trouble(session->tls, &trouble);
            trouble.now_utc_ms =
                session->options.clock->utc_us(session->options.clock->context) / 1000;
            break;
        }
        (void)wait_for(session, mqtt_tls_wants(session->tls), POLLIN, until_ms);
    }
    return fail_with(session, &trouble, error);
}

static enum up_rc refused(const struct read_back *session, uint8_t code, struct up_error *error)
{
    const bool is_id = code == 0x02 || code == 0x85;
    if (is_id)
        return UP_FAIL(error, UP_E_PORT,
                       "Broker %s does not take the client id %s, under which it is read back "
                       "(0x%02X). Ask whoever runs the broker to allow it",
                       session->to->name, session->client_id, code);
    const struct mqtt_trouble trouble = {.kind = MQTT_REFUSED, .code = code};
    return fail_with(session, &trouble, error);
}

static enum up_rc greet(struct read_back *session, int64_t until_ms, struct up_error *error)
{
    char password[PASSWORD_MAX] = "";
    uint8_t packet[2048];
    const bool own = session->options.user != NULL;
    const char *user = own ? session->options.user : session->to->user;
    const char *file = own ? session->options.password_file : session->to->password_file;
    const bool wanted = file != NULL && file[0] != '\0';
    struct mqtt_trouble trouble = {.kind = MQTT_SILENT, .code = READ_BACK_CONNECT_MS / 1000};
    size_t n = 0;
    if (wanted && !mqtt_secret_read(file, password, sizeof password, &trouble))
        return fail_with(session, &trouble, error);
    n = packet_put_connect(packet, sizeof packet, session->to->mqtt_version, session->client_id,
                           user[0] != '\0' ? user : NULL, wanted ? password : NULL, KEEP_ALIVE_S,
                           READ_BACK_PACKET_MAX);
    explicit_bzero(password, sizeof password);
    enum up_rc rc = n > 0 ? send_all(session, packet, n, error)
                          : UP_FAIL(error, UP_E_CONFIG, "user or password is too long");
    explicit_bzero(packet, sizeof packet);
    while (rc == UP_OK) {
        rc = next_packet(session, until_ms, &n, error);
        if (rc == UP_E_TIMEOUT && now_ms(session) < until_ms) {
            rc = UP_OK;
            continue;
        }
        if (rc == UP_E_TIMEOUT)
            return fail_with(session, &trouble, error);
        if (rc == UP_OK && session->bytes[0] >> 4 == PACKET_CONNACK)
            break;
    }
    if (rc == UP_OK && packet_reason(session->bytes, n) != 0)
        return refused(session, packet_reason(session->bytes, n), error);
    return rc;
}

static enum up_rc subscribe(struct read_back *session, int64_t until_ms, struct up_error *error)
{
    uint8_t packet[READ_BACK_TOPICS * TOPIC_NAME_MAX + 16];
    const char *topics[READ_BACK_TOPICS];
    const uint8_t *codes = NULL;
    size_t n = 0;
    for (uint8_t t = READ_BACK_LATEST; t < READ_BACK_TOPICS; t++)
        topics[n++] = session->topic[t];
    const size_t length =
        packet_put_subscribe(packet, sizeof packet, session->to->mqtt_version, 1, topics, n);
    enum up_rc rc = send_all(session, packet, length, error);
    while (rc == UP_OK) {
        rc = next_packet(session, until_ms, &n, error);
        if (rc == UP_E_TIMEOUT && now_ms(session) < until_ms) {
            rc = UP_OK;
            continue;
        }
        if (rc == UP_OK && session->bytes[0] >> 4 == PACKET_SUBACK)
            break;
    }
    if (rc == UP_E_TIMEOUT)
        return UP_FAIL(error, UP_E_PORT, "Broker %s does not answer the subscription to %.150s",
                       session->to->name, session->topic[READ_BACK_RECORD]);
    if (rc != UP_OK)
        return rc;
    const size_t n_codes = packet_take_suback(session->bytes, n, session->to->mqtt_version, &codes);
    for (size_t i = 0; i < n_codes && i < READ_BACK_TOPICS - 1; i++)
        if (codes[i] >= 0x80)
            return UP_FAIL(error, UP_E_PORT,
                           "Broker %s does not let this user read %.120s (0x%02X). Give it the "
                           "right there, or name a user that has it (--reader-user)",
                           session->to->name, session->topic[READ_BACK_LATEST + i], codes[i]);
    return UP_OK;
}

static enum up_rc connect_all(struct read_back *session, struct up_error *error)
{
    struct lookup_result found = {0};
    struct mqtt_trouble trouble = {.kind = MQTT_REACH};
    const int64_t until_ms = now_ms(session) + READ_BACK_CONNECT_MS;
    enum up_rc rc = look_up(session, &found, error);
    if (rc != UP_OK)
        return rc;
    for (unsigned i = 0; i < found.n && session->fd < 0; i++) {
        session->fd = reach(session, found.address[i], until_ms);
        trouble.code = errno;
    }
    if (session->fd < 0)
        return fail_with(session, &trouble, error);
    rc = secure(session, until_ms, error);
    if (rc == UP_OK)
        rc = greet(session, until_ms, error);
    return rc == UP_OK ? subscribe(session, until_ms, error) : rc;
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

enum up_rc read_back_open(const struct read_back_options *options, struct read_back **out,
                          struct up_error *error)
{
    struct read_back *session = calloc(1, sizeof *session);
    *out = NULL;
    if (session == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for a session at the broker");
    session->options = *options;
    session->to = &options->plan->destinations[options->destination];
    session->fd = -1;
    enum up_rc rc = name_all(session) ? connect_all(session, error)
                                      : UP_FAIL(error, UP_E_SYSTEM, "no random number to be had");
    if (rc == UP_OK)
        *out = session;
    else
        read_back_close(session);
    return rc;
}

void read_back_close(struct read_back *session)
{
    uint8_t packet[16];
    if (session == NULL)
        return;
    if (session->fd >= 0) {
        const size_t n = packet_put_disconnect(packet, sizeof packet);
        if (session->tls == NULL)
            (void)!send(session->fd, packet, n, MSG_NOSIGNAL);
        else
            (void)!mqtt_tls_write(session->tls, packet, n);
        if (session->tls != NULL)
            mqtt_tls_end(session->tls);
        mqtt_tls_close(session->tls);
        close(session->fd);
    }
    free(session);
}

int read_back_fd(const struct read_back *session)
{
    return session->fd;
}

const char *read_back_client_id(const struct read_back *session)
{
    return session->client_id;
}

const char *read_back_topic_name(const struct read_back *session, uint8_t topic)
{
    return topic < READ_BACK_TOPICS ? session->topic[topic] : "";
}

/** True where the packet is a message of a topic that was asked for; it is acknowledged. */
static enum up_rc take_message(struct read_back *session, size_t n, struct read_back_message *out,
                               bool *taken, struct up_error *error)
{
    struct packet_publish publish;
    uint8_t packet[16];
    packet_take_publish(session->bytes, n, session->to->mqtt_version, &publish);
    enum up_rc rc = UP_OK;
    if (publish.id != 0)
        rc = send_all(session, packet, packet_put_ack(packet, sizeof packet, publish.id), error);
    *taken = false;
    for (uint8_t t = READ_BACK_LATEST; t < READ_BACK_TOPICS; t++) {
        if (strlen(session->topic[t]) != publish.topic_n ||
            memcmp(session->topic[t], publish.topic, publish.topic_n) != 0)
            continue;
        *taken = true;
        *out = (struct read_back_message){.topic = t,
                                          .retained = publish.retained,
                                          .payload = (const char *)publish.payload,
                                          .length = publish.payload_n,
                                          .came_boot_ms = now_ms(session)};
    }
    return rc;
}

enum up_rc read_back_next(struct read_back *session, int wait_ms, struct read_back_message *out,
                          struct up_error *error)
{
    const int64_t until_ms = now_ms(session) + wait_ms;
    for (;;) {
        uint8_t packet[16];
        size_t n = 0;
        bool taken = false;
        enum up_rc rc = UP_OK;
        if (now_ms(session) - session->spoke_ms >= PING_EVERY_MS)
            rc = send_all(session, packet, packet_put_ping(packet, sizeof packet), error);
        if (rc == UP_OK)
            rc = next_packet(session, until_ms, &n, error);
        if (rc != UP_OK)
            return rc;
        if (session->bytes[0] >> 4 == PACKET_DISCONNECT) {
            const struct mqtt_trouble trouble = {.kind = MQTT_ENDED,
                                                 .code = packet_reason(session->bytes, n)};
            return fail_with(session, &trouble, error);
        }
        if (session->bytes[0] >> 4 == PACKET_PUBLISH)
            rc = take_message(session, n, out, &taken, error);
        if (rc != UP_OK || taken)
            return rc;
    }
}
