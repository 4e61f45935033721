/* SPDX-License-Identifier: Apache-2.0
 *
 * core_inside.h - core's state, shared by core.c, core_commit.c and core_wall.c only.
 */
#ifndef UPHOLE_CORE_INSIDE_H
#define UPHOLE_CORE_INSIDE_H

#include "core.h"

#include "resend.h"
#include "space.h"
#include "wall_plans.h"

#include "uphole/gather.h"

#include <pthread.h>
#include <stdatomic.h>

#define CORE_FACTS_MAX 4096 /* the hours of 128 wells end in one scan each */
#define CORE_GAPS_MAX 512   /* more than all sources have after one outage */
#define CORE_EVENTS_MAX 64
#define CORE_DAMAGES_MAX 16
#define CORE_NOTES_MAX 512 /* one outage: a row a source */
#define CORE_CURSORS_MAX   /* of every stream, and what each destination cost in a month */        \
    ((size_t)PLAN_DESTINATIONS_MAX * PLAN_WELLS_MAX * 3 + PLAN_DESTINATIONS_MAX)
#define COMMIT_EVERY_US 1000000
#define SPACE_EVERY_US 60000000
#define SNAPSHOT_EVERY_US 5000000
#define DELIVERY_GAP_AFTER_MS 60000

/** A gap that ended, for the sentence that says so. */
struct core_ended {
    struct stamp start, end;
    uint32_t scans, recovered;
};

/** What people read of a point's newest confirmation, and of what ended it. */
#define CONFIRM_BOOK_MAX 1024 /* points of all wells; of more only the state is shown */
struct confirm_words {
    uint16_t well, point; /* journal's number; 0: free */
    int64_t utc_ms, ended_utc_ms;
    char who[sizeof((struct event *)0)->who];
    char text[GAP_CAUSE_MAX], ended[GAP_CAUSE_MAX];
};

/** Of a well, by the journal's number: first seq of its newest commit. */
struct core_live {
    _Atomic uint_fast16_t number; /* 0: free */
    _Atomic uint64_t seq;
};

/** Did the well's surface unit restart with the box? */
enum core_supply { SUPPLY_SETTLED = 0, SUPPLY_ASKED, SUPPLY_SHARED };

struct core_well {
    const struct well_plan *plan;
    struct fold *fold;
    bool touched;      /* has scans in the batch under way */
    bool snapshot_due; /* the wall was full, or a commit changed it */
    uint64_t newest_pos;
    _Atomic uint64_t newest_seq;
    struct core_live *live;
    bool begins_anew; /* with its next scan: another plan measures it otherwise, or older rows went
                       */
    uint64_t newest_gap_pos;
    struct stamp batch_begun; /* begun of the first scan of this well in the newest commit */
    struct snapshot snapshot;
    uint8_t told_line[SOURCE_KINDS]; /* as the log has it: enum line_state */
    bool told_silent;
    struct core_setting {
        bool has;
        uint16_t word;
    } told_setting[SOURCE_KINDS][UNIT_REGISTERS_MAX]; /* words of the unit-setting registers */
    uint8_t n_settings_told;
    int64_t settings_told_ms;                       /* boot_ms: since when n_settings_told counts */
    bool told_units;                                /* that a unit is doubted */
    uint8_t scans_units;                            /* in a row that say otherwise */
    uint64_t outcomes[SOURCE_KINDS][OUTCOME_COUNT]; /* of scans since the start; for status */
    uint8_t supply;                                 /* enum core_supply */
    int64_t unit_heard_ms; /* boot_ms of the gauge's first answer; 0: none yet */
    struct core_ended ended_line[SOURCE_KINDS], ended_gauge;
    struct scan
        newest_scan[SOURCE_KINDS]; /* outcome NONE: not asked in this run; for status_view.c */
};

struct core_cursor {
    uint64_t pos, seq;
    uint64_t aside_seq;         /* of the newest record that was set aside in this run */
    int64_t accepted_boot_ms;   /* begun of the newest accepted row; this boot only, else 0 */
    struct stamp waiting_since; /* of the oldest row that waits, as far as known; boot_ms 0: none */
    bool dirty;
    uint8_t refusal_cause;
    char refusal[160]; /* why this well's topic is not taken, while it is not; else empty */
};

