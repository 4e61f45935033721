/* SPDX-License-Identifier: Apache-2.0
 *
 * measure.h - what does it mean, and can it be trusted? A pure fold over a well's scans: no I/O, no clock, no allocation.
 *
 * State is bounded: everything `measure_scan` says about a scan follows from the scans of the same run within `fold_window` before it,
 * and the facts of that run. So a backlog that starts one window early gives, from the first wanted scan on, the bytes that live delivery gave.
 */
#ifndef UPHOLE_MEASURE_H
#define UPHOLE_MEASURE_H

#include "uphole/plan.h"
#include "uphole/scan.h"
#include "uphole/unit_doubt.h"

#define MEASURE_VERSION 1u
#define MEASURE_FACTS_MAX 128
#define MEASURE_RATE_HOLDS_MS (INT64_C(31) * 86400000) /* of a stated liquid rate: a test a month; common practice, no source */

/* ---- the fold of one well ---- */

struct fold; /* plain bytes: may be copied with memcpy(fold_bytes()) */
size_t fold_bytes(void);
/** Fills `fold` with "nothing known yet". */
void fold_init(struct fold *fold);
/** As fold_init, with what a later plan or run must still doubt: that a surface unit's unit setting was changed. */
void fold_begin_anew(struct fold *fold);
/**
 * Takes a fact of the run whose scans follow (FACT_UNIT_STEPPED: of an earlier one too, which is then made again in the run that follows). Facts of another run are ignored when scans come. To be right at a wanted scan load all facts of
 * its run with a pos below that scan's, also those made within the window: a fold that began one window early can't find them all again. A fact
 * acts only on scans later than itself (FACT_UNIT_STEPPED and FACT_UNIT_CONFIRMED: from its boot_ms on, its own scan included; the latter come from
 * outside, so that a fold that goes on must be given them too). A run has at most 2 a point and 1 a source (more only where an entry's date passes), and 1 a start of the pump,
 * of which only the newest counts.
 */
void fold_load_fact(struct fold *fold, const struct fact *fact);

/** The newest scan of the gauge's source shows by its own words that the surface unit is starting: its status says so, or all is zero. */
bool fold_gauge_shows_start(const struct fold *fold);

/** How far before a wanted scan a fold must begin: the earlier of ms (same run) and scans a source. */
struct fold_window {
    int64_t ms;
    uint32_t scans;
};
struct fold_window fold_window_of(const struct plan *plan, const struct well_plan *well);

/**
 * Measures one scan with the entries of `plan` valid at its time. Scans of a well come in order of seq. `well` is that of `plan`.
 * out: all but pos, after_run, after_seq (which stay 0) and plan_digest (set from plan). Readings ascend by point number: the source's mapped
 * points, points 43 and 44 with the gauge's record (44 with the first source where there is no gauge), and derived points that this scan completes.
 * facts: receives at most MEASURE_FACTS_MAX new facts (pos 0); *n_facts their count. Never fails: what can't be judged is not Good.
 */
void measure_scan(struct fold *fold, const struct plan *plan, const struct well_plan *well,
                  const struct scan *scan, struct record *out, struct fact *facts, size_t *n_facts);

/**
 * The well as it stands at `now` when nothing more has arrived: stale, line down, starting overdue. Does not change the fold.
 * `run` is the running one: a fold without a scan of it gives 0 (no_data) everywhere. journaled false turns each value-bearing reading into 75.
 */
void measure_at(const struct fold *fold, const struct plan *plan, const struct well_plan *well,
                uint64_t run, const struct stamp *now, bool journaled, struct snapshot *out);

/* ---- units in doubt ---- */

