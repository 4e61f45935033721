/* SPDX-License-Identifier: Apache-2.0
 *
 * fold_state.h - what a fold remembers, private to measure.
 *
 * The invariant that makes a late record equal to the live one: each memory is either wiped by a
 * scan that says so by itself, or forgotten after a stated time (`lapse`), or journaled as a fact.
 * Nothing depends on *when the fold began*, once `fold_window_of` has passed. So no rule may count
 * phases from the start of the fold, and no episode may be kept alive by itself.
 */
#ifndef UPHOLE_FOLD_STATE_H
#define UPHOLE_FOLD_STATE_H

#include "uphole/measure.h"

#include "arrange.h"
#include "windows.h"

#define NEVER INT64_MIN
#define ERROR_RATIO_SCANS 100
#define DEGRADED_SCANS 20
#define LAPSE_MIN_MS (10 * 60 * 1000) /* a source not heard for longer begins anew */
#define STEP_LOOK_BACK_REFRESHES 8
#define CLOCK_STEP_MS 500
#define CLOCK_STEADY_MS (10 * 60 * 1000)
#define CLOCK_COMPARE_MS (15 * 60 * 1000) /* two scans further apart are not compared */

/* ---- the verdict of one scan about the gauge, from that scan alone ---- */

enum scan_kind {
    KIND_NONE = 0, /* nothing before: start of the run, lapse, other entry */
    KIND_LOST,     /* no answer at all */
    KIND_UNSEEN,   /* heard, but no gauge channel was among what came */
    KIND_STARTING, /* status says so, or is torn; or channels still hold zeros */
    KIND_SILENT,   /* status says silent or fault; or all channels at fault or marker */
    KIND_LIVE      /* data, and a status (where there is one) that says live */
};

/** Rate of change of one channel; a segment is a stretch of scans with one and the same value. */
struct step_series {
    bool is_active, is_solid, is_near, has_solid;
    int64_t first_boot, last_boot, solid_boot;
    double value, solid_value;
};

struct source_state {
    uint32_t plan_digest; /* for which `signature` was made */
    int64_t entry_from;
    uint64_t signature; /* of map and entry: other gauge, other memory */
    uint64_t scans;
    int64_t last_boot;
    /* line */
    uint64_t failed_low, failed_high; /* bit 0: newest scan; 1: some read failed */
    uint8_t n_history;
    uint32_t fails_in_row;
    uint8_t line;
    int64_t line_since_utc, first_fail_utc;
    /* gauge stage */
    uint8_t kind;  /* of the scan before */
    uint8_t stage; /* enum gauge_state as shown */
    int64_t stage_since_utc;
    int64_t episode_boot, episode_utc; /* newest start of `starting`; NEVER */
    int64_t live_boot;                 /* first scan of this stretch of KIND_LIVE */
    bool is_agreed;
    bool shows_start; /* the newest scan, by its own words; judges nothing here */
    /* refresh counter */
    bool has_counter;
    uint32_t counter;
    int64_t counter_boot;        /* scan that read it last */
    int64_t counter_since_boot;  /* first scan that read this value */
    int64_t counter_before_boot; /* last scan that read the value before; NEVER */
    /* freeze */
    int64_t frame_boot, frame_since_boot;
    uint16_t n_frame;
    uint16_t frame[SCAN_WORDS_MAX];
};

struct point_state {
    bool has_record;
    uint8_t record_quality, record_worst; /* of the newest record */
    int64_t record_end_boot;              /* end of that scan */
    uint8_t live_quality, live_worst;     /* of the newest scan that was answered for this point */
    uint8_t source;
    double record_value, last_value;
    int64_t record_fresh, last_fresh; /* instant of age zero */
};

struct point_facts {
    int64_t good_boot, good_utc; /* FACT_SEEN_GOOD; NEVER */
    int64_t noticed_utc;         /* FACT_FITTED_NOTICE; NEVER */
};

struct clock_memory {
    bool has_stamp;
    int64_t utc_ms, boot_ms;
    int64_t step_boot; /* NEVER */
};

/* ---- rates of change: bins of boot time, so that no phase depends on where a fold began ---- */

