/* SPDX-License-Identifier: Apache-2.0
 *
 * test_stamp.c - instants as text and back, durations, and trust in the clock.
 *
 * Planted defects that these must catch, and did: 1900 or 2100 as leap years; a fraction rounded up
 * into the next second; a leap second taken at any minute; holdover without an end.
 */
#include "check.h"

#include "uphole/stamp.h"

#include <stdlib.h>
#include <time.h>

#define ROWS(table) (sizeof(table) / sizeof(table)[0])
#define HOUR_MS INT64_C(3600000)

static bool read_stamp(const char *text, int64_t *utc_ms)
{
    return stamp_from_text(text, strlen(text), utc_ms);
}

/*
 * Not applicable yet: TIM-022 (TAI - UTC: nothing here counts in TAI), TIM-027 (correction of the
 * times of records made before the clock was set: records keep the label they were given, beside
 * the boot's own time, and nothing corrects them), TIM-030 and TIM-031 (binary times of IEC 60870-5
 * and IEEE 1815: no destination speaks these).
 */
/** TIM-001 to 009, 018, 019, 021, 023. Sources: RFC 3339 (5.8 gives the first three), IERS Bulletin
 * C, RFC 9557, RFC 5905. */
static const struct {
    const char *id, *text;
    int64_t utc_ms;
} GOOD[] = {
    {"TIM-001", "1985-04-12T23:20:50.52Z", 482196050520},
    {"TIM-002", "1996-12-19T16:39:57-08:00", 851042397000},
    {"TIM-003", "1937-01-01T12:00:27.87+00:20", -1041337172130},
    {"TIM-004", "2026-11-25T17:33:30.250Z", 1795628010250},
    {"TIM-005", "2038-01-19T03:14:07Z", 2147483647000},
    {"TIM-006", "2106-02-07T06:28:15Z", 4294967295000},
    {"TIM-007", "2024-02-29T00:00:00Z", 1709164800000},
    {"TIM-008", "2016-12-31T23:59:60Z", 1483228800000},
    {"TIM-008", "2017-01-01T00:00:00Z", 1483228800000},
    {"TIM-008, fraction of a leap second", "2016-12-31T23:59:60.75Z", 1483228800000},
    {"TIM-009", "2016-12-31T15:59:60-08:00", 1483228800000},
    {"TIM-018", "2026-11-25t17:33:30z", 1795628010000},
    {"TIM-019", "2026-11-25T17:33:30-00:00", 1795628010000},
    {"TIM-021", "2026-11-25T23:59:59.9996Z", 1795651199999},
    {"TIM-023", "2036-02-07T06:28:16Z", 2085978496000},
    {"the oldest", "0000-01-01T00:00:00Z", -62167219200000},
    {"the newest", "9999-12-31T23:59:59.999Z", 253402300799999},
    {"leap day of a year that 400 divides", "2000-02-29T12:00:00Z", 951825600000},
};

static void each_published_instant_is_read(void **state)
{
    (void)state;
    for (size_t i = 0; i < ROWS(GOOD); i++) {
        int64_t got = 0;
        if (!read_stamp(GOOD[i].text, &got))
            fail_msg("%s: refused %s", GOOD[i].id, GOOD[i].text);
        check_count(GOOD[i].id, got, GOOD[i].utc_ms);
    }
    /* TIM-023: 32-bit NTP seconds, counted from 1900, wrap to 0 here. RFC 5905. */
    check_count("TIM-023", (2085978496LL + 2208988800LL) % 4294967296LL, 0);
}

