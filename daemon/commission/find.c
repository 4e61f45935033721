/* SPDX-License-Identifier: Apache-2.0
 *
 * find.c - the order of the steps: listen, consent, ask, read what answers, watch, conclude.
 */
#include "finder.h"

#include <stdlib.h>
#include <string.h>

static void take_maps(struct finder *finder)
{
    const struct find_options *options = finder->options;
    for (unsigned i = 0; i < options->n_maps && finder->n_suspects < FIND_SCORES_MAX; i++)
        finder->suspect[finder->n_suspects++] = options->maps[i];
}

/** What another master reads tells the unit without a question. */
static void take_heard_unit(struct finder *finder)
{
    struct find_report *report = finder->report;
    struct find_unit *unit = &report->unit;
    if (report->has_unit || !report->heard.has_answers || unit->unit_id == 0)
        return;
    report->has_unit = true;
    unit->is_answered_by_listening = true;
    unit->line = report->heard.line;
    unit->line.share_line = LINE_LISTENS;
    report->found_us = finder_now_us(finder);
    for (unsigned i = 0; i < report->book.n && unit->n_ranges < FIND_RANGES_MAX; i++) {
        const struct seen_register *at = &report->book.at[i];
        struct register_range *last = unit->n_ranges > 0 ? &unit->range[unit->n_ranges - 1] : NULL;
        if (last != NULL && last->table == at->table && last->last + 1 == at->address)
            last->last = at->address;
        else
            unit->range[unit->n_ranges++] = (struct register_range){
                .table = at->table, .first = at->address, .last = at->address};
    }
}

static int best_first(const void *a, const void *b)
{
    const struct map_score *one = a, *other = b;
    if (one->percent != other->percent)
        return one->percent > other->percent ? -1 : 1;
    return strcmp(one->map->name, other->map->name);
}

static void conclude(struct finder *finder)
{
    struct find_report *report = finder->report;
    const struct find_options *options = finder->options;
    report->n_causes =
        find_causes(&report->evidence, report->has_unit && !report->unit.is_answered_by_listening,
                    options->line.medium == LINE_MEDIUM_SERIAL, report->cause);
    if (report->has_unit)
        for (unsigned i = 0; i < options->n_maps && report->n_scores < FIND_SCORES_MAX; i++)
            map_score_make(options->maps[i], &report->unit, &report->book,
                           &report->score[report->n_scores++]);
    qsort(report->score, report->n_scores, sizeof report->score[0], best_first);
    report->ended_us = finder_now_us(finder);
}

static void ask_all(struct finder *finder)
{
    struct find_report *report = finder->report;
    const struct find_options *options = finder->options;
    if (!options->consent(options->context, report)) {
        report->was_refused = true;
        return;
    }
    report->was_agreed = report->heard.has_master || report->heard.has_runs;
    finder->may_ask = true;
    search_run(finder);
    if (!report->has_unit)
        return;
    memset(&report->book, 0, sizeof report->book); /* what was heard is read anew */
    identify_run(finder);
    sweep_run(finder);
    watch_run(finder);
}

enum up_rc find_run(const struct find_options *options, struct find_report *report,
                    struct up_error *error)
{
    struct finder *finder = calloc(1, sizeof *finder);
    memset(report, 0, sizeof *report);
    if (finder == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the search");
    finder->options = options;
    finder->report = report;
    finder->error = error;
    finder->phase_left_us = (int64_t)options->at_most_ms * 1000;
    report->began_us = finder_now_us(finder);
    finder->said_us = finder->heard_us = report->began_us;
    finder->deadline_us = report->began_us + (int64_t)options->at_most_ms * 1000;
    report->evidence.settings_stated =
        options->line.medium == LINE_MEDIUM_SERIAL && options->has_speed && options->has_frame;
    take_maps(finder);
    finder_listen_first(finder);
    if (!finder->has_ended && finder_goes_on(finder))
        ask_all(finder);
    finder_close(finder);
    take_heard_unit(finder);
    conclude(finder);
    const enum up_rc rc = finder->rc;
    free(finder);
    return rc;
}