/** What was turned away since it was last told in an event; core_refusals.c. */
#define REFUSALS_EVERY_MS 86400000
struct refusals {
    uint64_t n;
    struct stamp since;
    int64_t told_ms; /* CLOCK_BOOTTIME; 0: never in this run */
    char latest[160];
};
enum { REFUSED_WRITES, REFUSED_CLIENTS, REFUSED_LOGINS, REFUSALS };

struct core_destination {
    uint8_t state; /* of the connection, as the SCADA side says */
    uint8_t cause;
    char reason[160];
    struct stamp since; /* of `state`; boot_ms 0: since the start */
    uint32_t month;     /* 203103: what it cost in that month, kept for its limit */
    uint64_t month_bytes;
    bool month_dirty;
    struct refusals refused[REFUSALS];
    uint64_t writes_seen, strangers_seen; /* as the SCADA side counts them */
    struct core_cursor *cursor[2];        /* [STREAM_RECORD - 1, STREAM_GAP - 1][well index] */
};

/** Upkeep of the journal between two commits. */
struct core_tidy {
    int64_t next_us, next_proof_us;
    bool tells; /* a ledger row of `told` waits to be stored */
    struct journal_damage told;
    pthread_mutex_t lock; /* over the two below: readers of other threads put what they found */
    struct journal_damage found[CORE_DAMAGES_MAX];
    size_t n_found;
};

/** What the journal's disk was seen to do; core_disk.c. */
struct core_disk {
    uint32_t n_slow; /* commits that took too long, since slow_since; 0: it is in time */
    int64_t slowest_ms;
    struct stamp slow_since, newest_slow;
    bool told_reader; /* another program holds the write-ahead log */
};

struct core {
    struct core_options options;
    struct clock_watch watch;
    struct core_well *wells;
    struct core_live live[PLAN_WELLS_MAX];
    struct core_destination destinations[PLAN_DESTINATIONS_MAX];
    struct core_counts counts;
    struct scan *scans; /* JOURNAL_BATCH_SCANS_MAX */
    struct fact facts[CORE_FACTS_MAX];
    struct gap gaps[CORE_GAPS_MAX];
    struct event events[CORE_EVENTS_MAX];
    struct gap_note *notes; /* CORE_NOTES_MAX */
    struct cursor *cursors;
    size_t n_scans, n_facts, n_gaps, n_events, n_notes, n_cursors;
    bool more_gaps; /* the newest commit had no room for all changed rows of the ledger */
    struct record record;
    struct wall_message message;
    int64_t next_commit_us, next_state_us, next_snapshots_us;
    struct space_sample space_first, space_now;
    int64_t next_space_us;
    uint32_t heartbeat;
    struct wall_books books;
    int64_t plan_taken_ms;
    uint16_t days_left;
    struct sleep_watch sleep;
    bool supply_is_open;
    const struct removal *removal; /* rides with the next commit; core_removal.c */
    const char *removal_why;
    bool removal_failed, at_age;
    struct resend resend;
    struct core_tidy tidy;
    struct core_disk disk;
    struct refusals refused_orders;
    struct confirm_words *confirm_book; /* CONFIRM_BOOK_MAX */
    size_t n_confirm_book;
    struct fact confirm_fact; /* waits for the commit made now, while well is not 0 */
    int wall;
    uint32_t wall_silence_s;
    struct wall_plans wall_plans;
    bool wall_up, safe, refusing;
    bool
        side_goes_on; /* the SCADA side was there before the plan was taken, with its connections */
};

/** core.c, for core_plan.c: a well of the plan that was not there before; cursors of all
 * destinations, as the journal has them; since when what waits has waited. */
