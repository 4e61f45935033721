/* SPDX-License-Identifier: Apache-2.0
 *
 * test_line_steps.c - a line's behaviour on virtual time: what a poll asks and keeps, dead units,
 * splits, busy units, a vanished port.
 */
#include "three_ranges.h"

static struct gathered item;

/* ---- what a poll asks ---- */

static struct read_request asked[64];
static int64_t asked_us[64];
static unsigned n_asked;

static void note_question(const struct read_request *request)
{
    if (n_asked < 64) {
        asked[n_asked] = *request;
        asked_us[n_asked] = fake.now_us;
    }
    n_asked++;
}
static void fine_and_noted(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    note_question(request);
    fake_answers(f, 30000, unit_id, request);
}

static void a_scan_holds_its_blocks_in_the_order_asked(void **state)
{
    (void)state;
    struct scan scan;
    n_asked = 0;
    three_ranges(LINE_MEDIUM_SERIAL, 10000, fine_and_noted);
    fake.made.map[0].has_status = true;
    fake.made.map[0].status_table = TABLE_INPUT;
    fake.made.map[0].status_address = 202;
    made_readable(&fake.made.map[0], TABLE_INPUT, 195, 215);
    fake_start(&fake, false);
    fake_run(&fake, 1000000);
    fake_take_scan(&fake, &scan);
    check_count("blocks", scan.n_blocks, 4);
    check_count("status first", scan.block[0].first, 200);
    assert_true(scan.block[3].first <= 202 && scan.block[3].first + scan.block[3].count > 202);
    check_count("run", (long long)scan.run, 42);
    check_count("well", scan.well, 1);
    check_count("source", scan.source, SOURCE_GAUGE);
    check_count("begun", scan.begun.boot_ms, FAKE_START_US / 1000);
    check_count("clock", scan.begun.clock, CLOCK_STATE_SYNCHRONISED);
    check_count("tries", scan.tries, 4);
    /* four answers of 30 ms and three waits of t3.5 (3.646 ms) between: 130.9 ms */
    check_count("took, ms", scan.took_ms, 131);
    unsigned at = 0;
    for (unsigned b = 0; b < scan.n_blocks; b++) {
        check_count("function", scan.block[b].function, asked[b].function);
        check_count("first", scan.block[b].first, asked[b].first);
        check_count("count", scan.block[b].count, asked[b].count);
        check_count("at", scan.block[b].at, at);
        for (unsigned i = 0; i < scan.block[b].count; i++)
            check_count("word", scan.words[at + i], fake_value(1, scan.block[b].first + i));
        at += scan.block[b].count;
    }
    check_count("words", scan.n_words, at);
    fake_stop(&fake);
}

static void slow_answers(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    fake_answers(f, 300000, unit_id, request);
}

/* Planted defect: gather-skip-before-its-scan. A skip that is journaled before the scan during
 * which it passed, and a kill between: the next start takes the scan's due time as accounted for.
 * Found by a random history. */
static void due_times_that_pass_during_a_scan_are_told_behind_it(void **state)
{
    (void)state;
    unsigned n_scans = 0, n_skips = 0;
    int64_t newest_ms = 0;
    three_ranges(LINE_MEDIUM_SERIAL, 200, slow_answers);
    fake_start(&fake, false);
    fake_run(&fake, 20000000);
    while (ring_get(fake.ring, &item)) {
        if (item.kind == GATHERED_NOTICE)
            continue;
        const bool is_scan = item.kind == GATHERED_SCAN;
        const int64_t first_ms = is_scan ? item.scan.begun.boot_ms : item.skip.first_due.boot_ms;
        assert_true(first_ms > newest_ms);
        newest_ms = is_scan ? first_ms : item.skip.last_due.boot_ms;
        n_scans += is_scan ? 1 : 0;
        if (!is_scan)
            n_skips += item.skip.count;
    }
    assert_true(n_scans > 15 && n_skips > 50);
    fake_stop(&fake);
}

