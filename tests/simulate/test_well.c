/* SPDX-License-Identifier: Apache-2.0
 *
 * test_well.c - the invented well obeys what any pumped well obeys; the numbers themselves are
 * invented.
 */
#include "check.h"

#include "uphole/simulate.h"

#define MINUTE 60000LL
#define HOUR 3600000LL
/* The edges of the schedule `days`: well.c. */
#define SHUT_IN_AT (37 * HOUR)
#define STOPPED_AT (43 * HOUR)
#define START_AT (44 * HOUR)
#define TURN (48 * HOUR)

static double at(uint64_t seed, int64_t time_ms, unsigned point)
{
    struct well_truth truth;
    well_truth_at(seed, time_ms, &truth);
    return truth.value[point];
}

static void the_same_seed_and_time_give_the_same_truth(void **state)
{
    (void)state;
    struct well_truth a, b;
    for (int64_t t = 0; t < 3 * TURN; t += 7 * HOUR + 12345) {
        well_truth_at(42, t, &a);
        well_truth_at(43, t + 1, &b); /* another call between: nothing may be remembered */
        well_truth_at(42, t, &b);
        assert_memory_equal(a.value, b.value, sizeof a.value);
        assert_int_equal(a.phase, b.phase);
    }
}

static void other_seeds_are_other_wells(void **state)
{
    (void)state;
    assert_true(fabs(at(1, HOUR, 1) - at(2, HOUR, 1)) > 50);
    assert_true(fabs(at(1, HOUR, 21) - at(2, HOUR, 21)) > 0.01);
}

/* Affinity law: pump head goes with the square of speed, so a running pump adds pressure (common
 * practice, no source). */
static void discharge_is_above_intake_while_the_pump_runs(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 20; seed++)
        for (int64_t t = 0; t < TURN; t += 5 * MINUTE) {
            struct well_truth truth;
            well_truth_at(seed, t, &truth);
            if (truth.value[21] > 30)
                assert_true(truth.value[2] > truth.value[1] + 2000);
            assert_true(truth.value[2] > truth.value[1] - 4); /* noise of 1.5 kPa each at rest */
        }
}

static void head_goes_with_the_square_of_speed(void **state)
{
    (void)state;
    double head_1 = at(5, 29 * HOUR, 2) - at(5, 29 * HOUR, 1), hz_1 = at(5, 29 * HOUR, 21);
    double head_2 = at(5, 36 * HOUR, 2) - at(5, 36 * HOUR, 1), hz_2 = at(5, 36 * HOUR, 21);
    assert_true(hz_2 > hz_1);
    check_close("head ratio", head_2 / head_1, (hz_2 / hz_1) * (hz_2 / hz_1), 0.001);
}

static void pressure_builds_up_monotonously_and_with_log_time_at_shut_in(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 10; seed++) {
        double before = 0;
        for (int64_t t = SHUT_IN_AT; t < START_AT; t += MINUTE) {
            double now = at(seed, t, 1);
            assert_true(now > before - 4); /* but for noise of 1.5 kPa each way */
            before = now > before ? now : before;
        }
        /* Log-time: the second of two equal ratios of time adds as much as the first (Horner-like
         * build-up; common practice). */
        double first =
            at(seed, SHUT_IN_AT + 80 * MINUTE, 1) - at(seed, SHUT_IN_AT + 40 * MINUTE, 1);
        double second =
            at(seed, SHUT_IN_AT + 160 * MINUTE, 1) - at(seed, SHUT_IN_AT + 80 * MINUTE, 1);
        check_close("log-time", second / first, 1, 0.07);
    }
}

static void intake_pressure_falls_when_the_pump_starts(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 10; seed++) {
        assert_true(at(seed, START_AT + 30 * MINUTE, 1) < at(seed, START_AT, 1) - 1000);
        assert_true(at(seed, 36 * HOUR, 1) <
                    at(seed, 29 * HOUR, 1)); /* faster pump, lower intake */
    }
}

