/* SPDX-License-Identifier: Apache-2.0
 *
 * wall_check.c - sizes and bounds of the wall's messages. Pure.
 *
 * A flag is looked at as a byte first: a `bool` that holds anything but 0 or 1 must not even be
 * read as one.
 */
#include "wall.h"

#include <string.h>

#define DESTINATIONS_MAX 8
#define WELLS_MAX 128
#define WELL_NUMBER_MAX                                                                            \
    4096 /* numbers of the journal only grow; more wells than this never stood on one box */
#define STREAM_FIRST 1 /* records */
#define STREAM_LAST 3  /* rows of an order; 2: of the ledger */
#define CLOCK_STATE_LAST CLOCK_STATE_NEVER_SET

#define WHOLE(member)                                                                              \
    (offsetof(struct wall_message, member) + sizeof(((struct wall_message *)0)->member))
#define UP_TO(member) offsetof(struct wall_message, member)

size_t wall_least_size(uint32_t kind)
{
    static const uint32_t SIZES[WALL_KINDS] = {
        [WALL_PLAN] = UP_TO(plan.bytes),
        [WALL_NUMBERS] = UP_TO(numbers.number),
        [WALL_CURSOR] = WHOLE(cursor),
        [WALL_SNAPSHOT] = UP_TO(snapshot.reading),
        [WALL_RECORD] = UP_TO(record.record.reading),
        [WALL_GAP] = WHOLE(gap),
        [WALL_END_OF_WANT] = WHOLE(end_of_want),
        [WALL_STATE] = UP_TO(state.well),
        [WALL_MORE] = WHOLE(more),
        [WALL_ALIVE] = sizeof(uint32_t),
        [WALL_WANT] = WHOLE(want),
        [WALL_ACCEPTED] = WHOLE(accepted),
        [WALL_REFUSED] = WHOLE(refused),
        [WALL_DESTINATION] = WHOLE(destination),
        [WALL_STOP] = sizeof(uint32_t),
        [WALL_QUIET] = sizeof(uint32_t),
        [WALL_ORDER] = WHOLE(order),
        [WALL_RECORDS] = UP_TO(records.bytes),
        [WALL_PAUSE] = WHOLE(pause),
    };
    return kind < WALL_KINDS ? SIZES[kind] : 0;
}

size_t wall_size(const struct wall_message *message)
{
    size_t least = wall_least_size(message->kind), n = 0, most = 0, each = 0;
    switch (message->kind) {
    case WALL_PLAN:
        n = message->plan.size, most = WALL_PIECE_MAX, each = 1;
        break;
    case WALL_NUMBERS:
        n = message->numbers.n_wells, most = WELLS_MAX, each = sizeof message->numbers.number[0];
        break;
    case WALL_SNAPSHOT:
        n = message->snapshot.n, most = RECORD_READINGS_MAX,
        each = sizeof message->snapshot.reading[0];
        break;
    case WALL_RECORD:
        n = message->record.record.n, most = RECORD_READINGS_MAX,
        each = sizeof message->record.record.reading[0];
        break;
    case WALL_RECORDS:
        n = message->records.size, most = WALL_RECORDS_BYTES, each = 1;
        break;
    case WALL_STATE:
        n = message->state.n_wells, most = WELLS_MAX, each = sizeof message->state.well[0];
        break;
    default:
        break;
    }
    return least == 0 || n > most ? 0 : least + n * each;
}

static bool is_flag(const bool *flag)
{
    unsigned char byte;
    memcpy(&byte, flag, 1);
    return byte <= 1;
}
static bool is_text(const char *text, size_t room)
{
    return memchr(text, '\0', room) != NULL;
}
static bool is_well(unsigned well)
{
    return well <= WELL_NUMBER_MAX;
}
static bool is_route(unsigned destination, unsigned well, unsigned stream)
{
    return destination < DESTINATIONS_MAX && is_well(well) && stream >= STREAM_FIRST &&
           stream <= STREAM_LAST;
}
static bool is_stamp(const struct stamp *stamp)
{
    return stamp->clock <= CLOCK_STATE_LAST;
}

static bool record_is_sound(const struct wall_record *sent)
{
    const struct record *record = &sent->record;
    bool sound = sent->destination < DESTINATIONS_MAX && is_flag(&sent->live) &&
                 is_well(record->well) && record->source <= SOURCE_UNIT_HISTORY &&
                 record->outcome < OUTCOME_COUNT && is_flag(&record->heard) &&
                 is_stamp(&record->at);
    unsigned before = 0;
    for (size_t i = 0; sound && i < record->n; i++) {
        const struct reading *reading = &record->reading[i];
        sound = reading->point > before && reading->point < POINT_COUNT &&
                quality_find(reading->quality) != NULL && reading->worst_input < POINT_COUNT;
        before = reading->point;
    }
    return sound;
}

static bool end_is_sound(const struct wall_end_of_want *sent)
{
    return is_route(sent->destination, sent->well, sent->stream) && sent->sent <= WALL_WANT_MAX &&
           is_flag(&sent->more);
}

static bool records_are_sound(const struct wall_records *sent)
{
    struct wall_record one;
    size_t at = 0, n = 0;
    if (!is_flag(&sent->ends) ||
        (sent->ends && (!end_is_sound(&sent->end) || sent->end.serial != sent->serial ||
                        sent->end.destination != sent->destination)))
        return false;
    while (n <= WALL_WANT_MAX && wall_records_take(sent, &at, &one)) {
        if (!record_is_sound(&one))
            return false;
        n++;
    }
    return at == sent->size && n == sent->n && n > 0;
}