#define RATE_BINS 20     /* the window, in refreshes (or polls, where those are rarer) */
#define RATE_NEEDS 10    /* bins with data, else too_few */
#define RATE_HOLES_MAX 2 /* empty bins in a row; more is a gap */
#define RATE_SERIES 2

struct rate_bin {
    int64_t index; /* boot_ms / step_ms */
    uint32_t n;    /* 0: empty */
    uint8_t worst; /* quality of the worst sample */
    int64_t sum_ms /* after the bin's begin */;
    double first, sum /* of what samples lie above the first: equal samples give an exact mean */;
};
struct rate_series {
    uint16_t point;
    uint8_t source;
    int64_t step_ms, newest;
    struct rate_bin bin[RATE_BINS];
};

enum pump_state { PUMP_UNKNOWN = 0, PUMP_STOPPED, PUMP_RUNNING };

/** What the scans say about the pump; the start itself is a fact. */
struct pump_memory {
    uint8_t source, known; /* enum pump_state of the newest scan that told */
    bool is_new;           /* another drive, or map: what was known no longer counts */
    int64_t seen_boot, known_boot;
};
struct pump_start {
    int64_t boot_ms; /* NEVER */
    bool is_seen;    /* stopped before it; else only: it ran when it was first heard */
};

/** What the unit setting of a source was changed to, of its pressures or its temperatures. */
enum unit_group { UNIT_GROUP_PRESSURE = 0, UNIT_GROUP_TEMPERATURE, UNIT_GROUPS };
#define UNIT_HELD_MAX 16 /* what a late fold loads; UNIT_OFTEN of them at most lie in a window */
#define UNIT_OFTEN 8     /* changes in one window: a setting that changes so often is doubted while it does */
struct unit_held {
    uint8_t change;     /* enum unit_change */
    uint64_t signature; /* of the map and entry for which that is so, 48 bits */
    uint64_t run;       /* in which it stands as a fact; 0: to be made again */
    int64_t boot_ms;    /* of that fact's scan */
    uint8_t turn;       /* of that fact's kind */
};
struct unit_memory {
    uint8_t n;
    struct unit_held held[UNIT_HELD_MAX]; /* oldest first; of one run, and before it the newest of an earlier one */
};
struct unit_step {
    bool is_stepping;
    uint8_t to;
    int64_t boot_ms;
};

/** What the unit-setting registers of a source hold. */
struct setting_memory {
    struct {
        bool has;
        uint16_t word;
        int64_t boot_ms;
    } newest[UNIT_REGISTERS_MAX]; /* of this run, while it counts */
    struct {
        uint64_t run; /* 0: none */
        uint16_t word;
    } fact[UNIT_REGISTERS_MAX];
};
/** A governed channel's number when its setting was last known. */
struct setting_number {
    uint8_t meaning; /* that it is taken to be in, from 1; 0: none */
    uint8_t by;      /* by which it was decoded: the register's */
    bool is_step;    /* it stepped, and the register did not */
    double number;
    int64_t boot_ms, since_boot_ms; /* since: `meaning` is so */
};

/** What a person confirmed of a point's unit, and what ended it. */
#define CONFIRM_HELD_MAX 8 /* what a late fold loads; a window holds one less */
#define CONFIRM_POINTS_MAX 32
struct confirm_held {
    uint64_t value; /* state and tie, as the fact bears them */
    uint64_t run;   /* in which it stands as a fact; 0: to be made again */
    int64_t boot_ms, utc_ms; /* from when on */
    uint8_t turn;            /* of the fact's kind */
};
struct confirm_memory {
    uint16_t point;
    uint8_t source, n;
    struct confirm_held held[CONFIRM_HELD_MAX]; /* oldest first; all of one run */
};

