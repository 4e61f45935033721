/* SPDX-License-Identifier: Apache-2.0
 *
 * layout.h - which register of a well's block means what: the constant rows that are served,
 * printed and documented.
 */
#ifndef UPHOLE_PUBLISH_LAYOUT_H
#define UPHOLE_PUBLISH_LAYOUT_H

#include "uphole/points.h"
#include "uphole/table.h"

#define TABLE_TEST_PATTERN 123456.0f
#define TABLE_NAN_BITS 0x7FC00000u
#define TABLE_AGE_NEVER 65535u
#define TABLE_AGE_MOST 65534u
#define TABLE_BLOCKS_MAX 128
#define TABLE_INPUT_BASE 300001u   /* printed number of input register 0, six digits */
#define TABLE_HOLDING_BASE 400001u /* and of holding register 0 */
#define TABLE_CAUTION "Monitoring only, not for trips, interlocks or closed-loop control."

/** Fields of a block's header, in order of their registers. */
enum field {
    FIELD_LAYOUT,
    FIELD_BLOCK,
    FIELD_TEST_PATTERN,
    FIELD_LINE,
    FIELD_GAUGE,
    FIELD_DELIVERY,
    FIELD_CLOCK,
    FIELD_HEARTBEAT,
    FIELD_POLL_PERIOD,
    FIELD_SCAN_TIME,
    FIELD_SCAN_SEQ,
    FIELD_SCAN_AGE,
    FIELD_GOOD,
    FIELD_UNCERTAIN,
    FIELD_BAD,
    FIELD_WAITING,
    FIELD_GAPS_OPEN,
    FIELD_DAYS_LEFT,
    FIELD_RUN,
    FIELD_IMAGE_COUNTER,
    FIELD_JOURNALED,
    FIELD_UNIT_SET,
    FIELD_RESERVED,
    FIELD_COUNT
};

enum field_type { FIELD_U16 = 1, FIELD_U32, FIELD_U64, FIELD_F32 };

struct field_row {
    uint16_t at, words; /* within the block; words stand in the view's order */
    uint8_t type;       /* enum field_type */
    bool is_age;        /* changes by itself: doesn't move the image counter */
    const char *name;
    const char *unit; /* "" for none */
    const char *text; /* for people */
};
const struct field_row *layout_field(enum field field);

/** Parts of a point's slot. */
enum slot_part { SLOT_VALUE, SLOT_QUALITY, SLOT_AGE, SLOT_PARTS };
const struct field_row *layout_slot_part(enum slot_part part); /* `at` within the slot */

/** First register of a point's slot within the block: point numbers fix slots for ever. */
static inline uint16_t layout_slot(unsigned point)
{
    return (uint16_t)(TABLE_FIRST_SLOT + TABLE_SLOT_REGISTERS * (point - 1));
}
/** Registers of a block that hold anything: header and slots of the points that exist. */
static inline uint16_t layout_used(void)
{
    return layout_slot(POINT_COUNT);
}
const char *layout_type_name(uint8_t type); /* "u16", "u32", "u64", "f32" */
/** True for a register of a block that an age stands in, or the image counter. */
bool layout_changes_by_itself(uint16_t in_block);

#endif
