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

const struct plan *export_plan_of(struct export *export, uint32_t id)
{
    const struct plan *found = NULL;
    if (backlog_plan(export->backlog, id, &found, NULL) != UP_OK || found == export->plan)
        return found;
    for (int i = 0; i < PLANS_KEPT; i++) {
        struct plan *plan = export->backlog->plans[i].plan;
        const struct well_plan *well =
            plan == found ? plan_well_by_id(plan, export->asked.well) : NULL;
        if (well != NULL && well->number != export->well) /* just read */
            export_number_wells(export->reader, plan);
    }
    return found;
}

enum up_rc export_look(struct export *export, struct export_scan *row, uint32_t revision,
                       struct up_error *error)
{
    const struct scan *scan = row->scan;
    struct row_view *view = &export->view;
    enum up_rc rc = UP_OK;
    if (view->high == 0 || export->viewed != revision || scan->pos < view->low ||
        scan->pos > view->high)
        rc = journal_read_view(export->reader, scan->well, scan->pos, export->as_of, revision, view,
                               error);
    export->viewed = revision;
    if (rc != UP_OK)
        view->high = 0;
    const struct row_order *maker = rc == UP_OK ? row_view_maker(view, scan, &row->at) : NULL;
    row->revision = maker == NULL ? 0 : maker->revision;
    row->as_of = maker == NULL ? 0 : maker->pos;
    row->by = maker == NULL ? NULL : export->by;
    if (maker != NULL)
        memcpy(export->by, maker->by, sizeof export->by);
    return rc;
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

/** The fold of that order, or the one that was not used last. */
static struct kept_fold *revised_of(struct export *export, uint64_t as_of)
{
    for (size_t i = 0; i < EXPORT_REVISED; i++)
        if (export->as_revised[i].as_of == as_of)
            export->newest_fold = i;
    if (export->as_revised[export->newest_fold].as_of != as_of)
        export->newest_fold = (export->newest_fold + 1) % EXPORT_REVISED;
    return &export->as_revised[export->newest_fold];
}

/* Under a times order both folds go on over every row: some it corrects, others not. */
enum up_rc export_fold(struct export *export, struct export_scan *row, struct up_error *error)
{
    struct backlog *backlog = export->backlog;
    const struct row_view *view = &export->view;
    const struct scan *scan = row->scan;
    const uint64_t as_of = view->recalculated.pos != 0 ? row->as_of : view->times.pos;
    enum up_rc rc = UP_OK;
    if (as_of != 0)
        rc = fold(export, revised_of(export, as_of), scan, as_of, error);
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
    row->plan = export_plan_of(export, row->record->plan);
    if (row->plan == NULL || plan_well_by_number(row->plan, scan->well) == NULL)
        return UP_FAIL(error, UP_E_DISK,
                       "row %llu of the journal belongs to a well that its plan doesn't hold",
                       (unsigned long long)scan->pos);
    row->plan_digest = row->record->plan_digest;
    return UP_OK;
}