struct fold {
    uint64_t run; /* of the scans; 0 before the first */
    uint64_t seq;
    uint64_t fact_run;
    struct stamp newest;
    struct clock_memory clock;
    struct source_state source[SOURCE_KINDS];
    int64_t agreed_fact[SOURCE_KINDS];
    struct point_state point[POINT_COUNT];
    struct point_facts facts[POINT_COUNT];
    struct step_series step[POINT_COUNT];
    struct rate_series rate[RATE_SERIES];
    struct pump_memory pump;
    struct pump_start start;
    struct unit_memory unit[SOURCE_KINDS][UNIT_GROUPS];
    struct unit_step unit_step[POINT_COUNT];
    struct setting_memory setting[SOURCE_KINDS];
    struct setting_number setting_number[POINT_COUNT];
    struct confirm_memory confirm[CONFIRM_POINTS_MAX];
    uint8_t n_confirm;
    uint8_t confirm_place[POINT_COUNT]; /* in confirm, from 1; 0: none */
    struct windows windows;
    struct arrangement arranged; /* no memory of scans: it follows from the plan alone */
};

/* ---- one scan on its way through ---- */

/** What the wire said about a channel in this scan. */
enum looked_at {
    LOOKED_DATA = 1,
    LOOKED_NOT_ASKED, /* no block of this scan touches it */
    LOOKED_NO_ANSWER, /* its block stayed without a valid answer, or came in part */
    LOOKED_EXCEPTION
};
struct looked {
    uint8_t at; /* enum looked_at */
    bool has_marker, has_fault, is_zero, is_sensor, at_limit;
    uint8_t verdict; /* of decode_value */
    uint16_t bit;    /* coils: the one bit as a word */
    const uint16_t *words;
    double number; /* in the registers, before scale and unit */
    double value;
};
/** What the register says in this scan, of one kind of quantity. */
struct setting_now {
    uint8_t state;   /* enum setting_state */
    uint8_t meaning; /* index; where it is known */
};
struct scan_context {
    const struct plan *plan;
    const struct well_plan *well;
    const struct source_entry *entry;
    const struct map *map;
    const struct scan *scan;
    const struct arranged_source *arranged; /* of its source at its time, */
    const struct well_setting *setting;     /* and of the well */
    bool is_heard, has_gap /* some read failed */, has_sensors, clock_unsure;
    int64_t begun, end; /* boot ms */
    int64_t lapse_ms, round_ms, starting_ms, still_ms;
    uint8_t gauge_quality; /* 192, 14 or 4 */
    bool is_frozen;
    int64_t fresh; /* instant of age zero of this scan's data */
    bool is_confirmed[POINT_COUNT]; /* by a person; beside the entry's confirmed_units */
    bool present[POINT_COUNT];
    /* What follows is there for the map's channels, and for points that are present, alone: wiping
     * all of it takes longer than filling what there is. */
    struct looked looked[MAP_CHANNELS_MAX];
    struct setting_now unit_now[UNIT_SETTINGS_MAX];
    unit_number unit[MAP_CHANNELS_MAX]; /* of its numbers in this scan */
    struct reading reading[POINT_COUNT];
};

/* decode.c */
bool channel_has_marker(const struct channel *channel, const uint16_t *words);
bool channel_has_fault(const struct channel *channel, const uint16_t *words);
bool channel_is_at_type_limit(const struct channel *channel, const struct decoded *decoded);
/** As decode_channel, without looking for markers and faults. */
void decode_value(const struct channel *channel, const uint16_t *words, struct decoded *out);

/* look.c */
/** Words of `n` registers (or one bit) in the scan; `last` takes the last block that touches them,
 * else the first that holds them. */
enum looked_at look_at(const struct scan *scan, uint8_t table, uint16_t address, uint16_t n,
                       bool last, const uint16_t **words, uint16_t *bit);
void look_at_channels(struct fold *fold, struct scan_context *context);
/** What map and entry say of the channels by themselves. */
void look_at_map(const struct map *map, const struct source_entry *entry,
                 struct arranged_source *into);
bool channel_of_gauge(
    const struct channel *channel); /* silent when the gauge is: a measured point of the gauge */

/* gauge.c */
enum scan_kind gauge_kind(const struct scan_context *context);
/** The unit says that it is starting, or its channels hold nothing but zeros. A status that can't
 * be known shows nothing. */
bool gauge_shows_start(const struct scan_context *context);
/** Steps the gauge stage; sets gauge_quality, is_frozen and fresh of the context. */
void gauge_step(struct source_state *state, struct scan_context *context);
bool gauge_is_counted(const struct map *map); /* a refresh counter decides */
bool gauge_may_be_live(const struct map *map);

