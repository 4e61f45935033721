/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_review.c - one review of the books, for the command and for the daemon's own each day. It
 * prints nothing. Memory is taken at its begin and given back at its end.
 */
#include "audit.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- what the files share ---- */

void audit_fault(struct audit *audit, const char *format, ...)
{
    if (audit->n_faults < AUDIT_FAULTS_MAX) {
        va_list arguments;
        va_start(arguments, format);
        vsnprintf(audit->fault[audit->n_faults], AUDIT_TEXT_MAX, format, arguments);
        va_end(arguments);
    }
    audit->n_faults++;
}

struct audit_well *audit_well_of(struct audit *audit, uint16_t number)
{
    for (size_t i = 0; i < audit->n_wells; i++)
        if (audit->wells[i].number == number)
            return audit->only_well != 0 && number != audit->only_well ? NULL : &audit->wells[i];
    return NULL;
}

const char *audit_name(struct audit *audit, uint16_t well)
{
    for (size_t i = 0; i < audit->n_wells; i++)
        if (audit->wells[i].number == well)
            return audit->wells[i].id;
    return "all wells";
}

struct audit_source *audit_source_of(struct audit *audit, uint16_t well, uint8_t source)
{
    for (size_t i = 0; i < audit->n_sources; i++)
        if (audit->sources[i].well == well && audit->sources[i].source == source)
            return &audit->sources[i];
    if (audit_well_of(audit, well) == NULL || source == SOURCE_NONE || source >= SOURCE_KINDS)
        return NULL;
    if (audit->n_sources == AUDIT_SOURCES_MAX) {
        audit->full = true;
        return NULL;
    }
    struct audit_source *made = &audit->sources[audit->n_sources++];
    *made = (struct audit_source){
        .well = well, .source = source, .low = audit->low, .high = audit->high};
    return made;
}

int audit_compare(const struct audit_key *a, const struct audit_key *b)
{
    if (a->run != b->run)
        return a->run < b->run ? -1 : 1;
    return a->boot_ms < b->boot_ms ? -1 : a->boot_ms > b->boot_ms;
}

bool audit_is_within(const struct audit_source *source, const struct audit_key *key)
{
    return audit_compare(&source->low, key) <= 0 && audit_compare(key, &source->high) < 0;
}

bool audit_key_of(const struct audit *audit, const struct stamp *at, uint64_t pos,
                  struct audit_key *key)
{
    for (size_t i = audit->n_runs; i-- > 0;) {
        const struct run_book *run = &audit->runs[i];
        if (run->pos < pos && run->began.boot == at->boot && run->began.boot_ms <= at->boot_ms) {
            *key = (struct audit_key){.run = i, .boot_ms = at->boot_ms};
            return true;
        }
    }
    return false;
}

/* ---- reading ---- */

static enum up_rc make_room(struct audit *audit, struct up_error *error)
{
    audit->wells = calloc(AUDIT_WELLS_MAX, sizeof *audit->wells);
    audit->sources = calloc(AUDIT_SOURCES_MAX, sizeof *audit->sources);
    audit->places = calloc(AUDIT_PLACES_MAX, sizeof *audit->places);
    audit->planned = calloc(AUDIT_PLANNED_MAX, sizeof *audit->planned);
    audit->asides = calloc(AUDIT_ASIDES_MAX, sizeof *audit->asides);
    audit->damages = calloc(AUDIT_DAMAGES_MAX, sizeof *audit->damages);
    audit->accepted = calloc(AUDIT_ACCEPTED_MAX, sizeof *audit->accepted);
    audit->runs = calloc(AUDIT_RUNS_MAX, sizeof *audit->runs);
    return audit->wells == NULL || audit->sources == NULL || audit->places == NULL ||
                   audit->planned == NULL || audit->asides == NULL || audit->damages == NULL ||
                   audit->accepted == NULL || audit->runs == NULL
               ? UP_FAIL(error, UP_E_MEMORY, "no memory for the books")
               : UP_OK;
}

void audit_free(struct audit *audit)
{
    if (audit == NULL)
        return;
    journal_reader_close(audit->reader);
    plan_free(audit->plan);
    free(audit->wells);
    free(audit->sources);
    free(audit->places);
    free(audit->planned);
    free(audit->asides);
    free(audit->damages);
    free(audit->accepted);
    free(audit->runs);
    free(audit);
}

