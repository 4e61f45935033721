/* SPDX-License-Identifier: Apache-2.0
 *
 * journal.h - is it safe on disk, and what is undelivered? SQLite, WAL, synchronous=FULL, one writer. The schema: design.md section 7.
 *
 *  - committed before seen; a checkpoint before the first publish of a run and after any failed sync;
 *  - rows + never attempted = due; scans never change; one writer, held by a lock file.
 */
#ifndef UPHOLE_JOURNAL_H
#define UPHOLE_JOURNAL_H

#include "uphole/plan.h"
#include "uphole/scan.h"

#define JOURNAL_SCHEMA 3
#define JOURNAL_FILE "journal.sqlite"
#define JOURNAL_LOCK "journal.lock"
#define JOURNAL_SLICE_MAX 64
#define JOURNAL_BATCH_SCANS_MAX 256

struct journal; /* the writer: one thread */

enum run_end { RUN_RUNNING = 0, RUN_STOPPED = 1, RUN_KILLED = 2, RUN_POWER_OR_RESET = 3 };

/** What the last run left, for the program gap and for `listen_first`. */
struct last_run {
    bool exists;
    uint64_t run;
    uint32_t boot;
    char boot_id[37];
    enum run_end how;       /* as far as evidence goes: clean-stop mark, same boot, other boot */
    struct stamp began, last; /* last: newest durable instant of that run (its clean stop, or its newest row) */
    char version[24];         /* of the program; "" where it was not noted */
    int64_t floor_utc_ms;     /* newest journaled time of any run under a clock that was set; 0: none. A clock that is earlier was never set */
};

/**
 * Opens or makes `directory`/journal.sqlite for writing: takes the lock (UP_E_LOCKED by name of the holder's pid), checks the schema (UP_E_NEWER), sets WAL,
 * FULL, wal_autocheckpoint, a small cache. A file that is no database or fails to open as one is moved aside (name.damaged-UTC), never deleted,
 * with an event. A sound database of another program, and a directory of that name, are refused by name and stay. Fast: no full check. `boot_id` is this boot's.
 */
UP_MUST enum up_rc journal_open(const char *directory, const struct up_clock *clock, const char boot_id[static 37],
                                struct journal **out, struct up_error *error);
void journal_close(struct journal *journal); /* NULL is fine */
const struct last_run *journal_last_run(const struct journal *journal);
/** A random 64-bit number from the kernel, stored (and synced) before the run's first scan. */
UP_MUST enum up_rc journal_begin_run(struct journal *journal, const struct stamp *began, uint64_t *run, struct up_error *error);
/** Stores the plan if its digest is new; sets plan->id, and every well's journal number. */
UP_MUST enum up_rc journal_put_plan(struct journal *journal, struct plan *plan, const struct stamp *since, const char *by,
                                    struct up_error *error);
/** quick_check and a TRUNCATE-free full checkpoint: only after this may anything be published. Slow; a second connection beside the writer. */
UP_MUST enum up_rc journal_make_safe(struct journal *journal, struct up_error *error);
/** From another thread: ends a journal_make_safe that is under way (it returns UP_E_DISK and calls nothing damaged), and lets no other begin; for
 *  an orderly stop. Waits for its end, 2 s at most. */
void journal_cancel_check(struct journal *journal);
/** Just the checkpoint (after a failed append): PASSIVE until the WAL is wholly in the file and synced. */
UP_MUST enum up_rc journal_checkpoint(struct journal *journal, struct up_error *error);

/** Next seq that this well will be given (1 for a new well). seq is handed out in memory and becomes real with the commit. */
uint64_t journal_next_seq(struct journal *journal, uint16_t well);

struct cursor {
    char destination[NAME_LENGTH_MAX + 1];
    uint16_t well;
    uint8_t stream;   /* enum stream */
    uint64_t pos, seq; /* all up to here is accepted */
};
enum stream { STREAM_RECORD = 1, STREAM_GAP = 2, STREAM_ORDER = 3 /* `seq` is the order's pos, `pos` the newest row of it */ };

/* ---- orders: rows that go out once more ---- */

