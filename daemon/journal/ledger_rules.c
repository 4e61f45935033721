/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_rules.c - what a scan and its record say about line, gauge, channels and clock. Pure.
 *
 *   line     no valid answer: from the due time to where the first scan that was heard began
 *   gauge    heard, but every fitted gauge channel silent or starting, or every one at fault
 *   channel  one point missing while others of its source are there; a marker is a state, until
 *            the point was seen good
 *   clock    UTC against boot time moved by more than half a second between two scans of the box
 */
#include "ledger.h"

#include <stdlib.h>
#include <string.h>

/* The cause of a line row, and how telling it is: a vanished port explains a silence, not the other
 * way. */
static const struct {
    uint8_t cause, rank;
} LINE_CAUSES[OUTCOME_COUNT] = {
    [OUTCOME_SILENT] = {CAUSE_SILENT, 1},
    [OUTCOME_CUT_SHORT] = {CAUSE_CUT_SHORT, 2},
    [OUTCOME_BAD_CHECKSUM] = {CAUSE_BAD_CHECKSUM, 2},
    [OUTCOME_WRONG_REPLY] = {CAUSE_WRONG_REPLY, 2},
    [OUTCOME_PATH_DOWN] = {CAUSE_PATH_DOWN, 3},
    [OUTCOME_PORT_GONE] = {CAUSE_PORT_GONE, 4},
    [OUTCOME_NO_CONNECTION] = {CAUSE_NO_CONNECTION, 4},
};

static uint8_t rank_of(uint8_t cause)
{
    for (size_t i = 0; i < OUTCOME_COUNT; i++)
        if (LINE_CAUSES[i].rank > 0 && LINE_CAUSES[i].cause == cause)
            return LINE_CAUSES[i].rank;
    return 0;
}

/** Opens a row, or the same again where it flaps. */
static struct ledger_row *open_row(struct ledger *ledger, const struct ledger_key *key,
                                   const struct stamp *due, bool *fresh)
{
    struct ledger_key any = *key;
    any.cause = CAUSE_NONE;
    *fresh = false;
    struct ledger_row *row = ledger_find_open(ledger, &any);
    if (row != NULL)
        return row;
    row = ledger_find_flapping(ledger, &any);
    if (row != NULL) {
        row->gap.is_open = true;
        row->gap.end = (struct stamp){0};
        row->gap.end_sure = false;
        row->gap.after_seq = 0;
        ledger_touch(row, true);
        return row;
    }
    *fresh = true;
    return ledger_new_row(ledger, key, due);
}

/** A good scan for the rows of one kind: open ones close, closed ones grow old. */
static void see_good(struct ledger *ledger, const struct ledger_key *key, const struct scan *scan)
{
    struct ledger_row *row = ledger_find_open(ledger, key);
    if (row != NULL)
        ledger_close(row, &scan->begun, scan->seq);
    row = ledger_find_flapping(ledger, key);
    if (row != NULL)
        row->good_scans++;
}

static bool is_gauge_sensor(uint16_t point)
{
    const struct point *row = point_get(point);
    return row != NULL && row->type == POINT_MEASURED && point_is_of_gauge(point) != 0;
}

/** Which rows are part of a wider one. */
enum wider { OF_LINE, OF_GAUGE, OF_SOURCE };

static bool is_part_of(enum wider wider, const struct gap *gap)
{
    if (gap->kind == GAP_GAUGE)
        return wider == OF_LINE;
    if (gap->kind != GAP_CHANNEL)
        return false;
    if (gap->point == POINT_NONE) /* every channel of the source: no part of itself */
        return wider != OF_SOURCE;
    return wider != OF_GAUGE || is_gauge_sensor(gap->point);
}

/** The widest scope wins: ends the source's rows that are part of it. */
static void suppress(struct ledger *ledger, const struct scan *scan, const struct stamp *from,
                     enum wider wider)
{
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        const struct gap *gap = &row->gap;
        if (!row->used || gap->well != scan->well || gap->source != scan->source ||
            !is_part_of(wider, gap))
            continue;
        if (gap->is_open)
            ledger_close(row, from, 0);
        row->good_scans = LEDGER_FLAP_SCANS; /* what follows is another gap */
    }
}

static void see_silence(struct ledger *ledger, const struct scan *scan, const struct stamp *due)
{
    const uint8_t cause =
        scan->outcome < OUTCOME_COUNT ? LINE_CAUSES[scan->outcome].cause : CAUSE_SILENT;
    const struct ledger_key key = {.kind = GAP_LINE,
                                   .cause = cause != CAUSE_NONE ? cause : CAUSE_SILENT,
                                   .well = scan->well,
                                   .source = scan->source};
    bool fresh = false;
    const struct ledger_key any = {.kind = GAP_LINE, .well = scan->well, .source = scan->source};
    const bool was_open = ledger_find_open(ledger, &any) != NULL;
    struct ledger_row *row = open_row(ledger, &key, due, &fresh);
    if (!was_open)
        suppress(ledger, scan, due, OF_LINE);
    if (row == NULL)
        return;
    if (!was_open)
        ledger_counts_join_line(ledger, row, due);
    row->gap.scans++;
    ledger_touch(row, false);
    if (fresh || rank_of(key.cause) > rank_of(row->gap.cause_code)) {
        row->gap.cause_code = key.cause;
        ledger_say_line(row->gap.cause, ledger, scan);
        ledger_touch(row, true);
    }
}

