/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_changes.c - what a register may hold instead of what its map says, as straight lines.
 *
 * A register that holds unit A under a map that says B is published as B: both lines come from the
 * one table of units, so no factor stands here twice. Only what is not a unit (a conversion done
 * twice, a decimal point) has a factor of its own.
 */
#include "uphole/unit_doubt.h"

#include <math.h>
#include <string.h>

enum how { HOW_UNIT = 1, HOW_TIMES, HOW_AGAIN };

static const struct change_row {
    const char *name;
    uint8_t kind; /* enum quantity */
    uint8_t how;
    const char *unit;  /* HOW_UNIT: what the register holds; HOW_AGAIN: converted to it once more */
    const char *from;  /* HOW_TIMES: `power` times from this unit ... */
    const char *to;    /* ... to that one, too often; NULL: a decimal point */
    int power;         /* of the factor from/to, or of ten */
    const char *among; /* the map's units for which it makes sense; NULL: all of the kind */
} CHANGES[UNIT_CHANGES] = {
    [UNIT_AS_CONFIGURED] = {.name = "as configured"},
    [UNIT_HOLDS_KPA] = {"kPa", QUANTITY_PRESSURE, HOW_UNIT, "kPa", 0, 0, 0, 0},
    [UNIT_HOLDS_PSI] = {"psi", QUANTITY_PRESSURE, HOW_UNIT, "psi", 0, 0, 0, 0},
    [UNIT_HOLDS_BAR] = {"bar", QUANTITY_PRESSURE, HOW_UNIT, "bar", 0, 0, 0, 0},
    [UNIT_HOLDS_MPA] = {"MPa", QUANTITY_PRESSURE, HOW_UNIT, "MPa", 0, 0, 0, 0},
    [UNIT_HOLDS_KGF_CM2] = {"kgf/cm2", QUANTITY_PRESSURE, HOW_UNIT, "kgf/cm2", 0, 0, 0, 0},
    [UNIT_PSI_TWICE] = {"psi to kPa, converted twice too often", QUANTITY_PRESSURE, HOW_TIMES, 0,
                        "psi", "kPa", 2, "psi kPa"},
    [UNIT_PSI_TWICE_DOWN] = {"kPa to psi, converted twice too often", QUANTITY_PRESSURE, HOW_TIMES,
                             0, "psi", "kPa", -2, "psi kPa"},
    [UNIT_MPA_TWICE] = {"MPa to psi, converted twice", QUANTITY_PRESSURE, HOW_TIMES, 0, "MPa",
                        "psi", 1, "psi"},
    [UNIT_PRESSURE_TENFOLD] = {"ten times the value", QUANTITY_PRESSURE, HOW_TIMES, 0, 0, 0, 1, 0},
    [UNIT_PRESSURE_TENTH] = {"a tenth of the value", QUANTITY_PRESSURE, HOW_TIMES, 0, 0, 0, -1, 0},
    [UNIT_HOLDS_DEGC] = {"degC", QUANTITY_TEMPERATURE, HOW_UNIT, "degC", 0, 0, 0, 0},
    [UNIT_HOLDS_DEGF] = {"degF", QUANTITY_TEMPERATURE, HOW_UNIT, "degF", 0, 0, 0, 0},
    [UNIT_HOLDS_K] = {"K", QUANTITY_TEMPERATURE, HOW_UNIT, "K", 0, 0, 0, 0},
    [UNIT_DEGF_TWICE] = {"degC to degF, converted twice", QUANTITY_TEMPERATURE, HOW_AGAIN, "degF",
                         0, 0, 0, 0},
    [UNIT_TEMPERATURE_TENFOLD] = {"ten times the value", QUANTITY_TEMPERATURE, HOW_TIMES, 0, 0, 0,
                                  1, "degC degF"},
    [UNIT_TEMPERATURE_TENTH] = {"a tenth of the value", QUANTITY_TEMPERATURE, HOW_TIMES, 0, 0, 0,
                                -1, "degC degF"},
    [UNIT_HOLDS_G] = {"g", QUANTITY_ACCELERATION, HOW_UNIT, "g", 0, 0, 0, 0},
    [UNIT_HOLDS_M_S2] = {"m/s2", QUANTITY_ACCELERATION, HOW_UNIT, "m/s2", 0, 0, 0, 0},
};

const char *unit_change_name(uint8_t change)
{
    return change < UNIT_CHANGES ? CHANGES[change].name : "";
}

static unit_number named(const char *name, uint8_t kind)
{
    return unit_find(name, strlen(name), (enum quantity)kind);
}

/** `name` is one of the words of `among`. */
static bool is_among(const char *among, const char *name)
{
    size_t n = strlen(name);
    for (const char *at = among; at != 0 && *at != '\0';) {
        size_t length = strcspn(at, " ");
        if (length == n && memcmp(at, name, n) == 0)
            return true;
        at += length;
        at += strspn(at, " ");
    }
    return among == 0;
}

