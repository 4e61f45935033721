/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_measure.c - any map and any scans: the fold stays within its memory, a value is finite,
 * inside its instrument and never without quality, and the same scans give the same bytes.
 *
 * Planted defect that it must catch, seen to: a block's place in words[] taken without a check of
 * its end.
 */
#include "uphole/measure.h"

#include <stddef.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

struct input {
    const uint8_t *at;
    size_t left;
};

static void take(struct input *input, void *into, size_t n)
{
    size_t have = n < input->left ? n : input->left;
    memset(into, 0, n);
    if (have > 0)
        memcpy(into, input->at, have);
    input->at += have;
    input->left -= have;
}

static uint8_t byte(struct input *input)
{
    uint8_t value;
    take(input, &value, 1);
    return value;
}

static void make_channel(struct input *input, struct channel *channel, unsigned point)
{
    memset(channel, 0, sizeof *channel);
    channel->point = (uint16_t)point;
    channel->table = (uint8_t)(byte(input) % 5);
    channel->type = (uint8_t)(byte(input) % (TYPE_TEXT + 1));
    channel->words = byte(input) % 3;
    channel->bytes = byte(input) % 3;
    channel->address = byte(input) % 64;
    channel->n_words = channel->type == TYPE_TEXT || channel->type == TYPE_BITS
                           ? byte(input) % 70
                           : (uint16_t)register_type_words((enum register_type)channel->type);
    channel->has_bits = byte(input) & 1;
    channel->bit_low = byte(input);
    channel->bit_high = byte(input);
    static const struct conversion STEPS[] = {
        {1, 0, 1}, {1, 0, 10}, {5, -160, 9}, {-1, 100, 1000}, {1e300, 0, 1}};
    channel->to_point = STEPS[byte(input) % 5];
    channel->n_markers = byte(input) % (MAP_MARKERS_MAX + 1);
    for (unsigned i = 0; i < channel->n_markers; i++)
        take(input, channel->not_fitted[i].words, 2),
            channel->not_fitted[i].n_words = byte(input) % 5;
    channel->not_fitted_if = byte(input) % POINT_COUNT;
    channel->has_instrument_range = byte(input) & 1;
    channel->instrument_low = -100;
    channel->instrument_high = 60000;
    channel->has_max_rate = byte(input) & 1;
    channel->max_rate_per_s = 1;
}

static void make_plan(struct input *input, struct plan *plan, struct map *map,
                      struct well_plan *well, struct source_entry *entry)
{
    memset(map, 0, sizeof *map);
    memset(plan, 0, sizeof *plan);
    memset(well, 0, sizeof *well);
    memset(entry, 0, sizeof *entry);
    plan->maps = map;
    plan->n_maps = 1;
    map->n_channels = byte(input) % 9;
    for (unsigned i = 0; i < map->n_channels; i++)
        make_channel(input, &map->channel[i], i + 1);
    map->has_status = byte(input) & 1;
    map->status_table = TABLE_INPUT;
    take(input, map->status_bit, sizeof map->status_bit);
    map->n_status_values = byte(input) % 17;
    map->has_counter = byte(input) & 1;
    map->counter_table = TABLE_INPUT;
    map->counter_words = byte(input) % 3;
    map->counter_order = byte(input) % 3;
    entry->poll_every_ms = 10000;
    entry->refresh_ms = 28000;
    entry->stale_limit_ms = 48000;
    entry->freeze_after = byte(input);
    entry->down_after = byte(input);
    take(input, entry->confirmed_units, 0);
    memset(entry->confirmed_units, 1, sizeof entry->confirmed_units);
    for (unsigned kind = SOURCE_GAUGE; kind < SOURCE_KINDS; kind++) {
        well->entries[kind] = entry;
        well->n_entries[kind] = kind == SOURCE_GAUGE || (byte(input) & 1);
    }
}

static void make_scan(struct input *input, struct scan *scan, uint64_t seq, int64_t *boot_ms)
{
    memset(scan, 0, sizeof *scan);
    scan->run = 1 + (byte(input) == 0xFF);
    scan->seq = seq;
    uint32_t step;
    take(input, &step, sizeof step);
    *boot_ms += (byte(input) & 7) == 0 ? (int64_t)(int32_t)step : (int64_t)(step % 30000);
    scan->begun = (struct stamp){
        .utc_ms = *boot_ms + byte(input) * 100, .boot_ms = *boot_ms, .clock = byte(input) % 5};
    scan->took_ms = byte(input);
    scan->source = byte(input) % 6;
    scan->outcome = byte(input) % 12;
    scan->stray = byte(input) % 2;
    take(input, &scan->n_blocks, 2);
    take(input, &scan->n_words, 2);
    if (byte(input) & 3) {
        scan->n_blocks %= SCAN_BLOCKS_MAX + 1;
        scan->n_words %= SCAN_WORDS_MAX + 1;
    }
    for (unsigned i = 0; i < SCAN_BLOCKS_MAX && i < scan->n_blocks; i++) {
        take(input, &scan->block[i], sizeof scan->block[i]);
        if (byte(input) & 3)
            scan->block[i] = (struct block){.function = TABLE_INPUT, .count = 64};
    }
    take(input, scan->words, 2 * (size_t)(byte(input) % 100));
}

static void check(const struct plan *plan, const struct record *record)
{
    for (unsigned i = 0; i < record->n; i++) {
        const struct reading *reading = &record->reading[i];
        bool has_value = quality_class_of(reading->quality) != QUALITY_CLASS_BAD;
        const struct channel *channel = map_channel(&plan->maps[0], reading->point);
        if (quality_find(reading->quality) == NULL ||
            has_value != (isfinite(reading->value) != 0) ||
            (i > 0 && reading->point <= reading[-1].point))
            abort();
        if (has_value && channel != NULL && channel->has_instrument_range &&
            (reading->value < -100.001 || reading->value > 60000.001))
            abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct map map;
    struct plan plan;
    struct well_plan well;
    struct source_entry entry;
    struct input input = {data, size};
    make_plan(&input, &plan, &map, &well, &entry);
    struct fold *one = malloc(fold_bytes()), *two = malloc(fold_bytes());
    if (one == NULL || two == NULL)
        abort();
    fold_init(one);
    memset(two, 0xA5, fold_bytes());
    fold_init(two);
    int64_t boot_ms = 1000000;
    for (uint64_t seq = 1; input.left > 0 && seq < 64; seq++) {
        struct scan scan;
        struct record first, second;
        struct fact facts[MEASURE_FACTS_MAX];
        struct snapshot snapshot;
        size_t n;
        make_scan(&input, &scan, seq, &boot_ms);
        measure_scan(one, &plan, &well, &scan, &first, facts, &n);
        if (n > MEASURE_FACTS_MAX)
            abort();
        measure_scan(two, &plan, &well, &scan, &second, facts, &n);
        if (memcmp(&first, &second,
                   offsetof(struct record, reading) + first.n * sizeof *first.reading) != 0)
            abort();
        check(&plan, &first);
        measure_at(one, &plan, &well, scan.run, &scan.begun, byte(&input) & 1, &snapshot);
    }
    free(one);
    free(two);
    return 0;
}
