/* SPDX-License-Identifier: Apache-2.0
 *
 * test_deliver_order.c - rows that an order sends once more, beside live ones, against a model: a
 * well side that serves wants, and a broker that accepts, refuses, or goes away. Invariant 6 of
 * deliver.h.
 */
#include "check.h"

#include "../../daemon/publish/deliver.h"

#include <stdlib.h>

#define WELLS 2
#define WELL 1 /* whose rows are ordered */
#define ORDER 5000
#define TO 1000
#define HELD_MAX 32

struct held {
    uint16_t mid;
    uint8_t stream;
    uint16_t well;
    uint64_t first, last;
};
struct world {
    struct deliver *deliver;
    uint32_t random;
    int64_t now_ms;
    bool connected, refuses_orders;
    uint64_t newest;        /* pos of the newest row of every well */
    uint64_t told[WELLS];   /* cursor of records, as the well side heard it */
    uint64_t told_order;    /* and of the order */
    uint64_t asked[WELLS];  /* newest row of a well that was asked for or is accepted */
    bool delivered[TO + 1]; /* rows of the order */
    size_t n_held, twice, most_orders_out;
    uint16_t mid;
    struct held held[HELD_MAX];
    unsigned keep_one_in; /* of the order's range only each such row goes out */
};

static uint32_t draw(struct world *world, uint32_t below)
{
    world->random = world->random * 1664525u + 1013904223u; /* Knuth, TAOCP 2, 3.3.4, table 1 */
    return (world->random >> 8) % below;
}

static bool goes_out(const struct world *world, uint64_t pos)
{
    return pos % world->keep_one_in == 0;
}

static void say_order(struct world *world)
{
    const struct wall_order order = {.order = ORDER,
                                     .after = world->told_order,
                                     .to = TO,
                                     .kind = ORDER_TIMES,
                                     .revision = 1,
                                     .by = "clock set at 2031-03-01T06:00:00.000Z"};
    deliver_see_order(world->deliver, WELL, &order);
}

static void row(struct world *world, uint16_t well, const struct wall_want *want, uint64_t pos,
                bool live)
{
    static struct wall_record record;
    record = (struct wall_record){.serial = want->serial,
                                  .live = live,
                                  .record = {.pos = pos, .seq = pos, .at = {.boot_ms = 1}}};
    deliver_see_record(world->deliver, well, &record);
}

/** The well side: at most 40 rows looked at a want. */
static void serve(struct world *world, uint16_t well, const struct wall_want *want)
{
    struct wall_end_of_want end = {.stream = want->stream, .serial = want->serial};
    const bool is_order = want->stream == DELIVER_ORDERS;
    const uint64_t newest = is_order ? TO : world->newest;
    uint64_t pos = want->after;
    for (int i = 0; i < 40 && pos < newest; i++) {
        pos++;
        if (is_order && !goes_out(world, pos))
            continue;
        row(world, well, want, pos, !is_order && pos == newest);
        end.sent++;
    }
    end.last_pos = pos;
    end.more = pos < newest;
    if (is_order) {
        assert_int_equal(want->order, ORDER);
        assert_int_equal(well, WELL);
    } else {
        world->asked[well] = pos;
    }
    deliver_see_end(world->deliver, well, &end, world->now_ms);
}

static void ask(struct world *world)
{
    uint16_t well;
    struct wall_want want;
    if (!deliver_next_want(world->deliver, world->now_ms, &well, &want))
        return;
    if (want.stream == DELIVER_ORDERS)
        for (uint16_t w = 0; w < WELLS; w++)
            if (world->asked[w] < world->newest)
                fail_msg("an order asks while well %u has live rows to send", w);
    serve(world, well, &want);
}

static void hand_over(struct world *world)
{
    struct deliver_message message;
    while (deliver_next_message(world->deliver, 0, &message)) {
        const size_t used =
            message.stream == DELIVER_ORDERS ? 1 + draw(world, (uint32_t)message.n) : message.n;
        assert_true(world->n_held < HELD_MAX);
        world->held[world->n_held++] = (struct held){.mid = ++world->mid,
                                                     .stream = message.stream,
                                                     .well = message.well,
                                                     .first = message.records[0].pos,
                                                     .last = message.records[used - 1].pos};
        if (message.stream == DELIVER_ORDERS) {
            assert_int_equal(message.order_kind, ORDER_TIMES);
            assert_string_equal(message.by, "clock set at 2031-03-01T06:00:00.000Z");
            assert_false(message.live);
        }
        deliver_handed(world->deliver, world->mid, 100 * used, used, world->now_ms);
        size_t out = 0;
        for (size_t i = 0; i < world->n_held; i++)
            out += world->held[i].stream == DELIVER_ORDERS;
        if (out > world->most_orders_out)
            world->most_orders_out = out;
    }
}

static void answer(struct world *world)
{
    if (world->n_held == 0)
        return;
    const struct held held = world->held[0];
    const bool refused = held.stream == DELIVER_ORDERS && world->refuses_orders;
    if (held.stream == DELIVER_ORDERS && !refused)
        for (uint64_t pos = held.first; pos <= held.last; pos++) {
            world->twice += world->delivered[pos] && goes_out(world, pos);
            world->delivered[pos] = true;
        }
    world->n_held--;
    memmove(world->held, world->held + 1, world->n_held * sizeof held);
    assert_true(deliver_answered(world->deliver, held.mid, refused ? 0x97 : 0, world->now_ms));
}

