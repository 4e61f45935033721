/* SPDX-License-Identifier: Apache-2.0
 *
 * export_fold.c - a row of the journal becomes the record that was, or would have been, sent: by
 * the backlog's fold from one window before, with the facts of that time and the row's own plan.
 *
 * Two folds run side by side where a times order covers the rows: one over the scans as they were
 * read (revision 0), one over the scans with the times that the order gives them. A row that the
 * order corrects is told by the second, as it was sent.
 */
#include "export.h"

#include <stdlib.h>
#include <string.h>

void export_number_wells(struct journal_reader *reader, struct plan *plan)
{
    char name[NAME_LENGTH_MAX + 1];
    for (uint16_t number = 1; journal_read_well_id(reader, number, name); number++)
        for (uint16_t w = 0; w < plan->n_wells; w++)
            if (strcmp(plan->wells[w].id, name) == 0)
                plan_number_well(plan, w, number);
}

enum up_rc export_read_plan(struct journal_reader *reader, uint32_t id, struct plan **out,
                            struct up_error *error)
{
    char *text = NULL, digest[65];
    size_t length = 0;
    enum up_rc rc = journal_read_plan(reader, id, &text, &length, digest, error);
    struct plan_faults *faults = calloc(1, sizeof *faults);
    if (rc == UP_OK && (faults == NULL || plan_from_text("a plan of the journal", text, length, out,
                                                         faults) != UP_OK))
        rc = UP_FAIL(error, UP_E_DISK, "plan %u of the journal can't be read back: %.200s", id,
                     faults == NULL ? "no memory" : faults->fault[0].text);
    free(faults);
    free(text);
    if (rc != UP_OK)
        return rc;
    (*out)->id = id;
    export_number_wells(reader, *out);
    return UP_OK;
}

/** The plan under which a row was just folded: the backlog keeps it. */
static const struct plan *own_plan(struct export *export, uint32_t id)
{
    if (id == export->plan->id)
        return export->plan;
    for (int i = 0; i < PLANS_KEPT; i++) {
        struct plan *plan = export->backlog->plans[i].plan;
        if (plan == NULL || export->backlog->plans[i].id != id)
            continue;
        if (export->numbered != id)
            export_number_wells(export->reader, plan);
        export->numbered = id;
        return plan;
    }
    return NULL;
}

enum up_rc export_take_times(struct export *export, const struct scan *scan, struct up_error *error)
{
    struct row_order *times = &export->times;
    if (times->pos != 0 && scan->pos >= times->from && scan->pos <= times->to)
        return UP_OK;
    struct row_order found;
    const enum up_rc rc = journal_times_within(export->reader, scan->pos, scan->pos, &found, error);
    if (rc != UP_OK)
        return rc;
    if (found.pos != times->pos)
        export->as_corrected.pos = 0;
    *times = found;
    return UP_OK;
}

static enum up_rc stand(struct export *export, struct kept_fold *kept, const struct scan *scan,
                        uint64_t before, uint64_t run, uint64_t seq, struct up_error *error)
{
    if (kept->pos == 0 || kept->pos != before) {
        const enum up_rc rc = backlog_rebuild(export->backlog, kept, scan, error);
        if (rc != UP_OK)
            return rc;
    }
    kept->run = run;
    kept->seq = seq;
    return UP_OK;
}

enum up_rc export_stand_before(struct export *export, const struct scan *scan, uint64_t *before,
                               struct up_error *error)
{
    uint64_t run = 0, seq = 0;
    const enum up_rc rc =
        journal_row_before(export->reader, scan->well, scan->pos, &run, &seq, before, error);
    return rc != UP_OK ? rc : stand(export, &export->as_read, scan, *before, run, seq, error);
}

enum up_rc export_fold(struct export *export, struct export_scan *row, uint64_t before,
                       struct up_error *error)
{
    struct backlog *backlog = export->backlog;
    const struct scan *scan = row->scan;
    const uint64_t run = export->as_read.run, seq = export->as_read.seq;
    enum up_rc rc = UP_OK;
    if (export->times.pos != 0) {
        export->as_corrected.times = &export->times;
        rc = stand(export, &export->as_corrected, scan, before, run, seq, error);
        if (rc == UP_OK)
            rc = backlog_fold_one(backlog, &export->as_corrected, scan, error);
        if (rc == UP_OK && row->revision > 0)
            export->corrected = backlog->record;
    }
    if (rc == UP_OK)
        rc = backlog_fold_one(backlog, &export->as_read, scan, error);
    if (rc != UP_OK)
        return rc;
    row->record = &backlog->record;
    if (row->revision > 0) {
        export->corrected.revision = row->revision;
        row->record = &export->corrected;
    }
    row->plan = own_plan(export, scan->plan);
    if (row->plan == NULL || plan_well_by_number(row->plan, scan->well) == NULL)
        return UP_FAIL(error, UP_E_DISK,
                       "row %llu of the journal belongs to a well that its plan doesn't hold",
                       (unsigned long long)scan->pos);
    row->plan_digest = row->record->plan_digest;
    return UP_OK;
}