/** A row of "order". Scan rows never change; what an order makes of them follows from both. */
struct row_order {
    uint64_t pos;
    uint8_t kind;      /* enum order_kind */
    char destination[NAME_LENGTH_MAX + 1]; /* "": every one */
    uint16_t well;     /* journal's number; 0: all */
    uint64_t from, to; /* pos of the first and last row, both included; from > to: no row */
    uint64_t from_seq, to_seq; /* of them, of a resend; else 0 */
    uint32_t revision; /* of the rows as they go out: 0 as first measured */
    uint64_t as_of;    /* they go out as the orders up to this pos have them: of a times order and a recalculation its own; 0: as first measured */
    uint32_t plan;     /* of a recalculation: the plan under which its rows are measured */
    struct stamp set;  /* of a times order: an instant at which this boot's clock was known */
    char reason[GAP_CAUSE_MAX];
    char by[80];       /* who asked; of a times order "clock set at 2031-03-01T06:00:00.000Z" */
};
/** True where a times order gives `scan` another time; *at receives it (its clock state is that of the order's instant). Only by boot_ms, and only
 *  within the order's boot: rows taken while the clock was never set, and rows not yet synchronised whose label is more than 1 s off. Pure. */
bool order_corrects(const struct row_order *order, const struct scan *scan, struct stamp *at);

/**
 * What the orders of a journal make of a stretch of rows. An order that gives rows another content bears a revision above that of every earlier
 * one over the same rows, so a row's revision and the order that made it say the same.
 */
struct row_view {
    uint64_t low, high; /* it holds for rows of its well with low <= pos <= high */
    struct row_order times, recalculated; /* the newest that cover them; pos 0: none */
};
/** The order that made the row's newest revision in the view, NULL: it is as first measured; *at: its time there. Pure. */
const struct row_order *row_view_maker(const struct row_view *view, const struct scan *scan, struct stamp *at);

/** A person's words on a row of the ledger. */
struct gap_note {
    uint64_t run, id; /* of the row */
    int64_t utc_ms;
    bool planned;
    char by[GAP_BY_MAX];
    char text[GAP_NOTE_MAX];
};

/* ---- retention: the oldest scans go, in stretches (daemon/journal/retention.c) ---- */

/** The oldest stretch of scans, which would go next. to_pos 0: nothing but the newest rows is left. */
struct removal_next {
    uint64_t to_pos, rows;
    int64_t from_utc_ms; /* no scan of it is older by its label */
    int64_t to_utc_ms; /* no scan of it is younger by its label; where no label can be believed: begin of the next run with one */
    bool dated;        /* false: its age is not known */
};
UP_MUST enum up_rc journal_removal_next(struct journal *journal, struct removal_next *next, struct up_error *error);
/** True where neither file system nor reserve has room for another transaction: the oldest rows must go, or the next ones are refused. */
bool journal_needs_room(struct journal *journal);
/** Rows of a well up to here are not handed out any more: removed, or the lead-in of those behind them. */
struct row_floor {
    uint16_t well;
    uint64_t pos, seq, run;
    struct stamp at; /* of that row; utc_ms 0 where it is removed itself */
    bool is_young;   /* no row behind the edge has its window whole: those that come next in its run won't have it either */
};
/** All scans up to to_pos, whatever the well. Every well that has rows needs a floor, at to_pos or above. */
struct removal {
    uint64_t to_pos;
    int64_t to_utc_ms;
    size_t n_floors;
    struct row_floor *floors;
};
/** The time by which scans get old, as it was noted last, and when. utc_ms 0: never. */
struct age_clock {
    int64_t utc_ms, boot_ms;
    uint32_t boot;
};
UP_MUST enum up_rc journal_read_age_clock(struct journal *journal, struct age_clock *out, struct up_error *error);
UP_MUST enum up_rc journal_note_age_clock(struct journal *journal, const struct age_clock *clock, struct up_error *error);
/** How long the box has run since the newest scan up to `pos`, by its running time alone, at least: what no label can change. Time off is not in it. */
UP_MUST enum up_rc journal_ran_since(struct journal *journal, uint64_t pos, int64_t now_boot_ms, int64_t *ran_ms, struct up_error *error);
/** A step of removing what only removed rows needed (facts, runs, plans, orders), one small transaction; *more: the round is not through. */
UP_MUST enum up_rc journal_tidy(struct journal *journal, bool *more, struct up_error *error);

