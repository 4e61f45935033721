/* SPDX-License-Identifier: Apache-2.0
 *
 * check_facts.c - what follows from a plan: reads and their wire time, shares of lines, bytes a
 * day.
 */
#include "check.h"
#include "space.h"

#include "uphole/publish.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define DAY_MS 86400000.0
#define PACKET_BYTES                                                                               \
    150 /* MQTT, TLS, TCP and IP headers of a message and its acknowledgement, about */

void check_advise(struct check_facts *facts, const char *format, ...)
{
    va_list arguments;
    if (facts->n_advice == CHECK_ADVICE_MAX) {
        facts->more_advice++;
        return;
    }
    va_start(arguments, format);
    (void)vsnprintf(facts->advice[facts->n_advice++], CHECK_ADVICE_TEXT, format, arguments);
    va_end(arguments);
}

/* Entries that begin later must be readable too: they come into use by themselves. */
static enum up_rc check_later_entries(const struct check_facts *facts,
                                      const struct check_source *used, struct up_error *error)
{
    struct read_plan reads;
    for (unsigned i = 0; i < used->well->n_entries[used->source]; i++) {
        const struct source_entry *entry = &used->well->entries[used->source][i];
        const struct map *map = &facts->plan->maps[entry->map];
        if (entry <= used->entry)
            continue;
        const enum up_rc rc = read_plan_make(map, &facts->plan->lines[entry->line], &reads, error);
        if (rc != UP_OK) {
            up_error_prefix(error, "map %s of the %s of well %s", map->name,
                            source_name(used->source), used->well->id);
            return rc;
        }
    }
    return UP_OK;
}

static enum up_rc find_source(struct check_facts *facts, const struct well_plan *well,
                              uint8_t source, struct up_error *error)
{
    const struct plan *plan = facts->plan;
    struct check_source *at = &facts->sources[facts->n_sources];
    at->well = well;
    at->source = source;
    at->entry = plan_entry_at(well, source, facts->now_utc_ms);
    at->map = &plan->maps[at->entry->map];
    at->line = &plan->lines[at->entry->line];
    const enum up_rc rc = read_plan_make(at->map, at->line, &at->reads, error);
    if (rc != UP_OK) {
        up_error_prefix(error, "map %s of the %s of well %s", at->map->name, source_name(source),
                        well->id);
        return rc;
    }
    for (unsigned i = 0; i < at->reads.n; i++)
        at->registers += at->reads.range[i].request.count;
    at->wire_us = read_plan_wire_us(&at->reads, at->line, CHECK_REPLY_DELAY_US);
    at->share = (double)at->wire_us / 1000.0 / at->entry->poll_every_ms;
    at->disk_bytes_a_day = space_source_bytes_a_day(at->entry, &at->reads);
    facts->disk_bytes_a_day += at->disk_bytes_a_day;
    facts->n_sources++;
    return check_later_entries(facts, at, error);
}

static void find_lines(struct check_facts *facts)
{
    const struct plan *plan = facts->plan;
    for (uint16_t i = 0; i < plan->n_lines; i++) {
        struct check_line *line = &facts->lines[facts->n_lines++];
        line->line = &plan->lines[i];
        line->round_us = line_round_us(plan, i);
        line->bound_ms = plan_round_ms(plan, i);
        for (unsigned s = 0; s < facts->n_sources; s++) {
            if (facts->sources[s].line != line->line)
                continue;
            line->n_sources++;
            line->share += facts->sources[s].share;
        }
    }
}

enum up_rc check_find(const struct plan *plan, const char *file, int64_t now_utc_ms,
                      struct check_facts *facts, struct up_error *error)
{
    facts->plan = plan;
    facts->now_utc_ms = now_utc_ms;
    facts->file = file;
    for (int w = 0; w < plan->n_wells; w++)
        for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++) {
            if (plan->wells[w].n_entries[source] == 0)
                continue;
            const enum up_rc rc = find_source(facts, &plan->wells[w], source, error);
            if (rc != UP_OK)
                return rc;
        }
    find_lines(facts);
    check_estimate_destinations(facts);
    check_advise_all(facts);
    return UP_OK;
}

