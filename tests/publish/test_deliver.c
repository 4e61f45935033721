/* SPDX-License-Identifier: Apache-2.0
 *
 * test_deliver.c - the delivery's step machine against a model: a journal, a client library that
 * keeps what was not answered and sends it again after a reconnect, and a broker that accepts,
 * refuses, finds no subscriber, or goes away. Nothing here comes from deliver.c.
 *
 * Rules under test: MQTT 5.0, 3.4.2.1 (0x00 is an acceptance; 0x10 has no receiver; 0x80 and above
 * are refusals; others it doesn't name), 4.4 (unanswered messages are sent again with the same id).
 * Planted defects that these tests must catch, each seen to fail:
 *  - the cursor follows the newest accepted message and not the contiguous prefix;
 *  - a refusal (0x87) moves the cursor; 0x10 moves the cursor;
 *  - at a disconnect what the library still holds is handed over again;
 *  - after a refusal delivery goes on behind the refused row;
 *  - a refused lane stops the others;
 *  - a want of which a row was lost on its way is used as if it were whole.
 */
#include "check.h"

#include "deliver_world.h"

#include <stdlib.h>

static void each_row_is_accepted_in_order_and_none_is_skipped_over_disconnects(void **state)
{
    (void)state;
    size_t ahead = 0;
    for (uint32_t seed = 1; seed <= 60; seed++)
        ahead += world_run(seed, false, false);
    assert_true(ahead > 100);
}

static void crashes_repeat_rows_but_never_skip_one(void **state)
{
    (void)state;
    for (uint32_t seed = 1; seed <= 60; seed++)
        (void)world_run(seed, false, true);
}

static void the_cursor_never_passes_a_refused_row(void **state)
{
    (void)state;
    for (uint32_t seed = 1; seed <= 120; seed++)
        (void)world_run(seed, true, seed % 2 == 0);
}

static void a_refused_well_does_not_stop_the_others(void **state)
{
    (void)state;
    struct world *world = world_create(7);
    world_reconnect(world);
    world->refused_lane[0] = true;
    world->code[0] = 0x87;
    for (int i = 0; i < 2000; i++) {
        if (i % 4 == 0)
            world_add_row(world, (uint16_t)(i / 4 % LANES));
        world_step(world);
    }
    for (int i = 0; i < 400; i++)
        world_step(world);
    check_count("cursor of the refused lane", (long long)world->told_pos[0], 0);
    check_count("refusals told, once an event", (long long)world->refusals_told, 1);
    for (uint16_t lane = 1; lane < LANES; lane++)
        check_count("cursor of another lane", (long long)world->told_pos[lane],
                    (long long)world->rows[lane][world->n_rows[lane] - 1].pos);
    /* At most one message a rest of up to 60 s: about 200 s passed. */
    world_let_all_end_well(world);
    check_count("recoveries told", (long long)world->recoveries_told, 1);
    deliver_destroy(world->deliver);
    free(world);
}

static void a_lane_that_is_refused_has_one_message_under_way_at_a_time(void **state)
{
    (void)state;
    struct world *world = world_create(11);
    for (int i = 0; i < 500; i++)
        world_add_row(world, 0);
    world->refused_lane[0] = true;
    world->code[0] = 0x10;
    world_reconnect(world);
    for (int i = 0; i < 3000; i++) {
        world_step(world);
        assert_true(deliver_under_way(world->deliver) <= 1);
    }
    check_count("delivered to nobody, so not accepted", (long long)world->told_pos[0], 0);
    assert_true(world->messages >= 3); /* it tries again */
    world_let_all_end_well(world);
    deliver_destroy(world->deliver);
    free(world);
}

static void
a_message_without_an_answer_for_five_minutes_is_a_stall_only_while_connected(void **state)
{
    (void)state;
    struct world *world = world_create(3);
    world_add_row(world, 0);
    world_reconnect(world);
    uint16_t well;
    struct wall_want want;
    struct deliver_message message;
    while (!deliver_next_message(world->deliver, 0, &message)) {
        assert_true(deliver_next_want(world->deliver, world->now_ms, &well, &want));
        world_serve(world, well, &want);
        world->now_ms += 300;
    }
    world_hand_over(world, &message);
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

/* A message id is in use until its answer (MQTT 5.0, 2.2.1), and the library's circle of 65535 does
 * not look. Planted defect: the second message is taken for its own, so that one answer accepts two
 * (publish-id-used-twice). */
static void an_id_that_is_given_twice_begins_anew_and_no_row_is_passed_over(void **state)
{
    (void)state;
    struct world *world = world_create(4);
    world_reconnect(world);
    deliver_connected(world->deliver, 20, world->now_ms);
    world_add_row(world, 0);
    world_add_row(world, 2);
    for (int i = 0; i < 2; i++) {
        struct deliver_message message;
        uint16_t well;
        struct wall_want want;
        while (!deliver_next_message(world->deliver, 0, &message)) {
            if (deliver_next_want(world->deliver, world->now_ms, &well, &want))
                world_serve(world, well, &want);
            world->now_ms += 300;
        }
        assert_false(deliver_stalled(world->deliver, world->now_ms));
        check_count("waits", deliver_waits_for(world->deliver, 77), i);
        deliver_handed(world->deliver, 77, 40, 1, world->now_ms);
    }
    assert_true(deliver_stalled(world->deliver, world->now_ms));
    deliver_forget(world->deliver);
    assert_false(deliver_stalled(world->deliver, world->now_ms));
    check_count("under way", deliver_under_way(world->deliver), 0);
    assert_false(deliver_answered(world->deliver, 77, PUBACK_ACCEPTED, world->now_ms));
    world_let_all_end_well(world);
    deliver_destroy(world->deliver);
    free(world);
}

static void a_row_too_large_for_the_broker_holds_its_lane_and_is_said(void **state)
{
    (void)state;
    struct world *world = world_create(5);
    world_add_row(world, 2);
    world_reconnect(world);
    struct deliver_message message;
    struct deliver_event event;
    uint16_t well;
    struct wall_want want;
    while (!deliver_next_message(world->deliver, 0, &message)) {
        assert_true(deliver_next_want(world->deliver, world->now_ms, &well, &want));
        world_serve(world, well, &want);
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
    struct world *world = world_create(9);
    world_add_row(world, 0);
    world->connected = true;
    deliver_connected(world->deliver, 2, 0);
    uint16_t well;
    struct wall_want want;
    struct deliver_message message;
    while (!deliver_next_message(world->deliver, 1, &message)) {
        assert_true(deliver_next_want(world->deliver, world->now_ms, &well, &want));
        world_serve(world, well, &want);
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
        cmocka_unit_test(an_id_that_is_given_twice_begins_anew_and_no_row_is_passed_over),
        cmocka_unit_test(a_row_too_large_for_the_broker_holds_its_lane_and_is_said),
        cmocka_unit_test(other_messages_count_in_the_window),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
