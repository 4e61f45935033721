/* SPDX-License-Identifier: Apache-2.0
 *
 * audit.h - what the files of `uphole audit` share. A reviewer's program: it reads rows, runs and
 * plans and counts by itself. Of the daemon it shares readers, the plan's parser and the decoder of
 * registers, and no line of what the ledger counts with.
 *
 * One pass in the order of pos over four streams: runs, plans that took effect, scans, revisions of
 * the ledger (audit_walk.c). Memory is bounded: slices of each, and one state a source.
 *
 *  due (audit_due.c)  =  rows (audit_rows.c)  +  never attempted (audit_gaps.c)  +  damaged
 *                        (audit_damage.c)
 *  rows of a well     =  accepted + pending + set aside + damaged, a destination (audit_delivery.c)
 */
#ifndef UPHOLE_AUDIT_H
#define UPHOLE_AUDIT_H

#include "uphole/journal_books.h"
#include "uphole/wall.h"

#define AUDIT_RUNS_MAX 65536
#define AUDIT_WELLS_MAX 256
#define AUDIT_SOURCES_MAX (AUDIT_WELLS_MAX * (SOURCE_KINDS - 1))
#define AUDIT_FAULTS_MAX 100
#define AUDIT_UNDECIDED_MAX 1024 /* stretches that are listed; all are counted */
#define AUDIT_PLANNED_MAX 4096
#define AUDIT_ASIDES_MAX 4096
#define AUDIT_PLACES_MAX (PLAN_DESTINATIONS_MAX * AUDIT_WELLS_MAX)
#define AUDIT_DAMAGES_MAX 4096
#define AUDIT_ACCEPTED_MAX 8192
#define AUDIT_TEXT_MAX 320
#define AUDIT_SLICE 64

struct audit_asked {
    int64_t from_utc_ms, to_utc_ms, last_ms;
    bool has_from, has_to, has_last, json, no_chain;
    const char *well, *config, *maps, *directory;
};

/** An instant by which books can be cut: boot time within a run, runs in their order. */
struct audit_key {
    size_t run;
    int64_t boot_ms;
};

struct audit_point {
    bool is_mapped;
    double got, planned, unplanned; /* in refreshes */
    uint64_t markers;               /* rows in which it was marked as not fitted */
};

/** One well and source. */
struct audit_source {
    uint16_t well;
    uint8_t source;
    struct audit_key low, high; /* its interval: low <= due time < high */
    bool has_edge;              /* `low` is that of its first row behind what was removed */
    bool widened;
    /* as it stands in the walk */
    int64_t period_ms; /* 0: not asked for */
    double weight;     /* refreshes of the gauge that one due time stands for, at most 1 */
    int64_t from_ms;   /* due times before are counted */
    int64_t next_ms;   /* first due time that nothing shows to have ended */
    int64_t row_boot_ms, offset_ms; /* of the run's newest row, or the run's begin */
    uint8_t clock;
    /* Due in runs that have ended, behind all that is written of the source: not among the sums
     * until something is written of it again. */
    struct audit_unwritten {
        int64_t due, from_utc_ms, to_utc_ms;
        double refreshes_due;
    } unwritten;
    /* the sums */
    int64_t due, less,
        more; /* due, and by how much it may be off where an entry's date is passed */
    int64_t rows, never, never_planned, damaged;
    uint64_t rows_with_data;
    double refreshes_due, never_refreshes, never_refreshes_planned;
    struct audit_point point[POINT_COUNT];
};

struct audit_well {
    uint16_t number;
    char id[NAME_LENGTH_MAX + 1];
    uint64_t seq, pos; /* of its row before, in the walk */
    int64_t utc_ms;
    uint64_t rows, first_seq, last_seq; /* within the interval */
    uint64_t damaged;                   /* among these seqs, missing and explained */
};

/** Rows of one well at one destination. */
struct audit_place {
    char destination[NAME_LENGTH_MAX + 1];
    uint16_t well;
    bool has_cursor;
    uint64_t seq, pos;
    int64_t rows, accepted, pending, aside;
    int64_t damaged; /* of the rows: can't be read back, and were not accepted before */
    uint64_t damaged_accepted, damaged_passed; /* in the walk: of damaged ones those that had been
                                                  accepted; that were passed over since */
};

