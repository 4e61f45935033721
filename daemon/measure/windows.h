/* SPDX-License-Identifier: Apache-2.0
 *
 * windows.h - means over a minute, an hour and a day that know their gaps, and slopes over an hour
 * and a month. Private to measure.
 *
 * A reading counts from when it was read until the next one of its point, at most until it would be
 * stale: so a window is covered for just as long as `latest` showed a value that was not stale
 * (sample and hold; OPC UA Part 13, TimeAverage2 and PercentGood of stepped data).
 *
 * Each span is a ring of bins of boot time, so no phase depends on where a fold began. Bins of an
 * hour reach back further than any fold re-reads: each complete one is a fact, journaled with the
 * first scan behind it, and so is each complete day of the insulation. A bin that came as a fact is
 * sealed: a fold that began in the middle of that hour does not touch it.
 */
#ifndef UPHOLE_WINDOWS_H
#define UPHOLE_WINDOWS_H

#include "uphole/points.h"
#include "uphole/scan.h"

#define WINDOW_MINUTE_MS INT64_C(60000)
#define WINDOW_HOUR_MS INT64_C(3600000)
#define WINDOW_DAY_MS INT64_C(86400000)

/** What is averaged. The motor's temperature is its winding's, else its oil's. */
enum window_quantity {
    WINDOW_PRESSURE = 0, /* at the intake */
    WINDOW_TEMPERATURE,  /* of the motor */
    WINDOW_CURRENT,
    WINDOW_FREQUENCY,
    WINDOW_RUNNING,    /* 100 while the pump runs, else 0 */
    WINDOW_INSULATION, /* logarithm of the resistance at the reference temperature */
    WINDOW_QUANTITIES
};
/** The present bin and the whole ones before it: 6 of 10 s, 60 of a minute, 24 of an hour. */
enum window_span { SPAN_MINUTE = 0, SPAN_HOUR, SPAN_DAY, SPANS };
#define SPAN_MINUTE_BINS 7
#define SPAN_HOUR_BINS 61
#define SPAN_DAY_BINS 25
#define SPAN_MINUTES_OF 2 /* quantities with that span, see windows.c */
#define SPAN_HOURS_OF 3
#define WINDOW_DAYS 30

struct window_bin {
    int64_t index; /* boot_ms / length; of an empty bin any */
    double weight_ms, mean, m2 /* ms x unit2, about the mean */, low, high;
    bool is_unsure; /* of Uncertain readings alone; the first Good one takes their place */
    bool is_sealed; /* stands as a fact */
};
/** The newest reading, which counts until the next. */
struct window_hold {
    bool has_value, is_unsure;
    uint8_t source;
    uint16_t point;
    int64_t at, until; /* boot ms; at NEVER: nothing was read yet */
    double value;
};
/** A robust line through whole bins, worked out once a bin. */
struct window_slope {
    int64_t key; /* newest whole bin; NEVER: not yet */
    uint8_t quality;
    double slope, low, high; /* a bin; bounds of 95 % */
};
struct window_day {
    int64_t index;    /* boot_ms / WINDOW_DAY_MS */
    double weight_ms; /* 0: nothing; below: of Uncertain readings */
    double mean;
};

struct windows {
    struct window_hold hold[WINDOW_QUANTITIES];
    bool is_new[WINDOW_QUANTITIES];   /* another gauge, or source: to be noted as a fact */
    int64_t began[WINDOW_QUANTITIES]; /* of the newest such fact; NEVER */
    struct window_bin minute[SPAN_MINUTES_OF][SPAN_MINUTE_BINS];
    struct window_bin hour[SPAN_HOURS_OF][SPAN_HOUR_BINS];
    struct window_bin day[WINDOW_QUANTITIES][SPAN_DAY_BINS];
    struct window_day days[WINDOW_DAYS];
    struct window_slope slope[WINDOW_QUANTITIES];
    uint8_t pump;                     /* enum pump_state as last known */
    int64_t pump_known, pump_changed; /* boot ms; NEVER */
};

/** A window that ends with this scan. */
struct window_sum {
    double total_ms, good_ms, all_ms; /* length; covered by Good readings; by any */
    bool is_of_good;                  /* the rest is made of Good readings alone */
    unsigned bins;
    double weight_ms, mean, m2, low, high;
};

/** One reading on its way into the windows. */
struct window_sample {
    uint16_t point;  /* of the input; another one begins anew */
    uint8_t source;  /* whose scan carries it */
    uint8_t quality; /* Bad, or a value that is none: nothing is held from here on */
    double value;
    int64_t at, until; /* boot ms: read, and no longer to be held */
    int64_t lapse_ms;  /* of its source */
    const struct scan *scan;
};

/* windows.c */
void windows_clear(struct windows *windows);
/** Another gauge, unit or map of this source: nothing of before may be averaged with what comes. */
void windows_forget_source(struct windows *windows, uint8_t source, int64_t at);
/** Takes a fact where it is one of these. */
void windows_load_fact(struct windows *windows, const struct fact *fact);
void windows_take(struct windows *windows, enum window_quantity quantity,
                  const struct window_sample *sample, struct fact *facts, size_t *n_facts);
/** Notes the pump's state: what was before a start or a stop is on another line. */
void windows_see_pump(struct windows *windows, uint8_t state, int64_t at, int64_t lapse_ms);
/** Of the bins that stand at `now`: of Good readings alone where these cover `coverage`, else of
 * all. */
struct window_sum windows_sum(const struct windows *windows, enum window_quantity quantity,
                              enum window_span span, int64_t now, double coverage);
/** Bins of a span; NULL where the quantity has none. */
const struct window_bin *windows_bins(const struct windows *windows, enum window_quantity quantity,
                                      enum window_span span, unsigned *n, int64_t *length_ms);
/** How far back a fold must begin beside what settles its readings. */
int64_t windows_reach_ms(int64_t lapse_ms);

/* windows_slope.c */
/** Theil and Sen's line through the whole minutes of the last hour; a minute. */
void windows_fit_hour(struct windows *windows, enum window_quantity quantity, int64_t now);
/** Through the days of the insulation; a day. */
void windows_fit_days(struct windows *windows, int64_t now);

#endif
