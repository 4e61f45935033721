/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_resend.c - rows that go out once more because a person asked (S18). In lock-step,
 * judged from outside: what was sent before is what the harness's receiver kept.
 */
#include "once_more.h"

#include <sysexits.h>

#define TEXT_MAX 512

static void ask(struct day *day, int code, const char *arguments, const char *says)
{
    char text[TEXT_MAX];
    const int got = day_resend(day, arguments, text, sizeof text);
    if (got != code || strstr(text, says) == NULL)
        fail_msg("'%s' gave %d and said: %s", arguments, got, text);
    print_message("%s\n", text);
}

/** Each row of [from, to] once more, and it is the very row; no other. */
static void check_resent(const struct receiver *receiver, size_t begin, uint64_t from, uint64_t to)
{
    check_count("rows sent again", (long long)(receiver->n_again - begin),
                (long long)(to - from + 1));
    for (size_t i = begin; i < receiver->n_again; i++) {
        const struct record *again = &receiver->again[i];
        const struct record *row = first_of(receiver, again->seq);
        assert_true(row != NULL && again->seq == from + i - begin);
        assert_true(again->run == row->run && again->pos == row->pos && again->revision == 0 &&
                    again->after_run == row->after_run && again->after_seq == row->after_seq &&
                    again->plan_digest == row->plan_digest && again->n == row->n &&
                    memcmp(&again->at, &row->at, sizeof row->at) == 0);
        if (memcmp(again->reading, row->reading, row->n * sizeof row->reading[0]) != 0)
            fail_msg("row %" PRIu64 " was sent with another content", again->seq);
    }
}

/** S18's second half. Planted defects, each seen: a resend moves the cursor of records; the window
 * begins at the range's first row; where it stands is forgotten at a restart. */
