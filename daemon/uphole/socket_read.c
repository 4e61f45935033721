/* SPDX-License-Identifier: Apache-2.0
 *
 * socket_read.c - the answers to `uphole read` and `uphole watch`: each channel of a well's newest
 * scans, raw beside measured.
 *
 * Raw words, decoding and value of a row come from the newest scan by the same code that `decode`
 * uses; quality and value are those of the fold, so that nothing is judged twice. Where the newest
 * scan has no words the value is the last one, and its quality says so.
 */
#include "socket_answer.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define RAW_TEXT_MAX 64

/** One row: a channel, or a point that no channel stands for (channel NULL). */
struct row {
    uint8_t source;
    const struct channel *channel;
    const struct live_reading *reading; /* NULL: no point, or not known */
    const uint16_t *words;              /* NULL: none in the newest scan */
    uint16_t bit;
    struct decoded decoded; /* where words */
    uint8_t quality;        /* now */
    double age_s;           /* NaN: none */
    bool has_u, at_least;   /* of a derived point: */
    double u;               /* its standard uncertainty */
    uint8_t setting;        /* enum setting_state: `channel` is as the unit-setting register has it */
};

typedef void row_function(const struct row *row, struct socket_text *text);

static const struct live_reading *reading_of(const struct snapshot *snapshot, unsigned point)
{
    for (uint16_t i = 0; i < snapshot->n; i++)
        if (snapshot->reading[i].point == point)
            return &snapshot->reading[i];
    return NULL;
}

static void judge_now(struct row *row, const struct stamp *now)
{
    row->quality = QUALITY_NO_DATA;
    row->age_s = NAN;
    if (row->reading != NULL)
        row->quality = live_quality_at(row->reading, now->boot_ms, &row->age_s);
}

static bool is_channel(const struct well_plan *well, const struct plan *plan, unsigned point,
                       const struct stamp *now)
{
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct source_entry *entry = plan_entry_at(well, s, now->utc_ms);
        if (entry != NULL && map_channel(&plan->maps[entry->map], point) != NULL)
            return true;
    }
    return false;
}

static void values_of(const struct snapshot *snapshot, double values[static POINT_COUNT])
{
    for (unsigned point = 0; point < POINT_COUNT; point++)
        values[point] = NAN;
    for (uint16_t i = 0; i < snapshot->n; i++)
        values[snapshot->reading[i].point] = snapshot->reading[i].value;
}

static void each_row(const struct status_view *view, uint16_t w, const struct stamp *now,
                     const struct snapshot *snapshot, row_function *function,
                     struct socket_text *text)
{
    const struct well_plan *well = &view->plan->wells[w];
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct source_entry *entry = plan_entry_at(well, s, now->utc_ms);
        if (entry == NULL)
            continue;
        const struct map *map = &view->plan->maps[entry->map];
        const struct scan *scan = status_newest_scan(view->core, w, s);
        for (uint16_t c = 0; c < map->n_channels; c++) {
            struct row row = {.source = s, .channel = &map->channel[c]};
            struct channel as_set;
            if (scan != NULL && row.channel->setting > 0) {
                row.setting = (uint8_t)channel_as_set(map, row.channel, scan, &as_set);
                row.channel = &as_set;
            }
            row.reading = reading_of(snapshot, row.channel->point);
            if (scan != NULL)
                row.words = status_words(scan, row.channel, &row.bit);
            if (row.words != NULL)
                decode_channel(row.channel, row.words, &row.decoded);
            judge_now(&row, now);
            function(&row, text);
        }
    }
    double values[POINT_COUNT];
    values_of(snapshot, values);
    for (uint16_t i = 0; i < snapshot->n; i++) { /* derived points, and those of the chain */
        if (is_channel(well, view->plan, snapshot->reading[i].point, now))
            continue;
        struct row row = {.reading = &snapshot->reading[i]};
        row.has_u = derived_standard_uncertainty(view->plan, well, now->utc_ms, row.reading->point,
                                                 values, &row.u, &row.at_least);
        judge_now(&row, now);
        function(&row, text);
    }
}

