/* SPDX-License-Identifier: Apache-2.0
 *
 * test_line_steps.c - a line's behaviour on virtual time: what a poll asks and keeps, dead units,
 * splits, busy units, a vanished port, TCP.
 */
#include "fake.h"

static struct fake fake;
static struct gathered item;

/** Three ranges of input registers, 4, 5 and 6 long, of well 1. */
static void three_ranges(uint8_t medium, uint32_t poll_every_ms, fake_unit unit)
{
    fake_init(&fake, medium);
    made_channels(&fake.made.map[0], TABLE_INPUT, 0, 4);
    made_channels(&fake.made.map[0], TABLE_INPUT, 200, 5);
    made_channels(&fake.made.map[0], TABLE_INPUT, 400, 6);
    made_never(&fake.made.map[0], TABLE_INPUT, 150,
               150); /* on TCP holes cost nothing and would be read */
    made_never(&fake.made.map[0], TABLE_INPUT, 350, 350);
    made_plan_join(&fake.made, 1, poll_every_ms);
    fake.unit = unit;
}

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

static void path_down(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    note_question(request);
    fake_excepts(f, 30000, unit_id, request->function, 0x0B);
}

static void a_converter_without_its_unit_is_path_down_and_asked_once(void **state)
{
    (void)state;
    struct scan scan;
    three_ranges(LINE_MEDIUM_TCP, 10000, path_down);
    fake_start(&fake, false);
    fake_run(&fake, 1000000);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_PATH_DOWN);
    check_count("tries", scan.tries, 1);
    check_count("exception", scan.block[0].exception, 0x0B);
    check_count("the connection stays", fake.closes, 0);
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

/* ---- TCP ---- */

enum tcp_fault {
    TCP_FINE,
    TCP_SILENT,
    TCP_TRANSACTION,
    TCP_PROTOCOL,
    TCP_UNIT,
    TCP_LENGTH,
    TCP_FUNCTION,
    TCP_SURPLUS,
    TCP_CUT,
    TCP_FAULTS
};

static void tcp_unit(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    uint8_t frame[300];
    note_question(request);
    size_t n = fake_frame(f, frame, fake_answer(frame, unit_id, request));
    switch ((enum tcp_fault)f->mode) {
    case TCP_SILENT:
        return;
    case TCP_TRANSACTION:
        frame[1]++;
        break;
    case TCP_PROTOCOL:
        frame[3] = 1;
        break;
    case TCP_UNIT:
        frame[6]++;
        break;
    case TCP_LENGTH:
        frame[5]++;
        break;
    case TCP_FUNCTION:
        frame[7] = 3;
        break;
    case TCP_SURPLUS:
        frame[n++] = 0;
        break;
    case TCP_CUT:
        n -= 2;
        break;
    case TCP_FINE:
    case TCP_FAULTS:
        break;
    }
    fake_arrives(f, 30000, frame, 5); /* a header in two lumps */
    fake_arrives(f, 40000, frame + 5, n - 5);
}

/* Modbus Messaging on TCP/IP V1.0b, 3.1.3. Planted defects: each of the five header checks left out
 * fails its row. */