static void what_is_not_rfc_3339_is_refused(void **state)
{
    (void)state;
    static const char *const BAD[] = {
        "2026-02-29T00:00:00Z",     /* TIM-010: not a leap year */
        "2026-11-25T24:00:00Z",     /* TIM-011: hour 24 */
        "2026-11-25T17:33Z",        /* TIM-012: seconds are required */
        "2026-11-25T17:33:30",      /* TIM-013: offset is required */
        "2026-11-25T17:33:30.Z",    /* TIM-014: fraction needs a digit */
        "20261125T173330Z",         /* TIM-015: basic format */
        "2026-11-25T17:33:30+0530", /* TIM-016: offset needs a colon */
        "2026-11-25T12:00:60Z",     /* TIM-017: no leap second at noon */
        "2026-11-25T23:59:60Z",     /* nor inside a month */
        "1900-02-29T00:00:00Z",
        "2100-02-29T00:00:00Z",
        "2026-00-10T00:00:00Z",
        "2026-13-10T00:00:00Z",
        "2026-11-00T00:00:00Z",
        "2026-11-31T00:00:00Z",
        "2026-11-25T17:60:00Z",
        "2026-11-25T17:33:61Z",
        "2026-11-25T17:33:30+24:00",
        "2026-11-25T17:33:30+05:60",
        "2026-11-25 17:33:30Z",
        " 2026-11-25T17:33:30Z",
        "2026-11-25T17:33:30Z ",
        "2026-11-25T17:33:30ZZ",
        "+2026-11-25T17:33:30Z",
        "026-11-25T17:33:30Z",
        "12026-11-25T17:33:30Z",
        "2026-11-25T17:33:30,5Z",
        "2026-11-25T17:33:-1Z",
        "",
        "Z",
    };
    for (size_t i = 0; i < ROWS(BAD); i++) {
        int64_t got = 42;
        if (read_stamp(BAD[i], &got))
            fail_msg("taken for an instant: \"%s\"", BAD[i]);
        check_count(BAD[i], got, 42);
    }
    int64_t got = 42;
    assert_false(stamp_from_text("2026-11-25T17:33:30\0Z", 21, &got));
}

static void an_instant_is_written_in_capitals_utc_and_milliseconds(void **state)
{
    (void)state;
    char text[STAMP_TEXT_MAX];
    check_text("design", stamp_to_text(1930111205120, text), "2031-03-01T06:00:05.120Z");
    check_text("short", stamp_to_short_text(1930111205999, text), "2031-03-01 06:00:05Z");
    check_text("epoch", stamp_to_text(0, text), "1970-01-01T00:00:00.000Z");
    check_text("before the epoch", stamp_to_text(-1, text), "1969-12-31T23:59:59.999Z");
    check_text("TIM-021", stamp_to_text(1795651199999, text), "2026-11-25T23:59:59.999Z");
    check_text("clamped below", stamp_to_text(INT64_MIN, text), "0000-01-01T00:00:00.000Z");
    check_text("clamped above", stamp_to_text(INT64_MAX, text), "9999-12-31T23:59:59.999Z");
}

static void writing_agrees_with_the_c_library_and_reads_back(void **state)
{
    (void)state;
    srand(2031);
    for (int i = 0; i < 20000; i++) {
        int64_t utc_ms = ((int64_t)rand() << 16 ^ rand()) % 253402300800000;
        if (i % 3 == 0)
            utc_ms = -(utc_ms % 62167219200000);
        char text[STAMP_TEXT_MAX], want[80];
        stamp_to_text(utc_ms, text);
        int64_t ms = (utc_ms % 1000 + 1000) % 1000, back = -1;
        time_t seconds = (time_t)((utc_ms - ms) / 1000);
        struct tm parts;
        assert_non_null(gmtime_r(&seconds, &parts));
        snprintf(want, sizeof want, "%04d-%02d-%02dT%02d:%02d:%02d.%03dZ", parts.tm_year + 1900,
                 parts.tm_mon + 1, parts.tm_mday, parts.tm_hour, parts.tm_min, parts.tm_sec,
                 (int)ms);
        check_text("gmtime_r", text, want);
        assert_true(read_stamp(text, &back));
        check_count(text, back, utc_ms);
    }
}

static void a_duration_is_said_as_people_say_it(void **state)
{
    (void)state;
    static const struct {
        int64_t ms;
        const char *text;
    } SPANS[] = {
        {0, "0 s"},
        {50000, "50 s"},
        {59999, "59 s"},
        {60000, "1 min"},
        {31 * 60000 + 30000, "31 min"},
        {3 * HOUR_MS + 12 * 60000, "3 h 12"},
        {3 * HOUR_MS + 5 * 60000, "3 h 05"},
        {2 * HOUR_MS, "2 h"},
        {102 * HOUR_MS, "4 d 6 h"},
        {72 * HOUR_MS + 59000, "3 d"},
        {-90000, "-1 min"},
        {-10, "0 s"},
        {INT64_MIN, "-106751991167 d 7 h"},
    };
    char text[STAMP_TEXT_MAX];
    for (size_t i = 0; i < ROWS(SPANS); i++)
        check_text("span", duration_to_text(SPANS[i].ms, text), SPANS[i].text);
}

