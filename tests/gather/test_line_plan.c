/* SPDX-License-Identifier: Apache-2.0
 *
 * test_line_plan.c - a line over a change of plan, on virtual time: it goes on where it is the
 * same, and where it is not each due time still ends once.
 *
 * Planted defects that it was seen to catch: due times that begin anew at the moment of the change
 * (a due asked twice or lost), wells taken by their old index, the plan taken in the middle of a
 * poll, the open due of a removed source forgotten (gather-removed-uncounted).
 */
#include "fake.h"

#include "uphole/wire.h"

#define WELLS 3
#define POLL_MS 10000

static struct fake fake;
static struct made_plan other;
static struct gathered item;

/** Every due time of a well by how it ended. */
static struct {
    unsigned scans, skips, by_cause[CAUSE_COUNT]; /* skips too */
    int64_t last_ms;                              /* of the newest due that ended */
} seen[WELLS + 1];

static void begin(void)
{
    memset(seen, 0, sizeof seen);
    fake_init(&fake, LINE_MEDIUM_SERIAL);
    for (int w = 0; w < WELLS; w++)
        made_channels(&fake.made.map[w], TABLE_INPUT, 10, 2);
    made_plan_join(&fake.made, WELLS, POLL_MS);
    fake.unit = fake_fine_unit;
    fake_start(&fake, false);
}

/** The same wells in another order, behind another line. */
static void turn_about(void)
{
    static struct line_plan lines[2];
    memset(&other, 0, sizeof other);
    other.line = fake.made.line;
    for (int w = 0; w < WELLS; w++)
        other.map[w] = fake.made.map[w];
    made_plan_join(&other, WELLS, POLL_MS);
    for (int w = 0; w < WELLS; w++) {
        other.well[w].number = (uint16_t)(WELLS - w);
        other.entry[w] = fake.made.entry[WELLS - 1 - w];
        other.entry[w].line = 1;
    }
    lines[0] = made_serial(19200, 'E');
    lines[1] = fake.made.line;
    other.plan.lines = lines;
    other.plan.n_lines = 2;
    other.plan.id = 9;
}

/** Takes what came and checks that each due time ends once, in order. */
static void take_all(uint32_t period_ms)
{
    while (ring_get(fake.ring, &item)) {
        const struct scan *scan = &item.scan;
        const struct skip *skip = &item.skip;
        const uint16_t well = item.kind == GATHERED_SCAN ? scan->well : skip->well;
        if (item.kind == GATHERED_NOTICE)
            continue;
        assert_in_range(well, 1, WELLS);
        const int64_t grid_ms = FAKE_START_US / 1000;
        const int64_t first_ms =
            item.kind == GATHERED_SKIP
                ? skip->first_due.boot_ms
                : scan->begun.boot_ms - (scan->begun.boot_ms - grid_ms) % period_ms;
        if (seen[well].last_ms != 0)
            check_count("due after the one before", first_ms, seen[well].last_ms + period_ms);
        seen[well].last_ms = item.kind == GATHERED_SKIP ? skip->last_due.boot_ms : first_ms;
        seen[well].scans += item.kind == GATHERED_SCAN;
        seen[well].skips += item.kind == GATHERED_SKIP ? skip->count : 0;
        seen[well].by_cause[item.kind == GATHERED_SKIP ? skip->cause : CAUSE_NONE]++;
        if (item.kind == GATHERED_SCAN && outcome_has_data(scan->outcome)) /* the right unit */
            check_count("word", scan->words[0], fake_value((uint8_t)well, 10));
    }
}

static void a_line_that_is_the_same_goes_on_with_the_new_plan(void **state)
{
    (void)state;
    begin();
    fake_run(&fake, 25000000);
    take_all(POLL_MS);
    turn_about();
    assert_true(line_take_plan(fake.line, &other.plan, 1));
    memset(&fake.made, 0xEE, sizeof fake.made); /* nothing of the old plan is used any more */
    fake_run(&fake, 50000000);
    take_all(POLL_MS);
    for (int w = 1; w <= WELLS; w++) {
        check_count("scans", seen[w].scans, 8);
        check_count("skips", seen[w].skips, 0);
    }
    check_count("the port was opened once", fake.opens, 1);
    check_count("and never closed", fake.closes, 0);
    fake_stop(&fake);
}

