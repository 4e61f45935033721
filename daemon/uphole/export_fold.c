/* SPDX-License-Identifier: Apache-2.0
 *
 * export_fold.c - a row of the journal becomes the record that was, or would have been, sent: by
 * the backlog's fold from one window before, with the facts of that time and the row's own plan.
 *
 * Two folds run side by side where orders have revised rows: one over the scans as they were read
 * (revision 0), one as the newest order has them (backlog_view.c). A row that an order revised is
 * told by the second, as it was sent.
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

enum up_rc export_look(struct export *export, struct export_scan *row, struct up_error *error)
{
    const struct scan *scan = row->scan;
    const enum up_rc rc =
        backlog_look(export->backlog, &export->view, scan->well, scan->pos, export->as_of, error);
    const struct row_order *maker =
        rc == UP_OK ? row_view_maker(&export->view, scan, &row->at) : NULL;
    row->revision = 0;
    row->by = NULL;
    if (maker == NULL)
        return rc;
    row->revision = maker->revision;
    memcpy(export->by, maker->by, sizeof export->by);
    row->by = export->by;
    return UP_OK;
}

/** Folds the row as the orders up to `as_of` have it; the backlog's record is what it gives. */
static enum up_rc fold(struct export *export, struct kept_fold *kept, const struct scan *scan,
                       uint64_t as_of, struct up_error *error)
{
    bool stands = export->before != 0 && kept->pos == export->before && kept->as_of == as_of &&
                  kept->recalculated == (as_of == 0 ? 0 : export->view.recalculated.pos);
    enum up_rc rc = UP_OK;
    if (!stands)
        rc = backlog_stand(export->backlog, kept, scan, as_of, UINT32_MAX, &stands, error);
    return rc != UP_OK ? rc : backlog_fold_one(export->backlog, kept, scan, error);
}

enum up_rc export_fold(struct export *export, struct export_scan *row, struct up_error *error)
{
    struct backlog *backlog = export->backlog;
    const struct row_view *view = &export->view;
    const struct scan *scan = row->scan;
    enum up_rc rc = UP_OK;
    if (view->times.pos != 0 || view->recalculated.pos != 0)
        rc = fold(export, &export->as_revised, scan, export->as_of, error);
    if (rc == UP_OK && row->revision > 0)
        export->revised = backlog->record;
    if (rc == UP_OK && view->recalculated.pos == 0)
        rc = fold(export, &export->as_read, scan, 0, error);
    if (rc != UP_OK)
        return rc;
    row->record = &backlog->record;
    if (row->revision > 0) {
        export->revised.revision = row->revision;
        row->record = &export->revised;
    }
    row->plan = own_plan(export, row->record->plan);
    if (row->plan == NULL || plan_well_by_number(row->plan, scan->well) == NULL)
        return UP_FAIL(error, UP_E_DISK,
                       "row %llu of the journal belongs to a well that its plan doesn't hold",
                       (unsigned long long)scan->pos);
    row->plan_digest = row->record->plan_digest;
    return UP_OK;
}
