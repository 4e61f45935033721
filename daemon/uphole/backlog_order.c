/* SPDX-License-Identifier: Apache-2.0
 *
 * backlog_order.c - rows that an order sends once more: by the same fold as ever, from one window
 * before the range, so that what is sent again is what was sent. See backlog.h.
 *
 * Under a times order scans are folded with the time that it gives them, those of the window too;
 * only the rows that get another time go out. Many rows of a range may not: a want looks through
 * LOOK_SLICES_MAX slices at most and says how far it came.
 */
#include "backlog_inside.h"

#include <string.h>

#define LOOK_SLICES_MAX 16

/** The order, and the one by which its rows are corrected, as the journal has them. */
static enum up_rc take_order(struct backlog *backlog, const struct wall_want *want,
                             struct up_error *error)
{
    const char *destination = backlog->options.plan->destinations[want->destination].name;
    struct row_order *order = &backlog->order[want->destination];
    struct row_order *times = &backlog->times[want->destination];
    struct kept_fold *kept = &backlog->orders[want->destination];
    if (order->pos != want->order) {
        kept->pos = 0;
        enum up_rc rc = journal_read_order(backlog->reader, want->order, order, error);
        if (rc == UP_OK && order->times != 0)
            rc = journal_read_order(backlog->reader, order->times, times, error);
        if (rc != UP_OK) {
            *order = (struct row_order){0};
            return rc;
        }
    }
    if ((order->well != 0 && order->well != want->well) ||
        (order->destination[0] != '\0' && strcmp(order->destination, destination) != 0))
        return UP_FAIL(error, UP_E_INPUT,
                       "a want of the SCADA side names an order that is not for it");
    if (kept->order != order->pos || kept->well != want->well)
        kept->pos = 0;
    kept->order = order->pos;
    kept->well = want->well;
    kept->times = order->times != 0 ? times : NULL;
    return UP_OK;
}

/** At most JOURNAL_SLICE_MAX rows of the order behind `after`; *is_end: it has none behind these.
 */
static enum up_rc read_slice(struct backlog *backlog, const struct wall_want *want, uint64_t after,
                             size_t *got, bool *is_end, struct up_error *error)
{
    const struct row_order *order = &backlog->order[want->destination];
    const size_t n = want->n < JOURNAL_SLICE_MAX ? want->n : JOURNAL_SLICE_MAX;
    const uint64_t from = after + 1 < order->from ? order->from - 1 : after;
    *got = 0;
    *is_end = true;
    if (from >= order->to)
        return UP_OK;
    const enum up_rc rc =
        journal_read_scans(backlog->reader, want->well, from, n, backlog->scans, got, error);
    *is_end = *got < n;
    while (*got > 0 && backlog->scans[*got - 1].pos > order->to) {
        (*got)--;
        *is_end = true;
    }
    return rc;
}

static bool goes_out(const struct kept_fold *kept, const struct scan *scan)
{
    struct stamp at;
    return kept->times == NULL || order_corrects(kept->times, scan, &at);
}

/** Makes the fold stand just before row `first` of the slice, and knows the row before it. */
static enum up_rc position(struct backlog *backlog, const struct wall_want *want, size_t first,
                           struct up_error *error)
{
    struct kept_fold *kept = &backlog->orders[want->destination];
    const struct scan scan = backlog->scans[first];
    uint64_t run = 0, seq = 0, at = 0;
    enum up_rc rc =
        journal_row_before(backlog->reader, want->well, scan.pos, &run, &seq, &at, error);
    if (rc == UP_OK && (kept->pos == 0 || kept->pos != at))
        rc = backlog_rebuild(backlog, kept, &scan, error);
    kept->run = run;
    kept->seq = seq;
    return rc;
}

static bool send_record(struct backlog *backlog, const struct wall_want *want)
{
    backlog->message.kind = WALL_RECORD;
    backlog->message.record.destination = want->destination;
    backlog->message.record.serial = want->serial;
    backlog->message.record.live = false;
    backlog->message.record.record = backlog->record;
    backlog->message.record.record.revision = backlog->order[want->destination].revision;
    return backlog->options.send(backlog->options.context, &backlog->message);
}

/** Sends the rows of a slice from `first` on that go out. */
static enum up_rc send_slice(struct backlog *backlog, const struct wall_want *want, size_t first,
                             size_t got, uint64_t *sent, struct up_error *error)
{
    struct kept_fold *kept = &backlog->orders[want->destination];
    backlog->slice_to = backlog->scans[got - 1].pos;
    for (size_t i = first; i < got; i++) {
        const enum up_rc rc = backlog_fold_one(backlog, kept, &backlog->scans[i], error);
        if (rc != UP_OK)
            return rc;
        if (!goes_out(kept, &backlog->scans[i]))
            continue;
        if (!send_record(backlog, want)) {
            kept->pos = 0;
            return UP_OK;
        }
        (*sent)++;
    }
    return UP_OK;
}

enum up_rc backlog_serve_order(struct backlog *backlog, const struct wall_want *want,
                               struct up_error *error)
{
    struct kept_fold *kept = &backlog->orders[want->destination];
    uint64_t after = want->after, sent = 0;
    bool is_end = false;
    enum up_rc rc = take_order(backlog, want, error);
    for (int i = 0; rc == UP_OK && sent == 0 && !is_end && i < LOOK_SLICES_MAX; i++) {
        size_t got = 0, first = 0;
        rc = read_slice(backlog, want, after, &got, &is_end, error);
        while (rc == UP_OK && first < got && !goes_out(kept, &backlog->scans[first]))
            first++;
        const uint64_t before = after;
        if (rc == UP_OK && got > 0)
            after = backlog->scans[got - 1].pos;
        if (rc != UP_OK || first == got)
            continue;
        rc = position(backlog, want, first, error);
        if (rc == UP_OK) /* the window went through the same buffer */
            rc = read_slice(backlog, want, before, &got, &is_end, error);
        if (rc == UP_OK)
            rc = send_slice(backlog, want, first, got, &sent, error);
        if (rc == UP_OK && kept->pos == 0) /* the other side is gone */
            return UP_OK;
    }
    if (rc != UP_OK) {
        kept->pos = 0;
        return rc;
    }
    (void)backlog_end_of_want(backlog, want, (size_t)sent, after, !is_end);
    return UP_OK;
}
