/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_aside.c - records that a destination never takes, because one alone is larger than its
 * limit. They are in the journal, so none is lost; rows of kind `refused` name where they are
 * missing at that destination.
 *
 * One row for many: a gauge with more points than a broker takes makes one such record each poll.
 */
#include "ledger.h"

#include <stdio.h>

#define ASIDE_ENDS_AFTER_MS (10 * 60 * 1000)

static struct ledger_row *find(struct ledger *ledger, const char *destination, uint16_t well)
{
    const struct ledger_key key = {.kind = GAP_REFUSED, .well = well, .destination = destination};
    return ledger_find_open(ledger, &key);
}

void ledger_set_aside(struct ledger *ledger, const char *destination, uint16_t well, uint64_t seq,
                      const struct stamp *at, const char *sentence)
{
    struct ledger_row *row = find(ledger, destination, well);
    if (row == NULL) {
        const struct ledger_key key = {
            .kind = GAP_REFUSED, .cause = CAUSE_QUOTA, .well = well, .destination = destination};
        row = ledger_new_row(ledger, &key, at);
        if (row == NULL)
            return; /* said by the oldest row of its kind */
        row->gap.before_seq = seq - 1;
        row->gap.lost = false; /* the journal has them */
        snprintf(row->gap.cause, sizeof row->gap.cause, "%s", sentence);
    }
    if (row->gap.scans < UINT32_MAX)
        row->gap.scans++;
    row->gap.last_due = *at;
    ledger_touch(row, row->gap.scans == 1);
}

/* ---- rows that went before they were accepted ---- */

static struct ledger_row *find_removed(struct ledger *ledger, const char *destination,
                                       uint16_t well)
{
    const struct ledger_key key = {.kind = GAP_REMOVED, .well = well, .destination = destination};
    return ledger_find_open(ledger, &key);
}

void ledger_remove(struct ledger *ledger, const char *destination, uint16_t well,
                   const struct removed_unsent *removed, const char *sentence)
{
    struct ledger_row *row = find_removed(ledger, destination, well);
    if (row == NULL) {
        const struct ledger_key key = {
            .kind = GAP_REMOVED, .cause = CAUSE_NO_ROOM, .well = well, .destination = destination};
        row = ledger_new_row(ledger, &key, &removed->first);
        if (row == NULL)
            return; /* said by the oldest row of its kind */
        row->gap.before_seq = removed->before_seq;
        snprintf(row->gap.cause, sizeof row->gap.cause, "%s", sentence);
    }
    row->gap.scans =
        row->gap.scans > UINT32_MAX - removed->scans ? UINT32_MAX : row->gap.scans + removed->scans;
    row->gap.last_due = removed->last;
    row->gap.last_due.clock = 0;
    ledger_touch(row, true); /* with the removal itself: in one transaction */
}

uint32_t ledger_end_removed(struct ledger *ledger, const char *destination, uint16_t well,
                            uint64_t accepted_seq)
{
    struct ledger_row *row = find_removed(ledger, destination, well);
    if (row == NULL)
        return 0;
    const struct stamp last = row->gap.last_due.boot_ms != 0 ? row->gap.last_due : row->gap.start;
    ledger_close(row, &last, accepted_seq);
    return row->gap.scans;
}

void ledger_end_aside(struct ledger *ledger, const char *destination, uint16_t well,
                      uint64_t accepted_seq, const struct stamp *now)
{
    struct ledger_row *row = find(ledger, destination, well);
    if (row != NULL && accepted_seq > row->gap.before_seq + row->gap.scans &&
        stamp_between_ms(&row->gap.last_due, now) >= ASIDE_ENDS_AFTER_MS)
        ledger_close(row, now, accepted_seq);
}