static void iso_8601_durations_are_read(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int64_t ms;
    } SPANS[] = {
        {"PT28S", 28000}, {"P1DT2H", 93600000}, {"P30D", 2592000000}, /* TIM-020; ISO 8601-1 */
        {"PT0.5S", 500},  {"P2W", 1209600000},  {"PT1H30M", 5400000}, {"PT1,5H", 5400000},
    };
    for (size_t i = 0; i < ROWS(SPANS); i++) {
        int64_t ms = -1;
        if (!duration_from_text(SPANS[i].text, strlen(SPANS[i].text), &ms))
            fail_msg("refused %s", SPANS[i].text);
        check_count(SPANS[i].text, ms, SPANS[i].ms);
    }
    static const char *const BAD[] = {"",      "P",      "PT",   "28S",   "PT28",  "P1Y",
                                      "P1M",   "PT1S2H", "P1DT", "PT.5S", "PT1.S", "PT0.5H1S",
                                      "PTT1S", "p1d",    "P-1D", "P1H",   "PT1D",  "P99999999999D"};
    for (size_t i = 0; i < ROWS(BAD); i++) {
        int64_t ms = 42;
        if (duration_from_text(BAD[i], strlen(BAD[i]), &ms))
            fail_msg("taken for a duration: \"%s\"", BAD[i]);
        check_count(BAD[i], ms, 42);
    }
}

/* ---- trust in the clock ---- */

#define FLOOR_MS INT64_C(1930111205120) /* 2031-03-01T06:00:05.120Z */

static void a_clock_before_its_floor_was_never_set(void **state)
{
    (void)state;
    struct clock_watch watch = {.floor_utc_ms = FLOOR_MS};
    /* TIM-026: 1970-01-01T00:00:12Z at start. */
    check_count("1970", clock_watch_step(&watch, false, 12000, 12000), CLOCK_STATE_NEVER_SET);
    check_count("1970, said to be synchronised", clock_watch_step(&watch, true, 13000, 13000),
                CLOCK_STATE_NEVER_SET);
    assert_false(watch.was_synchronised);
    check_count("set", clock_watch_step(&watch, false, FLOOR_MS, 95000),
                CLOCK_STATE_UNSYNCHRONISED);
    check_count("a ms before", clock_watch_step(&watch, false, FLOOR_MS - 1, 96000),
                CLOCK_STATE_NEVER_SET);
}

static void a_floor_that_a_fast_clock_left_behind_does_not_bind_a_synchronised_one(void **state)
{
    (void)state;
    struct clock_watch watch = {.floor_utc_ms =
                                    INT64_C(4102444800000)}; /* journaled as 2100 by mistake */
    int64_t now = stamp_build_utc_ms() + 1000;
    check_count("synchronised", clock_watch_step(&watch, true, now, 1000),
                CLOCK_STATE_SYNCHRONISED);
    check_count("not any more", clock_watch_step(&watch, false, now, 2000), CLOCK_STATE_NEVER_SET);
}

static void holdover_lasts_24_hours_of_this_boot(void **state)
{
    (void)state;
    struct clock_watch watch = {.floor_utc_ms = FLOOR_MS};
    int64_t utc = FLOOR_MS + 1000, boot = 5000;
    check_count("never synchronised", clock_watch_step(&watch, false, utc, boot),
                CLOCK_STATE_UNSYNCHRONISED);
    check_count("synchronised", clock_watch_step(&watch, true, utc, boot),
                CLOCK_STATE_SYNCHRONISED);
    check_count("1 ms later", clock_watch_step(&watch, false, utc, boot + 1), CLOCK_STATE_HOLDOVER);
    check_count("24 h later", clock_watch_step(&watch, false, utc, boot + 24 * HOUR_MS),
                CLOCK_STATE_HOLDOVER);
    check_count("1 ms more", clock_watch_step(&watch, false, utc, boot + 24 * HOUR_MS + 1),
                CLOCK_STATE_UNSYNCHRONISED);
    check_count("again", clock_watch_step(&watch, true, utc, boot + 30 * HOUR_MS),
                CLOCK_STATE_SYNCHRONISED);
    check_count("again held", clock_watch_step(&watch, false, utc, boot + 31 * HOUR_MS),
                CLOCK_STATE_HOLDOVER);
}

static void a_step_of_utc_changes_no_age(void **state)
{
    (void)state;
    /* TIM-024: wall 12:00:10 to 11:00:20 while 10 s pass: holdover counts 10 s, not an hour back.
     */
    struct clock_watch watch = {.floor_utc_ms = FLOOR_MS};
    int64_t noon = FLOOR_MS + 24 * HOUR_MS;
    clock_watch_step(&watch, true, noon + 10000, 100000);
    check_count("TIM-024", clock_watch_step(&watch, false, noon - HOUR_MS + 20000, 110000),
                CLOCK_STATE_HOLDOVER);
    check_count("TIM-024, age", 110000 - watch.synchronised_ms, 10000);
}