/** All that goes into one transaction. Scans get pos and seq (in place); facts of scan i carry scan_index. */
struct batch {
    struct scan *scans;       size_t n_scans;
    struct fact *facts;       size_t n_facts;   /* pos is set to that of the scan they ride with: fact.pos holds the scan's index before */
    const struct fact *told_facts; size_t n_told_facts; /* from outside, of scans stored before: pos is the scan's already */
    struct gap *gaps;         size_t n_gaps;    /* pos is set */
    struct event *events;     size_t n_events;
    struct cursor *cursors;   size_t n_cursors;
    struct gap_note *notes;   size_t n_notes;   /* stored before the gaps, so that their new revisions bear them */
    struct row_order *orders; size_t n_orders;  /* pos is set; of a times order and a recalculation `as_of` too */
    const struct journal_damage *told;          /* damage that a ledger row of this batch tells of; NULL: none */
    const struct removal *removal; /* NULL: none */
};
/**
 * One transaction, synced. On failure nothing of the batch is stored, seqs are taken back, and the journal is `poisoned`: it must be reopened
 * (journal_reopen) and made safe, with a new run, before anything is published again.
 */
UP_MUST enum up_rc journal_append(struct journal *journal, struct batch *batch, struct up_error *error);
UP_MUST enum up_rc journal_reopen(struct journal *journal, struct up_error *error);
/** After journal_reopen: another file stands in its place, with other rows, names and runs. Whoever holds numbers of the one before begins anew. */
bool journal_is_another(const struct journal *journal);
/** After journal_open, before the run: whose journal it is. Says, and stores as an event, where a mark beside the file tells that it was lost, went back
 *  in time, or was written by another box or machine (`machine` 0: not known). From then on the mark is kept. */
void journal_know_box(struct journal *journal, const char *box, uint32_t machine);
/** Writes the clean-stop mark of the run. */
UP_MUST enum up_rc journal_end_run(struct journal *journal, const struct stamp *ended, const char *how, struct up_error *error);
uint64_t journal_newest_pos(const struct journal *journal);

/* ---- older scans, sealed into blocks: readers take rows and blocks alike ---- */

/** How soon scans are sealed. The daemon takes the defaults; tests seal soon. */
struct journal_sealing {
    uint32_t keep_rows;  /* the newest rows are left alone */
    uint32_t block_rows; /* scans are sealed once a well's source has so many */
    uint32_t range_rows; /* or all have so many together */
};
void journal_set_sealing(struct journal *journal, const struct journal_sealing *sealing); /* NULL: the defaults */
/**
 * One bounded step of sealing, for the writer's thread after an append: a slice of rows is counted, or one block packed and proven, or a range of
 * them stored and its rows removed in one transaction. *more: the next step has work already. A failure poisons the journal like a failed append,
 * but for a full disk: then nothing is sealed, and it is tried again later.
 */
UP_MUST enum up_rc journal_seal(struct journal *journal, bool *more, struct up_error *error);

