/* SPDX-License-Identifier: Apache-2.0
 *
 * compare.h - what the surface unit's own screen says beside what Uphole makes of the registers: the same, or which mistake is it? Pure.
 *
 * Each thing that may be wrong (a unit, a conversion, a scale, a reference, an order of words, an address) is undone, and what Uphole would show then is
 * held against the screen. What fits within the screen's digits, a count of the registers and the movement around the instant is weighed by how common
 * it is and how little chance there was that it fits; where two fit, both are said. The screen is believed: whether it is right, it can't tell.
 */
#ifndef UPHOLE_COMPARE_H
#define UPHOLE_COMPARE_H

#include "uphole/plan.h"
#include "uphole/scan.h"

/* ---- what a person types ---- */

#define SCREEN_TEXT_MAX 64

/** "1790 psi", "87.4 C", "0,35 g", "104 barg"; or that the screen shows no value there. */
struct screen_value {
    bool is_blank;         /* dashes, "not fitted": no number */
    double number;         /* as typed */
    double step;           /* one of the last digit typed: "1790" 1, "0.350" 0.001 */
    unit_number unit;
    uint8_t reference;     /* enum pressure_reference, where it was typed ("psig", "bar absolute"); else NONE */
    char text[SCREEN_TEXT_MAX]; /* tidied: "1790 psi gauge", "no value" */
};
/**
 * Reads what was typed for `point`. The unit must be typed where the point has a dimension; case doesn't matter where it can't mislead. A decimal comma is
 * taken; a comma that may stand between thousands is refused. UP_E_INPUT with a sentence that says what to type.
 */
UP_MUST enum up_rc screen_value_from_text(const char *text, size_t length, unsigned point, struct screen_value *out, struct up_error *error);
/** In the point's own unit; NaN where it is blank. *half_step, *step in it too (each may be NULL). */
double screen_value_inside(const struct screen_value *value, unsigned point, double *step);
/** True where a screen's number can be compared: a point with a number, and a channel that holds one (no state, code or text). */
bool compare_takes(const struct channel *channel);

/* ---- what Uphole has ---- */

#define COMPARE_SCANS_MAX 32
/** Everything is borrowed. */
struct compare_question {
    const struct map *map;          /* of the channel's source */
    const struct channel *channel;
    uint32_t refresh_ms, poll_ms;
    double atmosphere_kpa;          /* stated for the well; NaN: not */
    uint8_t quality;                /* of the reading now; a reason for "no value" */
    int64_t instant_ms;             /* of the key press, CLOCK_BOOTTIME as the scans' */
    unsigned n_scans;               /* of this source, oldest first, those around the instant among them; at most COMPARE_SCANS_MAX */
    const struct scan *scan[COMPARE_SCANS_MAX];
};

/* ---- the verdict ---- */

enum compare_verdict {
    COMPARE_NOTHING = 0,
    COMPARE_SAME,        /* within the tolerance, and nothing else would look the same */
    COMPARE_SAME_OR,     /* within the tolerance, but so would `cause` be: more digits, or a higher value, would tell */
    COMPARE_CAUSE,       /* different, and one cause explains it */
    COMPARE_CAUSES,      /* different, and several causes explain it: only the checks tell */
    COMPARE_DIFFERENT,   /* different, cause not recognised */
    COMPARE_MARKER,      /* what both or one of them show is the "not fitted" value, perhaps in another unit */
    COMPARE_NOT_FITTED,  /* neither shows a value */
    COMPARE_NO_VALUE     /* nothing to compare: Uphole has no value */
};
const char *compare_verdict_name(uint8_t verdict); /* "same", "same_or", "cause", ... */

enum compare_kind {
    COMPARE_BY_UNIT = 1,  /* the register holds another unit than the map says */
    COMPARE_BY_TWICE,     /* converted once too often */
    COMPARE_BY_TEN,       /* decimal point */
    COMPARE_BY_REFERENCE, /* gauge or absolute */
    COMPARE_BY_ORDER,     /* order of words or bytes, or the sign */
    COMPARE_BY_NEIGHBOUR, /* a register beside it */
    COMPARE_BY_CHANNEL,   /* the value of another channel */
    COMPARE_BY_TIME       /* of an earlier or later scan: the screen stands still, or was read at another time */
};
const char *compare_kind_name(uint8_t kind); /* "unit", "twice", "ten", ... */

#define COMPARE_CAUSES_MAX 4
#define COMPARE_CHECKS_MAX 3
struct compare_cause {
    uint8_t kind;         /* enum compare_kind */
    unsigned percent;     /* of the likelihood among what is known here; never 100 */
    double ratio, offset; /* published = true x ratio + offset, in the point's unit; NaN where it is no line */
    char name[80];        /* "psi, map says kPa" */
    char sentence[280];   /* "The register holds psi, and the map says kPa." */
};
struct compare_result {
    uint8_t verdict;      /* enum compare_verdict */
    bool can_confirm;     /* the same, and no other unit would look alike */
    double screen, uphole, difference, tolerance; /* in the point's unit; uphole at the instant; NaN where there is none */
    double ratio;         /* uphole / screen; NaN for temperatures, and where it says nothing */
    unsigned n_causes, n_checks;
    struct compare_cause cause[COMPARE_CAUSES_MAX]; /* likeliest first */
    char working[400];    /* "1790 psi x 6.894757 = 12341.6 kPa; Uphole shows 12341 kPa: ..." */
    char sentence[400];   /* the verdict in words */
    char check[COMPARE_CHECKS_MAX][200]; /* cheapest first */
};
/** Compares. `value` is what was typed for the channel's point. */
void compare_judge(const struct compare_question *question, const struct screen_value *value, struct compare_result *out);
/** True where nothing is gained by waiting for a scan later than the instant. */
bool compare_is_settled(const struct compare_question *question, const struct compare_result *result);

#endif
