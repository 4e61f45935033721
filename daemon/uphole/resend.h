/* SPDX-License-Identifier: Apache-2.0
 *
 * resend.h - core's orders: rows that go out once more, by hand (`uphole resend`) or because the
 * clock of a boot was set (resend_times.c).
 *
 *  1. An order is a row of the journal, in the transaction of its second. What it makes of a row
 *     follows from the journal alone.
 *  2. A destination and well has one order at a time, oldest first. How far it came is a cursor of
 *     its own (STREAM_ORDER), which rides with commits: it survives a restart and an outage.
 *  3. It never touches the cursor of records; the SCADA side asks for its rows only where nothing
 *     else has to go (publish/deliver.h).
 */
#ifndef UPHOLE_RESEND_H
#define UPHOLE_RESEND_H

#include "uphole/journal.h"
#include "uphole/wall.h"

#define RESENDS_WAITING_MAX 8 /* by hand, in all */
#define RESEND_REVISED_MAX 15 /* orders that revised rows of one range */
#define RESEND_ORDERS_A_COMMIT (RESEND_REVISED_MAX + 1)

struct core;

/** One destination and well. */
struct resend_lane {
    struct row_order order;                      /* under way; pos 0: none */
    char by[sizeof((struct wall_order *)0)->by]; /* by what its rows came to be */
    uint64_t begun;                              /* cursor: the newest order begun, */
    uint64_t pos;                                /* and its newest accepted row */
    uint64_t first_seq, last_seq, done_seq;      /* of the order's rows here; accepted so far */
    bool dirty, told, look; /* cursor to be stored; said to the SCADA side; another may be there */
};

struct resend {
    struct resend_lane *lanes;                        /* destination * n_wells + well index */
    struct row_order waiting[RESEND_ORDERS_A_COMMIT]; /* ride with the next commit */
    size_t n_waiting;
    int64_t next_tell_us;
    /* resend_times.c */
    struct stamp set; /* an instant of this boot at which the clock was known; boot_ms 0: none */
    uint64_t boot_begins; /* pos of this boot's first run */
    bool times_settled,
        unsure; /* nothing more to be done in this boot; it began without the time */
};

/** At the start, and for another plan: a lane for each destination and well; resend_take_cursor
 * follows for each stored cursor of STREAM_ORDER. False: no memory. */
bool resend_make_lanes(struct core *core);
void resend_close(struct core *core);
void resend_take_cursor(struct core *core, uint16_t destination, uint16_t well_index,
                        const struct cursor *cursor);
/** Once a step: finds the next orders, tells them to the SCADA side. */
void resend_step(struct core *core, int64_t now_us);
/** Another SCADA side, or another plan there: orders are said anew. */
void resend_wall_changed(struct core *core);
/** A WALL_ACCEPTED of STREAM_ORDER; false: it makes no sense. */
bool resend_accepted(struct core *core, const struct wall_accepted *message, uint16_t well_index);
/** Changed cursors into `into`; returns their number. */
size_t resend_cursors(const struct core *core, struct cursor *into, size_t room);
/** The commit that took cursors and waiting orders has succeeded. */
void resend_stored(struct core *core);
/** The next commit makes it a row; false: too many in one second. */
bool resend_add(struct core *core, const struct row_order *order);
/** Resends by hand that are not done, over all destinations and wells; counted up to `limit`. */
size_t resend_count_waiting(struct core *core, size_t limit);
/** The order under way at a destination and well, and how many records of it are left; NULL: none.
 * `left` of a times order is an upper bound: rows whose time was right are passed over. */
const struct row_order *resend_under_way(const struct core *core, uint16_t destination,
                                         uint16_t well_index, uint64_t *left);

/** "1,203": for people. Returns `into`. */
#define RESEND_COUNT_MAX 32
const char *resend_count_text(uint64_t n, char into[static RESEND_COUNT_MAX]);

/**
 * resend_hand.c: `arguments` is "DESTINATION WELL FROM..TO LENGTH ROLE[ REASON]", LENGTH being that
 * of ROLE in bytes; untrusted. Returns 0, the order being on disk, or a code of sysexits.h; a
 * sentence in `text`.
 */
int resend_by_hand(struct core *core, const char *who, const char *arguments, char *text,
                   size_t room);

/** The order waits for the commit that is made now; false: it could not be stored, and is not
 * given. */
bool resend_commit(struct core *core, size_t n_before);

/**
 * recalculate.c: `arguments` is "WELL FROM..TO PLAN LENGTH ROLE REASON", FROM and TO times, PLAN
 * the first digits of a digest or "-" for the plan in force, LENGTH that of ROLE in bytes (0:
 * none); untrusted. Returns 0, the order being on disk, or a code of sysexits.h; a sentence in
 * `text`.
 */
int recalculate_by_hand(struct core *core, const char *who, const char *arguments, char *text,
                        size_t room);

/* ---- resend_times.c ---- */

/** What a times order is called in messages: "clock set at 2031-03-01T06:00:00.000Z". */
void resend_times_name(const struct stamp *set,
                       char into[static sizeof((struct row_order *)0)->by]);

void resend_times_open(struct core *core);
/** Each scan of a batch, before its commit. */
void resend_see_clock(struct core *core, const struct stamp *begun);
/** Before each commit: once the clock of this boot is known, one order for the rows from before. */
void resend_make_times(struct core *core, int64_t now_boot_ms);

#endif
