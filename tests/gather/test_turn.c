/* SPDX-License-Identifier: Apache-2.0
 *
 * test_turn.c - due times, skips, back-off and whose turn it is; and by random behaviour of a whole
 * line that every due time is accounted for exactly once.
 */
#include "fake.h"

#include "../../daemon/gather/turn.h"

/* ---- pure ---- */

static void a_due_is_open_until_the_next_one_comes(void **state)
{
    (void)state;
    struct turn turn;
    struct passed passed;
    turn_init(&turn, 1000, 500, 1000, 3);
    assert_false(turn_is_ready(&turn, 999999));
    assert_true(turn_is_ready(&turn, 1000000));
    assert_false(turn_pass(&turn, 1499999, false, &passed));
    assert_true(turn_pass(&turn, 2600000, false,
                          &passed)); /* dues at 1.0, 1.5 and 2.0 s passed, 2.5 s is open */
    check_count("passed", passed.count, 3);
    check_count("first", passed.first_due_ms, 1000);
    check_count("last", passed.last_due_ms, 2000);
    assert_false(turn_pass(&turn, 2600000, false, &passed));
    check_count("index", turn_claim(&turn, 2600, 1), 3);
    assert_false(turn_is_due(&turn, 2999999));
    assert_true(turn_is_due(&turn, 3000000));
    assert_true(
        turn_pass(&turn, 3000000, true, &passed)); /* an orderly stop takes the open one as well */
    check_count("at stop", passed.count, 1);
}

static void a_source_that_joins_late_starts_at_its_next_grid_time(void **state)
{
    (void)state;
    struct turn turn;
    turn_init(&turn, 1000, 500, 2600, 3);
    check_count("next due", turn_due_ms(&turn, turn.next), 3000);
    turn_init(&turn, 1000, 500, 3000, 3);
    check_count("next due", turn_due_ms(&turn, turn.next), 3000);
    turn_init(&turn, 5000, 500, 3000, 3);
    check_count("next due", turn_due_ms(&turn, turn.next), 5000);
}

static void back_off_doubles_from_one_period_to_its_bound_and_ends_with_success(void **state)
{
    (void)state;
    struct turn turn;
    turn_init(&turn, 0, 1000, 0, 3);
    for (int i = 1; i <= 2; i++)
        turn_end(&turn, false, 0, 2000000, 0);
    check_count("not down yet", turn.not_before_us, 0);
    static const int64_t WANT_S[] = {1, 2, 4, 8, 16, 32, 60, 60, 60};
    for (size_t i = 0; i < sizeof WANT_S / sizeof WANT_S[0]; i++) {
        turn_end(&turn, false, 0, 2000000, 0);
        check_count("back-off, s", turn.not_before_us / 1000000, WANT_S[i]);
    }
    turn_end(&turn, false, 0, 10000000, 0); /* 25 probes of 10 s are more than 60 s */
    for (int i = 0; i < 5; i++)
        turn_end(&turn, false, 0, 10000000, 0);
    check_count("back-off, s", turn.not_before_us / 1000000, 250);
    for (uint32_t random = 0; random < 5000; random++) {
        turn_end(&turn, false, 0, 10000000, random * 2654435761u);
        assert_true(turn.not_before_us <= 250000000 && turn.not_before_us >= 210000000);
    }
    turn_end(&turn, true, 0, 10000000, 0);
    check_count("after success", turn.not_before_us, 0);
    check_count("after success", turn.failed, 0);
}

/* Planted defect: choosing by newest due starves the slow one (gather-newest-due-first) on a line
 * that is too busy. */
static void on_a_line_that_is_too_busy_nobody_starves(void **state)
{
    (void)state;
    static const int64_t PERIODS_MS[] = {1000, 1100, 3000, 900};
    struct turn turns[4];
    unsigned served[4] = {0};
    struct passed passed;
    for (size_t i = 0; i < 4; i++)
        turn_init(&turns[i], 0, PERIODS_MS[i], 0, 3);
    int64_t now_us = 0;
    for (uint64_t order = 1; order <= 1000; order++) {
        int chosen = turn_choose(turns, 4, now_us);
        assert_true(chosen >= 0);
        for (size_t i = 0; i < 4; i++)
            while (turn_pass(&turns[i], now_us, false, &passed))
                ;
        turn_claim(&turns[chosen], now_us / 1000, order);
        served[chosen]++;
        now_us += 1500000;
    }
    for (size_t i = 0; i < 4; i++)
        assert_true(served[i] >= 200);
}

/* ---- whole lines: exactly once ---- */

#define PERIODS 3600 /* more due times than any source has in the trial */

