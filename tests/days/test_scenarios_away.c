/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_away.c - somebody is away: the broker for three days, the program 200 times, the
 * clock since the start; and all of it at random for days. The last runs for 8 h by default and for
 * 72 h with UPHOLE_LONG=1.
 */
#include "day_faults.h"
#include "day_inside.h"
#include "day_late.h"

#include "check.h"

#include <dirent.h>
#include <inttypes.h>
#include <malloc.h>
#include <stdlib.h>

#define HOUR INT64_C(3600000)
#define MINUTE INT64_C(60000)

#define HEAD "site: heron-ridge\nbox: heron-edge-1\n"
#define DESTINATIONS                                                                               \
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"               \
    "  scada-table: {modbus_tcp: '127.0.0.1:1502'}\n"
#define ENTRY(line, unit_id, map)                                                                  \
    "        - {from: 2031-01-10T08:00:00Z, line: " line ", unit_id: " unit_id ", map: " map       \
    ", poll_every: 10 s, confirmed_units: all}\n"

static const char ONE_WELL[] = HEAD
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n" ENTRY(
        "pad-line", "1", "scaled-16") DESTINATIONS;
static const char TWO_WELLS[] = HEAD
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n  skid-line: {tcp: '192.0.2.7:502'}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n" ENTRY(
        "pad-line", "1",
        "scaled-16") "      drive:\n" ENTRY("skid-line", "1",
                                            "drive-a") "  heron-8:\n    table_block: 1\n    "
                                                       "sources:\n      gauge:\n" ENTRY(
                                                           "pad-line", "2", "scaled-16")
                                                           DESTINATIONS;

static bool is_long(void)
{
    const char *text = getenv("UPHOLE_LONG");
    return text != NULL && strcmp(text, "1") == 0;
}

static uint32_t next(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)(*state >> 33);
}

/* ---- S17 ---- */

struct return_watch {
    int64_t back_ms, live_ms; /* the broker is back; the first look at the well after that */
    int64_t newest_ms;        /* and what it shows */
    uint64_t late, live;
};
static void note_return(struct day *day, void *context, const struct snapshot *snapshot)
{
    struct return_watch *watch = context;
    if (watch->back_ms == 0 || watch->live_ms != 0)
        return;
    watch->live_ms = day_now_ms(day);
    watch->newest_ms = snapshot->newest.boot_ms;
}
static void count_late(struct day *day, void *context, const struct record *record, bool live)
{
    (void)day;
    (void)record;
    struct return_watch *watch = context;
    watch->late += !live;
    watch->live += live;
}

/** S17. Planted defects: a cursor that moves without an acceptance; a backlog bounded by memory; a
 * snapshot that waits behind the backlog; the gap's end at the first record instead of the live
 * edge. */
static void three_days_without_a_broker_lose_nothing(void **state)
{
    (void)state;
    struct return_watch watch = {0};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = 51,
                                        .snapshot = note_return,
                                        .record = count_late,
                                        .context = &watch};
    struct day *day = day_create(&options);
    day_run_for(day, HOUR);
    const uint64_t before = day_counts_of(day)->records;
    check_count("late before", (long long)watch.late, 0);
    day_set_broker(day, false);
    day_run_for(day, 72 * HOUR);
    check_count("records accepted meanwhile", (long long)(day_counts_of(day)->records - before), 0);
    const struct gap open = day_newest_gap(day, GAP_DELIVERY);
    assert_true(open.is_open);
    watch.back_ms = day_now_ms(day);
    day_set_broker(day, true);
    day_run_for(day, HOUR);
    assert_true(watch.live_ms - watch.back_ms <= 15000);
    assert_true(watch.live_ms - watch.newest_ms <= 15000); /* the well as it is, not as it was */
    const struct day_counts *counts = day_counts_of(day);
    print_message("%" PRIu64 " records, %" PRIu64 " of them late; live after %" PRId64 " ms\n",
                  counts->records, watch.late, watch.live_ms - watch.back_ms);
    check_count("records", (long long)counts->records, 74 * 360);
    assert_true(watch.late >= 25920 - 1 && watch.late <= 25920 + 360);
    check_count("holes", (long long)counts->record_holes, 0);
    check_count("duplicates", (long long)counts->duplicates, 0);
    check_count("good but wrong", (long long)counts->good_but_wrong, 0);
    check_count("delivery rows", (long long)day_count_gaps(day, GAP_DELIVERY, 0), 1);
    const struct gap row = day_newest_gap(day, GAP_DELIVERY);
    assert_false(row.is_open);
    assert_false(row.lost); /* 0 lost */
    assert_true(row.scans >= 25920 - 1 && row.scans <= 25920 + 360);
    print_message("delivery gap: %u records late, recovered %u. %s\n", row.scans, row.recovered,
                  row.cause);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

