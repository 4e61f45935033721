/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_interval.c - where an interval cuts the books. A cut is an instant of boot time within a
 * run: the first row whose label is the asked time or later. A row of the ledger counts for a
 * stretch and can't be divided, so where one lies across a cut, the cut of that source moves out to
 * the row's end.
 */
#include "audit.h"

#include <stdlib.h>

#define EDGE_SLICES 16  /* of rows behind what was removed: all sources have one in them */
#define WIDEN_MOST 1000 /* passes over the ledger; each moves at least one cut */

static size_t run_index(const struct audit *audit, uint64_t id)
{
    for (size_t i = audit->n_runs; i-- > 0;)
        if (audit->runs[i].id == id)
            return i;
    return 0;
}

static enum up_rc find_cut(struct audit *audit, int64_t utc_ms, uint64_t *pos,
                           struct audit_key *key, struct up_error *error)
{
    uint64_t run = 0;
    const enum up_rc rc = journal_first_row_from(audit->reader, utc_ms, audit->newest_pos, pos,
                                                 &run, &key->boot_ms, error);
    if (rc == UP_OK && *pos != 0)
        key->run = run_index(audit, run);
    if (rc == UP_OK && *pos == 0) {
        *pos = audit->newest_pos + 1;
        *key = (struct audit_key){.run = audit->n_runs};
    }
    return rc;
}

/** An interval begins with a row, where the one before it ends. Before the first row of all nothing
 * ends: what was due until then belongs to the interval too. */
static enum up_rc find_begin(struct audit *audit, struct up_error *error)
{
    struct audit_key first = {0}, low = {0};
    uint64_t first_pos = 0, from_pos = 0;
    enum up_rc rc = find_cut(audit, INT64_MIN, &first_pos, &first, error);
    if (rc == UP_OK)
        rc = find_cut(audit, audit->asked.from_utc_ms, &from_pos, &low, error);
    if (rc == UP_OK && from_pos != first_pos) {
        audit->from_pos = from_pos;
        audit->low = low;
    }
    return rc;
}

/** Behind what retention removed: the first row that is left. */
static enum up_rc find_edge(struct audit *audit, uint64_t *pos, struct up_error *error)
{
    uint64_t run = 0;
    enum up_rc rc = journal_read_floor(audit->reader, 0, &audit->removed, error);
    *pos = 0;
    audit->edge = (struct audit_key){.run = 0, .boot_ms = INT64_MIN};
    if (rc != UP_OK || audit->removed.pos == 0)
        return rc;
    rc = journal_first_row_from(audit->reader, INT64_MIN, audit->newest_pos, pos, &run,
                                &audit->edge.boot_ms, error);
    audit->edge.run = *pos != 0 ? run_index(audit, run) : audit->n_runs;
    if (rc == UP_OK && *pos == 0)
        *pos = audit->newest_pos + 1;
    return rc;
}

/** Rows of a commit stand in the order of their begin, those of two commits need not: a slow scan
 * that began before removed ones may be the first that is left. So each source's books begin with
 * its own first row. */
static enum up_rc find_edges_of_sources(struct audit *audit, struct up_error *error)
{
    struct scan *slice = calloc(AUDIT_SLICE, sizeof *slice);
    bool holds[AUDIT_SLICE];
    size_t got = AUDIT_SLICE;
    uint64_t after = audit->removed.pos;
    enum up_rc rc =
        slice != NULL ? UP_OK : UP_FAIL(error, UP_E_MEMORY, "no memory to read the first rows");
    for (int i = 0; rc == UP_OK && got == AUDIT_SLICE && i < EDGE_SLICES; i++) {
        rc = journal_read_rows(audit->reader, after, audit->newest_pos, AUDIT_SLICE, slice, holds,
                               &got, error);
        for (size_t k = 0; rc == UP_OK && k < got; k++) {
            const struct audit_key key = {.run = run_index(audit, slice[k].run),
                                          .boot_ms = slice[k].begun.boot_ms};
            struct audit_source *source =
                holds[k] ? audit_source_of(audit, slice[k].well, slice[k].source) : NULL;
            after = slice[k].pos;
            if (source == NULL || source->has_edge)
                continue;
            source->has_edge = true;
            if (audit_compare(&source->low, &key) < 0)
                source->low = key;
        }
    }
    free(slice);
    return rc;
}

