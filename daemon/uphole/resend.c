/* SPDX-License-Identifier: Apache-2.0
 *
 * resend.c - how far each order has come. See resend.h.
 */
#include "resend.h"

#include "core_inside.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TELL_EVERY_US 5000000 /* an order is said again: the SCADA side may have dropped it */

static struct resend_lane *lane_of(const struct core *core, uint16_t destination, uint16_t well)
{
    return &core->resend.lanes[(size_t)destination * core->options.plan->n_wells + well];
}

bool resend_make_lanes(struct core *core)
{
    const struct plan *plan = core->options.plan;
    const size_t n = (size_t)plan->n_destinations * plan->n_wells;
    free(core->resend.lanes);
    core->resend.lanes = calloc(n > 0 ? n : 1, sizeof *core->resend.lanes);
    if (core->resend.lanes == NULL)
        return false;
    /* What was ordered before a destination was there is no concern of its, as its first rows. */
    for (uint16_t d = 0; d < plan->n_destinations; d++)
        for (uint16_t w = 0; w < plan->n_wells; w++) {
            struct resend_lane *lane = lane_of(core, d, w);
            lane->look = core_destination_acknowledges(core, d);
            if (!lane->look || plan->destinations[d].from_oldest)
                continue;
            lane->begun = lane->pos = journal_newest_pos(core->options.journal);
            lane->dirty = true;
        }
    return true;
}

void resend_close(struct core *core)
{
    free(core->resend.lanes);
    core->resend.lanes = NULL;
}

void resend_take_cursor(struct core *core, uint16_t destination, uint16_t well_index,
                        const struct cursor *cursor)
{
    struct resend_lane *lane = lane_of(core, destination, well_index);
    lane->begun = cursor->seq;
    lane->pos = cursor->pos;
    lane->dirty = false;
}

const char *resend_count_text(uint64_t n, char into[static RESEND_COUNT_MAX])
{
    char digits[24];
    const int length = snprintf(digits, sizeof digits, "%" PRIu64, n);
    size_t at = 0;
    for (int i = 0; i < length; i++) {
        if (i > 0 && (length - i) % 3 == 0)
            into[at++] = ',';
        into[at++] = digits[i];
    }
    into[at] = '\0';
    return into;
}

/** Which records of this well the order means, and which of them are done. */
static enum up_rc count_rows(const struct core *core, struct resend_lane *lane, uint16_t well,
                             struct up_error *error)
{
    struct journal_reader *reader = NULL;
    uint64_t run, pos;
    enum up_rc rc = journal_reader_open(core->options.plan->journal.path, &reader, error);
    if (rc == UP_OK)
        rc =
            journal_row_before(reader, well, lane->order.from, &run, &lane->first_seq, &pos, error);
    if (rc == UP_OK)
        rc = journal_row_before(reader, well, lane->order.to + 1, &run, &lane->last_seq, &pos,
                                error);
    lane->done_seq = lane->first_seq++;
    if (rc == UP_OK && lane->pos >= lane->order.from)
        rc = journal_row_before(reader, well, lane->pos + 1, &run, &lane->done_seq, &pos, error);
    journal_reader_close(reader);
    return rc;
}

/** By what the rows came to be that the order sends; "" for rows as first measured. */
static void name_maker(const struct core *core, const struct resend_lane *lane,
                       char into[static sizeof((struct wall_order *)0)->by])
{
    struct row_order maker = lane->order;
    into[0] = '\0';
    if (lane->order.revision == 0)
        return;
    if (maker.kind == ORDER_RESEND && /* an order is never removed: it is the next from there */
        journal_next_order(core->options.journal, lane->order.as_of - 1, "", lane->order.well,
                           &maker, NULL) != UP_OK)
        return;
    snprintf(into, sizeof((struct wall_order *)0)->by, "%s", maker.by);
}