static const struct point *point_of(const struct row *row)
{
    return point_get(row->channel != NULL ? row->channel->point : row->reading->point);
}

static void raw_text(const struct row *row, bool hex, char into[static RAW_TEXT_MAX])
{
    size_t n = 0;
    snprintf(into, RAW_TEXT_MAX, "-");
    if (row->words == NULL || row->channel == NULL)
        return;
    const unsigned shown = row->channel->n_words <= 4 ? row->channel->n_words : 4;
    for (unsigned i = 0; i < shown && n < RAW_TEXT_MAX - 8; i++)
        n += (size_t)snprintf(into + n, RAW_TEXT_MAX - n, hex ? "%s0x%04X" : "%s%u",
                              i == 0 ? "" : " ", row->words[i]);
    if (row->channel->n_words > 4)
        snprintf(into + n, RAW_TEXT_MAX - n, " ...");
}

static void number_or_dash(double value, double resolution, char into[static NUMBER_TEXT_MAX])
{
    if (number_to_text(value, resolution, into) == 0)
        snprintf(into, NUMBER_TEXT_MAX, "-");
}

/** Of a channel that has a value now, or a derived point. */
static bool uncertainty_of(const struct row *row, double *u, bool *at_least)
{
    *u = row->u;
    *at_least = row->at_least;
    if (row->channel == NULL)
        return row->has_u;
    return row->channel != NULL && row->reading != NULL && isfinite(row->reading->value) &&
           channel_standard_uncertainty(row->channel, u, at_least);
}

/** Differences of degC are K. */
static const char *unit_text_of_difference(const char *unit)
{
    return strcmp(unit, "degC") == 0 ? "K" : unit;
}

/** Two digits of an uncertainty are what it is known to. */
static void uncertainty_as_text(const struct row *row, struct socket_text *text)
{
    double u;
    bool at_least;
    if (uncertainty_of(row, &u, &at_least))
        text_add(text, "; standard uncertainty %s%.2g %s%s", at_least ? "at least " : "", u,
                 unit_text_of_difference(point_of(row)->unit),
                 !at_least              ? ""
                 : row->channel != NULL ? " (resolution alone: the map states no accuracy)"
                                        : " (the map states no accuracy of an input)");
}

/** channel, raw in hex and decimal, decoded, value, unit, quality and reason, age */
static void row_as_text_without_end(const struct row *row, struct socket_text *text)
{
    char hex[RAW_TEXT_MAX], decimal[RAW_TEXT_MAX], decoded[NUMBER_TEXT_MAX] = "-";
    char value[NUMBER_TEXT_MAX] = "-", age[NUMBER_TEXT_MAX];
    const struct point *point = point_of(row);
    raw_text(row, true, hex);
    raw_text(row, false, decimal);
    if (row->words != NULL)
        number_or_dash(row->decoded.number, 0, decoded);
    if (row->reading != NULL)
        number_or_dash(row->reading->value, point != NULL ? point->resolution : 0, value);
    number_or_dash(row->age_s, 0.1, age);
    const struct quality_row *quality = quality_find(row->quality);
    text_add(text, "%-27s %-13s %-11s %12s %12s %-6s %7s  %s%s%s%s%s",
             point != NULL ? point->id : row->channel->about, hex, decimal, decoded, value,
             point != NULL ? point->unit : "", age, quality_name(row->quality),
             quality != NULL && row->quality != QUALITY_GOOD ? ": " : "",
             quality != NULL && row->quality != QUALITY_GOOD ? quality->meaning : "",
             row->words != NULL && row->decoded.text[0] != '\0' ? "; reads " : "",
             row->words != NULL ? row->decoded.text : "");
}

static void row_as_text(const struct row *row, struct socket_text *text)
{
    row_as_text_without_end(row, text);
    text_add(text, "\n");
}