static enum up_rc read_wells(struct audit *audit, struct up_error *error)
{
    char known[160] = "", name[NAME_LENGTH_MAX + 1];
    for (uint16_t number = 1; journal_read_well_id(audit->reader, number, name); number++) {
        if (audit->n_wells == AUDIT_WELLS_MAX) {
            audit->full = true;
            break;
        }
        struct audit_well *well = &audit->wells[audit->n_wells++];
        well->number = number;
        memcpy(well->id, name, sizeof well->id);
        if (audit->asked.well != NULL && strcmp(name, audit->asked.well) == 0)
            audit->only_well = number;
        const size_t length = strlen(known);
        snprintf(known + length, sizeof known - length, "%s%s", number > 1 ? ", " : "", name);
    }
    return audit->asked.well == NULL || audit->only_well != 0
               ? UP_OK
               : UP_FAIL(error, UP_E_MISSING, "the journal knows no well '%s'; it knows %s",
                         audit->asked.well, known[0] != '\0' ? known : "none yet");
}

static enum up_rc read_runs(struct audit *audit, struct up_error *error)
{
    size_t got = AUDIT_SLICE;
    enum up_rc rc = UP_OK;
    uint64_t after = 0;
    while (rc == UP_OK && got == AUDIT_SLICE) {
        const size_t room = AUDIT_RUNS_MAX - audit->n_runs;
        struct run_book *slice = &audit->runs[audit->n_runs];
        rc = journal_read_runs(audit->reader, after, room < AUDIT_SLICE ? room : AUDIT_SLICE, slice,
                               &got, error);
        after = rc == UP_OK && got > 0 ? slice[got - 1].pos : after;
        for (size_t i = 0; rc == UP_OK && i < got; i++)
            if (slice[i].plan != 0) /* else it ended before anything was due */
                audit->runs[audit->n_runs++] = slice[i];
    }
    audit->full = audit->full || audit->n_runs == AUDIT_RUNS_MAX;
    while (audit->n_runs > 0 && audit->runs[audit->n_runs - 1].pos > audit->newest_pos)
        audit->n_runs--;
    return rc;
}

enum up_rc audit_review(struct audit *audit, struct up_error *error)
{
    enum up_rc rc = make_room(audit, error);
    if (rc == UP_OK)
        rc = journal_reader_open(audit->asked.directory, &audit->reader, error);
    if (rc == UP_OK)
        rc = read_wells(audit, error);
    /* Places before the newest pos: no place can then lie beyond what is reviewed. */
    if (rc == UP_OK)
        rc = audit_read_places(audit, error);
    if (rc == UP_OK)
        rc = journal_read_newest_pos(audit->reader, &audit->newest_pos, error);
    if (rc == UP_OK)
        rc = read_runs(audit, error);
    if (rc == UP_OK)
        rc = audit_find_interval(audit, error);
    if (rc == UP_OK)
        rc = audit_walk(audit, error);
    if (rc == UP_OK)
        rc = audit_close_places(audit, error);
    if (rc == UP_OK)
        rc = audit_check_chain(audit, error);
    if (rc == UP_OK && audit->full)
        rc = UP_FAIL(error, UP_E_FULL,
                     "the journal holds more wells, runs, destinations or notes than one review "
                     "takes; ask for one well");
    return rc;
}

uint8_t audit_verdict(const struct audit *audit)
{
    bool holds = audit->n_faults == 0;
    for (size_t i = 0; i < audit->n_sources; i++)
        holds = holds && audit_source_holds(&audit->sources[i]);
    for (size_t i = 0; i < audit->n_places; i++)
        holds = holds && audit_place_holds(&audit->places[i]);
    return !holds ? BOOKS_DO_NOT_HOLD : audit->n_undecided > 0 ? BOOKS_UNDECIDED : BOOKS_HOLD;
}

enum up_rc audit_go_on(const struct audit *audit, struct up_error *error)
{
    return audit->go_on == NULL || audit->go_on(audit->context)
               ? UP_OK
               : UP_FAIL(error, UP_E_TIMEOUT, "stopped before its end");
}
