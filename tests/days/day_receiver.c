/* SPDX-License-Identifier: Apache-2.0
 *
 * day_receiver.c - the harness's SCADA side: takes what comes over the wall, accepts records while
 * its broker is up, keeps the table's image.
 *
 * It judges from outside: each Good value against the truth that the unit's registers held, each
 * record's `after` against the one before.
 */
#include "day_inside.h"

#include "check.h"

#include <inttypes.h>
#include <stdlib.h>
#include <unistd.h>

void day_take_want(void *context, const struct wall_want *want)
{
    struct day *day = context;
    if (day->n_wants < DAY_WANTS_MAX)
        day->wants[day->n_wants++] = *want;
}

static void found_damage(void *context, const struct journal_damage *damage)
{
    core_found_damage(((struct day *)context)->core, damage);
}

static uint64_t live_seq(void *context, uint16_t well)
{
    return core_live_seq(((struct day *)context)->core, well);
}

static void *record_context(const struct day *day)
{
    return day->options.record_context != NULL ? day->options.record_context : day->options.context;
}

/* ---- judging ---- */

static bool near(double a, double b, unsigned point)
{
    return fabs(a - b) <= point_get(point)->resolution + 1e-6 * fabs(b);
}

/** A Good measured value must be what the registers held when one of this scan's questions was
 * asked (age is refresh + took). */
static bool is_true(struct day *day, const struct record *record, const struct reading *reading)
{
    const struct well_plan *well = plan_well_by_number(day->plan, record->well);
    const struct source_entry *entry = plan_entry_at(well, record->source, record->at.utc_ms);
    const struct day_unit *unit = day_find_unit(day, entry->line, entry->unit_id);
    const int64_t ahead_ms = day->units_ahead_ms[record->at.boot - DAY_BOOT_FIRST];
    const int64_t from_ms = record->at.boot_ms + ahead_ms,
                  to_ms = from_ms + (int64_t)((double)reading->age_s * 1000) -
                          (int64_t)entry->refresh_ms + 100;
    size_t low = 0, high = unit->n_truths;
    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        if (unit->truths[middle].at_ms < from_ms)
            low = middle + 1;
        else
            high = middle;
    }
    for (size_t i = low; i < unit->n_truths && unit->truths[i].at_ms <= to_ms; i++)
        if (near(reading->value, unit->truths[i].truth.value[reading->point], reading->point))
            return true;
    return false;
}

static void judge(struct day *day, const struct record *record, int well_index)
{
    struct day_counts *counts = &day->counts;
    if (record->pos <= day->last_pos[well_index]) {
        counts->duplicates++; /* of what came before; a seq used twice has another pos */
        return;
    }
    day->last_pos[well_index] = record->pos;
    counts->records++;
    if (record->after_seq != 0 && day->last_seq[well_index] != 0 &&
        (record->after_run != day->last_run[well_index] ||
         record->after_seq != day->last_seq[well_index]))
        counts->record_holes++;
    if (day->last_seq[well_index] != 0 && record->seq != day->last_seq[well_index] + 1)
        counts->record_holes++;
    day->last_run[well_index] = record->run;
    day->last_seq[well_index] = record->seq;
    for (uint16_t i = 0; i < record->n; i++) {
        const struct reading *reading = &record->reading[i];
        counts->by_quality[reading->quality]++;
        if (reading->quality != QUALITY_GOOD)
            continue;
        counts->good++;
        if (!day->options.unjudged && point_get(reading->point)->type == POINT_MEASURED &&
            !is_true(day, record, reading)) {
            counts->good_but_wrong++;
            print_message("good but wrong: %s = %.6g, seq %" PRIu64 " at %" PRId64 " ms\n",
                          point_get(reading->point)->id, reading->value, record->seq,
                          record->at.boot_ms);
        }
    }
}

/* ---- wants and acceptances ---- */

static void want_next(struct day *day, int well_index, uint8_t stream)
{
    uint16_t destination = 0;
    if (!day->broker_up || day->want_out[well_index][stream] ||
        day->cursor[well_index][stream] >= day->newest[well_index][stream] ||
        (stream == STREAM_ORDER &&
         day->cursor[well_index][STREAM_RECORD] < day->newest[well_index][STREAM_RECORD]) ||
        day_destination(day, DESTINATION_MQTT, &destination) == NULL)
        return;
    day->message->kind = WALL_WANT;
    day->message->plan_serial = day->plan_serial;
    day->message->want = (struct wall_want){.destination = destination,
                                            .well = day->plan->wells[well_index].number,
                                            .stream = stream,
                                            .serial = stream,
                                            .order = day->order[well_index].order,
                                            .after = day->cursor[well_index][stream],
                                            .n = 64};
    if (wall_send(day->wall[1], day->message) == UP_OK)
        day->want_out[well_index][stream] = true;
}