static void row_as_text_with_uncertainty(const struct row *row, struct socket_text *text)
{
    row_as_text_without_end(row, text);
    uncertainty_as_text(row, text);
    text_add(text, "\n");
}

static void heading(struct socket_text *text)
{
    text_add(text, "%-27s %-13s %-11s %12s %12s %-6s %7s  %s\n", "channel", "raw, hex", "decimal",
             "decoded", "value", "unit", "age, s", "quality");
}

static void scan_lines(const struct status_view *view, uint16_t w, const struct stamp *now,
                       struct socket_text *text)
{
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        char instant[STAMP_TEXT_MAX], span[STAMP_TEXT_MAX];
        const struct source_entry *entry = plan_entry_at(&view->plan->wells[w], s, now->utc_ms);
        const struct scan *scan = status_newest_scan(view->core, w, s);
        if (entry == NULL)
            continue;
        text_add(text, "  %-9s unit id %u on %s, map %s: ", source_name(s), entry->unit_id,
                 view->plan->lines[entry->line].name, view->plan->maps[entry->map].name);
        if (scan == NULL)
            text_add(text, "not asked yet in this run\n");
        else
            text_add(text, "%s%s at %s (%s ago)\n", status_outcome_words(scan->outcome),
                     scan_was_overheard(scan) ? " (heard, not asked)" : "",
                     stamp_to_short_text(scan->begun.utc_ms, instant),
                     duration_to_text(now->boot_ms - scan->begun.boot_ms, span));
    }
}

static void read_text(const struct status_view *view, uint16_t well, row_function *function,
                      struct socket_text *text)
{
    const struct stamp now = stamp_take(view->clock, view->watch);
    struct snapshot snapshot;
    status_snapshot(view->core, well, &now, &snapshot);
    text_add(text, "Well %s, newest scan of each source as the running Uphole has it\n",
             view->plan->wells[well].id);
    scan_lines(view, well, &now, text);
    (void)status_setting_lines(view, well, &now, text);
    text_add(text, "\n");
    heading(text);
    each_row(view, well, &now, &snapshot, function, text);
    orders_as_text(view, well, &now, text);
    if (!snapshot.journaled)
        text_add(text, "\nThe disk refuses: these readings are not stored.\n");
    text_add(text,
             "\nMonitoring only: values can be late, missing or wrong. Never use them for trips, "
             "interlocks or safety functions.\n");
}

void read_as_text(const struct status_view *view, uint16_t well, struct socket_text *text)
{
    read_text(view, well, row_as_text, text);
}

void read_with_uncertainty(const struct status_view *view, uint16_t well, struct socket_text *text)
{
    read_text(view, well, row_as_text_with_uncertainty, text);
}

void watch_as_text(const struct status_view *view, uint16_t well, struct socket_text *text)
{
    const struct stamp now = stamp_take(view->clock, view->watch);
    char instant[STAMP_TEXT_MAX];
    struct snapshot snapshot;
    status_snapshot(view->core, well, &now, &snapshot);
    text_add(text, "Well %s at %s. Monitoring only; not a protection system.\n",
             view->plan->wells[well].id, stamp_to_short_text(now.utc_ms, instant));
    status_well_stages(view, well, &now, &snapshot, true, text);
    scan_lines(view, well, &now, text);
    heading(text);
    each_row(view, well, &now, &snapshot, row_as_text, text);
}

static void row_in_line(const struct row *row, struct socket_text *text)
{
    char value[NUMBER_TEXT_MAX] = "-";
    const struct point *point = point_of(row);
    if (point == NULL)
        return;
    if (row->reading != NULL)
        number_or_dash(row->reading->value, point->resolution, value);
    text_add(text, "; %s %s%s%s %s", point->id, value, point->unit[0] != '\0' ? " " : "",
             point->unit, quality_name(row->quality));
}