/** The order to go on with: the one begun, or the next. */
static enum up_rc look(struct core *core, uint16_t destination, uint16_t w, struct up_error *error)
{
    struct resend_lane *lane = lane_of(core, destination, w);
    const char *name = core->options.plan->destinations[destination].name;
    const uint16_t well = core->wells[w].plan->number;
    struct journal *journal = core->options.journal;
    enum up_rc rc = UP_OK;
    if (lane->begun > 0)
        rc = journal_next_order(journal, lane->begun - 1, name, well, &lane->order, error);
    if (rc == UP_OK && (lane->order.pos != lane->begun || lane->pos >= lane->order.to)) {
        rc = journal_next_order(journal, lane->begun, name, well, &lane->order, error);
        if (rc == UP_OK && lane->order.pos != 0) {
            lane->begun = lane->order.pos;
            lane->pos = lane->order.from - 1;
        }
    }
    if (rc == UP_OK && lane->order.pos != 0)
        rc = count_rows(core, lane, well, error);
    name_maker(core, lane, lane->by);
    lane->look = rc != UP_OK;
    lane->told = false;
    if (rc != UP_OK)
        lane->order = (struct row_order){0};
    return rc;
}

static bool tell(struct core *core, uint16_t destination, uint16_t w)
{
    struct resend_lane *lane = lane_of(core, destination, w);
    core->message.kind = WALL_ORDER;
    core->message.order = (struct wall_order){.destination = destination,
                                              .well = core->wells[w].plan->number,
                                              .order = lane->order.pos,
                                              .after = lane->pos,
                                              .to = lane->order.to,
                                              .kind = lane->order.kind,
                                              .revision = lane->order.revision};
    memcpy(core->message.order.by, lane->by, sizeof core->message.order.by);
    lane->told = core_out(core);
    return lane->told;
}

void resend_step(struct core *core, int64_t now_us)
{
    const struct plan *plan = core->options.plan;
    if (!core->safe || core->refusing)
        return;
    const bool again = now_us >= core->resend.next_tell_us;
    if (again)
        core->resend.next_tell_us = now_us + TELL_EVERY_US;
    for (uint16_t d = 0; d < plan->n_destinations; d++)
        for (uint16_t w = 0; w < plan->n_wells; w++) {
            struct resend_lane *lane = lane_of(core, d, w);
            struct up_error error = {0};
            if (lane->look && look(core, d, w, &error) != UP_OK) {
                if (again)
                    say(SAY_WARNING, "journal", "Orders could not be read: %s.", error.why);
                continue;
            }
            if (lane->order.pos != 0 && core->wall >= 0 && (again || !lane->told) &&
                !tell(core, d, w))
                return; /* the wall is full: the rest later */
        }
}

void resend_wall_changed(struct core *core)
{
    core->resend.next_tell_us = 0;
}

static void say_done(struct core *core, uint16_t destination, uint16_t w)
{
    const struct resend_lane *lane = lane_of(core, destination, w);
    const char *to = core->options.plan->destinations[destination].name;
    const char *well = core->wells[w].plan->id;
    char text[GAP_CAUSE_MAX], count[RESEND_COUNT_MAX];
    if (lane->done_seq < lane->first_seq ||
        (lane->order.kind == ORDER_RESEND && lane->order.revision > 0))
        return; /* of an order for the whole box this well has no row; what is revised of a resend
                 */
    if (lane->order.kind == ORDER_RESEND)
        snprintf(text, sizeof text, "%s records of %s were sent again to %s, as asked by %.80s.",
                 resend_count_text(lane->last_seq - lane->first_seq + 1, count), well, to,
                 lane->order.by);
    else if (lane->order.kind == ORDER_RECALCULATE)
        snprintf(text, sizeof text,
                 "%s records of %s were recalculated (revision %" PRIu32
                 ") and sent to %s, as asked by %.60s.",
                 resend_count_text(lane->last_seq - lane->first_seq + 1, count), well,
                 lane->order.revision, to, lane->order.by);
    else
        snprintf(text, sizeof text,
                 "The records of %s from before the clock was set were sent again to %s with their "
                 "right times.",
                 well, to);
    say(SAY_INFO, "journal", "%s", text);
    static const char *const KINDS[] = {"", "resent", "times_sent", "recalculated"};
    core_add_event(core, KINDS[lane->order.kind], "uphole", text, strlen(text));
}