/* judge.c */
/** Takes a value; true: plausible by its rate. `gap_ms` is the refresh, `look_back_ms` how long a
 * confirmed value counts. */
bool step_take(struct step_series *series, double value, int64_t boot_ms, double max_rate_per_s,
               int64_t refresh_ms, int64_t look_back_ms);
/** True: the time stamp can't be trusted (68). */
bool clock_take(struct clock_memory *memory, const struct stamp *stamp);
void judge_channels(struct fold *fold, struct scan_context *context, struct fact *facts,
                    size_t *n_facts);
/** A reading with quality and value brought into line: no value where the quality sends none. */
struct reading reading_of(unsigned point, uint8_t quality, uint8_t worst, double value,
                          double age_s);
bool fact_push(struct fact *facts, size_t *n_facts, const struct scan *scan, unsigned point,
               uint8_t kind, double value);

/* unit_watch.c */
/** Doubts units: 65 where physics or a step by a known ratio says that a channel is not in the unit of its map. */
void judge_units(struct fold *fold, struct scan_context *context, struct fact *facts, size_t *n_facts);
void unit_load_fact(struct fold *fold, const struct fact *fact);
/** Keeps the newest alone, to be made a fact again. */
void unit_forget_run(struct unit_memory *memory);
/**
 * Makes room for a row at place `at` of `n` rows in the order of time, oldest first; where `most`
 * stand there the oldest goes. Returns the row's place (its content is the caller's to write), or
 * -1: it is older than all that fit.
 */
int unit_make_room(void *rows, size_t row_size, uint8_t *n, unsigned most, unsigned at);

/* unit_setting.c */
/** What the unit-setting registers say; `trusted`: what is in this scan counts, else only what the
 * newest scan of before said. Sets setting and unit of the context. */
void setting_look(const struct fold *fold, struct scan_context *context, bool trusted);
/** The channel's number in the point's unit, by the setting. */
double setting_value(const struct scan_context *context, unsigned index, double number);
/** Remembers what stands in this scan; a fact where it changed. Without trust the governed values
 * are made anew by what was said before. */
void setting_take(struct fold *fold, struct scan_context *context, struct fact *facts,
                  size_t *n_facts);
void setting_load_fact(struct fold *fold, const struct fact *fact);
void setting_forget_source(struct fold *fold, uint8_t source);
/** The setting that a channel follows in this scan, or NULL. */
const struct setting_now *setting_of_channel(const struct scan_context *context,
                                             const struct channel *channel);

/* unit_confirm.c */
/** What is confirmed in this scan; makes facts of what ends, and once a run of what goes on. */
void confirm_scan(struct fold *fold, struct scan_context *context, struct fact *facts,
                  size_t *n_facts);
void confirm_load_fact(struct fold *fold, const struct fact *fact);
/** Keeps the newest of each point alone, to be made a fact again. */
void confirm_forget_run(struct fold *fold);
bool confirm_holds(const struct fold *fold, unsigned point);

/* fold.c */
/** An input of another source: its newest record, as old as it is now; forgotten after a lapse. What
 * the map says of it is input_describe's. */
struct input input_of_fold(const struct fold *fold, const struct scan_context *context,
                           unsigned point, uint8_t source);

/* window.c */
int64_t lapse_of(const struct source_entry *entry);
int64_t round_of(const struct plan *plan, const struct source_entry *entry);
int64_t starting_of(const struct plan *plan, const struct source_entry *entry);
int64_t
still_of(const struct source_entry *entry); /* a counter that stands still for longer: silent */
int64_t freeze_of(const struct source_entry *entry);
int64_t step_look_back_of(const struct source_entry *entry);
/** Of what gives the numbers their units: the entry's date and unit, the map's channels. 48 bits. */
uint64_t units_signature_of(const struct plan *plan, const struct source_entry *entry);
uint64_t signature_of(const struct plan *plan, const struct source_entry *entry);
/** Mixing of such signatures. */
uint64_t signature_mix(uint64_t hash, uint64_t value);
uint64_t signature_mix_text(uint64_t hash, const char *text);
uint64_t signature_mix_channel(uint64_t hash, const struct channel *channel);
const struct source_entry *entry_at(const struct plan *plan, const struct well_plan *well,
                                    uint8_t source, int64_t utc_ms);

