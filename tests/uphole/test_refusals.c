/* SPDX-License-Identifier: Apache-2.0
 *
 * test_refusals.c - what was turned away stands in the journal's events for who reviews months
 * later, and nobody outside can fill the journal by it.
 */
#include "rig.h"

#include "check.h"

#define DAY_US INT64_C(86400000000)

/** Events of a kind that the file itself holds; the newest one's sentence, and whose it is. */
static size_t events_of(struct rig *rig, const char *kind, struct event *newest)
{
    static struct event events[64];
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    size_t n = 0;
    assert_int_equal(journal_reader_open(rig->directory, &reader, &error), UP_OK);
    assert_int_equal(journal_read_events_of(reader, kind, UINT64_MAX >> 1, 64, events, &n, &error),
                     UP_OK);
    journal_reader_close(reader);
    *newest = n > 0 ? events[0] : (struct event){.pos = 0};
    return n;
}

static void report(struct rig *rig, const struct wall_destination *destination)
{
    static struct wall_message message;
    message = (struct wall_message){.kind = WALL_DESTINATION, .destination = *destination};
    assert_int_equal(wall_send(rig->wall[1], &message), UP_OK);
    rig_step(rig, 1);
}

static void wrote(struct rig *rig, uint64_t writes, const char *from)
{
    struct wall_destination table = {.state = DELIVERY_UP, .writes = writes};
    snprintf(table.writer, sizeof table.writer, "%s", from);
    report(rig, &table);
}

/* Planted defects: each report of a master that writes for ever is an event of its own
 * (core-refusal-each); what the SCADA side counted anew after its restart is lost
 * (core-refusals-of-one-side). */
static void a_master_that_writes_is_told_at_once_and_then_once_a_day(void **state)
{
    struct rig *rig = *state;
    struct event newest;
    core_set_safe(rig->core);
    wrote(rig, 1, "192.0.2.7");
    rig_step(rig, 2);
    check_count("at once", (long long)events_of(rig, "refused_write", &newest), 1);
    check_text("whose", newest.who, "plant-broker");
    assert_non_null(strstr(newest.text, "1 request to write was refused since 2031-03-01T"));
    assert_non_null(strstr(newest.text, "the latest from 192.0.2.7."));
    assert_non_null(strstr(newest.text, "nothing was changed"));
    for (uint64_t minute = 1; minute <= 600; minute++)
        wrote(rig, 1 + 60 * minute, "192.0.2.7");
    check_count("in ten minutes of reports", (long long)events_of(rig, "refused_write", &newest),
                1);
    wrote(rig, 2, "192.0.2.9"); /* the SCADA side was started again */
    rig->now_us += DAY_US;
    rig_step(rig, 2);
    check_count("a day later", (long long)events_of(rig, "refused_write", &newest), 2);
    assert_non_null(strstr(newest.text, "36002 requests to write were refused since"));
    assert_non_null(strstr(newest.text, "the latest from 192.0.2.9."));
    rig->now_us += DAY_US;
    rig_step(rig, 2);
    check_count("none since", (long long)events_of(rig, "refused_write", &newest), 2);
}

/* Planted defect: what was counted within the day is lost with the stop (core-refusals-untold). */
static void what_was_counted_is_told_before_the_stop(void **state)
{
    struct rig *rig = *state;
    struct event newest;
    core_set_safe(rig->core);
    wrote(rig, 1, "192.0.2.7");
    rig_step(rig, 2);
    wrote(rig, 5, "192.0.2.7");
    core_flush(rig->core);
    check_count("events", (long long)events_of(rig, "refused_write", &newest), 2);
    assert_non_null(strstr(newest.text, "4 requests"));
}

static void clients_that_allow_does_not_name_are_told_apart(void **state)
{
    struct rig *rig = *state;
    struct event newest;
    core_set_safe(rig->core);
    struct wall_destination table = {.state = DELIVERY_UP, .strangers = 3};
    snprintf(table.stranger, sizeof table.stranger, "2001:db8::9");
    report(rig, &table);
    rig_step(rig, 2);
    check_count("clients", (long long)events_of(rig, "refused_client", &newest), 1);
    assert_non_null(strstr(newest.text, "3 connections were refused since"));
    assert_non_null(strstr(newest.text, "the latest from 2001:db8::9. `allow` doesn't name"));
    check_count("writes", (long long)events_of(rig, "refused_write", &newest), 0);
}

/* Planted defect: while the disk refuses, nothing is counted (core-refusals-while-refusing). */
static void a_refused_login_is_told_with_the_brokers_reason_and_outlasts_a_full_disk(void **state)
{
    struct rig *rig = *state;
    struct event newest;
    core_set_safe(rig->core);
    rig_step(rig, 2);
    rig_take_disk(rig, true);
    rig_poll(rig, 3);
    struct wall_destination broker = {.state = DELIVERY_DOWN, .cause = CAUSE_NOT_AUTHORISED};
    snprintf(broker.reason, sizeof broker.reason,
             "Broker plant-broker refuses user name or password. Check user and password_file.");
    report(rig, &broker);
    rig_step(rig, 3);
    rig_take_disk(rig, false);
    struct up_error error = {0};
    if (journal_reopen(rig->journal, &error) != UP_OK ||
        journal_checkpoint(rig->journal, &error) != UP_OK)
        fail_msg("%s", error.why);
    struct clock_watch watch = {.floor_utc_ms = 1700000000000};
    const struct stamp began = stamp_take(&rig->clock, &watch);
    assert_int_equal(journal_begin_run(rig->journal, &began, &rig->run, &error), UP_OK);
    core_new_run(rig->core, rig->run, &began);
    rig_step(rig, 3);
    check_count("logins", (long long)events_of(rig, "refused_login", &newest), 1);
    check_text("reason", newest.text, broker.reason);
    report(rig, &broker);
    report(rig, &broker);
    rig->now_us += DAY_US;
    rig_step(rig, 2);
    check_count("a day later", (long long)events_of(rig, "refused_login", &newest), 2);
    assert_non_null(strstr(newest.text, "password_file. 2 times since 2031-03-01T"));
}

static void an_order_of_somebody_who_may_not_is_told(void **state)
{
    struct rig *rig = *state;
    struct event newest;
    core_set_safe(rig->core);
    core_refuse_order(rig->core, "jana", "hold");
    rig_step(rig, 2);
    core_refuse_order(rig->core, "jana", "resend");
    core_refuse_order(rig->core, "jana", "hold");
    rig_step(rig, 2);
    check_count("events", (long long)events_of(rig, "refused_order", &newest), 1);
    assert_non_null(strstr(newest.text, "1 order was refused since"));
    assert_non_null(strstr(newest.text, "the latest: 'hold' of jana, who may not give orders."));
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        TEST(a_master_that_writes_is_told_at_once_and_then_once_a_day),
        TEST(what_was_counted_is_told_before_the_stop),
        TEST(clients_that_allow_does_not_name_are_told_apart),
        TEST(a_refused_login_is_told_with_the_brokers_reason_and_outlasts_a_full_disk),
        TEST(an_order_of_somebody_who_may_not_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