static uint64_t order_of(const struct day *day, uint16_t well)
{
    return day->order[plan_well_by_number(day->plan, well) - day->plan->wells].order;
}

static void accept(struct day *day, uint16_t destination, uint16_t well, uint8_t stream,
                   uint64_t pos, uint64_t seq, int64_t boot_ms)
{
    struct wall_message *message = calloc(1, sizeof *message);
    message->kind = WALL_ACCEPTED;
    message->plan_serial = day->plan_serial;
    message->accepted = (struct wall_accepted){.destination = destination,
                                               .well = well,
                                               .stream = stream,
                                               .pos = pos,
                                               .seq = seq,
                                               .boot_ms = boot_ms,
                                               .order = stream == STREAM_ORDER ? order_of(day, well)
                                                                               : 0};
    assert_int_equal(wall_send(day->wall[1], message), UP_OK);
    free(message);
}

/** An order is said again and again: only another one counts. */
static void take_order(struct day *day)
{
    const struct wall_order *order = &day->message->order;
    const int w = (int)(plan_well_by_number(day->plan, order->well) - day->plan->wells);
    if (order->order == day->order[w].order)
        return;
    day->order[w] = *order;
    day->order_seq[w] = 0;
    day->cursor[w][STREAM_ORDER] = order->after;
    day->newest[w][STREAM_ORDER] = order->to;
}

static void take_once_more(struct day *day, int w)
{
    const struct wall_record *sent = &day->message->record;
    if (!day->broker_up || sent->record.pos <= day->cursor[w][STREAM_ORDER])
        return;
    day->counts.once_more++;
    if (day->options.once_more != NULL)
        day->options.once_more(day, record_context(day), &sent->record, &day->order[w]);
    day->cursor[w][STREAM_ORDER] = sent->record.pos;
    day->order_seq[w] = sent->record.seq;
    accept(day, sent->destination, sent->record.well, STREAM_ORDER, sent->record.pos,
           sent->record.seq, sent->record.at.boot_ms);
}

static void take_order_end(struct day *day, int w)
{
    const struct wall_end_of_want *end = &day->message->end_of_want;
    const uint64_t to = end->more ? end->last_pos : day->order[w].to;
    if (!day->broker_up || to <= day->cursor[w][STREAM_ORDER])
        return;
    day->cursor[w][STREAM_ORDER] = to;
    accept(day, end->destination, end->well, STREAM_ORDER, to, day->order_seq[w], 0);
}

static void take_record(struct day *day)
{
    const struct wall_record *sent = &day->message->record;
    const int w = (int)(plan_well_by_number(day->plan, sent->record.well) - day->plan->wells);
    if (sent->serial == STREAM_ORDER) {
        take_once_more(day, w);
        return;
    }
    if (!day->broker_up || sent->record.pos <= day->cursor[w][STREAM_RECORD])
        return;
    judge(day, &sent->record, w);
    if (day->options.record != NULL)
        day->options.record(day, record_context(day), &sent->record, sent->live);
    day->cursor[w][STREAM_RECORD] = sent->record.pos;
    accept(day, sent->destination, sent->record.well, STREAM_RECORD, sent->record.pos,
           sent->record.seq, sent->record.at.boot_ms);
}

static void take_gap(struct day *day)
{
    const struct wall_gap *sent = &day->message->gap;
    const struct well_plan *well = plan_well_by_number(day->plan, sent->gap.well);
    if (!day->broker_up || well == NULL)
        return;
    const int w = (int)(well - day->plan->wells);
    if (sent->gap.pos <= day->cursor[w][STREAM_GAP])
        return;
    day->cursor[w][STREAM_GAP] = sent->gap.pos;
    accept(day, sent->destination, sent->gap.well, STREAM_GAP, sent->gap.pos, 0, 0);
}

static void take_snapshot(struct day *day)
{
    const struct snapshot *snapshot = &day->message->snapshot;
    const struct table_header header = {.delivery = DELIVERY_UP,
                                        .clock = snapshot->clock,
                                        .journaled = snapshot->journaled,
                                        .heartbeat = (uint32_t)(day->now_us / 1000000)};
    day->counts.snapshots++;
    if (day->image != NULL)
        table_image_put(day->image, snapshot, &header, day->now_us / 1000);
    if (day->options.snapshot != NULL)
        day->options.snapshot(day, record_context(day), snapshot);
}