/** How long the state of the pump counts without being heard; what stood still for longer may have
 * started unseen. */
int64_t pump_lapse_of(const struct plan *plan, const struct source_entry *entry);
int64_t rate_step_of(const struct source_entry *entry);

/* derive.c */
struct input {
    bool is_mapped;
    uint16_t point;
    uint8_t quality;
    double value;
    int64_t fresh;     /* instant of age zero */
    uint8_t reference; /* of pressures */
    uint8_t detector;  /* of vibrations: enum detector */
    uint8_t side;      /* of the step-up transformer: enum side */
};
enum side { SIDE_UNKNOWN = 0, SIDE_OF_MOTOR, SIDE_OF_DRIVE };
enum detector { DETECTOR_UNKNOWN = 0, DETECTOR_RMS, DETECTOR_PEAK };
enum derived_how {
    HOW_FORMULA = 0,
    HOW_RATE,
    HOW_RUN_TIME,
    HOW_MEAN, /* this and all below look back over windows: derive_window.c */
    HOW_LOW,
    HOW_HIGH,
    HOW_DEVIATION,
    HOW_COVERAGE,
    HOW_SLOPE,
    HOW_TIME_TO_LIMIT,
    HOW_DAILY_CHANGE
};

size_t derived_count(void);
unsigned derived_point(size_t index);
enum derived_how derived_how(size_t index);
/** The source whose records carry it: the first that maps a required input; SOURCE_NONE where one
 * is mapped nowhere, or the point itself is mapped. */
uint8_t derived_source(size_t index, const struct plan *plan, const struct well_plan *well,
                       int64_t utc_ms);
/** Points of its inputs, the required ones first; an optional one may be unmapped. */
size_t derived_inputs(size_t index, const struct plan *plan, const struct well_plan *well,
                      int64_t utc_ms, uint16_t points[INPUTS_MAX]);
/** Fills what the map says of an input; NULL: not mapped. */
void input_describe(struct input *input, unsigned point, const struct channel *channel);
/** A formula's reading; for what needs more than one scan (derived_how) only the quality that the
 * inputs leave, with 0 for a value. fresh: of the oldest required input. */
struct reading derive(size_t index, const struct input *inputs, const struct well_setting *setting,
                      int64_t *fresh);
const struct channel *well_channel(const struct plan *plan, const struct well_plan *well,
                                   unsigned point, int64_t utc_ms, uint8_t *source);

/* derive_uncertainty.c */
/** Beside the record's values, where a destination asks for it; once the fold remembers them. */
void note_uncertainties(const struct fold *fold, const struct plan *plan,
                        const struct well_plan *well, struct record *out);

/* derive_window.c */
/** Whose windows a row reads; -1: none. */
int derived_quantity(size_t index);
/** Brings what the scan says of this row's quantity into its window, once a scan and quantity. */
void derived_window_take(struct fold *fold, const struct scan_context *context, size_t index,
                         const struct input *input, struct fact *facts, size_t *n_facts);
/** Value and quality of a window at this scan. */
uint8_t derived_window(struct fold *fold, const struct scan_context *context, size_t index,
                       const struct input *input, const struct well_setting *setting,
                       double *value);

/* well_rate.c */
void rate_take(struct rate_series *series, unsigned point, uint8_t source, int64_t step_ms,
               int64_t boot_ms, uint8_t quality, double value);
/** Change a second; the quality is 192, 69, 11 or 12. */
uint8_t rate_of(const struct rate_series *series, double *per_s);

/* well_pump.c */
enum pump_state pump_state_of(unsigned point, uint8_t quality, double value);
/** Notes the pump's state, and a start as a fact. */
void pump_take(struct fold *fold, const struct scan_context *context, enum pump_state state,
               struct fact *facts, size_t *n_facts);
/** Hours since the start at the end of the scan; 192, 74 (it ran before it was first heard), 10 or
 * 7. */
uint8_t pump_run_time(const struct fold *fold, const struct scan_context *context,
                      enum pump_state state, double *hours);

#endif
