/* SPDX-License-Identifier: Apache-2.0
 *
 * quality.c - the one table of quality codes, their order, and how the quality of a derived value
 * comes from its inputs. Pure.
 *
 * OPC UA codes: hex values of OPC 10000-6 annex A, meanings of OPC 10000-4 table "StatusCodes". The
 * class always survives; several of ours may share one of theirs. Where their list has no code for
 * the case, the nearest was chosen; the reason stands beside the row.
 */
#include "uphole/quality.h"

/* clang-format off */
static const struct quality_row ROWS[] = {
    {0,   "no_data", "nothing has been read since the start", false, false, 0x80320000, "BadWaitingForInitialData", 0},
    {1,   "not_mapped", "the map holds no register for it", false, false, 0x80890000, "BadConfigurationError", 0},
    {2,   "not_fitted", "the register holds the value for a sensor that is not fitted", false, false, 0x808A0000, "BadNotConnected", 0},
    {3,   "line_down", "the surface unit gives no valid answer", false, true, 0x80050000, "BadCommunicationError", 0},
    {4,   "gauge_silent", "the surface unit answers, the downhole gauge does not", false, true, 0x808B0000, "BadDeviceFailure", 0},
    {5,   "channel_fault", "the surface unit reports a fault of this channel", false, false, 0x808C0000, "BadSensorFailure", 0},
    {6,   "impossible", "outside what the instrument can measure, or not a number", false, false, 0x803C0000, "BadOutOfRange", 0},
    {7,   "input_bad", "derived, and an input is bad or missing", false, false, 0x80000000, "Bad", 0},
    /* A constant that nobody configured: a problem with the configuration of the item, as theirs says. */
    {8,   "not_configured", "derived, and a depth, density or other constant is not configured", false, false, 0x80890000, "BadConfigurationError", 0},
    /* Inputs that make the formula impossible: nearest is a value out of range. */
    {9,   "out_of_domain", "derived, and the inputs make the formula impossible", false, false, 0x803C0000, "BadOutOfRange", 0},
    /* The quantity exists only in another state of the pump; BadOutOfService would claim that the source is switched off. */
    {10,  "pump_stopped", "it exists only while the pump runs", false, false, 0x80AF0000, "BadInvalidState", 0},
    /* No data for the time range asked: too few refreshes in the window. */
    {11,  "too_few", "the window holds fewer refreshes than the rule needs", false, false, 0x809B0000, "BadNoData", 0},
    /* Data is missing because collection stopped, started or lost it: a gap. */
    {12,  "gap_in_window", "the window is empty or crosses too long a gap", false, false, 0x809D0000, "BadDataLost", 0},
    /* Theirs has no code for a calculation without a result that isn't a fault of the program (BadInternalError): plain Bad. */
    {13,  "no_solution", "the iteration did not converge", false, false, 0x80000000, "Bad", 0},
    /* Waiting for the data source after its start. */
    {14,  "starting", "the surface unit or gauge has just started and sends no data yet", false, false, 0x80320000, "BadWaitingForInitialData", 0},
    {64,  "stale", "older than its limit", true, true, 0x40900000, "UncertainLastUsableValue", 500},
    {65,  "unit_unconfirmed", "its unit is not confirmed, or looks converted twice", true, false, 0x420F0000, "UncertainConfigurationError", 0},
    {66,  "unusual", "outside the expected range, inside the instrument's", true, false, 0x40940000, "UncertainEngineeringUnitsExceeded", 0},
    {67,  "frozen", "the whole scan has not changed for longer than the freeze limit", true, false, 0x40900000, "UncertainLastUsableValue", 0},
    {68,  "clock_unsure", "the clock of the box was not to be trusted", true, false, 0x40000000, "Uncertain", 0},
    {69,  "input_unsure", "derived from an uncertain input or an unconfirmed setting", true, false, 0x40950000, "UncertainSubNormal", 0},
    {70,  "step_unconfirmed", "changed faster than its limit, not yet confirmed by a second refresh", true, false, 0x40000000, "Uncertain", 0},
    /* Their communication codes say that communication failed; here it succeeded beside foreign bytes: plain Uncertain. */
    {71,  "line_disturbed", "bytes that nobody asked for were on the line near this read", true, false, 0x40000000, "Uncertain", 0},
    /* Outside the range of values defined for it, here the formula's. */
    {72,  "outside_validity", "derived, outside the range in which the formula was established", true, false, 0x40940000, "UncertainEngineeringUnitsExceeded", 0},
    /* Beyond the survey, curve or table: again outside the defined range; UncertainSubstituteValue would claim a hand-entered value. */
    {73,  "extrapolated", "derived, beyond the survey, curve or table", true, false, 0x40940000, "UncertainEngineeringUnitsExceeded", 0},
    /* "The value is at one of the sensor limits." */
    {74,  "limited", "at the end of the scale, or of what was watched; the true value lies beyond", true, false, 0x40930000, "UncertainSensorNotAccurate", 0},
    /* The value is fresh and right, only its history is not kept: plain Uncertain. */
    {75,  "not_journaled", "shown live while the disk refuses; its history is not kept", true, false, 0x40000000, "Uncertain", 0},
    {192, "good", "fresh, possible, unit confirmed", true, false, 0x00000000, "Good", 192},
};
/* clang-format on */

