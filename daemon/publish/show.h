/* SPDX-License-Identifier: Apache-2.0
 *
 * show.h - one well's block as all views show it, before units and word order: header fields, and
 * each point's value, quality and age.
 */
#ifndef UPHOLE_PUBLISH_SHOW_H
#define UPHOLE_PUBLISH_SHOW_H

#include "layout.h"

/** One well's block: what it was encoded from. */
struct image_block {
    const struct well_plan *well;
    bool has_snapshot;
    struct snapshot snapshot;
    struct table_header header;
    int64_t aged_boot_ms;
    uint16_t counter;
    uint8_t mapped[POINT_COUNT]; /* by any of the plan's entries; for the time before the first
                                    snapshot */
};

/** One point as all views show it, but for unit and word order. */
struct shown {
    double value; /* in the point's unit; NaN: none */
    double last;  /* the last value, where the quality may keep it; else NaN */
    uint8_t quality;
    uint16_t age;
};

struct shown_block {
    uint64_t field[FIELD_COUNT];
    struct shown point[POINT_COUNT];
};

/** Notes which points any of the well's entries maps. */
void show_note_mapped(struct image_block *block, const struct plan *plan);
/** Fills `out` from the block's snapshot and header as of `now_boot_ms`; the view's own fields stay
 * 0. */
void show_block(const struct image_block *block, int64_t now_boot_ms, struct shown_block *out);
/** Age registers: whole seconds, rounded up, at most 65534; 65535 never. */
uint16_t show_scan_age(const struct image_block *block, int64_t now_boot_ms);
uint16_t show_reading_age(const struct live_reading *reading, int64_t now_boot_ms);

#endif
