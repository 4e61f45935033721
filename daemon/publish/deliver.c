/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver.c - which row goes next, and how far a destination has accepted (invariants: deliver.h).
 *
 * The window is one array in the order of handing over; entries of a lane stand in it in the order
 * of pos. Rows that were asked for stand in a few buffers until they are handed over
 * (deliver_want.c); at a disconnect they are dropped, so that "live" is always said of a row just
 * read.
 */
#include "deliver_inside.h"

#include <stdlib.h>
#include <string.h>

struct deliver *deliver_create(uint16_t n_wells, uint32_t seed)
{
    size_t n_lanes = (size_t)n_wells * DELIVER_STREAMS;
    struct deliver *deliver = calloc(1, sizeof *deliver + n_lanes * sizeof deliver->lane[0]);
    if (deliver == NULL)
        return NULL;
    deliver->n_lanes = (uint16_t)n_lanes;
    deliver->window = DELIVER_WINDOW_MAX;
    deliver_pace_begin(deliver, 0);
    deliver->random = seed != 0 ? seed : 1;
    /* Anywhere: where a link lets through little before each break, the first wells would otherwise
     * leave nothing to the last ones. */
    if (n_lanes > 0)
        deliver->next_lane = (uint16_t)(deliver->random % n_lanes);
    return deliver;
}

void deliver_destroy(struct deliver *deliver)
{
    free(deliver);
}

static uint16_t lane_index(const struct deliver *deliver, uint16_t well, uint8_t stream)
{
    if (stream < DELIVER_RECORDS || stream > DELIVER_STREAMS)
        return deliver->n_lanes;
    uint32_t index = (uint32_t)well * DELIVER_STREAMS + stream - 1;
    return index < deliver->n_lanes ? (uint16_t)index : deliver->n_lanes;
}

/* ---- the well side ---- */

void deliver_see_cursor(struct deliver *deliver, uint16_t well, uint8_t stream, uint64_t pos,
                        uint64_t seq)
{
    uint16_t index = lane_index(deliver, well, stream);
    if (index >= deliver->n_lanes || deliver_is_order(index))
        return; /* an order says where it stands */
    struct lane *lane = &deliver->lane[index];
    bool busy = lane->under_way > 0;
    for (int i = 0; i < WANTS_MAX; i++)
        busy = busy || (deliver->wanted[i].phase != WANT_NONE && deliver->wanted[i].lane == index);
    if (lane->known && (pos <= lane->accepted_pos || busy))
        return; /* what we know is newer */
    lane->known = true;
    lane->accepted_pos = lane->handed_pos = pos;
    lane->accepted_seq = seq;
}

void deliver_see_more(struct deliver *deliver, uint16_t well, uint8_t stream, uint64_t newest_pos)
{
    uint16_t index = lane_index(deliver, well, stream);
    if (index < deliver->n_lanes && newest_pos > deliver->lane[index].newest_pos)
        deliver->lane[index].newest_pos = newest_pos;
}

/* Room for the next row of the want under way, or DELIVER_ROWS_MAX where it is not wanted. */
static size_t place_for_row(struct wanted *want, uint16_t index, uint64_t pos)
{
    if (want->lane != index)
        return DELIVER_ROWS_MAX;
    want->received++;
    if (pos <= want->last_pos || want->n >= DELIVER_ROWS_MAX)
        want->off = true;
    if (want->off)
        return DELIVER_ROWS_MAX;
    want->last_pos = pos;
    return want->n++;
}

void deliver_see_record(struct deliver *deliver, uint16_t well, const struct wall_record *row)
{
    struct wanted *want = deliver_asked(deliver, row->serial);
    if (want == NULL)
        return;
    uint16_t index = lane_index(deliver, well, DELIVER_RECORDS);
    if (deliver_is_order(want->lane)) /* the serial tells whose row it is */
        index = lane_index(deliver, well, DELIVER_ORDERS);
    size_t at = place_for_row(want, index, row->record.pos);
    if (at >= DELIVER_ROWS_MAX)
        return;
    want->live[at] = row->live;
    record_copy(&want->record[at], &row->record);
}

void deliver_see_gap(struct deliver *deliver, const struct wall_gap *row)
{
    struct wanted *want = deliver_asked(deliver, row->serial);
    if (want == NULL || deliver_stream_of(want->lane) != DELIVER_GAPS)
        return;
    size_t at = place_for_row(want, want->lane, row->gap.pos);
    if (at >= DELIVER_ROWS_MAX)
        return;
    want->gap[at] = row->gap;
    want->live[at] = true;
}

