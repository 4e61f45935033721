/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_order.c - rows that an order sends once more: when their lane may ask, and when an order
 * is done (invariant 6 of deliver.h).
 *
 * A lane of orders has one order at a time; the well side says the next one when this one is
 * accepted up to its end. Rows of an order may be few in a wide range, so the end of a want says
 * how far the range was looked through.
 */
#include "deliver_inside.h"

#include <string.h>

#define ORDER_AGAIN_MS 200 /* after a want that brought nothing and did not get on */

static uint16_t lane_of_orders(const struct deliver *deliver, uint16_t well)
{
    const uint32_t index = (uint32_t)well * DELIVER_STREAMS + DELIVER_ORDERS - 1;
    return index < deliver->n_lanes ? (uint16_t)index : deliver->n_lanes;
}

void deliver_see_order(struct deliver *deliver, uint16_t well, const struct wall_order *order)
{
    const uint16_t index = lane_of_orders(deliver, well);
    if (index >= deliver->n_lanes || order->order == 0)
        return;
    struct lane *lane = &deliver->lane[index];
    if (lane->known && order->order == lane->order) {
        if (lane->accepted_pos > order->after)
            lane->tell_accepted = true; /* it did not hear it */
        return;
    }
    if (lane->known && (order->order < lane->order || lane->under_way > 0))
        return;
    deliver_drop_lane(deliver, index);
    lane->known = true;
    lane->order = order->order;
    lane->order_to = lane->newest_pos = order->to;
    lane->accepted_pos = lane->handed_pos = order->after;
    lane->accepted_seq = 0;
    lane->accepted_boot_ms = 0;
    lane->order_kind = order->kind;
    lane->order_ends = lane->tell_accepted = false;
    memcpy(lane->by, order->by, sizeof lane->by);
    lane->by[sizeof lane->by - 1] = '\0';
}

bool deliver_order_may_go(const struct deliver *deliver, uint16_t index)
{
    const struct lane *lane = &deliver->lane[index];
    const struct lane *records = lane - (DELIVER_ORDERS - DELIVER_RECORDS);
    return records->known &&
           (records->handed_pos >= records->newest_pos || records->accepted_pos >= lane->order_to);
}

void deliver_order_settle(struct lane *lane)
{
    if (!lane->order_ends || lane->accepted_pos < lane->newest_pos)
        return;
    lane->accepted_pos = lane->handed_pos = lane->newest_pos = lane->order_to;
}

bool deliver_order_end(struct deliver *deliver, const struct wanted *wanted,
                       const struct wall_end_of_want *end, int64_t now_ms)
{
    struct lane *lane = &deliver->lane[wanted->lane];
    lane->order_ends = !end->more;
    if (wanted->n > 0) {
        if (lane->order_ends)
            lane->newest_pos = wanted->last_pos;
        return true;
    }
    /* Nothing of this stretch goes out, so it is done as it is. */
    const uint64_t to = end->more ? end->last_pos : lane->order_to;
    if (to <= lane->accepted_pos || to > lane->order_to || lane->under_way > 0) {
        lane->not_before_ms = now_ms + ORDER_AGAIN_MS;
        return false;
    }
    lane->accepted_pos = lane->handed_pos = to;
    lane->tell_accepted = true;
    return false;
}
