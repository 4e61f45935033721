/* SPDX-License-Identifier: Apache-2.0
 *
 * test_deliver.c - the delivery's step machine against a model: a journal, a client library that
 * keeps what was not answered and sends it again after a reconnect, and a broker that accepts,
 * refuses, finds no subscriber, or goes away. Nothing here comes from deliver.c.
 *
 * Rules under test: MQTT 5.0, 3.4.2.1 (only an answer below 0x80 is an acceptance; 0x10 has no
 * receiver), 4.4 (unanswered messages are sent again with the same id). Planted defects that these
 * tests must catch, each seen to fail:
 *  - the cursor follows the newest accepted message and not the contiguous prefix;
 *  - a refusal (0x87) moves the cursor; 0x10 moves the cursor;
 *  - at a disconnect what the library still holds is handed over again;
 *  - after a refusal delivery goes on behind the refused row;
 *  - a refused lane stops the others;
 *  - a want of which a row was lost on its way is used as if it were whole.
 */
#include "check.h"

#include "../../daemon/publish/deliver.h"

#include <stdlib.h>

#define WELLS 3
#define LANES (WELLS * 2)
#define ROWS_MAX 4000
#define HELD_MAX 64

struct row {
    uint64_t pos;
    bool delivered;
};
struct held {
    uint16_t mid, lane;
    size_t first, n; /* rows of the lane */
    bool at_broker;  /* sent in this connection */
};
struct world {
    struct deliver *deliver;
    uint32_t random;
    int64_t now_ms;
    bool connected;
    uint16_t window;
    uint64_t next_pos;
    size_t n_rows[LANES];
    struct row rows[LANES][ROWS_MAX];
    uint64_t told_pos[LANES]; /* cursor as the well side heard it */
    bool refused_lane[LANES], refused_any[LANES];
    uint8_t code[LANES];
    uint16_t next_mid;
    size_t n_held;
    struct held held[HELD_MAX];
    size_t duplicates, messages, largest, refusals_told, recoveries_told;
};

static uint32_t draw(struct world *world, uint32_t below)
{
    world->random = world->random * 1664525u + 1013904223u; /* Knuth, TAOCP 2, 3.3.4, table 1 */
    return (world->random >> 8) % below;
}

static uint16_t lane_of(uint16_t well, uint8_t stream)
{
    return (uint16_t)(well * 2 + (stream == DELIVER_GAPS));
}

static void add_row(struct world *world, uint16_t lane)
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
static void serve(struct world *world, uint16_t well, const struct wall_want *want)
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

static void hand_over(struct world *world, const struct deliver_message *message)
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
    deliver_handed(world->deliver, world->next_mid, 40 + 100 * used, used, world->now_ms);
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

static void step(struct world *world)
{
    uint16_t well;
    struct wall_want want;
    struct deliver_message message;
    if (deliver_next_want(world->deliver, world->now_ms, &well, &want))
        serve(world, well, &want);
    while (deliver_next_message(world->deliver, 0, &message))
        hand_over(world, &message);
    for (uint32_t n = draw(world, 4); n > 0; n--)
        answer(world);
    hear(world);
    assert_false(deliver_stalled(world->deliver, world->now_ms));
    world->now_ms += draw(world, 200);
}

static void reconnect(struct world *world)
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
    send_cursors(world);
    reconnect(world);
}

static struct world *new_world(uint32_t seed)
{
    struct world *world = calloc(1, sizeof *world);
    assert_non_null(world);
    world->random = seed;
    world->deliver = deliver_create(WELLS, seed);
    assert_non_null(world->deliver);
    world->window = DELIVER_WINDOW_MAX;
    send_cursors(world);
    return world;
}

/** Every row is delivered, and each cursor stands at the newest of its lane. */
static bool all_is_told(const struct world *world)
{
    for (uint16_t lane = 0; lane < LANES; lane++) {
        const size_t n = world->n_rows[lane];
        if (n > 0 && world->told_pos[lane] != world->rows[lane][n - 1].pos)
            return false;
        for (size_t i = 0; i < n; i++)
            if (!world->rows[lane][i].delivered)
                return false;
    }
    return true;
}

