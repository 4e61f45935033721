/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_rows.c - scans, counted one by one: checks, seq, and which points came.
 *
 * A reading counts as come when its registers did and neither a marker nor the unit's status word
 * speaks against it. What is judged later (range, steps, frozen values) is quality, not a hole.
 */
#include "audit.h"

#include "uphole/measure.h"

#include <inttypes.h>

static void check_seq(struct audit *audit, struct audit_well *well, const struct scan *scan)
{
    char before[STAMP_TEXT_MAX], at[STAMP_TEXT_MAX];
    const bool is_first = well->pos == 0, from_begin = audit->removed.pos == 0 && audit->walks_all;
    const uint64_t expected = well->seq + 1;
    const bool counts = scan->pos >= audit->from_pos && scan->pos < audit->to_pos &&
                        (is_first ? audit->from_pos <= 1 : well->rows > 0);
    const uint64_t missing = scan->seq > expected && (!is_first || from_begin)
                                 ? audit_explain(audit, well, expected, scan->seq - 1, counts)
                                 : 0;
    if (is_first && from_begin && counts)
        well->first_seq = 1;
    stamp_to_short_text(well->utc_ms, before);
    stamp_to_short_text(scan->begun.utc_ms, at);
    if (is_first && missing > 0)
        audit_fault(audit,
                    "%s: seq begins with %" PRIu64 " (row %" PRIu64 ", %s): %" PRIu64
                    " before it missing",
                    well->id, scan->seq, scan->pos, at, missing);
    else if (!is_first && missing > 0)
        audit_fault(audit,
                    "%s: seq %" PRIu64 " (row %" PRIu64 ", %s) is followed by %" PRIu64
                    " (row %" PRIu64 ", %s): %" PRIu64 " missing",
                    well->id, well->seq, well->pos, before, scan->seq, scan->pos, at, missing);
    else if (!is_first && scan->seq < expected)
        audit_fault(audit,
                    "%s: seq %" PRIu64 " (row %" PRIu64 ", %s) is followed by %" PRIu64
                    " (row %" PRIu64 ", %s), which it had given before",
                    well->id, well->seq, well->pos, before, scan->seq, scan->pos, at);
    well->seq = scan->seq;
    well->pos = scan->pos;
    well->utc_ms = scan->begun.utc_ms;
}

static const uint16_t *find_words(const struct scan *scan, uint8_t table, uint16_t address,
                                  uint16_t n)
{
    for (unsigned b = 0; b < scan->n_blocks; b++) {
        const struct block *block = &scan->block[b];
        if (block->exception == 0 && block->function == table && table >= TABLE_HOLDING &&
            address >= block->first && address + n <= block->first + block->count)
            return &scan->words[block->at + (address - block->first)];
    }
    return NULL;
}

/** True unless the unit itself says that its gauge is silent, starting or at fault. */
static bool is_live(const struct map *map, const struct scan *scan)
{
    const uint16_t *word =
        map->has_status ? find_words(scan, map->status_table, map->status_address, 1) : NULL;
    if (word == NULL)
        return true;
    for (unsigned i = 0; i < map->n_status_values; i++)
        if (map->status_value[i].raw == *word)
            return map->status_value[i].role == STATUS_LIVE;
    for (unsigned bit = 0; map->n_status_values == 0 && bit < 16; bit++) {
        const bool is_on = (*word >> bit & 1) != 0;
        const uint8_t role = map->status_bit[bit];
        if (is_on && (role == STATUS_STARTING || role == STATUS_SILENT || role == STATUS_FAULT))
            return false;
        if (!is_on && role == STATUS_LIVE)
            return false;
    }
    return map->n_status_values == 0;
}

