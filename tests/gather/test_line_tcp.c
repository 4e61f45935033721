/* SPDX-License-Identifier: Apache-2.0
 *
 * test_line_tcp.c - a line over TCP on virtual time: every field of the header is checked, a
 * connection that can't be trusted is closed, one that is refused is tried again ever more rarely.
 */
#include "three_ranges.h"

static struct gathered item;

static void path_down(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_converter_without_its_unit_is_path_down_and_asked_once),
        cmocka_unit_test(a_connection_closed_while_idle_costs_no_scan),
        cmocka_unit_test(a_refused_connection_is_tried_after_1_2_4_up_to_60_s),
        cmocka_unit_test(on_tcp_a_time_out_or_any_mismatch_closes_the_connection),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
