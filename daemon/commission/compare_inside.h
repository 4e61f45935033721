/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_inside.h - what may be wrong, one row each, and what Uphole would show if it were put right; private to commission (pure).
 */
#ifndef UPHOLE_COMMISSION_COMPARE_INSIDE_H
#define UPHOLE_COMMISSION_COMPARE_INSIDE_H

#include "uphole/compare.h"

#include "uphole/measure.h"

#define OTHERS_MAX 288
#define ROUNDED_FACTOR 0.0003 /* 14.5 for 14.504, 6.895 for 6.894757: of the value; common practice, no source */
#define COMPARE_SURE_PERCENT 90 /* share from which one cause is named without more */

/** One thing that may be instead of what the map says. What Uphole would show then is (value read so - offset) / ratio. */
struct other {
    uint8_t kind; /* enum compare_kind */
    double weight; /* how common, against 1 of "as the map says"; common practice, no source */
    double ratio, offset;
    double slack;  /* what it leaves open by itself, half width, in the point's unit */
    const struct channel *channel; /* whose registers are read */
    const struct map *map;         /* BY_CHANNEL: its map, whose unit-setting register counts; else NULL */
    int shift;                     /* moved by so many */
    uint8_t type, words, bytes;    /* read so */
    unit_number holds;             /* BY_UNIT: the unit */
    uint8_t change;                /* BY_TWICE: enum unit_change */
    int power;                     /* BY_TEN, BY_UNIT: of ten */
    bool holds_gauge;              /* BY_REFERENCE */
    int64_t at_ms;                 /* BY_TIME: the scan's */
};

/** What is held against the screen: all in the point's unit. */
struct beside {
    const struct compare_question *question;
    const struct screen_value *value;
    const struct point *point;
    double screen, step;    /* brought to the reference that the map states */
    double slack;           /* of that */
    double count;           /* one count of the registers */
    int64_t from_ms, to_ms; /* scans around the instant */
    unsigned n_around;      /* that hold words of the channel */
};

/** A map that multiplies by ten where its document's "x10" means that the register holds ten times the value: a hundred times too much. */
bool compare_is_trap(const struct channel *channel, int power);
/** Atmosphere, kPa, and how far it may be off: stated, or what it is from sea level to 2,000 m. */
double compare_atmosphere(const struct compare_question *question, double *slack);
/** Words of `n` registers of a scan; false where they were not read. */
bool compare_words_at(const struct scan *scan, uint8_t table, int first, unsigned n, uint16_t *words);
/** What Uphole would show of one scan if `other` were put right; NaN where it can't be read. */
double other_value(const struct other *other, const struct scan *scan);
/** The screen shows a marker's value, in whatever unit; or nothing, while the register's number is a marker's. */
bool compare_shows_marker(const struct beside *beside, double uphole);
/** Everything that is known to go wrong, for this channel. */
unsigned others_make(const struct beside *beside, struct other into[static OTHERS_MAX]);

/** Appends; what is over the room is cut. */
__attribute__((format(printf, 3, 4))) void compare_append(char *into, size_t room, const char *format, ...);
#define SAY(into, ...) compare_append((into), sizeof(into), __VA_ARGS__)

/** Fills name and sentence. */
void other_in_words(const struct beside *beside, const struct other *other, struct compare_cause *into);
/** Fills working, sentence and checks of the result; `others` are those of its causes. */
void compare_in_words(const struct beside *beside, const struct other *others, struct compare_result *result);

#endif
