/* SPDX-License-Identifier: Apache-2.0
 *
 * server_accept.c - who gets a place at the table.
 *
 * Where `allow` is stated, only those addresses get one, so that nobody else can take theirs. No
 * address gets more than its share. A connection that has never sent a whole request gives way
 * after 2 s when another wants the place; one that has is never thrown out for it.
 */
#include "server_inside.h"

#include <errno.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <string.h>
#include <sys/epoll.h>
#include <unistd.h>

#define KERNEL_BUFFER 32768 /* bytes a direction that the kernel may hold for one client */

bool peer_from_address(const struct sockaddr_storage *address, struct peer *peer)
{
    static const uint8_t mapped[12] = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF};
    memset(peer, 0, sizeof *peer);
    if (address->ss_family == AF_INET) {
        struct sockaddr_in v4;
        memcpy(&v4, address, sizeof v4);
        peer->family = 4;
        memcpy(peer->address, &v4.sin_addr, 4);
        return true;
    }
    if (address->ss_family != AF_INET6)
        return false;
    struct sockaddr_in6 v6;
    memcpy(&v6, address, sizeof v6);
    if (memcmp(&v6.sin6_addr, mapped, sizeof mapped) == 0) {
        peer->family = 4;
        memcpy(peer->address, v6.sin6_addr.s6_addr + 12, 4);
        return true;
    }
    peer->family = 6;
    memcpy(peer->address, &v6.sin6_addr, 16);
    return true;
}

static bool rule_matches(const struct allow_rule *rule, const struct peer *peer)
{
    unsigned most = peer->family == 4 ? 32 : 128;
    if (rule->family != peer->family || rule->prefix > most)
        return false;
    unsigned whole = rule->prefix / 8u, rest = rule->prefix % 8u;
    if (memcmp(rule->address, peer->address, whole) != 0)
        return false;
    if (rest == 0)
        return true;
    unsigned mask = 0xFFu << (8u - rest) & 0xFFu;
    return (rule->address[whole] & mask) == (peer->address[whole] & mask);
}

bool peer_is_allowed(const struct destination_plan *destination, const struct peer *peer)
{
    for (unsigned i = 0; i < destination->n_allow; i++) {
        if (rule_matches(&destination->allow[i], peer))
            return true;
    }
    return destination->n_allow == 0;
}

static void set_number(int fd, int level, int name, int value)
{
    /* What the kernel doesn't have is done without: these only bound and hasten. */
    (void)setsockopt(fd, level, name, &value, sizeof value);
}

/** Set on the listener; accepted connections inherit them. */
static void set_options(int fd)
{
    set_number(fd, SOL_SOCKET, SO_REUSEADDR, 1);
    set_number(fd, SOL_SOCKET, SO_SNDBUF, KERNEL_BUFFER);
    set_number(fd, SOL_SOCKET, SO_RCVBUF, KERNEL_BUFFER);
    set_number(fd, SOL_SOCKET, SO_KEEPALIVE, 1);
    set_number(fd, IPPROTO_TCP, TCP_NODELAY, 1);
    set_number(fd, IPPROTO_TCP, TCP_KEEPIDLE, 15);
    set_number(fd, IPPROTO_TCP, TCP_KEEPINTVL, 5);
    set_number(fd, IPPROTO_TCP, TCP_KEEPCNT, 3);
    set_number(fd, IPPROTO_TCP, TCP_USER_TIMEOUT, 20000);
}

static int try_listen(const struct addrinfo *at)
{
    int fd = socket(at->ai_family, at->ai_socktype | SOCK_CLOEXEC | SOCK_NONBLOCK, at->ai_protocol);
    if (fd < 0)
        return -1;
    set_options(fd);
    if (bind(fd, at->ai_addr, at->ai_addrlen) == 0 && listen(fd, 128) == 0)
        return fd;
    int why = errno;
    close(fd);
    errno = why;
    return -1;
}

enum up_rc accept_listen(struct table_server *server, struct up_error *error)
{
    const struct destination_plan *destination = server->options.destination;
    char service[8];
    snprintf(service, sizeof service, "%u", destination->port);
    const char *host = destination->host[0] != '\0' ? destination->host : NULL;
    const struct addrinfo hints = {.ai_family = AF_UNSPEC,
                                   .ai_socktype = SOCK_STREAM,
                                   .ai_flags = AI_PASSIVE | AI_NUMERICSERV};
    struct addrinfo *found = NULL;
    int rc = getaddrinfo(host, service, &hints, &found);
    if (rc != 0)
        return UP_FAIL(error, UP_E_PORT,
                       "table %s: no address %s is known (%s); state an address of this box",
                       destination->name, host == NULL ? "any" : host, gai_strerror(rc));
    int fd = -1;
    for (const struct addrinfo *at = found; at != NULL && fd < 0; at = at->ai_next)
        fd = try_listen(at);
    int why = errno;
    freeaddrinfo(found);
    if (fd < 0) {
        errno = why;
        return UP_FAIL_ERRNO(error, UP_E_PORT,
                             "table %s can't listen on %s port %u: %s; is the address this box's "
                             "own, and the port free and above 1023?",
                             destination->name, host == NULL ? "any address" : host,
                             destination->port, strerror(why));
    }
    server->listen_fd = fd;
    server->accepts = true;
    accept_set(server, true);
    return UP_OK;
}

