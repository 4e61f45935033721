/* SPDX-License-Identifier: Apache-2.0
 *
 * gaps_show.c - the rows of `uphole gaps`: folded where they say the same, in aligned columns.
 */
#include "gaps.h"
#include "command.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COLUMNS 7
#define FOLD_START_MS 120000 /* program rows of several sources start at their own last poll */

const char *gaps_grouped(uint64_t number, char into[static 32])
{
    char digits[24];
    const int n = snprintf(digits, sizeof digits, "%" PRIu64, number);
    size_t at = 0;
    for (int i = 0; i < n; i++) {
        if (i > 0 && (n - i) % 3 == 0)
            into[at++] = ',';
        into[at++] = digits[i];
    }
    into[at] = '\0';
    return into;
}

static int64_t length_ms(const struct gaps_report *report, const struct gap *gap)
{
    if (gap->is_open) {
        const int64_t now_ms = report->asked.now_utc_ms, to_ms = report->asked.to_utc_ms;
        const int64_t shown_ms = (to_ms < now_ms ? to_ms : now_ms) - gap->start.utc_ms;
        return shown_ms > 0 ? shown_ms : 0;
    }
    return gap->start.boot == gap->end.boot ? gap->end.boot_ms - gap->start.boot_ms
                                            : gap->end.utc_ms - gap->start.utc_ms;
}

static bool folds(const struct gap *into, const struct gap *gap)
{
    if (gap->kind != into->kind || gap->is_open != into->is_open ||
        (gap->kind != GAP_LINE && gap->kind != GAP_PROGRAM))
        return false;
    if (!gap->is_open && gap->end.utc_ms != into->end.utc_ms)
        return false;
    const int64_t apart_ms = llabs(gap->start.utc_ms - into->start.utc_ms);
    return apart_ms <= (gap->kind == GAP_PROGRAM ? FOLD_START_MS : 0) &&
           strcmp(gap->cause, into->cause) == 0 && gap->planned == into->planned &&
           strcmp(gap->note, into->note) == 0;
}

/** Put off because the line or the unit itself did not let us ask, or cut off before it did. */
static bool is_put_off(const struct gap *gap)
{
    return gap->kind == GAP_SKIPPED &&
           (gap->cause_code == CAUSE_BACK_OFF || gap->cause_code == CAUSE_LINE_BUSY ||
            gap->cause_code == CAUSE_STOPPED || gap->cause_code == CAUSE_ENTRY_ENDED);
}

/** True where the row's polls are counted in a line gap of the same source that spans it. */
static bool stands_in_line_gap(const struct gaps_report *report, const struct gap *gap)
{
    for (size_t i = 0; i < report->n_rows; i++) {
        const struct gap *line = &report->rows[i].gap;
        if (line->kind == GAP_LINE && line->well == gap->well && line->source == gap->source &&
            line->start.utc_ms <= gap->start.utc_ms &&
            (line->is_open || (!gap->is_open && gap->end.utc_ms <= line->end.utc_ms)))
            return true;
    }
    return false;
}

void gaps_fold(struct gaps_report *report)
{
    for (size_t i = 0; i < report->n_rows; i++) {
        struct gaps_row *into = &report->rows[i];
        if (into->folded)
            continue;
        if (is_put_off(&into->gap) && stands_in_line_gap(report, &into->gap)) {
            into->folded = true;
            continue;
        }
        uint16_t wells[PLAN_WELLS_MAX] = {into->gap.well};
        uint16_t n_wells = 1;
        for (size_t k = i + 1; k < report->n_rows; k++) {
            struct gaps_row *row = &report->rows[k];
            const bool same_well = row->gap.well == into->gap.well;
            if (row->folded || !folds(&into->gap, &row->gap) ||
                (!same_well && row->gap.kind != GAP_PROGRAM))
                continue;
            row->folded = true;
            into->scans += row->gap.scans;
            if (row->gap.source == SOURCE_GAUGE && into->gap.source != SOURCE_GAUGE) {
                into->gap.source = SOURCE_GAUGE; /* for "about n gauge readings" */
                into->gap.refreshes_about = row->gap.refreshes_about;
            }
            bool known = false;
            for (uint16_t w = 0; w < n_wells; w++)
                known = known || wells[w] == row->gap.well;
            if (!known && n_wells < PLAN_WELLS_MAX)
                wells[n_wells++] = row->gap.well;
        }
        into->of_all = into->gap.all_wells || n_wells > 1;
    }
}

