/* SPDX-License-Identifier: Apache-2.0
 *
 * test_hold.c - a line that a person holds: nothing is asked, the port is closed, every due time is
 * counted as paused, and it ends by itself. Each planted defect is a patch in tests/planted, by the
 * name given here.
 */
#include "fake.h"
#include "three_ranges.h"

#define POLL_MS 10000
#define MINUTE_US INT64_C(60000000)

static struct gathered item;

struct sums {
    unsigned scans, paused, others, notices, over;
};
static struct sums take_all(void)
{
    struct sums sums = {0};
    while (ring_get(fake.ring, &item)) {
        sums.scans += item.kind == GATHERED_SCAN;
        if (item.kind == GATHERED_SKIP && item.skip.cause == CAUSE_PAUSED)
            sums.paused += item.skip.count;
        else if (item.kind == GATHERED_SKIP)
            sums.others += item.skip.count;
        if (item.kind == GATHERED_NOTICE) {
            sums.notices++;
            sums.over += strcmp(item.notice.kind, "hold_over") == 0;
        }
    }
    return sums;
}

static void start(uint8_t medium)
{
    three_ranges(medium, POLL_MS, fake_fine_unit);
    fake_start(&fake, false);
    fake_run(&fake, 35 * INT64_C(1000000)); /* dues at 0, 10, 20, 30 s */
    check_count("scans before", take_all().scans, 4);
}

/* Planted defects: hold-never-ends, hold-uncounted. */
static void a_hold_closes_the_port_counts_every_due_and_ends_by_itself(void **state)
{
    (void)state;
    start(LINE_MEDIUM_SERIAL);
    const unsigned sends = fake.sends;
    line_hold(fake.line, fake.now_us + 5 * MINUTE_US);
    fake_run(&fake, 1000);
    assert_true(line_is_held(fake.line));
    assert_false(fake.is_open);
    fake_run(&fake, 5 * MINUTE_US - 2000);
    check_count("questions while held", fake.sends, sends);
    assert_false(fake.is_open);
    fake_run(&fake, MINUTE_US); /* to 395 s: dues 0 to 39 */
    assert_false(line_is_held(fake.line));
    const struct sums sums = take_all();
    check_count("dues = scans + paused", 4 + sums.scans + sums.paused, 40);
    check_count("other skips", sums.others, 0);
    assert_true(sums.paused == 29 || sums.paused == 30);
    check_count("says once that polling goes on", sums.over, 1);
    check_count("and nothing else", sums.notices, 1);
    fake_stop(&fake);
}

static void a_release_ends_a_hold_at_once_and_another_hold_replaces_the_first(void **state)
{
    (void)state;
    start(LINE_MEDIUM_SERIAL);
    line_hold(fake.line, fake.now_us + 2 * MINUTE_US);
    fake_run(&fake, MINUTE_US);
    line_hold(fake.line, fake.now_us + 5 * MINUTE_US);
    fake_run(&fake, 3 * MINUTE_US);
    assert_true(line_is_held(fake.line));
    line_hold(fake.line, 0);
    fake_run(&fake, 1000);
    assert_false(line_is_held(fake.line));
    fake_run(&fake, MINUTE_US - 1000);
    const struct sums sums = take_all(); /* to 335 s: dues 0 to 33 */
    check_count("dues = scans + paused", 4 + sums.scans + sums.paused, 34);
    assert_true(sums.scans >= 6);
    check_count("said once", sums.over, 1);
    fake_stop(&fake);
}

/* A range is under way when the hold comes: its scan is whole, and only then the port closes. */
static void a_hold_lets_the_poll_under_way_end(void **state)
{
    (void)state;
    struct scan scan;
    three_ranges(LINE_MEDIUM_SERIAL, POLL_MS, fake_fine_unit);
    fake_start(&fake, false);
    while (fake.sends == 0)
        (void)line_step(fake.line);
    line_hold(fake.line, fake.now_us + MINUTE_US);
    fake_run(&fake, 5000000);
    assert_true(line_is_held(fake.line));
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_ANSWERED);
    check_count("blocks", scan.n_blocks, 3);
    fake_stop(&fake);
}