/** What is not as it was written, a row or a block. */
enum damage_kind { DAMAGE_NONE = 0, DAMAGE_ROW = 1, DAMAGE_BLOCK = 2 };
struct journal_damage {
    uint8_t kind;    /* enum damage_kind */
    uint64_t number; /* of a row its pos, of a block its number */
    /* As far as they are known; a reader that found it knows the two above alone. */
    uint64_t pos_from, pos_to;      /* it stood within these */
    uint64_t run, before_seq, after_seq; /* the run of its first scan; seq of the well's last scan before, first after; 0: unknown */
    struct stamp first, last;       /* begun of its first and last scan; utc_ms 0: unknown */
    uint32_t scans;                 /* 0: unknown */
    uint16_t well;                  /* 0: unknown */
    uint8_t source;                 /* 0: unknown */
};
/** A reader found damage: the writer looks for itself, and keeps it until it was told (batch.told). */
UP_MUST enum up_rc journal_note_damage(struct journal *journal, uint8_t kind, uint64_t number, struct up_error *error);
/** Proves the next sealed block, one a call, over and over from the oldest. */
UP_MUST enum up_rc journal_prove_next(struct journal *journal, struct up_error *error);
/** Damage that was found and not told yet. False: none. */
bool journal_untold_damage(struct journal *journal, struct journal_damage *damage);
/** Newest pos and seq of a well's scans; 0 where there is none. */
void journal_newest_of_well(const struct journal *journal, uint16_t well, uint64_t *pos, uint64_t *seq);
/** All cursors of the database; at most `room`; returns their number. */
size_t journal_cursors(struct journal *journal, struct cursor *into, size_t room);
/* ---- room for the worst day: reserve.c ---- */

/** What the configuration allows: from it follow the sizes of the reserve and of the write-ahead log. 0: not stated. */
void journal_set_room(struct journal *journal, uint64_t at_most_bytes);
/** A step towards a whole reserve and a log of its size, one small transaction at most; *more: another one is needed. Best once a second. */
UP_MUST enum up_rc journal_keep_reserve(struct journal *journal, bool *more, struct up_error *error);
struct journal_room {
    uint64_t used_bytes;                    /* pages that hold something; neither free ones nor the reserve */
    uint64_t reserve_bytes, reserve_wanted;
    uint64_t log_bytes, log_wanted;         /* the write-ahead log's file, and its fixed size */
    bool tight;                             /* the file system gives no more: only what the file holds is used */
    int64_t stuck_since_ms;                 /* CLOCK_BOOTTIME since which the log could not be brought into the file; 0: it can */
};
void journal_room_of(struct journal *journal, struct journal_room *out);
/** Bytes of pages in use and of the log; bytes free in the file system, and in pages that the file holds free. */
void journal_sizes(struct journal *journal, uint64_t *bytes, uint64_t *free_bytes);
/** The oldest order above `after` that concerns this destination and well; pos 0 where there is none. Few rows: no slices. */
UP_MUST enum up_rc journal_next_order(struct journal *journal, uint64_t after, const char *destination, uint16_t well, struct row_order *out,
                                      struct up_error *error);
/** The newest times order; pos 0 where there is none. */
UP_MUST enum up_rc journal_newest_times(struct journal *journal, struct row_order *out, struct up_error *error);
/** The revision that rows of a well (0: all) in [from, to] get by an order that is made now: above that of every order over any of them. */
UP_MUST enum up_rc journal_next_revision(struct journal *journal, uint16_t well, uint64_t from, uint64_t to, uint32_t *revision,
                                         struct up_error *error);
/** From now on a revision lies above the newest by a number that is drawn, 1 to REVISION_STEP_MAX, not by 1: two journals that go on from one image
 *  give their corrections numbers of their own, as they do their runs. */
#define REVISION_STEP_MAX 65536
void journal_draw_revisions(struct journal *journal);
/** The first run of this boot: where it began (every scan above `pos` is of this boot), and its clock then. pos 0: no run has begun. */
struct boot_begin {
    uint64_t pos, run;
    uint8_t clock;
};
UP_MUST enum up_rc journal_boot_begins(struct journal *journal, struct boot_begin *out, struct up_error *error);
/** Well number of an id, or 0 (numbers begin at 1). */
uint16_t journal_well_number(struct journal *journal, const char *well_id);

/* ---- the ledger: pure bookkeeping of gaps; what changed goes into the next batch ---- */

struct ledger;
/** `room` open gaps at most (then the oldest of its kind is extended instead of a new one, and said). */
struct ledger *ledger_create(const struct plan *plan, uint64_t run, size_t room);
void ledger_destroy(struct ledger *ledger);
/** Open rows of earlier runs, so that they close across restarts; reads the journal. Also hands out the program gaps of the time without us:
 *  for each source the due times after its last accounted one (row or counted skip) on the old run's grid up to the first of the new run's. */
