/* SPDX-License-Identifier: Apache-2.0
 *
 * gaps_summary.c - what the rows of `uphole gaps` come to: scans missing, records waiting,
 * completeness of each point as far as the ledger knows it. Scans are counted from their rows;
 * counts of the ledger by their share of the time asked for.
 */
#include "gaps.h"

#include "uphole/measure.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NAMES_MAX 4 /* points of one figure that are named; beyond that they are counted */

struct sum {
    double due,
        missing; /* scans; rows that reach beyond the interval count by their share of time */
};

static double share_inside(const struct gaps_report *report, const struct gap *gap)
{
    const int64_t end_ms = gap->is_open ? report->asked.now_utc_ms : gap->end.utc_ms;
    const int64_t from_ms = gap->start.utc_ms > report->asked.from_utc_ms
                                ? gap->start.utc_ms
                                : report->asked.from_utc_ms;
    const int64_t to_ms = end_ms < report->asked.to_utc_ms ? end_ms : report->asked.to_utc_ms;
    if (end_ms <= gap->start.utc_ms)
        return 1;
    return to_ms <= from_ms ? 0 : (double)(to_ms - from_ms) / (double)(end_ms - gap->start.utc_ms);
}

static struct sum sum_of_source(const struct gaps_report *report, uint16_t well, uint8_t source)
{
    struct sum sum = {0, 0};
    for (size_t i = 0; i < report->n_counts; i++)
        if (report->counts[i].well == well && report->counts[i].source == source)
            for (uint8_t outcome = 0; outcome < OUTCOME_COUNT; outcome++) {
                sum.due += (double)report->counts[i].by_outcome[outcome];
                sum.missing +=
                    outcome_has_data(outcome) ? 0 : (double)report->counts[i].by_outcome[outcome];
            }
    for (size_t i = 0; i < report->n_rows; i++) {
        const struct gap *gap = &report->rows[i].gap;
        if (!gap_kind_counts_never_attempted(gap->kind) || gap->well != well ||
            gap->source != source)
            continue;
        sum.due += gap->scans * share_inside(report, gap);
        sum.missing += gap->scans * share_inside(report, gap);
    }
    return sum;
}

/** Beyond the scans of its source: gauge gaps for the gauge's points, channel gaps for its own. */
static double missing_of_point(const struct gaps_report *report, uint16_t well, uint8_t source,
                               uint16_t point)
{
    double missing = 0;
    for (size_t i = 0; i < report->n_rows; i++) {
        const struct gap *gap = &report->rows[i].gap;
        if (gap->well != well || gap->source != source)
            continue;
        if ((gap->kind == GAP_GAUGE && point_is_of_gauge(point) != 0) ||
            (gap->kind == GAP_CHANNEL && (gap->point == point || gap->point == POINT_NONE)))
            missing += gap->scans * share_inside(report, gap);
    }
    return missing;
}

/** The newest scan with data of a source; false where the last rows hold none. */
static bool newest_data(const struct gaps_report *report, uint16_t well, uint8_t source,
                        struct scan *into)
{
    struct scan *scans = calloc(JOURNAL_SLICE_MAX, sizeof *scans);
    uint64_t pos = 0, seq = 0;
    size_t got = 0;
    bool found = false;
    if (scans != NULL && journal_read_newest(report->reader, well, &pos, &seq, NULL) == UP_OK)
        for (uint64_t after = pos > 512 ? pos - 512 : 0;
             journal_read_scans(report->reader, well, after, JOURNAL_SLICE_MAX, scans, &got,
                                NULL) == UP_OK &&
             got > 0;
             after = scans[got - 1].pos)
            for (size_t i = 0; i < got; i++)
                if (scans[i].source == source && outcome_has_data(scans[i].outcome)) {
                    *into = scans[i];
                    found = true;
                }
    free(scans);
    return found;
}

static bool holds_marker(const struct map *map, const struct scan *scan, uint16_t point,
                         bool with_partner)
{
    const struct channel *channel = map_channel(map, point);
    struct decoded decoded;
    for (unsigned b = 0; channel != NULL && b < scan->n_blocks; b++) {
        const struct block *block = &scan->block[b];
        if (block->exception != 0 || block->function != channel->table ||
            channel->table < TABLE_HOLDING || channel->address < block->first ||
            channel->address + channel->n_words > block->first + block->count)
            continue;
        decode_channel(channel, scan->words + block->at + (channel->address - block->first),
                       &decoded);
        return decoded.verdict == DECODE_NOT_FITTED &&
               (!with_partner || channel->not_fitted_if == 0 ||
                holds_marker(map, scan, channel->not_fitted_if, false));
    }
    return false;
}

/** What is known of one point in the time asked for. */
struct known {
    uint16_t point;
    bool fitted, told;
    double missing;
};

static bool is_fitted(const struct source_entry *entry, const struct map *map,
                      const struct scan *newest, uint16_t point)
{
    if (entry->fitted[point] == FITTED_UNSTATED && newest != NULL)
        return !holds_marker(map, newest, point, true);
    return entry->fitted[point] != FITTED_NO;
}

