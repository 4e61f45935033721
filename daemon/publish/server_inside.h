/* SPDX-License-Identifier: Apache-2.0
 *
 * server_inside.h - what the server's files share: the server, and one client's buffers and
 * deadlines.
 */
#ifndef UPHOLE_PUBLISH_SERVER_INSIDE_H
#define UPHOLE_PUBLISH_SERVER_INSIDE_H

#include "image.h"
#include "server.h"

#include "uphole/pdu.h"

#include <sys/socket.h>

#define CLIENT_IN_MAX 512 /* about 40 requests in one segment; a frame has 260 at most */
#define CLIENT_OUT_MAX (8 * TCP_ADU_MAX) /* 8 answers */
#define FRAME_WITHIN_MS 2000             /* a whole frame, from its first byte */
#define TAKEN_WITHIN_MS 2000             /* answers, once the kernel takes no more of them */
#define GIVE_WAY_AFTER_MS 2000           /* without a whole request, when another wants the place */
#define SWEEP_MS 250                     /* deadlines are looked at this often */
#define ACCEPT_REST_MS 1000              /* without a free descriptor */
#define EVENTS_MAX 64
#define ACCEPTS_MAX 32 /* a step */

/** Address of a client, IPv4 or IPv6, as allow rules have it. */
struct peer {
    uint8_t family; /* 4 or 6 */
    uint8_t address[16];
};

struct client {
    int fd; /* -1: a free place */
    struct peer peer;
    bool has_asked, is_ending, waits_to_send;
    int64_t since_ms;       /* accepted, or newest whole request */
    int64_t frame_since_ms; /* first byte of the frame under way; meaningful while in_n > 0 */
    int64_t blocked_since_ms;
    uint16_t in_n, out_from, out_n;
    uint8_t in[CLIENT_IN_MAX];
    uint8_t out[CLIENT_OUT_MAX];
};

struct table_server {
    struct table_server_options options;
    struct table_image *image;
    int epoll_fd, listen_fd, wake_fd;
    bool accepts, listens; /* wants to; is in the epoll set */
    int64_t rest_until_ms, next_sweep_ms, next_say_ms;
    uint16_t n_places, n_clients;
    struct client *client;
    uint64_t *snapshot_count; /* a well: what the image holds */
    uint64_t state_count;
    struct wall_state state;
    struct snapshot snapshot; /* scratch */
    struct table_server_counts counts, said;
    struct peer writer, stranger; /* the newest that was refused */
};

/* server_client.c: one connection */
/** Reads, answers and sends as far as it goes without waiting; may close the client. */
void client_is_ready(struct table_server *server, struct client *client, uint32_t events,
                     int64_t now_ms);
/** Closes what is past a deadline. */
void client_sweep(struct table_server *server, struct client *client, int64_t now_ms);
void client_close(struct table_server *server, struct client *client);

/* server_accept.c: who gets a place */
enum up_rc accept_listen(struct table_server *server, struct up_error *error);
void accept_clients(struct table_server *server, int64_t now_ms);
/** Takes the listener into, or out of, what the server waits for. */
void accept_set(struct table_server *server, bool listens);
bool peer_is_allowed(const struct destination_plan *destination, const struct peer *peer);
bool peer_from_address(const struct sockaddr_storage *address, struct peer *peer);

/* server_say.c: the log, at most one sentence a minute */
void server_say_counts(struct table_server *server, int64_t now_ms);

#endif
