/* SPDX-License-Identifier: Apache-2.0
 *
 * reload.h - another configuration while the daemon runs on.
 *
 *   asked ─▶ reading ─▶ refused: the old plan goes on, and status says so until a good one is taken
 *           (a thread)  same: nothing to do
 *                       good ─▶ leaving ─▶ taken: one step of core's thread
 *                               (changed lines end their polls, all others go on)
 *
 * Invariants: core never waits; until the moment of the change everything goes on under the old
 * plan; due times of a changed line go on where its old thread stood; a plan that is gone is kept
 * as long as a thread may look at it, RELOAD_PLANS_MAX of them at most.
 */
#ifndef UPHOLE_RELOAD_H
#define UPHOLE_RELOAD_H

#include "socket_text.h"
#include "status_view.h"

#include "uphole/gather.h"
#include "uphole/plan.h"
#include "uphole/stamp.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>

#define RELOAD_PLANS_MAX 4
#define RELOAD_TEXT_MAX 8192
#define RELOAD_STARTS_MAX ((size_t)PLAN_WELLS_MAX * (SOURCE_KINDS - 1))

struct well_side;

enum reload_step { RELOAD_IDLE = 0, RELOAD_READING, RELOAD_LEAVING };

/** What one reading came to; made and filled by its thread, then core's. */
struct reload_reading {
    struct plan *plan;
    struct plan_faults faults;
    enum up_rc rc;
};

/** What `uphole reload` is told. */
struct reload_shown {
    uint32_t done;    /* newest request that is done */
    int code;         /* of it: 0, or a code of sysexits.h */
    const char *text; /* of it: sentences and faults, a line each */
};

struct reload {
    const char *config, *maps; /* borrowed of the command line */
    enum reload_step step;
    uint32_t asked, serving; /* requests: the newest; the newest that the step under way answers */
    char by[48], asked_by[48];
    pthread_t reader;
    atomic_bool is_read;
    int wake_fd;
    struct reload_reading *reading;
    struct plan *next;
    struct ring *rings[PLAN_LINES_MAX]; /* for lines of `next` that start anew */
    bool leaves[PLAN_LINES_MAX];        /* of the running plan's lines */
    int64_t leave_until_us;
    uint32_t serial; /* of the plan in force, at the wall */
    struct plan *old[RELOAD_PLANS_MAX];
    size_t n_left;
    struct gatherer *left[PLAN_LINES_MAX]; /* threads that hang in a lookup; their memory stays */
    bool is_left;                          /* so does that of a reading that hung at the stop */
    size_t n_starts;
    struct due_start starts[RELOAD_STARTS_MAX];
    struct reload_shown shown;
    struct status_reload status; /* for `uphole status` */
    char text[RELOAD_TEXT_MAX], first[PATH_LENGTH_MAX + UP_WHY_MAX + 32];
};

/** Asks for a reading; while one is under way, for another behind it. Returns the request's number.
 */
uint32_t reload_ask(struct well_side *side, const char *by);
/** Once a pass of core's thread: whatever can go on without waiting. */
void reload_step(struct well_side *side);
/** For an orderly stop: lets go of a reading under way and frees all plans but the running one. */
void reload_close(struct well_side *side);

/* reload_take.c */
/** The changed lines are told to end their polls. False (and an error) where no change can begin.
 */
UP_MUST enum up_rc reload_begin(struct well_side *side, struct up_error *error);
/** True once they have ended, or been waited for long enough. */
bool reload_lines_have_left(struct well_side *side);
/** The change itself. On failure the old plan is in force again, and its lines go on. */
UP_MUST enum up_rc reload_take(struct well_side *side, char *what, size_t room,
                               struct up_error *error);
/** Frees old plans that nobody uses any more. */
void reload_free_old(struct well_side *side);

/* reload_answer.c: at the local socket */
/** `DONE CODE` and a line feed, then the text. */
void reload_as_text(const struct status_view *view, struct socket_text *text);
#endif
