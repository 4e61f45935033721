/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_times.c - rows that go out once more because the clock of a boot was set (S20's
 * 1970 start). In lock-step, judged from outside: what time it truly was is the harness's own
 * clock.
 *
 * Source of the rule: project rule TIM-026, wall = set wall - (mono set - mono record).
 */
#include "once_more.h"

/* A gauge whose entry in force began on 1 March; the clock decides which one a row is measured
 * with. */
static const char TWO_ENTRIES[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s}\n"
    "        - {from: 2031-02-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n";

/** Boot times of [from, to) have exactly one revision, with the time that it truly was: boot time
 * plus `offset_ms`; no other row has one. Returns how many. */
static size_t check_revisions(const struct receiver *receiver, int64_t from_ms, int64_t to_ms,
                              int64_t offset_ms, uint32_t boot)
{
    size_t n = 0;
    for (size_t i = 0; i < receiver->first.n; i++) {
        const struct record *row = &receiver->first.record[i];
        const bool is_due =
            row->at.boot == boot && row->at.boot_ms >= from_ms && row->at.boot_ms < to_ms;
        if (times_sent(receiver, row->seq, 1) != (is_due ? 1 : 0))
            fail_msg("row %" PRIu64 " was sent %zu times as revision 1", row->seq,
                     times_sent(receiver, row->seq, 1));
        n += is_due;
    }
    for (size_t i = 0; i < receiver->n_again; i++) {
        const struct record *revised = &receiver->again[i];
        const struct record *row = first_of(receiver, revised->seq);
        assert_non_null(row);
        assert_int_equal(revised->revision, 1);
        assert_true(revised->run == row->run && revised->pos == row->pos && revised->n == row->n &&
                    revised->outcome == row->outcome && revised->at.boot_ms == row->at.boot_ms &&
                    revised->after_seq == row->after_seq && revised->after_run == row->after_run);
        if (revised->at.utc_ms != revised->at.boot_ms + offset_ms)
            fail_msg("row %" PRIu64 " is %" PRId64 " ms off", revised->seq,
                     revised->at.utc_ms - revised->at.boot_ms - offset_ms);
        assert_int_equal(revised->at.clock, CLOCK_STATE_SYNCHRONISED);
        for (uint16_t k = 0; k < row->n; k++) {
            assert_int_not_equal(revised->reading[k].quality, QUALITY_CLOCK_UNSURE);
            assert_true(revised->reading[k].value == row->reading[k].value ||
                        isnan(row->reading[k].value));
        }
    }
    return n;
}

/** S20. Planted defects, each seen: a revision sent twice (the order's cursor is not stored); 68
 * kept; the instant of the order taken for the instant of the set clock. */
static void rows_of_1970_get_the_time_they_were_taken_at_once_the_clock_is_set(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = day_of_unknown_time(ONE_WELL, 61, 1000, &receiver);
    day_run_for(day, HOUR);
    const int64_t set_ms = day_now_ms(day);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, HOUR);
    const size_t n = check_revisions(&receiver, 0, set_ms, offset_ms(day), DAY_BOOT_FIRST);
    check_count("revised", (long long)n, 360);
    assert_int_equal(receiver.kind, ORDER_TIMES);
    assert_non_null(strstr(receiver.by, "clock set at 2031-03-01T"));
    char text[GAP_CAUSE_MAX];
    check_count("said", (long long)day_count_events(day, "clock_set", text), 1);
    check_count("done", (long long)day_count_events(day, "times_sent", NULL), 1);
    check_count("records", (long long)day_counts_of(day)->records, 720);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_stop(day, 1000);
    day_run_for(day, 10 * MINUTE); /* and never again */
    check_count("sent once more", (long long)day_counts_of(day)->once_more, 360);
    day_destroy(day);
    drop(&receiver);
}

/** Kills and outages on the way: each row has its one revision still, or the same one again.
 * Planted defect, seen: where an order stands is forgotten at a restart (it begins anew). */