struct ledger {
    uint8_t seen[MADE_SOURCES_MAX][PERIODS];
};

static void note(struct ledger *ledger, const struct fake *fake, unsigned well, int64_t due_ms,
                 uint32_t count)
{
    int64_t period_ms = fake->made.entry[well].poll_every_ms;
    int64_t since_ms = due_ms - FAKE_START_US / 1000;
    assert_true(since_ms >= 0);
    int64_t index = since_ms / period_ms;
    for (uint32_t i = 0; i < count; i++) {
        assert_true(index + i < PERIODS);
        ledger->seen[well][index + i]++;
    }
}
static void note_item(struct ledger *ledger, const struct fake *fake, const struct gathered *item)
{
    if (item->kind == GATHERED_SCAN)
        note(ledger, fake, item->scan.well - 1u, item->scan.begun.boot_ms, 1);
    if (item->kind != GATHERED_SKIP)
        return;
    const struct skip *skip = &item->skip;
    int64_t period_ms = fake->made.entry[skip->well - 1].poll_every_ms;
    check_count("skip: last due", skip->last_due.boot_ms,
                skip->first_due.boot_ms + (skip->count - 1) * period_ms);
    check_count("skip: on the grid", (skip->first_due.boot_ms - FAKE_START_US / 1000) % period_ms,
                0);
    check_count("skip: UTC", skip->first_due.utc_ms - skip->first_due.boot_ms, FAKE_UTC_US / 1000);
    assert_true(skip->cause == CAUSE_LINE_BUSY || skip->cause == CAUSE_BACK_OFF ||
                skip->cause == CAUSE_LISTENING || skip->cause == CAUSE_ANOTHER_MASTER ||
                skip->cause == CAUSE_STOPPED);
    note(ledger, fake, skip->well - 1u, skip->first_due.boot_ms, skip->count);
}

/** Answers, or not, in ways that depend on dice; now and then the port goes, or another master
 * speaks. */
static void random_unit(struct fake *fake, uint8_t unit_id, const struct read_request *request)
{
    unsigned dice = (unsigned)rand_r(&fake->seed) % 100;
    uint8_t foreign[] = {77, 3, 0, 0, 0, 1, 0, 0};
    if (unit_id == 2 && fake->mode % 2 == 1)
        return; /* a dead unit */
    if (dice < 60)
        fake_answers(fake, 10000 + rand_r(&fake->seed) % 400000, unit_id, request);
    else if (dice < 70)
        fake_answers(fake, 1000000 + rand_r(&fake->seed) % 1500000, unit_id, request);
    else if (dice < 80)
        fake_excepts(fake, 20000, unit_id, request->function,
                     (uint8_t)(1 + rand_r(&fake->seed) % 11));
    else if (dice < 82 && fake->is_serial)
        fake_arrives(fake, 5000, foreign, fake_frame(fake, foreign, 6));
    else if (dice < 84)
        fake->is_gone = true;
    else if (dice < 90)
        fake_arrives(fake, 5000, foreign, 1 + (size_t)(rand_r(&fake->seed) % 5));
}

static void random_line(struct fake *fake, unsigned round)
{
    fake_init(fake, round % 4 == 3 ? LINE_MEDIUM_TCP : LINE_MEDIUM_SERIAL);
    fake->seed = round + 1;
    fake->mode = (int)round;
    unsigned n = 1 + round % 4;
    for (unsigned i = 0; i < n; i++) {
        made_channels(&fake->made.map[i], TABLE_INPUT, 0, 4);
        if (i % 2 == 0)
            made_channels(&fake->made.map[i], TABLE_HOLDING, 100, 4);
    }
    fake->made.line.share_line = round % 5 == 0;
    fake->made.line.listen_first_ms = round % 3 == 0 ? 7300 : 0;
    made_plan_join(&fake->made, n, 1000);
    for (unsigned i = 0; i < n; i++)
        fake->made.entry[i].poll_every_ms = 1000 + (uint32_t)rand_r(&fake->seed) % 9000;
    fake->unit = random_unit;
}

/* Planted defects: a due claimed twice after an exchange that lasted two periods
 * (gather-due-claimed-twice); dues in a back-off dropped; the open due forgotten at the stop. */
