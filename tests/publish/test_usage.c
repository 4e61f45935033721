/* SPDX-License-Identifier: Apache-2.0
 *
 * test_usage.c - a month's bytes: months by the C library's own calendar (gmtime_r), the turn of a
 * month, a clock that was wrong, levels at their edges.
 *
 * Planted defects that these tests must catch, each seen to fail: a clock that isn't trusted begins
 * a month; going back a month frees what was used; 80 % is said at 79.
 */
#include "check.h"

#include "../../daemon/publish/usage.h"

#include <time.h>

static int64_t at(int year, int month, int day)
{
    struct tm tm = {.tm_year = year - 1900, .tm_mon = month - 1, .tm_mday = day};
    return (int64_t)timegm(&tm) * 1000;
}

static void months_are_those_of_the_c_library(void **state)
{
    (void)state;
    for (int64_t day = -20000; day < 80000; day++) {
        const time_t time = (time_t)(day * 86400);
        struct tm tm;
        assert_non_null(gmtime_r(&time, &tm));
        const uint32_t expected = (uint32_t)((tm.tm_year + 1900) * 100 + tm.tm_mon + 1);
        check_count("month", usage_month_of(day * 86400000), expected);
        check_count("its last ms", usage_month_of(day * 86400000 + 86399999), expected);
    }
    char end[11];
    usage_month_end(203112, end);
    assert_string_equal(end, "2032-01-01");
    usage_month_end(203103, end);
    assert_string_equal(end, "2031-04-01");
}

static void a_month_begins_at_nought_only_by_a_clock_that_is_trusted(void **state)
{
    (void)state;
    struct usage usage = {0};
    assert_false(usage_add(&usage, 100, at(1970, 1, 1), false));
    check_count("no month yet", usage.month, 0);
    usage_learn(&usage, 203103, 5000);
    check_count("this run's and the earlier ones'", (long long)usage.bytes, 5100);
    assert_false(usage_add(&usage, 1, at(2031, 4, 1), false));
    check_count("still March", usage.month, 203103);
    assert_true(usage_add(&usage, 7, at(2031, 4, 1), true));
    check_count("April", usage.month, 203104);
    check_count("its bytes", (long long)usage.bytes, 7);
    /* A clock that was ahead is put right: what it counted stays counted. */
    assert_true(usage_add(&usage, 1, at(2035, 1, 1), true));
    assert_false(usage_add(&usage, 1, at(2031, 4, 2), true));
    check_count("back", usage.month, 203104);
    check_count("kept", (long long)usage.bytes, 2);
}

static void what_was_kept_of_a_month_that_is_over_does_not_count(void **state)
{
    (void)state;
    struct usage usage = {0};
    usage_add(&usage, 40, at(2031, 4, 3), true);
    usage_learn(&usage, 203103, 900000);
    check_count("April's alone", (long long)usage.bytes, 40);
}

static void levels_turn_at_80_and_at_100_percent(void **state)
{
    (void)state;
    struct usage usage = {.month = 203103};
    const uint64_t most = 300000000;
    static const struct {
        uint64_t bytes;
        enum usage_level level;
    } ROWS[] = {{0, USAGE_BELOW},         {239999999, USAGE_BELOW},   {240000000, USAGE_WARNS},
                {299999999, USAGE_WARNS}, {300000000, USAGE_USED_UP}, {400000000, USAGE_USED_UP}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        usage.bytes = ROWS[i].bytes;
        check_count("level", usage_level(&usage, most), ROWS[i].level);
        check_count("without a limit", usage_level(&usage, 0), USAGE_BELOW);
    }
    char text[24];
    assert_string_equal(usage_size(300000000, text), "300 MB");
    assert_string_equal(usage_size(1500000, text), "1.5 MB");
    assert_string_equal(usage_size(999950000, text), "1.0 GB");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(months_are_those_of_the_c_library),
        cmocka_unit_test(a_month_begins_at_nought_only_by_a_clock_that_is_trusted),
        cmocka_unit_test(what_was_kept_of_a_month_that_is_over_does_not_count),
        cmocka_unit_test(levels_turn_at_80_and_at_100_percent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