static bool snapshot_is_sound(const struct snapshot *snapshot)
{
    bool sound = is_well(snapshot->well) && snapshot->line <= LINE_DOWN &&
                 snapshot->gauge <= GAUGE_NOT_CONFIGURED && snapshot->clock <= CLOCK_STATE_LAST &&
                 is_flag(&snapshot->journaled) && is_stamp(&snapshot->newest) &&
                 is_stamp(&snapshot->taken);
    for (size_t i = 0; sound && i < SOURCE_KINDS; i++)
        sound = snapshot->source_line[i] <= LINE_DOWN;
    unsigned before = 0;
    for (size_t i = 0; sound && i < snapshot->n; i++) {
        const struct live_reading *reading = &snapshot->reading[i];
        sound = reading->point > before && reading->point < POINT_COUNT &&
                quality_find(reading->quality) != NULL && reading->worst_input < POINT_COUNT;
        before = reading->point;
    }
    return sound;
}

static bool gap_is_sound(const struct wall_gap *sent)
{
    const struct gap *gap = &sent->gap;
    return sent->destination < DESTINATIONS_MAX && gap->kind > GAP_NONE && gap->kind < GAP_KINDS &&
           gap->cause_code < CAUSE_COUNT && is_well(gap->well) &&
           gap->source <= SOURCE_UNIT_HISTORY && gap->point < POINT_COUNT &&
           is_flag(&gap->all_wells) && is_flag(&gap->start_sure) && is_flag(&gap->end_sure) &&
           is_flag(&gap->is_open) && is_flag(&gap->lost) && is_stamp(&gap->start) &&
           is_stamp(&gap->end) && is_text(gap->destination, sizeof gap->destination) &&
           is_text(gap->cause, sizeof gap->cause) && is_text(gap->note, sizeof gap->note) &&
           is_text(gap->noted_by, sizeof gap->noted_by) && is_flag(&gap->planned);
}

static bool state_is_sound(const struct wall_state *state)
{
    bool sound = state->clock <= CLOCK_STATE_LAST && state->journal_ok <= 1 &&
                 state->n_destinations <= DESTINATIONS_MAX &&
                 state->books.verdict <= BOOKS_DO_NOT_HOLD;
    for (size_t i = 0; sound && i < DESTINATIONS_MAX; i++)
        sound = state->destination[i].state <= DELIVERY_STOPPED;
    for (size_t i = 0; sound && i < state->n_wells; i++)
        sound = is_well(state->well[i].well) && state->well[i].delivery <= DELIVERY_STOPPED;
    return sound;
}

static bool numbers_are_sound(const struct wall_numbers *numbers)
{
    bool sound = numbers->version == WALL_VERSION;
    for (size_t i = 0; sound && i < numbers->n_wells; i++)
        sound = is_well(numbers->number[i]);
    return sound;
}

static bool order_is_sound(const struct wall_order *order)
{
    return order->destination < DESTINATIONS_MAX && is_well(order->well) && order->kind >= 1 &&
           order->kind <= 3 && order->after <= order->to && is_text(order->by, sizeof order->by);
}

bool wall_is_sound(const struct wall_message *message)
{
    switch (message->kind) {
    case WALL_PLAN:
        return message->plan.size > 0 && message->plan.total <= WALL_PLAN_BYTES_MAX &&
               message->plan.offset <= message->plan.total &&
               message->plan.size <= message->plan.total - message->plan.offset;
    case WALL_NUMBERS:
        return numbers_are_sound(&message->numbers);
    case WALL_CURSOR:
        return is_route(message->cursor.destination, message->cursor.well,
                        message->cursor.stream == WALL_STREAM_USAGE ? STREAM_FIRST
                                                                    : message->cursor.stream);
    case WALL_SNAPSHOT:
        return snapshot_is_sound(&message->snapshot);
    case WALL_RECORD:
        return record_is_sound(&message->record);
    case WALL_RECORDS:
        return records_are_sound(&message->records);
    case WALL_GAP:
        return gap_is_sound(&message->gap);
    case WALL_END_OF_WANT:
        return end_is_sound(&message->end_of_want);
    case WALL_STATE:
        return state_is_sound(&message->state);
    case WALL_MORE:
        return is_well(message->more.well);
    case WALL_WANT:
        return is_route(message->want.destination, message->want.well, message->want.stream) &&
               message->want.n >= 1 && message->want.n <= WALL_WANT_MAX;
    case WALL_ACCEPTED:
        return is_route(message->accepted.destination, message->accepted.well,
                        message->accepted.stream);
    case WALL_REFUSED:
        return is_route(message->refused.destination, message->refused.well,
                        message->refused.stream) &&
               is_stamp(&message->refused.aside_at) &&
               is_text(message->refused.reason, sizeof message->refused.reason);
    case WALL_DESTINATION:
        return message->destination.destination < DESTINATIONS_MAX &&
               message->destination.state <= DELIVERY_STOPPED &&
               message->destination.cause < CAUSE_COUNT &&
               is_text(message->destination.reason, sizeof message->destination.reason) &&
               is_text(message->destination.writer, WALL_PEER_MAX) &&
               is_text(message->destination.stranger, WALL_PEER_MAX);
    case WALL_ORDER:
        return order_is_sound(&message->order);
    case WALL_PAUSE:
        return message->pause.destination < DESTINATIONS_MAX && message->pause.until_boot_ms >= 0 &&
               is_text(message->pause.by, sizeof message->pause.by);
    case WALL_ALIVE:
    case WALL_STOP:
    case WALL_QUIET:
        return true;
    default:
        return false;
    }
}