static unsigned listened_after(int64_t held_us)
{
    start(LINE_MEDIUM_SERIAL);
    fake.made.line.listen_first_ms = 30000;
    line_hold(fake.line, fake.now_us + held_us);
    fake_run(&fake, held_us + 1000);
    const unsigned sends = fake.sends;
    fake_run(&fake, 29 * INT64_C(1000000));
    const unsigned asked = fake.sends - sends;
    fake_run(&fake, 15 * INT64_C(1000000));
    assert_true(fake.sends > sends);
    fake_stop(&fake);
    return asked;
}

/* design: a line listens before it asks after more than 10 min without us. Planted defect:
 * hold-no-listening. */
static void after_more_than_ten_minutes_a_line_listens_before_it_asks(void **state)
{
    (void)state;
    assert_true(listened_after(9 * MINUTE_US) > 0);
    check_count("questions while it listens", listened_after(11 * MINUTE_US), 0);
}

static void a_stop_within_a_hold_counts_what_fell_due(void **state)
{
    (void)state;
    start(LINE_MEDIUM_SERIAL);
    line_hold(fake.line, fake.now_us + 5 * MINUTE_US);
    fake_run(&fake, MINUTE_US); /* to 95 s: dues 0 to 9 */
    line_finish(fake.line);
    const struct sums sums = take_all();
    check_count("dues = scans + paused", 4 + sums.scans + sums.paused, 10);
    check_count("other skips", sums.others, 0);
    fake_stop(&fake);
}

static void a_tcp_connection_is_held_alike(void **state)
{
    (void)state;
    start(LINE_MEDIUM_TCP);
    const unsigned sends = fake.sends;
    line_hold(fake.line, fake.now_us + MINUTE_US);
    fake_run(&fake, MINUTE_US - 1000);
    check_count("questions while held", fake.sends, sends);
    assert_false(fake.is_open);
    fake_run(&fake, MINUTE_US); /* to 155 s: dues 0 to 15 */
    const struct sums sums = take_all();
    check_count("dues = scans + paused", 4 + sums.scans + sums.paused, 16);
    check_count("other skips", sums.others, 0);
    fake_stop(&fake);
}

/* Planted defect: hold-asks-after-restart. A line that is started anew while it is held (a reload,
 * a disk that takes rows again) does not know for how long: it listens before it asks. */
static void a_line_that_starts_held_asks_nothing_before_the_hold_ends(void **state)
{
    (void)state;
    three_ranges(LINE_MEDIUM_SERIAL, POLL_MS, fake_fine_unit);
    fake.made.line.listen_first_ms = 30000;
    fake_start(&fake, false);
    line_hold(fake.line, fake.now_us + MINUTE_US);
    fake_run(&fake, MINUTE_US - 1000);
    check_count("questions", fake.sends, 0);
    check_count("opened", fake.opens, 0);
    fake_run(&fake, 25 * INT64_C(1000000));
    check_count("questions while it listens", fake.sends, 0);
    fake_run(&fake, 40 * INT64_C(1000000)); /* to 125 s: dues 0 to 12 */
    const struct sums sums = take_all();
    check_count("dues = scans + skips", sums.scans + sums.paused + sums.others, 13);
    check_count("paused", sums.paused, 6);
    assert_true(sums.scans > 0);
    fake_stop(&fake);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_hold_closes_the_port_counts_every_due_and_ends_by_itself),
        cmocka_unit_test(a_release_ends_a_hold_at_once_and_another_hold_replaces_the_first),
        cmocka_unit_test(a_hold_lets_the_poll_under_way_end),
        cmocka_unit_test(after_more_than_ten_minutes_a_line_listens_before_it_asks),
        cmocka_unit_test(a_stop_within_a_hold_counts_what_fell_due),
        cmocka_unit_test(a_tcp_connection_is_held_alike),
        cmocka_unit_test(a_line_that_starts_held_asks_nothing_before_the_hold_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
