/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_count.c - polls that were never attempted, and deliveries that are late. With the scan
 * rows the former make up all that was due: due = rows + never attempted.
 */
#include "ledger.h"

#include <stdio.h>
#include <string.h>

static uint32_t plus(uint32_t a, uint32_t b)
{
    return a > UINT32_MAX - b ? UINT32_MAX : a + b;
}

void ledger_count(struct ledger *ledger, uint8_t kind, uint8_t cause, uint16_t well, uint8_t source,
                  uint32_t count, const struct stamp *first_due, const struct stamp *last_due,
                  const char *sentence)
{
    struct ledger_key key = {.kind = kind, .cause = cause, .well = well, .source = source};
    if (count == 0 || !gap_kind_counts_never_attempted(kind))
        return;
    struct ledger_row *row = ledger_find_open(ledger, &key);
    if (row == NULL) {
        row = ledger_new_row(ledger, &key, first_due);
        if (row != NULL && sentence != NULL)
            snprintf(row->gap.cause, sizeof row->gap.cause, "%s", sentence);
        else if (row != NULL)
            ledger_say_count(row->gap.cause, cause);
    } else if (sentence != NULL && cause == CAUSE_PAUSED && strcmp(row->gap.cause, sentence) != 0) {
        snprintf(row->gap.cause, sizeof row->gap.cause, "%s", sentence); /* held anew */
        ledger_touch(row, true);
    }
    if (row == NULL) { /* the sum matters more than the cause */
        key.cause = CAUSE_NONE;
        row = ledger_find_open(ledger, &key);
    }
    if (row == NULL)
        return; /* said by the oldest row of its kind: "not listed one by one" */
    row->gap.scans = plus(row->gap.scans, count);
    row->gap.last_due = *last_due;
    row->gap.last_due.clock = 0;
    /* While the disk refuses nothing is stored; once it takes rows again the count must be among
     * the first. */
    ledger_touch(row, kind == GAP_DISK);
    if (kind != GAP_SKIPPED)
        return;
    const struct ledger_key line = {.kind = GAP_LINE, .well = well, .source = source};
    struct ledger_row *open = ledger_find_open(ledger, &line);
    if (open != NULL) {
        open->gap.scans = plus(open->gap.scans, count);
        ledger_touch(open, false);
    }
}

/** Listening, a pause and what was cut off end with the first question; "busy" and "asked less
 * often" with the first sign of life, where the line gap ends too; what was lost inside Uphole with
 * data. */
static bool ends_count(const struct gap *gap, uint8_t outcome)
{
    if (gap->cause_code == CAUSE_LISTENING || gap->cause_code == CAUSE_ANOTHER_MASTER ||
        gap->cause_code == CAUSE_PAUSED || gap->cause_code == CAUSE_SUSPENDED ||
        gap->cause_code == CAUSE_STOPPED || gap->cause_code == CAUSE_ENTRY_ENDED)
        return true;
    return gap->kind == GAP_SKIPPED ? outcome_is_heard(outcome) : outcome_has_data(outcome);
}

void ledger_counts_join_line(struct ledger *ledger, struct ledger_row *line,
                             const struct stamp *due)
{
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        const struct gap *gap = &row->gap;
        if (!row->used || !gap->is_open || gap->kind != GAP_SKIPPED ||
            gap->well != line->gap.well || gap->source != line->gap.source)
            continue;
        if (stamp_between_ms(&gap->start, due) > 0)
            ledger_close(row, due, 0); /* what comes now is put off within the line gap */
        else
            line->gap.scans = plus(line->gap.scans, gap->scans);
    }
}

void ledger_counts_see_scan(struct ledger *ledger, const struct scan *scan)
{
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        const struct gap *gap = &row->gap;
        if (!row->used || gap->well != scan->well || gap->source != scan->source ||
            !gap_kind_counts_never_attempted(gap->kind))
            continue;
        if (row->changed)
            row->urgent = true;
        /* What was put off while this very scan went on lasts until the next one begins. */
        if (gap->is_open && ends_count(gap, scan->outcome) &&
            stamp_between_ms(&gap->start, &scan->begun) >= 0)
            ledger_close(row, &scan->begun, scan->seq);
    }
}

void ledger_see_delivery(struct ledger *ledger, const char *destination, uint16_t well,
                         bool waiting, const struct stamp *oldest_waiting, uint64_t accepted_seq,
                         uint64_t newest_seq, const struct stamp *now, uint8_t cause,
                         const char *sentence)
{
    const struct ledger_key any = {.kind = GAP_DELIVERY, .well = well, .destination = destination};
    struct ledger_row *row = ledger_find_open(ledger, &any);
    const int64_t waited_ms = waiting ? stamp_between_ms(oldest_waiting, now) : 0;
    /* A broker that is slow for a moment is no gap; a pause by order is one, however short. */
    if (row == NULL &&
        (!waiting || (cause != CAUSE_PAUSED && waited_ms <= LEDGER_DELIVERY_AFTER_MS)))
        return;
    if (row == NULL) {
        struct ledger_key key = any;
        key.cause = cause;
        row = ledger_new_row(ledger, &key, oldest_waiting);
        if (row == NULL)
            return;
        row->gap.before_seq = accepted_seq;
    }
    if (row->gap.cause[0] == '\0' ||
        (waiting && cause != CAUSE_NONE && cause != row->gap.cause_code)) {
        row->gap.cause_code = cause;
        if (sentence != NULL && sentence[0] != '\0')
            snprintf(row->gap.cause, sizeof row->gap.cause, "%s", sentence);
        else
            ledger_say_delivery(row->gap.cause, destination, cause);
        ledger_touch(row, true);
    }
    const bool is_behind = waiting && (cause == CAUSE_PAUSED || waited_ms >= LEDGER_LIVE_EDGE_MS);
    /* Once a pause is over, what it held back is on its way, however short it was: the row ends
       when that has come. */
    const uint64_t held =
        row->gap.cause_code == CAUSE_PAUSED ? row->gap.before_seq + row->gap.scans : 0;
    const bool is_coming = waiting && !is_behind && accepted_seq < held;
    const uint64_t until = is_behind ? newest_seq : is_coming ? held : accepted_seq;
    const uint64_t late = until > row->gap.before_seq ? until - row->gap.before_seq : 0;
    const uint32_t scans = late > UINT32_MAX ? UINT32_MAX : (uint32_t)late;
    const uint64_t came =
        accepted_seq > row->gap.before_seq ? accepted_seq - row->gap.before_seq : 0;
    row->gap.recovered = came < scans ? (uint32_t)came : scans; /* told with what else changes */
    if (scans != row->gap.scans) {
        row->gap.scans = scans;
        ledger_touch(row, false);
    }
    if (is_behind || is_coming)
        return;
    const uint32_t removed = ledger_end_removed(ledger, destination, well, accepted_seq);
    row->gap.lost = removed > 0;
    row->gap.recovered = row->gap.scans > removed ? row->gap.scans - removed : 0;
    ledger_close(row, now, accepted_seq);
}
