/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_shutin_journal.c - the record of a shut-in straight from the journal: a well's pressure
 * as it was published, by the walk of `uphole export`, from an hour before the shut-in to the
 * window's end.
 *
 * Only what was Good counts, as of a file; each row in its newest revision. Reads only, beside a
 * running Uphole or without one.
 */
#include "calculate_shutin.h"
#include "export.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define BEFORE_MS 3600000 /* where the flowing pressure is looked for */

struct walk {
    struct shutin_record *record;
    unsigned point;
    int64_t shut_ms;
    double before_s;
};

static const struct reading *reading_of(const struct record *record, unsigned point)
{
    for (uint16_t i = 0; i < record->n; i++)
        if (record->reading[i].point == point)
            return &record->reading[i];
    return NULL;
}

static enum up_rc put(struct export *export, const struct export_scan *row, struct up_error *error)
{
    struct walk *walk = export->context;
    if (!export_time_is_known(&row->at)) {
        walk->record->empty++;
        return UP_OK;
    }
    const struct reading *reading =
        row->record != NULL ? reading_of(row->record, walk->point) : NULL;
    if (reading == NULL)
        return UP_OK; /* of another source */
    if (!isfinite(reading->value)) {
        walk->record->empty++;
        return UP_OK;
    }
    if (quality_class_of(reading->quality) != QUALITY_CLASS_GOOD) {
        walk->record->unsure++;
        return UP_OK;
    }
    const double s = (double)(row->at.utc_ms - walk->shut_ms) / 1e3;
    if (s < walk->before_s)
        return UP_FAIL(error, UP_E_INPUT,
                       "the time of scan %llu of %.32s goes back: the clock stepped there, and the "
                       "time since the shut-in is not known. End the window before it",
                       (unsigned long long)row->scan->seq, export->asked.well);
    walk->before_s = s;
    return shutin_record_add(walk->record, s, 1000.0 * reading->value, export->asked.well, error);
}

static enum up_rc ask(const struct shutin_asked *asked, struct export *export, struct walk *walk,
                      struct up_error *error)
{
    const char *point = asked->pressure != NULL ? asked->pressure : "intake_pressure";
    walk->point = point_find(point, strlen(point));
    if (walk->point == POINT_NONE || point_get(walk->point)->kind != QUANTITY_PRESSURE)
        return UP_FAIL(error, UP_E_USAGE,
                       "--pressure %.40s: no pressure among the points; of a well one such as "
                       "intake_pressure or datum_pressure is expected",
                       point);
    if (!stamp_from_text(asked->shut_at, strlen(asked->shut_at), &walk->shut_ms))
        return UP_FAIL(error, UP_E_USAGE,
                       "--shut-at %.40s is no time; expected one like 2031-03-01T06:00:00Z",
                       asked->shut_at);
    export->asked.well = asked->well;
    export->asked.where.config = asked->config != NULL ? asked->config : CONFIG_DEFAULT;
    export->asked.where.maps = asked->maps;
    export->asked.where.journal = asked->journal;
    export->asked.revision = REVISION_NEWEST;
    export->asked.from_utc_ms = walk->shut_ms - BEFORE_MS;
    export->asked.to_utc_ms = walk->shut_ms + (int64_t)ceil(asked->to * 1e3);
    export->asked.now_utc_ms = export->asked.to_utc_ms;
    return socket_ask_where(&export->asked.where, error) == 0 ? UP_OK : error->rc;
}

enum up_rc shutin_record_of_journal(const struct shutin_asked *asked, struct shutin_record *record,
                                    struct up_error *error)
{
    struct export *export = calloc(1, sizeof *export);
    struct walk walk = {.record = record, .before_s = -INFINITY};
    enum up_rc rc = export != NULL ? shutin_record_make(record, error)
                                   : UP_FAIL(error, UP_E_MEMORY, "no memory to read the journal");
    if (rc == UP_OK)
        rc = ask(asked, export, &walk, error);
    if (rc == UP_OK)
        rc = export_open(export, error);
    if (rc == UP_OK) {
        snprintf(record->unit, sizeof record->unit, "kPa");
        record->in_unit = (struct formula_unit){.factor = 1000.0};
        rc = calculate_unit("--pressure", "Pa", record->unit, 3, &record->in_unit, error);
        export->put = put;
        export->context = &walk;
    }
    if (rc == UP_OK)
        rc = export_walk(export, error);
    if (export != NULL)
        export_close(export);
    free(export);
    if (rc == UP_OK && record->n == 0)
        return UP_FAIL(error, UP_E_INPUT,
                       "the journal has no Good pressure of %.32s within the window after the "
                       "shut-in at %.40s",
                       asked->well, asked->shut_at);
    return rc;
}