static bool is_planned(const struct audit *audit, const struct audit_source *source,
                       const struct audit_key *key, uint16_t point)
{
    for (size_t i = 0; i < audit->n_planned; i++) {
        const struct audit_planned *planned = &audit->planned[i];
        if (planned->well == source->well && planned->source == source->source &&
            (planned->kind != GAP_CHANNEL || planned->point == point ||
             planned->point == POINT_NONE) &&
            audit_compare(&planned->from, key) <= 0 && audit_compare(key, &planned->to) < 0)
            return true;
    }
    return false;
}

static void count_points(struct audit *audit, struct audit_source *source, const struct scan *scan,
                         const struct audit_key *key)
{
    const struct well_plan *well =
        audit->plan == NULL ? NULL : plan_well_by_number(audit->plan, source->well);
    const struct source_entry *entry =
        well == NULL ? NULL : plan_entry_at(well, source->source, scan->begun.utc_ms);
    const struct map *map = entry == NULL ? NULL : &audit->plan->maps[entry->map];
    const bool has_data = outcome_has_data(scan->outcome);
    const bool live = map != NULL && has_data && is_live(map, scan);
    source->rows_with_data += has_data;
    for (uint16_t i = 0; map != NULL && i < map->n_channels; i++) {
        const struct channel *channel = &map->channel[i];
        if (channel->point == POINT_NONE || channel->point >= POINT_COUNT)
            continue;
        struct audit_point *point = &source->point[channel->point];
        const uint16_t *words =
            has_data ? find_words(scan, channel->table, channel->address, channel->n_words) : NULL;
        struct decoded decoded = {0};
        if (words != NULL)
            decode_channel(channel, words, &decoded);
        point->markers += decoded.verdict == DECODE_NOT_FITTED;
        const bool of_gauge = source->source == SOURCE_GAUGE && point_is_of_gauge(channel->point);
        if ((decoded.verdict == DECODE_VALUE || decoded.verdict == DECODE_LIMITED) &&
            (live || !of_gauge))
            point->got += source->weight;
        else if (is_planned(audit, source, key, channel->point))
            point->planned += source->weight;
        else
            point->unplanned += source->weight;
    }
}

void audit_row(struct audit *audit, const struct scan *scan, bool holds)
{
    struct audit_source *source = audit_source_of(audit, scan->well, scan->source);
    struct audit_well *well = audit_well_of(audit, scan->well);
    char at[STAMP_TEXT_MAX];
    if (audit->run < audit->n_runs && audit->runs[audit->run].id == scan->run &&
        scan->begun.boot_ms > audit->row_boot_ms)
        audit->row_boot_ms = scan->begun.boot_ms;
    if (well == NULL || source == NULL)
        return;
    stamp_to_short_text(scan->begun.utc_ms, at);
    audit->n_rows++;
    if (!holds && audit_is_told(audit, DAMAGE_ROW, scan->pos)) {
        audit->n_damaged++;
        return; /* nothing that it says is believed: it is a hole */
    }
    if (!holds) {
        audit->n_damaged++;
        audit_fault(audit,
                    "%s %s: row %" PRIu64 " (seq %" PRIu64
                    ", %s) is not as it was written: its check does not hold",
                    well->id, source_name(scan->source), scan->pos, scan->seq, at);
    }
    check_seq(audit, well, scan);
    if (audit->run >= audit->n_runs || audit->runs[audit->run].id != scan->run) {
        audit_fault(audit, "%s: row %" PRIu64 " (seq %" PRIu64 ") names another run than its own",
                    well->id, scan->pos, scan->seq);
        return;
    }
    if (scan->pos >= audit->from_pos && scan->pos < audit->to_pos) {
        well->first_seq = well->first_seq == 0 ? scan->seq : well->first_seq;
        well->last_seq = scan->seq;
        well->rows++;
    }
    audit_due_written(source);
    const struct audit_key key = {.run = audit->run, .boot_ms = audit_due_row(audit, source, scan)};
    if (!audit_is_within(source, &key))
        return;
    source->rows++;
    count_points(audit, source, scan, &key);
}