bool core_make_well(struct core *core, uint16_t index);
bool core_make_cursors(struct core *core);
enum up_rc core_find_waiting(struct core *core, struct up_error *error);
struct core_live *core_live_of(struct core *core, uint16_t number);
/** Index of the plan's well with this journal number, or -1. */
int core_well_index(const struct core *core, uint16_t number);
/** Due time on the grid of the scan, as a stamp. */
struct stamp core_due_of(const struct core *core, const struct scan *scan);
/* core_tell.c */
/** Says what changed in the stages of a well since it was last said. */
void core_tell_states(struct core *core, struct core_well *well);
void core_tell_gap(struct core *core, const struct gap *row);
void core_tell_fact(const struct core_well *well, const struct fact *fact);
/* core_watch.c */
void core_watch_start(struct core *core);
/** A scan was measured: what it shows of a restart. */
void core_watch_scan(struct core *core, struct core_well *well, const struct scan *scan);
/** core_units.c: says once that a unit is doubted, and once that it no longer is. */
void core_watch_units(struct core *core, struct core_well *well, const struct scan *scan,
                      const struct record *record);
/** core_setting.c: reads what the unit-setting registers held in earlier runs. */
enum up_rc core_load_settings(struct core *core, struct journal_reader *reader,
                              struct up_error *error);
/** Says that a unit-setting register holds another word, where this fact does. */
void core_tell_setting(struct core *core, struct core_well *well, const struct scan *scan,
                       const struct fact *fact);
/** core_confirm.c: reads what earlier runs confirmed. */
enum up_rc core_load_confirmations(struct core *core, struct up_error *error);
/** Says what ended a confirmation, where this fact does. */
void core_tell_confirmation(struct core *core, const struct core_well *well,
                            const struct scan *scan, const struct fact *fact);
/** The row of a point's words; NULL: none, or (make) no room for one. */
struct confirm_words *core_confirm_words(struct core *core, uint16_t well, unsigned point,
                                         bool make);
/** Says once what it has noticed: a suspend, a supply that box and surface unit share. */
void core_watch_step(struct core *core);
void core_take_item(struct core *core, const struct gathered *item);
/** One transaction of what is in hand. `everything`: counts of open ledger rows too, which
 * otherwise come once a minute. */
void core_commit(struct core *core, bool everything);
/* core_refusals.c */
/** Counts `n` more of what was turned away; `latest` names the newest. */
void core_count_refusals(struct core *core, struct refusals *refused, uint64_t n,
                         const char *latest);
/** What the SCADA side says of a destination: writes and clients refused, a login refused. */
void core_see_refusals(struct core *core, struct core_destination *to,
                       const struct wall_destination *message);
/** Tells in events what was counted and is due; all of it where it is the last time. */
void core_tell_refusals(struct core *core, bool last);
/* core_disk.c */
/** A commit was stored, and took so long: says once that the disk is slow, and once that it no
 * longer is. */
void core_disk_stored(struct core *core, int64_t took_us);
/** Says once that another program holds the journal's write-ahead log, and once that none does. */
void core_disk_look(struct core *core);
/* core_tidy.c */
/** Seals older scans, proves sealed ones, and tells of damage: bounded work, a step at a time. */
void core_tidy_step(struct core *core, int64_t now_us);
/** The damage whose ledger row is among the rows of this commit; NULL: none. */
const struct journal_damage *core_tidy_telling(const struct core *core);
void core_tidy_told(struct core *core);
/** False: it brought more than wants and acceptances of rows, or is gone: a step is to follow. */
bool core_serve_wall(struct core *core);
/** Sends core->message; false: the wall is full, or nobody is there. */
bool core_out(struct core *core);
void core_send_snapshots(struct core *core);
void core_send_state(struct core *core);
/** core_removal.c: what goes with this commit and was accepted nowhere is counted, and passed over.
 */
void core_count_removed(struct core *core, const struct stamp *now);
void core_see_deliveries(struct core *core, const struct stamp *now);
bool core_destination_acknowledges(const struct core *core, uint16_t destination);
void core_forget_refusals(struct core *core, uint16_t destination);
uint64_t core_waiting(const struct core *core, uint16_t destination, uint16_t well_index);

#endif