static void note_planned(struct audit *audit, const struct gap *gap)
{
    struct audit_planned planned = {.well = gap->well,
                                    .point = gap->point,
                                    .source = gap->source,
                                    .kind = gap->kind,
                                    .to = {.run = SIZE_MAX}};
    if (!gap->planned ||
        (gap->kind != GAP_LINE && gap->kind != GAP_GAUGE && gap->kind != GAP_CHANNEL) ||
        !audit_key_of(audit, &gap->start, gap->pos, &planned.from) ||
        (!gap->is_open && !audit_key_of(audit, &gap->end, gap->pos, &planned.to)))
        return;
    if (audit->n_planned == AUDIT_PLANNED_MAX)
        audit->full = true;
    else
        audit->planned[audit->n_planned++] = planned;
}

/** True where a cut moved. What lies from `first` to `last` can't be divided. */
static bool widen_to(struct audit *audit, struct audit_source *source, struct audit_key first,
                     struct audit_key last)
{
    bool moved = false;
    if (audit_compare(&first, &source->low) < 0 && audit_compare(&source->low, &last) <= 0) {
        source->low = first;
        if (audit_compare(&first, &audit->edge) < 0) { /* rows beside it are removed: inwards */
            source->low = last;
            source->low.boot_ms++;
        }
        moved = true;
    }
    if (audit_compare(&first, &source->high) < 0 && audit_compare(&source->high, &last) <= 0) {
        source->high = last;
        source->high.boot_ms++;
        moved = true;
    }
    source->widened = source->widened || moved;
    return moved;
}

static bool widen(struct audit *audit, const struct gap *gap)
{
    struct audit_key first, last;
    struct audit_source *source = gap_kind_counts_never_attempted(gap->kind)
                                      ? audit_source_of(audit, gap->well, gap->source)
                                      : NULL;
    return source != NULL && audit_key_of(audit, &gap->start, gap->pos, &first) &&
           audit_key_of(audit, &gap->last_due, gap->pos, &last) &&
           widen_to(audit, source, first, last);
}

/** The same for what is damaged. */
static bool widen_to_damages(struct audit *audit)
{
    bool moved = false;
    for (size_t i = 0; i < audit->n_damages; i++) {
        const struct audit_damage *damage = &audit->damages[i];
        struct audit_source *source =
            damage->has_key ? audit_source_of(audit, damage->well, damage->source) : NULL;
        if (source != NULL && widen_to(audit, source, damage->first, damage->last))
            moved = true;
    }
    return moved;
}

static enum up_rc pass(struct audit *audit, bool is_first, bool *moved, struct up_error *error)
{
    struct revision *slice = calloc(AUDIT_SLICE, sizeof *slice);
    size_t got = AUDIT_SLICE;
    uint64_t after = 0;
    enum up_rc rc =
        slice != NULL ? UP_OK : UP_FAIL(error, UP_E_MEMORY, "no memory to read the ledger");
    *moved = false;
    while (rc == UP_OK && got == AUDIT_SLICE) {
        rc = audit_go_on(audit, error);
        if (rc != UP_OK)
            break;
        rc = journal_read_revisions(audit->reader, after, audit->newest_pos, AUDIT_SLICE, slice,
                                    &got, error);
        for (size_t i = 0; rc == UP_OK && i < got; i++) {
            after = slice[i].gap.pos;
            if (!slice[i].is_newest)
                continue;
            if (is_first)
                note_planned(audit, &slice[i].gap);
            if (is_first)
                audit_note_damage(audit, &slice[i].gap);
            if (widen(audit, &slice[i].gap))
                *moved = true;
        }
    }
    free(slice);
    return rc;
}

enum up_rc audit_find_interval(struct audit *audit, struct up_error *error)
{
    const struct audit_asked *asked = &audit->asked;
    enum up_rc rc = UP_OK;
    bool moved = true;
    audit->low = (struct audit_key){.run = 0, .boot_ms = INT64_MIN};
    audit->high = (struct audit_key){.run = audit->n_runs};
    audit->to_pos = audit->newest_pos + 1;
    uint64_t edge_pos = 0;
    rc = find_edge(audit, &edge_pos, error);
    if (rc == UP_OK && asked->has_from)
        rc = find_begin(audit, error);
    if (audit_compare(&audit->low, &audit->edge) < 0) {
        audit->low = audit->edge;
        audit->from_pos = edge_pos;
    }
    if (rc == UP_OK && asked->has_to)
        rc = find_cut(audit, asked->to_utc_ms + 1, &audit->to_pos, &audit->high, error);
    if (rc == UP_OK && audit->removed.pos != 0 && audit->from_pos == edge_pos)
        rc = find_edges_of_sources(audit, error);
    for (int i = 0; rc == UP_OK && moved && i < WIDEN_MOST; i++) {
        rc = pass(audit, i == 0, &moved, error);
        moved = widen_to_damages(audit) || moved;
    }
    if (rc == UP_OK)
        rc = audit_read_damages(audit, error);
    return rc;
}