void deliver_see_end(struct deliver *deliver, uint16_t well, const struct wall_end_of_want *end,
                     int64_t now_ms)
{
    uint16_t index = lane_index(deliver, well, end->stream);
    struct wanted *want = deliver_asked(deliver, end->serial);
    if (want == NULL || want->lane != index)
        return;
    struct lane *lane = &deliver->lane[index];
    if (deliver_is_order(index) && !want->off && want->received == end->sent) {
        if (deliver_order_end(deliver, want, end, now_ms))
            want->phase = WANT_READY;
        else
            deliver_drop(deliver, want);
        return;
    }
    if (want->off || want->received != end->sent || want->n == 0) {
        lane->not_before_ms = now_ms + WANT_AGAIN_MS;
        deliver_drop(deliver, want);
        return;
    }
    lane->late = deliver_stream_of(index) == DELIVER_RECORDS && !want->live[want->n - 1];
    if (end->more && lane->newest_pos <= want->last_pos)
        lane->newest_pos = want->last_pos + 1;
    want->phase = WANT_READY;
}

void deliver_see_lost(struct deliver *deliver)
{
    deliver_drop_asked(deliver);
}

bool deliver_next_message(const struct deliver *deliver, uint16_t others,
                          struct deliver_message *message)
{
    const struct wanted *want = &deliver->wanted[deliver->front];
    if (!deliver->connected || want->phase != WANT_READY)
        return false;
    const struct lane *lane = &deliver->lane[want->lane];
    if (lane->broken || ((!lane->proven || deliver_is_order(want->lane)) && lane->under_way > 0))
        return false;
    if (deliver->n_entries + others >= deliver->window || deliver->bytes >= deliver->pace.limit)
        return false;
    *message = (struct deliver_message){.well = want->lane / DELIVER_STREAMS,
                                        .stream = deliver_stream_of(want->lane),
                                        .order_kind = lane->order_kind,
                                        .by = lane->by[0] != '\0' ? lane->by : NULL};
    message->live = want->live[want->head];
    message->n = 1;
    if (message->stream == DELIVER_GAPS) {
        message->gap = &want->gap[want->head];
        return true;
    }
    message->records = &want->record[want->head];
    if (message->live)
        return true;
    const uint16_t most = deliver_rate_rows(deliver);
    while (message->n < most && want->head + message->n < want->n &&
           !want->live[want->head + message->n])
        message->n++;
    return most > 0;
}

/* The next `used` rows of the want become an entry of the window; NULL where they can't. */
static struct entry *enter(struct deliver *deliver, size_t used, int64_t now_ms)
{
    struct wanted *want = deliver_front(deliver);
    if (want->phase != WANT_READY || used == 0 || used > want->n - want->head ||
        deliver->n_entries >= DELIVER_WINDOW_MAX)
        return NULL;
    struct lane *lane = &deliver->lane[want->lane];
    struct entry *entry = &deliver->entry[deliver->n_entries++];
    *entry = (struct entry){.lane = want->lane, .state = ENTRY_OUT, .since_ms = now_ms};
    size_t last = want->head + used - 1;
    if (deliver_stream_of(want->lane) != DELIVER_GAPS) {
        entry->first_pos = want->record[want->head].pos;
        entry->last_pos = want->record[last].pos;
        entry->last_seq = want->record[last].seq;
        entry->last_boot_ms = want->record[last].at.boot_ms;
    } else {
        entry->first_pos = want->gap[want->head].pos;
        entry->last_pos = want->gap[last].pos;
        entry->last_seq = want->gap[last].id;
        entry->last_boot_ms = want->gap[last].start.boot_ms;
    }
    lane->handed_pos = entry->last_pos;
    lane->under_way++;
    if (deliver_stream_of(want->lane) != DELIVER_GAPS && !want->live[want->head])
        deliver_rate_spend(deliver, used);
    want->head += used;
    if (want->head >= want->n)
        deliver_drop(deliver, want);
    return entry;
}

void deliver_handed(struct deliver *deliver, uint16_t mid, size_t bytes, size_t used,
                    int64_t now_ms)
{
    for (uint16_t i = 0; i < deliver->n_entries; i++)
        if (deliver->entry[i].mid == mid)
            deliver->mid_twice = true;
    const struct wanted *want = deliver_front(deliver);
    const bool is_cut = want->phase == WANT_READY && used < want->n - want->head;
    struct entry *entry = enter(deliver, used, now_ms);
    if (entry == NULL)
        return;
    deliver->pace.is_cut = deliver->pace.is_cut || is_cut;
    entry->mid = mid;
    entry->bytes = bytes;
    deliver->bytes += bytes;
}

void deliver_set_aside(struct deliver *deliver, int64_t now_ms)
{
    struct entry *entry = enter(deliver, 1, now_ms);
    if (entry == NULL)
        return;
    entry->set_aside = true;
    entry->state = ENTRY_ACCEPTED;
    deliver_settle_lane(deliver, entry->lane);
}

void deliver_not_handed(struct deliver *deliver, uint8_t code, int64_t now_ms)
{
    const struct wanted *want = deliver_front(deliver);
    if (want->phase != WANT_READY)
        return;
    const uint64_t pos = deliver_stream_of(want->lane) != DELIVER_GAPS
                             ? want->record[want->head].pos
                             : want->gap[want->head].pos;
    deliver_break_lane(deliver, want->lane, pos, code, now_ms);
}
