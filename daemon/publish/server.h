/* SPDX-License-Identifier: Apache-2.0
 *
 * server.h - one Modbus TCP table: a listener and its clients in one thread, answered out of one
 * image.
 *
 * Everything is allocated when it is opened. Between two waits nothing else runs, so an answer
 * never mixes two scans.
 */
#ifndef UPHOLE_PUBLISH_SERVER_H
#define UPHOLE_PUBLISH_SERVER_H

#include "live.h"

#include "uphole/plan.h"
#include "uphole/stamp.h"

struct table_server;

struct table_server_options {
    const struct plan *plan;                    /* borrowed */
    const struct destination_plan *destination; /* borrowed; port 0 takes a free one */
    struct live *live;                          /* borrowed: the readings that are served */
    const struct up_clock *clock;               /* borrowed */
};

/** What the server did, for the log, status and tests. */
struct table_server_counts {
    uint64_t accepted, requests, exceptions, writes_refused;
    uint64_t refused_not_allowed, refused_address, refused_full; /* connections */
    uint64_t gave_way;      /* never sent a whole request, and another wanted the place */
    uint64_t bad_frame;     /* protocol id or length that is no Modbus TCP */
    uint64_t stalled;       /* a frame that wasn't whole 2 s after its first byte */
    uint64_t idle;          /* no request within the idle limit */
    uint64_t not_reading;   /* answers not taken for 2 s */
    uint64_t no_descriptor; /* times that accepting rested for want of descriptors */
};

/** Takes memory and joins the listeners of `live`. NULL with error filled. */
struct table_server *table_server_open(const struct table_server_options *options,
                                       struct up_error *error);
void table_server_close(struct table_server *server); /* NULL is fine */
/** Binds and listens. UP_E_PORT where the address can't be had (yet). */
UP_MUST enum up_rc table_server_listen(struct table_server *server, struct up_error *error);
/** The port that it listens on; 0 where it doesn't. */
uint16_t table_server_port(const struct table_server *server);
/** Waits up to `timeout_ms` for something to do, and does it. */
void table_server_step(struct table_server *server, int timeout_ms);
/** Makes a step that waits return at once; any thread. */
void table_server_wake(struct table_server *server);
/** Takes no new connections from now on. */
void table_server_stop_accepting(struct table_server *server);
const struct table_server_counts *table_server_counts_of(const struct table_server *server);

/* ---- in a thread of its own ---- */

struct table_thread;

/** Told from the thread when the table begins or ceases to listen. */
typedef void table_report(void *context, uint16_t destination, bool is_listening,
                          const char *reason);

/** Opens, and starts a thread that listens, again every 5 s where the address can't be had. NULL
 * with error filled. */
struct table_thread *table_thread_start(const struct table_server_options *options,
                                        uint16_t destination, table_report *report, void *context,
                                        struct up_error *error);
/** From now on it takes no new clients, and answers those that it has; any thread. NULL is fine. */
void table_thread_quiet(struct table_thread *thread);
void table_thread_stop(struct table_thread *thread); /* NULL is fine */

#endif
