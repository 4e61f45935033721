/* SPDX-License-Identifier: Apache-2.0
 *
 * made.h - a well made by hand for the tests of measure: maps, entries, registers and the scans
 * that would have read them.
 *
 * The maps are invented. The unit's registers are a plain array; a scan copies them as the read
 * plan would: status, data, status again.
 */
#ifndef UPHOLE_TESTS_MADE_H
#define UPHOLE_TESTS_MADE_H

#include "uphole/measure.h"

#include "check.h"

#include <stdlib.h>

#define MADE_BOOT_MS INT64_C(1000000)      /* of the first scan */
#define MADE_UTC_MS INT64_C(1930111200000) /* 2031-03-01T06:00:00Z */
#define MADE_RUN UINT64_C(0x9f3c61d2a07b44e8)

enum made_address {
    STATUS_AT = 0,
    COUNTER_AT = 1,
    INTAKE_PRESSURE_AT = 16,
    INTAKE_TEMPERATURE_AT = 17,
    DISCHARGE_PRESSURE_AT = 20,
    DISCHARGE_TEMPERATURE_AT = 21,
    WINDING_TEMPERATURE_AT = 22,
    VIBRATION_AT = 24,
    MADE_REGISTERS = 32
};
enum made_status { LIVE_BIT = 1, STARTING_BIT = 2, FAULT_BIT = 4 };

struct made {
    struct plan plan;
    struct map maps[3];
    struct line_plan line;
    struct well_plan well;
    struct source_entry entries[SOURCE_KINDS][2];
    struct fold *fold;
    uint64_t seq;
    int64_t utc_minus_boot;
    uint8_t clock;
    uint16_t unit[MADE_REGISTERS]; /* input registers of the surface unit */
    uint16_t drive[8];             /* holding registers of the drive */
    struct record record;          /* of the newest scan */
    struct fact facts[MEASURE_FACTS_MAX];
    size_t n_facts;
};

static inline struct decimal made_decimal(const char *text)
{
    struct decimal value;
    if (!decimal_from_text(text, strlen(text), &value))
        fail_msg("no decimal: %s", text);
    return value;
}

static inline void made_convert(struct channel *channel, const char *scale, const char *offset,
                                const char *unit)
{
    unit_number to = channel->point != POINT_NONE ? point_unit(channel->point) : 0;
    enum quantity kind =
        channel->point != POINT_NONE ? point_get(channel->point)->kind : QUANTITY_NONE;
    channel->scale = made_decimal(scale);
    channel->offset = made_decimal(offset);
    channel->unit = unit[0] != '\0' ? unit_find(unit, strlen(unit), kind) : 0;
    struct up_error error;
    if (to == 0)
        to = channel->unit;
    if (conversion_make(channel->scale, channel->offset, channel->unit, to, &channel->to_point,
                        &error) != UP_OK)
        fail_msg("%s", error.why);
}

static inline struct channel *made_channel(struct map *map, unsigned point, uint8_t table,
                                           uint16_t address, enum register_type type,
                                           const char *scale, const char *unit)
{
    struct channel *channel = &map->channel[map->n_channels++];
    memset(channel, 0, sizeof *channel);
    channel->point = (uint16_t)point;
    channel->table = table;
    channel->type = (uint8_t)type;
    channel->words = WORDS_HIGH_FIRST;
    channel->bytes = BYTES_HIGH_FIRST;
    channel->address = address;
    channel->n_words = (uint16_t)register_type_words(type);
    made_convert(channel, scale, "0", unit);
    if (channel->unit != 0 && unit_get(channel->unit)->kind == QUANTITY_PRESSURE)
        channel->reference = REFERENCE_ABSOLUTE;
    return channel;
}

static inline void made_marker(struct channel *channel, uint16_t high, uint16_t low)
{
    struct marker *marker = &channel->not_fitted[channel->n_markers++];
    marker->n_words = (uint8_t)channel->n_words;
    marker->words[0] = high;
    if (channel->n_words == 2)
        marker->words[1] = low;
}

static inline void made_instrument(struct channel *channel, double low, double high)
{
    channel->has_instrument_range = true;
    channel->instrument_low = low;
    channel->instrument_high = high;
}

static inline void made_expected(struct channel *channel, double low, double high)
{
    channel->has_expected_range = true;
    channel->expected_low = low;
    channel->expected_high = high;
}

