/* SPDX-License-Identifier: Apache-2.0
 *
 * test_deliver_pace.c - how much of a backlog stands before `latest`: links that carry so many
 * bytes a second, one message behind the other, with answers that take their time (invariant 8 of
 * deliver.h).
 */
#include "check.h"

#include "../../daemon/publish/deliver.h"

#include <stdlib.h>

#define ROW_BYTES 600
#define STEP_MS 10
#define HELD_MAX 32

struct link {
    struct deliver *deliver;
    uint32_t bytes_s;
    int64_t way_ms; /* of a message that finds the link free, and of its answer */
    int64_t now_ms, free_ms;
    uint64_t pos, accepted;
    size_t n_held, most_bytes;
    int64_t longest_ms; /* what a message sent now would wait for, at worst; since `watched_ms` */
    int64_t watched_ms;
    struct {
        uint16_t mid;
        size_t bytes;
        int64_t answer_ms;
    } held[HELD_MAX];
    uint16_t mid;
};

static void serve(struct link *link)
{
    static struct wall_record row;
    uint16_t well;
    struct wall_want want;
    while (deliver_next_want(link->deliver, link->now_ms, &well, &want)) {
        for (uint64_t i = 1; i <= want.n; i++) {
            row = (struct wall_record){.serial = want.serial,
                                       .record = {.pos = want.after + i, .seq = want.after + i}};
            deliver_see_record(link->deliver, well, &row);
        }
        const struct wall_end_of_want end = {.stream = DELIVER_RECORDS,
                                             .serial = want.serial,
                                             .sent = want.n,
                                             .last_pos = want.after + want.n,
                                             .more = true};
        deliver_see_end(link->deliver, well, &end, link->now_ms);
    }
}

static void hand_over(struct link *link)
{
    struct deliver_message message;
    while (deliver_next_message(link->deliver, 0, &message)) {
        size_t used = deliver_batch_bytes(link->deliver) / ROW_BYTES;
        used = used < 1 ? 1 : used < message.n ? used : message.n;
        const size_t bytes = used * ROW_BYTES;
        const int64_t from_ms = link->free_ms > link->now_ms ? link->free_ms : link->now_ms;
        assert_true(link->n_held < HELD_MAX);
        link->free_ms = from_ms + (int64_t)(bytes * 1000 / link->bytes_s);
        link->held[link->n_held].mid = ++link->mid;
        link->held[link->n_held].bytes = bytes;
        link->held[link->n_held++].answer_ms = link->free_ms + link->way_ms;
        deliver_handed(link->deliver, link->mid, bytes, used, link->now_ms);
    }
}

static void run(struct link *link, int64_t for_ms)
{
    for (const int64_t end_ms = link->now_ms + for_ms; link->now_ms < end_ms;
         link->now_ms += STEP_MS) {
        size_t bytes = 0;
        while (link->n_held > 0 && link->held[0].answer_ms <= link->now_ms) {
            assert_true(
                deliver_answered(link->deliver, link->held[0].mid, PUBACK_ACCEPTED, link->now_ms));
            link->accepted += link->held[0].bytes;
            memmove(link->held, link->held + 1, --link->n_held * sizeof link->held[0]);
        }
        serve(link);
        hand_over(link);
        for (size_t i = 0; i < link->n_held; i++)
            bytes += link->held[i].bytes;
        if (bytes > link->most_bytes)
            link->most_bytes = bytes;
        if (link->now_ms >= link->watched_ms && link->free_ms - link->now_ms > link->longest_ms)
            link->longest_ms = link->free_ms - link->now_ms;
    }
}

static struct link link_of(uint32_t bytes_s, int64_t way_ms)
{
    struct link link = {.bytes_s = bytes_s, .way_ms = way_ms, .deliver = deliver_create(1, 7)};
    assert_non_null(link.deliver);
    deliver_see_cursor(link.deliver, 0, DELIVER_RECORDS, 0, 0);
    deliver_see_more(link.deliver, 0, DELIVER_RECORDS, 1000000000);
    deliver_connected(link.deliver, DELIVER_WINDOW_MAX, 0);
    return link;
}

/* 10 kbyte/s is a poor cellular link, 2 kbyte/s a radio or satellite one (common practice, no
 * source). Planted defect: deliver-pace-never-less. */
static void on_a_slow_link_latest_waits_for_seconds_not_for_minutes(void **state)
{
    (void)state;
    static const struct {
        uint32_t bytes_s;
        int64_t way_ms, most_ms;
    } LINKS[] = {{10000, 100, 4000}, {10000, 800, 4000}, {2000, 600, 9000}};
    for (size_t i = 0; i < sizeof LINKS / sizeof LINKS[0]; i++) {
        struct link link = link_of(LINKS[i].bytes_s, LINKS[i].way_ms);
        link.watched_ms = 120000;
        run(&link, 600000);
        assert_in_range(link.longest_ms, 1, LINKS[i].most_ms);
        /* and the link is used: less than a quarter of what it could carry is lost to waiting */
        assert_true(link.accepted > (uint64_t)LINKS[i].bytes_s * 600 * 3 / 4);
        deliver_destroy(link.deliver);
    }
}

/* Planted defect: deliver-pace-by-the-way. */
static void a_long_way_is_no_queue(void **state)
{
    (void)state;
    struct link link = link_of(1000000, 1500); /* fast, but answers take 1.5 s */
    run(&link, 120000);
    assert_true(link.most_bytes >= DELIVER_BYTES_MAX);
    deliver_destroy(link.deliver);
}

/* Planted defect: deliver-pace-never-more. */
static void a_fast_link_gets_all_it_may(void **state)
{
    (void)state;
    struct link link = link_of(50000000, 20);
    run(&link, 5000);
    assert_true(link.most_bytes >= DELIVER_BYTES_MAX / 2);
    assert_true(link.most_bytes <= DELIVER_BYTES_MAX + DELIVER_ROWS_MAX * ROW_BYTES);
    deliver_destroy(link.deliver);
}

static void a_link_that_becomes_slow_is_noticed_and_one_that_recovers_too(void **state)
{
    (void)state;
    struct link link = link_of(5000000, 50);
    run(&link, 10000);
    link.bytes_s = 10000;
    run(&link, 120000); /* what is under way as it begins is 256 KiB: 26 s */
    link.longest_ms = 0;
    run(&link, 120000);
    assert_in_range(link.longest_ms, 1, 4000);
    link.bytes_s = 5000000;
    link.most_bytes = 0;
    run(&link, 60000);
    assert_true(link.most_bytes >= DELIVER_BYTES_MAX / 2);
    deliver_destroy(link.deliver);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(on_a_slow_link_latest_waits_for_seconds_not_for_minutes),
        cmocka_unit_test(a_long_way_is_no_queue),
        cmocka_unit_test(a_fast_link_gets_all_it_may),
        cmocka_unit_test(a_link_that_becomes_slow_is_noticed_and_one_that_recovers_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
