/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_answer.c - what the broker said: the cursor moves over the accepted prefix, a refused
 * lane rests (invariants: deliver.h).
 */
#include "deliver_inside.h"

#include <string.h>

/* Full jitter: anything up to the present limit. xorshift32 (Marsaglia, 2003). */
static uint32_t jitter_ms(struct deliver *deliver, uint32_t limit_ms)
{
    deliver->random ^= deliver->random << 13;
    deliver->random ^= deliver->random >> 17;
    deliver->random ^= deliver->random << 5;
    return 1 + deliver->random % limit_ms;
}

/* ---- the connection ---- */

void deliver_connected(struct deliver *deliver, uint16_t window, int64_t now_ms)
{
    deliver->connected = true;
    deliver_pace_begin(deliver, now_ms);
    deliver->window = window < 1 ? 1 : window > DELIVER_WINDOW_MAX ? DELIVER_WINDOW_MAX : window;
    for (uint16_t i = 0; i < deliver->n_lanes; i++) {
        deliver->lane[i].proven = false;
        deliver->lane[i].not_before_ms = now_ms;
    }
    for (uint16_t i = 0; i < deliver->n_entries; i++)
        deliver->entry[i].since_ms = now_ms;
}

void deliver_disconnected(struct deliver *deliver)
{
    deliver->connected = false;
    deliver_drop_all(deliver);
}

void deliver_forget(struct deliver *deliver)
{
    deliver_drop_all(deliver);
    deliver->n_entries = 0;
    deliver->bytes = 0;
    deliver->mid_twice = false;
    for (uint16_t i = 0; i < deliver->n_lanes; i++) {
        struct lane *lane = &deliver->lane[i];
        lane->handed_pos = lane->accepted_pos;
        lane->under_way = 0;
        lane->broken = lane->proven = false;
    }
}

static void remove_entry(struct deliver *deliver, uint16_t at)
{
    struct entry *entry = &deliver->entry[at];
    deliver->lane[entry->lane].under_way--;
    deliver->bytes -= entry->bytes;
    deliver->n_entries--;
    memmove(entry, entry + 1, (size_t)(deliver->n_entries - at) * sizeof *entry);
}

static void accept_entry(struct deliver *deliver, uint16_t at)
{
    const struct entry *entry = &deliver->entry[at];
    struct lane *lane = &deliver->lane[entry->lane];
    lane->accepted_pos = entry->last_pos;
    lane->accepted_seq = entry->last_seq;
    lane->accepted_boot_ms = entry->last_boot_ms;
    lane->tell_accepted = true;
    if (!lane->broken && !entry->set_aside) {
        lane->proven = true;
        lane->back_off_ms = 0;
        if (lane->code != 0 && !lane->tell_refused) {
            lane->tell_recovered = true;
            lane->recovered_from = lane->code;
        }
        lane->tell_refused = false;
        lane->code = 0;
    }
    if (deliver_is_order(entry->lane))
        deliver_order_settle(lane);
    remove_entry(deliver, at);
}

static void hold_lane(struct deliver *deliver, struct lane *lane, uint64_t pos, uint8_t code,
                      int64_t now_ms)
{
    lane->proven = false;
    lane->back_off_ms = lane->back_off_ms == 0 ? DELIVER_BACK_OFF_FIRST_MS : lane->back_off_ms * 2;
    if (lane->back_off_ms > DELIVER_BACK_OFF_MAX_MS)
        lane->back_off_ms = DELIVER_BACK_OFF_MAX_MS;
    lane->not_before_ms = now_ms + jitter_ms(deliver, lane->back_off_ms);
    if (lane->code != code) {
        lane->tell_refused = true;
        lane->tell_recovered = false;
    }
    lane->code = code;
    lane->refused_pos = pos;
}

void deliver_settle_lane(struct deliver *deliver, uint16_t index)
{
    struct lane *lane = &deliver->lane[index];
    bool prefix = true, out = false;
    for (uint16_t i = 0; i < deliver->n_entries;) {
        const struct entry *entry = &deliver->entry[i];
        if (entry->lane != index) {
            i++;
        } else if (prefix && entry->state == ENTRY_ACCEPTED) {
            accept_entry(deliver, i);
        } else {
            prefix = false;
            out = out || entry->state == ENTRY_OUT;
            i++;
        }
    }
    if (!lane->broken || out)
        return;
    for (uint16_t i = deliver->n_entries; i-- > 0;)
        if (deliver->entry[i].lane == index)
            remove_entry(deliver, i);
    lane->broken = false;
    lane->handed_pos = lane->accepted_pos;
    deliver_drop_lane(deliver, index);
}

