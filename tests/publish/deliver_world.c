/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_world.c - see deliver_world.h. Nothing here comes from deliver.c.
 */
#include "deliver_world.h"

#include "check.h"

#include <stdlib.h>

static uint32_t draw(struct world *world, uint32_t below)
{
    world->random = world->random * 1664525u + 1013904223u; /* Knuth, TAOCP 2, 3.3.4, table 1 */
    return (world->random >> 8) % below;
}

static uint16_t lane_of(uint16_t well, uint8_t stream)
{
    return (uint16_t)(well * 2 + (stream == DELIVER_GAPS));
}

void world_add_row(struct world *world, uint16_t lane)
{
    assert_true(world->n_rows[lane] < ROWS_MAX);
    world->rows[lane][world->n_rows[lane]++] = (struct row){.pos = ++world->next_pos};
    deliver_see_more(world->deliver, lane / 2, lane % 2 ? DELIVER_GAPS : DELIVER_RECORDS,
                     world->next_pos);
}

static size_t index_of(const struct world *world, uint16_t lane, uint64_t pos)
{
    for (size_t i = 0; i < world->n_rows[lane]; i++)
        if (world->rows[lane][i].pos == pos)
            return i;
    fail_msg("lane %u has no row at pos %llu", lane, (unsigned long long)pos);
    return 0;
}

static void send_cursors(struct world *world)
{
    for (uint16_t lane = 0; lane < LANES; lane++) {
        uint8_t stream = lane % 2 ? DELIVER_GAPS : DELIVER_RECORDS;
        deliver_see_cursor(world->deliver, lane / 2, stream, world->told_pos[lane],
                           world->told_pos[lane]);
        if (world->n_rows[lane] > 0)
            deliver_see_more(world->deliver, lane / 2, stream,
                             world->rows[lane][world->n_rows[lane] - 1].pos);
    }
}

/* The well side answers a want: whole, short of its end, or not at all. */
void world_serve(struct world *world, uint16_t well, const struct wall_want *want)
{
    uint16_t lane = lane_of(well, want->stream);
    if (draw(world, 50) == 0) {
        deliver_see_lost(world->deliver);
        return;
    }
    static struct wall_record record;
    static struct wall_gap gap;
    uint16_t sent = 0;
    uint64_t last = 0;
    size_t i = 0;
    while (i < world->n_rows[lane] && world->rows[lane][i].pos <= want->after)
        i++;
    size_t limit = 1 + draw(world, want->n);
    for (; i < world->n_rows[lane] && sent < limit; i++, sent++) {
        last = world->rows[lane][i].pos;
        if (draw(world, 60) == 0)
            continue; /* lost on its way: nothing of this want may be used */
        bool live = i + 1 == world->n_rows[lane];
        if (want->stream == DELIVER_RECORDS) {
            record = (struct wall_record){
                .serial = want->serial,
                .live = live,
                .record = {.pos = last, .seq = last, .at = {.boot_ms = (int64_t)last}}};
            deliver_see_record(world->deliver, well, &record);
        } else {
            gap = (struct wall_gap){
                .serial = want->serial,
                .gap = {.pos = last, .id = last, .start = {.boot_ms = (int64_t)last}}};
            deliver_see_gap(world->deliver, &gap);
        }
    }
    struct wall_end_of_want end = {.stream = want->stream,
                                   .serial = want->serial,
                                   .sent = sent,
                                   .last_pos = last,
                                   .more = i < world->n_rows[lane]};
    deliver_see_end(world->deliver, well, &end, world->now_ms);
}

void world_hand_over(struct world *world, const struct deliver_message *message)
{
    uint16_t lane = lane_of(message->well, message->stream);
    uint64_t pos = message->stream == DELIVER_RECORDS ? message->records[0].pos : message->gap->pos;
    size_t used = 1 + draw(world, (uint32_t)message->n);
    size_t first = index_of(world, lane, pos);
    assert_true(world->connected);
    for (size_t i = 0; i < world->n_held; i++) {
        const struct held *held = &world->held[i];
        if (held->lane == lane && first < held->first + held->n && held->first < first + used)
            fail_msg("row %zu of lane %u is handed over while the library still holds it", first,
                     lane);
    }
    for (size_t i = 0; i + 1 < used; i++)
        assert_true(message->records[i].pos < message->records[i + 1].pos);
    assert_true(world->n_held < HELD_MAX);
    do {
        world->next_mid++;
    } while (world->next_mid == 0);
    world->held[world->n_held++] = (struct held){
        .mid = world->next_mid, .lane = lane, .first = first, .n = used, .at_broker = true};
    world->messages++;
    if (used > world->largest)
        world->largest = used;
    deliver_handed(world->deliver, world->next_mid, 40 + draw(world, world->row_bytes) * used, used,
                   world->now_ms);
    assert_true(deliver_under_way(world->deliver) <= world->window);
}