/** A row of kind refused, newest revision. */
struct audit_aside {
    size_t place;
    uint64_t before, end; /* seqs above `before`, up to `end` at most */
    uint32_t scans;
};

/** A row of kind damaged, newest revision: seqs before < seq < end. */
struct audit_damage {
    uint64_t run, id; /* of the row */
    uint8_t kind;     /* enum damage_kind; DAMAGE_NONE: not known */
    uint64_t number;
    uint16_t well;
    uint8_t source;
    uint64_t before, end;
    uint32_t scans, missing; /* as the ledger has it, as seq shows */
    bool has_key;
    struct audit_key first, last; /* no due time of it is earlier, none later */
    int64_t from_utc_ms, to_utc_ms;
};

/** Records of the damage's well were accepted up to `seq` before; `scans` of the missing ones. */
struct audit_accepted {
    size_t place, damage;
    uint64_t seq, scans;
};

struct audit_undecided {
    uint16_t well;
    uint8_t source;
    bool is_unwritten; /* how long it was is known, what became of its polls is not written yet */
    int64_t from_utc_ms, to_utc_ms;
};

/** What a person noted as planned: rows without data in it are apart. */
struct audit_planned {
    uint16_t well, point;
    uint8_t source, kind;
    struct audit_key from, to;
};

struct audit {
    struct audit_asked asked;
    struct journal_reader *reader;
    uint64_t newest_pos; /* the review goes up to here */
    struct run_book *runs;
    size_t n_runs;
    struct plan *plan; /* of plan_id, as the walk stands */
    uint32_t plan_id;
    size_t run;          /* index of the run in which the walk stands; n_runs before the first */
    int64_t row_boot_ms; /* of the newest row of any source in that run; its begin: none yet */
    uint16_t only_well;  /* 0: all */
    /* what retention removed: books begin behind it, at the first row that is left */
    struct removed_rows removed;
    struct audit_key edge;
    /* the interval asked for: rows with from_pos <= pos < to_pos */
    uint64_t from_pos, to_pos;
    struct audit_key low, high;
    struct audit_well *wells;
    size_t n_wells;
    struct audit_source *sources;
    size_t n_sources;
    struct audit_place *places;
    size_t n_places;
    struct audit_aside *asides;
    size_t n_asides;
    struct audit_damage *damages;
    size_t n_damages, n_damages_within;
    struct audit_accepted *accepted;
    size_t n_accepted;
    struct audit_planned *planned;
    size_t n_planned;
    struct audit_undecided undecided[AUDIT_UNDECIDED_MAX];
    size_t n_undecided; /* also those beyond the room */
    char fault[AUDIT_FAULTS_MAX][AUDIT_TEXT_MAX];
    size_t n_faults; /* also those beyond the room */
    uint64_t n_rows, n_revisions, n_damaged;
    struct journal_chain chain;  /* as it stood when it was looked at */
    uint64_t n_blocks, n_sealed; /* proven; scans in them */
    uint64_t n_blocks_damaged;   /* known to be, and past which the chain is proven */
    /** Called between two slices; false ends the review (UP_E_TIMEOUT). NULL: it goes on at once.
     */
    bool (*go_on)(void *context);
    void *context;
    bool walks_all; /* from the journal's first row on */
    bool full;      /* more wells, runs or destinations than there is room for */
};

/* ---- audit_review.c ---- */

/** All of it: audit->asked says what, its `directory` where. Zeroed but for that before. */
UP_MUST enum up_rc audit_review(struct audit *audit, struct up_error *error);
/** Frees it whole; NULL is fine. */
void audit_free(struct audit *audit);
uint8_t audit_verdict(const struct audit *audit); /* enum books_verdict */
UP_MUST enum up_rc audit_go_on(const struct audit *audit, struct up_error *error);

__attribute__((format(printf, 2, 3))) void audit_fault(struct audit *audit, const char *format,
                                                       ...);
struct audit_well *audit_well_of(struct audit *audit, uint16_t number);
struct audit_source *audit_source_of(struct audit *audit, uint16_t well, uint8_t source);
int audit_compare(const struct audit_key *a, const struct audit_key *b);
bool audit_is_within(const struct audit_source *source, const struct audit_key *key);
/** Where an instant of a row of the ledger lies: the newest run below `pos` of this boot that had
 * begun by then. False: no run had this boot. */
