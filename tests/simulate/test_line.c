/* SPDX-License-Identifier: Apache-2.0
 *
 * test_line.c - a virtual line in virtual time: pace by the arithmetic of the wire, each fault of
 * the script as bytes, and every way in which an exchange can go wrong. Timing: Modbus over Serial
 * Line V1.02, 2.5.1. Frames: the same, 2.5.1.2, and Messaging on TCP/IP V1.0b, 3.1.3.
 */
#include "check.h"

#include "uphole/simulate.h"
#include "uphole/wire.h"
#include "unit_map.h"

#define SECOND 1000000LL

static struct map MAP;

struct bench {
    struct simulate_line options;
    struct fault_script *script;
    struct virtual_line *line;
    int64_t now_us;
};

static void begin(struct bench *bench, uint8_t medium, const char *script)
{
    struct up_error error = {0};
    unit_map(&MAP);
    memset(bench, 0, sizeof *bench);
    struct line_plan *plan = &bench->options.line;
    strcpy(plan->name, "pad-line");
    plan->medium = medium;
    plan->baud = 9600;
    plan->data_bits = 8;
    plan->parity = 'E';
    plan->stop_bits = 1; /* eleven bits a character */
    bench->options.n_units = 2;
    bench->options.units[0] = (struct virtual_unit_options){
        .map = &MAP, .unit_id = 1, .seed = 1, .powered_at_ms = -25000};
    bench->options.units[1] = (struct virtual_unit_options){
        .map = &MAP, .unit_id = 2, .seed = 2, .powered_at_ms = -25000};
    if (script &&
        fault_script_from_text("s", script, strlen(script), &bench->script, &error) != UP_OK)
        fail_msg("%s", error.why);
    bench->line = virtual_line_create(&bench->options, bench->script, 7, 0, &error);
    assert_non_null(bench->line);
    bench->now_us = SECOND;
}

static void end(struct bench *bench)
{
    virtual_line_destroy(bench->line);
    fault_script_free(bench->script);
}

/* Runs to `until_us`, event by event; collects what leaves. */
static size_t run(struct bench *bench, int64_t until_us, uint8_t *into, size_t room,
                  int64_t *last_us)
{
    size_t n = 0, got;
    unsigned connection;
    for (int steps = 0; steps < 100000; steps++) {
        while ((got = virtual_line_send(bench->line, bench->now_us, &connection, into + n,
                                        room - n)) > 0) {
            n += got;
            if (last_us)
                *last_us = bench->now_us;
        }
        int64_t next = virtual_line_next_us(bench->line);
        if (next > until_us)
            break;
        bench->now_us = next;
    }
    bench->now_us = until_us;
    return n;
}

static size_t ask(struct bench *bench, uint8_t unit, uint16_t first, uint16_t count,
                  uint8_t *answer, int64_t *took_us)
{
    uint8_t frame[RTU_ADU_MAX], pdu[PDU_MAX];
    struct read_request request = {4, first, count};
    int64_t at = bench->now_us, last = at;
    size_t n = rtu_put_frame(frame, unit, pdu, pdu_put_read(pdu, &request));
    virtual_line_receive(bench->line, at, 0, frame, n);
    n = run(bench, at + 2 * SECOND, answer, 1024, &last);
    if (took_us)
        *took_us = last - at;
    return n;
}

static bool is_answer(const uint8_t *frame, size_t n, uint8_t unit, unsigned count)
{
    return n == 5 + 2 * count && frame[0] == unit && frame[1] == 4 && frame[2] == 2 * count &&
           rtu_crc_is_right(frame, n);
}

/* ---- pace ---- */

/* T(N) = (13 + 2N) characters + t3.5 (+ the master's own t3.5): request 8 characters, answer 5 +
 * 2N. */
static void an_exchange_takes_the_time_of_its_characters(void **state)
{
    (void)state;
    static const struct {
        uint32_t baud;
        unsigned count;
        double ms; /* (13 + 2N) x 11 bits / baud + one t3.5; computed by hand from 2.5.1.1 */
    } ROWS[] = {{9600, 1, 17.1875 + 4.0104},
                {9600, 20, 60.7292 + 4.0104},
                {1200, 1, 137.5 + 32.0833},
                {19200, 10, 18.9063 + 2.0052},
                {115200, 20, 5.0608 + 1.75}};
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        struct bench bench;
        uint8_t answer[1024];
        struct up_error error = {0};
        int64_t took;
        begin(&bench, LINE_MEDIUM_SERIAL, NULL);
        virtual_line_destroy(bench.line);
        bench.options.line.baud = ROWS[i].baud;
        bench.line = virtual_line_create(&bench.options, NULL, 7, 0, &error);
        size_t n = ask(&bench, 1, 0, (uint16_t)ROWS[i].count, answer, &took);
        assert_true(is_answer(answer, n, 1, ROWS[i].count));
        check_close("exchange, ms", (double)took / 1000, ROWS[i].ms, 0.01);
        end(&bench);
    }
}