UP_MUST enum up_rc ledger_load(struct ledger *ledger, struct journal *journal, const struct stamp *run_began,
                               struct up_error *error);
/** A scan and its record (same row): line, gauge, channel and clock rows follow. `due` is its due time on the grid. */
void ledger_see_scan(struct ledger *ledger, const struct scan *scan, const struct record *record, const struct stamp *due);
/** Polls never attempted: skipped, overflow, disk, or program (paused). Contiguous due times of one source; extends an open row of the same cause. */
void ledger_count(struct ledger *ledger, uint8_t kind, uint8_t cause, uint16_t well, uint8_t source, uint32_t count,
                  const struct stamp *first_due, const struct stamp *last_due, const char *sentence);
/** The delivery of a destination and well: oldest unaccepted record's time (or none waiting), newest accepted seq. Opens after 60 s, closes at the live edge. */
void ledger_see_delivery(struct ledger *ledger, const char *destination, uint16_t well, bool waiting,
                         const struct stamp *oldest_waiting, uint64_t accepted_seq, uint64_t newest_seq, const struct stamp *now,
                         uint8_t cause, const char *sentence);
/** Which row: its id, and its run or all runs that begin alike (run_low to run_high). */
struct gap_asked {
    uint64_t run_low, run_high, id;
};
/**
 * The row goes out as its next revision, open or closed, in memory or long stored: somebody wrote a note on it. Of an outage of the program the
 * rows of all sources go along; their ids (of *of's run) stand in `ids`, the asked one first. UP_E_MISSING where there is none, UP_E_USAGE where
 * more than one run has such a row.
 */
UP_MUST enum up_rc ledger_renew(struct ledger *ledger, struct journal *journal, const struct gap_asked *asked, struct gap *of, uint64_t *ids,
                                size_t room, size_t *n, struct up_error *error);
/** A record of `well` is larger than `destination` ever takes, and was passed over: counted in a row of kind `refused`, which goes on while such records
 *  come and ends with the first one accepted 10 min or more after the last. Its `before_seq` is the last one before the first of them. */
void ledger_set_aside(struct ledger *ledger, const char *destination, uint16_t well, uint64_t seq, const struct stamp *at, const char *sentence);
void ledger_end_aside(struct ledger *ledger, const char *destination, uint16_t well, uint64_t accepted_seq, const struct stamp *now);
/** Retention removes records that `destination` has not accepted: counted in a row of kind `removed`, which ends when the delivery is at the live edge
 *  again. */
struct removed_unsent {
    uint64_t before_seq; /* accepted up to here */
    uint32_t scans;
    struct stamp first, last;
};
void ledger_remove(struct ledger *ledger, const char *destination, uint16_t well, const struct removed_unsent *removed, const char *sentence);
/** From now on rows are opened under this run: a run that began at `began`, within the life of the ledger (the disk had refused). Rows of polls never
 *  attempted end there: what is due from then on is the new run's, on its own grid, and stands in rows of its own. */
void ledger_set_run(struct ledger *ledger, uint64_t run, const struct stamp *began);
/** From now on `plan`, within the run: open rows of sources and destinations that it no longer holds end now and say so; all others go on. Its wells
 *  are numbered. On failure nothing has changed. */
UP_MUST enum up_rc ledger_set_plan(struct ledger *ledger, const struct plan *plan, const struct stamp *now,
                                   struct up_error *error);
/** Rows that changed since the last call, as new revisions; at most `room`, the rest next time. Counts of open rows come at most once a minute,
 *  those of kinds delivery and line after 1, 2, 4 … min, and then once an hour; what opens, closes or changes its cause at once.
 *  `now` NULL: all that changed, for an orderly stop. */
size_t ledger_take_changed(struct ledger *ledger, const struct stamp *now, struct gap *into, size_t room);
/** The rows just taken did not get stored: they are changed still. */
void ledger_put_back(struct ledger *ledger, const struct gap *rows, size_t n);
/** Scans that the ledger saw were not stored after all: the newest seq of a well is `seq` again. */
void ledger_take_back_seq(struct ledger *ledger, uint16_t well, uint64_t seq);
/** Rows of the time without us whose cause is a loss of power stay at hand until the surface unit's first answers were seen: with a sentence it is
 *  added to those of `well` (a revision), with NULL they are let go; well 0: of all wells. */
