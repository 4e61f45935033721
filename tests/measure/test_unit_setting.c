/* SPDX-License-Identifier: Apache-2.0
 *
 * test_unit_setting.c - the unit-setting register, followed scan by scan: what is decoded by it,
 * what is doubted, for how long, and that a late record says the same.
 *
 * The rule is the project's own; factors are those of NIST SP 811 (2008) app. B.
 */
#include "setting.h"

/** Planted: setting-ignored (decoded by the map's unit), setting-of-last-scan (by the scan before).
 */
static void numbers_are_in_the_unit_that_stands_in_the_same_scan(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, US, US, US);
    all_good(made, "the first scan in psi and degF");
    expect(made, POINT_MOTOR_WINDING_TEMPERATURE, QUALITY_GOOD, 123.5, "degF");
    assert_int_equal(count_facts(made, FACT_UNIT_SETTING, FACT_UNIT_SETTING_LAST), 1);
    assert_int_equal(count_facts(made, FACT_UNIT_STEPPED, FACT_UNIT_STEPPED_LAST), 0);
    for (int64_t end = ms + 600000; (ms += 10000) < end;) {
        at(made, ms, US, US, US);
        all_good(made, "psi and degF");
    }
    at(made, ms, METRIC, METRIC, METRIC);
    all_good(made, "back");
    made_free(made);
}

/** Planted: setting-unknown-believed. */
static void an_unknown_number_is_never_good(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, METRIC, METRIC, 2); /* bar, and of temperatures nothing that the map knows */
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, 88.1, "2");
    at(made, ms += 10000, METRIC, METRIC, 7);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "7");
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, 88.1, "7");
    expect(made, POINT_PUMP_DIFFERENTIAL_PRESSURE, QUALITY_INPUT_UNSURE, NAN, "7");
    expect(made, 8, QUALITY_GOOD, NAN, "vibration is not concerned");
    at(made, ms += 10000, METRIC, METRIC, METRIC);
    all_good(made, "known again");
    made_free(made);
}

/** Planted: setting-unread-is-none (the map's unit at once), setting-held-for-ever. */
static void a_register_that_was_not_read_counts_for_ten_minutes(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, US, US, US);
    for (int64_t since = 10000; since <= 900000; since += 10000) {
        at(made, ms + since, US, US, NOT_READ);
        if (since <= 600000)
            all_good(made, "what the newest scan said");
        else
            expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "too long ago");
    }
    at(made, ms + 910000, US, US, US);
    all_good(made, "read again");
    made_free(made);
}

/** Planted: setting-lag-unseen. */
static void a_register_that_changes_alone_is_doubted(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, METRIC, METRIC, US);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "register only");
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, NAN, "register only");
    assert_int_equal(count_facts(made, FACT_UNIT_STEPPED, FACT_UNIT_STEPPED_LAST), 2);
    struct fact facts[2];
    memcpy(facts, &made->facts[made->n_facts - 2], sizeof facts);
    for (int64_t end = ms + 7200000; (ms += 10000) < end;) {
        at(made, ms, METRIC, METRIC, US);
        expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "for two hours");
    }
    at(made, ms, US, US, US);
    all_good(made, "the numbers have followed");
    /* The same, but the program starts anew in between. */
    fold_init(made->fold);
    for (unsigned i = 0; i < 2; i++)
        fold_load_fact(made->fold, &facts[i]);
    for (int64_t end = ms + 300000; (ms += 10000) < end;) {
        put(made, METRIC, METRIC, 0);
        struct scan scan = scan_with(made, ms, US);
        scan.run = MADE_RUN + 1;
        made_measure(made, &scan);
        assert_true(made_quality(made, POINT_INTAKE_PRESSURE) != QUALITY_GOOD);
    }
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "in the next run");
    made_free(made);
}

/** Planted: setting-step-unseen. */
static void numbers_that_change_alone_are_doubted(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, US, METRIC, METRIC);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "numbers only");
    expect(made, POINT_DISCHARGE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "numbers only");
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_GOOD, 88.1, "not concerned");
    for (int64_t end = ms + 3600000; (ms += 10000) < end;) {
        at(made, ms, US, METRIC, METRIC);
        expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "for an hour");
    }
    at(made, ms, US, US, US);
    all_good(made, "the register has followed");
    at(made, ms += 10000, METRIC, METRIC, METRIC);
    all_good(made, "both back");
    made_free(made);
}

/** Planted: setting-half-for-ever. */
static void a_refresh_caught_in_the_middle_is_doubted_until_it_is_whole(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    put(made, METRIC, METRIC, 0);
    const uint16_t discharge = made->unit[DISCHARGE_PRESSURE_AT];
    put(made, US, US, 0);
    made->unit[DISCHARGE_PRESSURE_AT] = discharge;
    struct scan scan = scan_with(made, ms, US);
    made_measure(made, &scan);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "half");
    expect(made, POINT_DISCHARGE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "half");
    at(made, ms += 10000, US, US, US);
    all_good(made, "whole");
    /* One channel never follows: all are doubted, then and later. */
    for (int64_t end = ms + 600000; (ms += 10000) < end;) {
        put(made, METRIC, METRIC, 0);
        made->unit[DISCHARGE_PRESSURE_AT] = (uint16_t)(18.23 * PSI_PER_MPA * 10 + 0.5);
        scan = scan_with(made, ms, METRIC);
        made_measure(made, &scan);
        expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "one stays behind");
    }
    made_free(made);
}