bool audit_key_of(const struct audit *audit, const struct stamp *at, uint64_t pos,
                  struct audit_key *key);
const char *audit_name(struct audit *audit, uint16_t well);

/* ---- audit_interval.c ---- */

/** Finds where the interval asked for cuts the books, and widens it, a source, to where no row of
 * the ledger counts across its ends; collects what was noted as planned. */
enum up_rc audit_find_interval(struct audit *audit, struct up_error *error);

/* ---- audit_walk.c ---- */

/** The one pass. */
enum up_rc audit_walk(struct audit *audit, struct up_error *error);

/* ---- audit_due.c: due times by arithmetic ---- */

/** The run in which the walk stands ends where `next` begins; audit->plan is still its own. */
void audit_due_run_ends(struct audit *audit, const struct run_book *next);
/** Run `run` begins with audit->plan. */
void audit_due_run_begins(struct audit *audit, size_t run);
/** Plan `plan` (now audit->plan) took effect within the run. */
void audit_due_plan(struct audit *audit, const struct plan_taken *taken);
/** Something is written of the source: what was not before is late no more, but missing. */
void audit_due_written(struct audit_source *source);
/** A row of the source lies in the walk; returns its due time. */
int64_t audit_due_row(struct audit *audit, struct audit_source *source, const struct scan *scan);
/** Due times up to this one were counted by the ledger, in the run in which the walk stands. */
void audit_due_counted(struct audit *audit, struct audit_source *source, int64_t last_ms);
/** The walk has ended. */
void audit_due_end(struct audit *audit);

/* ---- audit_rows.c, audit_gaps.c, audit_delivery.c ---- */

void audit_row(struct audit *audit, const struct scan *scan, bool holds);
void audit_revision(struct audit *audit, const struct revision *revision);
/** Cursors as they stand before the review's newest pos is read. */
enum up_rc audit_read_places(struct audit *audit, struct up_error *error);
enum up_rc audit_close_places(struct audit *audit, struct up_error *error);
/** Records set aside; the place is made where there is none. */
void audit_set_aside(struct audit *audit, const struct gap *gap);

struct audit_place *audit_place_of(struct audit *audit, const char *destination, uint16_t well);

/* ---- audit_damage.c ---- */

/** A newest revision of the ledger; of other kinds: nothing. */
void audit_note_damage(struct audit *audit, const struct gap *gap);
/** Once all are noted: what each is of, and what had been accepted of it. */
enum up_rc audit_read_damages(struct audit *audit, struct up_error *error);
/** Whether the ledger tells of this damage. */
bool audit_is_told(const struct audit *audit, uint8_t kind, uint64_t number);
/** Seqs from..to of a well are missing: how many of them no damage explains. `counts`: they lie
 * among the rows of the interval. */
uint64_t audit_explain(struct audit *audit, struct audit_well *well, uint64_t from, uint64_t to,
                       bool counts);
/** After the walk. */
void audit_close_damages(struct audit *audit);
/** Whether this seq may be one that can't be read back. */
bool audit_is_damaged(const struct audit *audit, uint16_t well, uint64_t seq);
bool audit_damage_is_within(const struct audit *audit, size_t index);
/** How many seqs lie in both (after_a, to_a] and (after_b, to_b]. */
uint64_t audit_overlap(uint64_t after_a, uint64_t to_a, uint64_t after_b, uint64_t to_b);

/* ---- audit_chain.c ---- */

/** Proves every sealed block and that each follows the one before. */
enum up_rc audit_check_chain(struct audit *audit, struct up_error *error);
/** SHA-256 of the newest sealed block, in hex: it fixes all before it. */
const char *audit_digest_text(const struct audit *audit,
                              char into[static 2 * JOURNAL_DIGEST_BYTES + 1]);

/* ---- audit_show.c ---- */

/** The first thing that does not hold, as one sentence. */
void audit_sentence(struct audit *audit, char *into, size_t room);
int64_t audit_source_more(const struct audit_source *source); /* accounted for above what was due */
bool audit_source_holds(const struct audit_source *source);
bool audit_place_holds(const struct audit_place *place);
bool audit_is_fitted(const struct audit_source *source, uint16_t point);
void audit_print(struct audit *audit);
void audit_print_json(struct audit *audit);

#endif