void ledger_settle_supply(struct ledger *ledger, uint16_t well, const char *sentence);
/** Scans that the journal held and can't read back: a row of kind `damaged`, closed from the start. False: there is no room now. *cause (of the
 *  ledger, until it is taken) says what is damaged. */
bool ledger_damage(struct ledger *ledger, const struct journal_damage *damage, const char **cause);
size_t ledger_open_of_well(const struct ledger *ledger, uint16_t well);
const struct gap *ledger_open_row(const struct ledger *ledger, size_t index); /* NULL beyond */

/* ---- readers: read-only connections, any thread, one slice a transaction ---- */

struct journal_reader;
UP_MUST enum up_rc journal_reader_open(const char *directory, struct journal_reader **out, struct up_error *error);
void journal_reader_close(struct journal_reader *reader);
/** Scans of a well with pos > after, oldest first, at most n (<= JOURNAL_SLICE_MAX). *got their number. Every check and digest is verified: a row or
 *  block that fails is stepped over and noted (journal_reader_damage). */
UP_MUST enum up_rc journal_read_scans(struct journal_reader *reader, uint16_t well, uint64_t after, size_t n, struct scan *into,
                                      size_t *got, struct up_error *error);
/** Where a fold must begin so as to be right at `pos`: the pos before the first scan of the same run within the window; the row before `pos` itself
 *  (run, seq) for `after`. */
UP_MUST enum up_rc journal_window_start(struct journal_reader *reader, uint16_t well, uint64_t pos, int64_t window_ms, uint32_t window_scans,
                                        uint64_t *begin_after, struct up_error *error);
UP_MUST enum up_rc journal_row_before(struct journal_reader *reader, uint16_t well, uint64_t pos, uint64_t *run, uint64_t *seq,
                                      uint64_t *at_pos, struct up_error *error);
/** The floor of a well once all scans up to to_pos are gone: its last row whose window does not stand whole behind them. `slice` holds
 *  JOURNAL_SLICE_MAX scans. */
UP_MUST enum up_rc journal_find_floor(struct journal_reader *reader, uint16_t well, uint64_t to_pos, int64_t window_ms, uint32_t window_scans,
                                      struct scan *slice, struct row_floor *floor, struct up_error *error);
/** What retention has removed. Of a well: rows up to `pos`, with `seq` and `run`, are not handed out any more. Well 0: every scan up to `pos`, taken
 *  at `utc_ms` or before, is gone, `rows` of them. pos 0: nothing was removed. */
struct removed_rows {
    uint64_t pos, seq, run, rows;
    int64_t utc_ms;
};
UP_MUST enum up_rc journal_read_floor(struct journal_reader *reader, uint16_t well, struct removed_rows *removed, struct up_error *error);
/** Facts of a well with pos <= up_to, of `run`: the newest of each source, point and kind; of hours the newest FACT_HOURS_READ. `room` of at least
 *  1024 holds them all. */
UP_MUST enum up_rc journal_read_facts(struct journal_reader *reader, uint16_t well, uint64_t run, uint64_t up_to, struct fact *into, size_t room,
                                      size_t *got, struct up_error *error);
/** The newest FACT_UNIT_STEPPED of each source and point of a well, of whatever run: what a new run must go on doubting. At most `room`. */
UP_MUST enum up_rc journal_read_unit_steps(struct journal_reader *reader, uint16_t well, struct fact *into, size_t room, size_t *got,
                                           struct up_error *error);
/** The newest FACT_UNIT_SETTING of each kind, source and well, of whatever run, in one pass over the facts. At most `room`. */
UP_MUST enum up_rc journal_read_settings(struct journal_reader *reader, struct fact *into, size_t room, size_t *got, struct up_error *error);
/** The newest FACT_UNIT_CONFIRMED of each well and point, of whatever run, oldest first, in one pass over the facts; others that share their rows
 *  may stand before them. */