/* ---- S19 (a); (b), with real power cuts: tests/walk/test_power_cut.py ---- */

/** S19a. Planted defect: seq from memory (core-seq-from-memory); the program gap from the last row
 * instead of the last due time accounted for; an acceptance that moves a cursor past the journal's
 * end. A record sent again must be the very same. */
static void two_hundred_kills_use_no_number_twice_and_keep_the_books(void **state)
{
    (void)state;
    struct kept_records kept = {0};
    uint64_t random = 52;
    const struct day_options options = {
        .config = ONE_WELL, .seed = 52, .record = keep_record, .record_context = &kept};
    struct day *day = day_create(&options);
    for (int i = 0; i < 200; i++) {
        day_run_for(day, 1 + next(&random) % 120000);
        day_kill(day, next(&random) % 30000);
    }
    day_run_for(day, HOUR);
    const struct day_counts *counts = day_counts_of(day);
    print_message("%" PRIu64 " records, %" PRIu64 " sent again\n", counts->records,
                  counts->duplicates);
    check_count("holes, or numbers used twice", (long long)counts->record_holes, 0);
    check_count("good but wrong", (long long)counts->good_but_wrong, 0);
    uint64_t again = 0;
    for (size_t k = 1; k < kept.n; k++)
        for (size_t i = k; i-- > 0 && k - i < 64;) {
            if (kept.record[k].seq != kept.record[i].seq)
                continue;
            again++;
            if (kept.record[k].run != kept.record[i].run ||
                kept.record[k].pos != kept.record[i].pos)
                fail_msg("seq %" PRIu64 " was given to two scans", kept.record[i].seq);
            break;
        }
    check_count("sent again", (long long)counts->duplicates, (long long)again);
    free(kept.record);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

/** A stop comes while heron-7 is asked and heron-8 waits for its turn on the same line. Planted
 * defects: its poll is told as a busy line (gather-cut-off-is-busy); the row goes on until the unit
 * is asked again, beside the time without the program (ledger-old-counts-stay-open). */
static void a_poll_that_the_stop_cuts_off_is_told_as_that(void **state)
{
    (void)state;
    const struct day_options options = {.config = TWO_WELLS, .seed = 53};
    struct day *day = day_create(&options);
    day_run_for(day, 5 * MINUTE + 1);
    day_stop(day, 5 * MINUTE);
    day_run_for(day, MINUTE);
    struct gap rows[16], cut_off = {0};
    const size_t n = day_ledger(day, rows, 16);
    for (size_t i = 0; i < n; i++)
        if (rows[i].kind == GAP_SKIPPED && rows[i].cause_code != CAUSE_LISTENING)
            cut_off = rows[i];
    check_text("cause", cut_off.cause,
               "Due when Uphole was stopped, before its turn on the line came.");
    check_count("code", cut_off.cause_code, CAUSE_STOPPED);
    check_count("polls", cut_off.scans, 1);
    check_count("lasts until the time without us, ms", cut_off.end.boot_ms - cut_off.start.boot_ms,
                10000);
    assert_false(cut_off.is_open);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_check_books(day, "heron-8", SOURCE_GAUGE);
    day_destroy(day);
}

/* ---- S20 ---- */

struct clock_watch_of_day {
    uint64_t unsure, sure, negative, early;
    int64_t set_at_ms;
};
static void note_clock(struct day *day, void *context, const struct record *record, bool live)
{
    (void)day;
    (void)live;
    struct clock_watch_of_day *watch = context;
    for (uint16_t i = 0; i < record->n; i++) {
        const struct reading *reading = &record->reading[i];
        if (reading->point != POINT_INTAKE_PRESSURE ||
            quality_class_of(reading->quality) == QUALITY_CLASS_BAD)
            continue;
        if (record->at.boot_ms < watch->set_at_ms)
            watch->early += reading->quality != QUALITY_CLOCK_UNSURE;
        else if (reading->quality == QUALITY_CLOCK_UNSURE)
            watch->unsure++;
        else
            watch->sure++;
        watch->negative += reading->age_s < 28 || reading->age_s >= 40;
    }
}

/** S20. Planted defect: 1970 taken for a time; ages or due times by the wall clock; a step
 * unmarked, or re-ordering records. */
static void a_box_that_wakes_in_1970_says_so_until_its_clock_is_set(void **state)
{
    (void)state;
    struct clock_watch_of_day watch = {.set_at_ms = INT64_MAX};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = 53,
                                        .utc_ms = 1000,
                                        .clock_unsynchronised = true,
                                        .record = note_clock,
                                        .record_context = &watch};
    struct day *day = day_create(&options);
    day_run_for(day, HOUR);
    check_count("values before the clock was set and not marked so", (long long)watch.early, 0);
    watch.set_at_ms = day_now_ms(day);
    day_step_clock(day, DAY_START_UTC_MS);
    day_run_for(day, HOUR);
    day_step_clock(day, 3 * HOUR);
    day_run_for(day, HOUR);
    day_step_clock(day, -HOUR);
    day_run_for(day, HOUR);
    check_count("clock rows", (long long)day_count_gaps(day, GAP_CLOCK, 0), 3);
    const struct gap row = day_newest_gap(day, GAP_CLOCK);
    print_message("%s\n", row.cause);
    assert_non_null(strstr(row.cause, "moved back 1 h 0 min"));
    check_count("scans of four hours", (long long)day_counts_of(day)->records, 4 * 360);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    check_count("ages that a step touched", (long long)watch.negative, 0);
    assert_true(watch.unsure > 60 && watch.sure > 3 * 250);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

/* ---- days of faults ---- */

/** Bytes that the allocator has given out, but for what the harness itself keeps for each exchange;
 * 0 where the allocator doesn't say (ASan's). */
static size_t bytes_in_use(const struct day *day)
{
    const struct mallinfo2 info = mallinfo2();
    size_t n = info.uordblks + info.hblkhd;
    for (size_t i = 0; i < day->n_units; i++)
        n -= day->units[i].room * sizeof *day->units[i].truths;
    return n > SIZE_MAX / 2 ? 0 : n;
}
static size_t descriptors_in_use(void)
{
    DIR *directory = opendir("/proc/self/fd");
    size_t n = 0;
    while (directory != NULL && readdir(directory) != NULL)
        n++;
    if (directory != NULL)
        closedir(directory);
    return n;
}

static void trouble(struct day *day, uint64_t *random, bool with_stops)
{
    const uint8_t unit_id = (uint8_t)(1 + next(random) % 2);
    struct virtual_unit *unit = day_unit(day, 0, unit_id);
    switch (next(random) % (with_stops ? 9 : 7)) {
    case 0:
        virtual_unit_power_cycle(unit, day_now_ms(day));
        break;
    case 1:
        virtual_unit_set_gauge(unit, day_now_ms(day), false);
        break;
    case 2:
        virtual_unit_set_alive(unit, false);
        break;
    case 3: /* both units of the pair */
        virtual_unit_set_alive(day_unit(day, 0, 1), false);
        virtual_unit_set_alive(day_unit(day, 0, 2), false);
        break;
    case 4:
        virtual_unit_set_alive(day_unit(day, 1, 1), false);
        break;
    case 5:
        day_set_broker(day, false);
        break;
    case 6:
        day_run_without_core(day, 1000 + next(random) % 120000);
        break;
    case 7:
        day_kill(day, next(random) % 60000);
        break;
    default:
        day_stop(day, next(random) % 60000);
        break;
    }
}

static void mend(struct day *day)
{
    for (uint8_t unit_id = 1; unit_id <= 2; unit_id++) {
        virtual_unit_set_alive(day_unit(day, 0, unit_id), true);
        virtual_unit_set_gauge(day_unit(day, 0, unit_id), day_now_ms(day), true);
    }
    virtual_unit_set_alive(day_unit(day, 1, 1), true);
    day_set_broker(day, true);
}

struct usage {
    size_t bytes, descriptors;
};

/** An hour of troubles, then twenty minutes in which everything can settle. */
static struct usage one_hour(struct day *day, struct evil *evil, uint64_t *random, bool with_stops)
{
    evil->per_mille = next(random) % 120;
    for (int64_t left = 40 * MINUTE; left > 0;) {
        const int64_t ms = 1000 + next(random) % (10 * MINUTE);
        day_run_for(day, ms);
        left -= ms;
        trouble(day, random, with_stops);
        day_run_for(day, 1000 + next(random) % (5 * MINUTE));
        if (next(random) % 2 == 0)
            mend(day);
    }
    mend(day);
    evil->per_mille = 0;
    day_run_for(day, 20 * MINUTE);
    return (struct usage){.bytes = bytes_in_use(day), .descriptors = descriptors_in_use()};
}

/**
 * Planted defects: those of test_days' day of faults, in any order and together; a descriptor or a
 * byte that a restart, a lost line or a broken connection leaves behind. Seeded: a failure comes
 * back with the same seed.
 */
static void days_of_faults_keep_books_memory_and_truth(void **state)
{
    (void)state;
    const int hours = is_long() ? 72 : 8;
    uint64_t random = 54;
    struct evil evil = {.state = 55};
    const struct day_options options = {
        .config = TWO_WELLS, .seed = 54, .fault = evil_harm, .context = &evil};
    struct day *day = day_create(&options);
    struct usage first = {0}, last = {0};
    for (int hour = 0; hour < hours; hour++) {
        last = one_hour(day, &evil, &random, day->n_runs < 150);
        if (hour == 1) /* all has been used once */
            first = last;
    }
    const struct day_counts *counts = day_counts_of(day);
    print_message("%d h: %" PRIu64 " records, %" PRIu64 " sent again, %" PRIu64
                  " answers harmed, %zu starts, %" PRIu64 " readings Good, %" PRIu64 " wrong\n",
                  hours, counts->records, counts->duplicates, evil.harmed, day->n_runs,
                  counts->good, counts->good_but_wrong);
    print_message("bytes in use %zu, then %zu; descriptors %zu, then %zu\n", first.bytes,
                  last.bytes, first.descriptors, last.descriptors);
    check_count("good but wrong", (long long)counts->good_but_wrong, 0);
    check_count("holes", (long long)counts->record_holes, 0);
    check_count("descriptors", (long long)last.descriptors, (long long)first.descriptors);
    /* SQLite's page cache is bounded, but not always equally full. */
    assert_true(last.bytes <= first.bytes + 256 * 1024);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_check_books(day, "heron-7", SOURCE_DRIVE);
    day_check_books(day, "heron-8", SOURCE_GAUGE);
    day_destroy(day);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(three_days_without_a_broker_lose_nothing),
        cmocka_unit_test(two_hundred_kills_use_no_number_twice_and_keep_the_books),
        cmocka_unit_test(a_poll_that_the_stop_cuts_off_is_told_as_that),
        cmocka_unit_test(a_box_that_wakes_in_1970_says_so_until_its_clock_is_set),
        cmocka_unit_test(days_of_faults_keep_books_memory_and_truth),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