static void on_tcp_a_time_out_or_any_mismatch_closes_the_connection(void **state)
{
    (void)state;
    static const uint8_t OUTCOMES[TCP_FAULTS] = {[TCP_FINE] = OUTCOME_ANSWERED,
                                                 [TCP_SILENT] = OUTCOME_SILENT,
                                                 [TCP_TRANSACTION] = OUTCOME_WRONG_REPLY,
                                                 [TCP_PROTOCOL] = OUTCOME_WRONG_REPLY,
                                                 [TCP_UNIT] = OUTCOME_WRONG_REPLY,
                                                 [TCP_LENGTH] = OUTCOME_CUT_SHORT,
                                                 [TCP_FUNCTION] = OUTCOME_WRONG_REPLY,
                                                 [TCP_SURPLUS] = OUTCOME_WRONG_REPLY,
                                                 [TCP_CUT] = OUTCOME_CUT_SHORT};
    for (int fault = TCP_FINE; fault < TCP_FAULTS; fault++) {
        struct scan scan;
        char what[64];
        three_ranges(LINE_MEDIUM_TCP, 60000, tcp_unit);
        fake.made.map[0].n_channels = 4; /* the first range only */
        fake.mode = fault;
        fake_start(&fake, false);
        fake_run(&fake, 30000000);
        fake_take_scan(&fake, &scan);
        snprintf(what, sizeof what, "fault %d: outcome", fault);
        check_count(what, scan.outcome, OUTCOMES[fault]);
        snprintf(what, sizeof what, "fault %d: closed", fault);
        check_count(what, fake.closes, fault == TCP_FINE ? 0 : 2);
        check_count(what, scan.tries, fault == TCP_FINE ? 1 : 2);
        check_count(what, scan.n_words, fault == TCP_FINE ? 4 : 0);
        fake_stop(&fake);
    }
}

static void a_refused_connection_is_tried_after_1_2_4_up_to_60_s(void **state)
{
    (void)state;
    three_ranges(LINE_MEDIUM_TCP, 1000, fake_fine_unit);
    fake.refuses = true;
    fake_start(&fake, false);
    fake_run(&fake, 600000000);
    int64_t least_us = 800000;
    for (unsigned i = 1; i < 15 && i < fake.open_tries; i++) {
        int64_t apart_us = fake.open_tried_us[i] - fake.open_tried_us[i - 1];
        assert_true(apart_us >= least_us && apart_us <= least_us * 10 / 8 + 1000000);
        least_us = 2 * least_us < 48000000 ? 2 * least_us : 48000000;
    }
    assert_true(fake.open_tries >= 14 && fake.open_tries <= 20);
    unsigned rows = 0, skipped = 0;
    while (ring_get(fake.ring, &item)) {
        if (item.kind == GATHERED_SCAN) {
            check_count("outcome", item.scan.outcome, OUTCOME_NO_CONNECTION);
            rows++;
        }
        if (item.kind == GATHERED_SKIP) {
            check_count("cause", item.skip.cause, CAUSE_BACK_OFF);
            skipped += item.skip.count;
        }
    }
    check_count("a row an attempt", rows, fake.open_tries);
    assert_true(rows + skipped >= 599 && rows + skipped <= 601);
    fake_stop(&fake);
}

static void a_connection_closed_while_idle_costs_no_scan(void **state)
{
    (void)state;
    struct scan scan;
    three_ranges(LINE_MEDIUM_TCP, 10000, fake_fine_unit);
    fake_start(&fake, false);
    fake_run(&fake, 5000000);
    fake_take_scan(&fake, &scan);
    fake.is_gone = true;
    fake_run(&fake, 10000000);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_ANSWERED);
    check_count("opens", fake.opens, 2);
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
        cmocka_unit_test(one_refused_range_leaves_the_others_their_data),
        cmocka_unit_test(a_busy_unit_is_asked_again_after_a_turn_around_twice_a_scan_at_most),
        cmocka_unit_test(exception_02_on_a_hole_splits_the_range_once_and_names_the_registers),
        cmocka_unit_test(a_dead_unit_is_probed_with_its_first_range_only),
        cmocka_unit_test(a_converter_without_its_unit_is_path_down_and_asked_once),
        cmocka_unit_test(a_range_that_stands_alone_has_quiet_around_it),
        cmocka_unit_test(a_vanished_port_is_tried_again_without_a_busy_loop),
        cmocka_unit_test(a_port_that_vanishes_inside_a_scan_keeps_what_was_read),
        cmocka_unit_test(on_tcp_a_time_out_or_any_mismatch_closes_the_connection),
        cmocka_unit_test(a_refused_connection_is_tried_after_1_2_4_up_to_60_s),
        cmocka_unit_test(a_connection_closed_while_idle_costs_no_scan),
        cmocka_unit_test(whatever_the_map_only_read_requests_are_sent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