#define ROW_COUNT (sizeof ROWS / sizeof ROWS[0])

/** Of several reasons that apply at once the one of the lowest rank is sent. By code, since each
 * reading of each scan asks; 0: a code that is never sent. */
static const uint8_t RANKS[256] = {
    /* clang-format off */
    [QUALITY_NOT_MAPPED] = 1,
    [QUALITY_NO_DATA] = 2,
    [QUALITY_LINE_DOWN] = 3,
    [QUALITY_STARTING] = 4,
    [QUALITY_GAUGE_SILENT] = 5,
    [QUALITY_NOT_FITTED] = 6,
    [QUALITY_CHANNEL_FAULT] = 7,
    [QUALITY_IMPOSSIBLE] = 8,
    [QUALITY_NOT_CONFIGURED] = 9,
    [QUALITY_INPUT_BAD] = 10,
    [QUALITY_PUMP_STOPPED] = 11,
    [QUALITY_TOO_FEW] = 12,
    [QUALITY_GAP_IN_WINDOW] = 13,
    [QUALITY_OUT_OF_DOMAIN] = 14,
    [QUALITY_NO_SOLUTION] = 15,
    [QUALITY_NOT_JOURNALED] = 16,
    [QUALITY_LINE_DISTURBED] = 17,
    [QUALITY_CLOCK_UNSURE] = 18,
    [QUALITY_STALE] = 19,
    [QUALITY_UNIT_UNCONFIRMED] = 20,
    [QUALITY_FROZEN] = 21,
    [QUALITY_STEP_UNCONFIRMED] = 22,
    [QUALITY_LIMITED] = 23,
    [QUALITY_UNUSUAL] = 24,
    [QUALITY_OUTSIDE_VALIDITY] = 25,
    [QUALITY_EXTRAPOLATED] = 26,
    [QUALITY_INPUT_UNSURE] = 27,
    [QUALITY_GOOD] = 28,
    /* clang-format on */
};

size_t quality_count(void)
{
    return ROW_COUNT;
}

const struct quality_row *quality_row_at(size_t index)
{
    return index < ROW_COUNT ? &ROWS[index] : NULL;
}

const struct quality_row *quality_find(uint8_t code)
{
    /* Codes of a class follow one another, so a row's place is its code less what no row has. */
    const size_t bad = QUALITY_STARTING + 1, unsure = QUALITY_NOT_JOURNALED + 1 - QUALITY_STALE;
    size_t at = code;
    if (code >= QUALITY_GOOD)
        at = code - QUALITY_GOOD + bad + unsure;
    else if (code >= QUALITY_STALE)
        at = code - QUALITY_STALE + bad;
    return at < ROW_COUNT && ROWS[at].code == code ? &ROWS[at] : NULL;
}

const char *quality_name(uint8_t code)
{
    const struct quality_row *row = quality_find(code);
    return row != NULL ? row->name : "unknown";
}

unsigned quality_rank(uint8_t code)
{
    return RANKS[code];
}

uint8_t quality_first(uint8_t a, uint8_t b)
{
    return quality_rank(b) < quality_rank(a) ? b : a;
}

/** Index of the input that comes first in the order of reasons, the earlier of two alike; -1 for
 * none. */
static int worst_of(const uint8_t *inputs, size_t n)
{
    int worst = -1;
    for (size_t i = 0; i < n; i++) {
        bool worse = worst < 0 || quality_class_of(inputs[i]) < quality_class_of(inputs[worst]) ||
                     (quality_class_of(inputs[i]) == quality_class_of(inputs[worst]) &&
                      quality_rank(inputs[i]) < quality_rank(inputs[worst]));
        if (worse)
            worst = (int)i;
    }
    return worst;
}

uint8_t quality_combine(const uint8_t *required, size_t n_required, const uint8_t *optional,
                        size_t n_optional, int *worst)
{
    uint8_t result = QUALITY_GOOD;
    int decided = -1;
    int first = worst_of(required, n_required);
    int other = worst_of(optional, n_optional);
    if (first >= 0 && quality_class_of(required[first]) != QUALITY_CLASS_GOOD) {
        bool bad = quality_class_of(required[first]) == QUALITY_CLASS_BAD;
        result = bad ? QUALITY_INPUT_BAD : QUALITY_INPUT_UNSURE;
        decided = first;
    } else if (other >= 0 && quality_class_of(optional[other]) != QUALITY_CLASS_GOOD) {
        result = QUALITY_INPUT_UNSURE;
        decided = (int)n_required + other;
    }
    if (worst != NULL)
        *worst = decided;
    return result;
}