struct made_clock {
    int64_t boot_us, utc_us;
    bool synchronised;
};
static int64_t made_boot_us(void *context)
{
    return ((struct made_clock *)context)->boot_us;
}
static int64_t made_utc_us(void *context)
{
    return ((struct made_clock *)context)->utc_us;
}
static bool made_is_synchronised(void *context)
{
    return ((struct made_clock *)context)->synchronised;
}

static void a_stamp_is_taken_from_the_clock_that_is_handed_in(void **state)
{
    (void)state;
    struct made_clock made = {1234567, FLOOR_MS * 1000 + 999, true};
    struct up_clock clock = {.boot_us = made_boot_us,
                             .utc_us = made_utc_us,
                             .is_synchronised = made_is_synchronised,
                             .context = &made,
                             .boot = 0xCAFE0001};
    struct clock_watch watch = {.floor_utc_ms = FLOOR_MS};
    struct stamp stamp = stamp_take(&clock, &watch);
    check_count("boot_ms", stamp.boot_ms, 1234);
    check_count("utc_ms", stamp.utc_ms, FLOOR_MS);
    check_count("boot", stamp.boot, 0xCAFE0001);
    check_count("clock", stamp.clock, CLOCK_STATE_SYNCHRONISED);
    check_count("clock_boot_ms", clock_boot_ms(&clock), 1234);
    check_count("a clock that knows of no suspend", clock_asleep_us(&clock), 0);
}

/* Planted defect (stamp-sleep-told-twice): one suspend is told at every look. A reading that falls
 * short (its thread was put off) must not be told as another suspend when the next is exact. */
static void a_suspend_is_told_once_and_what_a_reading_falls_short_of_never(void **state)
{
    (void)state;
    struct sleep_watch watch = {.seen_us = 7000000};
    check_count("none", sleep_watch_step(&watch, 7000000), 0);
    check_count("fell short", sleep_watch_step(&watch, 6100000), 0);
    check_count("exact again", sleep_watch_step(&watch, 7000003), 0);
    check_count("a suspend of an hour", sleep_watch_step(&watch, 3607000000), 3600000000);
    check_count("told", sleep_watch_step(&watch, 3607000000), 0);
    check_count("0.4 s", sleep_watch_step(&watch, 3607400000), 0);
    check_count("and again 0.4 s", sleep_watch_step(&watch, 3607800000), 800000);
}

static void the_system_clock_runs_and_sleeps(void **state)
{
    (void)state;
    struct up_clock clock;
    clock_of_system(&clock);
    char id[37];
    clock_boot_id(id);
    assert_int_equal(strlen(id), 36);
    check_count(
        "boot is the id's first 8 digits", clock.boot,
        strtoll((char[9]){id[0], id[1], id[2], id[3], id[4], id[5], id[6], id[7], 0}, NULL, 16));
    int64_t before = clock_boot_us(&clock);
    clock.sleep_until(clock.context, before + 20000);
    assert_true(clock_boot_us(&clock) >= before + 20000);
    clock.sleep_until(clock.context, before);
    clock.sleep_until(clock.context, -5);
    assert_true(clock.utc_us(clock.context) / 1000 > stamp_build_utc_ms());
    (void)clock.is_synchronised(clock.context);
    struct sleep_watch watch = {.seen_us = clock_asleep_us(&clock)};
    for (int i = 0; i < 1000; i++) /* nobody suspends the machine of a test */
        check_count("asleep", sleep_watch_step(&watch, clock_asleep_us(&clock)), 0);
    assert_true(stamp_build_utc_ms() > INT64_C(946684800000));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_published_instant_is_read),
        cmocka_unit_test(what_is_not_rfc_3339_is_refused),
        cmocka_unit_test(an_instant_is_written_in_capitals_utc_and_milliseconds),
        cmocka_unit_test(writing_agrees_with_the_c_library_and_reads_back),
        cmocka_unit_test(a_duration_is_said_as_people_say_it),
        cmocka_unit_test(iso_8601_durations_are_read),
        cmocka_unit_test(a_clock_before_its_floor_was_never_set),
        cmocka_unit_test(a_floor_that_a_fast_clock_left_behind_does_not_bind_a_synchronised_one),
        cmocka_unit_test(holdover_lasts_24_hours_of_this_boot),
        cmocka_unit_test(a_step_of_utc_changes_no_age),
        cmocka_unit_test(a_suspend_is_told_once_and_what_a_reading_falls_short_of_never),
        cmocka_unit_test(a_stamp_is_taken_from_the_clock_that_is_handed_in),
        cmocka_unit_test(the_system_clock_runs_and_sleeps),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
