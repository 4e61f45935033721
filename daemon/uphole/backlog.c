/* SPDX-License-Identifier: Apache-2.0
 *
 * backlog.c - a want becomes records. See backlog.h.
 *
 * One fold a destination and well is kept between wants, so that live delivery costs one row and
 * one step. When a want does not begin where its fold stands, the fold is built anew from one
 * window before, with the facts of that time.
 */
#include "backlog_inside.h"

#include <stdlib.h>
#include <string.h>

enum up_rc backlog_open(const struct backlog_options *options, struct backlog **out,
                        struct up_error *error)
{
    struct backlog *backlog = calloc(1, sizeof *backlog);
    if (backlog == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the backlog");
    backlog->options = *options;
    backlog->message.plan_serial = options->plan_serial;
    const size_t n = (size_t)options->plan->n_destinations * options->plan->n_wells;
    backlog->folds = calloc(n > 0 ? n : 1, sizeof *backlog->folds);
    backlog->scans = calloc(JOURNAL_SLICE_MAX, sizeof *backlog->scans);
    backlog->gaps = calloc(JOURNAL_SLICE_MAX, sizeof *backlog->gaps);
    backlog->facts = calloc(FACTS_READ_MAX, sizeof *backlog->facts);
    bool whole = backlog->folds != NULL && backlog->scans != NULL && backlog->gaps != NULL &&
                 backlog->facts != NULL;
    for (size_t i = 0; whole && i < n; i++) {
        backlog->folds[i].fold = malloc(fold_bytes());
        whole = backlog->folds[i].fold != NULL;
    }
    for (size_t i = 0; whole && i < options->plan->n_destinations; i++) {
        backlog->orders[i].fold = malloc(fold_bytes());
        whole = backlog->orders[i].fold != NULL;
    }
    if (!whole) {
        backlog_close(backlog);
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the backlog");
    }
    const enum up_rc rc = journal_reader_open(options->journal_directory, &backlog->reader, error);
    if (rc != UP_OK) {
        backlog_close(backlog);
        return rc;
    }
    *out = backlog;
    return UP_OK;
}

void backlog_close(struct backlog *backlog)
{
    if (backlog == NULL)
        return;
    const size_t n = (size_t)backlog->options.plan->n_destinations * backlog->options.plan->n_wells;
    for (size_t i = 0; backlog->folds != NULL && i < n; i++)
        free(backlog->folds[i].fold);
    for (size_t i = 0; i < PLAN_DESTINATIONS_MAX; i++)
        free(backlog->orders[i].fold);
    for (int i = 0; i < PLANS_KEPT; i++)
        plan_free(backlog->plans[i].plan);
    journal_reader_close(backlog->reader);
    free(backlog->folds);
    free(backlog->scans);
    free(backlog->gaps);
    free(backlog->facts);
    free(backlog);
}

/** The plan under which a scan was taken: the current one, one that is kept, or read from the
 * journal in the place of the longest unused. */
enum up_rc backlog_plan(struct backlog *backlog, uint32_t id, const struct plan **out,
                        struct up_error *error)
{
    if (id == backlog->options.plan->id) {
        *out = backlog->options.plan;
        return UP_OK;
    }
    struct kept_plan *oldest = &backlog->plans[0];
    for (int i = 0; i < PLANS_KEPT; i++) {
        struct kept_plan *kept = &backlog->plans[i];
        if (kept->plan != NULL && kept->id == id) {
            kept->used = ++backlog->clock;
            *out = kept->plan;
            return UP_OK;
        }
        if (kept->used < oldest->used)
            oldest = kept;
    }
    char *text = NULL;
    char digest[65];
    size_t length = 0;
    enum up_rc rc = journal_read_plan(backlog->reader, id, &text, &length, digest, error);
    if (rc != UP_OK)
        return rc;
    static const struct plan_faults NO_FAULTS;
    struct plan_faults *faults = malloc(sizeof *faults);
    struct plan *plan = NULL;
    if (faults == NULL) {
        free(text);
        return UP_FAIL(error, UP_E_MEMORY, "no memory to read plan %u of the journal", id);
    }
    *faults = NO_FAULTS;
    rc = plan_from_text("a plan of the journal", text, length, &plan, faults);
    if (rc != UP_OK)
        rc = UP_FAIL(error, UP_E_DISK, "plan %u of the journal no longer reads: %s", id,
                     faults->n > 0 ? faults->fault[0].text : "no reason given");
    free(faults);
    free(text);
    if (rc != UP_OK)
        return rc;
    plan->id = id;
    plan_free(oldest->plan);
    *oldest = (struct kept_plan){.id = id, .used = ++backlog->clock, .plan = plan};
    *out = plan;
    return UP_OK;
}

enum up_rc backlog_fold_on(struct backlog *backlog, struct kept_fold *kept, const struct scan *scan,
                           struct up_error *error)
{
    const struct plan *plan = NULL;
    const uint32_t id = kept->plan != 0 ? kept->plan : scan->plan;
    enum up_rc rc = backlog_plan(backlog, id, &plan, error);
    if (rc == UP_OK)
        rc = backlog_look(backlog, &kept->view, scan->well, scan->pos, kept->as_of, error);
    if (rc != UP_OK)
        return rc;
    const struct well_plan *now = plan_well_by_number(backlog->options.plan, scan->well);
    const struct well_plan *then = now == NULL ? NULL : plan_well_by_id(plan, now->id);
    if (then == NULL)
        return UP_FAIL(error, UP_E_DISK,
                       "row %llu of the journal belongs to a well that its plan doesn't hold",
                       (unsigned long long)scan->pos);
    size_t n_made = 0;
    struct stamp at;
    if (kept->view.times.pos != 0 && order_corrects(&kept->view.times, scan, &at)) {
        backlog->corrected = *scan;
        backlog->corrected.begun = at;
        scan = &backlog->corrected;
    }
    measure_scan(kept->fold, plan, then, scan, &backlog->record, backlog->made, &n_made);
    backlog->record.pos = scan->pos;
    backlog->record.plan = id;
    backlog->record.after_run = kept->run;
    backlog->record.after_seq = kept->seq;
    kept->pos = scan->pos;
    kept->run = scan->run;
    kept->seq = scan->seq;
    return UP_OK;
}

enum up_rc backlog_fold_one(struct backlog *backlog, struct kept_fold *kept,
                            const struct scan *scan, struct up_error *error)
{
    const enum up_rc rc = backlog_take_facts(backlog, kept, scan, error);
    return rc != UP_OK ? rc : backlog_fold_on(backlog, kept, scan, error);
}

/** Brings a fold to just before `first`, from one window earlier. */
enum up_rc backlog_rebuild(struct backlog *backlog, struct kept_fold *kept,
                           const struct scan *first, struct up_error *error)
{
    const struct plan *plan = NULL;
    enum up_rc rc = backlog_plan(backlog, first->plan, &plan, error);
    if (rc != UP_OK)
        return rc;
    const struct well_plan *now = plan_well_by_number(backlog->options.plan, first->well);
    const struct well_plan *then = now == NULL ? NULL : plan_well_by_id(plan, now->id);
    const struct fold_window window = then == NULL
                                          ? (struct fold_window){.ms = 3600000, .scans = 100}
                                          : fold_window_of(plan, then);
    uint64_t begin = 0;
    rc = journal_window_start(backlog->reader, first->well, first->pos, window.ms, window.scans,
                              &begin, error);
    if (rc != UP_OK)
        return rc;
    uint64_t anew = 0; /* nothing before that row counts */
    rc = journal_begun_anew(backlog->reader, first->well, first->run, 1, first->pos, &anew, error);
    if (rc != UP_OK)
        return rc;
    if (anew > begin + 1)
        begin = anew - 1;
    fold_init(kept->fold);
    kept->pos = kept->run = kept->seq = 0;
    kept->view.high = 0; /* it is read onwards only */
    size_t n_facts = 0;
    /* Facts up to the wanted scan, not up to the window's begin: one that a scan of the window made
     * when it was live must hold from there on, though the fold that begins later would not find it
     * again (measure.h, fold_load_fact). */
    rc = journal_read_facts(backlog->reader, first->well, first->run, first->pos - 1,
                            backlog->facts, FACTS_READ_MAX, &n_facts, error);
    if (rc != UP_OK)
        return rc;
    rc = backlog_look(backlog, &kept->view, first->well, first->pos, kept->as_of, error);
    if (rc != UP_OK)
        return rc;
    for (size_t i = 0; i < n_facts; i++)
        backlog_correct_fact(&kept->view.times, first, &backlog->facts[i]);
    for (size_t i = 0; i < n_facts; i++)
        if (backlog->facts[i].pos >= anew)
            fold_load_fact(kept->fold, &backlog->facts[i]);
    uint64_t at = begin;
    while (at < first->pos) { /* bounded: pos rises with every slice */
        size_t got = 0;
        rc = journal_read_scans(backlog->reader, first->well, at, JOURNAL_SLICE_MAX, backlog->scans,
                                &got, error);
        if (rc != UP_OK || got == 0)
            return rc;
        for (size_t i = 0; i < got; i++) {
            if (backlog->scans[i].pos >= first->pos)
                return UP_OK;
            rc = backlog_fold_on(backlog, kept, &backlog->scans[i], error);
            if (rc != UP_OK)
                return rc;
        }
        at = backlog->scans[got - 1].pos;
    }
    return UP_OK;
}

bool backlog_end_of_want(struct backlog *backlog, const struct wall_want *want, size_t sent,
                         uint64_t last, bool more)
{
    backlog->message.kind = WALL_END_OF_WANT;
    backlog->message.end_of_want = (struct wall_end_of_want){.destination = want->destination,
                                                             .well = want->well,
                                                             .stream = want->stream,
                                                             .serial = want->serial,
                                                             .sent = (uint16_t)sent,
                                                             .last_pos = last,
                                                             .more = more};
    return backlog->options.send(backlog->options.context, &backlog->message);
}

/** Makes the fold stand just before the first scan of the slice, and knows the row before it. */
static enum up_rc position(struct backlog *backlog, struct kept_fold *kept,
                           const struct wall_want *want, size_t *got, struct up_error *error)
{
    const struct scan first = backlog->scans[0];
    uint64_t run = 0, seq = 0, at = 0;
    if (kept->pos != 0 && kept->pos == want->after && first.seq == kept->seq + 1)
        return UP_OK; /* seq has no holes: the row before it is the one folded last */
    enum up_rc rc =
        journal_row_before(backlog->reader, want->well, first.pos, &run, &seq, &at, error);
    if (rc != UP_OK)
        return rc;
    if (kept->pos == 0 || kept->pos != at) {
        rc = backlog_rebuild(backlog, kept, &first, error);
        if (rc != UP_OK) {
            kept->pos = 0;
            return rc;
        }
        rc = journal_read_scans(backlog->reader, want->well, want->after, want->n, backlog->scans,
                                got, error);
    }
    kept->run = run;
    kept->seq = seq;
    return rc;
}

/** How many rows of the slice lie before whatever nobody has noted as damaged yet: the others wait,
 * a second or two, so that what was accepted by then was sound (audit). */
static size_t before_damage(struct backlog *backlog, size_t got)
{
    const uint64_t from =
        backlog->options.damaged != NULL ? journal_reader_unnoted(backlog->reader) : 0;
    size_t n = 0;
    while (n < got && (from == 0 || backlog->scans[n].pos < from))
        n++;
    return n;
}

static enum up_rc serve_records(struct backlog *backlog, const struct wall_want *want,
                                uint16_t well_index, struct up_error *error)
{
    struct kept_fold *kept =
        &backlog->folds[(size_t)want->destination * backlog->options.plan->n_wells + well_index];
    size_t got = 0, sent = 0;
    struct removed_rows removed;
    struct wall_want above = *want; /* what retention left as a lead-in is not handed out */
    enum up_rc rc = journal_read_floor(backlog->reader, want->well, &removed, error);
    if (above.after < removed.pos)
        above.after = removed.pos;
    if (rc == UP_OK)
        rc = journal_read_scans(backlog->reader, want->well, above.after, want->n, backlog->scans,
                                &got, error);
    if (rc == UP_OK && before_damage(backlog, got) == 0)
        got = 0;
    if (rc == UP_OK && got > 0)
        rc = position(backlog, kept, &above, &got, error);
    if (rc != UP_OK)
        return rc;
    const bool more = got == want->n;
    got = before_damage(backlog, got);
    const uint64_t live_seq = backlog->options.live_seq(backlog->options.context, want->well);
    uint64_t last = want->after;
    backlog->slice_to = got > 0 ? backlog->scans[got - 1].pos : 0;
    for (; sent < got; sent++) {
        const struct scan *scan = &backlog->scans[sent];
        rc = backlog_fold_one(backlog, kept, scan, error);
        if (rc != UP_OK) {
            kept->pos = 0;
            return rc;
        }
        backlog->message.kind = WALL_RECORD;
        backlog->message.record.destination = want->destination;
        backlog->message.record.serial = want->serial;
        backlog->message.record.live = scan->seq >= live_seq;
        record_copy(&backlog->message.record.record, &backlog->record);
        if (!backlog->options.send(backlog->options.context, &backlog->message)) {
            kept->pos = 0;
            return UP_OK;
        }
        last = scan->pos;
    }
    (void)backlog_end_of_want(backlog, want, sent, last, more);
    return UP_OK;
}

static enum up_rc serve_gaps(struct backlog *backlog, const struct wall_want *want,
                             struct up_error *error)
{
    size_t got = 0;
    const size_t n = want->n < JOURNAL_SLICE_MAX ? want->n : JOURNAL_SLICE_MAX;
    enum up_rc rc =
        journal_read_gaps(backlog->reader, want->well, want->after, n, backlog->gaps, &got, error);
    if (rc != UP_OK)
        return rc;
    for (size_t i = 0; i < got; i++) {
        backlog->message.kind = WALL_GAP;
        backlog->message.gap = (struct wall_gap){
            .destination = want->destination, .serial = want->serial, .gap = backlog->gaps[i]};
        if (!backlog->options.send(backlog->options.context, &backlog->message))
            return UP_OK;
    }
    (void)backlog_end_of_want(backlog, want, got,
                              got > 0 ? backlog->gaps[got - 1].pos : want->after, got == n);
    return UP_OK;
}

static enum up_rc serve(struct backlog *backlog, const struct wall_want *want,
                        struct up_error *error)
{
    const struct plan *plan = backlog->options.plan;
    int well_index = -1;
    for (int i = 0; i < plan->n_wells; i++)
        if (plan->wells[i].number == want->well)
            well_index = i;
    if (well_index < 0 || want->destination >= plan->n_destinations || want->n == 0 ||
        want->n > JOURNAL_SLICE_MAX)
        return UP_FAIL(error, UP_E_INPUT,
                       "a want of the SCADA side names no well or destination of the plan");
    if (want->stream == STREAM_GAP)
        return serve_gaps(backlog, want, error);
    if (want->stream == STREAM_RECORD)
        return serve_records(backlog, want, (uint16_t)well_index, error);
    if (want->stream == STREAM_ORDER)
        return backlog_serve_order(backlog, want, error);
    return UP_FAIL(error, UP_E_INPUT, "a want of the SCADA side names no stream");
}

enum up_rc backlog_serve(struct backlog *backlog, const struct wall_want *want,
                         struct up_error *error)
{
    struct journal_damage damage;
    const enum up_rc rc = serve(backlog, want, error);
    while (backlog->options.damaged != NULL && journal_reader_damage(backlog->reader, &damage))
        backlog->options.damaged(backlog->options.context, &damage);
    return rc;
}
