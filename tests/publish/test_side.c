/* SPDX-License-Identifier: Apache-2.0
 *
 * test_side.c - the SCADA side's middle: the newest readings by copy, and each destination's inbox:
 * order, bounds, loss.
 */
#include "check.h"
#include "table_fixture.h"

#include "../../daemon/publish/side.h"

#include <poll.h>
#include <stdlib.h>
#include <unistd.h>

static struct plan *plan_with_brokers(void)
{
    struct plan *plan = fixture_plan();
    free(plan->destinations);
    plan->n_destinations = 3;
    plan->destinations = calloc(3, sizeof *plan->destinations);
    assert_non_null(plan->destinations);
    plan->destinations[0].medium = DESTINATION_MQTT;
    plan->destinations[1].medium = DESTINATION_MODBUS_TCP;
    plan->destinations[2].medium = DESTINATION_MQTT;
    return plan;
}

static struct side *side_of(struct plan *plan)
{
    const struct side_options options = {.plan = plan, .run = 5, .wall_fd = -1, .version = "0"};
    struct up_error error = {0};
    struct side *side = side_create(&options, &error);
    assert_non_null(side);
    return side;
}

static bool is_readable(int fd)
{
    struct pollfd wait = {.fd = fd, .events = POLLIN};
    return poll(&wait, 1, 0) == 1;
}

static struct wall_message *message_of(uint32_t kind)
{
    static struct wall_message message;
    memset(&message, 0, sizeof message);
    message.kind = kind;
    return &message;
}

static void the_newest_snapshot_and_state_are_kept(void **state)
{
    (void)state;
    struct plan *plan = plan_with_brokers();
    struct side *side = side_of(plan);
    struct snapshot copy;
    struct wall_state box;
    assert_false(side_snapshot_copy(side, 0, &copy));
    assert_false(side_state_copy(side, &box));
    assert_null(side_inbox(side, 1)); /* a table has none */
    struct wall_message *message = message_of(WALL_SNAPSHOT);
    for (uint64_t seq = 1; seq <= 3; seq++) {
        message->snapshot = fixture_snapshot(8);
        message->snapshot.seq = seq;
        assert_true(side_take(side, message));
    }
    assert_true(side_snapshot_copy(side, 1, &copy));
    check_count("seq", (long long)copy.seq, 3);
    check_count("count", (long long)side_snapshot_count(side, 1), 3);
    check_count("count", (long long)side_snapshot_count(side, 0), 0);
    assert_true(is_readable(inbox_fd(side_inbox(side, 0))));
    message = message_of(WALL_STATE);
    message->state = fixture_state(77);
    assert_true(side_take(side, message));
    assert_true(side_state_copy(side, &box));
    check_count("heartbeat", box.heartbeat, 77);
    message = message_of(WALL_NUMBERS);
    message->numbers.run = 6;
    assert_true(side_take(side, message));
    check_count("run", (long long)side_run(side), 6);
    assert_false(side_take(side, message_of(WALL_STOP)));
    side_release(side);
    fixture_free(plan);
}

static void records_go_to_the_destination_that_asked_in_order(void **state)
{
    (void)state;
    struct plan *plan = plan_with_brokers();
    struct side *side = side_of(plan);
    struct wall_message *message = message_of(WALL_RECORD);
    for (uint64_t pos = 1; pos <= 5; pos++) {
        message->record.destination = 2;
        message->record.record.pos = pos;
        message->record.record.n = (uint16_t)(pos * 3);
        message->record.record.reading[pos * 3 - 1].value = (double)pos;
        assert_true(side_take(side, message));
    }
    struct wall_message taken;
    assert_false(inbox_take(side_inbox(side, 0), &taken));
    for (uint64_t pos = 1; pos <= 5; pos++) {
        assert_true(inbox_take(side_inbox(side, 2), &taken));
        check_count("pos", (long long)taken.record.record.pos, (long long)pos);
        check_count("n", taken.record.record.n, (long long)pos * 3);
        assert_true(taken.record.record.reading[pos * 3 - 1].value == (double)pos);
    }
    assert_false(inbox_take(side_inbox(side, 2), &taken));
    side_release(side);
    fixture_free(plan);
}

static void more_is_kept_once_a_well_and_always_the_newest(void **state)
{
    (void)state;
    struct plan *plan = plan_with_brokers();
    struct side *side = side_of(plan);
    struct wall_message *message = message_of(WALL_MORE), taken;
    for (uint64_t pos = 1; pos <= 1000; pos++) {
        message->more = (struct wall_more){.well = (uint16_t)(7 + pos % 2), .newest_scan_pos = pos};
        assert_true(side_take(side, message));
    }
    uint64_t sum = 0;
    for (int i = 0; i < 2; i++) {
        assert_true(inbox_take(side_inbox(side, 0), &taken));
        check_count("kind", taken.kind, WALL_MORE);
        sum += taken.more.newest_scan_pos;
    }
    check_count("newest of both wells", (long long)sum, 999 + 1000);
    assert_false(inbox_take(side_inbox(side, 0), &taken));
    message->more.well = 99; /* no such well */
    assert_true(side_take(side, message));
    assert_false(inbox_take(side_inbox(side, 0), &taken));
    side_release(side);
    fixture_free(plan);
}