#define UNIT_AS_MEANING 24 /* held: the numbers are still as meaning held - UNIT_AS_MEANING of the unit-setting register had them */
struct unit_doubt_now {
    struct unit_finding finding;
    double published; /* as it stands, in the point's unit */
    uint8_t held;     /* what the registers hold since a step by a known ratio (enum unit_change); 0: no such step */
    bool is_stated;   /* the site has confirmed this point's unit */
    unit_number unit; /* in which its numbers are taken: the map's, or that of the unit-setting register */
    uint8_t setting;  /* enum setting_state */
    double as_before; /* held of UNIT_AS_MEANING on: the value by that meaning */
};
#define UNIT_DOUBTS_MAX (3 * UNIT_CHANNELS_MAX)
/** What physics and steps say of each channel that has a value now, as judge_units would; of every source. Returns their number. */
size_t measure_units(const struct fold *fold, const struct plan *plan, const struct well_plan *well, const struct stamp *now,
                     struct unit_doubt_now into[static UNIT_DOUBTS_MAX]);

/* ---- a person's confirmation of a channel's unit ---- */

enum confirmed {
    CONFIRMED_NOT = 0, /* nobody has, as far as this fold knows */
    CONFIRMED_HOLDS,
    CONFIRMED_WITHDRAWN,    /* by a person */
    CONFIRMED_OTHER_SERIAL, /* ended since: another serial number, */
    CONFIRMED_OTHER_MAP,    /* the map says otherwise of this channel, */
    CONFIRMED_OTHER_SETTING /* the unit-setting register holds another word */
};
/** What a confirmation is tied to. Digests are short, so that one fact bears them all: a change goes unseen once in 65,000 (serial) or 130,000 (map). */
struct unit_tie {
    uint32_t channel;  /* of what the map says of the channel, and where it is asked; 17 bits */
    uint16_t serial;   /* of the surface unit's serial number; of the entry's date and unit id where none is known */
    bool has_setting;  /* the map names a unit-setting register */
    uint16_t setting;  /* its word, as far as it concerns this channel */
};
struct confirmation {
    uint8_t state; /* enum confirmed */
    struct unit_tie tie;
    int64_t since_utc_ms; /* of this state */
};
/** What a confirmation of `point` that compared this scan is tied to. False: the scan doesn't hold all words for that, or the point is not mapped. */
bool measure_unit_tie(const struct plan *plan, const struct well_plan *well, const struct scan *scan, unsigned point, struct unit_tie *tie);
/** The newest of a point; state CONFIRMED_NOT where there is none. */
void fold_confirmation(const struct fold *fold, unsigned point, struct confirmation *out);
/**
 * The fact by which a confirmation (or its withdrawal) holds for the scans of the source that come after `newest`, the source's newest one in this
 * run; pos stays 0. Load it once it is stored. False: the point was confirmed too often within one window, or too many points are.
 */
bool fold_confirm(const struct fold *fold, const struct plan *plan, const struct well_plan *well, const struct scan *newest, unsigned point,
                  uint8_t state, const struct unit_tie *tie, struct fact *out);
/** State and tie of a FACT_UNIT_CONFIRMED. */
void confirmation_of_fact(const struct fact *fact, struct confirmation *out);

/* ---- the unit-setting register ---- */

/** The word that a source's register `index` held when it was last read in this run, for as long as that counts. */
bool fold_unit_word(const struct fold *fold, uint8_t source, unsigned index, uint16_t *word);

/* ---- what the maps and the data of a well allow ---- */

enum lack_kind {
    LACKS_NOTHING = 0, /* worked out */
    LACKS_NOT_ASKED,   /* a map delivers the point itself */
    LACKS_POINT,       /* `input` is in no map, or stated as not fitted */
    LACKS_REFERENCE,   /* `beside` and `input` don't count from the same, or nobody knows from what */
    LACKS_ABSOLUTE,    /* `input` is not absolute, and no local_atmosphere is stated */
    LACKS_DATA         /* well_data lack `data` */
};
struct lack {
    uint16_t point, input, beside;
    uint8_t kind;  /* enum lack_kind; the first that holds, in their order */
    bool takes_atmosphere; /* LACKS_REFERENCE: a stated local_atmosphere would help */
    uint64_t data; /* bits for measure_datum_key */
    bool of_rate;  /* made of the well's stated liquid rate: it grows old */
    bool of_pump_rate; /* and of the oil's volume factor */
};
/** What a derived point lacks as of `utc_ms`; false past the last one (index 0 up, in the order of their numbers). Pure. */
bool measure_lacks(const struct plan *plan, const struct well_plan *well, int64_t utc_ms, size_t index, struct lack *out);
#define MEASURE_DENSITY_BIT 63u
/** Key of a bit of `data` in the configuration; "" for a bit that stands for none. MEASURE_DENSITY_BIT: the density. */
const char *measure_datum_key(unsigned bit);