static void bytes_leave_one_by_one_and_never_early(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t frame[] = {1, 4, 0, 16, 0, 2, 0, 0}, into[64];
    unsigned connection;
    begin(&bench, LINE_MEDIUM_SERIAL, NULL);
    uint16_t crc = crc16(frame, 6);
    frame[6] = (uint8_t)(crc & 0xFF), frame[7] = (uint8_t)(crc >> 8);
    virtual_line_receive(bench.line, SECOND, 0, frame, 8);
    double character = 1e6 * 11 / 9600, start = 1e6 + 8 * character + 3.5 * character;
    size_t n = 0;
    for (int64_t t = SECOND; t < SECOND + 100000; t += 100) {
        n += virtual_line_send(bench.line, t, &connection, into + n, sizeof into - n);
        double due = floor(((double)t - start) / character);
        double most = fmax(0, fmin(9, due));
        if (fabs((double)n - most) > 1 ||
            (double)n > most + 0.001 + (fabs(((double)t - start) / character - due) > 0.99))
            fail_msg("at %lld: %zu bytes, expected %.0f", (long long)t, n, most);
    }
    assert_true(is_answer(into, n, 1, 2));
    end(&bench);
}

static void a_request_in_pieces_is_one_request(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t frame[RTU_ADU_MAX], pdu[PDU_MAX], answer[1024];
    struct read_request request = {4, 0, 3};
    begin(&bench, LINE_MEDIUM_SERIAL, NULL);
    size_t n = rtu_put_frame(frame, 1, pdu, pdu_put_read(pdu, &request));
    for (size_t i = 0; i < n; i++)
        virtual_line_receive(bench.line, SECOND + (int64_t)i * 1500, 0, frame + i, 1);
    bench.now_us = SECOND + (int64_t)n * 1500;
    n = run(&bench, 2 * SECOND, answer, sizeof answer, NULL);
    assert_true(is_answer(answer, n, 1, 3));
    end(&bench);
}

static void a_master_that_does_not_wait_is_counted(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t answer[1024];
    int64_t took;
    begin(&bench, LINE_MEDIUM_SERIAL, NULL);
    (void)ask(&bench, 1, 0, 2, answer, &took);
    check_count("violations", (long long)virtual_line_counts_of(bench.line)->quiet_violations, 0);
    int64_t asked = bench.now_us;
    uint8_t frame[RTU_ADU_MAX], pdu[PDU_MAX];
    struct read_request request = {4, 0, 2};
    size_t n = rtu_put_frame(frame, 1, pdu, pdu_put_read(pdu, &request));
    virtual_line_receive(bench.line, asked, 0, frame, n);
    (void)run(&bench, asked + took, answer, sizeof answer, NULL);
    virtual_line_receive(bench.line, asked + took + 500, 0, frame, n);
    check_count("violations", (long long)virtual_line_counts_of(bench.line)->quiet_violations, 1);
    end(&bench);
}

static void others_frames_broadcasts_and_garbage_are_not_answered(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t answer[1024], frame[RTU_ADU_MAX];
    const uint8_t pdu[] = {4, 0, 0, 0, 1};
    begin(&bench, LINE_MEDIUM_SERIAL, NULL);
    assert_int_equal(ask(&bench, 9, 0, 1, answer, NULL), 0);
    assert_int_equal(ask(&bench, 0, 0, 1, answer, NULL), 0);
    size_t n = rtu_put_frame(frame, 1, pdu, 5);
    frame[3] ^= 1;
    virtual_line_receive(bench.line, bench.now_us, 0, frame, n);
    assert_int_equal(run(&bench, bench.now_us + SECOND, answer, sizeof answer, NULL), 0);
    check_count("garbage", (long long)virtual_line_counts_of(bench.line)->bad_frames, 1);
    assert_true(is_answer(answer, ask(&bench, 2, 0, 1, answer, NULL), 2, 1));
    end(&bench);
}

/* ---- faults ---- */