static void arrive(struct world *world, const struct held *held)
{
    for (size_t i = held->first; i < held->first + held->n; i++) {
        struct row *row = &world->rows[held->lane][i];
        if (row->delivered)
            world->duplicates++;
        /* Without a refusal the first arrival of each row is in order. */
        if (!row->delivered && i > 0 && !world->rows[held->lane][i - 1].delivered &&
            !world->refused_any[held->lane])
            fail_msg("row %zu of lane %u arrived before the one ahead of it", i, held->lane);
        row->delivered = true;
    }
}

/* The broker answers the oldest message; sometimes the connection breaks between arrival and
 * answer. */
static void answer(struct world *world)
{
    if (world->n_held == 0)
        return;
    struct held held = world->held[0];
    uint8_t code = PUBACK_ACCEPTED;
    if (world->refused_lane[held.lane])
        code = world->code[held.lane];
    if (code == PUBACK_ACCEPTED)
        arrive(world, &held);
    else
        world->refused_any[held.lane] = true;
    if (draw(world, 12) == 0)
        return; /* the answer is on its way when something else happens */
    world->n_held--;
    memmove(world->held, world->held + 1, world->n_held * sizeof held);
    assert_true(deliver_answered(world->deliver, held.mid, code, world->now_ms));
    assert_false(deliver_answered(world->deliver, held.mid, code, world->now_ms));
}

static void hear(struct world *world)
{
    struct deliver_event event;
    while (deliver_take_event(world->deliver, &event)) {
        uint16_t lane = lane_of(event.well, event.stream);
        if (event.kind == DELIVER_REFUSED) {
            assert_int_equal(event.code, world->code[lane]);
            assert_true(event.pos > world->told_pos[lane]);
            world->refusals_told++;
        } else if (event.kind == DELIVER_RECOVERED) {
            world->recoveries_told++;
        } else {
            assert_true(event.pos > world->told_pos[lane]);
            assert_int_equal(event.seq, event.pos);
            assert_int_equal(event.boot_ms, event.pos);
            world->told_pos[lane] = event.pos;
            for (size_t i = 0; i < world->n_rows[lane] && world->rows[lane][i].pos <= event.pos;
                 i++)
                if (!world->rows[lane][i].delivered)
                    fail_msg(
                        "the cursor of lane %u stands at %llu, and row %llu was never delivered",
                        lane, (unsigned long long)event.pos,
                        (unsigned long long)world->rows[lane][i].pos);
        }
    }
}

static void serve_oldest(struct world *world)
{
    const uint16_t well = world->waiting_well[0];
    const struct wall_want want = world->waiting[0];
    world->n_waiting--;
    memmove(world->waiting_well, world->waiting_well + 1, world->n_waiting * sizeof well);
    memmove(world->waiting, world->waiting + 1, world->n_waiting * sizeof want);
    world_serve(world, well, &want);
}

/** As the client does it: before rows are handed over, and after. The well side takes its time. */
static void ask(struct world *world)
{
    struct deliver_message message;
    while (world->n_waiting > 0 && draw(world, 3) > 0)
        serve_oldest(world);
    const bool has_rows = deliver_next_message(world->deliver, 0, &message);
    while (world->n_waiting < WAITING_MAX &&
           deliver_next_want(world->deliver, world->now_ms, &world->waiting_well[world->n_waiting],
                             &world->waiting[world->n_waiting])) {
        world->n_waiting++;
        world->ahead += has_rows || world->n_waiting > 1;
    }
    while (world->n_waiting > 0 && draw(world, 3) > 0)
        serve_oldest(world);
}

void world_step(struct world *world)
{
    struct deliver_message message;
    ask(world);
    ask(world);
    while (deliver_next_message(world->deliver, 0, &message))
        world_hand_over(world, &message);
    ask(world);
    for (uint32_t n = draw(world, 4); n > 0; n--)
        answer(world);
    hear(world);
    assert_false(deliver_stalled(world->deliver, world->now_ms));
    world->now_ms += draw(world, world->step_ms);
}