static void every_due_time_is_a_scan_or_in_a_skip_exactly_once(void **state)
{
    (void)state;
    static struct fake fake;
    static struct ledger ledger;
    static struct gathered item;
    unsigned scans = 0, skips[CAUSE_COUNT] = {0};
    for (unsigned round = 0; round < 120; round++) {
        random_line(&fake, round);
        memset(&ledger, 0, sizeof ledger);
        fake_start(&fake, true);
        int64_t minutes = 5 + rand_r(&fake.seed) % 20;
        for (int64_t slice = 0; slice < minutes * 60; slice++) {
            fake.refuses = rand_r(&fake.seed) % 100 < 20;
            fake_run(&fake, 1000000 - rand_r(&fake.seed) % 1000);
            while (ring_get(fake.ring, &item)) {
                note_item(&ledger, &fake, &item);
                scans += item.kind == GATHERED_SCAN;
                if (item.kind == GATHERED_SKIP)
                    skips[item.skip.cause] += item.skip.count;
            }
        }
        line_finish(fake.line);
        while (ring_get(fake.ring, &item))
            note_item(&ledger, &fake, &item);
        for (unsigned well = 0; well < fake.made.plan.n_wells; well++) {
            int64_t passed_ms = (fake.now_us - FAKE_START_US) / 1000;
            int64_t dues = passed_ms / fake.made.entry[well].poll_every_ms + 1;
            for (int64_t due = 0; due < PERIODS; due++)
                if (ledger.seen[well][due] != (due < dues ? 1 : 0))
                    fail_msg("round %u, well %u: due %lld of %lld is accounted for %u times", round,
                             well + 1, (long long)due, (long long)dues, ledger.seen[well][due]);
        }
        fake_stop(&fake);
    }
    print_message("%u scans; skips: busy %u, back-off %u, listening %u, another master %u\n", scans,
                  skips[CAUSE_LINE_BUSY], skips[CAUSE_BACK_OFF], skips[CAUSE_LISTENING],
                  skips[CAUSE_ANOTHER_MASTER]);
    assert_true(scans > 1000 && skips[CAUSE_LINE_BUSY] > 0 && skips[CAUSE_BACK_OFF] > 0 &&
                skips[CAUSE_LISTENING] > 0 && skips[CAUSE_ANOTHER_MASTER] > 0);
}

/* ---- a dead unit beside a living one ---- */

static void first_is_dead(struct fake *fake, uint8_t unit_id, const struct read_request *request)
{
    if (unit_id == 1 && fake->mode == 1)
        return;
    fake_answers(fake, 100000, unit_id, request);
}

/** Scans with data of well 2 in an hour, polled as fast as the line goes. */
static unsigned living_scans(int mode, unsigned *dead_asked)
{
    static struct fake fake;
    static struct gathered item;
    unsigned scans = 0;
    fake_init(&fake, LINE_MEDIUM_SERIAL);
    made_channels(&fake.made.map[0], TABLE_INPUT, 0, 4);
    made_channels(&fake.made.map[1], TABLE_INPUT, 0, 4);
    made_plan_join(&fake.made, 2, 100);
    fake.made.entry[0].poll_every_ms =
        mode == 1 ? 10000 : 3600000; /* without the dead one there is nobody else to ask */
    fake.unit = first_is_dead;
    fake.mode = mode;
    fake_start(&fake, false);
    for (int second = 0; second < 3600; second++) {
        fake_run(&fake, 1000000);
        while (ring_get(fake.ring, &item))
            scans += item.kind == GATHERED_SCAN && item.scan.well == 2;
    }
    *dead_asked = (unsigned)line_counts_of(fake.line, 0, SOURCE_GAUGE)->requests;
    fake_stop(&fake);
    return scans;
}

/* Planted defect: no back-off (gather-no-back-off); the dead unit then takes a sixth of the line.
 */
static void a_dead_unit_costs_a_living_one_less_than_5_percent(void **state)
{
    (void)state;
    unsigned asked, with = living_scans(1, &asked), without_asked,
                    without = living_scans(0, &without_asked);
    double share = 1 - (double)with / without;
    print_message("living scans an hour: %u beside a dead unit, %u without; the dead one was asked "
                  "%u times; it costs %.2f %%\n",
                  with, without, asked, 100 * share);
    assert_true(share < 0.05);
    assert_true(asked >= 3600 / 70); /* and it is still asked at least each 60 s or so */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_due_is_open_until_the_next_one_comes),
        cmocka_unit_test(a_source_that_joins_late_starts_at_its_next_grid_time),
        cmocka_unit_test(back_off_doubles_from_one_period_to_its_bound_and_ends_with_success),
        cmocka_unit_test(on_a_line_that_is_too_busy_nobody_starves),
        cmocka_unit_test(every_due_time_is_a_scan_or_in_a_skip_exactly_once),
        cmocka_unit_test(a_dead_unit_costs_a_living_one_less_than_5_percent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
