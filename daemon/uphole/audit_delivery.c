/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_delivery.c - rows of a well at each destination: those up to its place were accepted or
 * set aside, those behind it are pending. Rows are counted; what is accepted and pending follows
 * from seqs and the place alone, so that a row that is missing on either side shows.
 */
#include "audit.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct audit_place *audit_place_of(struct audit *audit, const char *destination, uint16_t well)
{
    for (size_t i = 0; i < audit->n_places; i++)
        if (audit->places[i].well == well && strcmp(audit->places[i].destination, destination) == 0)
            return &audit->places[i];
    if (audit_well_of(audit, well) == NULL)
        return NULL;
    if (audit->n_places == AUDIT_PLACES_MAX) {
        audit->full = true;
        return NULL;
    }
    struct audit_place *place = &audit->places[audit->n_places++];
    *place = (struct audit_place){.well = well};
    snprintf(place->destination, sizeof place->destination, "%s", destination);
    return place;
}

enum up_rc audit_read_places(struct audit *audit, struct up_error *error)
{
    static const size_t ROOM = 4 * AUDIT_PLACES_MAX;
    struct cursor *cursors = calloc(ROOM, sizeof *cursors);
    if (cursors == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory to read the places of destinations");
    const size_t n = journal_read_cursors(audit->reader, cursors, ROOM);
    audit->full = audit->full || n == ROOM;
    for (size_t i = 0; i < n; i++) {
        struct audit_place *place =
            cursors[i].stream == STREAM_RECORD
                ? audit_place_of(audit, cursors[i].destination, cursors[i].well)
                : NULL;
        if (place == NULL)
            continue;
        place->has_cursor = true;
        place->seq = cursors[i].seq;
        place->pos = cursors[i].pos;
    }
    free(cursors);
    return UP_OK;
}

void audit_set_aside(struct audit *audit, const struct gap *gap)
{
    struct audit_place *place = audit_place_of(audit, gap->destination, gap->well);
    if (place == NULL)
        return;
    if (audit->n_asides == AUDIT_ASIDES_MAX) {
        audit->full = true;
        return;
    }
    audit->asides[audit->n_asides++] =
        (struct audit_aside){.place = (size_t)(place - audit->places),
                             .before = gap->before_seq,
                             .end = gap->kind == GAP_REMOVED ? gap->before_seq + gap->scans
                                    : gap->is_open           ? UINT64_MAX
                                                             : gap->after_seq,
                             .scans = gap->scans};
}

static uint64_t least(uint64_t a, uint64_t b)
{
    return a < b ? a : b;
}

static void add_asides(struct audit *audit, struct audit_place *place, uint64_t after, uint64_t to)
{
    for (size_t i = 0; i < audit->n_asides; i++) {
        const struct audit_aside *aside = &audit->asides[i];
        if (&audit->places[aside->place] != place)
            continue;
        const uint64_t room =
            audit_overlap(aside->before, least(aside->end, place->seq), 0, UINT64_MAX);
        const uint64_t within =
            audit_overlap(aside->before, least(aside->end, place->seq), after, to);
        if (aside->scans > room)
            audit_fault(audit,
                        "%s to %s: %u records are said to be set aside after seq %" PRIu64
                        ", where at most %" PRIu64 " passed",
                        audit_name(audit, place->well), place->destination, aside->scans,
                        aside->before, room);
        place->aside += (int64_t)(within == room ? aside->scans : least(within, aside->scans));
    }
}

/** The place is a row of this well, and not beyond the newest. */
static enum up_rc check_place(struct audit *audit, const struct audit_place *place,
                              struct up_error *error)
{
    const char *name = audit_name(audit, place->well);
    uint64_t pos = 0, seq = 0;
    struct scan scan;
    bool holds = false;
    size_t got = 0;
    if (!place->has_cursor || place->seq == 0)
        return UP_OK;
    enum up_rc rc = journal_read_newest(audit->reader, place->well, &pos, &seq, error);
    if (rc != UP_OK)
        return rc;
    if (place->seq > seq || place->pos > pos) {
        audit_fault(audit,
                    "%s to %s: accepted up to seq %" PRIu64 " (row %" PRIu64
                    "), which lies beyond the newest row, seq %" PRIu64 " (row %" PRIu64 "), by "
                    "%" PRId64,
                    name, place->destination, place->seq, place->pos, seq, pos,
                    place->seq > seq ? (int64_t)(place->seq - seq) : (int64_t)(place->pos - pos));
        return UP_OK;
    }
    rc =
        journal_read_rows(audit->reader, place->pos - 1, place->pos, 1, &scan, &holds, &got, error);
    if (got == 0 && audit_is_damaged(audit, place->well, place->seq))
        return rc; /* its hole in seq is looked at with the rows */
    if (rc == UP_OK && (got == 0 || scan.well != place->well || scan.seq != place->seq))
        audit_fault(audit,
                    "%s to %s: accepted up to seq %" PRIu64 ", but row %" PRIu64
                    " of the journal is not that row",
                    name, place->destination, place->seq, place->pos);
    return rc;
}

static void sum_place(struct audit *audit, struct audit_place *place, const struct audit_well *well)
{
    place->rows = (int64_t)(well->rows + well->damaged);
    if (well->rows == 0)
        return;
    place->damaged = (int64_t)(well->damaged - place->damaged_accepted);
    const uint64_t after = well->first_seq - 1, to = well->last_seq;
    const uint64_t passed = audit_overlap(0, place->seq, after, to);
    add_asides(audit, place, after, to);
    place->accepted = (int64_t)passed - place->aside - (int64_t)place->damaged_passed;
    place->pending =
        (int64_t)(to - after - passed) - (place->damaged - (int64_t)place->damaged_passed);
}

enum up_rc audit_close_places(struct audit *audit, struct up_error *error)
{
    enum up_rc rc = UP_OK;
    /* A destination that is configured and never took anything has all of it pending. */
    for (uint16_t d = 0; audit->plan != NULL && d < audit->plan->n_destinations; d++)
        for (uint16_t w = 0; w < audit->plan->n_wells; w++)
            if (audit->plan->destinations[d].medium == DESTINATION_MQTT)
                (void)audit_place_of(audit, audit->plan->destinations[d].name,
                                     audit->plan->wells[w].number);
    for (size_t i = 0; rc == UP_OK && i < audit->n_places; i++) {
        const struct audit_well *well = audit_well_of(audit, audit->places[i].well);
        rc = check_place(audit, &audit->places[i], error);
        if (well != NULL)
            sum_place(audit, &audit->places[i], well);
    }
    return rc;
}
