/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_damage.c - rows of kind `damaged`: scans that the journal held and can't read back. One a
 * damaged row or block, closed from the start, between the last scan before and the first after it.
 */
#include "ledger.h"

#include <inttypes.h>
#include <stdio.h>

static void say_damage(char into[static GAP_CAUSE_MAX], const struct journal_damage *damage)
{
    char scans[48] = "what it held can't be read back";
    if (damage->scans > 0)
        snprintf(scans, sizeof scans, "%" PRIu32 " scan%s can't be read back", damage->scans,
                 damage->scans == 1 ? "" : "s");
    if (damage->kind == DAMAGE_ROW)
        snprintf(into, GAP_CAUSE_MAX,
                 "Row %" PRIu64 " of the journal is damaged, its check does not hold: %s. All else "
                 "goes on. Check the disk.",
                 damage->number, scans);
    else
        snprintf(into, GAP_CAUSE_MAX,
                 "Sealed block %" PRIu64 " of the journal is damaged, its digest does not hold: "
                 "%s. All else goes on. Check the disk.",
                 damage->number, scans);
}

bool ledger_damage(struct ledger *ledger, const struct journal_damage *damage, const char **cause)
{
    const struct ledger_key key = {.kind = GAP_DAMAGED,
                                   .cause = CAUSE_DAMAGED,
                                   .well = damage->well,
                                   .source = damage->source};
    struct ledger_row *row = ledger_new_row(ledger, &key, &damage->first);
    if (row == NULL)
        return false;
    row->gap.all_wells = damage->well == 0;
    row->gap.before_seq = damage->before_seq;
    row->gap.scans = damage->scans;
    row->gap.lost = true;
    row->gap.start_sure = row->gap.end_sure = damage->first.utc_ms != 0;
    say_damage(row->gap.cause, damage);
    ledger_close(row, &damage->last, damage->after_seq);
    *cause = row->gap.cause;
    return true;
}
