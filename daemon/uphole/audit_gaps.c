/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_gaps.c - revisions of the ledger: whole, in order, and what their newest ones say was never
 * attempted.
 */
#include "audit.h"

#include <inttypes.h>

static void check(struct audit *audit, const struct revision *revision)
{
    const struct gap *gap = &revision->gap;
    char at[STAMP_TEXT_MAX];
    stamp_to_short_text(gap->start.utc_ms, at);
    if (!revision->holds) {
        audit->n_damaged++;
        audit_fault(audit,
                    "ledger row %06" PRIx64 ":%" PRIu64 " (%s, %s, since %s): revision %u is not "
                    "as it was written: its check does not hold",
                    gap->run >> 40, gap->id, audit_name(audit, gap->well), gap_kind_name(gap->kind),
                    at, gap->revision);
    }
    if (!revision->follows)
        audit_fault(audit,
                    "ledger row %06" PRIx64 ":%" PRIu64 " (%s, %s, since %s): revision %u is "
                    "missing before revision %u",
                    gap->run >> 40, gap->id, audit_name(audit, gap->well), gap_kind_name(gap->kind),
                    at, gap->revision - 1, gap->revision);
    if (!gap->is_open && gap->start.boot == gap->end.boot && gap->end.boot_ms < gap->start.boot_ms)
        audit_fault(audit, "ledger row %06" PRIx64 ":%" PRIu64 " (%s, %s) ends before it starts",
                    gap->run >> 40, gap->id, audit_name(audit, gap->well),
                    gap_kind_name(gap->kind));
}

/** An absence across a boot whose length no clock could tell: on neither side of the sum. */
static bool is_undecided(const struct gap *gap)
{
    return gap->kind == GAP_PROGRAM && !gap->is_open && (!gap->end_sure || !gap->start_sure) &&
           gap->start.boot != gap->end.boot;
}

static void count(struct audit *audit, struct audit_source *source, const struct gap *gap)
{
    struct audit_key key;
    if (!audit_key_of(audit, &gap->start, gap->pos, &key)) {
        if (gap->pos <= audit->removed.pos)
            return; /* its run is removed with its rows */
        audit_fault(audit,
                    "ledger row %06" PRIx64 ":%" PRIu64
                    " counts polls of a boot in which no run began",
                    gap->run >> 40, gap->id);
        return;
    }
    if (!audit_is_within(source, &key) || is_undecided(gap))
        return;
    const double refreshes = gap->scans * source->weight;
    source->never += gap->scans;
    source->never_refreshes += refreshes;
    if (gap->planned) {
        source->never_planned += gap->scans;
        source->never_refreshes_planned += refreshes;
    }
}

void audit_revision(struct audit *audit, const struct revision *revision)
{
    const struct gap *gap = &revision->gap;
    if (audit->only_well != 0 && gap->well != audit->only_well && !gap->all_wells)
        return;
    audit->n_revisions++;
    check(audit, revision);
    if ((gap->kind == GAP_REFUSED || gap->kind == GAP_REMOVED) && revision->is_newest)
        audit_set_aside(audit, gap);
    if (!gap_kind_counts_never_attempted(gap->kind))
        return;
    struct audit_source *source = audit_source_of(audit, gap->well, gap->source);
    if (source == NULL)
        return;
    audit_due_written(source);
    if (audit->run < audit->n_runs && gap->last_due.boot == audit->runs[audit->run].began.boot)
        audit_due_counted(audit, source, gap->last_due.boot_ms);
    if (revision->is_newest)
        count(audit, source, gap);
}
