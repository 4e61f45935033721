/* SPDX-License-Identifier: Apache-2.0
 *
 * backlog_order.c - rows that an order sends once more: by the same fold as ever, so that what is
 * sent again is what was sent. See backlog.h.
 *
 * Every order says as of which order its rows go out (backlog_view.c), and of them only those go
 * whose newest revision that one made, as far as was known when this one was given: so a times
 * order sends the rows that it corrects, a recalculation all of its rows, a resend each row in its
 * newest revision. Many rows of a range may not go, and a recalculation is folded from its begin: a
 * want looks through LOOK_SLICES_MAX slices at most and says how far it came.
 */
#include "backlog_inside.h"

#include <string.h>

#define LOOK_SLICES_MAX 32

/** The order, as the journal has it. */
static enum up_rc take_order(struct backlog *backlog, const struct wall_want *want,
                             struct up_error *error)
{
    const char *destination = backlog->options.plan->destinations[want->destination].name;
    struct row_order *order = &backlog->order[want->destination];
    struct kept_fold *kept = &backlog->orders[want->destination];
    if (order->pos != want->order) {
        const enum up_rc rc = journal_read_order(backlog->reader, want->order, order, error);
        if (rc != UP_OK) {
            *order = (struct row_order){0};
            return rc;
        }
    }
    if ((order->well != 0 && order->well != want->well) ||
        (order->destination[0] != '\0' && strcmp(order->destination, destination) != 0))
        return UP_FAIL(error, UP_E_INPUT,
                       "a want of the SCADA side names an order that is not for it");
    if (kept->order != order->pos || kept->well != want->well) {
        kept->pos = 0;
        backlog->newest[want->destination].high = 0;
    }
    kept->order = order->pos;
    return UP_OK;
}

/** At most JOURNAL_SLICE_MAX rows of the order behind `after`; *is_end: it has none behind these.
 */
static enum up_rc read_slice(struct backlog *backlog, const struct wall_want *want, uint64_t after,
                             size_t *got, bool *is_end, struct up_error *error)
{
    const struct row_order *order = &backlog->order[want->destination];
    const size_t n = want->n < JOURNAL_SLICE_MAX ? want->n : JOURNAL_SLICE_MAX;
    struct removed_rows removed; /* what retention left as a lead-in is not handed out */
    uint64_t from = after + 1 < order->from ? order->from - 1 : after;
    *got = 0;
    *is_end = true;
    enum up_rc rc = journal_read_floor(backlog->reader, want->well, &removed, error);
    from = from < removed.pos ? removed.pos : from;
    if (rc != UP_OK || from >= order->to)
        return rc;
    rc = journal_read_scans(backlog->reader, want->well, from, n, backlog->scans, got, error);
    *is_end = *got < n;
    while (*got > 0 && backlog->scans[*got - 1].pos > order->to) {
        (*got)--;
        *is_end = true;
    }
    return rc;
}

/** *goes: what the order sends of this row is its newest revision, as far as the order knew. */
static enum up_rc goes_out(struct backlog *backlog, const struct wall_want *want,
                           const struct scan *scan, bool *goes, struct up_error *error)
{
    const struct row_order *order = &backlog->order[want->destination];
    struct row_view *view = &backlog->newest[want->destination];
    struct stamp at;
    const enum up_rc rc = backlog_look(backlog, view, want->well, scan->pos, order->pos, error);
    const struct row_order *maker = rc == UP_OK ? row_view_maker(view, scan, &at) : NULL;
    *goes = rc == UP_OK && (maker == NULL ? 0 : maker->pos) == order->as_of;
    return rc;
}

/** The first row of the slice that goes out; `got` where none does. */
static enum up_rc find_first(struct backlog *backlog, const struct wall_want *want, size_t got,
                             size_t *first, struct up_error *error)
{
    for (*first = 0; *first < got; (*first)++) {
        bool goes = false;
        const enum up_rc rc = goes_out(backlog, want, &backlog->scans[*first], &goes, error);
        if (rc != UP_OK || goes)
            return rc;
    }
    return UP_OK;
}

