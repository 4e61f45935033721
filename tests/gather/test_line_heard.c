/* SPDX-License-Identifier: Apache-2.0
 *
 * test_line_heard.c - a line that only listens: scans made of another master's exchanges, the books
 * of its due times, the status before and behind, and never a byte sent.
 */
#include "fake.h"

static struct fake fake;
static int64_t at_us; /* where the other master's next round begins */

#define STATUS 0 /* input register */

/** Status at 0 (bit 0: live), channels at 10 to 13 and 20 to 21. */
static void start(bool has_status)
{
    fake_init(&fake, LINE_MEDIUM_SERIAL);
    struct map *map = &fake.made.map[0];
    made_channels(map, TABLE_INPUT, 10, 4);
    made_channels(map, TABLE_INPUT, 20, 2);
    map->has_status = has_status;
    map->status_table = TABLE_INPUT;
    map->status_address = STATUS;
    map->status_bit[0] = STATUS_LIVE;
    made_plan_join(&fake.made, 1, 10000);
    fake.made.line.share_line = LINE_LISTENS;
    fake.made.line.listen_first_ms = 28000;
    fake_start(&fake, true);
    at_us = fake.now_us;
}

/** The other master asks unit 1 so many ms after `from_us`, and is answered 30 ms later. */
static void exchange_at(int64_t from_us, int64_t ms, unsigned first, unsigned count)
{
    ms += (from_us - fake.now_us) / 1000; /* a step may have ended a slice later than asked for */
    uint8_t frame[300] = {1, 4};
    const struct read_request request = {
        .function = TABLE_INPUT, .first = (uint16_t)first, .count = (uint16_t)count};
    put_u16(frame + 2, request.first);
    put_u16(frame + 4, request.count);
    fake_arrives(&fake, ms * 1000, frame, fake_frame(&fake, frame, 6));
    fake_arrives(&fake, ms * 1000 + 30000, frame,
                 fake_frame(&fake, frame, fake_answer(frame, 1, &request)));
}

struct sums {
    unsigned scans, answered, partial, silent, garbled, exceptions, skips, torn;
    struct scan last;
};

static struct sums take_all(void)
{
    static struct gathered item;
    struct sums sums = {0};
    while (ring_get(fake.ring, &item)) {
        sums.skips += item.kind == GATHERED_SKIP ? item.skip.count : 0;
        if (item.kind != GATHERED_SCAN)
            continue;
        const struct scan *scan = &item.scan;
        sums.scans++;
        sums.answered += scan->outcome == OUTCOME_ANSWERED;
        sums.partial += scan->outcome == OUTCOME_PARTIAL;
        sums.silent += scan->outcome == OUTCOME_SILENT;
        sums.garbled += scan->outcome == OUTCOME_BAD_CHECKSUM;
        sums.exceptions += scan->outcome == OUTCOME_EXCEPTION;
        check_count("questions of ours", scan->tries, 0);
        for (unsigned b = 0; b < scan->n_blocks; b++) {
            const struct block *block = &scan->block[b];
            sums.torn += block->exception == BLOCK_NO_ANSWER;
            for (unsigned k = 0; block->exception == 0 && k < block->count; k++)
                check_count("word", scan->words[block->at + k], fake_value(1, block->first + k));
        }
        sums.last = *scan;
    }
    return sums;
}

static void stop(void)
{
    check_count("bytes sent", fake.sends, 0);
    fake_stop(&fake);
}

/** Rounds of status, both blocks, each so long apart; the next status closes a scan. */
static void rounds(unsigned n, int64_t apart_ms)
{
    for (unsigned i = 0; i < n; i++, at_us += apart_ms * 1000) {
        exchange_at(at_us, 300, STATUS, 1);
        exchange_at(at_us, 400, 10, 4);
        exchange_at(at_us, 500, 20, 2);
        fake_run_until(&fake, at_us + apart_ms * 1000);
    }
}

/* Planted defects: gather-listener-asks (a question leaves); gather-heard-skips (due times that
 * were served count as skipped too). */