UP_MUST enum up_rc journal_read_confirmations(struct journal_reader *reader, struct fact *into, size_t room, size_t *got, struct up_error *error);
/** Facts of a run that bear a pos in [from, up_to] and that a fold which goes on can't make by itself: FACT_BEGUN_ANEW, FACT_UNIT_STEPPED,
 *  FACT_UNIT_CONFIRMED; in the order of pos. At most `room`: where *got is that, there may be more from the last one's pos on. */
UP_MUST enum up_rc journal_read_outside_facts(struct journal_reader *reader, uint16_t well, uint64_t run, uint64_t from, uint64_t up_to,
                                              struct fact *into, size_t room, size_t *got, struct up_error *error);
/** The newest row in [from, up_to] with which the well's measuring began anew within the run (FACT_BEGUN_ANEW); 0: none. */
UP_MUST enum up_rc journal_begun_anew(struct journal_reader *reader, uint16_t well, uint64_t run, uint64_t from, uint64_t up_to, uint64_t *pos,
                                      struct up_error *error);
/** Ledger rows (every revision) with pos > after; well 0: all wells. */
UP_MUST enum up_rc journal_read_gaps(struct journal_reader *reader, uint16_t well, uint64_t after, size_t n, struct gap *into, size_t *got,
                                     struct up_error *error);
/** Newest revision of each ledger row that touches [from, to] (UTC ms); slices by `after` (run, id order of start); for `uphole gaps`. */
UP_MUST enum up_rc journal_read_ledger(struct journal_reader *reader, int64_t from_utc_ms, int64_t to_utc_ms, size_t skip, size_t n,
                                       struct gap *into, size_t *got, struct up_error *error);
/** The same of one well (and rows of all wells), in the order of their start: those behind row `after` (NULL: from the first). By a key that new
 *  revisions do not move, so a slice loses no row while others are written. */
UP_MUST enum up_rc journal_read_ledger_of(struct journal_reader *reader, uint16_t well, int64_t from_utc_ms, int64_t to_utc_ms,
                                          const struct gap *after, size_t n, struct gap *into, size_t *got, struct up_error *error);
/** Text of a plan by id; *text is malloc'd, the caller frees it. */
UP_MUST enum up_rc journal_read_plan(struct journal_reader *reader, uint32_t id, char **text, size_t *length, char digest[static 65],
                                     struct up_error *error);
/** Name of a well number; false if unknown. */
bool journal_read_well_id(struct journal_reader *reader, uint16_t number, char into[static NAME_LENGTH_MAX + 1]);
/** Count of scan rows of a well in [from, to], by outcome; for the books. */
UP_MUST enum up_rc journal_count_scans(struct journal_reader *reader, uint16_t well, uint8_t source, int64_t from_utc_ms, int64_t to_utc_ms,
                                       uint64_t by_outcome[static OUTCOME_COUNT], struct up_error *error);
/** The same for every well and source at once, in one pass; at most `room` rows of (well, source). */
struct scan_count {
    uint16_t well;
    uint8_t source;
    uint64_t by_outcome[OUTCOME_COUNT];
};
UP_MUST enum up_rc journal_count_all(struct journal_reader *reader, int64_t from_utc_ms, int64_t to_utc_ms, struct scan_count *into,
                                     size_t room, size_t *got, struct up_error *error);
/** All cursors; at most `room`; returns their number. */
size_t journal_read_cursors(struct journal_reader *reader, struct cursor *into, size_t room);
/** Newest pos and seq of a well's scans; 0 where there is none. */
UP_MUST enum up_rc journal_read_newest(struct journal_reader *reader, uint16_t well, uint64_t *pos, uint64_t *seq,
                                       struct up_error *error);
/** Id of the plan of the newest run; 0 where there is none. */
uint32_t journal_read_newest_plan(struct journal_reader *reader);
/** Events with pos > after that lie in [from, to] (UTC ms), oldest first. */
UP_MUST enum up_rc journal_read_events(struct journal_reader *reader, uint64_t after, int64_t from_utc_ms, int64_t to_utc_ms, size_t n,
                                       struct event *into, size_t *got, struct up_error *error);