static void no_plan_is_taken_while_a_poll_is_under_way(void **state)
{
    (void)state;
    begin();
    made_channels(&fake.made.map[0], TABLE_HOLDING, 300, 1);
    line_destroy(fake.line);
    ring_destroy(fake.ring);
    fake_start(&fake, false);
    turn_about();
    int refused = 0;
    for (int i = 0; i < 200; i++) {
        const int64_t next_us = line_step(fake.line);
        if (fake.sends == 1 && next_us <= fake.now_us)
            refused += !line_take_plan(fake.line, &other.plan, 1);
        if (fake.sends > 1)
            break;
        if (next_us > fake.now_us)
            fake.now_us = next_us;
    }
    assert_true(refused > 0);
    fake_stop(&fake);
}

/** Leaves at `leave_ms` after the start, is away for a while, and goes on as another line. */
static void go_on(int64_t leave_ms, int64_t away_ms, uint32_t period_ms)
{
    struct due_start starts[WELLS];
    size_t n = 0;
    struct up_error error = {0};
    fake_run_until(&fake, FAKE_START_US + leave_ms * 1000);
    line_leave(fake.line);
    fake.now_us += away_ms * 1000;
    for (uint16_t w = 1; w <= WELLS; w++)
        if (line_next_due(fake.line, w, SOURCE_GAUGE, &starts[n].from_ms)) {
            starts[n].well = w;
            starts[n++].source = SOURCE_GAUGE;
        }
    check_count("sources handed on", (long long)n, WELLS);
    line_destroy(fake.line);
    for (int w = 0; w < WELLS; w++)
        fake.made.entry[w].poll_every_ms = period_ms;
    const struct line_options options = {.plan = &fake.made.plan,
                                         .clock = &fake.clock,
                                         .port = &fake.port,
                                         .ring = fake.ring,
                                         .wake_fd = -1,
                                         .run = 42,
                                         .grid_start_us = FAKE_START_US,
                                         .from_ms = fake.now_us / 1000,
                                         .starts = starts,
                                         .n_starts = n,
                                         .seed = 6};
    fake.line = line_create(&options, &error);
    assert_non_null(fake.line);
}

/** Whenever it happens: before, in the middle of and after the polls of a due time. */
static void a_changed_line_loses_no_due_time_and_asks_none_twice(void **state)
{
    (void)state;
    for (int64_t leave_ms = 19980; leave_ms < 20400; leave_ms += 7) {
        begin();
        go_on(leave_ms, 40, POLL_MS);
        fake_run_until(&fake, FAKE_START_US + INT64_C(65000000));
        take_all(POLL_MS);
        for (int w = 1; w <= WELLS; w++) {
            check_count("scans", seen[w].scans, 7);
            check_count("skips", seen[w].skips, 0);
        }
        fake_stop(&fake);
    }
}

static void what_passes_meanwhile_is_a_counted_skip(void **state)
{
    (void)state;
    begin();
    go_on(24000, 30000, POLL_MS); /* dues at 30, 40 and 50 s; the last is still open at 54 s */
    fake_run_until(&fake, FAKE_START_US + INT64_C(65000000));
    take_all(POLL_MS);
    for (int w = 1; w <= WELLS; w++) {
        check_count("scans", seen[w].scans, 5);
        check_count("skips", seen[w].skips, 2);
    }
    fake_stop(&fake);
}