static void a_stopped_pump_draws_no_current_and_says_so(void **state)
{
    (void)state;
    static const unsigned ZERO[] = {21, 22, 23, 24, 25, 26, 27, 29, 30};
    for (int64_t t = SHUT_IN_AT + 7 * MINUTE; t < START_AT; t += 3 * MINUTE) {
        for (size_t i = 0; i < sizeof ZERO / sizeof ZERO[0]; i++)
            assert_true(at(7, t, ZERO[i]) == 0);
        assert_true(at(7, t, 32) == 1);
    }
    assert_true(at(7, HOUR, 32) == 2);
}

/* P = sqrt(3) U I cos phi for a balanced three-phase load: any textbook of electrical engineering.
 */
static void power_is_that_of_voltage_current_and_power_factor(void **state)
{
    (void)state;
    for (int64_t t = 0; t < TURN; t += 11 * MINUTE) {
        struct well_truth w;
        well_truth_at(3, t, &w);
        check_close("power", w.value[29], sqrt(3) * w.value[27] * w.value[22] * w.value[30] / 1000,
                    1e-9);
        check_close("mean current", w.value[22], (w.value[23] + w.value[24] + w.value[25]) / 3,
                    1e-9);
    }
}

static void winding_temperature_lags_behind_load(void **state)
{
    (void)state;
    double warm = at(4, SHUT_IN_AT - MINUTE, 5);
    double soon = at(4, SHUT_IN_AT + MINUTE, 5), later = at(4, SHUT_IN_AT + 3 * HOUR, 5);
    assert_true(warm - soon < 5);
    assert_true(warm - later > 20);
    assert_true(later > at(4, SHUT_IN_AT + 3 * HOUR, 3) - 1); /* never below the fluid */
}

static void nothing_jumps_at_the_edges_of_phases_nor_at_the_turn(void **state)
{
    (void)state;
    static const int64_t EDGES[] = {
        30 * HOUR, SHUT_IN_AT, STOPPED_AT, START_AT, START_AT + 15 * MINUTE, TURN};
    static const unsigned SLOW[] = {1, 3, 5, 6, 7, 18, 20};
    for (size_t e = 0; e < sizeof EDGES / sizeof EDGES[0]; e++)
        for (size_t p = 0; p < sizeof SLOW / sizeof SLOW[0]; p++) {
            double step = fabs(at(9, EDGES[e] + 1, SLOW[p]) - at(9, EDGES[e] - 1, SLOW[p]));
            assert_true(step < 5);
        }
}

static void energy_only_grows_and_grows_by_power(void **state)
{
    (void)state;
    double before = -1;
    for (int64_t t = 0; t < 2 * TURN; t += 20 * MINUTE) {
        double now = at(6, t, 52);
        assert_true(now >= before - 2); /* noise of a resolution step */
        before = now;
    }
    double hour = at(6, 20 * HOUR, 52) - at(6, 10 * HOUR, 52);
    check_close("ten hours", hour / 10, at(6, 15 * HOUR, 29), 0.03 * at(6, 15 * HOUR, 29));
}

static void the_first_day_is_steady(void **state)
{
    (void)state;
    for (int64_t t = 0; t < 24 * HOUR; t += 7 * MINUTE) {
        struct well_truth w;
        well_truth_at(1, t, &w);
        assert_int_equal(w.phase, WELL_STEADY);
        assert_true(fabs(w.value[1] - at(1, 12 * HOUR, 1)) < 60);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_same_seed_and_time_give_the_same_truth),
        cmocka_unit_test(other_seeds_are_other_wells),
        cmocka_unit_test(discharge_is_above_intake_while_the_pump_runs),
        cmocka_unit_test(head_goes_with_the_square_of_speed),
        cmocka_unit_test(pressure_builds_up_monotonously_and_with_log_time_at_shut_in),
        cmocka_unit_test(intake_pressure_falls_when_the_pump_starts),
        cmocka_unit_test(a_stopped_pump_draws_no_current_and_says_so),
        cmocka_unit_test(power_is_that_of_voltage_current_and_power_factor),
        cmocka_unit_test(winding_temperature_lags_behind_load),
        cmocka_unit_test(nothing_jumps_at_the_edges_of_phases_nor_at_the_turn),
        cmocka_unit_test(energy_only_grows_and_grows_by_power),
        cmocka_unit_test(the_first_day_is_steady),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