static void each_due_time_is_one_scan_of_what_was_heard(void **state)
{
    (void)state;
    start(true);
    rounds(600, 1000);
    const struct sums sums = take_all();
    print_message("%u scans, %u answered, %u partial, %u silent, %u skips\n", sums.scans,
                  sums.answered, sums.partial, sums.silent, sums.skips);
    check_count("scans in 10 min, one each 10 s", sums.scans, 60);
    assert_true(sums.answered >= 59); /* the first one learns what this master reads */
    check_count("skips", sums.skips, 0);
    check_count("torn", sums.torn, 0);
    check_count("blocks: status, values, values, status", sums.last.n_blocks, 4);
    check_count("first", sums.last.block[0].first, STATUS);
    check_count("last", sums.last.block[3].first, STATUS);
    stop();
}

/** The other master is as slow as we: its round may fall at any place of our period, and over its
 * end. Planted defect: a scan ends with its period, and its status behind is missed. */
static void a_master_as_slow_as_our_period_is_enough_at_any_phase(void **state)
{
    (void)state;
    for (int64_t phase_ms = 0; phase_ms < 10000; phase_ms += 50) {
        start(true);
        at_us += phase_ms * 1000;
        fake_run_until(&fake, at_us);
        rounds(30, 10000);
        const struct sums sums = take_all();
        if (sums.silent > 1 || sums.torn > 0 || sums.skips > 0 || sums.answered < 27)
            fail_msg("phase %d ms: %u scans, %u answered, %u partial, %u silent, %u torn, %u skips",
                     (int)phase_ms, sums.scans, sums.answered, sums.partial, sums.silent, sums.torn,
                     sums.skips);
        stop();
    }
}

/* Planted defect: a status that was heard once stands for both (gather-heard-one-status). */
static void a_status_that_is_not_heard_behind_the_values_is_said(void **state)
{
    (void)state;
    start(true);
    for (unsigned i = 0; i < 30; i++) { /* the status each 30 s only */
        if (i % 3 == 0)
            exchange_at(at_us, 300, STATUS, 1);
        exchange_at(at_us, 400, 10, 4);
        exchange_at(at_us, 500, 20, 2);
        at_us += 10000000;
        fake_run_until(&fake, at_us);
    }
    const struct sums sums = take_all();
    print_message("%u scans, %u answered, %u partial, %u torn\n", sums.scans, sums.answered,
                  sums.partial, sums.torn);
    check_count("skips", sums.skips, 0);
    assert_true(sums.torn >= 8);
    assert_true(sums.answered <= 2); /* before it was first heard it isn't missed */
    stop();
}

/* Registers that the other master doesn't read are in no scan, and don't make one partial. */
static void what_the_other_master_never_reads_is_in_no_scan(void **state)
{
    (void)state;
    start(false);
    for (unsigned i = 0; i < 100; i++) {
        exchange_at(at_us, 300, 10, 4);
        at_us += 1000000;
        fake_run_until(&fake, at_us);
    }
    const struct sums sums = take_all();
    check_count("scans", sums.scans, 10);
    check_count("answered", sums.answered, 10);
    check_count("blocks", sums.last.n_blocks, 1);
    stop();
}

/* Planted defect: nothing heard is no row (gather-silence-is-no-row): the line would stay up. */
static void when_the_other_master_stops_each_due_time_is_a_row_without_data(void **state)
{
    (void)state;
    start(true);
    rounds(100, 1000);
    take_all();
    at_us += INT64_C(120000000);
    fake_run_until(&fake, at_us);
    struct sums sums = take_all();
    print_message("%u scans, %u silent, %u skips\n", sums.scans, sums.silent, sums.skips);
    assert_true(sums.silent >= 10 && sums.scans >= 11 && sums.scans <= 12);
    check_count("skips", sums.skips, 0);
    rounds(60, 1000);
    sums = take_all();
    assert_true(sums.answered >= 5);
    stop();
}

