/* SPDX-License-Identifier: Apache-2.0
 *
 * line_scene.h - the setting of the scenarios of a line, and what their receiver notes.
 */
#ifndef UPHOLE_TESTS_LINE_SCENE_H
#define UPHOLE_TESTS_LINE_SCENE_H

#include "day.h"

#include "check.h"

#include "uphole/wire.h"

#include <inttypes.h>
#include <stdlib.h>

#define HOUR INT64_C(3600000)
#define FUNCTION_INPUT 4

#define HEAD "site: heron-ridge\nbox: heron-edge-1\n"
#define LINE(timeout)                                                                              \
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, "                      \
    "response_timeout: " timeout ", listen_first: 2 s}\n"
#define DESTINATIONS                                                                               \
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"               \
    "  scada-table: {modbus_tcp: '127.0.0.1:1502'}\n"
#define GAUGE(unit_id, map, units)                                                                 \
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"                         \
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: " unit_id ", map: " map       \
    ", poll_every: 10 s" units "}\n"
#define CONFIRMED ", confirmed_units: all"

static const char ONE_UNIT[] = HEAD LINE("1 s") GAUGE("1", "scaled-16", CONFIRMED) DESTINATIONS;
static const char COMMISSIONING[] =
    HEAD LINE("1 s") GAUGE("1", "scaled-16", "") DESTINATIONS; /* nothing is compared yet */
static const char UNIT_5[] = HEAD LINE("1 s") GAUGE("5", "scaled-16", CONFIRMED) DESTINATIONS;
/* Two blocks of one length that no padding can tell apart: between them stands what must not be
 * read. Both hold a pressure of the same scale, so that each is plausible in the other's place. */
static const char TWIN_BLOCKS[] =
    HEAD LINE("500 ms") GAUGE("1", "twin-blocks", CONFIRMED) DESTINATIONS
    "maps:\n  twin-blocks:\n    map: twin-blocks\n    numbering: from-0\n    refresh: 28 s\n"
    "    first_data: 25 s\n    largest_read: 4 registers\n    readable: [{input: 10}, {input: "
    "20}]\n"
    "    never: [{input: 0 to 9}, {input: 11 to 19}, {input: 21 to 40}]\n    channels:\n"
    "      intake_pressure: {input: 10, type: u16, scale: 0.001, unit: MPa, reference: absolute, "
    "instrument_range: 0 to 60 MPa}\n"
    "      discharge_pressure: {input: 20, type: u16, scale: 0.001, unit: MPa, reference: "
    "absolute, instrument_range: 0 to 60 MPa}\n";
static const char TWO_UNITS_AND_A_DRIVE[] =
    HEAD "lines:\n"
         "  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 s, "
         "listen_first: 2 s}\n"
         "  skid-line: {tcp: '192.0.2.7:502'}\n"
         "wells:\n"
         "  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
         "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
         "poll_every: 10 s, confirmed_units: all}\n"
         "      drive:\n"
         "        - {from: 2031-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: drive-a, "
         "poll_every: 10 s, confirmed_units: all}\n"
         "  heron-8:\n    table_block: 1\n    sources:\n      gauge:\n"
         "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 2, map: scaled-16, "
         "poll_every: 10 s, confirmed_units: all}\n" DESTINATIONS;

/** What a trouble needs to remember, and what the receiver saw. */
struct seen {
    uint64_t state; /* random, by seed */
    unsigned mode, asked, harmed, left;
    int64_t delay_us;
    uint64_t records, line_down, good, disturbed, other_block, values, channel_fault, impossible;
    uint64_t silent_gauge, unknown_gauge, degraded, down;
    int64_t down_at_ms;
};

static inline uint32_t next(struct seen *seen)
{
    seen->state = seen->state * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)(seen->state >> 33);
}

static inline void note_record(struct day *day, void *context, const struct record *record,
                               bool live)
{
    (void)day;
    (void)live;
    struct seen *seen = context;
    seen->records++;
    for (uint16_t i = 0; i < record->n; i++) {
        const struct reading *reading = &record->reading[i];
        if (point_get(reading->point)->type != POINT_MEASURED)
            continue;
        seen->line_down += reading->quality == QUALITY_LINE_DOWN;
        seen->good += reading->quality == QUALITY_GOOD;
        seen->disturbed += reading->quality == QUALITY_LINE_DISTURBED;
        seen->channel_fault += reading->quality == QUALITY_CHANNEL_FAULT;
        seen->impossible += reading->quality == QUALITY_IMPOSSIBLE;
        seen->values += quality_class_of(reading->quality) != QUALITY_CLASS_BAD;
    }
}

static inline void note_snapshot(struct day *day, void *context, const struct snapshot *snapshot)
{
    struct seen *seen = context;
    seen->silent_gauge += snapshot->gauge == GAUGE_SILENT;
    seen->unknown_gauge += snapshot->gauge == GAUGE_UNKNOWN;
    seen->degraded += snapshot->line == LINE_DEGRADED;
    seen->down += snapshot->line == LINE_DOWN;
    if (snapshot->line == LINE_DOWN && seen->down_at_ms == 0)
        seen->down_at_ms = day_now_ms(day);
}

static inline unsigned quality_in_table(struct day *day, unsigned point)
{
    const size_t at = TABLE_FIRST_SLOT + TABLE_SLOT_REGISTERS * (point - 1) + 2;
    return day_register(day, 1, (uint16_t)at);
}

static inline struct day *begin(const char *config, struct seen *seen,
                                void (*fault)(struct day *day, void *context, uint16_t line,
                                              const uint8_t *request, size_t n_request,
                                              struct day_answer *answer),
                                bool unjudged)
{
    const struct day_options options = {.config = config,
                                        .seed = 31,
                                        .fault = fault,
                                        .context = seen,
                                        .record = note_record,
                                        .snapshot = note_snapshot,
                                        .unjudged = unjudged};
    return day_create(&options);
}

#endif