static struct wall_message *full_record(uint64_t pos)
{
    struct wall_message *message = message_of(WALL_RECORD);
    message->record.record.pos = pos;
    message->record.record.n = RECORD_READINGS_MAX;
    return message;
}

/* Planted defect: overflow overwrites the oldest, or is not counted (side-overflow-uncounted). */
static void what_was_asked_for_always_fits_and_overflow_is_counted(void **state)
{
    (void)state;
    struct inbox *inbox = inbox_create(4);
    assert_non_null(inbox);
    for (uint16_t i = 0; i < 8; i++)
        assert_true(inbox_put(inbox, message_of(WALL_CURSOR)));
    for (uint64_t pos = 1; pos <= INBOX_ROWS_MAX; pos++) {
        assert_true(inbox_put(inbox, full_record(pos)));
        assert_true(inbox_put(inbox, message_of(WALL_END_OF_WANT)));
    }
    check_count("lost", (long long)inbox_take_lost(inbox), 0);
    uint64_t refused = 0;
    for (uint64_t pos = 1000; pos < 1020; pos++)
        refused += !inbox_put(inbox, full_record(pos));
    assert_true(refused >= 10); /* there is room for one pack more, against waste at the end */
    check_count("lost", (long long)inbox_take_lost(inbox), (long long)refused);
    check_count("lost", (long long)inbox_take_lost(inbox), 0);
    struct wall_message taken;
    uint64_t next = 1;
    while (inbox_take(inbox, &taken)) {
        if (taken.kind == WALL_RECORD && taken.record.record.pos < 1000)
            check_count("pos", (long long)taken.record.record.pos, (long long)next++);
    }
    check_count("records", (long long)next - 1, INBOX_ROWS_MAX);
    inbox_destroy(inbox);
}

/** The next record, or the end of the want whose records came last. */
static void check_next(const struct wall_message *taken, uint64_t *got, uint64_t *ends)
{
    if (taken->kind == WALL_END_OF_WANT) {
        check_count("end behind", (long long)taken->end_of_want.last_pos, (long long)*got);
        ++*ends;
        return;
    }
    check_count("kind", taken->kind, WALL_RECORD);
    check_count("pos", (long long)taken->record.record.pos, (long long)++*got);
}

/* Planted defects: the skip mark at the end of the block taken for a message
 * (side-skip-mark-unseen); the end that a pack brings left out (side-pack-end-lost). */
static void a_queue_that_wraps_many_times_keeps_order_and_content(void **state)
{
    (void)state;
    struct inbox *inbox = inbox_create(1);
    assert_non_null(inbox);
    uint64_t put = 0, got = 0, ends_put = 0, ends_got = 0;
    uint32_t random = 1;
    struct wall_message taken;
    for (int i = 0; i < 200000; i++) {
        random = random * 1664525u + 1013904223u;
        if ((random >> 16) % 100 < 2) { /* a pack, all of it or nothing */
            struct wall_message *message = message_of(WALL_RECORDS);
            struct record record = {.n = (uint16_t)((random >> 8) % 40)};
            for (uint64_t n = 0; n < 10 + random % 30; n++) {
                record.pos = put + n + 1;
                if (!wall_records_add(&message->records, &record, false))
                    break;
            }
            message->records.ends = random % 2 == 0;
            message->records.end.last_pos = put + message->records.n;
            if (inbox_put(inbox, message)) {
                put += message->records.n;
                ends_put += message->records.ends;
            }
        } else if ((random >> 16) % 100 < 50) {
            struct wall_message *message = message_of(WALL_RECORD);
            message->record.record.pos = put + 1;
            message->record.record.n = (uint16_t)((random >> 8) % (RECORD_READINGS_MAX + 1));
            put += inbox_put(inbox, message);
        } else if (inbox_take(inbox, &taken)) {
            check_next(&taken, &got, &ends_got);
        }
    }
    while (inbox_take(inbox, &taken))
        check_next(&taken, &got, &ends_got);
    check_count("taken", (long long)got, (long long)put);
    check_count("ends", (long long)ends_got, (long long)ends_put);
    assert_true(ends_got > 100);
    assert_true(got > 50000);
    inbox_destroy(inbox);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_newest_snapshot_and_state_are_kept),
        cmocka_unit_test(records_go_to_the_destination_that_asked_in_order),
        cmocka_unit_test(more_is_kept_once_a_well_and_always_the_newest),
        cmocka_unit_test(what_was_asked_for_always_fits_and_overflow_is_counted),
        cmocka_unit_test(a_queue_that_wraps_many_times_keeps_order_and_content),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