static inline void made_scaled_16(struct map *map)
{
    memset(map, 0, sizeof *map);
    snprintf(map->name, sizeof map->name, "scaled-16");
    map->refresh_ms = 28000;
    map->first_data_ms = 25000;
    map->largest_read = 60;
    map->has_status = true;
    map->status_table = TABLE_INPUT;
    map->status_address = STATUS_AT;
    map->status_bit[0] = STATUS_LIVE;
    map->status_bit[1] = STATUS_STARTING;
    map->status_bit[2] = STATUS_FAULT;
    struct channel *channel = made_channel(map, POINT_INTAKE_PRESSURE, TABLE_INPUT,
                                           INTAKE_PRESSURE_AT, TYPE_U16, "0.001", "MPa");
    made_instrument(channel, 0, 60000);
    made_marker(channel, 0xFFFF, 0);
    channel = made_channel(map, POINT_DISCHARGE_PRESSURE, TABLE_INPUT, DISCHARGE_PRESSURE_AT,
                           TYPE_U16, "0.001", "MPa");
    made_instrument(channel, 0, 60000);
    made_marker(channel, 0xFFFF, 0);
    channel = made_channel(map, POINT_INTAKE_TEMPERATURE, TABLE_INPUT, INTAKE_TEMPERATURE_AT,
                           TYPE_S16, "0.1", "degC");
    made_instrument(channel, -20, 200);
    channel = made_channel(map, POINT_DISCHARGE_TEMPERATURE, TABLE_INPUT, DISCHARGE_TEMPERATURE_AT,
                           TYPE_S16, "0.1", "degC");
    made_instrument(channel, -20, 200);
    made_marker(channel, 0, 0);
    channel = made_channel(map, POINT_MOTOR_WINDING_TEMPERATURE, TABLE_INPUT,
                           WINDING_TEMPERATURE_AT, TYPE_F32, "1", "degC");
    made_instrument(channel, -20, 300);
    made_channel(map, 8, TABLE_INPUT, VIBRATION_AT, TYPE_U16, "0.01", "m/s2");
}

static inline void made_drive(struct map *map)
{
    memset(map, 0, sizeof *map);
    snprintf(map->name, sizeof map->name, "drive-a");
    map->refresh_ms = 1000;
    map->largest_read = 60;
    made_channel(map, POINT_DRIVE_FREQUENCY, TABLE_HOLDING, 0, TYPE_U16, "0.01", "Hz");
    struct channel *channel =
        made_channel(map, POINT_DRIVE_RUN_STATE, TABLE_HOLDING, 1, TYPE_U16, "1", "");
    channel->n_values = 2;
    channel->values[0] = (struct map_value){.raw = 10, .becomes = 1, .text = "stopped"};
    channel->values[1] = (struct map_value){.raw = 11, .becomes = 2, .text = "running"};
}

static inline void made_entry(struct made *made, uint8_t source, uint16_t map)
{
    struct source_entry *entry = &made->entries[source][0];
    memset(entry, 0, sizeof *entry);
    entry->from_utc_ms = MADE_UTC_MS - 86400000;
    entry->map = map;
    entry->unit_id = 1;
    entry->poll_every_ms = 10000;
    entry->refresh_ms = made->maps[map].refresh_ms;
    entry->stale_limit_ms = 2 * 10000 + entry->refresh_ms + 200; /* a round of 0.2 s */
    entry->down_after = 3;
    entry->freeze_after = 40;
    for (unsigned i = 0; i < POINT_COUNT; i++)
        entry->confirmed_units[i] = true;
    made->well.entries[source] = made->entries[source];
    made->well.n_entries[source] = 1;
}

/** Registers of a healthy unit: 12.345 MPa, 88.1 degC, 18.23 MPa, 87.4 degC, 123.5 degC, 0.36 m/s2.
 */
static inline void made_healthy(struct made *made)
{
    memset(made->unit, 0, sizeof made->unit);
    made->unit[STATUS_AT] = LIVE_BIT;
    made->unit[INTAKE_PRESSURE_AT] = 12345;
    made->unit[INTAKE_TEMPERATURE_AT] = 881;
    made->unit[DISCHARGE_PRESSURE_AT] = 18230;
    made->unit[DISCHARGE_TEMPERATURE_AT] = 874;
    put_registers(&made->unit[WINDING_TEMPERATURE_AT], 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST,
                  float_to_bits(123.5F));
    made->unit[VIBRATION_AT] = 36;
}

static inline struct made *made_new(void)
{
    struct made *made = calloc(1, sizeof *made);
    assert_non_null(made);
    made->fold = calloc(1, fold_bytes());
    assert_non_null(made->fold);
    fold_init(made->fold);
    made_scaled_16(&made->maps[0]);
    made_drive(&made->maps[1]);
    made->line.response_timeout_ms = 1000;
    made->plan.lines = &made->line;
    made->plan.n_lines = 1;
    made->plan.maps = made->maps;
    made->plan.n_maps = 2;
    made->plan.wells = &made->well;
    made->plan.n_wells = 1;
    made->plan.digest_32 = 0x5b1e07aa;
    snprintf(made->well.id, sizeof made->well.id, "heron-7");
    made->well.number = 1;
    made_entry(made, SOURCE_GAUGE, 0);
    made_healthy(made);
    made->utc_minus_boot = MADE_UTC_MS - MADE_BOOT_MS;
    made->clock = CLOCK_STATE_SYNCHRONISED;
    return made;
}

