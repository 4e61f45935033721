/* SPDX-License-Identifier: Apache-2.0
 *
 * test_delivery_words.c - what a person is told of why records wait: the words of the well that is
 * asked about, no longer than they hold, and the same over a reload that leaves the connection as
 * it was. Each planted defect is a patch in tests/planted, by the name given here.
 */
#include "check.h"
#include "rig.h"

#include "../../daemon/uphole/status_view.h"

#include <string.h>
#include <unistd.h>

static void say_connection(struct rig *rig, uint8_t state, const char *reason)
{
    *rig->message = (struct wall_message){
        .kind = WALL_DESTINATION,
        .destination = {.state = state,
                        .cause = state == DELIVERY_UP ? CAUSE_NONE : CAUSE_UNREACHABLE}};
    snprintf(rig->message->destination.reason, sizeof rig->message->destination.reason, "%s",
             reason);
    assert_int_equal(wall_send(rig->wall[1], rig->message), UP_OK);
    rig_step(rig, 1);
}

static void say_refused(struct rig *rig, const char *reason)
{
    *rig->message = (struct wall_message){
        .kind = WALL_REFUSED,
        .refused = {.well = rig->well, .stream = STREAM_RECORD, .pos = 1, .code = 0x10}};
    snprintf(rig->message->refused.reason, sizeof rig->message->refused.reason, "%s", reason);
    assert_int_equal(wall_send(rig->wall[1], rig->message), UP_OK);
    rig_step(rig, 1);
}

static struct status_delivery of(struct rig *rig)
{
    struct status_delivery delivery;
    status_delivery_of(rig->core, 0, 0, rig->now_us / 1000, &delivery);
    return delivery;
}

/* Planted defect: core-refusal-stays. */
static void a_refused_topic_is_the_reason_until_it_is_taken_again(void **state)
{
    struct rig *rig = *state;
    core_set_safe(rig->core);
    say_connection(rig, DELIVERY_UP, "");
    rig_poll(rig, 3);
    rig_hear(rig);
    say_refused(rig, "Nobody subscribes to heron-7/record at broker plant-broker (0x10).");
    assert_int_equal(of(rig).state, DELIVERY_UP);
    assert_non_null(strstr(of(rig).reason, "Nobody subscribes"));
    rig_accept(rig, rig->well, rig->more.newest_scan_pos, rig->more.newest_scan_seq);
    assert_string_equal(of(rig).reason, "");
}

/* Planted defect: core-reason-outlives-wait. */
static void why_an_outage_was_is_not_the_reason_of_a_later_wait(void **state)
{
    struct rig *rig = *state;
    core_set_safe(rig->core);
    say_connection(rig, DELIVERY_DOWN, "nothing listens at 192.0.2.10");
    rig_poll(rig, 3);
    rig_hear(rig);
    say_connection(rig, DELIVERY_UP, "");
    assert_non_null(strstr(of(rig).reason, "nothing listens")); /* why they still wait */
    rig_accept(rig, rig->well, rig->more.newest_scan_pos, rig->more.newest_scan_seq);
    rig_step(rig, 2);
    assert_int_equal(of(rig).waiting, 0);
    rig_poll(rig, 2);
    assert_int_equal(of(rig).waiting, 2);
    assert_string_equal(of(rig).reason, "");
}

/* Planted defect: reload-words-forgotten. */
static void over_a_plan_that_leaves_a_connection_its_words_stay(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    core_set_safe(rig->core);
    say_connection(rig, DELIVERY_UP, "");
    rig_poll(rig, 3);
    say_refused(rig, "Nobody subscribes to heron-7/record at broker plant-broker (0x10).");
    const int64_t since_ms = of(rig).since.boot_ms;
    rig_step(rig, 5);
    assert_int_equal(core_take_plan(rig->core, rig->plan, 1, 1, "test", &error), UP_OK);
    core_set_wall(rig->core, rig->wall[0]);
    assert_int_equal(of(rig).state, DELIVERY_UP);
    assert_int_equal(of(rig).since.boot_ms, since_ms);
    assert_non_null(strstr(of(rig).reason, "Nobody subscribes"));
    core_set_wall(rig->core, -1); /* it ended, and another one comes: nothing is known of it */
    core_set_wall(rig->core, rig->wall[0]);
    assert_int_equal(of(rig).state, DELIVERY_UNKNOWN);
    assert_string_equal(of(rig).reason, "");
}

/* Planted defect: core-oldest-without-place. Without a stored place `uphole gaps` counts nothing as
 * waiting. */
static void a_destination_that_begins_at_the_oldest_row_has_a_stored_place(void **state)
{
    struct rig *rig = *state;
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    struct cursor cursors[8];
    rig_poll(rig, 2);
    assert_int_equal(journal_reader_open(rig->directory, &reader, &error), UP_OK);
    const size_t n = journal_read_cursors(reader, cursors, 8);
    journal_reader_close(reader);
    size_t records = 0;
    for (size_t i = 0; i < n; i++)
        if (cursors[i].stream == STREAM_RECORD && cursors[i].well == rig->well) {
            records++;
            assert_int_equal(cursors[i].pos, 0);
            assert_int_equal(cursors[i].seq, 0);
        }
    assert_int_equal(records, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_refused_topic_is_the_reason_until_it_is_taken_again,
                                        rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(why_an_outage_was_is_not_the_reason_of_a_later_wait,
                                        rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(over_a_plan_that_leaves_a_connection_its_words_stay,
                                        rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(
            a_destination_that_begins_at_the_oldest_row_has_a_stored_place, rig_setup,
            rig_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