static void a_range_goes_out_again_as_it_was_and_moves_nothing_else(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = day_kept(68, &receiver);
    day_run_for(day, 6 * HOUR);
    virtual_unit_set_gauge(day_unit(day, 0, 1), day_now_ms(day), false);
    day_run_for(day, 20 * MINUTE);
    virtual_unit_set_gauge(day_unit(day, 0, 1), day_now_ms(day), true);
    day_run_for(day, 2 * HOUR);
    receiver.counts_late = true;
    ask(day, 0, "plant-broker heron-7 1000..2500 19 operations engineer the historian was away",
        "1,501 records of heron-7 (1000 to 2500) will be sent again to plant-broker, as asked by "
        "operations engineer (jana): the historian was away.");
    day_run_for(day, MINUTE);
    check_resent(&receiver, 0, 1000, 2500);
    char text[GAP_CAUSE_MAX];
    check_count("done", (long long)day_count_events(day, "resent", text), 1);
    assert_string_equal(text, "1,501 records of heron-7 were sent again to plant-broker, as asked "
                              "by operations engineer (jana).");
    check_count("live rows that came late", (long long)receiver.live_late, 0);
    /* by time: 08:00:00 to 08:10:00 of the day, both ends included */
    size_t begin = receiver.n_again;
    ask(day, 0, "plant-broker heron-7 2031-03-01T09:00:00Z..2031-03-01T10:10:00+01:00 8 engineer",
        "61 records of heron-7 (361 to 421)");
    day_run_for(day, MINUTE);
    check_resent(&receiver, begin, 361, 421);
    /* a well's first row */
    begin = receiver.n_again;
    ask(day, 0, "plant-broker heron-7 1..3 8 engineer", "3 records of heron-7 (1 to 3)");
    day_run_for(day, MINUTE);
    check_resent(&receiver, begin, 1, 3);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    check_count("duplicates", (long long)day_counts_of(day)->duplicates, 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
    drop(&receiver);
}

/** Planted defect: see above, and an order that a broker's outage ends. */
static void a_resend_goes_on_after_a_kill_and_an_outage(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = day_kept(69, &receiver);
    day_run_for(day, 12 * HOUR);
    ask(day, 0, "plant-broker heron-7 1..4000 8 engineer", "4,000 records");
    while (receiver.n_again < 1500)
        day_run_for(day, 200);
    day_run_for(day, 1500); /* a commit */
    assert_true(receiver.n_again < 4000);
    const size_t at_kill = receiver.n_again;
    day_kill(day, 3000);
    while (receiver.n_again < at_kill + 100)
        day_run_for(day, 200);
    assert_true(receiver.n_again < 4000);
    day_set_broker(day, false);
    day_run_for(day, 10 * MINUTE);
    day_set_broker(day, true);
    day_run_for(day, 10 * MINUTE);
    size_t missing = 0, doubled = 0;
    for (uint64_t seq = 1; seq <= 4000; seq++) {
        const size_t n = times_sent(&receiver, seq, 0);
        missing += n == 0;
        doubled += n > 1;
    }
    print_message("killed after %zu rows; %zu sent twice\n", at_kill, doubled);
    check_count("missing", (long long)missing, 0);
    assert_true(doubled <= 2 * 200); /* the kill, and what was under way when the broker went */
    check_count("done", (long long)day_count_events(day, "resent", NULL), 1);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    /* The cursor of records stood where it was: the kill took one second's acceptances, no more. */
    assert_true(day_counts_of(day)->duplicates <= 1);
    day_destroy(day);
    drop(&receiver);
}

static const char TWO_BROKERS[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "    well_data: [{from: 2031-01-10T08:00:00Z, intake_depth: 1850 m TVD, oil_gravity: 32 API, "
    "water_cut: 60 %}]\n"
    "destinations:\n  scada-table: {modbus_tcp: '127.0.0.1:1502'}\n"
    "  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n";

/** Another configuration, in which the destination has another place and the well other data.
 * Planted defect, seen: the orders of the plan before are forgotten with it. */
static void a_resend_goes_on_under_another_configuration(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = day_kept(72, &receiver);
    day_run_for(day, 8 * HOUR);
    ask(day, 0, "plant-broker heron-7 101..2100 8 engineer", "2,000 records");
    while (receiver.n_again < 500)
        day_run_for(day, 200);
    day_reload(day, TWO_BROKERS);
    assert_true(receiver.n_again < 2000);
    day_run_for(day, 10 * MINUTE);
    check_resent(&receiver, 0, 101, 2100);
    check_count("done", (long long)day_count_events(day, "resent", NULL), 1);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    check_count("duplicates", (long long)day_counts_of(day)->duplicates, 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    /* Across the change of plan, and of the fold: the rows are what they were. */
    const size_t begin = receiver.n_again;
    ask(day, 0, "plant-broker heron-7 2800..2930 8 engineer", "131 records");
    day_run_for(day, MINUTE);
    check_resent(&receiver, begin, 2800, 2930);
    day_destroy(day);
    drop(&receiver);
}

static void what_cannot_be_sent_again_is_refused_by_name(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = day_kept(70, &receiver);
    day_run_for(day, HOUR);
    ask(day, EX_USAGE, "scada-table heron-7 1..3 8 engineer", "scada-table is a table");
    ask(day, EX_NOINPUT, "other-broker heron-7 1..3 8 engineer", "no destination 'other-broker'");
    ask(day, EX_NOINPUT, "plant-broker heron-9 1..3 8 engineer", "no well 'heron-9'");
    ask(day, EX_USAGE, "plant-broker heron-7 1 8 engineer", "'1' is no range");
    ask(day, EX_USAGE, "plant-broker heron-7 1..2..3 8 engineer", "is no range");
    ask(day, EX_USAGE, "plant-broker heron-7 3..1 8 engineer", "ends (1) before it begins (3)");
    ask(day, EX_USAGE, "plant-broker heron-7 2031-03-01T09:00:00Z..3 8 engineer",
        "give both ends alike");
    ask(day, EX_USAGE, "plant-broker heron-7 2031-03-01T09:00:00..2031-03-01T09:00:00Z 8 engineer",
        "'2031-03-01T09:00:00' is neither");
    ask(day, EX_USAGE, "plant-broker heron-7 0..3 8 engineer", "'0' is neither");
    ask(day, EX_USAGE, "plant-broker heron-7 1..3 0 ", "Say with --by");
    ask(day, EX_USAGE, "plant-broker heron-7 1..3", "with the role");
    ask(day, EX_NOINPUT, "plant-broker heron-7 1..9000 8 engineer", "its newest is 36");
    ask(day, EX_NOINPUT,
        "plant-broker heron-7 2032-03-01T09:00:00Z..2033-03-01T09:00:00Z 8 engineer",
        "does not hold any record of heron-7");
    ask(day, EX_NOINPUT, "plant-broker heron-7 0123456789abcdef:1..3 8 engineer", "of another run");
    char with_run[128];
    snprintf(with_run, sizeof with_run, "plant-broker heron-7 %016" PRIx64 ":1..3 8 engineer",
             day->run);
    ask(day, 0, with_run, "3 records");
    day_run_for(day, MINUTE);
    day_set_broker(day, false);
    day_run_for(day, MINUTE);
    ask(day, EX_TEMPFAIL, "plant-broker heron-7 368..369 8 engineer", "has not accepted any");
    for (int i = 0; i < 8; i++)
        ask(day, 0, "plant-broker heron-7 1..3 8 engineer", "3 records");
    ask(day, EX_TEMPFAIL, "plant-broker heron-7 1..3 8 engineer", "8 orders are waiting already");
    day_set_broker(day, true);
    day_run_for(day, 2 * MINUTE);
    check_count("rows sent again", (long long)receiver.n_again, 27);
    ask(day, 0, "plant-broker heron-7 1..3 8 engineer", "3 records");
    day_destroy(day);
    drop(&receiver);
}

/** A range with corrected rows goes out in each row's newest revision: as corrected, or as first
 * sent. */
static void a_resend_of_corrected_rows_sends_their_newest_revision(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = day_of_unknown_time(ONE_WELL, 71, 1000, &receiver);
    day_run_for(day, 20 * MINUTE);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, 20 * MINUTE);
    const size_t begin = receiver.n_again;
    check_count("revised", (long long)begin, 120);
    ask(day, 0, "plant-broker heron-7 101..130 8 engineer", "30 records");
    day_run_for(day, MINUTE);
    size_t revised = 0;
    for (size_t i = begin; i < receiver.n_again; i++) {
        const struct record *again = &receiver.again[i];
        if (again->revision == 0)
            continue;
        revised++;
        for (size_t k = 0; k < begin; k++)
            if (receiver.again[k].seq == again->seq &&
                (receiver.again[k].at.utc_ms != again->at.utc_ms ||
                 memcmp(receiver.again[k].reading, again->reading,
                        again->n * sizeof again->reading[0]) != 0))
                fail_msg("revision 1 of row %" PRIu64 " has two contents", again->seq);
    }
    check_count("revised rows sent again", (long long)revised, 20);
    check_count("rows sent again", (long long)(receiver.n_again - begin), 30);
    /* By time: those rows are found by their corrected time. */
    char range[128], from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    const struct record *row = first_of(&receiver, 11);
    snprintf(range, sizeof range, "plant-broker heron-7 %s..%s 8 engineer",
             stamp_to_text(row->at.boot_ms + offset_ms(day), from),
             stamp_to_text(row->at.boot_ms + offset_ms(day) + 95000, to));
    ask(day, 0, range, "10 records of heron-7 (11 to 20)");
    day_destroy(day);
    drop(&receiver);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_range_goes_out_again_as_it_was_and_moves_nothing_else),
        cmocka_unit_test(a_resend_goes_on_after_a_kill_and_an_outage),
        cmocka_unit_test(a_resend_goes_on_under_another_configuration),
        cmocka_unit_test(what_cannot_be_sent_again_is_refused_by_name),
        cmocka_unit_test(a_resend_of_corrected_rows_sends_their_newest_revision),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
