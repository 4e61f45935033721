/* SPDX-License-Identifier: Apache-2.0
 *
 * backlog.h - serves wants: reads rows of the journal in slices, folds them with the plan under
 * which each was taken, hands out records. Live delivery is a backlog of length one: the same code,
 * so a late record holds what live delivery would have sent.
 */
#ifndef UPHOLE_BACKLOG_H
#define UPHOLE_BACKLOG_H

#include "uphole/journal.h"
#include "uphole/plan.h"
#include "uphole/wall.h"

struct backlog; /* one thread's */

struct backlog_options {
    const struct plan *plan; /* the current one, numbered; borrowed */
    uint32_t plan_serial;    /* as the wall knows it (wall.h) */
    const char *journal_directory;
    /** Hands a message on; false ends the want (the other side is gone). */
    bool (*send)(void *context, const struct wall_message *message);
    /** First seq of the newest commit of a well (journal number): from there on a record is live.
     */
    uint64_t (*live_seq)(void *context, uint16_t well);
    /** What was found damaged while rows were read; NULL: nobody asks. */
    void (*damaged)(void *context, const struct journal_damage *damage);
    void *context;
};
UP_MUST enum up_rc backlog_open(const struct backlog_options *options, struct backlog **out,
                                struct up_error *error);
void backlog_close(struct backlog *backlog);
/** Sends at most want->n records or gaps after want->after, then WALL_END_OF_WANT. An error is said
 * by the caller; nothing wrong was sent. */
UP_MUST enum up_rc backlog_serve(struct backlog *backlog, const struct wall_want *want,
                                 struct up_error *error);

/* ---- in a thread of its own (backlog_thread.c) ---- */

struct backlog_thread;
struct backlog_thread_options {
    const struct plan *plan;
    uint32_t plan_serial;
    const char *journal_directory;
    uint64_t (*live_seq)(void *context, uint16_t well);
    void (*damaged)(void *context, const struct journal_damage *damage);
    void *context;
};
UP_MUST enum up_rc backlog_thread_start(const struct backlog_thread_options *options,
                                        struct backlog_thread **out, struct up_error *error);
void backlog_thread_stop(struct backlog_thread *thread);
/** Queues a want; a full queue drops it (the SCADA side asks again). Matches core_options.want. */
void backlog_thread_want(void *thread, const struct wall_want *want);
/** From now on wants may be served: the journal is safe. */
void backlog_thread_set_safe(struct backlog_thread *thread);
/**
 * A new SCADA side, or the same with another plan (the same `fd`): the thread takes over `fd` (and
 * closes it when another one comes or it stops),
 * tells plan, numbers and cursors, then backlog_thread_greeted returns fd, once. A thread of its
 * own may wait for a slow reader; core may not.
 */
void backlog_thread_greet(struct backlog_thread *thread, int fd, uint64_t run,
                          const struct wall_cursor *cursors, size_t n_cursors);
/** fd of a SCADA side that has just been greeted, else -1. */
int backlog_thread_greeted(struct backlog_thread *thread);
/**
 * Another plan, in steps: `prepare` does all that can fail, from core's thread; `drop` undoes it,
 * or `take` hands it over: the thread goes over to it between two wants, before it greets anyone.
 * The plan before must stay as long as `uses_plan` says.
 */
UP_MUST enum up_rc backlog_thread_prepare(struct backlog_thread *thread, const struct plan *plan,
                                          uint32_t plan_serial, struct up_error *error);
void backlog_thread_drop(struct backlog_thread *thread);
void backlog_thread_take(struct backlog_thread *thread);
bool backlog_thread_uses_plan(struct backlog_thread *thread, const struct plan *plan);

#endif