void deliver_break_lane(struct deliver *deliver, uint16_t index, uint64_t pos, uint8_t code,
                        int64_t now_ms)
{
    struct lane *lane = &deliver->lane[index];
    if (!lane->broken)
        hold_lane(deliver, lane, pos, code, now_ms);
    lane->broken = true;
    deliver_drop_lane(deliver, index); /* its rows must not stand before those of others */
    deliver_settle_lane(deliver, index);
}

bool deliver_answered(struct deliver *deliver, uint16_t mid, uint8_t code, int64_t now_ms)
{
    for (uint16_t i = 0; i < deliver->n_entries; i++) {
        struct entry *entry = &deliver->entry[i];
        if (entry->mid != mid || entry->state != ENTRY_OUT)
            continue;
        const bool accepted = code == PUBACK_ACCEPTED; /* whatever else a broker may invent */
        deliver_pace_take(deliver, entry, now_ms);
        entry->state = accepted ? ENTRY_ACCEPTED : ENTRY_REFUSED;
        if (accepted)
            deliver_settle_lane(deliver, entry->lane);
        else
            deliver_break_lane(deliver, entry->lane, entry->first_pos, code, now_ms);
        return true;
    }
    return false;
}

bool deliver_stalled(const struct deliver *deliver, int64_t now_ms)
{
    if (!deliver->connected)
        return false;
    for (uint16_t i = 0; i < deliver->n_entries; i++)
        if (deliver->entry[i].state == ENTRY_OUT &&
            now_ms - deliver->entry[i].since_ms > DELIVER_STALL_MS)
            return true;
    return deliver->mid_twice;
}

bool deliver_waits_for(const struct deliver *deliver, uint16_t mid)
{
    for (uint16_t i = 0; i < deliver->n_entries; i++)
        if (deliver->entry[i].mid == mid && deliver->entry[i].state == ENTRY_OUT)
            return true;
    return false;
}

size_t deliver_largest(const struct deliver *deliver, bool *is_one_row)
{
    const struct entry *largest = NULL;
    for (uint16_t i = 0; i < deliver->n_entries; i++)
        if (deliver->entry[i].state == ENTRY_OUT &&
            (largest == NULL || deliver->entry[i].bytes > largest->bytes))
            largest = &deliver->entry[i];
    *is_one_row = largest != NULL && largest->first_pos == largest->last_pos;
    return largest != NULL ? largest->bytes : 0;
}

uint16_t deliver_under_way(const struct deliver *deliver)
{
    return deliver->n_entries;
}

bool deliver_take_event(struct deliver *deliver, struct deliver_event *event)
{
    for (uint16_t i = 0; i < deliver->n_lanes; i++) {
        uint16_t index = (uint16_t)((deliver->next_event + i) % deliver->n_lanes);
        struct lane *lane = &deliver->lane[index];
        if (!lane->tell_accepted && !lane->tell_refused && !lane->tell_recovered)
            continue;
        deliver->next_event = index;
        *event = (struct deliver_event){.well = index / DELIVER_STREAMS,
                                        .stream = deliver_stream_of(index),
                                        .order = lane->order};
        if (lane->tell_accepted) {
            lane->tell_accepted = false;
            event->kind = DELIVER_ACCEPTED;
            event->pos = lane->accepted_pos;
            event->seq = lane->accepted_seq;
            event->boot_ms = lane->accepted_boot_ms;
        } else if (lane->tell_recovered) {
            lane->tell_recovered = false;
            event->kind = DELIVER_RECOVERED;
            event->code = lane->recovered_from;
        } else {
            lane->tell_refused = false;
            event->kind = DELIVER_REFUSED;
            event->code = lane->code;
            event->pos = lane->refused_pos;
        }
        return true;
    }
    return false;
}

int64_t deliver_due_ms(const struct deliver *deliver)
{
    int64_t due = INT64_MAX;
    if (!deliver->connected)
        return due;
    for (int i = 0; i < WANTS_MAX; i++)
        if (deliver->wanted[i].phase == WANT_ASKED &&
            deliver->wanted[i].since_ms + DELIVER_WANT_TIMEOUT_MS < due)
            due = deliver->wanted[i].since_ms + DELIVER_WANT_TIMEOUT_MS;
    if (due != INT64_MAX)
        return due;
    for (uint16_t i = 0; i < deliver->n_lanes; i++) {
        const struct lane *lane = &deliver->lane[i];
        if (deliver_is_order(i) && !deliver_order_may_go(deliver, i))
            continue;
        if (lane->known && lane->newest_pos > lane->handed_pos && lane->under_way == 0 &&
            lane->not_before_ms < due)
            due = lane->not_before_ms;
    }
    return due;
}