/** What a map that says `unit` makes of the number `x` in the register, and back. */
static double inside_of(const struct unit *unit, double x)
{
    return (x * unit->numerator + unit->addend) / unit->denominator;
}
static double number_of(const struct unit *unit, double inside)
{
    return (inside * unit->denominator - unit->addend) / unit->numerator;
}

static double factor_of(const struct change_row *row)
{
    double one = row->from != 0
                     ? unit_convert(1.0, named(row->from, row->kind), named(row->to, row->kind))
                     : 10.0;
    return pow(one, row->power);
}

bool unit_change_line(uint8_t change, unit_number unit, double *ratio, double *offset)
{
    const struct unit *says = unit_get(unit);
    if (change == UNIT_AS_CONFIGURED) {
        *ratio = 1.0, *offset = 0.0;
        return unit != 0;
    }
    if (change >= UNIT_CHANGES || CHANGES[change].kind != says->kind ||
        !is_among(CHANGES[change].among, says->name))
        return false;
    const struct change_row *row = &CHANGES[change];
    if (row->how == HOW_TIMES) {
        /* The register's number is wrong, so where the map adds (degF) it is the number that is
         * multiplied. */
        double factor = factor_of(row), zero = inside_of(says, 0.0);
        *ratio = factor;
        *offset = zero * (1.0 - factor);
        return true;
    }
    const struct unit *holds = unit_get(named(row->unit, row->kind));
    if (row->how == HOW_UNIT && holds == says)
        return false;
    double at[2];
    for (unsigned i = 0; i < 2; i++) {
        double x = number_of(holds, (double)i);
        if (row->how == HOW_AGAIN) /* taken for the unit inside, and converted once more */
            x = number_of(holds, x);
        at[i] = inside_of(says, x);
    }
    *ratio = at[1] - at[0];
    *offset = at[0];
    return true;
}

double unit_change_undo(uint8_t change, unit_number unit, double published)
{
    double ratio, offset;
    return unit_change_line(change, unit, &ratio, &offset) ? (published - offset) / ratio : NAN;
}

enum unit_verdict unit_against_window(double published, unit_number unit, double low, double high,
                                      const uint8_t *among, uint8_t *change)
{
    bool fits = published >= low && published <= high;
    unsigned others = 0;
    *change = UNIT_AS_CONFIGURED;
    for (; *among != UNIT_AS_CONFIGURED; among++) {
        double value = unit_change_undo(*among, unit, published);
        if (!(value >= low && value <= high))
            continue;
        if (others++ == 0)
            *change = *among;
    }
    if (fits)
        return others > 0 ? UNIT_OPEN : UNIT_FITS;
    if (others == 0)
        return UNIT_NO_VERDICT;
    return others == 1 ? UNIT_DIFFERS : UNIT_DIFFERS_SOMEHOW;
}

/* ---- a step ---- */

#define STEP_NEAR 0.01 /* of the value that the change would give */
#define STEP_LEAST                                                                                 \
    5.0 /* times; psi to kPa is 6.9, the nearest pair that a process may not cross                 \
         */
#define STEP_LEAST_K 15.0

/** So far that a change of units may be the reason; what a process does in that time lies within.
 */
static bool is_far(double before, double after, uint8_t kind)
{
    if (kind == QUANTITY_TEMPERATURE)
        return fabs(after - before) >= STEP_LEAST_K;
    double times = after / before;
    return before > 0.0 && after > 0.0 && (times >= STEP_LEAST || times <= 1.0 / STEP_LEAST);
}

uint8_t unit_step_of(double before, double after, unit_number unit, uint8_t held, bool *back)
{
    uint8_t kind = (uint8_t)unit_get(unit)->kind, found = UNIT_AS_CONFIGURED;
    *back = false;
    if (kind != QUANTITY_PRESSURE && kind != QUANTITY_TEMPERATURE)
        return UNIT_AS_CONFIGURED; /* a vibration may do anything when a pump starts */
    if (!is_far(before, after, kind))
        return UNIT_AS_CONFIGURED;
    double truth = unit_change_undo(held, unit, before), nearest = INFINITY;
    for (uint8_t change = 0; change < UNIT_CHANGES; change++) {
        double ratio, offset;
        if (change == held || !unit_change_line(change, unit, &ratio, &offset))
            continue;
        double meant = truth * ratio + offset;
        double off = fabs(after - meant) / (fabs(meant) + 1e-9);
        if (fabs(after - meant) <= STEP_NEAR * fabs(meant) && off < nearest) {
            nearest = off;
            found = change;
            *back = change == UNIT_AS_CONFIGURED;
        }
    }
    return found;
}
