/* SPDX-License-Identifier: Apache-2.0
 *
 * run_inside.h - the well side's state, shared by the run_*.c files only: run.c (start, loop,
 * stop), run_lines.c (the lines' threads), run_journal.c (its check and its recovery), run_side.c
 * (the SCADA side's life).
 *
 * All of it is the main thread's, which is core's, but for what is marked as atomic.
 */
#ifndef UPHOLE_RUN_INSIDE_H
#define UPHOLE_RUN_INSIDE_H

#include "backlog.h"
#include "confine.h"
#include "core.h"
#include "reload.h"
#include "hold.h"
#include "retain.h"
#include "service.h"
#include "socket.h"

#include "uphole/gather.h"

#include <pthread.h>
#include <stdatomic.h>
#include <sys/types.h>

#define RUN_RING_SLOTS 64
#define RUN_CURSORS_MAX (PLAN_DESTINATIONS_MAX * PLAN_WELLS_MAX * 2 + PLAN_DESTINATIONS_MAX)

/** The daily audit (run_books.c). While it runs, all but the atomics is its thread's. */
struct run_books {
    pthread_t thread;
    bool runs;
    int64_t next_us; /* 0: the journal was not safe yet */
    _Atomic bool stop;
    _Atomic int ended; /* 1 good, -1 it could not be done */
    struct up_clock clock;
    int64_t from_utc_ms, slice_began_us;
    char directory[PATH_LENGTH_MAX], sentence[320];
    struct wall_books result;
};

/** While the disk refuses the journal at the start (run_stand_in.c). */
struct stand_in {
    bool is_used;
    char own[PATH_LENGTH_MAX]; /* the journal's own place; the plan names the stand-in's */
    struct stamp since;
    int64_t try_us, say_us;
    char why[UP_WHY_MAX];
};

struct well_side {
    struct up_clock clock;
    struct plan *plan;
    struct journal *journal;
    struct ledger *ledger;
    struct core *core;
    struct backlog_thread *backlog;
    struct ring *rings[PLAN_LINES_MAX];
    bool ring_is_left[PLAN_LINES_MAX]; /* a thread that hangs may write there: it stays */
    struct gatherer *gatherers[PLAN_LINES_MAX];
    struct local_socket *socket; /* NULL: it could not be opened, which was said */
    struct service service;      /* what the service manager is told */
    struct hold_book holds;
    struct clock_watch watch;
    struct stamp began;
    uint64_t run;
    char boot_id[37];
    int wake_fd, signal_fd;
    /* the SCADA side */
    pid_t side;
    int side_wall; /* handed to the backlog's thread, which closes it */
    int64_t side_next_us;
    struct confine_needs side_needs; /* what it may, from the plan with which it was started */
    bool side_leaves;                /* told to stop, since a new plan needs more */
    int64_t side_kill_us;            /* by then it has ended or heard its plan; 0: no matter */
    struct wall_cursor cursors[RUN_CURSORS_MAX];
    /* the check beside polling */
    pthread_t checker;
    bool checking, safe;
    _Atomic int checked; /* 0 under way, 1 good, -1 failed */
    struct up_error check_error;
    bool listen[PLAN_LINES_MAX];
    int64_t lines_from_ms; /* line_options.from_ms of lines that start now */
    struct reload reload;
    int64_t journal_retry_us, reserve_next_us;
    struct retain retain;
    struct stand_in stand_in;
    bool begins_anew; /* another journal: all that holds numbers of the one before ends */
    struct run_books books;
};

/* run_lines.c */
/** Starts every line that has no thread, all that can be; `again`: a new run of lines that are
 * known, so none listens first. */
UP_MUST enum up_rc run_start_lines(struct well_side *side, bool again, struct up_error *error);
/** All are told first, then waited for, `within_us` in all: a thread that hangs in a lookup is left
 * behind. side->reload.starts then holds where the due times of each source would go on. */
void run_stop_lines(struct well_side *side, int64_t within_us);
/** A line that was told to leave or stop and had its time; false: it was left behind. */
bool run_end_line(struct well_side *side, uint16_t line);
/** Frees a line's ring, unless a thread that was left behind may write there. */
void run_drop_ring(struct well_side *side, uint16_t line);

/* run_journal.c */
/** Opens the journal, begins the run, stores the plan, loads the gap ledger. */
UP_MUST enum up_rc run_open_journal(struct well_side *side, struct up_error *error);

/* run_stand_in.c */
/** Whether it may pass by itself: nothing that the configuration says is wrong. */
bool run_is_of_the_disk(const struct up_error *error);
/** run_open_journal; where the disk refuses, with a stand-in that stores nothing. */
UP_MUST enum up_rc run_open_any_journal(struct well_side *side, struct up_error *error);
/** Once a pass, with a stand-in: tries the journal's own place; then side->begins_anew. */
void run_try_own_journal(struct well_side *side);
/** After the stop: removes it; the plan names the journal's own place again. */
void run_end_stand_in(struct well_side *side);
/** With the own journal: an event says how long there was none. */
void run_tell_stood_in(struct well_side *side, const struct stand_in *before);

/* run_journal.c, the rest */
/** Starts the journal's check in a thread of its own. */
UP_MUST enum up_rc run_start_check(struct well_side *side, struct up_error *error);
/** Once a pass: ends a check, tries again where one failed, recovers from a disk that refused. */
void run_keep_journal(struct well_side *side);
/** For an orderly stop, once lines and rings are empty: where the disk refused and takes rows again,
 * what was counted meanwhile is stored under a new run. Else it goes with the program. */
void run_try_journal_once_more(struct well_side *side);
/** For an orderly stop: calls the check off. */
void run_cancel_check(struct well_side *side);

/* run_books.c */
/** Once a pass: begins the day's audit, tells what it found. */
void run_keep_books(struct well_side *side);
/** For a stop: ends one that is under way, within a slice. */
void run_stop_books(struct well_side *side);

/* run_side.c */
/** Once a pass: starts the SCADA side, notices its end, gives core its wall. */
void run_keep_side(struct well_side *side);
/** Another plan is in force: backlog and SCADA side hear it, or the latter is started again where
 * it may not what the plan asks for. */
void run_side_take_plan(struct well_side *side);
/** The run is another one: the SCADA side hears it, and goes on. */
void run_side_new_run(struct well_side *side);
/** A stop is near: tables take no new clients. */
void run_side_quiet(struct well_side *side);
/** Says goodbye to the SCADA side and waits for its end, a second and a half at most. */
void run_stop_side(struct well_side *side);

#endif
