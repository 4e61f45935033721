/* SPDX-License-Identifier: Apache-2.0
 *
 * scan.h - the types that cross rooms. A scan holds only registers, a reading only values in a named unit; nothing holds
 * both, so nothing can be converted twice by accident.
 */
#ifndef UPHOLE_SCAN_H
#define UPHOLE_SCAN_H

#include "uphole/points.h"
#include "uphole/quality.h"
#include "uphole/stamp.h"

#include <math.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define SCAN_BLOCKS_MAX 16
#define SCAN_WORDS_MAX 512
#define NAME_LENGTH_MAX 32 /* of sites, wells, boxes, destinations, lines, maps: [a-z0-9-]{1,32} */

enum source_kind { SOURCE_NONE = 0, SOURCE_GAUGE = 1, SOURCE_DRIVE = 2, SOURCE_WELLHEAD = 3, SOURCE_UNIT_HISTORY = 4 };
#define SOURCE_KINDS 4 /* NONE to WELLHEAD: what a well may be asked for */
const char *source_name(uint8_t source); /* "gauge", "drive", "wellhead", "unit_history" */

/** How an attempted poll went. Codes are journaled: they only grow. */
enum outcome {
    OUTCOME_NONE = 0,
    OUTCOME_ANSWERED = 1,      /* every block holds data */
    OUTCOME_PARTIAL = 2,       /* some blocks hold data, others an exception or nothing */
    OUTCOME_SILENT = 3,        /* no byte came, or (stray > 0) none that looks like an answer */
    OUTCOME_CUT_SHORT = 4,     /* an answer began and did not end in time */
    OUTCOME_BAD_CHECKSUM = 5,
    OUTCOME_WRONG_REPLY = 6,   /* a valid frame of another unit, function or length */
    OUTCOME_EXCEPTION = 7,     /* every block was answered with an exception other than 0A and 0B: the line is up */
    OUTCOME_PATH_DOWN = 8,     /* exceptions 0A or 0B: a converter answers, the unit behind it doesn't */
    OUTCOME_PORT_GONE = 9,     /* the serial port vanished or can't be opened */
    OUTCOME_NO_CONNECTION = 10,/* the TCP connection is refused or lost */
    OUTCOME_COUNT
};
const char *outcome_name(uint8_t outcome);
/** Answered, partial or exception: the surface unit was heard. */
static inline bool outcome_is_heard(uint8_t outcome)
{
    return outcome == OUTCOME_ANSWERED || outcome == OUTCOME_PARTIAL || outcome == OUTCOME_EXCEPTION;
}
static inline bool outcome_has_data(uint8_t outcome)
{
    return outcome == OUTCOME_ANSWERED || outcome == OUTCOME_PARTIAL;
}

/** One range as it was answered. `exception` 0 and `count` > 0: words stand at `at`. Exception or silence: no words. */
struct block {
    uint8_t function;  /* 1 to 4 */
    uint8_t exception; /* 0 none; 0xFF no valid answer to this range */
    uint16_t first;    /* address from 0, as on the wire */
    uint16_t count;    /* registers (or bits, packed 16 a word, first bit lowest) */
    uint16_t at;       /* index into words[] */
};
#define BLOCK_NO_ANSWER 0xFF

/** One poll of one source. The raw truth: nothing in it is scaled or judged. */
struct scan {
    uint64_t pos;    /* row of the journal; 0 until journaled */
    uint64_t run;
    uint64_t seq;    /* of its well, +1 across runs, from 1 */
    struct stamp begun; /* start of the first request */
    uint32_t took_ms;   /* to the end of the last answer */
    uint32_t plan;      /* journal's id of the plan under which it was taken */
    uint16_t well;      /* journal's number of the well */
    uint8_t source;     /* enum source_kind */
    uint8_t outcome;    /* enum outcome */
    uint8_t tries;      /* requests sent; a range is asked twice at most */
    uint32_t stray;     /* bytes that nobody asked for, before, between or after */
    uint16_t n_blocks, n_words;
    struct block block[SCAN_BLOCKS_MAX]; /* in the order asked; status may stand twice, first and last */
    uint16_t words[SCAN_WORDS_MAX];
};

