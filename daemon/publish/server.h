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

#include "side.h"

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
/**
 * Goes over to another plan, whose destination is the same stanza (destination_is_same), between
 * two steps: clients and listener stay. With an error nothing has changed.
 */
UP_MUST enum up_rc table_server_take_plan(struct table_server *server,
                                          const struct table_server_options *next,
                                          struct up_error *error);
/** Wakes steps that wait when something new comes to `live`, which it will soon serve. */
UP_MUST enum up_rc table_server_watch(struct table_server *server, struct live *live,
                                      struct up_error *error);
/** Makes a step that waits return at once; any thread. */
void table_server_wake(struct table_server *server);
/** Takes no new connections from now on. */
void table_server_stop_accepting(struct table_server *server);
const struct table_server_counts *table_server_counts_of(const struct table_server *server);
/** What it turned away since it was opened: writes, strangers, and the newest of each. */
void table_server_turned_away(const struct table_server *server, struct wall_destination *into);

/* ---- in a thread of its own ---- */

struct table_thread;

/** Opens, and starts a thread that listens, again every 5 s where the address can't be had, and
 * reports to the well side. It holds `side`. NULL with error filled. */
struct table_thread *table_thread_start(struct side *side, uint16_t destination,
                                        struct up_error *error);
/** Hands it the side of a new plan, in which its stanza is the same: it goes over as soon as the
 * new readings are there. Any thread. NULL is fine. */
void table_thread_take_side(struct table_thread *thread, struct side *side);
/** From now on it takes no new clients, and answers those that it has; any thread. NULL is fine. */
void table_thread_quiet(struct table_thread *thread);
void table_thread_stop(struct table_thread *thread); /* NULL is fine */

#endif