/** Planted defect, seen: an acceptance of an order's row is told as one of records. */
static void hear(struct world *world)
{
    struct deliver_event event;
    while (deliver_take_event(world->deliver, &event)) {
        if (event.kind != DELIVER_ACCEPTED)
            continue;
        if (event.stream == DELIVER_RECORDS) {
            assert_true(event.pos >= world->told[event.well] && event.pos <= world->newest &&
                        event.pos > TO);
            world->told[event.well] = event.pos;
            continue;
        }
        assert_true(event.well == WELL && event.order == ORDER && event.pos <= TO);
        for (uint64_t pos = 1; pos <= event.pos; pos++)
            if (goes_out(world, pos) && !world->delivered[pos])
                fail_msg("the order stands at %llu, and row %llu was never delivered",
                         (unsigned long long)event.pos, (unsigned long long)pos);
        if (event.pos > world->told_order)
            world->told_order = event.pos;
    }
}

static void begin(struct world *world)
{
    world->deliver = deliver_create(WELLS, world->random);
    assert_non_null(world->deliver);
    for (uint16_t w = 0; w < WELLS; w++) {
        deliver_see_cursor(world->deliver, w, DELIVER_RECORDS, world->told[w], world->told[w]);
        deliver_see_cursor(world->deliver, w, DELIVER_GAPS, 0, 0);
        world->asked[w] = world->told[w];
    }
    world->n_held = 0;
    world->connected = true;
    deliver_connected(world->deliver, DELIVER_WINDOW_MAX, world->now_ms);
}

static void trouble(struct world *world)
{
    switch (draw(world, 400)) {
    case 0:
    case 1:
        world->connected = !world->connected;
        if (world->connected)
            deliver_connected(world->deliver, DELIVER_WINDOW_MAX, world->now_ms);
        else
            deliver_disconnected(world->deliver);
        for (uint16_t w = 0; w < WELLS; w++) /* rows asked for are asked for again */
            world->asked[w] = world->told[w];
        break;
    case 2:
        deliver_forget(world->deliver);
        world->n_held = 0;
        for (uint16_t w = 0; w < WELLS; w++)
            world->asked[w] = world->told[w];
        break;
    case 3:
        deliver_destroy(world->deliver);
        begin(world);
        break;
    case 4:
    case 5:
        world->refuses_orders = !world->refuses_orders;
        break;
    default:
        break;
    }
}

static void step(struct world *world)
{
    world->now_ms += draw(world, 60);
    if (draw(world, 6) == 0)
        world->newest++;
    for (uint16_t w = 0; w < WELLS; w++)
        deliver_see_more(world->deliver, w, DELIVER_RECORDS, world->newest);
    if (draw(world, 10) == 0 && world->told_order < TO)
        say_order(world);
    if (!world->connected)
        return;
    ask(world);
    hand_over(world);
    for (uint32_t n = draw(world, 4); n > 0; n--)
        answer(world);
    hear(world);
}

/** Planted defects, seen: an order asks in turn with the others; it has a window of messages out;
 * its end is where its last row was sent. */
static void an_order_is_sent_whole_and_never_before_a_live_row(void **state)
{
    (void)state;
    for (uint32_t seed = 1; seed <= 80; seed++) {
        struct world *world = calloc(1, sizeof *world);
        assert_non_null(world);
        *world = (struct world){.random = seed, .newest = TO + 5, .told = {TO, TO}};
        world->keep_one_in = seed % 3 == 0 ? 97 : 1 + seed % 3;
        begin(world);
        for (int i = 0; i < 6000; i++) {
            if (seed > 10)
                trouble(world);
            step(world);
        }
        world->refuses_orders = false;
        if (!world->connected) {
            world->connected = true;
            deliver_connected(world->deliver, DELIVER_WINDOW_MAX, world->now_ms);
        }
        for (int i = 0; i < 12000; i++)
            step(world);
        for (int i = 0; i < 40; i++) /* no new rows any more */
            world->now_ms += 1000, ask(world), hand_over(world), answer(world), hear(world);
        check_count("the order", (long long)world->told_order, TO);
        for (uint16_t w = 0; w < WELLS; w++)
            check_count("live rows", (long long)world->told[w], (long long)world->newest);
        check_count("its messages out at once", (long long)world->most_orders_out, 1);
        if (seed <= 10)
            check_count("rows sent twice without a trouble", (long long)world->twice, 0);
        deliver_destroy(world->deliver);
        free(world);
    }
}

/** What it asked for is given up as soon as a live row could go. */
static void an_order_that_waits_for_an_answer_yields_to_a_live_row(void **state)
{
    (void)state;
    struct world world = {
        .random = 3, .newest = TO + 1, .told = {TO + 1, TO + 1}, .keep_one_in = 1};
    struct deliver_message message;
    uint16_t well;
    struct wall_want want;
    begin(&world);
    say_order(&world);
    ask(&world);
    assert_true(deliver_next_message(world.deliver, 0, &message));
    deliver_handed(world.deliver, 1, 100, 1, 0); /* one row of forty: the rest is at hand */
    assert_false(deliver_next_message(world.deliver, 0, &message));
    assert_false(deliver_next_want(world.deliver, 0, &well, &want));
    world.newest++;
    deliver_see_more(world.deliver, 0, DELIVER_RECORDS, world.newest);
    assert_true(deliver_next_want(world.deliver, 0, &well, &want));
    assert_true(want.stream == DELIVER_RECORDS && well == 0);
    deliver_destroy(world.deliver);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_order_is_sent_whole_and_never_before_a_live_row),
        cmocka_unit_test(an_order_that_waits_for_an_answer_yields_to_a_live_row),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