/** Nothing was asked for it: the exchanges were another master's, and only heard (`share_line: listen`). */
static inline bool scan_was_overheard(const struct scan *scan)
{
    return scan->tries == 0 && outcome_is_heard(scan->outcome);
}

/** One point judged. `value` in the point's unit inside, NaN where the quality sends none. */
struct reading {
    uint16_t point;
    uint8_t quality;
    uint8_t worst_input; /* of a derived point: the point number that decided, else 0 (numbers above 255 do not exist yet) */
    float age_s;         /* upper bound of true age at the end of the scan; NaN without value */
    double value;
    double u;            /* standard uncertainty, in the point's unit; 0: no destination asks for it, or it is not known */
};

#define RECORD_READINGS_MAX 120

/** One scan, measured, for delivery. Its identity is (run, well, seq, revision); equal ids mean equal content. */
struct record {
    uint64_t pos, run, seq;
    uint64_t after_run, after_seq; /* the well's row before this one; after_seq 0: none */
    uint32_t revision, plan, plan_digest /* first 32 bits of the plan's SHA-256 */, measure_version;
    struct stamp at;
    uint16_t well;
    uint8_t source, outcome;
    bool heard; /* the exchanges were another master's, only heard */
    uint16_t n;
    struct reading reading[RECORD_READINGS_MAX]; /* ascending by point number; only the first n are meaningful or sent */
};
/** What is meaningful of it: mostly a fifth of its room. */
static inline void record_copy(struct record *to, const struct record *from)
{
    memcpy(to, from, offsetof(struct record, reading) + from->n * sizeof *from->reading);
}

/** What a fold must remember for longer than its window; journaled in the transaction of the scan that makes it. */
enum fact_kind {
    FACT_NONE = 0,
    FACT_SEEN_GOOD = 1,       /* this channel has shown data in this run: a marker after it is a fault */
    FACT_GAUGE_AGREED = 2,    /* the gauge left `starting` after a break of this run */
    FACT_REFRESH_STOPPED = 3, /* the refresh counter stands still since value = boot_ms */
    FACT_PUMP_STARTED = 4,    /* last start of the pump */
    FACT_FITTED_NOTICE = 5,   /* the notice that asks to confirm a not-fitted channel was given */
    FACT_BEGUN_ANEW = 6,      /* the well's measuring began anew with this scan: a plan that asks otherwise; nothing earlier counts */
    FACT_WINDOWS_BEGUN = 7,   /* another gauge or source: windows of this point hold nothing from before boot_ms */
    /* 8 to 10, one for each unit-setting register of the map: value is the word that it holds from this scan on */
    FACT_UNIT_SETTING = 8,
    FACT_UNIT_SETTING_LAST = 10,
    /* 16 to 31, in turn, so that the newest sixteen of a run are at hand: all pressures (point 1) or temperatures (point 3) of the source stepped as if
     * its unit setting had changed. value: 48 bits of the map's signature, and what the registers hold since (enum unit_change, or 24 and more: as the
     * unit-setting register's meaning 24 + i had it) in thirty-seconds. */
    FACT_UNIT_STEPPED = 16,
    FACT_UNIT_STEPPED_LAST = 31,
    /* 32 to 39, in turn for each point: a person's confirmation of its unit, and what ended it (unit_confirm.h of measure). boot_ms: from when on. It
     * may bear the pos of a scan that was stored before. */
    FACT_UNIT_CONFIRMED = 32,
    FACT_UNIT_CONFIRMED_LAST = 39,
    FACT_DAY = 64,            /* to 123: a whole day's weight (below 0: of Uncertain readings alone) and mean, in 30 slots; boot_ms is the day's begin */
    FACT_HOUR = 128           /* to 223: a whole hour's weight, mean, low and high, in 24 slots; boot_ms is the hour's begin. The newest of each kind
                               * are the last 24 hours: readers look for these from the newest fact backwards, and not far */
};
#define FACT_HOURS_READ 480 /* a day's: 25 hours of at most 18 a well */
struct fact {
    uint64_t pos, run;
    uint16_t well;
    uint8_t source;
    uint16_t point; /* 0: of the source as a whole */
    uint8_t kind;   /* enum fact_kind */
    double value;
    int64_t utc_ms, boot_ms;
};

