/* SPDX-License-Identifier: Apache-2.0
 *
 * test_ring.c - the ring between a line's thread and core, alone and under two threads (the tsan
 * build is its judge too).
 *
 * Planted defects that these must catch, and did: relaxed order on the producer's store of head
 * (tsan build); a full ring that overwrites its oldest item.
 */
#include "check.h"

#include "uphole/ring.h"

#include <pthread.h>
#include <sched.h>
#include <stdlib.h>

struct item {
    uint64_t number, check;
    unsigned char body[240];
};

static void make_item(struct item *item, uint64_t number)
{
    item->number = number;
    item->check = ~number;
    memset(item->body, (int)(number & 0xFF), sizeof item->body);
}

static void check_item(const struct item *item, uint64_t number)
{
    check_count("number", (long long)item->number, (long long)number);
    assert_true(item->check == ~number && item->body[0] == (number & 0xFF) &&
                item->body[239] == (number & 0xFF));
}

static void items_come_out_as_they_went_in(void **state)
{
    (void)state;
    struct ring *ring = ring_create(4, sizeof(struct item));
    struct item item;
    assert_non_null(ring);
    assert_false(ring_get(ring, &item));
    for (uint64_t round = 0; round < 100; round++) {
        for (uint64_t i = 0; i < 3; i++) {
            make_item(&item, round * 3 + i);
            assert_true(ring_put(ring, &item));
        }
        for (uint64_t i = 0; i < 3; i++) {
            assert_true(ring_get(ring, &item));
            check_item(&item, round * 3 + i);
        }
        assert_false(ring_get(ring, &item));
    }
    ring_destroy(ring);
    ring_destroy(NULL);
}

static void a_full_ring_loses_the_newest_and_counts_it(void **state)
{
    (void)state;
    struct ring *ring = ring_create(8, sizeof(struct item));
    struct item item;
    for (uint64_t i = 0; i < 11; i++) {
        make_item(&item, i);
        check_count("put", ring_put(ring, &item), i < 8);
    }
    check_count("lost", (long long)ring_take_lost(ring), 3);
    check_count("lost since", (long long)ring_take_lost(ring), 0);
    for (uint64_t i = 0; i < 8; i++) {
        assert_true(ring_get(ring, &item));
        check_item(&item, i);
    }
    assert_false(ring_get(ring, &item));
    ring_destroy(ring);
}

static void a_size_that_is_no_power_of_two_is_refused(void **state)
{
    (void)state;
    assert_null(ring_create(0, 8));
    assert_null(ring_create(3, 8));
    assert_null(ring_create(8, 0));
    if (sizeof(size_t) == 8)
        assert_null(ring_create((size_t)1 << 62, 64)); /* the product overflows */
    struct ring *one = ring_create(1, 1);
    char c = 'a', got = 0;
    assert_non_null(one);
    assert_true(ring_put(one, &c) && !ring_put(one, &c) && ring_get(one, &got) && got == 'a');
    ring_destroy(one);
}

#define SENT 100000

static void *produce(void *context)
{
    struct ring *ring = context;
    struct item item;
    for (uint64_t i = 0; i < SENT; i++) {
        make_item(&item, i);
        ring_put(ring, &item);
        if (i % 64 == 0)
            sched_yield();
    }
    make_item(&item, UINT64_MAX);
    while (!ring_put(ring, &item))
        sched_yield();
    return NULL;
}

static void between_two_threads_every_item_arrives_or_is_counted(void **state)
{
    (void)state;
    struct ring *ring = ring_create(64, sizeof(struct item));
    pthread_t producer;
    uint64_t received = 0, next = 0, lost = 0;
    assert_int_equal(pthread_create(&producer, NULL, produce, ring), 0);
    for (;;) {
        struct item item;
        if (!ring_get(ring, &item)) {
            sched_yield();
            continue;
        }
        if (item.number == UINT64_MAX)
            break;
        assert_true(item.number >= next);
        check_item(&item, item.number);
        next = item.number + 1;
        received++;
        if (received % 1000 == 0)
            lost += ring_take_lost(ring);
    }
    pthread_join(producer, NULL);
    lost += ring_take_lost(ring);
    /* The end mark may have found the ring full, too; those tries are counted beside the items. */
    assert_true(received > 0 && received + lost >= SENT);
    struct item none;
    assert_false(ring_get(ring, &none));
    ring_destroy(ring);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(items_come_out_as_they_went_in),
        cmocka_unit_test(a_full_ring_loses_the_newest_and_counts_it),
        cmocka_unit_test(a_size_that_is_no_power_of_two_is_refused),
        cmocka_unit_test(between_two_threads_every_item_arrives_or_is_counted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
