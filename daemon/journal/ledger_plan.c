/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_plan.c - the ledger over a change of plan within a run: rows of what is no longer
 * configured end and say so, the others go on, new sources get their room. Pure.
 *
 * Invariant: rows are kept, never made anew, so that a count that waits to be handed out is not
 * lost.
 */
#include "ledger.h"

#include <stdlib.h>
#include <string.h>

static bool destination_is_known(const struct plan *plan, const char *name)
{
    for (uint16_t i = 0; i < plan->n_destinations; i++)
        if (strcmp(plan->destinations[i].name, name) == 0)
            return true;
    return false;
}

bool ledger_is_obsolete(const struct plan *plan, const struct gap *gap)
{
    const struct well_plan *well = plan_well_by_number(plan, gap->well);
    if (gap->all_wells)
        return false;
    if (gap->kind == GAP_DELIVERY || gap->kind == GAP_REFUSED)
        return well == NULL || !destination_is_known(plan, gap->destination);
    return well == NULL || gap->source >= SOURCE_KINDS || well->n_entries[gap->source] == 0;
}

void ledger_close_obsolete(struct ledger_row *row, const struct stamp *now)
{
    static const char WHY[] = " It is no longer configured.";
    const size_t length = strlen(row->gap.cause);
    if (length + sizeof WHY <= sizeof row->gap.cause)
        memcpy(row->gap.cause + length, WHY, sizeof WHY);
    ledger_close(row, now, 0);
    row->good_scans = LEDGER_FLAP_SCANS; /* what follows is another gap */
}

static void carry_source(struct ledger *ledger, const struct plan *plan,
                         struct ledger_source *source)
{
    const struct ledger_source *old =
        ledger_find_source(ledger, source->well->number, source->source);
    if (old == NULL)
        return;
    source->channels_open = old->channels_open;
    /* What was seen good by another map, or of another sensor, says nothing about what comes. */
    if (plan_well_is_same(ledger->plan, plan, source->well->id))
        memcpy(source->seen_good, old->seen_good, sizeof source->seen_good);
}

static void carry_newest(const struct ledger *ledger, const struct plan *plan, uint64_t *newest)
{
    for (uint16_t w = 0; w < plan->n_wells; w++)
        for (uint16_t k = 0; k < ledger->plan->n_wells; k++)
            if (ledger->plan->wells[k].number == plan->wells[w].number)
                newest[w] = ledger->newest_seq[k];
}

enum up_rc ledger_set_plan(struct ledger *ledger, const struct plan *plan, const struct stamp *now,
                           struct up_error *error)
{
    uint64_t newest[PLAN_WELLS_MAX] = {0};
    struct ledger *next = ledger_create(plan, ledger->run, ledger->room);
    if (next == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the gap ledger");
    for (size_t i = 0; i < next->n_sources; i++)
        carry_source(ledger, plan, &next->sources[i]);
    carry_newest(ledger, plan, newest);
    memcpy(ledger->newest_seq, newest, sizeof ledger->newest_seq);
    struct ledger_source *sources = ledger->sources;
    ledger->sources = next->sources;
    ledger->n_sources = next->n_sources;
    next->sources = sources;
    ledger->plan = plan;
    if (next->capacity > ledger->capacity) { /* rows that stand beyond a smaller one may not go */
        struct ledger_row *rows = ledger->rows;
        memcpy(next->rows, rows, ledger->n * sizeof *rows);
        ledger->rows = next->rows;
        ledger->capacity = next->capacity;
        next->rows = rows;
    }
    ledger_destroy(next);
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        if (row->used && row->gap.is_open && ledger_is_obsolete(plan, &row->gap))
            ledger_close_obsolete(row, now);
    }
    return UP_OK;
}