enum gap_kind {
    GAP_NONE = 0,
    GAP_LINE = 1,
    GAP_GAUGE,
    GAP_CHANNEL,
    GAP_DELIVERY,
    GAP_PROGRAM,
    GAP_DISK,
    GAP_SKIPPED,
    GAP_OVERFLOW,
    GAP_REMOVED,
    GAP_DAMAGED,
    GAP_REFUSED,
    GAP_CLOCK,
    GAP_KINDS
};
const char *gap_kind_name(uint8_t kind);
/** Kinds that count polls never attempted (program, disk, skipped, overflow): due = rows + these. */
bool gap_kind_counts_never_attempted(uint8_t kind);

/** Why a gap is there, as a code; the sentence stands in `cause`. Codes only grow. */
enum gap_cause {
    CAUSE_NONE = 0,
    CAUSE_SILENT, CAUSE_BAD_CHECKSUM, CAUSE_WRONG_REPLY, CAUSE_CUT_SHORT, CAUSE_PATH_DOWN, CAUSE_PORT_GONE,
    CAUSE_NO_CONNECTION, /* line */
    CAUSE_NO_SIGNAL, CAUSE_POWER_UP, CAUSE_UNIT_FAULT, CAUSE_FROZEN, /* gauge */
    CAUSE_SENSOR_LOST, CAUSE_OUT_OF_RANGE, CAUSE_EXCEPTION,          /* channel */
    CAUSE_UNREACHABLE, CAUSE_NOT_AUTHORISED, CAUSE_NO_SUBSCRIBER, CAUSE_QUOTA, CAUSE_SCADA_SIDE_DOWN, /* delivery */
    CAUSE_STOPPED /* skipped too: cut off by the stop */, CAUSE_KILLED, CAUSE_POWER_OR_RESET, CAUSE_PAUSED, /* program */
    CAUSE_LINE_BUSY, CAUSE_BACK_OFF, CAUSE_LISTENING, CAUSE_ANOTHER_MASTER, /* skipped */
    CAUSE_RING_FULL, CAUSE_DISK_REFUSED, CAUSE_CLOCK_STEP,
    CAUSE_UPGRADED, CAUSE_REBOOTED, CAUSE_SUSPENDED, /* program */
    CAUSE_DAMAGED, /* damaged */
    CAUSE_NO_ROOM, /* removed: the oldest rows went, though a destination had not accepted them */
    CAUSE_ENTRY_ENDED, /* skipped: cut off by the end of the source's entry, by its date or by a reload */
    CAUSE_COUNT
};
const char *gap_cause_name(uint8_t cause);

#define GAP_CAUSE_MAX 200
#define GAP_NOTE_CHARACTERS 200
#define GAP_NOTE_MAX (3 * GAP_NOTE_CHARACTERS + 1) /* bytes, with the NUL: 200 characters of nearly every script */
#define GAP_BY_MAX 80

/** A ledger row. Its identity is (run, id, revision), run being the one that opened it. An open end is stamp 0. */
struct gap {
    uint64_t pos;
    uint64_t run, id;
    uint32_t revision;
    uint8_t kind, cause_code;
    uint16_t well;       /* journal's number; 0 with all_wells */
    bool all_wells;      /* program, disk, overflow rows concern every well of the box; still counted a well and source */
    uint8_t source;      /* 0: all or none */
    uint16_t point;      /* channel gaps */
    char destination[NAME_LENGTH_MAX + 1];
    struct stamp start, end; /* start: the first due time that was missed */
    bool start_sure, end_sure;
    bool is_open;
    uint64_t before_seq, after_seq; /* last seq before, first after; 0 none */
    uint32_t scans;      /* due scans without good data (never attempted, for those kinds), or records late */
    uint32_t refreshes_about;
    uint32_t recovered;
    bool lost;
    char cause[GAP_CAUSE_MAX];
    /* The newest note at its pos, filled by readers; the ledger itself does not carry it. */
    char note[GAP_NOTE_MAX], noted_by[GAP_BY_MAX];
    bool planned;
    struct stamp last_due; /* last due time counted, of polls never attempted; the ledger's own memory, not published */
};