static void let_all_end_well(struct world *world)
{
    memset(world->refused_lane, 0, sizeof world->refused_lane);
    if (!world->connected)
        reconnect(world);
    for (int i = 0, after = 0; i < 60000 && after < 8; i++) {
        step(world);
        if (i % 256 == 255) /* and it stays so */
            after += all_is_told(world) ? 1 : 0;
    }
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

static void run_a_world(uint32_t seed, bool with_refusals, bool with_crashes)
{
    static const uint8_t CODES[] = {0x10, 0x80, 0x87, 0x97, 0x99};
    struct world *world = new_world(seed);
    for (int i = 0; i < 3000; i++) {
        if (draw(world, 3) == 0)
            add_row(world, (uint16_t)draw(world, LANES));
        uint32_t what = draw(world, 400);
        if (what < 4 && world->connected) {
            world->connected = false;
            deliver_disconnected(world->deliver);
        } else if (what < 14 && !world->connected) {
            reconnect(world);
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
            step(world);
        else
            world->now_ms += draw(world, 200);
        hear(world);
    }
    let_all_end_well(world);
    assert_true(world->largest > 1);
    if (!with_refusals)
        assert_int_equal(world->refusals_told, 0);
    deliver_destroy(world->deliver);
    free(world);
}

static void each_row_is_accepted_in_order_and_none_is_skipped_over_disconnects(void **state)
{
    (void)state;
    for (uint32_t seed = 1; seed <= 60; seed++)
        run_a_world(seed, false, false);
}

static void crashes_repeat_rows_but_never_skip_one(void **state)
{
    (void)state;
    for (uint32_t seed = 1; seed <= 60; seed++)
        run_a_world(seed, false, true);
}

static void the_cursor_never_passes_a_refused_row(void **state)
{
    (void)state;
    for (uint32_t seed = 1; seed <= 120; seed++)
        run_a_world(seed, true, seed % 2 == 0);
}

static void a_refused_well_does_not_stop_the_others(void **state)
{
    (void)state;
    struct world *world = new_world(7);
    reconnect(world);
    world->refused_lane[0] = true;
    world->code[0] = 0x87;
    for (int i = 0; i < 2000; i++) {
        if (i % 4 == 0)
            add_row(world, (uint16_t)(i / 4 % LANES));
        step(world);
    }
    for (int i = 0; i < 400; i++)
        step(world);
    check_count("cursor of the refused lane", (long long)world->told_pos[0], 0);
    check_count("refusals told, once an event", (long long)world->refusals_told, 1);
    for (uint16_t lane = 1; lane < LANES; lane++)
        check_count("cursor of another lane", (long long)world->told_pos[lane],
                    (long long)world->rows[lane][world->n_rows[lane] - 1].pos);
    /* At most one message a rest of up to 60 s: about 200 s passed. */
    let_all_end_well(world);
    check_count("recoveries told", (long long)world->recoveries_told, 1);
    deliver_destroy(world->deliver);
    free(world);
}

static void a_lane_that_is_refused_has_one_message_under_way_at_a_time(void **state)
{
    (void)state;
    struct world *world = new_world(11);
    for (int i = 0; i < 500; i++)
        add_row(world, 0);
    world->refused_lane[0] = true;
    world->code[0] = 0x10;
    reconnect(world);
    for (int i = 0; i < 3000; i++) {
        step(world);
        assert_true(deliver_under_way(world->deliver) <= 1);
    }
    check_count("delivered to nobody, so not accepted", (long long)world->told_pos[0], 0);
    assert_true(world->messages >= 3); /* it tries again */
    let_all_end_well(world);
    deliver_destroy(world->deliver);
    free(world);
}

static void
a_message_without_an_answer_for_five_minutes_is_a_stall_only_while_connected(void **state)
{
    (void)state;
    struct world *world = new_world(3);
    add_row(world, 0);
    reconnect(world);
    uint16_t well;
    struct wall_want want;
    struct deliver_message message;
    while (!deliver_next_message(world->deliver, 0, &message)) {
        assert_true(deliver_next_want(world->deliver, world->now_ms, &well, &want));
        serve(world, well, &want);
        world->now_ms += 300;
    }
    hand_over(world, &message);
    int64_t handed_ms = world->now_ms;
    assert_false(deliver_stalled(world->deliver, handed_ms + DELIVER_STALL_MS));
    assert_true(deliver_stalled(world->deliver, handed_ms + DELIVER_STALL_MS + 1));
    deliver_disconnected(world->deliver);
    assert_false(deliver_stalled(world->deliver, handed_ms + 10 * DELIVER_STALL_MS));
    deliver_connected(world->deliver, 20, handed_ms + 10 * DELIVER_STALL_MS);
    assert_false(deliver_stalled(world->deliver, handed_ms + 10 * DELIVER_STALL_MS + 1));
    deliver_destroy(world->deliver);
    free(world);
}

static void a_row_too_large_for_the_broker_holds_its_lane_and_is_said(void **state)
{
    (void)state;
    struct world *world = new_world(5);
    add_row(world, 2);
    reconnect(world);
    struct deliver_message message;
    struct deliver_event event;
    uint16_t well;
    struct wall_want want;
    while (!deliver_next_message(world->deliver, 0, &message)) {
        assert_true(deliver_next_want(world->deliver, world->now_ms, &well, &want));
        serve(world, well, &want);
        world->now_ms += 300;
    }
    deliver_not_handed(world->deliver, PUBACK_PACKET_TOO_LARGE, world->now_ms);
    assert_true(deliver_take_event(world->deliver, &event));
    assert_int_equal(event.kind, DELIVER_REFUSED);
    assert_int_equal(event.code, PUBACK_PACKET_TOO_LARGE);
    assert_int_equal(event.well, 1);
    assert_false(deliver_next_message(world->deliver, 0, &message));
    assert_false(deliver_next_want(world->deliver, world->now_ms, &well, &want));
    assert_true(deliver_due_ms(world->deliver) <= world->now_ms + DELIVER_BACK_OFF_FIRST_MS);
    assert_true(
        deliver_next_want(world->deliver, world->now_ms + DELIVER_BACK_OFF_FIRST_MS, &well, &want));
    deliver_destroy(world->deliver);
    free(world);
}

static void other_messages_count_in_the_window(void **state)
{
    (void)state;
    struct world *world = new_world(9);
    add_row(world, 0);
    world->connected = true;
    deliver_connected(world->deliver, 2, 0);
    uint16_t well;
    struct wall_want want;
    struct deliver_message message;
    while (!deliver_next_message(world->deliver, 1, &message)) {
        assert_true(deliver_next_want(world->deliver, world->now_ms, &well, &want));
        serve(world, well, &want);
        world->now_ms += 300;
    }
    assert_false(deliver_next_message(world->deliver, 2, &message));
    deliver_destroy(world->deliver);
    free(world);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_row_is_accepted_in_order_and_none_is_skipped_over_disconnects),
        cmocka_unit_test(crashes_repeat_rows_but_never_skip_one),
        cmocka_unit_test(the_cursor_never_passes_a_refused_row),
        cmocka_unit_test(a_refused_well_does_not_stop_the_others),
        cmocka_unit_test(a_lane_that_is_refused_has_one_message_under_way_at_a_time),
        cmocka_unit_test(
            a_message_without_an_answer_for_five_minutes_is_a_stall_only_while_connected),
        cmocka_unit_test(a_row_too_large_for_the_broker_holds_its_lane_and_is_said),
        cmocka_unit_test(other_messages_count_in_the_window),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
