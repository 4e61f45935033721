/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_doubt.h - is a channel in the unit that its map says? From physics and from ratios alone; pure, no memory, no allocation.
 *
 * A number with a wrong unit is wrong but plausible, the worst that such a program can publish. What is judged here never changes a value: the raw
 * number is published as configured, with 65 where there is doubt. Where physics doesn't decide, it says so; the screen of the surface unit does.
 */
#ifndef UPHOLE_UNIT_DOUBT_H
#define UPHOLE_UNIT_DOUBT_H

#include "uphole/quantity.h"

/** What a register may hold instead of what its map says. Journaled (in facts): codes only grow. */
enum unit_change {
    UNIT_AS_CONFIGURED = 0,
    UNIT_HOLDS_KPA, UNIT_HOLDS_PSI, UNIT_HOLDS_BAR, UNIT_HOLDS_MPA, UNIT_HOLDS_KGF_CM2,
    UNIT_PSI_TWICE,        /* psi to kPa once too often in the surface unit, and once more by the map: 47.5 times too high */
    UNIT_PSI_TWICE_DOWN,   /* kPa to psi twice: 47.5 times too low */
    UNIT_MPA_TWICE,        /* MPa to psi twice: 145 times too high */
    UNIT_PRESSURE_TENFOLD, /* published ten times too high: "x10" that means divide */
    UNIT_PRESSURE_TENTH,
    UNIT_HOLDS_DEGC, UNIT_HOLDS_DEGF, UNIT_HOLDS_K,
    UNIT_DEGF_TWICE,       /* degC to degF twice */
    UNIT_TEMPERATURE_TENFOLD, UNIT_TEMPERATURE_TENTH,
    UNIT_HOLDS_G, UNIT_HOLDS_M_S2,
    UNIT_CHANGES
};

/** "psi", "degF, converted twice", "ten times the value", ... of UNIT_AS_CONFIGURED "as configured". */
const char *unit_change_name(uint8_t change);
/**
 * The number that is true if the register of a channel holds what `change` says while its map says `unit`: from what is published, both in the unit
 * inside the kind of `unit` (kPa, degC, m/s2). NaN where the change makes no sense for that unit: another kind, or the unit itself.
 * Factors: NIST SP 811 (2008) app. B.
 */
double unit_change_undo(uint8_t change, unit_number unit, double published);
/** published = true x ratio + offset. False as above. */
bool unit_change_line(uint8_t change, unit_number unit, double *ratio, double *offset);

/* ---- one number against one window: the plain test ---- */

enum unit_verdict {
    UNIT_NO_VERDICT = 0, /* fits nothing: the range's business, not the unit's */
    UNIT_FITS,           /* as configured, and as nothing else */
    UNIT_OPEN,           /* as configured and otherwise: only the surface unit's screen tells */
    UNIT_DIFFERS,        /* as one other thing, and not as configured */
    UNIT_DIFFERS_SOMEHOW /* not as configured; several others fit */
};
/** `published`, low and high in the unit inside; ends included. Looks at the changes `among` (ended by 0); *change receives the first that fits. */
enum unit_verdict unit_against_window(double published, unit_number unit, double low, double high, const uint8_t *among, uint8_t *change);

/* ---- a step between two refreshes ---- */

/**
 * The change that would make `before` into `after` (both as published) if the surface unit's setting went from one unit of the list to another
 * between them; UNIT_AS_CONFIGURED: a step of the process. Within 1 % of the ratio; a temperature must also move by at least 15 K. *back: the
 * change is the way back, to what the map says, of a channel that held `held` before (UNIT_AS_CONFIGURED: it was right).
 */
uint8_t unit_step_of(double before, double after, unit_number unit, uint8_t held, bool *back);

/* ---- all channels of a surface unit together, against the physics of the well ---- */

#define UNIT_CHANNELS_MAX 16

struct unit_channel {
    uint16_t point;
    unit_number unit;   /* that the map says */
    double value;       /* as published, unit inside; a pressure as its reference says */
    bool is_gauge_pressure;
    bool has_window;        /* the site states what can be (expected_range): believed beside the physics, as for a well hotter than most */
    double low, high;
};
/** NaN: not known. Nothing of this is taken from the channels under test. */
struct unit_well {
    double depth_m;              /* true vertical depth of the gauge */
    double casing_head_kpa, tubing_head_kpa; /* absolute, of another source */
    int running;                 /* 1 for so long that the tubing is full, 0 no, -1 not known, or just started */
};
struct unit_finding {
    uint16_t point;
    uint8_t verdict;  /* enum unit_verdict */
    uint8_t change;   /* the likeliest beside as configured; 0: none fits */
    double odds;      /* of `change` against as configured */
    double true_value;/* if `change` holds */
};
/**
 * Weighs what all registers of one surface unit may hold: everything as configured, one unit setting for all its pressures and temperatures, or one
 * channel alone. Windows of what a pumped well can be are wide on purpose (see docs/units.md); a channel that they can't judge is UNIT_OPEN.
 * `found` receives one row a channel, in their order. Returns true where at least one is UNIT_DIFFERS or UNIT_DIFFERS_SOMEHOW.
 */
bool unit_doubt(const struct unit_channel *channels, size_t n, const struct unit_well *well, struct unit_finding *found);
/** The same answer sooner where nothing is doubted; then `found` is not filled. */
bool unit_is_doubted(const struct unit_channel *channels, size_t n, const struct unit_well *well, struct unit_finding *found);

#endif
