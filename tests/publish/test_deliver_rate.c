/* SPDX-License-Identifier: Apache-2.0
 *
 * test_deliver_rate.c - how fast a backlog goes, and rows that are set aside, by hand-made wants
 * and answers on a clock of its own.
 *
 * Planted defects that these tests must catch, each seen to fail:
 *  - late rows are not counted against the rate;
 *  - the rows at hand of a lane that is behind stay in the way of another lane's live row;
 *  - a row that is set aside stops its lane;
 *  - the cursor passes a row set aside before those in front of it are accepted.
 */
#include "check.h"

#include "../../daemon/publish/deliver.h"

#include <stdlib.h>

#define LONG_BACKLOG 100000u

struct world {
    struct deliver *deliver;
    int64_t now_ms;
    uint64_t newest[2];
    uint16_t mid;
    size_t late_sent, live_sent, wants;
};

static struct world begin(uint16_t wells)
{
    struct world world = {.deliver = deliver_create(wells, 7), .now_ms = 1000};
    assert_non_null(world.deliver);
    for (uint16_t well = 0; well < wells; well++)
        for (uint8_t stream = DELIVER_RECORDS; stream <= DELIVER_GAPS; stream++)
            deliver_see_cursor(world.deliver, well, stream, 0, 0);
    deliver_connected(world.deliver, 20, world.now_ms);
    return world;
}

static void add(struct world *world, uint16_t well, uint64_t newest)
{
    world->newest[well] = newest;
    deliver_see_more(world->deliver, well, DELIVER_RECORDS, newest);
}

/* The well side: rows 1 to newest, the newest one live. */
static bool serve(struct world *world)
{
    static struct wall_record row;
    struct wall_want want;
    uint16_t well;
    if (!deliver_next_want(world->deliver, world->now_ms, &well, &want))
        return false;
    uint16_t sent = 0;
    world->wants++;
    uint64_t pos = want.after;
    for (; pos < world->newest[well] && sent < want.n; sent++) {
        pos++;
        row = (struct wall_record){.serial = want.serial,
                                   .live = pos == world->newest[well],
                                   .record = {.pos = pos, .seq = pos}};
        deliver_see_record(world->deliver, well, &row);
    }
    const struct wall_end_of_want end = {.stream = want.stream,
                                         .serial = want.serial,
                                         .sent = sent,
                                         .last_pos = pos,
                                         .more = pos < world->newest[well]};
    deliver_see_end(world->deliver, well, &end, world->now_ms);
    return true;
}

/* Sends what may go; the broker takes all at once. */
static void go(struct world *world)
{
    struct deliver_message rows;
    for (int i = 0; i < 40 && serve(world); i++) {
        deliver_refill(world->deliver, world->now_ms);
        while (deliver_next_message(world->deliver, 0, &rows)) {
            *(rows.live ? &world->live_sent : &world->late_sent) += rows.n;
            deliver_handed(world->deliver, ++world->mid, rows.n * 300, rows.n, world->now_ms);
            assert_true(deliver_answered(world->deliver, world->mid, 0, world->now_ms));
        }
    }
}

static void a_backlog_goes_at_its_rate_and_live_rows_do_not_wait_for_it(void **state)
{
    (void)state;
    static const uint32_t RATES[] = {1, 7, 20, 200};
    for (size_t r = 0; r < sizeof RATES / sizeof *RATES; r++) {
        struct world world = begin(2);
        deliver_set_rate(world.deliver, RATES[r]);
        add(&world, 0, LONG_BACKLOG);
        add(&world, 1, 1);
        size_t live = 0;
        for (int s = 0; s < 100; s++) {
            for (int step = 0; step < 10; step++) {
                world.now_ms += 100;
                go(&world);
            }
            live += world.live_sent;
            world.live_sent = 0;
            if (s % 10 == 9) { /* a new live row of the other well: it goes at once */
                add(&world, 1, world.newest[1] + 1);
                go(&world);
                check_count("live rows at once", (long long)world.live_sent, 1);
            }
        }
        check_count("live rows", (long long)live + 1, 11);
        /* 100 s and the two seconds' worth at first; the other well's rows are all live. */
        const long long most = RATES[r] * 102ll, least = RATES[r] * 98ll - 64;
        if ((long long)world.late_sent > most || (long long)world.late_sent < least)
            fail_msg("%zu late rows at %u records/s in 100 s, expected %lld to %lld",
                     world.late_sent, RATES[r], least, most);
        if (world.wants >
            100 * (1 + RATES[r] / DELIVER_ROWS_MAX) + 40) /* a second or 64 rows each */
            fail_msg("%zu wants in 100 s: the backlog is asked for in vain", world.wants);
        deliver_destroy(world.deliver);
    }
}

static void without_a_rate_a_backlog_goes_as_fast_as_it_is_taken(void **state)
{
    (void)state;
    struct world world = begin(1);
    add(&world, 0, 1000);
    go(&world);
    check_count("late rows", (long long)world.late_sent, 999);
    check_count("live rows", (long long)world.live_sent, 1);
    deliver_destroy(world.deliver);
}

static void a_row_set_aside_lets_those_behind_it_go_and_the_cursor_passes_in_order(void **state)
{
    (void)state;
    struct world world = begin(1);
    struct deliver_message rows;
    struct deliver_event event;
    add(&world, 0, 5);
    assert_true(serve(&world));
    /* The first is accepted, so that several may be under way; 2 goes, 3 is too large, 4 goes. */
    assert_true(deliver_next_message(world.deliver, 0, &rows));
    deliver_handed(world.deliver, 1, 300, 1, world.now_ms);
    assert_true(deliver_answered(world.deliver, 1, 0, world.now_ms));
    assert_true(deliver_next_message(world.deliver, 0, &rows));
    deliver_handed(world.deliver, 2, 300, 1, world.now_ms);
    assert_true(deliver_next_message(world.deliver, 0, &rows));
    check_count("the row too large", (long long)rows.records[0].pos, 3);
    deliver_set_aside(world.deliver, world.now_ms);
    assert_true(deliver_next_message(world.deliver, 0, &rows));
    check_count("the row behind it", (long long)rows.records[0].pos, 4);
    deliver_handed(world.deliver, 4, 300, 1, world.now_ms);
    assert_true(deliver_take_event(world.deliver, &event));
    check_count("the cursor, while 2 is not answered", (long long)event.pos, 1);
    assert_false(deliver_take_event(world.deliver, &event));
    assert_true(deliver_answered(world.deliver, 2, 0, world.now_ms));
    assert_true(deliver_take_event(world.deliver, &event));
    check_count("the cursor passes 3 with 2", (long long)event.pos, 3);
    assert_true(deliver_answered(world.deliver, 4, 0, world.now_ms));
    assert_true(deliver_take_event(world.deliver, &event));
    check_count("then 4", (long long)event.pos, 4);
    deliver_destroy(world.deliver);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_backlog_goes_at_its_rate_and_live_rows_do_not_wait_for_it),
        cmocka_unit_test(without_a_rate_a_backlog_goes_as_fast_as_it_is_taken),
        cmocka_unit_test(a_row_set_aside_lets_those_behind_it_go_and_the_cursor_passes_in_order),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
