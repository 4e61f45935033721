/* SPDX-License-Identifier: Apache-2.0
 *
 * test_echo.c - a two-wire converter that returns our own request, and RTU frames behind a TCP
 * connection: what is taken off, what is rested, what is said.
 *
 * Source of the echo: Modbus over Serial Line V1.02, 3.3.2 and 3.3.3 (two-wire bus); that a
 * converter with its receiver always on hears itself is common practice, no source.
 */
#include "three_ranges.h"

static struct gathered item;

enum echo_mode { ECHO_AND_ANSWER = 0, ECHO_IN_LUMPS, ECHO_IN_ONE_LUMP, ECHO_ALONE, ECHO_MISSING };

static void echoing_unit(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    uint8_t both[600] = {unit_id, request->function};
    put_u16(both + 2, request->first);
    put_u16(both + 4, request->count);
    size_t n = fake_frame(f, both, 6);
    size_t n_answer = fake_frame(f, both + n, fake_answer(both + n, unit_id, request));
    switch ((enum echo_mode)f->mode) {
    case ECHO_AND_ANSWER:
        fake_arrives(f, 8000, both, n);
        break;
    case ECHO_IN_LUMPS:
        fake_arrives(f, 6000, both, 3);
        fake_arrives(f, 8000, both + 3, n - 3);
        break;
    case ECHO_IN_ONE_LUMP:
        fake_arrives(f, 40000, both, n + n_answer);
        return;
    case ECHO_ALONE:
        fake_arrives(f, 8000, both, n);
        return;
    case ECHO_MISSING:
        break;
    }
    fake_arrives(f, 40000, both + n, n_answer);
}

static void echoing(int mode, bool strip)
{
    three_ranges(LINE_MEDIUM_SERIAL, 10000, echoing_unit);
    fake.mode = mode;
    fake.made.line.strip_echo = strip;
    fake_start(&fake, false);
}

static unsigned told(const char *kind)
{
    unsigned n = 0;
    while (fake_take(&fake, GATHERED_NOTICE, &item))
        n += strcmp(item.notice.kind, kind) == 0;
    return n;
}

/* Planted defect: the echo stays in what came (tests/planted/gather-echo-stays.patch). */
static void an_echo_is_taken_off_and_is_not_stray(void **state)
{
    (void)state;
    static const int MODES[] = {ECHO_AND_ANSWER, ECHO_IN_LUMPS, ECHO_IN_ONE_LUMP, ECHO_MISSING};
    for (size_t i = 0; i < sizeof MODES / sizeof MODES[0]; i++) {
        struct scan scan;
        echoing(MODES[i], true);
        fake_run(&fake, 9000000);
        fake_take_scan(&fake, &scan);
        check_count("outcome", scan.outcome, OUTCOME_ANSWERED);
        check_count("tries", scan.tries, 3);
        check_count("stray", scan.stray, 0);
        check_count("first word", scan.words[0], fake_value(1, 0));
        check_count("foreign frames", (long long)line_totals(fake.line)->foreign_frames, 0);
        check_count("told", told("echo"), 0);
        fake_stop(&fake);
    }
}

/* Planted defect: the same, and an echo alone passes for an answer that was cut short. */
static void an_echo_alone_is_silence(void **state)
{
    (void)state;
    struct scan scan;
    echoing(ECHO_ALONE, true);
    fake_run(&fake, 9000000);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_SILENT);
    check_count("silent", (long long)line_totals(fake.line)->silent, 2);
    check_count("stray", scan.stray, 0);
    fake_stop(&fake);
}

/* Planted defects: never said; said at each (tests/planted/gather-echo-unsaid.patch). */
static void an_echo_that_is_not_stripped_is_said_once_and_marks_the_scan(void **state)
{
    (void)state;
    struct scan scan;
    echoing(ECHO_AND_ANSWER, false);
    fake_run(&fake, 9000000);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_ANSWERED);
    check_count("stray", scan.stray, 24);
    fake_run(&fake, 50000000);
    fake_stop(&fake);
    echoing(ECHO_AND_ANSWER, false);
    fake_run(&fake, 59000000);
    check_count("told", told("echo"), 1);
    check_count("foreign frames", (long long)line_totals(fake.line)->foreign_frames, 0);
    fake_stop(&fake);
}

/* ---- RTU frames behind a TCP connection ---- */

/** The answer to each fifth question comes 0.35 s after its time-out, before that of the question
 * asked again, and says so in its words. */
static void late_now_and_then(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    uint8_t frame[300];
    size_t n = fake_answer(frame, unit_id, request);
    bool is_late = f->mode == 1 && f->sends % 5 == 3;
    for (unsigned i = 0; i < request->count && is_late; i++)
        put_u16(frame + 3 + 2 * i, 0xDEAD);
    n = fake_frame(f, frame, n);
    fake_arrives(f, is_late ? 1350000 : 450000, frame, n);
}

static void behind_a_server(int mode)
{
    three_ranges(LINE_MEDIUM_TCP, 10000, late_now_and_then);
    fake.is_serial = true; /* its frames */
    fake.made.line.framing = LINE_FRAMING_RTU;
    fake.mode = mode;
    fake_start(&fake, false);
}

static void rtu_frames_go_over_a_tcp_connection(void **state)
{
    (void)state;
    struct scan scan;
    behind_a_server(0);
    fake_run(&fake, 9000000);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_ANSWERED);
    check_count("words", scan.n_words, 15);
    check_count("opens", fake.opens, 1);
    fake_stop(&fake);
}

/* The server passes a late answer to the new connection: the same range is asked again there, so
 * that only the rest keeps it out. Planted defect: no rest after opening
 * (tests/planted/gather-server-no-rest.patch). */
static void a_late_answer_over_a_new_connection_is_never_taken(void **state)
{
    (void)state;
    unsigned scans = 0, late = 0;
    behind_a_server(1);
    fake_run(&fake, 600000000);
    while (fake_take(&fake, GATHERED_SCAN, &item)) {
        scans++;
        for (unsigned i = 0; i < item.scan.n_words; i++)
            late += item.scan.words[i] == 0xDEAD;
    }
    assert_true(scans >= 55);
    check_count("words of late answers", late, 0);
    assert_true(line_totals(fake.line)->late_replies >= 20);
    assert_true(fake.closes >= 20); /* each time-out closes the connection */
    check_count("foreign frames", (long long)line_totals(fake.line)->foreign_frames, 0);
    fake_stop(&fake);
}

static void a_lost_server_is_no_connection_and_comes_back(void **state)
{
    (void)state;
    behind_a_server(0);
    fake.refuses = true;
    fake_run(&fake, 25000000);
    assert_true(fake_take(&fake, GATHERED_SCAN, &item));
    check_count("outcome", item.scan.outcome, OUTCOME_NO_CONNECTION);
    fake.refuses = false;
    fake_run(&fake, 60000000);
    unsigned answered = 0;
    while (fake_take(&fake, GATHERED_SCAN, &item))
        answered += item.scan.outcome == OUTCOME_ANSWERED;
    assert_true(answered >= 3);
    fake_stop(&fake);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_echo_is_taken_off_and_is_not_stray),
        cmocka_unit_test(an_echo_alone_is_silence),
        cmocka_unit_test(an_echo_that_is_not_stripped_is_said_once_and_marks_the_scan),
        cmocka_unit_test(rtu_frames_go_over_a_tcp_connection),
        cmocka_unit_test(a_late_answer_over_a_new_connection_is_never_taken),
        cmocka_unit_test(a_lost_server_is_no_connection_and_comes_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