/* ---- gauge and channels ---- */

enum presence { PRESENT, SKIPPED, SILENT, FAULTY };

static enum presence presence_of(struct ledger_source *source, const struct reading *reading)
{
    if (quality_class_of(reading->quality) != QUALITY_CLASS_BAD) {
        source->seen_good[reading->point] = true;
        return PRESENT;
    }
    switch (reading->quality) {
    case QUALITY_NOT_MAPPED:
        return SKIPPED;
    case QUALITY_NOT_FITTED:
    case QUALITY_NO_DATA: /* nobody read its registers */
        return source->seen_good[reading->point] ? FAULTY : SKIPPED;
    case QUALITY_GAUGE_SILENT:
    case QUALITY_STARTING:
        return SILENT;
    default:
        return FAULTY;
    }
}

struct tally {
    unsigned present, silent, starting, faulty;
};

static bool measured(const struct reading *reading)
{
    const struct point *point = point_get(reading->point);
    return point != NULL && point->type == POINT_MEASURED;
}

static void tally_record(struct ledger_source *source, const struct record *record, bool of_gauge,
                         struct tally *tally)
{
    memset(tally, 0, sizeof *tally);
    for (unsigned i = 0; i < record->n && i < RECORD_READINGS_MAX; i++) {
        const struct reading *reading = &record->reading[i];
        if (!measured(reading) || (of_gauge && !is_gauge_sensor(reading->point)))
            continue;
        const enum presence presence = presence_of(source, reading);
        tally->present += presence == PRESENT;
        tally->silent += presence == SILENT;
        tally->starting += reading->quality == QUALITY_STARTING;
        tally->faulty += presence == FAULTY;
    }
}

/** True while the gauge as a whole is missing. */
static bool see_gauge(struct ledger *ledger, struct ledger_source *source, const struct scan *scan,
                      const struct record *record, const struct stamp *due)
{
    struct tally tally;
    struct ledger_key key = {.kind = GAP_GAUGE, .well = scan->well, .source = scan->source};
    tally_record(source, record, true, &tally);
    const unsigned missing = tally.silent + tally.faulty;
    if (missing == 0 || tally.present > 0 || (tally.silent == 0 && tally.faulty < 2)) {
        if (tally.present > 0 || missing > 0)
            see_good(ledger, &key, scan);
        return false;
    }
    key.cause = scan->outcome == OUTCOME_EXCEPTION ? CAUSE_EXCEPTION
                : tally.faulty > 0                 ? CAUSE_UNIT_FAULT
                : tally.starting > 0               ? CAUSE_POWER_UP
                                                   : CAUSE_NO_SIGNAL;
    bool fresh = false;
    struct ledger_row *row = open_row(ledger, &key, due, &fresh);
    suppress(ledger, scan, due, OF_GAUGE);
    if (row == NULL)
        return true;
    row->gap.scans++;
    ledger_touch(row, false);
    if (fresh || (row->gap.cause_code == CAUSE_POWER_UP && key.cause != CAUSE_POWER_UP)) {
        row->gap.cause_code = key.cause;
        ledger_say_gauge(row->gap.cause, key.cause, scan);
        ledger_touch(row, true);
    }
    return true;
}

/** Exception with which the registers of a channel were answered; 0 none, BLOCK_NO_ANSWER: not
 * answered. */
static uint8_t exception_of(const struct ledger *ledger, const struct ledger_source *source,
                            const struct scan *scan, uint16_t point)
{
    if (scan->outcome == OUTCOME_EXCEPTION && scan->n_blocks > 0)
        return scan->block[0].exception;
    const struct source_entry *entry =
        plan_entry_at(source->well, source->source, scan->begun.utc_ms);
    if (entry == NULL || entry->map >= ledger->plan->n_maps)
        return 0;
    const struct channel *channel = map_channel(&ledger->plan->maps[entry->map], point);
    if (channel == NULL)
        return 0;
    for (unsigned i = 0; i < scan->n_blocks; i++) {
        const struct block *block = &scan->block[i];
        if (block->exception != 0 && block->function == channel->table &&
            channel->address >= block->first &&
            (unsigned)channel->address < (unsigned)block->first + block->count)
            return block->exception;
    }
    return 0;
}