static void kills_and_an_outage_on_the_way_lose_no_revision(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = day_of_unknown_time(ONE_WELL, 62, 1000, &receiver);
    day_run_for(day, 4 * HOUR);
    day_kill(day, 5000); /* a second run of this boot */
    day_run_for(day, HOUR);
    const int64_t set_ms = day_now_ms(day);
    day_set_broker(day, false);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, 12000);
    day_kill(day, 5000); /* known to the journal by now, or not: the same either way */
    day_run_for(day, 5 * MINUTE);
    day_set_broker(day, true);
    size_t kills = 0;
    for (; kills < 3; kills++) {
        const size_t before = receiver.n_again;
        while (receiver.n_again < before + 400)
            day_run_for(day, 200);
        day_run_for(day, 1100); /* a commit */
        day_kill(day, 2000);
    }
    day_run_for(day, 10 * MINUTE);
    const int64_t offset = offset_ms(day);
    size_t due = 0, doubled = 0;
    for (size_t i = 0; i < receiver.first.n; i++) {
        const struct record *row = &receiver.first.record[i];
        const size_t n = times_sent(&receiver, row->seq, 1);
        if (row->at.boot_ms >= set_ms ? n != 0 : n == 0)
            fail_msg("row %" PRIu64 " was sent %zu times as revision 1", row->seq, n);
        due += row->at.boot_ms < set_ms;
        doubled += n > 1;
    }
    for (size_t i = 0; i < receiver.n_again; i++)
        if (receiver.again[i].at.utc_ms != receiver.again[i].at.boot_ms + offset)
            fail_msg("row %" PRIu64 " has another time", receiver.again[i].seq);
    print_message("%zu rows revised over %zu kills, %zu of them twice\n", due, kills, doubled);
    assert_true(kills > 0 && due >= 1790);
    assert_true(doubled <= kills * 200); /* what a kill took from memory: one second's */
    check_count("orders", (long long)day_count_events(day, "clock_set", NULL), 1);
    day_destroy(day);
    drop(&receiver);
}

/** Planted defect, seen: rows of an earlier boot corrected by this one's clock. */
static void no_time_is_carried_from_one_boot_to_another(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = day_of_unknown_time(ONE_WELL, 63, 1000, &receiver);
    day_run_for(day, 20 * MINUTE);
    const struct day_reboot reboot = {.off_ms = 90 * MINUTE, .up_ms = 20000, .rtc_utc_ms = 2000};
    day_boot_again(day, &reboot);
    day_run_for(day, 20 * MINUTE);
    const int64_t set_ms = day_now_ms(day);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, 20 * MINUTE);
    const size_t n = check_revisions(&receiver, 0, set_ms, offset_ms(day), DAY_BOOT_FIRST + 1);
    assert_true(n >= 118 && n <= 121);
    day_destroy(day);
    drop(&receiver);
}

/** Rows not yet synchronised: a step of 5 min corrects them, half a second does not. */
static size_t revisions_after_step(int64_t step_ms, uint64_t seed)
{
    struct receiver receiver = {0};
    struct day *day = day_of_unknown_time(ONE_WELL, seed, DAY_START_UTC_MS, &receiver);
    day_run_for(day, 10 * MINUTE);
    const int64_t set_ms = day_now_ms(day);
    day_step_clock(day, step_ms);
    day_set_synchronised(day, true);
    day_run_for(day, 10 * MINUTE);
    if (receiver.n_again > 0)
        check_revisions(&receiver, 0, set_ms, offset_ms(day), DAY_BOOT_FIRST);
    /* Synchronised is synchronised: a later step corrects nothing. */
    day_set_synchronised(day, false);
    day_step_clock(day, HOUR);
    day_run_for(day, 10 * MINUTE);
    day_set_synchronised(day, true);
    day_run_for(day, 10 * MINUTE);
    const size_t n = receiver.n_again;
    day_destroy(day);
    drop(&receiver);
    return n;
}
static void
an_unsynchronised_row_is_corrected_where_the_clock_was_off_by_more_than_a_second(void **state)
{
    (void)state;
    check_count("after 5 min", (long long)revisions_after_step(5 * MINUTE, 64), 60);
    check_count("after -5 min", (long long)revisions_after_step(-5 * MINUTE, 65), 60);
    check_count("after 0.5 s", (long long)revisions_after_step(500, 66), 0);
}

/** The entry valid at the corrected time, not at the label: units confirmed since February. */
static void a_corrected_row_is_measured_with_the_entry_of_its_corrected_time(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = day_of_unknown_time(TWO_ENTRIES, 67, 1000, &receiver);
    day_run_for(day, 20 * MINUTE);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, 20 * MINUTE);
    size_t good = 0;
    for (size_t i = 0; i < receiver.n_again; i++)
        for (uint16_t k = 0; k < receiver.again[i].n; k++) {
            const struct reading *reading = &receiver.again[i].reading[k];
            assert_int_not_equal(reading->quality, QUALITY_UNIT_UNCONFIRMED);
            good += reading->point == POINT_INTAKE_PRESSURE && reading->quality == QUALITY_GOOD;
        }
    assert_true(good >= 115 && good <= 120);
    day_destroy(day);
    drop(&receiver);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rows_of_1970_get_the_time_they_were_taken_at_once_the_clock_is_set),
        cmocka_unit_test(kills_and_an_outage_on_the_way_lose_no_revision),
        cmocka_unit_test(no_time_is_carried_from_one_boot_to_another),
        cmocka_unit_test(
            an_unsynchronised_row_is_corrected_where_the_clock_was_off_by_more_than_a_second),
        cmocka_unit_test(a_corrected_row_is_measured_with_the_entry_of_its_corrected_time),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
