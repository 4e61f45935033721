/* SPDX-License-Identifier: Apache-2.0
 *
 * table_fixture.c - the table's tests' invented site.
 */
#include "table_fixture.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void *zeroed(size_t n, size_t size)
{
    void *bytes = calloc(n, size);
    if (bytes == NULL)
        abort();
    return bytes;
}

static void add_view(struct destination_plan *table, uint8_t unit_id, uint8_t set, uint8_t words,
                     uint8_t missing_as)
{
    struct view *view = &table->views[table->n_views++];
    view->unit_id = unit_id;
    view->units.set = set;
    view->words = words;
    view->missing_as = missing_as;
    view->missing_number = -9999.0;
}

static void add_well(struct plan *plan, uint16_t index, const char *id, const char *label,
                     uint16_t block)
{
    struct well_plan *well = &plan->wells[index];
    snprintf(well->id, sizeof well->id, "%s", id);
    snprintf(well->label, sizeof well->label, "%s", label);
    well->table_block = block;
    well->number = (uint16_t)(index + 7); /* the journal's numbers aren't indices */
    well->n_entries[SOURCE_GAUGE] = 1;
    well->entries[SOURCE_GAUGE] = zeroed(1, sizeof(struct source_entry));
    well->entries[SOURCE_GAUGE]->poll_every_ms = 10000;
    well->entries[SOURCE_GAUGE]->refresh_ms = 28000;
    well->entries[SOURCE_GAUGE]->stale_limit_ms = 48000;
}

struct plan *fixture_plan(void)
{
    struct plan *plan = zeroed(1, sizeof *plan);
    snprintf(plan->site, sizeof plan->site, "heron-ridge");
    snprintf(plan->box, sizeof plan->box, "heron-edge-1");
    plan->n_maps = 1;
    plan->maps = zeroed(1, sizeof *plan->maps);
    plan->maps->n_channels = 3;
    for (uint16_t c = 0; c < 3; c++)
        plan->maps->channel[c].point = (uint16_t)(c + 1);
    plan->maps->channel[0].reference = plan->maps->channel[1].reference = REFERENCE_ABSOLUTE;
    plan->n_wells = 2;
    plan->wells = zeroed(2, sizeof *plan->wells);
    add_well(plan, 0, "heron-7", "Heron 7", 0);
    add_well(plan, 1, "heron-8", "Heron 8", 2);
    plan->n_destinations = 1;
    plan->destinations = zeroed(1, sizeof *plan->destinations);
    struct destination_plan *table = plan->destinations;
    snprintf(table->name, sizeof table->name, "scada-table");
    snprintf(table->host, sizeof table->host, "127.0.0.1");
    table->medium = DESTINATION_MODBUS_TCP;
    table->clients = 64;
    table->clients_per_address = 4;
    table->idle_ms = 60000;
    add_view(table, METRIC_HIGH, UNITS_METRIC, WORDS_HIGH_FIRST, 0);
    add_view(table, METRIC_LOW, UNITS_METRIC, WORDS_LOW_FIRST, 0);
    add_view(table, US_HIGH, UNITS_US, WORDS_HIGH_FIRST, 0);
    add_view(table, US_LOW, UNITS_US, WORDS_LOW_FIRST, 0);
    add_view(table, OWN_HIGH, UNITS_OWN, WORDS_HIGH_FIRST, 0);
    table->views[4].units.by_kind[QUANTITY_PRESSURE] = unit_find("kgf/cm2", 7, QUANTITY_PRESSURE);
    add_view(table, LAST_HIGH, UNITS_METRIC, WORDS_HIGH_FIRST, 1);
    add_view(table, NUMBER_HIGH, UNITS_METRIC, WORDS_HIGH_FIRST, 2);
    return plan;
}

void fixture_free(struct plan *plan)
{
    for (unsigned w = 0; w < plan->n_wells; w++)
        free(plan->wells[w].entries[SOURCE_GAUGE]);
    free(plan->wells);
    free(plan->maps);
    free(plan->destinations);
    free(plan);
}

static void add_reading(struct snapshot *snapshot, uint16_t point, uint8_t quality, double value,
                        int64_t fresh_boot_ms, uint32_t stale_limit_ms)
{
    snapshot->reading[snapshot->n++] = (struct live_reading){.point = point,
                                                             .quality = quality,
                                                             .value = value,
                                                             .fresh_boot_ms = fresh_boot_ms,
                                                             .stale_limit_ms = stale_limit_ms};
}

struct snapshot fixture_snapshot(uint16_t well)
{
    struct snapshot snapshot;
    memset(&snapshot, 0, sizeof snapshot);
    snapshot.run = FIXTURE_RUN;
    snapshot.seq = 88120;
    snapshot.newest = (struct stamp){.utc_ms = FIXTURE_UTC_MS,
                                     .boot_ms = FIXTURE_NOW_MS - 5000,
                                     .clock = CLOCK_STATE_SYNCHRONISED};
    snapshot.taken = snapshot.newest;
    snapshot.well = well;
    snapshot.line = LINE_UP;
    snapshot.gauge = GAUGE_LIVE;
    snapshot.clock = CLOCK_STATE_SYNCHRONISED;
    snapshot.journaled = true;
    const int64_t fresh = FIXTURE_NOW_MS - 5000;
    add_reading(&snapshot, 1, QUALITY_GOOD, 12345.0, fresh, 48000);
    add_reading(&snapshot, 2, QUALITY_NOT_FITTED, NAN, INT64_MIN, 48000);
    add_reading(&snapshot, 3, QUALITY_GOOD, 87.4, fresh, 48000);
    add_reading(&snapshot, POINT_GAUGE_DATA_AGE, QUALITY_GOOD, 5.0, FIXTURE_NOW_MS, 0);
    add_reading(&snapshot, POINT_LINE_ERROR_RATIO, QUALITY_GOOD, 0.0, FIXTURE_NOW_MS, 0);
    return snapshot;
}

struct table_header fixture_header(void)
{
    return (struct table_header){.delivery = DELIVERY_UP,
                                 .clock = CLOCK_STATE_SYNCHRONISED,
                                 .journaled = 1,
                                 .heartbeat = 70000,
                                 .waiting = 0x00012345,
                                 .gaps_open = 2,
                                 .days_left = 391};
}

struct live_reading *fixture_reading(struct snapshot *snapshot, unsigned point)
{
    for (unsigned i = 0; i < snapshot->n; i++) {
        if (snapshot->reading[i].point == point)
            return &snapshot->reading[i];
    }
    return NULL;
}

struct wall_state fixture_state(uint32_t heartbeat)
{
    struct wall_state state;
    memset(&state, 0, sizeof state);
    state.clock = CLOCK_STATE_SYNCHRONISED;
    state.journal_ok = 1;
    state.days_left = 391;
    state.heartbeat = heartbeat;
    state.n_wells = 2;
    state.well[0].well = 7;
    state.well[0].delivery = DELIVERY_UP;
    state.well[1].well = 8;
    state.well[1].delivery = DELIVERY_CATCHING_UP;
    state.well[1].waiting = 12;
    return state;
}