struct heard {
    uint8_t bytes[1024];
    size_t n;
    int64_t took_us;
};
static void with(const char *script, struct heard *out)
{
    struct bench bench;
    begin(&bench, LINE_MEDIUM_SERIAL, script);
    out->n = ask(&bench, 1, 16, 3, out->bytes, &out->took_us);
    end(&bench);
}

static void each_fault_of_an_answer_does_what_it_says(void **state)
{
    (void)state;
    struct heard good, bad;
    with(NULL, &good);
    assert_true(is_answer(good.bytes, good.n, 1, 3));

    with("late 800 ms", &bad);
    assert_int_equal(bad.n, good.n);
    check_count("late", bad.took_us - good.took_us, 800000);

    with("duplicate", &bad);
    assert_int_equal(bad.n, 2 * good.n);
    assert_memory_equal(bad.bytes, good.bytes, good.n);
    assert_memory_equal(bad.bytes + good.n, good.bytes, good.n);

    with("truncated 3 bytes", &bad); /* cut short */
    assert_int_equal(bad.n, good.n - 3);
    assert_memory_equal(bad.bytes, good.bytes, bad.n);

    with("foreign_unit 9", &bad); /* wrong reply, right checksum */
    assert_true(is_answer(bad.bytes, bad.n, 9, 3));

    with("wrong_function", &bad);
    assert_int_equal(bad.bytes[1], 3);
    assert_true(rtu_crc_is_right(bad.bytes, bad.n));

    with("bad_checksum", &bad);
    assert_memory_equal(bad.bytes, good.bytes, good.n - 2);
    assert_false(rtu_crc_is_right(bad.bytes, bad.n));

    with("silence", &bad);
    assert_int_equal(bad.n, 0);

    with("exception 0x0B", &bad); /* path down; and 02: exception. Vector: 2.1 of the frame tables,
                                     01 84 0B 02 C7 by crc16 */
    assert_int_equal(bad.n, 5);
    assert_int_equal(bad.bytes[1], 0x84);
    assert_int_equal(bad.bytes[2], 0x0B);
    assert_true(rtu_crc_is_right(bad.bytes, bad.n));

    with("stray 3 bytes", &bad);
    assert_int_equal(bad.n, good.n + 3);
    assert_memory_equal(bad.bytes + 3, good.bytes, good.n);
}

static void a_rule_strikes_only_where_it_says(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t answer[1024];
    begin(&bench, LINE_MEDIUM_SERIAL,
          "unit 2 silence\nregister 20 exception 2\nline other-line duplicate\nfunction 3 silence");
    assert_true(is_answer(answer, ask(&bench, 1, 16, 3, answer, NULL), 1, 3));
    assert_int_equal(ask(&bench, 2, 16, 3, answer, NULL), 0);
    assert_int_equal(ask(&bench, 1, 19, 2, answer, NULL),
                     5); /* one range of a scan refused, the others not: partial */
    assert_true(is_answer(answer, ask(&bench, 1, 21, 1, answer, NULL), 1, 1));
    end(&bench);
}

static void a_rule_without_for_strikes_once_an_occurrence(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t answer[1024];
    begin(&bench, LINE_MEDIUM_SERIAL, "at 5 s every 20 s silence");
    int silent = 0, asked = 0;
    for (bench.now_us = SECOND; bench.now_us < 64 * SECOND; asked++)
        silent += ask(&bench, 1, 0, 1, answer, NULL) == 0;
    assert_true(asked > 25);
    check_count("silences at 5, 25 and 45 s", silent, 3);
    end(&bench);
}

static void chance_keeps_its_share_and_repeats_with_the_seed(void **state)
{
    (void)state;
    struct bench a, b;
    uint8_t in_a[1024], in_b[1024];
    begin(&a, LINE_MEDIUM_SERIAL, "random 20 % stray 1..4 bytes\nrandom 10 % silence");
    begin(&b, LINE_MEDIUM_SERIAL, "random 20 % stray 1..4 bytes\nrandom 10 % silence");
    int silent = 0, stray = 0;
    for (int i = 0; i < 2000; i++) {
        int64_t took_a, took_b;
        size_t n = ask(&a, 1, 0, 1, in_a, &took_a);
        assert_int_equal(ask(&b, 1, 0, 1, in_b, &took_b), n);
        assert_memory_equal(in_a, in_b, n);
        check_count("instants", took_a, took_b);
        silent += n == 0;
        stray += n > 7;
    }
    assert_true(silent > 150 && silent < 250); /* 200 expected, sigma 13.4 */
    assert_true(stray > 300 && stray < 420);   /* 360 of the 1,800 that answered, sigma 17 */
    end(&a);
    end(&b);
}