static void second_range_is_refused(struct fake *f, uint8_t unit_id,
                                    const struct read_request *request)
{
    note_question(request);
    if (request->first == 200)
        fake_excepts(f, 30000, unit_id, request->function, (uint8_t)f->mode);
    else
        fake_answers(f, 30000, unit_id, request);
}

static void one_refused_range_leaves_the_others_their_data(void **state)
{
    (void)state;
    struct scan scan;
    three_ranges(LINE_MEDIUM_SERIAL, 10000, second_range_is_refused);
    fake.mode = 2;
    fake_start(&fake, false);
    fake_run(&fake, 1000000);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_PARTIAL);
    check_count("exception", scan.block[1].exception, 2);
    check_count("first", scan.block[1].first, 200);
    check_count("count", scan.block[1].count, 5);
    check_count("words", scan.n_words, 10);
    check_count("at of the third", scan.block[2].at, 4);
    check_count("tries", scan.tries, 3);
    fake_stop(&fake);
}

/* V1.1b3, 7 knows no code 00 or FF. Taken for one, the block would look like data, and its channels
 * would be read from the words of the block behind it. Planted defect: gather-exception-of-no-code.
 */
static void an_exception_without_a_code_leaves_no_block_that_looks_like_data(void **state)
{
    (void)state;
    static const int CODES[] = {0, 0xFF};
    for (size_t i = 0; i < sizeof CODES / sizeof CODES[0]; i++) {
        struct scan scan;
        three_ranges(LINE_MEDIUM_SERIAL, 10000, second_range_is_refused);
        fake.mode = CODES[i];
        fake_start(&fake, false);
        fake_run(&fake, 9000000);
        fake_take_scan(&fake, &scan);
        check_count("outcome", scan.outcome, OUTCOME_PARTIAL);
        check_count("first", scan.block[1].first, 200);
        check_count("exception", scan.block[1].exception, BLOCK_NO_ANSWER);
        check_count("words", scan.n_words, 10);
        fake_stop(&fake);
    }
}

/* Modbus Application Protocol V1.1b3, section 7: 06, the server is busy: ask again later. */
static void a_busy_unit_is_asked_again_after_a_turn_around_twice_a_scan_at_most(void **state)
{
    (void)state;
    struct scan scan;
    n_asked = 0;
    three_ranges(LINE_MEDIUM_SERIAL, 10000, second_range_is_refused);
    fake.mode = 6;
    fake_start(&fake, false);
    fake_run(&fake, 1000000);
    fake_take_scan(&fake, &scan);
    check_count("questions", n_asked, 4);
    assert_true(asked_us[2] - asked_us[1] >= 30000 + 100000);
    check_count("exception", scan.block[1].exception, 6);
    check_count("outcome", scan.outcome, OUTCOME_PARTIAL);
    fake_stop(&fake);
}

/* ---- merged over a hole ---- */

static void holes_are_refused(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    note_question(request);
    if (request->first <= 14 && request->first + request->count > 14)
        fake_excepts(f, 30000, unit_id, request->function, 2);
    else
        fake_answers(f, 30000, unit_id, request);
}

static void exception_02_on_a_hole_splits_the_range_once_and_names_the_registers(void **state)
{
    (void)state;
    struct scan scan;
    n_asked = 0;
    fake_init(&fake, LINE_MEDIUM_SERIAL);
    made_channels(&fake.made.map[0], TABLE_INPUT, 10, 4);
    made_channels(&fake.made.map[0], TABLE_INPUT, 16, 3);
    made_plan_join(&fake.made, 1, 10000);
    fake.unit = holes_are_refused;
    fake_start(&fake, false);
    fake_run(&fake, 1000000);
    assert_true(fake_take(&fake, GATHERED_NOTICE, &item));
    check_text("kind", item.notice.kind, "split_range");
    assert_non_null(strstr(item.notice.text, "14 to 15"));
    assert_true(strlen(item.notice.text) < GAP_CAUSE_MAX - 1);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_ANSWERED);
    check_count("blocks", scan.n_blocks, 2);
    check_count("tries", scan.tries, 3);
    fake_run(&fake, 20000000);
    fake_take_scan(&fake, &scan);
    check_count("tries of the next scan", scan.tries, 2); /* remembered */
    assert_false(fake_take(&fake, GATHERED_NOTICE, &item));
    fake_stop(&fake);
}