bool resend_accepted(struct core *core, const struct wall_accepted *message, uint16_t well_index)
{
    struct resend_lane *lane = lane_of(core, message->destination, well_index);
    if (lane->order.pos == 0 || message->order != lane->order.pos)
        return message->order <= lane->begun; /* said once more: it is done */
    if (message->pos < lane->pos || message->pos > lane->order.to ||
        message->seq > core_newest_seq(core, well_index))
        return false;
    lane->dirty = lane->dirty || message->pos > lane->pos;
    lane->pos = message->pos;
    if (message->seq > lane->done_seq)
        lane->done_seq = message->seq;
    if (lane->pos < lane->order.to)
        return true;
    say_done(core, message->destination, well_index);
    lane->order = (struct row_order){0};
    lane->look = true;
    return true;
}

size_t resend_cursors(const struct core *core, struct cursor *into, size_t room)
{
    const struct plan *plan = core->options.plan;
    size_t n = 0;
    for (uint16_t d = 0; d < plan->n_destinations; d++)
        for (uint16_t w = 0; w < plan->n_wells && n < room; w++) {
            const struct resend_lane *lane = lane_of(core, d, w);
            if (!lane->dirty)
                continue;
            into[n] = (struct cursor){.well = core->wells[w].plan->number,
                                      .stream = STREAM_ORDER,
                                      .pos = lane->pos,
                                      .seq = lane->begun};
            snprintf(into[n++].destination, sizeof into->destination, "%s",
                     plan->destinations[d].name);
        }
    return n;
}

void resend_stored(struct core *core)
{
    const size_t n = (size_t)core->options.plan->n_destinations * core->options.plan->n_wells;
    for (size_t i = 0; i < n; i++) {
        core->resend.lanes[i].dirty = false;
        if (core->resend.n_waiting > 0 && core->resend.lanes[i].order.pos == 0)
            core->resend.lanes[i].look =
                core_destination_acknowledges(core, (uint16_t)(i / core->options.plan->n_wells));
    }
    core->resend.n_waiting = 0;
}

bool resend_add(struct core *core, const struct row_order *order)
{
    if (core->resend.n_waiting == RESEND_ORDERS_A_COMMIT)
        return false;
    core->resend.waiting[core->resend.n_waiting++] = *order;
    return true;
}

/** One for each order that a person gave: the revised rows of a resend go before it. */
static bool is_by_hand(const struct row_order *order)
{
    return order->kind == ORDER_RECALCULATE ||
           (order->kind == ORDER_RESEND && order->revision == 0);
}

size_t resend_count_waiting(struct core *core, size_t limit)
{
    const struct plan *plan = core->options.plan;
    size_t n = 0;
    for (size_t i = 0; i < core->resend.n_waiting; i++)
        n += is_by_hand(&core->resend.waiting[i]);
    for (uint16_t d = 0; d < plan->n_destinations; d++)
        for (uint16_t w = 0; w < plan->n_wells && n < limit; w++) {
            const struct resend_lane *lane = lane_of(core, d, w);
            struct row_order order = {.pos = lane->order.pos != 0 ? lane->begun - 1 : lane->begun};
            while (core_destination_acknowledges(core, d) && n < limit &&
                   journal_next_order(core->options.journal, order.pos, plan->destinations[d].name,
                                      core->wells[w].plan->number, &order, NULL) == UP_OK &&
                   order.pos != 0)
                n += is_by_hand(&order);
        }
    return n;
}

const struct row_order *resend_under_way(const struct core *core, uint16_t destination,
                                         uint16_t well_index, uint64_t *left)
{
    const struct resend_lane *lane = lane_of(core, destination, well_index);
    *left = lane->last_seq > lane->done_seq ? lane->last_seq - lane->done_seq : 0;
    return lane->order.pos != 0 && *left > 0 ? &lane->order : NULL;
}