static bool send_record(struct backlog *backlog, const struct wall_want *want)
{
    backlog->message.kind = WALL_RECORD;
    backlog->message.record.destination = want->destination;
    backlog->message.record.serial = want->serial;
    backlog->message.record.live = false;
    record_copy(&backlog->message.record.record, &backlog->record);
    backlog->message.record.record.revision = backlog->order[want->destination].revision;
    return backlog->options.send(backlog->options.context, &backlog->message);
}

/** True where the row belongs to the same recalculation, or none, as the fold does. */
static bool stays(struct backlog *backlog, const struct kept_fold *kept, const struct scan *scan)
{
    struct row_view view = kept->view;
    return backlog_look(backlog, &view, scan->well, scan->pos, kept->as_of, NULL) == UP_OK &&
           view.recalculated.pos == kept->recalculated;
}

/** Sends the rows of a slice from `first` on that go out; *last: how far it came. */
static enum up_rc send_slice(struct backlog *backlog, const struct wall_want *want, size_t first,
                             size_t got, uint64_t *sent, uint64_t *last, struct up_error *error)
{
    struct kept_fold *kept = &backlog->orders[want->destination];
    backlog->slice_to = backlog->scans[got - 1].pos;
    for (size_t i = first; i < got; i++) {
        bool goes = false;
        enum up_rc rc = goes_out(backlog, want, &backlog->scans[i], &goes, error);
        if (rc == UP_OK && i > first && goes && !stays(backlog, kept, &backlog->scans[i]))
            return UP_OK; /* the next want makes the fold stand where it must */
        if (rc == UP_OK)
            rc = backlog_fold_one(backlog, kept, &backlog->scans[i], error);
        if (rc != UP_OK)
            return rc;
        *last = backlog->scans[i].pos;
        if (!goes)
            continue;
        if (!send_record(backlog, want)) {
            kept->pos = 0;
            backlog->is_gone = true;
            return UP_OK;
        }
        (*sent)++;
    }
    return UP_OK;
}

/** One slice behind *after, which moves on; *sent rows went out; *more: there are others. */
static enum up_rc serve_slice(struct backlog *backlog, const struct wall_want *want,
                              uint64_t *after, uint64_t *sent, bool *more, struct up_error *error)
{
    struct kept_fold *kept = &backlog->orders[want->destination];
    const struct row_order *order = &backlog->order[want->destination];
    size_t got = 0, first = 0;
    bool is_end = false, stands = false;
    const uint64_t before = *after;
    enum up_rc rc = read_slice(backlog, want, before, &got, &is_end, error);
    if (rc == UP_OK)
        rc = find_first(backlog, want, got, &first, error);
    *more = !is_end;
    if (rc != UP_OK)
        return rc;
    if (first == got) {
        *after = got > 0 ? backlog->scans[got - 1].pos : before;
        return UP_OK;
    }
    const struct scan scan = backlog->scans[first];
    rc = backlog_stand(backlog, kept, &scan, order->as_of, LOOK_SLICES_MAX, &stands, error);
    if (rc != UP_OK || !stands) { /* it goes on with the next want */
        *more = true;
        return rc;
    }
    rc = read_slice(backlog, want, before, &got, &is_end, error); /* the buffer was used */
    if (rc == UP_OK)
        rc = send_slice(backlog, want, first, got, sent, after, error);
    *more = !is_end || (got > 0 && *after < backlog->scans[got - 1].pos);
    return rc;
}

enum up_rc backlog_serve_order(struct backlog *backlog, const struct wall_want *want,
                               struct up_error *error)
{
    struct kept_fold *kept = &backlog->orders[want->destination];
    uint64_t after = want->after, sent = 0;
    bool more = true;
    backlog->is_gone = false;
    enum up_rc rc = take_order(backlog, want, error);
    for (int i = 0; rc == UP_OK && sent == 0 && more && i < LOOK_SLICES_MAX; i++) {
        const uint64_t before = after;
        rc = serve_slice(backlog, want, &after, &sent, &more, error);
        if (rc == UP_OK && after == before)
            break;
    }
    if (rc != UP_OK) {
        kept->pos = 0;
        return rc;
    }
    if (backlog->is_gone)
        return UP_OK;
    (void)backlog_end_of_want(backlog, want, (size_t)sent, after, more);
    return UP_OK;
}