/* ---- dead units ---- */

static void dead(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    note_question(request);
    if (f->mode == 1)
        fake_answers(f, 30000, unit_id, request);
}

static void a_dead_unit_is_probed_with_its_first_range_only(void **state)
{
    (void)state;
    struct scan scan;
    n_asked = 0;
    three_ranges(LINE_MEDIUM_SERIAL, 10000, dead);
    fake_start(&fake, false);
    fake_run(&fake, 9000000);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_SILENT);
    check_count("tries", scan.tries, 2);
    check_count("blocks", scan.n_blocks, 3);
    for (unsigned i = 0; i < 3; i++)
        check_count("no answer", scan.block[i].exception, BLOCK_NO_ANSWER);
    check_count("words", scan.n_words, 0);
    fake_run(&fake, 60000000);
    unsigned tries = 0;
    while (fake_take(&fake, GATHERED_SCAN, &item))
        tries = item.scan.tries;
    check_count("tries once it is down", tries, 1);
    fake.mode = 1; /* it comes back: all three ranges, and the grid of 10 s again */
    fake_run(&fake, 120000000);
    for (int i = 0; i < 3; i++) {
        fake_take_scan(&fake, &scan);
        while (scan.outcome != OUTCOME_ANSWERED)
            fake_take_scan(&fake, &scan);
    }
    int64_t before_ms = scan.begun.boot_ms;
    fake_take_scan(&fake, &scan);
    check_count("period", scan.begun.boot_ms - before_ms, 10000);
    fake_stop(&fake);
}

/* ---- equal lengths ---- */

/** Asks once; two ranges of 2 registers stand alone, the one of 3 does not. */
static void ask_alone(uint16_t alone, uint16_t also_alone, uint16_t other)
{
    n_asked = 0;
    fake_init(&fake, LINE_MEDIUM_SERIAL);
    made_channel(&fake.made.map[0], TABLE_INPUT, alone, 2);
    made_channel(&fake.made.map[0], TABLE_INPUT, also_alone, 2);
    made_channel(&fake.made.map[0], TABLE_INPUT, other, 3);
    made_plan_join(&fake.made, 1, 60000);
    fake.unit = fine_and_noted;
    fake_start(&fake, false);
    fake_run(&fake, 10000000);
    check_count("questions", n_asked, 3);
    fake_stop(&fake);
}
/* Planted defects: no rest before, no rest after: the next question then leaves 4 ms after the
 * answer. */
static void a_range_that_stands_alone_has_quiet_around_it(void **state)
{
    (void)state;
    ask_alone(0, 100, 200);
    assert_true(asked_us[1] - asked_us[0] >= 30000 + 1000000);
    assert_true(asked_us[2] - asked_us[1] >= 30000 + 1000000); /* after it */
    ask_alone(100, 200, 0);
    assert_true(asked_us[1] - asked_us[0] >= 30000 + 1000000); /* before it */
    assert_true(asked_us[2] - asked_us[1] >= 30000 + 1000000);
}

/* ---- a port that vanishes ---- */

