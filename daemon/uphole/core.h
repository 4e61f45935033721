/* SPDX-License-Identifier: Apache-2.0
 *
 * core.h - the middle of the well side: takes scans from the lines' rings, journals them, measures
 * them, and tells the SCADA side.
 *
 *   rings ──▶ batch ──▶ measure (facts) ──▶ ledger ──▶ one commit a second ──▶ snapshots over the
 * wall ▲ wall  ──▶ wants ──▶ backlog (reads rows, folds, sends)  └── cursors ride with the next
 * commit
 *
 * Core is stepped, like a line: `core_step` does what is due and says when it wants to be stepped
 * again. It holds no thread; run.c steps it in the daemon, the lock-step harness steps it on a
 * clock of its own. Invariants:
 *  1. nothing derived from a scan leaves before the scan is committed (but `latest` and the table
 * while the disk refuses, marked);
 *  2. nothing at all is published, and no cursor moves, before core_set_safe;
 *  3. after a failed commit nothing is journaled until a new run: folds start anew with it, so late
 * and live stay equal;
 *  4. the wall never blocks core: a snapshot that finds it full waits, and is overwritten by the
 * next.
 */
#ifndef UPHOLE_CORE_H
#define UPHOLE_CORE_H

#include "uphole/journal.h"
#include "uphole/measure.h"
#include "uphole/plan.h"
#include "uphole/ring.h"
#include "uphole/wall.h"

struct core; /* opaque */
struct hold_book; /* hold.h */

struct core_options {
    struct plan *plan; /* numbered by the journal */
    const struct up_clock *clock;
    struct journal *journal; /* open, run begun, plan stored */
    struct ledger *ledger;   /* loaded */
    const struct hold_book *holds; /* who holds which line; NULL: nobody can */
    struct ring **rings;     /* one a line */
    size_t n_rings;
    uint64_t run;
    int64_t grid_start_us;
    int64_t floor_utc_ms;
    /** A want that the wall brought; called from core_step. The daemon queues it for the backlog
     * thread, which serves nothing before the journal is safe. */
    void (*want)(void *context, const struct wall_want *want);
    void *want_context;
};

UP_MUST enum up_rc core_create(const struct core_options *options, struct core **out,
                               struct up_error *error);
void core_destroy(struct core *core);
/** Drains the rings, commits when a second has passed since the last commit, serves the wall, sends
 * state once a second. Returns the next wish, us. */
int64_t core_step(struct core *core);
/** Commits whatever is in hand, now; for an orderly stop. */
void core_flush(struct core *core);
/** Takes what the wall still holds (acceptances above all), without waiting; for an orderly stop.
 */
void core_serve_rest(struct core *core);
/** Between two steps, where only the wall woke the thread: takes what it brought. False: a step is
 * to follow now, as it was more than wants and acceptances of rows. */
bool core_serve_between(struct core *core);
/** The checkpoint of this run has succeeded: publishing may begin. */
void core_set_safe(struct core *core);
/** The journal is none that stores (a stand-in): from now on everything is as while the disk
 * refuses, and told as such. */
void core_refuse(struct core *core);
/** The wall to a SCADA side that has been told plan, numbers and cursors; -1: there is none. Core
 * doesn't close it. */
void core_set_wall(struct core *core, int fd);
/**
 * Goes over to another plan within the run: it is journaled with `by`, wells that are measured alike
 * go on, others begin anew, destinations stand where they stood. Lines that the plan asks for
 * otherwise have ended, and core_flush has taken what they left; from now on options.rings holds
 * `n_rings` rings in the order of the new plan's lines. The plan bears `serial` at the wall (wall.h;
 * 0 is the first plan's): core says nothing there until core_set_wall, and takes what is still on its
 * way back by the destination's name. On failure nothing has changed. Both plans are borrowed; the
 * old one is no longer used.
 */
UP_MUST enum up_rc core_take_plan(struct core *core, struct plan *plan, uint32_t serial,
                                  size_t n_rings, const char *by, struct up_error *error);
/** The instant (boot ms) that the journal gives for the newest change of plan: sources that it
 * brought are due from the next millisecond on. */