static void bytes_without_a_frame_are_said_to_be_garbled(void **state)
{
    (void)state;
    start(true);
    for (unsigned i = 0; i < 60; i++) {
        uint8_t noise[24];
        for (size_t k = 0; k < sizeof noise; k++)
            noise[k] = (uint8_t)(0x80 | rand_r(&fake.seed));
        fake_arrives(&fake, 100000, noise, sizeof noise);
        fake_run(&fake, 1000000);
    }
    const struct sums sums = take_all();
    assert_true(sums.garbled >= 5);
    check_count("and nothing else", sums.scans - sums.garbled, 0);
    assert_true(sums.last.stray > 100);
    stop();
}

/* The unit answers the other master with an exception: the line is up, the registers have no data.
 */
static void an_exception_that_was_heard_is_an_answer(void **state)
{
    (void)state;
    start(false);
    for (unsigned i = 0; i < 60; i++) {
        uint8_t frame[16] = {1, 4, 0, 10, 0, 4};
        fake_arrives(&fake, 100000, frame, fake_frame(&fake, frame, 6));
        fake_excepts(&fake, 130000, 1, 4, 4);
        fake_run(&fake, 1000000);
    }
    const struct sums sums = take_all();
    assert_true(sums.exceptions >= 5);
    stop();
}

/** A master that reads each 60 s, where each 10 s is a due time: said once, with what to set. */
static void a_master_slower_than_poll_every_is_named_once(void **state)
{
    (void)state;
    static struct gathered item;
    unsigned told = 0;
    start(false);
    for (unsigned i = 0; i < 20; i++) {
        exchange_at(at_us, 300, 10, 4);
        at_us += 60000000;
        fake_run_until(&fake, at_us);
    }
    while (ring_get(fake.ring, &item))
        if (item.kind == GATHERED_NOTICE && strcmp(item.notice.kind, "slow_master") == 0) {
            check_text("sentence", item.notice.text,
                       "The other master on pad-line reads unit id 1 only each 1 min. Set "
                       "poll_every of this entry to that or more, else due times between stay "
                       "without data.");
            told++;
        }
    check_count("told", told, 1);
    stop();
}

/** A port that vanishes in the middle: what was heard is put, then the port's own rows. */
static void a_lost_port_ends_the_scan_under_way(void **state)
{
    (void)state;
    start(true);
    rounds(25, 1000);
    take_all();
    at_us += 6000000;
    fake_run_until(&fake, at_us);
    exchange_at(at_us, 300, STATUS, 1);
    exchange_at(at_us, 400, 10, 4);
    at_us += 1000000;
    fake_run_until(&fake, at_us);
    fake.is_gone = fake.refuses = true;
    at_us += 60000000;
    fake_run_until(&fake, at_us);
    fake.refuses = false;
    struct sums sums = take_all();
    assert_true(sums.partial + sums.answered >= 1);
    at_us += 10000000;
    fake_run_until(&fake, at_us);
    rounds(40, 1000);
    line_finish(fake.line);
    const struct sums after = take_all();
    assert_true(after.answered >= 3);
    /* due at 0, 10 .. : 25 + 6 + 1 + 60 + 10 + 40 s */
    print_message("%u + %u rows, %u + %u skips\n", sums.scans, after.scans, sums.skips,
                  after.skips);
    stop();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_due_time_is_one_scan_of_what_was_heard),
        cmocka_unit_test(a_master_as_slow_as_our_period_is_enough_at_any_phase),
        cmocka_unit_test(a_status_that_is_not_heard_behind_the_values_is_said),
        cmocka_unit_test(what_the_other_master_never_reads_is_in_no_scan),
        cmocka_unit_test(when_the_other_master_stops_each_due_time_is_a_row_without_data),
        cmocka_unit_test(bytes_without_a_frame_are_said_to_be_garbled),
        cmocka_unit_test(an_exception_that_was_heard_is_an_answer),
        cmocka_unit_test(a_master_slower_than_poll_every_is_named_once),
        cmocka_unit_test(a_lost_port_ends_the_scan_under_way),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