static void a_vanished_port_is_tried_again_without_a_busy_loop(void **state)
{
    (void)state;
    struct scan scan;
    three_ranges(LINE_MEDIUM_SERIAL, 10000, fake_fine_unit);
    fake_start(&fake, false);
    fake_run(&fake, 5000000);
    fake_take_scan(&fake, &scan);
    fake.is_gone = fake.refuses = true;
    fake_run(&fake, 300000000);
    assert_true(fake.open_tries >= 300 / 10 &&
                fake.open_tries <= 60); /* at most 8 s apart, at least 0.8 s at first */
    unsigned gone = 0, notices = 0;
    while (ring_get(fake.ring, &item)) {
        notices += item.kind == GATHERED_NOTICE;
        if (item.kind == GATHERED_SCAN) {
            gone++;
            check_count("outcome", item.scan.outcome, OUTCOME_PORT_GONE);
            check_count("tries", item.scan.tries, 0);
            check_count("blocks", item.scan.n_blocks, 3);
        } else if (item.kind == GATHERED_SKIP) {
            check_count("cause", item.skip.cause, CAUSE_BACK_OFF);
        }
    }
    assert_true(gone >= 25); /* of 30 dues */
    check_count("one notice", notices, 1);
    fake.refuses = false;
    fake_run(&fake, 30000000); /* S22: data within 30 s */
    bool is_back = false;
    while (ring_get(fake.ring, &item)) {
        is_back = is_back || (item.kind == GATHERED_SCAN && item.scan.outcome == OUTCOME_ANSWERED);
        if (item.kind == GATHERED_NOTICE)
            check_text("kind", item.notice.kind, "port_back");
    }
    assert_true(is_back);
    fake_stop(&fake);
}

static void vanishes(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    (void)unit_id;
    f->is_gone = request->first == 200;
    if (!f->is_gone)
        fake_answers(f, 30000, unit_id, request);
}

static void a_port_that_vanishes_inside_a_scan_keeps_what_was_read(void **state)
{
    (void)state;
    struct scan scan;
    three_ranges(LINE_MEDIUM_SERIAL, 60000, vanishes);
    fake_start(&fake, false);
    fake_run(&fake, 1000000);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_PARTIAL);
    check_count("words", scan.n_words, 4);
    check_count("port losses", (long long)line_totals(fake.line)->port_losses, 1);
    fake_stop(&fake);
}

/* ---- only reads leave ---- */

/* The fake port itself refuses every byte that is no read request of functions 1 to 4, and unit 0
 * on a serial line. Planted defect: another function number in a read plan. */
static void whatever_the_map_only_read_requests_are_sent(void **state)
{
    (void)state;
    unsigned seed = 3, sent = 0;
    for (unsigned round = 0; round < 300; round++) {
        fake_init(&fake, round % 2 ? LINE_MEDIUM_SERIAL : LINE_MEDIUM_TCP);
        unsigned wells = 1 + round % 3;
        for (unsigned w = 0; w < wells; w++)
            for (int c = 0; c < 12; c++)
                made_channel(&fake.made.map[w], (uint8_t)(1 + rand_r(&seed) % 4),
                             (uint16_t)(rand_r(&seed) % 400), (uint16_t)(1 + rand_r(&seed) % 4));
        made_plan_join(&fake.made, wells, 1000);
        fake.unit = round % 5 == 0 ? dead : fake_fine_unit;
        fake.mode = 0;
        struct read_plan reads;
        bool is_possible = true;
        for (unsigned w = 0; w < wells; w++)
            is_possible = is_possible &&
                          read_plan_make(&fake.made.map[w], &fake.made.line, &reads, NULL) == UP_OK;
        if (!is_possible)
            continue;
        fake_start(&fake, false);
        fake_run(&fake, 60000000);
        sent += fake.sends;
        fake_stop(&fake);
    }
    assert_true(sent > 10000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_scan_holds_its_blocks_in_the_order_asked),
        cmocka_unit_test(due_times_that_pass_during_a_scan_are_told_behind_it),
        cmocka_unit_test(one_refused_range_leaves_the_others_their_data),
        cmocka_unit_test(an_exception_without_a_code_leaves_no_block_that_looks_like_data),
        cmocka_unit_test(a_busy_unit_is_asked_again_after_a_turn_around_twice_a_scan_at_most),
        cmocka_unit_test(exception_02_on_a_hole_splits_the_range_once_and_names_the_registers),
        cmocka_unit_test(a_dead_unit_is_probed_with_its_first_range_only),
        cmocka_unit_test(a_range_that_stands_alone_has_quiet_around_it),
        cmocka_unit_test(a_vanished_port_is_tried_again_without_a_busy_loop),
        cmocka_unit_test(a_port_that_vanishes_inside_a_scan_keeps_what_was_read),
        cmocka_unit_test(whatever_the_map_only_read_requests_are_sent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