int64_t core_plan_taken_ms(const struct core *core);
/** For how many seconds nothing came back over the wall, in steps of core, so that a box that sleeps counts none; 0 where there is no wall. */
uint32_t core_wall_silence_s(const struct core *core);
/** False once the wall's other end is gone, and while it has not heard the plan in force. */
bool core_wall_is_up(const struct core *core);
/** True while the journal refuses; the owner then calls core_recover now and then (it waits between
 * tries by itself). */
bool core_journal_refuses(const struct core *core);
/** After journal_reopen, a checkpoint and a new run: take them into use. */
void core_new_run(struct core *core, uint64_t run, const struct stamp *began);
/** The well's measuring begins anew with its next scan, which bears a fact that says so: what it
 * would look back on is not there any more. */
void core_begin_anew(struct core *core, uint16_t well_index);
/** The run under way. */
uint64_t core_run(const struct core *core);

/** `removal` (borrowed) rides with the next commit: rows that go, and with them the cursors that stood below. `why`: a sentence for the ledger, where
 * a destination had not accepted them all. */
void core_take_removal(struct core *core, const struct removal *removal, const char *why);
/** True while the removal waits for its commit. *failed: the newest one was not stored. */
bool core_has_removal(const struct core *core, bool *failed);
/** Age retention takes as much as comes, or not: for how long the space lasts. */
void core_set_at_age(struct core *core, bool at_age);
/** A destination that has not accepted all rows up to this place or time; NULL: each has, or none
 * acknowledges. */
const char *core_who_lacks(const struct core *core, uint64_t pos, int64_t utc_ms);
/** Days until the journal's room is used up (space.h), as of the last minute. */
uint16_t core_days_left(const struct core *core);
/** Lowest place of all destinations at a well: rows up to here were accepted by each, or passed over. UINT64_MAX where no destination acknowledges. */
uint64_t core_accepted_pos(const struct core *core, uint16_t well_index, const char **who);
/** Cursors as they stand, for the first words to a SCADA side; `room` of at least
 * PLAN_DESTINATIONS_MAX * wells * 2. Returns their number. */
size_t core_cursors(const struct core *core, struct wall_cursor *into, size_t room);
/** Newest committed seq of a well (by plan index); may be read from another thread. */
uint64_t core_newest_seq(const struct core *core, uint16_t well_index);
/** First seq of the newest commit of a well, by the journal's number: from here on a record is live,
 * not late. May be read from another thread. */
uint64_t core_live_seq(const struct core *core, uint16_t number);
/** A reader found damage in the journal. May be called from another thread. */
void core_found_damage(struct core *core, const struct journal_damage *damage);
/** Tells the SCADA side that a destination (by plan index) leaves its broker until then, or with 0
 * comes back; `by`: who ordered it. False: nobody is there to be told, or the wall is full. */
bool core_pause_destination(struct core *core, uint16_t destination, const struct stamp *until,
                            const char *by);
/** An event for the journal; it rides with the next commit, and waits while the disk refuses.
 * `text` is UTF-8 of `length` bytes, cut where it is too long for one. Dropped where there is no
 * room, which core_has_room_for_event says before. */
void core_add_event(struct core *core, const char *kind, const char *who, const char *text,
                    size_t length);
bool core_has_room_for_event(const struct core *core);
/** Somebody who may not give orders gave one; told in an event, once a day. */
void core_refuse_order(struct core *core, const char *who, const char *order);
/** A note for the journal, on a row that ledger_renew sends out again; it rides with the next
 * commit. False where there is no room for `n` of them. */
bool core_has_room_for_notes(const struct core *core, size_t n);
void core_add_note(struct core *core, const struct gap_note *note);
/** What the daily audit found; it goes out with the state of the box. */
void core_set_books(struct core *core, const struct wall_books *books);
const struct wall_books *core_books(const struct core *core);
/** Counts for tests and status. */
struct core_counts {
    uint64_t scans, commits, failed_commits, snapshots, accepted, refused, bad_messages;
};
const struct core_counts *core_counts_of(const struct core *core);
/** The newest snapshot of a well (by plan index); for the lock-step harness. */
const struct snapshot *core_snapshot(const struct core *core, uint16_t well_index);

#endif