/** Why rows go out once more. Codes are journaled: they only grow. */
enum order_kind {
    ORDER_RESEND = 1, /* by hand: the same rows, to one destination */
    ORDER_TIMES = 2,  /* the clock of a boot was set: rows from before get the time that they were taken at */
    ORDER_RECALCULATE = 3 /* by hand: rows of a well are measured under another plan, to every destination */
};

/** A thing worth knowing that is no gap: start, stop, plan, clock step, refused write, retention. */
struct event {
    uint64_t pos;
    char kind[24];
    int64_t utc_ms, boot_ms;
    char who[40];
    char text[GAP_CAUSE_MAX];
};

/** States of a stage; 0 is always unknown (points.md section 4). */
enum line_state { LINE_UNKNOWN = 0, LINE_UP = 1, LINE_DEGRADED = 2, LINE_DOWN = 3 };
enum gauge_state { GAUGE_UNKNOWN = 0, GAUGE_LIVE = 1, GAUGE_STARTING = 2, GAUGE_SILENT = 3, GAUGE_NOT_CONFIGURED = 4 };
enum channel_state { CHANNEL_UNKNOWN = 0, CHANNEL_LIVE = 1, CHANNEL_NOT_FITTED = 2, CHANNEL_FAULT = 3, CHANNEL_NOT_MAPPED = 4 };
enum delivery_state { DELIVERY_UNKNOWN = 0, DELIVERY_UP = 1, DELIVERY_CATCHING_UP = 2, DELIVERY_DOWN = 3, DELIVERY_STOPPED = 4 };
const char *line_state_name(uint8_t state);
const char *gauge_state_name(uint8_t state);
const char *channel_state_name(uint8_t state);
const char *delivery_state_name(uint8_t state);
const char *clock_state_name(uint8_t state);

/** One point as it stands now, for `latest` and the table. The SCADA side computes ages; it may only turn a value to 64. */
struct live_reading {
    uint16_t point;
    uint8_t quality, worst_input;
    double value;          /* last value, also under 3 and 4 (marked); NaN where there is none */
    int64_t fresh_boot_ms; /* the instant of age zero, CLOCK_BOOTTIME; INT64_MIN: never */
    uint32_t stale_limit_ms; /* 0: does not age (chain status) */
};

/**
 * Quality of a live reading at `now`, and its age in s (an upper bound; NaN: never). Age turns a reading to 64 (stale) and never the other
 * way: the one thing the SCADA side may do.
 */
static inline uint8_t live_quality_at(const struct live_reading *reading, int64_t now_boot_ms, double *age_s)
{
    if (reading->fresh_boot_ms == INT64_MIN) {
        *age_s = NAN;
        return reading->quality;
    }
    int64_t age_ms = now_boot_ms > reading->fresh_boot_ms ? now_boot_ms - reading->fresh_boot_ms : 0;
    *age_s = (double)age_ms / 1000.0;
    if (reading->stale_limit_ms == 0 || age_ms <= (int64_t)reading->stale_limit_ms)
        return reading->quality;
    return quality_first(reading->quality, QUALITY_STALE);
}

/** All of a well now. Never stored, never a record. */
struct snapshot {
    uint64_t run, seq;       /* of the newest scan; seq 0 before a run's first scan */
    struct stamp newest;     /* begun of the newest scan */
    struct stamp taken;      /* when the snapshot was made */
    uint16_t well;
    uint8_t line, gauge, clock; /* worst line; gauge; clock state */
    bool journaled;
    uint8_t source_line[SOURCE_KINDS]; /* line stage a source */
    int64_t line_since_utc_ms, gauge_since_utc_ms;
    uint32_t gaps_open;
    uint16_t n;
    struct live_reading reading[RECORD_READINGS_MAX]; /* mapped, derived and status points, ascending */
};

#endif
