/* SPDX-License-Identifier: Apache-2.0
 *
 * layout.c - the constant layout of a well's block. What is served, `uphole table` and
 * docs/table.md all come from these rows.
 *
 * Rows never move and never change their meaning; new fields take reserved registers, new points
 * take the next slot. A change that a master could misread raises TABLE_LAYOUT_VERSION.
 */
#include "layout.h"

#include <assert.h>

/* clang-format off */
static const struct field_row FIELDS[FIELD_COUNT] = {
    [FIELD_LAYOUT]        = {0, 1, FIELD_U16, false, "layout_version", "", "version of this layout: 1"},
    [FIELD_BLOCK]         = {1, 1, FIELD_U16, false, "block", "", "block number + 1; 0: no well has this block"},
    [FIELD_TEST_PATTERN]  = {2, 2, FIELD_F32, false, "test_pattern", "", "123456.0: a master that shows another number has the word order wrong"},
    [FIELD_LINE]          = {4, 1, FIELD_U16, false, "line_state", "", "worst line of the well: 0 unknown, 1 up, 2 degraded, 3 down"},
    [FIELD_GAUGE]         = {5, 1, FIELD_U16, false, "gauge_state", "", "0 unknown, 1 live, 2 starting, 3 silent, 4 no gauge configured"},
    [FIELD_DELIVERY]      = {6, 1, FIELD_U16, false, "delivery_state", "", "worst destination: 0 unknown, 1 up, 2 catching up, 3 down, 4 stopped"},
    [FIELD_CLOCK]         = {7, 1, FIELD_U16, false, "clock_state", "", "0 unknown, 1 synchronised, 2 holdover, 3 unsynchronised, 4 never set"},
    [FIELD_HEARTBEAT]     = {8, 1, FIELD_U16, false, "heartbeat", "", "from the well side, +1 each second; standing still for 5 s: the program is not working"},
    [FIELD_POLL_PERIOD]   = {9, 1, FIELD_U16, false, "poll_period", "s", "how often the gauge (or the well's first source) is read"},
    [FIELD_SCAN_TIME]     = {10, 4, FIELD_U64, false, "scan_time", "ms", "UTC of the newest scan, ms since 1970-01-01; 0: none, or the clock was never set"},
    [FIELD_SCAN_SEQ]      = {14, 4, FIELD_U64, false, "scan_seq", "", "number of the newest scan of this well; 0: none since the program started"},
    [FIELD_SCAN_AGE]      = {18, 1, FIELD_U16, true,  "scan_age", "s", "since the newest scan began, rounded up; 65535 never, 65534 that or older"},
    [FIELD_GOOD]          = {19, 1, FIELD_U16, false, "points_good", "", "points of class Good now"},
    [FIELD_UNCERTAIN]     = {20, 1, FIELD_U16, false, "points_uncertain", "", "points of class Uncertain now"},
    [FIELD_BAD]           = {21, 1, FIELD_U16, false, "points_bad", "", "points of class Bad now; points that are not mapped don't count"},
    [FIELD_WAITING]       = {22, 2, FIELD_U32, false, "records_waiting", "", "records not yet delivered"},
    [FIELD_GAPS_OPEN]     = {24, 1, FIELD_U16, false, "gaps_open", "", "gaps open in the ledger of this well"},
    [FIELD_DAYS_LEFT]     = {25, 1, FIELD_U16, false, "journal_days_left", "d", "days until the journal's space is used up"},
    [FIELD_RUN]           = {26, 2, FIELD_U32, false, "run", "", "low 32 bits of the run; changed: the program has started again"},
    [FIELD_IMAGE_COUNTER] = {28, 1, FIELD_U16, true,  "image_counter", "", "+1 on any change of this block other than ages; equal before and after several reads: they belong together"},
    [FIELD_JOURNALED]     = {29, 1, FIELD_U16, false, "journaled", "", "1: what is shown is on disk; 0: it isn't"},
    [FIELD_UNIT_SET]      = {30, 1, FIELD_U16, false, "unit_set", "", "units of this view: 1 metric, 2 us, 3 own"},
    [FIELD_RESERVED]      = {31, 1, FIELD_U16, false, "reserved", "", "0"},
};

static const struct field_row SLOT[SLOT_PARTS] = {
    [SLOT_VALUE]   = {0, 2, FIELD_F32, false, "value", "", "not a number (0x7FC0 0x0000) where there is none, unless the view asks for the last value or a stated number"},
    [SLOT_QUALITY] = {2, 1, FIELD_U16, false, "quality", "", "192 is good; & 0xC0: 0xC0 Good, 0x40 Uncertain, 0x00 Bad; the rest is the reason"},
    [SLOT_AGE]     = {3, 1, FIELD_U16, true,  "age", "s", "upper bound of the value's age, rounded up; 65535 never, 65534 that or older"},
};
/* clang-format on */

static_assert(TABLE_FIRST_SLOT + TABLE_SLOT_REGISTERS * (POINT_COUNT - 1) <= TABLE_BLOCK_REGISTERS,
              "every point has its slot inside the block");

const struct field_row *layout_field(enum field field)
{
    return &FIELDS[field];
}

const struct field_row *layout_slot_part(enum slot_part part)
{
    return &SLOT[part];
}

const char *layout_type_name(uint8_t type)
{
    static const char *const names[] = {"", "u16", "u32", "u64", "f32"};
    return type < sizeof names / sizeof *names ? names[type] : "";
}

bool layout_changes_by_itself(uint16_t in_block)
{
    if (in_block >= TABLE_FIRST_SLOT)
        return SLOT[SLOT_AGE].at == (in_block - TABLE_FIRST_SLOT) % TABLE_SLOT_REGISTERS;
    for (unsigned i = 0; i < FIELD_COUNT; i++) {
        if (FIELDS[i].is_age && in_block >= FIELDS[i].at &&
            in_block < FIELDS[i].at + FIELDS[i].words)
            return true;
    }
    return false;
}