static void see_missing_channel(struct ledger *ledger, struct ledger_source *source,
                                const struct scan *scan, uint16_t point, uint8_t quality,
                                const struct stamp *due)
{
    const uint8_t exception = exception_of(ledger, source, scan, point);
    const struct ledger_key key = {.kind = GAP_CHANNEL,
                                   .cause = quality == QUALITY_IMPOSSIBLE ? CAUSE_OUT_OF_RANGE
                                            : exception != 0              ? CAUSE_EXCEPTION
                                                                          : CAUSE_SENSOR_LOST,
                                   .well = scan->well,
                                   .source = scan->source,
                                   .point = point};
    bool fresh = false;
    struct ledger_row *row = open_row(ledger, &key, due, &fresh);
    if (row == NULL)
        return;
    if (fresh && quality == QUALITY_NO_DATA)
        ledger_say_not_read(row->gap.cause, point);
    else if (fresh)
        ledger_say_channel(row->gap.cause, point, key.cause, exception);
    row->gap.scans++;
    ledger_touch(row, fresh);
}

static void see_channels(struct ledger *ledger, struct ledger_source *source,
                         const struct scan *scan, const struct record *record,
                         const struct stamp *due, bool gauge_missing)
{
    struct tally tally;
    tally_record(source, record, false, &tally);
    const struct ledger_key whole = {
        .kind = GAP_CHANNEL, .well = scan->well, .source = scan->source};
    if (tally.present + tally.silent == 0 && tally.faulty > 1 && !gauge_missing) {
        suppress(ledger, scan, due, OF_SOURCE);
        see_missing_channel(ledger, source, scan, POINT_NONE, QUALITY_CHANNEL_FAULT, due);
        return;
    }
    if (source->channels_open > 0)
        see_good(ledger, &whole, scan);
    for (unsigned i = 0; i < record->n && i < RECORD_READINGS_MAX; i++) {
        const struct reading *reading = &record->reading[i];
        if (!measured(reading) || (gauge_missing && is_gauge_sensor(reading->point)))
            continue;
        const enum presence presence = presence_of(source, reading);
        const struct ledger_key key = {.kind = GAP_CHANNEL,
                                       .well = scan->well,
                                       .source = scan->source,
                                       .point = reading->point};
        if (presence == FAULTY)
            see_missing_channel(ledger, source, scan, reading->point, reading->quality, due);
        else if (presence == PRESENT && source->channels_open > 0)
            see_good(ledger, &key, scan);
    }
}

/* ---- clock ---- */

static void see_clock(struct ledger *ledger, const struct scan *scan)
{
    const int64_t offset_ms = scan->begun.utc_ms - scan->begun.boot_ms;
    const bool same_boot = ledger->has_offset && ledger->offset_boot == scan->begun.boot;
    if (same_boot && scan->begun.boot_ms <= ledger->offset_boot_ms)
        return; /* lines are not in step: an older scan says nothing new */
    const int64_t step_ms = offset_ms - ledger->offset_ms;
    const int64_t slew_ms =
        (scan->begun.boot_ms - ledger->offset_boot_ms) / (1000000 / LEDGER_CLOCK_SLEW_PPM);
    ledger->has_offset = true;
    ledger->offset_ms = offset_ms;
    ledger->offset_boot_ms = scan->begun.boot_ms;
    ledger->offset_boot = scan->begun.boot;
    if (!same_boot || llabs(step_ms) <= LEDGER_CLOCK_STEP_MS + slew_ms)
        return;
    const struct ledger_key key = {.kind = GAP_CLOCK, .cause = CAUSE_CLOCK_STEP};
    struct ledger_row *row = ledger_new_row(ledger, &key, &scan->begun);
    if (row == NULL)
        return;
    row->gap.all_wells = true;
    ledger_say_clock(row->gap.cause, step_ms, scan->begun.utc_ms);
    ledger_close(row, &scan->begun, 0);
}

void ledger_see_scan(struct ledger *ledger, const struct scan *scan, const struct record *record,
                     const struct stamp *due)
{
    struct ledger_source *source = ledger_find_source(ledger, scan->well, scan->source);
    uint64_t *newest_seq = ledger_newest_seq(ledger, scan->well);
    see_clock(ledger, scan);
    if (source == NULL)
        return;
    ledger_counts_see_scan(ledger, scan);
    if (!outcome_is_heard(scan->outcome)) {
        see_silence(ledger, scan, due);
    } else {
        const struct ledger_key line = {
            .kind = GAP_LINE, .well = scan->well, .source = scan->source};
        see_good(ledger, &line, scan);
        const bool gauge_missing =
            scan->source == SOURCE_GAUGE && see_gauge(ledger, source, scan, record, due);
        see_channels(ledger, source, scan, record, due, gauge_missing);
    }
    if (newest_seq != NULL && scan->seq > *newest_seq)
        *newest_seq = scan->seq;
}