/* Planted defect that this catches: a late answer dropped when the next question comes, which would
 * hide the master's worst enemy. */
static void a_late_answer_comes_after_the_next_question(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t frame[RTU_ADU_MAX], pdu[PDU_MAX], answer[1024];
    struct read_request first = {4, 16, 1}, second = {4, 18, 1};
    begin(&bench, LINE_MEDIUM_SERIAL, "at 0 s late 800 ms");
    size_t n = rtu_put_frame(frame, 1, pdu, pdu_put_read(pdu, &first));
    virtual_line_receive(bench.line, SECOND, 0, frame, n);
    assert_int_equal(run(&bench, SECOND + 500000, answer, sizeof answer, NULL), 0);
    n = rtu_put_frame(frame, 1, pdu, pdu_put_read(pdu, &second));
    virtual_line_receive(bench.line, bench.now_us, 0, frame, n);
    n = run(&bench, SECOND + 5 * SECOND, answer, sizeof answer, NULL);
    assert_int_equal(n, 14); /* both answers, of equal length: the second's came first, the late one
                                is still to be told apart */
    struct well_truth truth;
    virtual_unit_truth(virtual_line_unit(bench.line, 0), 1500, &truth);
    check_close("the second's", (double)get_u16(answer + 3) / 10, truth.value[3], 1e-9);
    check_close("the late one", get_u16(answer + 10), truth.value[1], 1e-9);
    end(&bench);
}

static void a_second_master_speaks_between_exchanges(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t bytes[4096], answer[1024];
    begin(&bench, LINE_MEDIUM_SERIAL, "at 10 s for 10 s second_master every 500 ms");
    assert_true(is_answer(answer, ask(&bench, 1, 16, 3, answer, NULL), 1, 3));
    assert_int_equal(run(&bench, 9 * SECOND, bytes, sizeof bytes, NULL), 0);
    size_t n = run(&bench, 25 * SECOND, bytes, sizeof bytes, NULL);
    /* twenty requests of 8 bytes, and answers with the unit, function and length of ours */
    check_count("foreign", (long long)virtual_line_counts_of(bench.line)->foreign_exchanges, 20);
    check_count("bytes", (long long)n, 20 * (8 + 11));
    assert_true(rtu_crc_is_right(bytes, 8));
    assert_int_equal(bytes[0], 1);
    assert_true(is_answer(bytes + 8, 11, 1, 3));
    assert_int_equal(run(&bench, 30 * SECOND, bytes, sizeof bytes, NULL), 0);
    end(&bench);
}

static void gauge_power_and_converter_come_and_go_by_the_clock(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t answer[1024];
    begin(&bench, LINE_MEDIUM_SERIAL,
          "at 10 s for 10 s unit 1 gauge_lost\nat 60 s for 5 s unit 2 power_cycle\nat 100 s for 4 "
          "s converter_gone");
    static const struct {
        int64_t at;
        uint8_t unit;
        int status; /* -1: no answer */
    } ROWS[] = {{9, 1, 1},  {11, 1, 4}, {11, 2, 1}, {19, 1, 4}, {22, 1, 2}, {61, 2, -1},
                {61, 1, 1}, {66, 2, 2}, {89, 2, 2}, {91, 2, 1}, {99, 1, 1}};
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        bench.now_us = ROWS[i].at *
                       SECOND; /* the 61 s rows share an instant: the line is quiet again by then */
        size_t n = 0;
        uint8_t frame[RTU_ADU_MAX], pdu[PDU_MAX];
        struct read_request request = {4, 0, 1};
        n = rtu_put_frame(frame, ROWS[i].unit, pdu, pdu_put_read(pdu, &request));
        virtual_line_receive(bench.line, bench.now_us, 0, frame, n);
        n = run(&bench, bench.now_us + 500000, answer, sizeof answer, NULL);
        check_count("answer at the time of a row", n ? get_u16(answer + 3) : -1, ROWS[i].status);
    }
    assert_false(virtual_line_is_plugged(bench.line, 101 * SECOND));
    assert_false(virtual_line_is_plugged(bench.line, 103 * SECOND));
    assert_true(virtual_line_is_plugged(bench.line, 104 * SECOND));
    end(&bench);
}

/* ---- TCP ---- */

static size_t ask_tcp(struct bench *bench, uint16_t transaction, uint8_t unit, uint8_t *answer)
{
    const uint8_t pdu[] = {4, 0, 16, 0, 2};
    uint8_t frame[TCP_ADU_MAX];
    size_t n = tcp_put_frame(frame, transaction, unit, pdu, 5);
    virtual_line_receive(bench->line, bench->now_us, 3, frame, n);
    return run(bench, bench->now_us + SECOND, answer, 1024, NULL);
}

