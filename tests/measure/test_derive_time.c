/* SPDX-License-Identifier: Apache-2.0
 *
 * test_derive_time.c - what needs more than one scan: rates of change and the time since the last
 * start; and that a late record has them as the live one.
 *
 * Planted defects that these must catch, each seen to: tests/planted/measure-rate-across-gap.patch,
 * measure-rate-by-polls.patch, measure-start-unseen.patch, measure-short-series.patch,
 * measure-start-fact-ignored.patch.
 */
#include "late.h"

#include "../../daemon/measure/fold_state.h"

static double rate_per_h(const struct rate_series *series, uint8_t *quality)
{
    double per_s;
    *quality = rate_of(series, &per_s);
    return per_s * 3600;
}

/* ---- rates ---- */

static void the_slope_is_that_of_least_squares(void **state)
{
    (void)state;
    /* A straight line of -0.5 kPa/s, with boot times far from 0, is -1,800 kPa/h; and y = 0, 1, 4,
     * ... 81 on x = 0 ... 9 has the slope 9 (by hand: Sxy = 742.5, Sxx = 82.5). */
    struct rate_series series = {0};
    uint8_t quality;
    for (int i = 0; i < 10; i++)
        rate_take(&series, 1, SOURCE_GAUGE, 28000, INT64_C(1700000000000) + i * 28000, 192,
                  5200 - 14.0 * i);
    check_close_relative("line", rate_per_h(&series, &quality), -1800, 1e-9);
    check_count("quality", quality, QUALITY_GOOD);
    memset(&series, 0, sizeof series);
    for (int i = 0; i < 10; i++)
        rate_take(&series, 1, SOURCE_GAUGE, 1000, 1000000 + i * 1000, 192, i * i);
    check_close_relative("parabola", rate_per_h(&series, &quality), 9 * 3600, 1e-9);
}

static void a_value_that_stands_still_has_no_rate_at_all(void **state)
{
    (void)state;
    struct rate_series series = {0};
    uint8_t quality;
    for (int i = 0; i < 300; i++)
        rate_take(&series, 1, SOURCE_GAUGE, 28000, i * 10000, 192, 12345.1);
    check_close("still", rate_per_h(&series, &quality), 0, 0);
    check_count("quality", quality, QUALITY_GOOD);
}

static void polls_of_one_refresh_are_one_sample(void **state)
{
    (void)state; /* ten polls a second are no ten refreshes */
    struct rate_series series = {0};
    uint8_t quality;
    for (int i = 0; i < 9 * 28; i++) {
        rate_take(&series, 1, SOURCE_GAUGE, 28000, i * 1000, 192, 100);
        (void)rate_per_h(&series, &quality);
        check_count("too few", quality, QUALITY_TOO_FEW);
    }
    rate_take(&series, 1, SOURCE_GAUGE, 28000, 9 * 28000, 192, 100);
    (void)rate_per_h(&series, &quality);
    check_count("ten", quality, QUALITY_GOOD);
}

static void no_rate_is_taken_across_a_gap(void **state)
{
    (void)state;
    struct rate_series series = {0};
    uint8_t quality;
    for (int i = 0; i < 12; i++)
        rate_take(&series, 1, SOURCE_GAUGE, 28000, i * 28000, 192, 100);
    rate_take(&series, 1, SOURCE_GAUGE, 28000, 14 * 28000, 192, 100); /* two refreshes missed */
    (void)rate_per_h(&series, &quality);
    check_count("two missed", quality, QUALITY_GOOD);
    rate_take(&series, 1, SOURCE_GAUGE, 28000, 18 * 28000, 192, 900); /* three missed */
    check_close("no value", rate_per_h(&series, &quality), NAN, 0);
    check_count("three missed", quality, QUALITY_GAP_IN_WINDOW);
    for (int i = 19; i < 60; i++) {
        rate_take(&series, 1, SOURCE_GAUGE, 28000, i * 28000, 192, 900);
        double rate = rate_per_h(&series, &quality);
        if (quality == QUALITY_GOOD)
            check_close("after the gap", rate, 0, 0);
    }
    check_count("the gap has left", quality, QUALITY_GOOD);
}