static void another_period_begins_at_its_next_grid_time(void **state)
{
    (void)state;
    begin();
    go_on(24000, 100, 15000); /* asked at 0, 10, 20 s; then at 30, 45, 60 s */
    take_all(POLL_MS);
    memset(seen, 0, sizeof seen);
    fake_run_until(&fake, FAKE_START_US + INT64_C(65000000));
    take_all(15000);
    for (int w = 1; w <= WELLS; w++) {
        check_count("scans", seen[w].scans, 3);
        check_count("skips", seen[w].skips, 0);
        check_count("last due", seen[w].last_ms, FAKE_START_US / 1000 + 60000);
    }
    fake_stop(&fake);
}

static void the_due_times_of_a_removed_source_end_with_it(void **state)
{
    (void)state;
    begin();
    fake_run_until(&fake, FAKE_START_US + INT64_C(24000000));
    line_leave(fake.line);
    fake.now_us += 7000000; /* 31 s: the due of 30 s is open */
    line_account_source(fake.line, 2, SOURCE_GAUGE);
    take_all(POLL_MS);
    check_count("skips of the removed", seen[2].skips, 1);
    check_count("by the end of its entry", seen[2].by_cause[CAUSE_ENTRY_ENDED], 1);
    check_count("scans of the removed", seen[2].scans, 3);
    check_count("skips of another", seen[1].skips, 0);
    fake_stop(&fake);
}

/* Planted defects: what the stop cuts off is told as a busy line (gather-cut-off-is-busy); what had
 * passed before as cut off by the stop (gather-stop-takes-all). */
static void a_due_time_that_a_stop_cuts_off_is_told_as_the_stop(void **state)
{
    (void)state;
    begin();
    fake_run_until(&fake, FAKE_START_US + INT64_C(24000000));
    fake.now_us += 27000000; /* 51 s: those of 30 and 40 s have passed, that of 50 s is open */
    line_finish(fake.line);
    take_all(POLL_MS);
    for (int w = 1; w <= WELLS; w++) {
        check_count("scans", seen[w].scans, 3);
        check_count("skips", seen[w].skips, 3);
        check_count("a row of the two that passed", seen[w].by_cause[CAUSE_LINE_BUSY], 1);
        check_count("a row of the one cut off", seen[w].by_cause[CAUSE_STOPPED], 1);
    }
    fake_stop(&fake);
}

/* Planted defect: a port that was never tried is told as a unit that doesn't answer
 * (gather-untried-is-back-off). */
static void a_stop_before_the_first_question_is_told_as_the_stop(void **state)
{
    (void)state;
    begin();
    line_finish(fake.line);
    take_all(POLL_MS);
    check_count("skips", seen[1].skips, 1);
    check_count("by the stop", seen[1].by_cause[CAUSE_STOPPED], 1);
    fake_stop(&fake);
}

/* A unit that does not answer kept its due time off, not the stop. */
static void a_due_time_in_a_back_off_keeps_its_cause_at_a_stop(void **state)
{
    (void)state;
    begin();
    fake.unit = NULL;
    fake_run_until(&fake, FAKE_START_US + INT64_C(121000000));
    line_finish(fake.line);
    take_all(POLL_MS);
    for (int w = 1; w <= WELLS; w++) {
        check_count("by the stop", seen[w].by_cause[CAUSE_STOPPED], 0);
        assert_true(seen[w].by_cause[CAUSE_BACK_OFF] > 0);
    }
    fake_stop(&fake);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_line_that_is_the_same_goes_on_with_the_new_plan),
        cmocka_unit_test(no_plan_is_taken_while_a_poll_is_under_way),
        cmocka_unit_test(a_changed_line_loses_no_due_time_and_asks_none_twice),
        cmocka_unit_test(what_passes_meanwhile_is_a_counted_skip),
        cmocka_unit_test(another_period_begins_at_its_next_grid_time),
        cmocka_unit_test(the_due_times_of_a_removed_source_end_with_it),
        cmocka_unit_test(a_due_time_that_a_stop_cuts_off_is_told_as_the_stop),
        cmocka_unit_test(a_stop_before_the_first_question_is_told_as_the_stop),
        cmocka_unit_test(a_due_time_in_a_back_off_keeps_its_cause_at_a_stop),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