void accept_set(struct table_server *server, bool listens)
{
    if (server->listen_fd < 0 || server->listens == listens)
        return;
    struct epoll_event event = {.events = EPOLLIN, .data.ptr = &server->listen_fd};
    if (epoll_ctl(server->epoll_fd, listens ? EPOLL_CTL_ADD : EPOLL_CTL_DEL, server->listen_fd,
                  &event) == 0)
        server->listens = listens;
}

/** The longest waiting client that never asked, of `peer` (NULL: of anybody), if it has had its
 * time. */
static struct client *who_gives_way(struct table_server *server, const struct peer *peer,
                                    int64_t now_ms)
{
    struct client *oldest = NULL;
    for (unsigned i = 0; i < server->n_places; i++) {
        struct client *client = &server->client[i];
        if (client->fd < 0 || client->has_asked || now_ms - client->since_ms < GIVE_WAY_AFTER_MS ||
            (peer != NULL && memcmp(&client->peer, peer, sizeof *peer) != 0))
            continue;
        if (oldest == NULL || client->since_ms < oldest->since_ms)
            oldest = client;
    }
    return oldest;
}

/** Closes who has gone already, of `peer` (NULL: of anybody): a master that starts again needs the
 * places it had. */
static void close_gone(struct table_server *server, const struct peer *peer)
{
    for (unsigned i = 0; i < server->n_places; i++) {
        struct client *client = &server->client[i];
        uint8_t byte;
        if (client->fd >= 0 && (peer == NULL || memcmp(&client->peer, peer, sizeof *peer) == 0) &&
            recv(client->fd, &byte, 1, MSG_PEEK | MSG_DONTWAIT) == 0)
            client_close(server, client);
    }
}

static unsigned clients_of(const struct table_server *server, const struct peer *peer)
{
    unsigned n = 0;
    for (unsigned i = 0; i < server->n_places; i++) {
        const struct client *client = &server->client[i];
        n += client->fd >= 0 && memcmp(&client->peer, peer, sizeof *peer) == 0;
    }
    return n;
}

static struct client *free_place(struct table_server *server)
{
    for (unsigned i = 0; i < server->n_places; i++) {
        if (server->client[i].fd < 0)
            return &server->client[i];
    }
    return NULL;
}

/** A free place for `peer`, made free where it may be; NULL (counted) where there is none. */
static struct client *place_for(struct table_server *server, const struct peer *peer,
                                int64_t now_ms)
{
    const struct destination_plan *destination = server->options.destination;
    if (!peer_is_allowed(destination, peer)) {
        server->counts.refused_not_allowed++;
        server->stranger = *peer;
        return NULL;
    }
    if (clients_of(server, peer) >= destination->clients_per_address)
        close_gone(server, peer);
    if (server->n_clients >= server->n_places)
        close_gone(server, NULL);
    struct client *out = NULL;
    if (clients_of(server, peer) >= destination->clients_per_address) {
        out = who_gives_way(server, peer, now_ms);
        server->counts.refused_address += out == NULL;
    } else if (server->n_clients >= server->n_places) {
        out = who_gives_way(server, NULL, now_ms);
        server->counts.refused_full += out == NULL;
    } else {
        return free_place(server);
    }
    if (out != NULL) {
        server->counts.gave_way++;
        client_close(server, out);
    }
    return out;
}

static void take_client(struct table_server *server, int fd, const struct sockaddr_storage *address,
                        int64_t now_ms)
{
    struct peer peer;
    struct client *client =
        peer_from_address(address, &peer) ? place_for(server, &peer, now_ms) : NULL;
    if (client == NULL) {
        close(fd);
        return;
    }
    client->fd = fd;
    client->peer = peer;
    client->has_asked = client->is_ending = client->waits_to_send = false;
    client->since_ms = client->frame_since_ms = now_ms;
    client->in_n = client->out_from = client->out_n = 0;
    server->n_clients++;
    server->counts.accepted++;
    struct epoll_event event = {.events = EPOLLIN, .data.ptr = client};
    if (epoll_ctl(server->epoll_fd, EPOLL_CTL_ADD, fd, &event) != 0)
        client_close(server, client);
}

/** The connection that would have come is gone, the listener is well: accept(2), "Error handling".
 */
static bool is_of_the_connection(int why)
{
    static const int theirs[] = {ECONNABORTED, EINTR,     EPROTO,       ENOPROTOOPT, ENETDOWN,
                                 ENETUNREACH,  EHOSTDOWN, EHOSTUNREACH, ENONET,      EOPNOTSUPP};
    for (unsigned i = 0; i < sizeof theirs / sizeof *theirs; i++)
        if (why == theirs[i])
            return true;
    return false;
}

void accept_clients(struct table_server *server, int64_t now_ms)
{
    for (unsigned i = 0; i < ACCEPTS_MAX; i++) {
        struct sockaddr_storage address;
        socklen_t length = sizeof address;
        int fd = accept4(server->listen_fd, (struct sockaddr *)&address, &length,
                         SOCK_CLOEXEC | SOCK_NONBLOCK);
        if (fd >= 0) {
            take_client(server, fd, &address, now_ms);
            continue;
        }
        if (is_of_the_connection(errno))
            continue;
        if (errno != EAGAIN &&
            errno != EWOULDBLOCK) { /* no descriptor or memory: rest, don't spin */
            server->counts.no_descriptor++;
            server->rest_until_ms = now_ms + ACCEPT_REST_MS;
            accept_set(server, false);
        }
        return;
    }
}