/* ---- by hand: the same code, step by step (uphole decode) ---- */

enum decode_verdict { DECODE_VALUE = 1, DECODE_NOT_FITTED, DECODE_FAULT, DECODE_LIMITED, DECODE_UNDECODABLE };

struct decoded {
    uint8_t verdict;
    double number;        /* raw as a number, before scale: NaN for text or undecodable */
    double value;         /* in the point's unit (or `unit` of the channel where it has no point) */
    char text[2 * LABEL_MAX + 1]; /* TYPE_TEXT, or an enumeration's text */
};
/** Marker test on raw words, type and orders, scale and unit in one step. `words` are the channel's n_words registers as read. */
void decode_channel(const struct channel *channel, const uint16_t *words, struct decoded *out);
/** The same of a point's words in a scan, by the plan's entry of that time. False: the point is not mapped there, or the scan doesn't hold its words. */
bool measure_channel(const struct plan *plan, const struct well_plan *well, const struct scan *scan, unsigned point, struct decoded *out);
/** The unit that the unit-setting register of a map gives its channels. */
enum setting_state {
    SETTING_NONE = 0, /* the channel is always in the unit that the map states */
    SETTING_UNSEEN,   /* the register is not among what came */
    SETTING_UNKNOWN,  /* it holds a number that the map doesn't know */
    SETTING_KNOWN
};
/** The channel as this scan's own register has it: unit, scale and conversion of *out are those of the setting where it is known, else the map's. */
enum setting_state channel_as_set(const struct map *map, const struct channel *channel, const struct scan *scan, struct channel *out);
/** Words of the unit-setting register `index` in a scan. False: it is not there. */
bool unit_register_word(const struct map *map, const struct scan *scan, unsigned index, uint16_t *word);
/** Only type and orders: the number in the registers. False: undecodable (a BCD nibble above 9, a modulo pair above 9999, text). */
bool decode_number(enum register_type type, enum word_order words_order, enum byte_order bytes_order,
                   const uint16_t *words, double *number);
/** What the value moves by at least, in the point's unit: one count of the registers (|scale| of types that hold whole numbers, 0 of others), or the
 *  `resolution` of the map where that is coarser. */
double channel_resolution(const struct channel *channel);
/**
 * Standard uncertainty of a value in the point's unit: stated accuracy and resolution, both as rectangular distributions (JCGM 100:2008, 4.3.7
 * and F.2.2.1). *at_least: the map states no accuracy, so that it is the resolution's part alone. False: nothing is known, or the point is
 * a state or a count.
 */
bool channel_standard_uncertainty(const struct channel *channel, double *u, bool *at_least);
/**
 * The same of a derived point, from those of the channels that it is made of (JCGM 100:2008, 5.1.2: first order, uncorrelated); well data count as
 * exact. `values`: of each point number as it stands, NaN where there is none. *at_least: what is known of an input is only that. False: the point
 * is none of these, has no value, or nothing is known of any input.
 */
bool derived_standard_uncertainty(const struct plan *plan, const struct well_plan *well, int64_t utc_ms, unsigned point, const double *values,
                                  double *u, bool *at_least);
/** Range verdict of a value: 192, 66 or 6 (not finite: 6). A value at a range's end is inside. */
uint8_t range_quality(const struct channel *channel, double value);

/** What one decoded value says by itself: 2, 5, 6, 74, 66 or 192; what needs more scans, or the configuration, is not in it. */
uint8_t decoded_quality(const struct channel *channel, const struct decoded *decoded);

/** A float of the Modbus table as a scaled integer, half to even; false where it does not fit in 16 bits (then 0x8000 stands). */
bool scaled_s16(double value, double per_count, int16_t *out);

#endif
