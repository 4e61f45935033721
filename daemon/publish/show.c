/* SPDX-License-Identifier: Apache-2.0
 *
 * show.c - what a well's block shows at an instant (pure). Age may turn a value to stale, never the
 * other way.
 */
#include "show.h"

#include "box_points.h"

#include "uphole/wire.h"

#include <math.h>
#include <string.h>

void show_note_mapped(struct image_block *block, const struct plan *plan)
{
    for (unsigned source = 0; source < SOURCE_KINDS; source++) {
        for (unsigned i = 0; i < block->well->n_entries[source]; i++) {
            const struct map *map = &plan->maps[block->well->entries[source][i].map];
            for (unsigned c = 0; c < map->n_channels; c++) {
                if (map->channel[c].point < POINT_COUNT)
                    block->mapped[map->channel[c].point] = 1;
            }
        }
    }
}

static uint16_t age_register(int64_t age_ms)
{
    int64_t age_s = age_ms <= 0 ? 0 : (age_ms + 999) / 1000;
    return (uint16_t)(age_s > TABLE_AGE_MOST ? TABLE_AGE_MOST : age_s);
}

uint16_t show_reading_age(const struct live_reading *reading, int64_t now_boot_ms)
{
    if (reading->fresh_boot_ms == INT64_MIN)
        return TABLE_AGE_NEVER;
    return age_register(now_boot_ms - reading->fresh_boot_ms);
}

uint16_t show_scan_age(const struct image_block *block, int64_t now_boot_ms)
{
    if (!block->has_snapshot || block->snapshot.seq == 0)
        return TABLE_AGE_NEVER;
    return age_register(now_boot_ms - block->snapshot.newest.boot_ms);
}

static struct shown show_reading(const struct live_reading *reading, int64_t now_boot_ms)
{
    double age_s;
    struct shown shown = {NAN, NAN, live_quality_at(reading, now_boot_ms, &age_s),
                          show_reading_age(reading, now_boot_ms)};
    const struct quality_row *row = quality_find(shown.quality);
    if (row == NULL)
        return shown; /* a code that is never sent: shown as it is, without a value */
    if (row->sends_value) {
        shown.value = reading->value;
        if (!isfinite(reading->value))
            shown.quality = QUALITY_IMPOSSIBLE; /* never Good without a number */
    } else if (row->keeps_last && isfinite(reading->value)) {
        shown.last = reading->value;
    }
    return shown;
}

/** States of the box have slots too; where the snapshot doesn't bring them they are those of the
 * header. */
static void show_box_points(const struct image_block *block, int64_t now_boot_ms,
                            struct shown_block *out)
{
    if (block->header.heartbeat == 0)
        return; /* the well side hasn't spoken yet */
    struct live_reading readings[BOX_POINTS];
    box_points(block->header.waiting, block->header.days_left, now_boot_ms, readings);
    for (unsigned i = 0; i < BOX_POINTS; i++)
        out->point[readings[i].point] = show_reading(&readings[i], now_boot_ms);
}

static void show_points(const struct image_block *block, int64_t now_boot_ms,
                        struct shown_block *out)
{
    for (unsigned p = 1; p < POINT_COUNT; p++) {
        bool waits = !block->has_snapshot && block->mapped[p];
        out->point[p] =
            (struct shown){NAN, NAN, waits ? QUALITY_NO_DATA : QUALITY_NOT_MAPPED, TABLE_AGE_NEVER};
    }
    show_box_points(block, now_boot_ms, out);
    for (unsigned i = 0; i < block->snapshot.n && i < RECORD_READINGS_MAX; i++) {
        const struct live_reading *reading = &block->snapshot.reading[i];
        if (reading->point >= 1 && reading->point < POINT_COUNT)
            out->point[reading->point] = show_reading(reading, now_boot_ms);
    }
}

static void count_classes(struct shown_block *out)
{
    for (unsigned p = 1; p < POINT_COUNT; p++) {
        uint8_t quality = out->point[p].quality;
        if (quality == QUALITY_NOT_MAPPED)
            continue;
        switch (quality_class_of(quality)) {
        case QUALITY_CLASS_GOOD:
            out->field[FIELD_GOOD]++;
            break;
        case QUALITY_CLASS_UNCERTAIN:
            out->field[FIELD_UNCERTAIN]++;
            break;
        default:
            out->field[FIELD_BAD]++;
            break;
        }
    }
}

static uint64_t poll_period_s(const struct image_block *block)
{
    int64_t when = block->has_snapshot ? block->snapshot.taken.utc_ms : INT64_MAX;
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++) {
        const struct source_entry *entry = plan_entry_at(block->well, source, when);
        if (entry != NULL)
            return ((uint64_t)entry->poll_every_ms + 999) / 1000;
    }
    return 0;
}

static void show_header(const struct image_block *block, int64_t now_boot_ms,
                        struct shown_block *out)
{
    const struct snapshot *snapshot = &block->snapshot;
    const struct table_header *header = &block->header;
    bool has_scan = block->has_snapshot && snapshot->seq > 0;
    uint64_t *field = out->field;
    field[FIELD_LAYOUT] = TABLE_LAYOUT_VERSION;
    field[FIELD_BLOCK] = block->well->table_block + 1u;
    field[FIELD_TEST_PATTERN] = float_to_bits(TABLE_TEST_PATTERN);
    field[FIELD_LINE] = snapshot->line;
    field[FIELD_GAUGE] = snapshot->gauge;
    field[FIELD_DELIVERY] = header->delivery;
    field[FIELD_CLOCK] = header->clock;
    field[FIELD_HEARTBEAT] = header->heartbeat & 0xFFFFu;
    field[FIELD_POLL_PERIOD] = poll_period_s(block);
    bool is_dated =
        has_scan && snapshot->newest.clock != CLOCK_STATE_NEVER_SET && snapshot->newest.utc_ms > 0;
    field[FIELD_SCAN_TIME] = is_dated ? (uint64_t)snapshot->newest.utc_ms : 0;
    field[FIELD_SCAN_SEQ] = snapshot->seq;
    field[FIELD_SCAN_AGE] = show_scan_age(block, now_boot_ms);
    field[FIELD_WAITING] = header->waiting;
    field[FIELD_GAPS_OPEN] = header->gaps_open;
    field[FIELD_DAYS_LEFT] = header->days_left;
    field[FIELD_RUN] = snapshot->run & 0xFFFFFFFFu;
    field[FIELD_JOURNALED] = header->journaled != 0;
}

void show_block(const struct image_block *block, int64_t now_boot_ms, struct shown_block *out)
{
    memset(out, 0, sizeof *out);
    show_header(block, now_boot_ms, out);
    show_points(block, now_boot_ms, out);
    count_classes(out);
}