/** Events of one kind with pos < before, newest first. */
UP_MUST enum up_rc journal_read_events_of(struct journal_reader *reader, const char *kind, uint64_t before, size_t n, struct event *into,
                                          size_t *got, struct up_error *error);
/** Version of the SQLite that is loaded. */
const char *journal_sqlite_version(void);
/** Oldest and newest times of the journal's scans; false when empty. */
bool journal_span(struct journal_reader *reader, int64_t *from_utc_ms, int64_t *to_utc_ms);

/** One order by its pos; UP_E_MISSING where there is none. */
UP_MUST enum up_rc journal_read_order(struct journal_reader *reader, uint64_t pos, struct row_order *out, struct up_error *error);
/** When a row was taken, as far as it is known by now: its own begin, or the corrected time where the clock of its boot was set later. *revision (may
 *  be NULL) is that of the row with this time. */
UP_MUST enum up_rc journal_time_of(struct journal_reader *reader, const struct scan *scan, struct stamp *at, uint32_t *revision,
                                   struct up_error *error);
/** An instant as it is known by now: corrected where the clock of its boot was set later and its label was wrong. */
UP_MUST enum up_rc journal_correct_stamp(struct journal_reader *reader, struct stamp *at, struct up_error *error);
/** *any: instants of [from, to] (UTC ms) may bear other labels, since the clock of a boot in it was set later. */
UP_MUST enum up_rc journal_has_corrected(struct journal_reader *reader, int64_t from_utc_ms, int64_t to_utc_ms, bool *any,
                                         struct up_error *error);
/** First and last row of a well in an interval, by seq or by time (corrected where it was corrected; both ends included). pos 0: there is none. */
struct row_range {
    uint64_t from, from_seq, from_run, to, to_seq, to_run;
};
UP_MUST enum up_rc journal_range_of_seq(struct journal_reader *reader, uint16_t well, uint64_t from_seq, uint64_t to_seq, struct row_range *out,
                                        struct up_error *error);
UP_MUST enum up_rc journal_range_of_time(struct journal_reader *reader, uint16_t well, int64_t from_utc_ms, int64_t to_utc_ms, struct row_range *out,
                                         struct up_error *error);
/** What the orders with a pos of at most `as_of` and a revision of at most `revision` make of the row at `pos`, and how far behind it that holds.
 *  Of orders of one well and of those of the whole box. */
UP_MUST enum up_rc journal_read_view(struct journal_reader *reader, uint16_t well, uint64_t pos, uint64_t as_of, uint32_t revision,
                                     struct row_view *out, struct up_error *error);
/** The newest order below `below` (pos) that gives rows of a well in [from, to] another content; pos 0: none. */
UP_MUST enum up_rc journal_newest_maker(struct journal_reader *reader, uint16_t well, uint64_t from, uint64_t to, uint64_t below,
                                        struct row_order *out, struct up_error *error);
/** Plans whose digest begins with `prefix` (hex, small letters): their number, and the newest one's id and digest. */
UP_MUST enum up_rc journal_find_plan(struct journal_reader *reader, const char *prefix, unsigned *n, uint32_t *id, char digest[static 65],
                                     struct up_error *error);
/** The newest times order that corrects rows in [from, to] (pos); pos 0 where there is none. */
UP_MUST enum up_rc journal_times_within(struct journal_reader *reader, uint64_t from, uint64_t to, struct row_order *out, struct up_error *error);

/** What this reader found damaged since the last call: kind and number, to be handed to the writer. False: nothing. */
bool journal_reader_damage(struct journal_reader *reader, struct journal_damage *damage);
/** The lowest pos within something that this reader found damaged and that the writer has not noted yet (journal_note_damage); 0: none. Whoever hands
 *  scans on waits before it, so that what was accepted when damage was noted was sound. Takes nothing from journal_reader_damage. */
uint64_t journal_reader_unnoted(struct journal_reader *reader);

#endif