static void what_is_missing(const struct gaps_row *row, char *into, size_t room)
{
    char scans[32], refreshes[48] = "";
    const struct gap *gap = &row->gap;
    const struct point *point = point_get(gap->point);
    const char *plural = row->scans == 1 ? "" : "s";
    gaps_grouped(row->scans, scans);
    if (gap->source == SOURCE_GAUGE && gap->refreshes_about > 0 && !row->of_all)
        snprintf(refreshes, sizeof refreshes, ", about %u gauge reading%s", gap->refreshes_about,
                 gap->refreshes_about == 1 ? "" : "s");
    const char *so_far = gap->is_open ? " so far" : "";
    if (gap->kind == GAP_CLOCK)
        snprintf(into, room, "nothing missing, time stamps jumped");
    else if (gap->kind == GAP_DELIVERY && gap->is_open)
        snprintf(into, room, "%s record%s wait, stored, will be sent", scans, plural);
    else if (gap->kind == GAP_DELIVERY &&
             gap->recovered < gap->scans) /* the destination was removed */
        snprintf(into, room, "%s of %s record%s never reached it, stored",
                 gaps_grouped(gap->scans - gap->recovered, (char[32]){0}), scans, plural);
    else if (gap->kind == GAP_DELIVERY)
        snprintf(into, room, "%s record%s late, none lost", scans, plural);
    else if (gap->kind == GAP_CHANNEL)
        snprintf(into, room, "%s reading%s of %s%s, not recoverable", scans, plural,
                 point != NULL ? point->id : "every channel", so_far);
    else if (gap->kind == GAP_GAUGE)
        snprintf(into, room, "%s scan%s without gauge data%s%s, not recoverable", scans, plural,
                 refreshes, so_far);
    else if (row->scans == 0 && !gap->end_sure && !gap->is_open)
        snprintf(into, room, "number of scans not known, not recoverable");
    else
        snprintf(into, room, "%s scan%s%s%s, not recoverable", scans, plural, refreshes, so_far);
}

/** Fills the columns of a row: what `uphole note` calls it, well, kind, start, end, how long, what
 * is missing. */
static void make_columns(const struct gaps_report *report, const struct gaps_row *row,
                         char columns[COLUMNS][128])
{
    const struct gap *gap = &row->gap;
    char end[STAMP_TEXT_MAX], long_[STAMP_TEXT_MAX], name[NAME_LENGTH_MAX + 1] = "all";
    if (!row->of_all && !journal_read_well_id(report->reader, gap->well, name))
        snprintf(name, sizeof name, "well %u", gap->well);
    snprintf(columns[0], 128, "%06" PRIx64 ":%" PRIu64, gap->run >> 40, gap->id);
    snprintf(columns[1], 128, "%s", name);
    snprintf(columns[2], 128, "%s", gap_kind_name(gap->kind));
    stamp_to_short_text(gap->start.utc_ms, columns[3]);
    stamp_to_short_text(gap->end.utc_ms, end);
    const bool same_day = strncmp(end, columns[3], 10) == 0;
    if (gap->is_open)
        snprintf(columns[4], 128, "still open");
    else
        snprintf(columns[4], 128, "to %s%s", gap->end_sure ? "" : "about ",
                 same_day ? end + 11 : end);
    snprintf(columns[5], 128, "%s", duration_to_text(length_ms(report, gap), long_));
    what_is_missing(row, columns[6], 128);
}

size_t gaps_print_rows(const struct gaps_report *report)
{
    size_t width[COLUMNS] = {0}, n = 0, total = 0;
    char columns[COLUMNS][128];
    for (size_t i = 0; i < report->n_rows; i++) {
        if (report->rows[i].folded)
            continue;
        make_columns(report, &report->rows[i], columns);
        for (int c = 0; c < COLUMNS; c++)
            width[c] = strlen(columns[c]) > width[c] ? strlen(columns[c]) : width[c];
    }
    for (int c = 0; c < COLUMNS; c++)
        total += width[c] + 3;
    for (size_t i = 0; i < report->n_rows; i++) {
        const struct gaps_row *row = &report->rows[i];
        if (row->folded)
            continue;
        make_columns(report, row, columns);
        for (int c = 0; c < COLUMNS - 1; c++)
            printf("%-*s%s", (int)width[c], columns[c], c == 3 ? "  " : "   ");
        if (total + strlen(row->gap.cause) >
            (size_t)command_width()) /* the cause goes under its row */
            printf("%s\n%*s%s\n", columns[COLUMNS - 1], (int)width[0] + 3, "", row->gap.cause);
        else
            printf("%-*s   %s\n", (int)width[COLUMNS - 1], columns[COLUMNS - 1], row->gap.cause);
        if (row->gap.note[0] != '\0')
            printf("%*sNote%s%s%s: \"%s\"\n", (int)width[0] + 3, "",
                   row->gap.planned ? ", planned" : "", row->gap.noted_by[0] != '\0' ? ", by " : "",
                   row->gap.noted_by, row->gap.note);
        n++;
    }
    return n;
}