static void tcp_answers_carry_the_header_of_their_question(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t answer[1024];
    begin(&bench, LINE_MEDIUM_TCP, NULL);
    assert_int_equal(ask_tcp(&bench, 0x1234, 1, answer), 13);
    static const uint8_t HEAD[] = {0x12, 0x34, 0, 0, 0, 7, 1, 4, 4};
    assert_memory_equal(answer, HEAD, sizeof HEAD);
    assert_int_equal(ask_tcp(&bench, 0x1235, 77, answer),
                     9); /* the converter answers for a unit that isn't there */
    assert_int_equal(answer[7], 0x84);
    assert_int_equal(answer[8], 0x0B);
    end(&bench);
    begin(&bench, LINE_MEDIUM_TCP, "bad_checksum");
    assert_int_equal(ask_tcp(&bench, 0x1234, 1, answer), 13);
    assert_int_equal(get_u16(answer),
                     0x1235); /* there is no checksum: the transaction is wrong instead */
    end(&bench);
}

static void tcp_requests_may_come_in_pieces_or_together(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t answer[1024], frames[2 * TCP_ADU_MAX];
    const uint8_t pdu[] = {4, 0, 16, 0, 2};
    begin(&bench, LINE_MEDIUM_TCP, NULL);
    size_t n = tcp_put_frame(frames, 1, 1, pdu, 5);
    n += tcp_put_frame(frames + n, 2, 2, pdu, 5);
    virtual_line_receive(bench.line, SECOND, 0, frames, 5);
    virtual_line_receive(bench.line, SECOND, 0, frames + 5, n - 5);
    assert_int_equal(run(&bench, 2 * SECOND, answer, sizeof answer, NULL), 26);
    assert_int_equal(get_u16(answer), 1);
    assert_int_equal(get_u16(answer + 13), 2);
    frames[2] = 9; /* a protocol that isn't Modbus */
    virtual_line_receive(bench.line, 3 * SECOND, 0, frames, n);
    assert_int_equal(run(&bench, 4 * SECOND, answer, sizeof answer, NULL), 0);
    end(&bench);
}

static void floods_are_bounded(void **state)
{
    (void)state;
    struct bench bench;
    uint8_t bytes[512], answer[1024];
    memset(bytes, 0x55, sizeof bytes);
    begin(&bench, LINE_MEDIUM_SERIAL, NULL);
    for (int i = 0; i < 1000; i++)
        virtual_line_receive(bench.line, SECOND, 0, bytes, sizeof bytes);
    bench.now_us = SECOND;
    (void)run(&bench, 1000 * SECOND, answer, sizeof answer, NULL);
    assert_true(is_answer(answer, ask(&bench, 1, 0, 1, answer, NULL), 1, 1));
    end(&bench);
    begin(&bench, LINE_MEDIUM_TCP, "late 1 s");
    for (int i = 0; i < 200; i++) {
        const uint8_t pdu[] = {4, 0, 16, 0, 2};
        size_t n = tcp_put_frame(bytes, (uint16_t)i, 1, pdu, 5);
        virtual_line_receive(bench.line, SECOND, 0, bytes, n);
    }
    assert_true(run(&bench, 5 * SECOND, answer, sizeof answer, NULL) <= 64 * 13);
    end(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_exchange_takes_the_time_of_its_characters),
        cmocka_unit_test(bytes_leave_one_by_one_and_never_early),
        cmocka_unit_test(a_request_in_pieces_is_one_request),
        cmocka_unit_test(a_master_that_does_not_wait_is_counted),
        cmocka_unit_test(others_frames_broadcasts_and_garbage_are_not_answered),
        cmocka_unit_test(each_fault_of_an_answer_does_what_it_says),
        cmocka_unit_test(a_rule_strikes_only_where_it_says),
        cmocka_unit_test(a_rule_without_for_strikes_once_an_occurrence),
        cmocka_unit_test(chance_keeps_its_share_and_repeats_with_the_seed),
        cmocka_unit_test(a_late_answer_comes_after_the_next_question),
        cmocka_unit_test(a_second_master_speaks_between_exchanges),
        cmocka_unit_test(gauge_power_and_converter_come_and_go_by_the_clock),
        cmocka_unit_test(tcp_answers_carry_the_header_of_their_question),
        cmocka_unit_test(tcp_requests_may_come_in_pieces_or_together),
        cmocka_unit_test(floods_are_bounded),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