/* ---- what a destination is sent, measured on real payloads ---- */

/* A value with as many digits as usual ones: four fifths of the point's typical range. */
static double usual_value(const struct point *point)
{
    const double value = point->typical_low + 0.8 * (point->typical_high - point->typical_low);
    return isfinite(value) ? value : 1000;
}

static void fill_record(const struct plan *plan, const struct check_source *source,
                        struct record *record)
{
    memset(record, 0, sizeof *record);
    record->run = 0x9f3c61d2a07b44e8u;
    record->after_run = record->run;
    record->seq = 1000000;
    record->after_seq = 999999;
    record->plan_digest = plan->digest_32;
    record->measure_version = 1;
    record->at.utc_ms = source->entry->from_utc_ms;
    record->at.clock = CLOCK_STATE_SYNCHRONISED;
    record->well = source->well->number;
    record->source = source->source;
    record->outcome = OUTCOME_ANSWERED;
    for (int i = 0; i < source->map->n_channels && record->n < RECORD_READINGS_MAX; i++) {
        struct reading *reading = &record->reading[record->n++];
        reading->point = source->map->channel[i].point;
        reading->quality = QUALITY_GOOD;
        reading->age_s = 28.4f;
        reading->value = usual_value(point_get(reading->point));
    }
}

static size_t record_bytes(const struct check_facts *facts, const struct check_source *source,
                           const struct destination_plan *to, struct record *record, char *buffer)
{
    size_t used = 0;
    fill_record(facts->plan, source, record);
    return payload_record(buffer, PAYLOAD_MAX, facts->plan, &to->units, SENT_LIVE, record, 1,
                          &used);
}

static size_t latest_bytes(const struct check_facts *facts, const struct well_plan *well,
                           const struct destination_plan *to, struct snapshot *snapshot,
                           char *buffer)
{
    memset(snapshot, 0, sizeof *snapshot);
    snapshot->run = 0x9f3c61d2a07b44e8u;
    snapshot->seq = 1000000;
    snapshot->well = well->number;
    snapshot->journaled = true;
    for (unsigned point = 1; point < POINT_COUNT; point++)
        for (unsigned s = 0; s < facts->n_sources; s++)
            if (facts->sources[s].well == well && map_channel(facts->sources[s].map, point) &&
                snapshot->n < RECORD_READINGS_MAX)
                snapshot->reading[snapshot->n++] =
                    (struct live_reading){.point = (uint16_t)point,
                                          .quality = QUALITY_GOOD,
                                          .value = usual_value(point_get(point))};
    return payload_latest(buffer, PAYLOAD_MAX, facts->plan, &to->units, snapshot, 28400);
}

static void estimate_mqtt(struct check_facts *facts, struct check_destination *at, char *buffer)
{
    struct record *record = calloc(1, sizeof *record);
    struct snapshot *snapshot = calloc(1, sizeof *snapshot);
    for (unsigned s = 0; record && s < facts->n_sources; s++) {
        const double scans = DAY_MS / facts->sources[s].entry->poll_every_ms;
        at->messages_a_day += scans;
        at->bytes_a_day += scans * ((double)record_bytes(facts, &facts->sources[s], at->destination,
                                                         record, buffer) +
                                    PACKET_BYTES);
    }
    for (int w = 0; snapshot && w < facts->plan->n_wells; w++) {
        const double messages = DAY_MS / at->destination->latest_every_ms;
        at->messages_a_day += messages;
        at->bytes_a_day += messages * ((double)latest_bytes(facts, &facts->plan->wells[w],
                                                            at->destination, snapshot, buffer) +
                                       PACKET_BYTES);
    }
    free(record);
    free(snapshot);
}

void check_estimate_destinations(struct check_facts *facts)
{
    char *buffer = malloc(PAYLOAD_MAX);
    for (int d = 0; d < facts->plan->n_destinations; d++) {
        struct check_destination *at = &facts->destinations[facts->n_destinations++];
        at->destination = &facts->plan->destinations[d];
        if (buffer && at->destination->medium == DESTINATION_MQTT)
            estimate_mqtt(facts, at, buffer);
    }
    free(buffer);
}
