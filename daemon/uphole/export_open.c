/* SPDX-License-Identifier: Apache-2.0
 *
 * export_open.c - what an export or a replay needs of the journal: the well, the range of rows, the
 * units, room for one slice.
 */
#include "export.h"

#include "uphole/journal_books.h"

#include <stdlib.h>
#include <string.h>

static enum up_rc find_well(struct export *export, struct journal_reader *reader,
                            struct up_error *error)
{
    char name[NAME_LENGTH_MAX + 1], known[160] = "";
    for (uint16_t number = 1; journal_read_well_id(reader, number, name); number++) {
        if (strcmp(name, export->asked.well) == 0) {
            export->well = number;
            return UP_OK;
        }
        const size_t length = strlen(known);
        snprintf(known + length, sizeof known - length, "%s%s", number > 1 ? ", " : "", name);
    }
    return UP_FAIL(error, UP_E_MISSING, "the journal knows no well '%.40s'; it knows %s",
                   export->asked.well, known[0] != '\0' ? known : "none yet");
}

/** The units of a destination, as the plan of the interval's newest row has them. */
static enum up_rc choose_units(struct export *export, struct up_error *error)
{
    export->units = (struct unit_choice){.set = export->asked.us ? UNITS_US : UNITS_METRIC};
    if (export->asked.destination == NULL)
        return UP_OK;
    for (uint16_t i = 0; i < export->plan->n_destinations; i++)
        if (strcmp(export->plan->destinations[i].name, export->asked.destination) == 0) {
            export->units = export->plan->destinations[i].units;
            return UP_OK;
        }
    return UP_FAIL(error, UP_E_MISSING, "there is no destination '%.40s' in that time",
                   export->asked.destination);
}

static bool unused(void *context, const struct wall_message *message)
{
    (void)context;
    (void)message;
    return false;
}

/** Fixes the range of rows, and reads the plan under which its newest row was taken. */
static enum up_rc find_range(struct export *export, struct journal_reader *reader,
                             struct up_error *error)
{
    uint32_t id = journal_read_newest_plan(reader);
    size_t got = 0;
    enum up_rc rc = journal_range_of_time(reader, export->well, export->asked.from_utc_ms,
                                          export->asked.to_utc_ms, &export->range, error);
    if (rc == UP_OK && export->range.to != 0)
        rc = journal_read_scans(reader, export->well, export->range.to - 1, 1, export->scans, &got,
                                error);
    if (rc == UP_OK && got > 0)
        id = export->scans[0].plan;
    if (rc == UP_OK)
        rc = export_read_plan(reader, id, &export->plan, error);
    return rc != UP_OK ? rc : choose_units(export, error);
}

static bool make_room(struct export *export)
{
    export->scans = calloc(JOURNAL_SLICE_MAX, sizeof *export->scans);
    export->gaps = calloc(JOURNAL_SLICE_MAX, sizeof *export->gaps);
    export->line = malloc(PAYLOAD_MAX);
    export->as_read.fold = malloc(fold_bytes());
    bool whole = export->scans != NULL && export->gaps != NULL && export->line != NULL &&
                 export->as_read.fold != NULL;
    for (size_t i = 0; i < EXPORT_REVISED; i++) {
        export->as_revised[i].fold = malloc(fold_bytes());
        whole = whole && export->as_revised[i].fold != NULL;
    }
    return whole;
}

enum up_rc export_open(struct export *export, struct up_error *error)
{
    const char *directory = export->asked.where.directory;
    struct journal_reader *reader = NULL;
    if (!make_room(export))
        return UP_FAIL(error, UP_E_MEMORY, "no memory to read the journal");
    enum up_rc rc = journal_reader_open(directory, &reader, error);
    if (rc == UP_OK) /* orders that are given meanwhile don't count */
        rc = journal_read_newest_pos(reader, &export->as_of, error);
    if (rc == UP_OK)
        rc = find_well(export, reader, error);
    if (rc == UP_OK)
        rc = find_range(export, reader, error);
    journal_reader_close(reader);
    if (rc != UP_OK)
        return rc;
    rc = backlog_open(&(struct backlog_options){.plan = export->plan,
                                                .journal_directory = directory,
                                                .send = unused},
                      &export->backlog, error);
    if (rc == UP_OK)
        export->reader = export->backlog->reader;
    return rc;
}

void export_close(struct export *export)
{
    backlog_close(export->backlog);
    plan_free(export->plan);
    free(export->scans);
    free(export->gaps);
    free(export->line);
    free(export->as_read.fold);
    for (size_t i = 0; i < EXPORT_REVISED; i++)
        free(export->as_revised[i].fold);
}