static void take(struct day *day)
{
    switch (day->message->kind) {
    case WALL_RECORD:
        take_record(day);
        break;
    case WALL_GAP:
        take_gap(day);
        break;
    case WALL_SNAPSHOT:
        take_snapshot(day);
        break;
    case WALL_MORE: {
        const int w =
            (int)(plan_well_by_number(day->plan, day->message->more.well) - day->plan->wells);
        day->newest[w][STREAM_RECORD] = day->message->more.newest_scan_pos;
        day->newest[w][STREAM_GAP] = day->message->more.newest_gap_pos;
        break;
    }
    case WALL_ORDER:
        take_order(day);
        break;
    case WALL_END_OF_WANT: {
        const int w = (int)(plan_well_by_number(day->plan, day->message->end_of_want.well) -
                            day->plan->wells);
        day->want_out[w][day->message->end_of_want.stream] = false;
        if (day->message->end_of_want.stream == STREAM_ORDER)
            take_order_end(day, w);
        break;
    }
    default:
        break;
    }
}

/** A want's records may be more than the wall holds: taken as they come. */
static bool send_to_receiver(void *context, const struct wall_message *message)
{
    struct day *day = context;
    *day->message = *message;
    take(day);
    return true;
}

static void serve_wants(struct day *day)
{
    for (size_t i = 0; i < day->n_wants; i++) {
        struct up_error error = {0};
        if (backlog_serve(day->backlog, &day->wants[i], &error) != UP_OK)
            fail_msg("%s", error.why);
    }
    day->n_wants = 0;
}

void day_serve_receiver(struct day *day)
{
    serve_wants(day);
    while (wall_receive(day->wall[1], day->message) == UP_OK)
        take(day);
    for (int w = 0; w < day->plan->n_wells; w++)
        for (uint8_t stream = STREAM_RECORD; stream <= STREAM_ORDER; stream++)
            want_next(day, w, stream);
}

void day_say_destination(struct day *day)
{
    uint16_t destination = 0;
    if (day_destination(day, DESTINATION_MQTT, &destination) == NULL)
        return;
    day->message->kind = WALL_DESTINATION;
    day->message->plan_serial = day->plan_serial;
    day->message->destination =
        (struct wall_destination){.destination = destination,
                                  .state = day->broker_up ? DELIVERY_UP : DELIVERY_DOWN,
                                  .cause = CAUSE_UNREACHABLE,
                                  .reason = "The broker is not reachable."};
    assert_int_equal(wall_send(day->wall[1], day->message), UP_OK);
}

void day_start_receiver(struct day *day)
{
    struct up_error error = {0};
    uint16_t index = 0;
    assert_int_equal(wall_pair(day->wall), 0);
    if (day->message == NULL)
        day->message = calloc(1, sizeof *day->message);
    const struct backlog_options options = {.plan = day->plan,
                                            .journal_directory = day->directory,
                                            .send = send_to_receiver,
                                            .live_seq = live_seq,
                                            .damaged = found_damage,
                                            .context = day};
    if (backlog_open(&options, &day->backlog, &error) != UP_OK)
        fail_msg("%s", error.why);
    const struct destination_plan *table = day_destination(day, DESTINATION_MODBUS_TCP, &index);
    if (table != NULL)
        day->image = table_image_create(day->plan, table);
    struct wall_cursor cursors[64];
    const size_t n = core_cursors(day->core, cursors, 64);
    day->n_wants = 0;
    memset(day->want_out, 0, sizeof day->want_out);
    memset(day->newest, 0, sizeof day->newest);
    memset(day->order, 0, sizeof day->order);
    memset(day->cursor, 0, sizeof day->cursor);
    day_destination(day, DESTINATION_MQTT, &index);
    for (size_t i = 0; i < n; i++)
        if (cursors[i].destination == index && cursors[i].well != 0) {
            const struct well_plan *well = plan_well_by_number(day->plan, cursors[i].well);
            day->cursor[well - day->plan->wells][cursors[i].stream] = cursors[i].pos;
        }
    core_set_wall(day->core, day->wall[0]);
    day_say_destination(day);
}

void day_stop_receiver(struct day *day)
{
    backlog_close(day->backlog);
    table_image_destroy(day->image);
    close(day->wall[0]);
    close(day->wall[1]);
    day->backlog = NULL;
    day->image = NULL;
    free(day->message);
    day->message = NULL;
}