/** All points of which the same is to be said: by name, or by number where they are many. */
static void print_group(struct known *known, size_t n, size_t first, const char *source, double due,
                        double missing)
{
    const struct known as = known[first];
    const char *lead = "";
    size_t many = 0;
    for (size_t i = first; i < n; i++)
        many += !known[i].told && known[i].fitted == as.fitted && known[i].missing == as.missing;
    for (size_t i = first; i < n; i++) {
        if (known[i].told || known[i].fitted != as.fitted || known[i].missing != as.missing)
            continue;
        known[i].told = true;
        if (many <= NAMES_MAX) {
            printf("%s%s", lead, point_get(known[i].point)->id);
            lead = ", ";
        }
    }
    if (many > NAMES_MAX)
        printf("%zu %s points", many, source);
    const double complete = due - missing - as.missing;
    const int64_t hundredths = complete <= 0 ? 0 : (int64_t)(complete / due * 10000.0);
    if (!as.fitted)
        printf(" not fitted");
    else if (hundredths >= 10000)
        printf(" complete");
    else
        printf(" complete to %" PRId64 ".%02d %%", hundredths / 100, (int)(hundredths % 100));
}

/** Prints "18 gauge points complete to 99.39 %, discharge_pressure not fitted"; false where nothing
 * was due. */
static bool print_points(const struct gaps_report *report, const struct well_plan *well,
                         uint8_t source, const char *lead)
{
    const struct source_entry *entry = plan_entry_at(well, source, report->asked.now_utc_ms);
    const struct sum sum = sum_of_source(report, well->number, source);
    struct scan *scan = calloc(1, sizeof *scan);
    struct known known[MAP_CHANNELS_MAX];
    size_t n = 0;
    if (entry == NULL || sum.due <= 0 || scan == NULL) {
        free(scan);
        return false;
    }
    const struct map *map = &report->plan->maps[entry->map];
    const bool has_scan = newest_data(report, well->number, source, scan);
    for (uint16_t i = 0; i < map->n_channels; i++) {
        const uint16_t point = map->channel[i].point;
        if (point == POINT_NONE || point >= POINT_COUNT)
            continue;
        known[n++] =
            (struct known){.point = point,
                           .fitted = is_fitted(entry, map, has_scan ? scan : NULL, point),
                           .missing = missing_of_point(report, well->number, source, point)};
        if (!known[n - 1].fitted)
            known[n - 1].missing = 0; /* nothing can be missing of it */
    }
    for (size_t i = 0; i < n; i++)
        if (!known[i].told) {
            printf("%s", lead);
            print_group(known, n, i, source_name(source), sum.due, sum.missing);
            lead = ", ";
        }
    free(scan);
    return n > 0;
}

static void print_waiting(const struct gaps_report *report)
{
    struct cursor *cursors = calloc(1024, sizeof *cursors);
    char text[32];
    bool any = false;
    const size_t n = cursors == NULL ? 0 : journal_read_cursors(report->reader, cursors, 1024);
    for (uint16_t d = 0; d < report->plan->n_destinations; d++) {
        uint64_t waiting = 0;
        for (size_t i = 0; i < n; i++) {
            uint64_t pos = 0, seq = 0;
            if (cursors[i].stream == STREAM_RECORD &&
                (report->well == 0 || cursors[i].well == report->well) &&
                strcmp(cursors[i].destination, report->plan->destinations[d].name) == 0 &&
                plan_well_by_number(report->plan, cursors[i].well) != NULL &&
                journal_read_newest(report->reader, cursors[i].well, &pos, &seq, NULL) == UP_OK &&
                seq > cursors[i].seq)
                waiting += seq - cursors[i].seq;
        }
        if (waiting > 0)
            printf("; %s record%s for %s not yet acknowledged, stored", gaps_grouped(waiting, text),
                   waiting == 1 ? "" : "s", report->plan->destinations[d].name);
        any = any || waiting > 0;
    }
    if (!any)
        printf("; nothing waiting");
    free(cursors);
}

/** Polls that failed or were never made in rows that a person noted as planned. What was put off
 * within a line gap stands in that row. */
static uint64_t planned_missing(const struct gaps_report *report)
{
    double missing = 0;
    for (size_t i = 0; i < report->n_rows; i++) {
        const struct gap *gap = &report->rows[i].gap;
        if (gap->planned && (gap->kind == GAP_LINE || gap_kind_counts_never_attempted(gap->kind)))
            missing += gap->scans * share_inside(report, gap);
    }
    return (uint64_t)(missing + 0.5);
}

void gaps_print_summary(const struct gaps_report *report, size_t shown)
{
    struct sum all = {0, 0};
    char missing[32], due[32];
    for (uint16_t w = 0; w < report->plan->n_wells; w++)
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            if (report->well != 0 && report->well != report->plan->wells[w].number)
                continue;
            const struct sum sum = sum_of_source(report, report->plan->wells[w].number, s);
            all.due += sum.due;
            all.missing += sum.missing;
        }
    if (shown == 0)
        printf("No gaps");
    else
        printf("%zu gap%s", shown, shown == 1 ? "" : "s");
    printf("; %s of %s scans missing", gaps_grouped((uint64_t)(all.missing + 0.5), missing),
           gaps_grouped((uint64_t)(all.due + 0.5), due));
    const uint64_t planned = planned_missing(report);
    if (planned > 0)
        printf(", %s of them in outages noted as planned", gaps_grouped(planned, missing));
    print_waiting(report);
    printf("\n");
    for (uint16_t w = 0; w < report->plan->n_wells; w++) {
        const struct well_plan *well = &report->plan->wells[w];
        if (report->well != 0 && report->well != well->number)
            continue;
        const char *lead = ": ";
        printf("%s", well->id);
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
            if (print_points(report, well, s, lead))
                lead = "; ";
        printf(lead[0] == ';' ? "\n" : ": nothing was due\n");
    }
    if (report->more)
        printf("More than %d rows: only the first are shown; ask for a shorter time.\n",
               GAPS_ROWS_MAX);
}