static void an_unsure_sample_makes_the_rate_unsure_and_a_bad_one_is_none(void **state)
{
    (void)state;
    struct rate_series series = {0};
    uint8_t quality;
    for (int i = 0; i < 20; i++)
        rate_take(&series, 1, SOURCE_GAUGE, 28000, i * 28000,
                  i == 5 ? QUALITY_STEP_UNCONFIRMED : QUALITY_GOOD, 100);
    (void)rate_per_h(&series, &quality);
    check_count("unsure", quality, QUALITY_INPUT_UNSURE);
    rate_take(&series, 1, SOURCE_GAUGE, 28000, 20 * 28000, QUALITY_CHANNEL_FAULT, 1e9);
    rate_take(&series, 1, SOURCE_GAUGE, 28000, 20 * 28000, QUALITY_GOOD, NAN);
    check_close("bad samples are left out", rate_per_h(&series, &quality), 0, 0);
}

static void a_rate_shows_in_the_record_by_the_hour(void **state)
{
    (void)state; /* 1 kPa a refresh of 28 s: 3600 / 28 = 128.57 kPa/h; 0.1 K: 12.86 K/h */
    struct made *made = made_new();
    for (int64_t ms = 0; ms < 1200000; ms += 14000) {
        made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(12000 + ms / 28000);
        put_registers(&made->unit[WINDING_TEMPERATURE_AT], 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST,
                      float_to_bits(100.0F + 0.1F * (float)(ms / 28000)));
        made_poll(made, ms);
        uint8_t quality = made_quality(made, POINT_INTAKE_PRESSURE_RATE);
        assert_true(quality == (ms < 28000 ? QUALITY_INPUT_BAD : QUALITY_TOO_FEW) ||
                    ms > 9 * 28000);
    }
    check_count("pressure", made_quality(made, POINT_INTAKE_PRESSURE_RATE), QUALITY_GOOD);
    check_close_relative("pressure", made_value(made, POINT_INTAKE_PRESSURE_RATE), 3600.0 / 28,
                         0.01);
    check_close_relative("temperature", made_value(made, POINT_MOTOR_TEMPERATURE_RATE), 360.0 / 28,
                         0.01);
    made->unit[INTAKE_PRESSURE_AT] = 0xFFFF;
    made_poll(made, 1200000);
    check_count("bad now", made_quality(made, POINT_INTAKE_PRESSURE_RATE), QUALITY_INPUT_BAD);
    check_count("named", made_reading(made, POINT_INTAKE_PRESSURE_RATE)->worst_input,
                POINT_INTAKE_PRESSURE);
    made_free(made);
}

/* ---- time since the last start ---- */

static struct made *made_with_drive(void)
{
    struct made *made = made_new();
    made->well.n_entries[SOURCE_GAUGE] = 0;
    made_entry(made, SOURCE_DRIVE, 1);
    made->drive[1] = 10;
    return made;
}

static void drive_poll(struct made *made, int64_t ms, uint16_t state)
{
    made->drive[1] = state;
    made->drive[0] = state == 11 ? 5000 : 0;
    struct scan scan = made_drive_scan(made, ms);
    made_measure(made, &scan);
}

static void run_time_counts_from_a_start_that_was_seen(void **state)
{
    (void)state;
    struct made *made = made_with_drive();
    drive_poll(made, 0, 10);
    check_count("stopped", made_quality(made, POINT_RUN_TIME), QUALITY_PUMP_STOPPED);
    drive_poll(made, 10000, 11);
    check_count("a fact", (long long)made->n_facts, 1);
    check_count("of the start", made->facts[0].kind, FACT_PUMP_STARTED);
    for (int64_t ms = 20000; ms <= 10000 + 7200000; ms += 10000) {
        drive_poll(made, ms, 11);
        check_count("no further fact", (long long)made->n_facts, 0);
    }
    check_count("running", made_quality(made, POINT_RUN_TIME), QUALITY_GOOD);
    check_close("hours", made_value(made, POINT_RUN_TIME), 2.0 + 0.2 / 3600, 1e-9);
    drive_poll(made, 7220000, 10);
    check_count("stopped", made_quality(made, POINT_RUN_TIME), QUALITY_PUMP_STOPPED);
    drive_poll(made, 7230000, 11);
    check_close("from the newest start", made_value(made, POINT_RUN_TIME), 0.2 / 3600, 1e-9);
    made_free(made);
}

