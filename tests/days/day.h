/* SPDX-License-Identifier: Apache-2.0
 *
 * day.h - the lock-step harness: the real lines, core, journal, measure and table codec, with
 * virtual units behind ports of the harness's own, on one clock that only the next event moves. A
 * day takes seconds, and the same seed gives the same day.
 *
 *   virtual unit <- port (paced by the line's speed) <- line_step -> ring -> core_step -> wall ->
 * receiver (table image, records, gaps)
 *
 * One thread steps everything, so an exchange on one line delays a neighbour line by its wire time:
 * a simplification that no scenario here minds.
 */
#ifndef UPHOLE_TESTS_DAY_H
#define UPHOLE_TESTS_DAY_H

#include "uphole/gather.h"
#include "uphole/journal.h"
#include "uphole/plan.h"
#include "uphole/simulate.h"
#include "uphole/table.h"
#include "uphole/wall.h"

#define DAY_UNITS_MAX 8
#define DAY_LINES_MAX 4
#define DAY_START_UTC_MS INT64_C(1930118400000) /* 2031-03-01T08:00:00Z */

/** What a fault hook may do with the answer that a unit is about to give. */
struct day_answer {
    uint8_t bytes[RTU_ADU_MAX + 64]; /* the RTU frame or TCP frame */
    size_t n;                        /* 0: silence */
    int64_t delay_us;                /* before its first byte, beside wire time */
};
struct day;
struct day_options {
    const char *config; /* YAML text; journal.path is replaced by a fresh directory */
    uint64_t seed;
    uint32_t refresh_ms; /* 0: the map's */
    bool no_discharge[DAY_UNITS_MAX];
    int64_t powered_before_ms; /* how long before the day began the units were powered (default 10
                                  min) */
    int64_t utc_ms;            /* 0: DAY_START_UTC_MS */
    bool clock_unsynchronised;
    size_t ring_slots; /* 0: 256 */
    const char *journal; /* more keys of `journal:`, as ", keep: 2 h"; NULL: none */
    bool unjudged;     /* the hook changes values on purpose: Good ones aren't held to the truth */
    /** Called for each answer; may change, delay or drop it. NULL: an honest line. */
    void (*fault)(struct day *day, void *context, uint16_t line, const uint8_t *request,
                  size_t n_request, struct day_answer *answer);
    void *context;
    /** Called once for each record that the receiver takes, in order; NULL: only counted. */
    void (*record)(struct day *day, void *context, const struct record *record, bool live);
    /** Called once for each row that an order sends once more, as it is accepted. */
    void (*once_more)(struct day *day, void *context, const struct record *record,
                      const struct wall_order *order);
    void *record_context; /* of these; NULL: context */
    void (*snapshot)(struct day *day, void *context, const struct snapshot *snapshot);
};
struct day *day_create(const struct day_options *options);
void day_destroy(struct day *day); /* an orderly stop; removes the directory */
void day_run_for(struct day *day, int64_t ms);
int64_t day_now_ms(const struct day *day); /* boot_ms; the day began at DAY_BOOT_MS */
#define DAY_BOOT_MS INT64_C(3600000)
/** The lines go on while core hangs in a slow disk: nothing drains the rings. */
void day_run_without_core(struct day *day, int64_t ms);
/** kill -9 of the well side: everything in memory is gone, the journal stays; `down_ms` later it
 * starts again. */
void day_kill(struct day *day, int64_t down_ms);
/** An orderly stop, and a start `down_ms` later. */
void day_stop(struct day *day, int64_t down_ms);
/** The box loses power, or is stopped in order and booted: its boot clock begins anew. */
struct day_reboot {
    int64_t off_ms;     /* without power */
    int64_t up_ms;      /* from the boot to the start of the daemon */
    int64_t rtc_utc_ms; /* what its clock shows then; 0: the right time */
    bool is_clean;      /* an orderly stop before */
};
void day_boot_again(struct day *day, const struct day_reboot *reboot);
/** The time by which units live; day_now_ms is the box's. The two are one until a reboot. */
int64_t day_unit_now_ms(const struct day *day);
/** The box sleeps: its boot clock goes on, nobody runs. May be called from a fault hook. */
void day_suspend(struct day *day, int64_t ms);
/** The broker is away: nothing is accepted until it is back. */
void day_set_broker(struct day *day, bool up);
void day_step_clock(struct day *day, int64_t by_ms); /* UTC only */
/** The clock's source of time is there, or not. */
void day_set_synchronised(struct day *day, bool synchronised);
/** An order by hand, as `uphole resend` gives it. Returns 0 or a code of sysexits.h; the sentence in `text`. */
int day_resend(struct day *day, const char *arguments, char *text, size_t room);
/** The same of `uphole confirm`. */
int day_confirm(struct day *day, const char *arguments, char *text, size_t room);
struct virtual_unit *day_unit(struct day *day, uint16_t line, uint8_t unit_id);
const struct plan *day_plan(const struct day *day);

/** Books by plain arithmetic on what the journal holds: due = rows + never attempted, a source;
 * fails the test where they don't balance. */
struct day_books {
    uint64_t due, rows, never_attempted, heard;
};
struct day_books day_check_books(struct day *day, const char *well_id, uint8_t source);
/** Audits the journal as it stands by `uphole audit` of UPHOLE_BINARY; fails where it does not hold. Its exit code, 0 or 2; -1 where the variable is not
 * set. */
int day_audit(struct day *day);
/** Newest revisions of all ledger rows; returns their number. */
size_t day_ledger(struct day *day, struct gap *into, size_t room);
/** Rows of one kind (and source; 0 any) among them. */
size_t day_count_gaps(struct day *day, uint8_t kind, uint8_t source);
/** Events of one kind in the journal; the newest one's sentence goes into `text` (may be NULL). */
size_t day_count_events(struct day *day, const char *kind, char text[GAP_CAUSE_MAX]);
/** The newest ledger row of a kind; fails the test where there is none. */
struct gap day_newest_gap(struct day *day, uint8_t kind);
const struct line_counts *day_line(const struct day *day, uint16_t line);
/** Bytes of another speaker on the pair, from now on. */
void day_put_bytes(struct day *day, uint16_t line, const uint8_t *bytes, size_t n);
/**
 * Another master asks a unit on the pair: question and answer pass by, nobody of us asked. `harm` (may be NULL) may change or drop either
 * (n 0), or delay the answer.
 */
typedef void (*day_harm)(struct day *day, void *context, uint8_t *question, size_t *n_question,
                         struct day_answer *answer);
void day_other_master(struct day *day, uint16_t line, uint8_t unit_id,
                      const struct read_request *request, day_harm harm, void *context);
/** The daemon starts again with another configuration; lines and units stay. */
void day_restart_with(struct day *day, const char *config);
/** Another configuration while the daemon runs on: as daemon/uphole/reload_take.c does it, in one step.
 * Its lines stand in the same order; units stay. Returns how many lines went on as they were. */
unsigned day_reload(struct day *day, const char *config);
uint16_t day_register(struct day *day, uint8_t view, uint16_t address);

struct day_counts {
    uint64_t records, record_holes, snapshots, once_more;
    uint64_t duplicates; /* records sent again, since a kill took an acceptance that only memory knew */
    uint64_t by_quality[256];      /* of records' readings */
    uint64_t good, good_but_wrong; /* against the units' truth at the time of reading */
    uint64_t asked, answered;
};
const struct day_counts *day_counts_of(const struct day *day);

#endif
