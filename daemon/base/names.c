/* SPDX-License-Identifier: Apache-2.0
 *
 * names.c - the published words of the codes that cross rooms: one table each, indexed by code.
 *
 * A code that a table doesn't know is "unknown", so that data of a newer version still print.
 */
#include "uphole/scan.h"
#include "uphole/wall.h"

#define NAME_OF(table, code) name_of((table), sizeof(table) / sizeof(table)[0], (code))

static const char *name_of(const char *const *table, size_t n, uint8_t code)
{
    return code < n && table[code] != NULL ? table[code] : "unknown";
}

static const char *const SOURCES[] = {
    [SOURCE_NONE] = "none",
    [SOURCE_GAUGE] = "gauge",
    [SOURCE_DRIVE] = "drive",
    [SOURCE_WELLHEAD] = "wellhead",
    [SOURCE_UNIT_HISTORY] = "unit_history",
};
const char *source_name(uint8_t source)
{
    return NAME_OF(SOURCES, source);
}

static const char *const OUTCOMES[] = {
    [OUTCOME_NONE] = "none",
    [OUTCOME_ANSWERED] = "answered",
    [OUTCOME_PARTIAL] = "partial",
    [OUTCOME_SILENT] = "silent",
    [OUTCOME_CUT_SHORT] = "cut_short",
    [OUTCOME_BAD_CHECKSUM] = "bad_checksum",
    [OUTCOME_WRONG_REPLY] = "wrong_reply",
    [OUTCOME_EXCEPTION] = "exception",
    [OUTCOME_PATH_DOWN] = "path_down",
    [OUTCOME_PORT_GONE] = "port_gone",
    [OUTCOME_NO_CONNECTION] = "no_connection",
};
_Static_assert(sizeof OUTCOMES / sizeof OUTCOMES[0] == OUTCOME_COUNT, "one name an outcome");
const char *outcome_name(uint8_t outcome)
{
    return NAME_OF(OUTCOMES, outcome);
}

static const char *const GAP_KIND_NAMES[] = {
    [GAP_NONE] = "none",       [GAP_LINE] = "line",         [GAP_GAUGE] = "gauge",
    [GAP_CHANNEL] = "channel", [GAP_DELIVERY] = "delivery", [GAP_PROGRAM] = "program",
    [GAP_DISK] = "disk",       [GAP_SKIPPED] = "skipped",   [GAP_OVERFLOW] = "overflow",
    [GAP_REMOVED] = "removed", [GAP_DAMAGED] = "damaged",   [GAP_REFUSED] = "refused",
    [GAP_CLOCK] = "clock",
};
_Static_assert(sizeof GAP_KIND_NAMES / sizeof GAP_KIND_NAMES[0] == GAP_KINDS, "one name a kind");
const char *gap_kind_name(uint8_t kind)
{
    return NAME_OF(GAP_KIND_NAMES, kind);
}
bool gap_kind_counts_never_attempted(uint8_t kind)
{
    return kind == GAP_PROGRAM || kind == GAP_DISK || kind == GAP_SKIPPED || kind == GAP_OVERFLOW;
}

static const char *const CAUSES[] = {
    [CAUSE_NONE] = "none",
    [CAUSE_SILENT] = "silent",
    [CAUSE_BAD_CHECKSUM] = "bad_checksum",
    [CAUSE_WRONG_REPLY] = "wrong_reply",
    [CAUSE_CUT_SHORT] = "cut_short",
    [CAUSE_PATH_DOWN] = "path_down",
    [CAUSE_PORT_GONE] = "port_gone",
    [CAUSE_NO_CONNECTION] = "no_connection",
    [CAUSE_NO_SIGNAL] = "no_signal",
    [CAUSE_POWER_UP] = "power_up",
    [CAUSE_UNIT_FAULT] = "unit_fault",
    [CAUSE_FROZEN] = "frozen",
    [CAUSE_SENSOR_LOST] = "sensor_lost",
    [CAUSE_OUT_OF_RANGE] = "out_of_range",
    [CAUSE_EXCEPTION] = "exception",
    [CAUSE_UNREACHABLE] = "unreachable",
    [CAUSE_NOT_AUTHORISED] = "not_authorised",
    [CAUSE_NO_SUBSCRIBER] = "no_subscriber",
    [CAUSE_QUOTA] = "quota",
    [CAUSE_SCADA_SIDE_DOWN] = "scada_side_down",
    [CAUSE_STOPPED] = "stopped",
    [CAUSE_KILLED] = "killed",
    [CAUSE_POWER_OR_RESET] = "power_or_reset",
    [CAUSE_PAUSED] = "paused",
    [CAUSE_LINE_BUSY] = "line_busy",
    [CAUSE_BACK_OFF] = "back_off",
    [CAUSE_LISTENING] = "listening",
    [CAUSE_ANOTHER_MASTER] = "another_master",
    [CAUSE_RING_FULL] = "ring_full",
    [CAUSE_DISK_REFUSED] = "disk_refused",
    [CAUSE_CLOCK_STEP] = "clock_step",
    [CAUSE_UPGRADED] = "upgraded",
    [CAUSE_REBOOTED] = "rebooted",
    [CAUSE_SUSPENDED] = "suspended",
    [CAUSE_DAMAGED] = "damaged",
    [CAUSE_NO_ROOM] = "no_room",
    [CAUSE_ENTRY_ENDED] = "entry_ended",
};
_Static_assert(sizeof CAUSES / sizeof CAUSES[0] == CAUSE_COUNT, "one name a cause");
const char *gap_cause_name(uint8_t cause)
{
    return NAME_OF(CAUSES, cause);
}

static const char *const LINE_STATES[] = {"unknown", "up", "degraded", "down"};
static const char *const GAUGE_STATES[] = {"unknown", "live", "starting", "silent",
                                           "not_configured"};
static const char *const CHANNEL_STATES[] = {"unknown", "live", "not_fitted", "fault",
                                             "not_mapped"};
static const char *const DELIVERY_STATES[] = {"unknown", "up", "catching_up", "down", "stopped"};
static const char *const CLOCK_STATES[] = {"unknown", "synchronised", "holdover", "unsynchronised",
                                           "never_set"};

const char *line_state_name(uint8_t state)
{
    return NAME_OF(LINE_STATES, state);
}
const char *gauge_state_name(uint8_t state)
{
    return NAME_OF(GAUGE_STATES, state);
}
const char *channel_state_name(uint8_t state)
{
    return NAME_OF(CHANNEL_STATES, state);
}
const char *delivery_state_name(uint8_t state)
{
    return NAME_OF(DELIVERY_STATES, state);
}
const char *books_verdict_name(uint8_t verdict)
{
    static const char *const BOOKS[] = {[BOOKS_UNKNOWN] = "unknown",
                                        [BOOKS_HOLD] = "hold",
                                        [BOOKS_UNDECIDED] = "undecided",
                                        [BOOKS_DO_NOT_HOLD] = "do_not_hold"};
    return NAME_OF(BOOKS, verdict);
}
const char *clock_state_name(uint8_t state)
{
    return NAME_OF(CLOCK_STATES, state);
}