/** Planted: setting-starting-believed. A unit that starts holds zeros, in this register too. */
static void zeros_of_a_unit_that_starts_say_nothing(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    unsigned facts = 0;
    for (int64_t end = ms + 120000; (ms += 10000) < end;)
        at(made, ms, US, US, US);
    for (int64_t end = ms + 30000; (ms += 10000) < end;) {
        memset(made->unit, 0, sizeof made->unit);
        made->unit[STATUS_AT] = STARTING_BIT;
        struct scan scan = scan_with(made, ms, 0);
        made_measure(made, &scan);
        facts += count_facts(made, FACT_UNIT_SETTING, FACT_UNIT_SETTING_LAST);
    }
    made_healthy(made);
    for (int64_t end = ms + 120000; (ms += 10000) < end;) {
        at(made, ms, US, US, US);
        facts += count_facts(made, FACT_UNIT_SETTING, FACT_UNIT_STEPPED_LAST);
        if (made_quality(made, POINT_INTAKE_PRESSURE) != QUALITY_STARTING)
            all_good(made, "it has started");
    }
    all_good(made, "at last");
    assert_int_equal(facts, 0);
    made_free(made);
}

/** A confirmation that is tied to a setting outlives a start of the unit, not another setting;
 * planted: confirm-starting-ends. */
static void a_start_of_the_unit_ends_no_confirmation(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    struct unit_tie tie;
    struct fact fact;
    struct confirmation held;
    made->entries[SOURCE_GAUGE][0].confirmed_units[POINT_INTAKE_PRESSURE] = false;
    for (int64_t end = ms + 120000; (ms += 10000) < end;)
        at(made, ms, US, US, US);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "nobody has compared");
    struct scan scan = scan_with(made, ms, US);
    assert_true(measure_unit_tie(&made->plan, &made->well, &scan, POINT_INTAKE_PRESSURE, &tie));
    assert_int_equal(tie.setting, US);
    made_measure(made, &scan);
    assert_true(fold_confirm(made->fold, &made->plan, &made->well, &scan, POINT_INTAKE_PRESSURE,
                             CONFIRMED_HOLDS, &tie, &fact));
    fold_load_fact(made->fold, &fact);
    at(made, ms += 10000, US, US, US);
    all_good(made, "confirmed");
    for (int64_t end = ms + 30000; (ms += 10000) < end;) {
        memset(made->unit, 0, sizeof made->unit);
        made->unit[STATUS_AT] = STARTING_BIT;
        scan = scan_with(made, ms, 0);
        made_measure(made, &scan);
    }
    made_healthy(made);
    for (int64_t end = ms + 120000; (ms += 10000) < end;)
        at(made, ms, US, US, US);
    all_good(made, "confirmed still");
    at(made, ms, METRIC, METRIC, METRIC);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "another setting");
    fold_confirmation(made->fold, POINT_INTAKE_PRESSURE, &held);
    assert_int_equal(held.state, CONFIRMED_OTHER_SETTING);
    at(made, ms += 10000, US, US, US);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "back: not revived");
    /* Confirmed over and over within a window: at some point it is enough. */
    unsigned n = 0;
    for (bool taken = true; taken && n < 20; n++) {
        scan = scan_with(made, ms += 10000, US);
        made_measure(made, &scan);
        taken = fold_confirm(made->fold, &made->plan, &made->well, &scan, POINT_INTAKE_PRESSURE,
                             CONFIRMED_HOLDS, &tie, &fact);
        if (taken)
            fold_load_fact(made->fold, &fact);
    }
    assert_in_range(n, 2, 8);
    made_free(made);
}

/** Markers are tests on raw words, whatever the unit; planted: measure-marker-after-scaling. */
static void a_marker_is_one_in_any_unit(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    for (unsigned i = 0; i < 2; i++) {
        put(made, i == 0 ? METRIC : US, METRIC, 0);
        made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
        struct scan scan = scan_with(made, ms += 10000, i);
        made_measure(made, &scan);
        assert_int_equal(made_quality(made, POINT_DISCHARGE_PRESSURE), QUALITY_CHANNEL_FAULT);
    }
    made_free(made);
}

/** A channel that the setting doesn't concern stays as the map says. */
static void an_excepted_channel_stays_as_it_is(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    for (unsigned i = 0; i < made->maps[0].n_channels; i++)
        if (made->maps[0].channel[i].point == POINT_DISCHARGE_TEMPERATURE)
            made->maps[0].channel[i].setting = 0;
    made->plan.digest_32++;
    for (int64_t end = ms + 120000; (ms += 10000) < end;)
        at(made, ms, METRIC, METRIC, METRIC);
    put(made, US, US, 0);
    made->unit[DISCHARGE_TEMPERATURE_AT] = 904;
    struct scan scan = scan_with(made, ms, US);
    made_measure(made, &scan);
    all_good(made, "the others follow");
    expect(made, POINT_DISCHARGE_TEMPERATURE, QUALITY_GOOD, 90.4, "excepted");
    made_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_are_in_the_unit_that_stands_in_the_same_scan),
        cmocka_unit_test(an_unknown_number_is_never_good),
        cmocka_unit_test(a_register_that_was_not_read_counts_for_ten_minutes),
        cmocka_unit_test(a_register_that_changes_alone_is_doubted),
        cmocka_unit_test(numbers_that_change_alone_are_doubted),
        cmocka_unit_test(a_refresh_caught_in_the_middle_is_doubted_until_it_is_whole),
        cmocka_unit_test(zeros_of_a_unit_that_starts_say_nothing),
        cmocka_unit_test(a_start_of_the_unit_ends_no_confirmation),
        cmocka_unit_test(a_marker_is_one_in_any_unit),
        cmocka_unit_test(an_excepted_channel_stays_as_it_is),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
