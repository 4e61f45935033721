/* SPDX-License-Identifier: Apache-2.0
 *
 * order.h - orders: questions at the local socket that change something.
 *
 * A client sends `order NAME ARGUMENTS`. An order runs on core's thread between two passes and
 * never waits. The daemon's own user, root and members of `orders_group` may order; the socket's
 * group may only read. An order that was carried out is journaled as an event `order_NAME` with
 * who, when and the sentence that answered it; it rides with the next commit.
 */
#ifndef UPHOLE_ORDER_H
#define UPHOLE_ORDER_H

#include "core.h"
#include "socket_text.h"

#include "uphole/gather.h"

#include <sys/types.h>

struct hold_book; /* hold.h */

#define ASKER_NAME_MAX 32

/** Who asks, by the kernel's word. */
struct asker {
    uid_t uid;
    char name[ASKER_NAME_MAX + 1]; /* "jana", or "uid 1000" where /etc/passwd names nobody */
    bool may_order;
};

/** What an order may work on; all borrowed for one pass. After the order the view's core must still
 * stand: its event goes there. */
struct order_view {
    struct core *core;
    struct plan *plan;
    struct journal *journal;
    struct ledger *ledger;
    struct hold_book *holds;
    struct gatherer **gatherers; /* one a line of the plan; NULL where it does not run */
    const struct up_clock *clock;
    struct clock_watch *watch; /* of core's thread */
    void *daemon;              /* run.c's own */
};

/**
 * Carries out `request`, what stands behind `order `: a name, a blank, arguments; untrusted.
 * Returns 0 or a code of sysexits.h, with one sentence in `text`.
 */
int order_answer(struct order_view *view, struct asker *who, const char *request,
                 struct socket_text *text);
/** True where the peer of a local socket is a member of this group of /etc/group; false for "". */
bool order_group_has(const char *group, int fd);
/** Fills who->name for who->uid from /etc/passwd, read here and bounded: a lookup of the system's
 * could wait for a network. */
void asker_name(struct asker *who);
/** True where `text` is well-formed UTF-8 without control characters. */
bool order_text_is_clean(const char *text);

/*
 * The orders, each in a file of its own. `arguments` is what stands behind the name, "" where
 * nothing does; it is clean text of less than SOCKET_REQUEST_MAX bytes, and otherwise untrusted.
 * Returns 0 or a code of sysexits.h, with one sentence in `text`, which ends in a full stop.
 */
int order_confirm(struct order_view *view, const struct asker *who, const char *arguments,
                  struct socket_text *text);
int order_hold(struct order_view *view, const struct asker *who, const char *arguments,
               struct socket_text *text);
int order_pause(struct order_view *view, const struct asker *who, const char *arguments,
                struct socket_text *text);
int order_resume(struct order_view *view, const struct asker *who, const char *arguments,
                 struct socket_text *text);
int order_note(struct order_view *view, const struct asker *who, const char *arguments,
               struct socket_text *text);
int order_resend(struct order_view *view, const struct asker *who, const char *arguments,
                 struct socket_text *text);
int order_recalculate(struct order_view *view, const struct asker *who, const char *arguments,
                      struct socket_text *text);
int order_reload(struct order_view *view, const struct asker *who, const char *arguments,
                 struct socket_text *text);
int order_release(struct order_view *view, const struct asker *who, const char *arguments,
                  struct socket_text *text);

#endif
