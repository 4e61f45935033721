/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger.h - the ledger's memory. Rows: ledger.c. Scans: ledger_rules.c. Polls never attempted and
 * deliveries: ledger_count.c.
 * What earlier runs left: ledger_load.c. The time without us: ledger_absence.c. Sentences:
 * ledger_text.c.
 *
 *        new ──▶ open ──▶ closed ──(line, gauge, channel: three good scans)──▶ forgotten
 *                 ▲          │
 *                 └──────────┘  flapping shorter than that: the same row again, next revision
 *
 *  1. A row is handed out whole, as the next revision, each time that something in it changed.
 *  2. What was handed out of a source's counts is always a prefix of its due times: a count that
 *     changed goes out at the latest with the source's next scan. So a kill loses at most a tail,
 *     and the next start can say exactly which.
 *  3. The widest scope wins: a line row ends gauge and channel rows of its source, a gauge row
 *     those of the gauge's channels.
 */
#ifndef UPHOLE_JOURNAL_LEDGER_H
#define UPHOLE_JOURNAL_LEDGER_H

#include "uphole/journal.h"

#define LEDGER_FLAP_SCANS 3          /* fewer good scans than this between two failures: one row */
#define LEDGER_COUNT_EVERY_MS 60000  /* changed counts of open rows, to begin with */
#define LEDGER_COUNT_MOST_MS 3600000 /* of kinds delivery and line, which may last for days */
#define LEDGER_RESERVE_A_SOURCE 8    /* rows kept for counts, so that the books always have room */
#define LEDGER_DELIVERY_AFTER_MS 60000
#define LEDGER_LIVE_EDGE_MS 10000 /* a record that waits for less is on its way, not late */
#define LEDGER_CLOCK_STEP_MS 500
#define LEDGER_CLOCK_SLEW_PPM 1000 /* no step: kernels slew by 500 ppm, oscillators err by less */

struct ledger_row {
    struct gap gap;
    uint32_t next_revision;
    int64_t taken_boot_ms;  /* when it was last handed out */
    int64_t count_every_ms; /* how long a changed count waits */
    uint32_t good_scans;    /* since it closed */
    bool used, changed, urgent;
    bool waits_for_supply; /* kept though closed: its cause may become more telling */
};

struct ledger_source {
    const struct well_plan *well;
    uint8_t source;
    uint16_t channels_open;      /* rows of kind channel, open or closed of late */
    bool seen_good[POINT_COUNT]; /* a marker after data is a fault, not a state */
};

struct ledger {
    const struct plan *plan;
    uint64_t run, next_id;
    size_t room, capacity, n; /* rows[n] and above were never used */
    size_t used;
    struct ledger_row *rows;
    size_t n_sources;
    struct ledger_source *sources;
    uint64_t newest_seq[PLAN_WELLS_MAX]; /* by index of the plan's wells */
    bool has_offset;
    int64_t offset_ms, offset_boot_ms; /* UTC - boot of the newest scan, and its boot_ms */
    uint32_t offset_boot;
};

/* ---- rows (ledger.c) ---- */

struct ledger_source *ledger_find_source(struct ledger *ledger, uint16_t well, uint8_t source);
/** Which row: 0 in `cause` takes any cause; `destination` may be NULL. */
struct ledger_key {
    uint8_t kind, cause;
    uint16_t well;
    uint8_t source;
    uint16_t point;
    const char *destination;
};
struct ledger_row *ledger_find_open(struct ledger *ledger, const struct ledger_key *key);
/** The row, closed less than LEDGER_FLAP_SCANS good scans ago. */
struct ledger_row *ledger_find_flapping(struct ledger *ledger, const struct ledger_key *key);
/** A new open row with id, well's newest seq and start; NULL where there is no room (said in the
 * oldest row of its kind). */
struct ledger_row *ledger_new_row(struct ledger *ledger, const struct ledger_key *key,
                                  const struct stamp *start);
/** Takes a row of the journal in, as it stands there. */
struct ledger_row *ledger_adopt(struct ledger *ledger, const struct gap *gap);
void ledger_touch(struct ledger_row *row, bool urgent);
void ledger_close(struct ledger_row *row, const struct stamp *end, uint64_t after_seq);
/** Milliseconds from one instant to another: within a boot by its clock, else by the labels. */
int64_t stamp_between_ms(const struct stamp *from, const struct stamp *to);
/** What the plan says of a source at a time (refresh, poll); NULL where it has none. */
const struct source_entry *ledger_entry(const struct ledger *ledger, uint16_t well, uint8_t source,
                                        int64_t utc_ms);
uint64_t *ledger_newest_seq(struct ledger *ledger, uint16_t well);

/* ---- polls never attempted (ledger_count.c) ---- */

/** A scan of the source is about to be stored: counts that wait go out with it. Rows whose cause it
 * ends close. */
void ledger_counts_see_scan(struct ledger *ledger, const struct scan *scan);

/** A line gap opens, or opens again, at `due`: polls put off since then count in it; rows of polls
 * put off before end there, so that none counts half in it. */
void ledger_counts_join_line(struct ledger *ledger, struct ledger_row *line,
                             const struct stamp *due);

/* ---- rows that went (ledger_aside.c) ---- */

/** The delivery is at the live edge: an open row of kind removed ends. How many it counts; 0: there
 * is none. */
uint32_t ledger_end_removed(struct ledger *ledger, const char *destination, uint16_t well,
                            uint64_t accepted_seq);

/* ---- another plan (ledger_plan.c) ---- */

/** A row whose well, source or destination is no longer configured would stay open for ever. */
bool ledger_is_obsolete(const struct plan *plan, const struct gap *gap);
void ledger_close_obsolete(struct ledger_row *row, const struct stamp *now);

/* ---- sentences (ledger_text.c) ---- */

void ledger_say_line(char into[static GAP_CAUSE_MAX], const struct ledger *ledger,
                     const struct scan *scan);
void ledger_say_gauge(char into[static GAP_CAUSE_MAX], uint8_t cause, const struct scan *scan);
/** `exception` 0 unless the channel's registers were answered with one. */
void ledger_say_channel(char into[static GAP_CAUSE_MAX], uint16_t point, uint8_t cause,
                        uint8_t exception);
/** Registers that were read before and are in no scan now: a line that is only listened to. */
void ledger_say_not_read(char into[static GAP_CAUSE_MAX], uint16_t point);
void ledger_say_clock(char into[static GAP_CAUSE_MAX], int64_t step_ms, int64_t utc_ms);
void ledger_say_count(char into[static GAP_CAUSE_MAX], uint8_t cause);
void ledger_say_delivery(char into[static GAP_CAUSE_MAX], const char *destination, uint8_t cause);
/** What is known of the time without us. */
struct program_evidence {
    uint8_t cause;
    const char *how;             /* of the clean-stop mark */
    const char *version, *after; /* of the program, before and after; "" not known */
    bool booted;                 /* the box has booted since */
    int64_t to_boot_ms;          /* from the newest stored instant to that boot; < 0: not known */
    bool unsure;                 /* the box's clock can't tell how long it took */
    bool never_set;              /* because it was not set */
};
/** Behind what stands there, where it fits whole. */
void ledger_add_sentence(char into[static GAP_CAUSE_MAX], const char *sentence);
void ledger_say_program(char into[static GAP_CAUSE_MAX], const struct program_evidence *evidence);

#endif