static inline void made_free(struct made *made)
{
    free(made->fold);
    free(made);
}

/** Forgets what the fold learnt, as a start of the program with a new run does. */
static inline void made_new_run(struct made *made)
{
    fold_init(made->fold);
}

static inline void made_block(struct scan *scan, uint8_t function, uint16_t first, uint16_t count,
                              const uint16_t *words)
{
    struct block *block = &scan->block[scan->n_blocks++];
    *block =
        (struct block){.function = function, .first = first, .count = count, .at = scan->n_words};
    memcpy(&scan->words[scan->n_words], words, count * sizeof *words);
    scan->n_words = (uint16_t)(scan->n_words + count);
}

/** A scan of the gauge's unit as it stands, begun `ms` after the first. */
static inline struct scan made_scan(struct made *made, int64_t ms)
{
    struct scan scan;
    memset(&scan, 0, sizeof scan);
    scan.run = MADE_RUN;
    scan.seq = ++made->seq;
    scan.begun = (struct stamp){.utc_ms = MADE_BOOT_MS + ms + made->utc_minus_boot,
                                .boot_ms = MADE_BOOT_MS + ms,
                                .boot = 7,
                                .clock = made->clock};
    scan.took_ms = 200;
    scan.plan = 1;
    scan.well = 1;
    scan.source = SOURCE_GAUGE;
    scan.outcome = OUTCOME_ANSWERED;
    made_block(&scan, TABLE_INPUT, 0, 2, &made->unit[0]);
    made_block(&scan, TABLE_INPUT, 16, 2, &made->unit[16]);
    made_block(&scan, TABLE_INPUT, 20, 8, &made->unit[20]);
    made_block(&scan, TABLE_INPUT, 0, 1, &made->unit[0]);
    scan.tries = 4;
    return scan;
}

static inline struct scan made_failed(struct made *made, int64_t ms)
{
    struct scan scan = made_scan(made, ms);
    scan.outcome = OUTCOME_SILENT;
    scan.n_blocks = scan.n_words = 0;
    memset(scan.block, 0, sizeof scan.block);
    memset(scan.words, 0, sizeof scan.words);
    scan.tries = 2;
    return scan;
}

static inline struct scan made_drive_scan(struct made *made, int64_t ms)
{
    struct scan scan = made_failed(made, ms);
    scan.source = SOURCE_DRIVE;
    scan.outcome = OUTCOME_ANSWERED;
    made_block(&scan, TABLE_HOLDING, 0, 8, made->drive);
    scan.tries = 1;
    return scan;
}

static inline void made_measure(struct made *made, const struct scan *scan)
{
    measure_scan(made->fold, &made->plan, &made->well, scan, &made->record, made->facts,
                 &made->n_facts);
}

/** Scans the unit as it stands and measures it. */
static inline void made_poll(struct made *made, int64_t ms)
{
    struct scan scan = made_scan(made, ms);
    made_measure(made, &scan);
}

/** Healthy polls each 10 s from `from_ms` until `to_ms` (which is not polled): the gauge has agreed
 * from 30 s on. */
static inline void made_polls(struct made *made, int64_t from_ms, int64_t to_ms)
{
    for (int64_t ms = from_ms; ms < to_ms; ms += 10000)
        made_poll(made, ms);
}

static inline const struct reading *made_reading(const struct made *made, unsigned point)
{
    for (unsigned i = 0; i < made->record.n; i++) {
        if (made->record.reading[i].point == point)
            return &made->record.reading[i];
    }
    fail_msg("record %llu holds no point %u", (unsigned long long)made->record.seq, point);
    return NULL;
}
static inline uint8_t made_quality(const struct made *made, unsigned point)
{
    return made_reading(made, point)->quality;
}
static inline double made_value(const struct made *made, unsigned point)
{
    return made_reading(made, point)->value;
}

static inline struct stamp made_now(const struct made *made, int64_t ms)
{
    return (struct stamp){.utc_ms = MADE_BOOT_MS + ms + made->utc_minus_boot,
                          .boot_ms = MADE_BOOT_MS + ms,
                          .boot = 7,
                          .clock = made->clock};
}
static inline const struct live_reading *made_live(const struct snapshot *snapshot, unsigned point)
{
    for (unsigned i = 0; i < snapshot->n; i++) {
        if (snapshot->reading[i].point == point)
            return &snapshot->reading[i];
    }
    fail_msg("snapshot holds no point %u", point);
    return NULL;
}
static inline void made_look(const struct made *made, int64_t ms, struct snapshot *snapshot)
{
    struct stamp now = made_now(made, ms);
    measure_at(made->fold, &made->plan, &made->well, MADE_RUN, &now, true, snapshot);
}

#endif