static void a_start_that_nobody_saw_is_only_a_lower_bound(void **state)
{
    (void)state;
    struct made *made = made_with_drive();
    drive_poll(made, 0, 11);
    drive_poll(made, 3600000 / 12, 11);
    check_count("first heard running", made_quality(made, POINT_RUN_TIME), QUALITY_LIMITED);
    for (int64_t ms = 310000; ms < 600000; ms += 10000)
        drive_poll(made, ms, ms < 400000 ? 10 : 11);
    check_count("seen", made_quality(made, POINT_RUN_TIME), QUALITY_GOOD);
    struct scan failed = made_failed(made, 600000);
    failed.source = SOURCE_DRIVE;
    made_measure(made, &failed);
    check_count("not heard", made_quality(made, POINT_RUN_TIME), QUALITY_INPUT_BAD);
    check_count("named", made_reading(made, POINT_RUN_TIME)->worst_input, POINT_DRIVE_RUN_STATE);
    drive_poll(made, 610000, 11);
    check_count("a short silence hides no start", made_quality(made, POINT_RUN_TIME), QUALITY_GOOD);
    drive_poll(made, 610000 + 3600000, 11); /* an hour unheard: it may have stopped and started */
    check_count("long unheard", made_quality(made, POINT_RUN_TIME), QUALITY_LIMITED);
    made_free(made);
}

static void run_time_follows_the_frequency_where_no_state_is_mapped(void **state)
{
    (void)state;
    struct made *made = made_with_drive();
    made->maps[1].n_channels = 1;
    drive_poll(made, 0, 10);
    check_count("0 Hz", made_quality(made, POINT_RUN_TIME), QUALITY_PUMP_STOPPED);
    drive_poll(made, 10000, 11);
    drive_poll(made, 46000, 11);
    check_close("hours", made_value(made, POINT_RUN_TIME), 36.2 / 3600, 1e-9);
    made_free(made);
}

/* ---- late equals live ---- */

static void a_late_record_has_the_rates_and_the_run_time_of_the_live_one(void **state)
{
    (void)state; /* days of running, stops, long silences and slow polls; from one window before,
                    with the newest facts */
    struct history *history = malloc(sizeof *history);
    assert_non_null(history);
    for (unsigned turn = 0; turn < 4; turn++) {
        static const int64_t POLLS_MS[] = {10000, 60000, 10000, 2000};
        memset(history, 0, sizeof *history);
        struct made *made = made_new();
        made_entry(made, SOURCE_DRIVE, 1);
        made->entries[SOURCE_GAUGE][0].poll_every_ms = (uint32_t)POLLS_MS[turn];
        made->entries[SOURCE_DRIVE][0].poll_every_ms = (uint32_t)POLLS_MS[turn];
        int64_t ms = 0;
        for (unsigned i = 0; i < SCANS; i++) {
            unsigned k = i / 2;
            ms += i % 2 == 0 ? POLLS_MS[turn] : 0;
            if (turn == 2 && i % 1000 == 0)
                ms += 3 * 3600000; /* nothing at all */
            made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(12000 + k * k % 97);
            made->drive[1] = k % 700 < 40 ? 10 : 11;
            struct scan scan = i % 2 == 0 ? made_scan(made, ms) : made_drive_scan(made, ms + 300);
            bool is_silent = turn == 1   ? k % 900 > 500
                             : turn == 3 ? k % 2400 > 1800
                                         : k % 1100 > 950;
            if (is_silent) {
                scan = made_failed(made, ms + (i % 2 == 0 ? 0 : 300));
                scan.source = i % 2 == 0 ? SOURCE_GAUGE : SOURCE_DRIVE;
            }
            history->scans[i] = scan;
            made_measure(made, &scan);
            history->records[i] = made->record;
            history->records[i].plan_digest = 0;
            for (size_t f = 0; f < made->n_facts; f++) {
                made->facts[f].pos = i;
                history->facts[history->n_facts++] = made->facts[f];
            }
        }
        bool is_beyond = false;
        for (unsigned wanted = 0; wanted + 3 < SCANS; wanted += CHECK_SPARINGLY(7u, 41u)) {
            unsigned start = window_start(made, history, wanted);
            is_beyond = is_beyond || start > 0;
            replay(made, history, turn, start, wanted, wanted + 3);
        }
        assert_true(is_beyond); /* so that the window is what is tried */
        made_free(made);
    }
    free(history);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_slope_is_that_of_least_squares),
        cmocka_unit_test(a_value_that_stands_still_has_no_rate_at_all),
        cmocka_unit_test(polls_of_one_refresh_are_one_sample),
        cmocka_unit_test(no_rate_is_taken_across_a_gap),
        cmocka_unit_test(an_unsure_sample_makes_the_rate_unsure_and_a_bad_one_is_none),
        cmocka_unit_test(a_rate_shows_in_the_record_by_the_hour),
        cmocka_unit_test(run_time_counts_from_a_start_that_was_seen),
        cmocka_unit_test(a_start_that_nobody_saw_is_only_a_lower_bound),
        cmocka_unit_test(run_time_follows_the_frequency_where_no_state_is_mapped),
        cmocka_unit_test(a_late_record_has_the_rates_and_the_run_time_of_the_live_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
