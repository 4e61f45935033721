/* SPDX-License-Identifier: Apache-2.0
 *
 * notify.h - tells the service manager how the daemon is: ready, what it does, stopping, alive.
 * The protocol is that of sd_notify(3), spoken without its library.
 *
 * The watchdog is fed only when something real moved: core and every line thread must have passed
 * their loops since the last feed. A source that is not due, a line that is held and a disk that
 * refuses are passes too; the SCADA side never counts, because a hostile broker must not be able to
 * restart the well side.
 */
#ifndef UPHOLE_NOTIFY_H
#define UPHOLE_NOTIFY_H

#include "uphole/plan.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>
#include <sys/un.h>

/* ---- when to feed (pure) ---- */

struct watchdog {
    int64_t every_us;  /* half of what the service manager allows; 0: nobody watches */
    int64_t due_us;    /* of the next feed, CLOCK_BOOTTIME */
    uint64_t core_fed; /* passes at the last feed */
    uint64_t line_fed[PLAN_LINES_MAX];
    bool stuck_said;
};
enum watchdog_verdict {
    WATCHDOG_WAIT = 0, /* not due, or nobody watches */
    WATCHDOG_FEED,
    WATCHDOG_WITHHOLD, /* due, but something has not moved since the last feed */
};
#define WATCHDOG_STUCK_CORE (-1)

/** `allowed_us`: WATCHDOG_USEC of the service manager, 0 where it does not watch. */
void watchdog_begin(struct watchdog *watchdog, int64_t allowed_us, int64_t now_us);
/**
 * Judges the passes so far of core and of n lines (at most PLAN_LINES_MAX). FEED takes them as fed;
 * after WITHHOLD the next call judges again, so that a late pass is fed at once. `stuck`: the first
 * line that has not moved, or WATCHDOG_STUCK_CORE; set with WITHHOLD only.
 */
enum watchdog_verdict watchdog_step(struct watchdog *watchdog, int64_t now_us, uint64_t core_passes,
                                    const uint64_t *line_passes, size_t n, int *stuck);
/**
 * What the service manager must allow, us, so that a line that waits for one slow answer is not
 * taken for a hanging one: `asked_us`, or more where the plan's longest answer needs it. 0 stays 0.
 */
int64_t watchdog_needs_us(const struct plan *plan, int64_t asked_us);

/* ---- what is said (pure) ---- */

struct notify_facts {
    const struct plan *plan;
    const uint8_t *line; /* enum line_state of each of plan->lines */
    uint64_t waiting;    /* records not yet accepted, of the destination that has most */
    bool acknowledges;   /* some destination can accept */
    bool safe;           /* the journal's check has ended well */
    bool refusing;       /* the disk refuses */
    bool scada_side;     /* it runs */
    uint8_t clock;       /* enum clock_state */
};
#define NOTIFY_STATUS_MAX 256
/** One sentence or a few, for `systemctl status`; returns its length. No line ends in it, whatever
 * the names hold. */
size_t notify_status_text(const struct notify_facts *facts, char *into, size_t room);

/* ---- the socket ---- */

struct notify {
    int fd; /* -1: no service manager listens */
    struct sockaddr_un to;
    socklen_t to_length;
    int64_t watchdog_us;            /* what it allows, 0: it does not watch this process */
    char status[NOTIFY_STATUS_MAX]; /* last said */
};
/**
 * Reads NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID, and takes them out of the environment, so
 * that no child speaks in our name. Without them every later call does nothing. An address that
 * can't be used is said once.
 */
void notify_open(struct notify *notify);
void notify_close(struct notify *notify);
/** Sends `NAME=value` lines; never blocks, never fails the caller. */
void notify_send(const struct notify *notify, const char *text);
/** Sends STATUS= where the text differs from the last one. */
void notify_status(struct notify *notify, const char *text);

#endif