void line_as_text(const struct status_view *view, uint16_t well, struct socket_text *text)
{
    const struct stamp now = stamp_take(view->clock, view->watch);
    char instant[STAMP_TEXT_MAX];
    struct snapshot snapshot;
    status_snapshot(view->core, well, &now, &snapshot);
    text_add(text, "%s %s line %s, gauge %s", stamp_to_text(now.utc_ms, instant),
             view->plan->wells[well].id, line_state_name(snapshot.line),
             gauge_state_name(snapshot.gauge));
    each_row(view, well, &now, &snapshot, row_in_line, text);
    text_add(text, "\n");
}

static void row_as_json(const struct row *row, struct socket_text *text)
{
    const struct point *point = point_of(row);
    text_add(text, "%s{\"channel\":", text->at[text->n - 1] == '[' ? "" : ",");
    text_add_string(text, point != NULL ? point->id : row->channel->about);
    text_add(text, ",\"source\":");
    text_add_string(text, row->channel != NULL ? source_name(row->source) : "derived");
    text_add(text, ",\"raw\":");
    if (row->words == NULL)
        text_add(text, "null");
    for (unsigned i = 0; row->words != NULL && i < row->channel->n_words; i++)
        text_add(text, "%s%u", i == 0 ? "[" : ",", row->words[i]);
    text_add(text, "%s", row->words != NULL ? "]" : "");
    orders_as_json(row->channel, row->words, text);
    text_add(text, ",\"decoded\":");
    text_add_number(text, row->words != NULL ? row->decoded.number : NAN, 0);
    text_add(text, ",\"text\":");
    if (row->words != NULL && row->decoded.text[0] != '\0')
        text_add_string(text, row->decoded.text);
    else
        text_add(text, "null");
    text_add(text, ",\"value\":");
    text_add_number(text, row->reading != NULL ? row->reading->value : NAN, 0);
    text_add(text, ",\"unit\":");
    text_add_string(text, point != NULL ? point->unit : "");
    if (row->setting != SETTING_NONE) { /* what the unit-setting register says of its numbers */
        text_add(text, ",\"register_unit\":");
        if (row->setting == SETTING_KNOWN)
            text_add_string(text, unit_get(row->channel->unit)->name);
        else
            text_add(text, "null");
    }
    double u;
    bool at_least;
    if (uncertainty_of(row, &u, &at_least)) {
        text_add(text,
                 ",\"%s\":", at_least ? "standard_uncertainty_at_least" : "standard_uncertainty");
        text_add_number(text, u, 0);
    }
    text_add(text, ",\"quality\":%u,\"reason\":\"%s\",\"age_s\":", row->quality,
             quality_name(row->quality));
    text_add_number(text, row->age_s, 0.001);
    text_add(text, "}");
}

void read_as_json(const struct status_view *view, uint16_t well, struct socket_text *text)
{
    const struct stamp now = stamp_take(view->clock, view->watch);
    struct snapshot snapshot;
    status_snapshot(view->core, well, &now, &snapshot);
    text_add(text, "{\"well\":\"%s\",\"run\":\"%016" PRIx64 "\",\"journaled\":%s,\"at\":",
             view->plan->wells[well].id, view->run, snapshot.journaled ? "true" : "false");
    text_add_instant(text, now.utc_ms);
    text_add(text, ",\"scans\":[");
    const char *before = "";
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct scan *scan = status_newest_scan(view->core, well, s);
        if (scan == NULL)
            continue;
        text_add(text, "%s{\"source\":\"%s\",\"seq\":%" PRIu64 ",\"outcome\":", before,
                 source_name(s), core_journal_refuses(view->core) ? 0 : scan->seq);
        text_add_string(text, outcome_name(scan->outcome));
        text_add(text, scan_was_overheard(scan) ? ",\"heard\":true,\"at\":" : ",\"at\":");
        text_add_instant(text, scan->begun.utc_ms);
        text_add(text, "}");
        before = ",";
    }
    text_add(text, "],\"channels\":[");
    each_row(view, well, &now, &snapshot, row_as_json, text);
    text_add(text, "]}\n");
}