void world_reconnect(struct world *world)
{
    world->connected = true;
    for (size_t i = 0; i < world->n_held; i++)
        world->held[i].at_broker = true; /* the library sends them again, oldest first */
    world->window = (uint16_t)(1 + draw(world, DELIVER_WINDOW_MAX));
    if (world->window < world->n_held)
        world->window = DELIVER_WINDOW_MAX;
    deliver_connected(world->deliver, world->window, world->now_ms);
}

static void new_process(struct world *world)
{
    deliver_destroy(world->deliver);
    world->deliver = deliver_create(WELLS, draw(world, 1u << 20));
    assert_non_null(world->deliver);
    world->n_held = 0;
    world->n_waiting = 0;
    send_cursors(world);
    world_reconnect(world);
}

struct world *world_create(uint32_t seed)
{
    struct world *world = calloc(1, sizeof *world);
    assert_non_null(world);
    world->random = seed;
    world->step_ms = seed % 3 == 0 ? 200 : 12; /* slow links and fast ones */
    world->row_bytes = seed % 3 == 0 ? 200 : 4000;
    world->deliver = deliver_create(WELLS, seed);
    assert_non_null(world->deliver);
    world->window = DELIVER_WINDOW_MAX;
    send_cursors(world);
    return world;
}

static bool is_all_told(const struct world *world)
{
    for (uint16_t lane = 0; lane < LANES; lane++)
        if (world->n_rows[lane] > 0 &&
            world->told_pos[lane] < world->rows[lane][world->n_rows[lane] - 1].pos)
            return false;
    return world->n_held == 0;
}

void world_let_all_end_well(struct world *world)
{
    memset(world->refused_lane, 0, sizeof world->refused_lane);
    if (!world->connected)
        world_reconnect(world);
    for (int i = 0; i < 60000 && !is_all_told(world); i++)
        world_step(world);
    for (int i = 0; i < 200; i++) /* and nothing more goes */
        world_step(world);
    for (uint16_t lane = 0; lane < LANES; lane++) {
        for (size_t i = 0; i < world->n_rows[lane]; i++)
            if (!world->rows[lane][i].delivered)
                fail_msg("row %zu of lane %u of %zu was never delivered", i, lane,
                         world->n_rows[lane]);
        if (world->n_rows[lane] > 0)
            check_count("cursor at the end", (long long)world->told_pos[lane],
                        (long long)world->rows[lane][world->n_rows[lane] - 1].pos);
    }
}

/** Returns how often rows were asked for while others were at hand. */
size_t world_run(uint32_t seed, bool with_refusals, bool with_crashes)
{
    static const uint8_t CODES[] = {0x10, 0x80, 0x87, 0x97,
                                    0x99, 0x01, 0x7F}; /* the last: no codes */
    struct world *world = world_create(seed);
    for (uint16_t i = 0; seed % 3 == 1 && i < 200 * LANES; i++)
        world_add_row(world, i % LANES); /* as an outage leaves it */
    for (int i = 0; i < 3000; i++) {
        const uint32_t burst = seed % 3 == 1 && draw(world, 150) == 0 ? 100 * LANES : 0;
        for (uint16_t k = 0; k < burst; k++)
            world_add_row(world, k % LANES);
        if (draw(world, 3) == 0)
            world_add_row(world, (uint16_t)draw(world, LANES));
        uint32_t what = draw(world, 400);
        if (what < 4 && world->connected) {
            world->connected = false;
            deliver_disconnected(world->deliver);
        } else if (what < 14 && !world->connected) {
            world_reconnect(world);
        } else if (what == 40 && with_crashes && world->connected) {
            new_process(world);
        } else if (what == 41 && with_crashes) {
            deliver_forget(world->deliver);
            world->n_held = 0;
        } else if (what < 50 && with_refusals) {
            uint16_t lane = (uint16_t)draw(world, LANES);
            world->refused_lane[lane] = !world->refused_lane[lane];
            world->code[lane] = CODES[draw(world, sizeof CODES)];
        }
        if (world->connected)
            world_step(world);
        else
            world->now_ms += draw(world, 200);
        hear(world);
    }
    world_let_all_end_well(world);
    assert_true(world->largest > 1);
    if (!with_refusals)
        assert_int_equal(world->refusals_told, 0);
    const size_t ahead = world->ahead;
    deliver_destroy(world->deliver);
    free(world);
    return ahead;
}
