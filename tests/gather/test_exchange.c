/* SPDX-License-Identifier: Apache-2.0
 *
 * test_exchange.c - one question, every way in which the answer can go wrong, on a virtual serial
 * line: the verdict, the counts, the rest.
 */
#include "fake.h"

#define ANSWER_DELAY_US 30000

enum fault {
    FINE,
    SILENT,
    CUT,
    ONE_BYTE,
    BAD_CRC,
    OTHER_UNIT,
    OTHER_FUNCTION,
    OTHER_COUNT,
    ODD_COUNT,
    STRAY_BEFORE,
    STRAY_AFTER,
    FOREIGN_BEFORE,
    OTHERS_EXCEPTION,
    EXCEPTION_00,
    EXCEPTION_FF,
    EXCEPTION_04,
    EXCEPTION_0A,
    EXCEPTION_0B,
    SLOW_DRIP,
    NOISE,
    ENDLESS,
    TWICE_IN_ONE
};

static void answer_with_fault(struct fake *fake, uint8_t unit_id,
                              const struct read_request *request)
{
    uint8_t frame[300], other[300];
    struct read_request wrong = *request;
    size_t n = fake_frame(fake, frame, fake_answer(frame, unit_id, request));
    static const uint8_t STRAY[] = {0x00, 0xFF, 0x00};
    switch ((enum fault)fake->mode) {
    case FINE:
        fake_arrives(fake, ANSWER_DELAY_US, frame, n);
        break;
    case SILENT:
        break;
    case CUT:
        fake_arrives(fake, ANSWER_DELAY_US, frame, n - 3);
        break;
    case ONE_BYTE:
        fake_arrives(fake, ANSWER_DELAY_US, frame, 1);
        break;
    case BAD_CRC:
        frame[4] ^= 0x10;
        fake_arrives(fake, ANSWER_DELAY_US, frame, n);
        break;
    case OTHER_UNIT:
        fake_answers(fake, ANSWER_DELAY_US, (uint8_t)(unit_id + 90), request);
        break;
    case OTHER_FUNCTION:
        wrong.function = request->function == 3 ? 4 : 3;
        fake_answers(fake, ANSWER_DELAY_US, unit_id, &wrong);
        break;
    case OTHER_COUNT:
        wrong.count++;
        fake_answers(fake, ANSWER_DELAY_US, unit_id, &wrong);
        break;
    case ODD_COUNT: /* right checksum over a byte count that is no register's */
        frame[2]++;
        fake_arrives(fake, ANSWER_DELAY_US, frame, fake_frame(fake, frame, n - 2));
        break;
    case STRAY_BEFORE:
        fake_arrives(fake, ANSWER_DELAY_US - 2000, STRAY, 3);
        fake_arrives(fake, ANSWER_DELAY_US, frame, n);
        break;
    case STRAY_AFTER:
        fake_arrives(fake, ANSWER_DELAY_US, frame, n);
        fake_arrives(fake, ANSWER_DELAY_US + 2000, STRAY, 3);
        break;
    case FOREIGN_BEFORE:
        n = fake_frame(fake, other, fake_answer(other, 99, request));
        fake_arrives(fake, ANSWER_DELAY_US - 9000, other, n);
        fake_arrives(fake, ANSWER_DELAY_US, frame, n);
        break;
    case OTHERS_EXCEPTION:
        fake_excepts(fake, ANSWER_DELAY_US, unit_id, 1, 2);
        break;
    case EXCEPTION_00:
        fake_excepts(fake, ANSWER_DELAY_US, unit_id, request->function, 0);
        break;
    case EXCEPTION_FF:
        fake_excepts(fake, ANSWER_DELAY_US, unit_id, request->function, 0xFF);
        break;
    case EXCEPTION_04:
        fake_excepts(fake, ANSWER_DELAY_US, unit_id, request->function, 4);
        break;
    case EXCEPTION_0A:
        fake_excepts(fake, ANSWER_DELAY_US, unit_id, request->function, 0x0A);
        break;
    case EXCEPTION_0B:
        fake_excepts(fake, ANSWER_DELAY_US, unit_id, request->function, 0x0B);
        break;
    case SLOW_DRIP:
        for (size_t i = 0; i < n; i++)
            fake_arrives(fake, ANSWER_DELAY_US + (int64_t)i * 150000, frame + i, 1);
        break;
    case NOISE:
        memset(other, 0x55, 60);
        fake_arrives(fake, ANSWER_DELAY_US, other, 60);
        break;
    case ENDLESS:
        memset(other, 0xF0, 100);
        for (int i = 0; i < 40; i++)
            fake_arrives(fake, 10000 + i * 40000, other, 100);
        break;
    case TWICE_IN_ONE:
        fake_arrives(fake, ANSWER_DELAY_US, frame, n);
        fake_arrives(fake, ANSWER_DELAY_US, frame, n);
        break;
    }
}

static void one_range(struct fake *fake, enum fault fault)
{
    fake_init(fake, LINE_MEDIUM_SERIAL);
    made_channels(&fake->made.map[0], TABLE_INPUT, 16, 8);
    fake->made.line.share_line = true;
    made_plan_join(&fake->made, 1, 60000);
    fake->unit = answer_with_fault;
    fake->mode = (int)fault;
    fake_start(fake, false);
}

/* Planted defects: accept any unit (gather-unit-unchecked); no check of the byte count; checksum
 * not looked at (gather-checksum-unchecked); stray bytes not counted (gather-stray-uncounted);
 * an exception without a code is an answer (gather-exception-of-no-code). Each
 * fails its row. */
static void each_fault_has_its_verdict(void **state)
{
    (void)state;
    static const struct {
        enum fault fault;
        const char *name;
        enum outcome outcome;
        unsigned tries, stray;
        uint8_t exception;
    } ROWS[] = {
        {FINE, "fine", OUTCOME_ANSWERED, 1, 0, 0},
        {SILENT, "silent", OUTCOME_SILENT, 2, 0, BLOCK_NO_ANSWER},
        {CUT, "cut short", OUTCOME_CUT_SHORT, 2, 0, BLOCK_NO_ANSWER},
        {ONE_BYTE, "one byte", OUTCOME_CUT_SHORT, 2, 0, BLOCK_NO_ANSWER},
        {BAD_CRC, "bad checksum", OUTCOME_BAD_CHECKSUM, 2, 0, BLOCK_NO_ANSWER},
        {OTHER_UNIT, "other unit", OUTCOME_WRONG_REPLY, 2, 2 * 21, BLOCK_NO_ANSWER},
        {OTHER_FUNCTION, "other function", OUTCOME_WRONG_REPLY, 2, 2 * 21, BLOCK_NO_ANSWER},
        {OTHER_COUNT, "other count", OUTCOME_WRONG_REPLY, 2, 2 * 23, BLOCK_NO_ANSWER},
        {ODD_COUNT, "odd byte count", OUTCOME_BAD_CHECKSUM, 2, 0, BLOCK_NO_ANSWER},
        {STRAY_BEFORE, "stray before", OUTCOME_ANSWERED, 1, 3, 0},
        {STRAY_AFTER, "stray after", OUTCOME_ANSWERED, 1, 3, 0},
        {FOREIGN_BEFORE, "foreign frame before", OUTCOME_ANSWERED, 1, 21, 0},
        {OTHERS_EXCEPTION, "exception to another function", OUTCOME_WRONG_REPLY, 2, 2 * 5,
         BLOCK_NO_ANSWER},
        {EXCEPTION_00, "exception 00, which is none", OUTCOME_WRONG_REPLY, 2, 2 * 5,
         BLOCK_NO_ANSWER},
        {EXCEPTION_FF, "exception FF, which is none", OUTCOME_WRONG_REPLY, 2, 2 * 5,
         BLOCK_NO_ANSWER},
        {EXCEPTION_04, "exception 04", OUTCOME_EXCEPTION, 1, 0, 4},
        {EXCEPTION_0A, "exception 0A", OUTCOME_PATH_DOWN, 1, 0, 0x0A},
        {EXCEPTION_0B, "exception 0B", OUTCOME_PATH_DOWN, 1, 0, 0x0B},
        {NOISE, "noise", OUTCOME_SILENT, 2, 2 * 60, BLOCK_NO_ANSWER},
        {TWICE_IN_ONE, "twice in one lump", OUTCOME_ANSWERED, 1, 21, 0},
    };
    for (size_t row = 0; row < sizeof ROWS / sizeof ROWS[0]; row++) {
        static struct fake fake;
        struct scan scan;
        char what[96];
        one_range(&fake, ROWS[row].fault);
        fake_run(&fake, 20000000);
        fake_take_scan(&fake, &scan);
        snprintf(what, sizeof what, "%s: outcome", ROWS[row].name);
        check_count(what, scan.outcome, ROWS[row].outcome);
        snprintf(what, sizeof what, "%s: tries", ROWS[row].name);
        check_count(what, scan.tries, ROWS[row].tries);
        check_count(what, (long long)line_totals(fake.line)->requests, ROWS[row].tries);
        snprintf(what, sizeof what, "%s: stray bytes", ROWS[row].name);
        check_count(what, scan.stray, ROWS[row].stray);
        snprintf(what, sizeof what, "%s: blocks, exception", ROWS[row].name);
        check_count(what, scan.n_blocks, 1);
        check_count(what, scan.block[0].exception, ROWS[row].exception);
        check_count(what, scan.n_words, ROWS[row].exception == 0 ? 8 : 0);
        for (unsigned i = 0; i < scan.n_words; i++)
            check_count(what, scan.words[scan.block[0].at + i], fake_value(1, 16 + i));
        fake_stop(&fake);
    }
}

static void any_exception(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    fake_excepts(f, ANSWER_DELAY_US, unit_id, request->function, (uint8_t)f->mode);
}

/* V1.1b3, 7: an exception is an answer, known or not, and asked once; 06 asks to come again; 0A and
 * 0B are a converter's, and the line to the unit is down. */
static void each_exception_code_is_an_answer_with_its_number(void **state)
{
    (void)state;
    for (int code = 1; code < 0xFF; code++) {
        static struct fake fake;
        struct scan scan;
        const bool is_path = code == 0x0A || code == 0x0B;
        one_range(&fake, FINE);
        fake.unit = any_exception;
        fake.mode = code;
        fake_run(&fake, 2000000);
        fake_take_scan(&fake, &scan);
        check_count("outcome", scan.outcome, is_path ? OUTCOME_PATH_DOWN : OUTCOME_EXCEPTION);
        check_count("heard", outcome_is_heard(scan.outcome), !is_path);
        check_count("tries", scan.tries, code == 6 ? 2 : 1);
        check_count("exception", scan.block[0].exception, code);
        check_count("words", scan.n_words, 0);
        check_count("stray", scan.stray, 0);
        check_count("counted", (long long)line_totals(fake.line)->exceptions[code],
                    code == 6 ? 2 : 1);
        fake_stop(&fake);
    }
}

static void every_failure_is_counted_by_its_kind_and_source(void **state)
{
    (void)state;
    static const struct {
        enum fault fault;
        size_t at; /* of the count in struct line_counts */
    } ROWS[] = {
        {SILENT, offsetof(struct line_counts, silent)},
        {CUT, offsetof(struct line_counts, cut_short)},
        {BAD_CRC, offsetof(struct line_counts, bad_checksum)},
        {OTHER_UNIT, offsetof(struct line_counts, wrong_reply)},
        {FINE, offsetof(struct line_counts, answers)},
        {EXCEPTION_04, offsetof(struct line_counts, exceptions) + 4 * sizeof(uint64_t)},
    };
    for (size_t row = 0; row < sizeof ROWS / sizeof ROWS[0]; row++) {
        static struct fake fake;
        one_range(&fake, ROWS[row].fault);
        fake_run(&fake, 20000000);
        const struct line_counts *counts = line_counts_of(fake.line, 0, SOURCE_GAUGE);
        const struct line_counts *totals = line_totals(fake.line);
        uint64_t count, total;
        assert_non_null(counts);
        memcpy(&count, (const char *)counts + ROWS[row].at, sizeof count);
        memcpy(&total, (const char *)totals + ROWS[row].at, sizeof total);
        check_count("count", (long long)count,
                    ROWS[row].fault == FINE || ROWS[row].fault == EXCEPTION_04 ? 1 : 2);
        check_count("total", (long long)total, (long long)count);
        fake_stop(&fake);
    }
    static struct fake fake;
    one_range(&fake, FINE);
    assert_null(line_counts_of(fake.line, 0, SOURCE_DRIVE));
    fake_stop(&fake);
}

/* A drip of 150 ms a byte and bytes without end both stop at response_timeout + wire time, not
 * after 21 or 40 bytes. */
static void no_answer_takes_longer_than_the_time_out_and_its_wire_time(void **state)
{
    (void)state;
    static const enum fault FAULTS[] = {SLOW_DRIP, ENDLESS};
    for (size_t i = 0; i < 2; i++) {
        static struct fake fake;
        one_range(&fake, FAULTS[i]);
        const struct line_counts *totals = line_totals(fake.line);
        while (totals->cut_short + totals->bad_checksum + totals->silent == 0)
            line_step(fake.line);
        double took_ms = (double)(fake.now_us - fake.last_sent_us) / 1000;
        /* 8 characters of the question, 1 s, 21 of the answer, at 1.042 ms each */
        double most_ms = 1000 + 29 * 1.0417;
        assert_true(took_ms <= most_ms + 1);
        if (FAULTS[i] == SLOW_DRIP)
            check_close("took, ms", took_ms, most_ms, 1);
        fake_stop(&fake);
    }
}

/* Planted defect: flush only, no rest: the second question leaves at once. */
static void after_a_failure_the_line_rests_before_the_next_question(void **state)
{
    (void)state;
    static const enum fault FAULTS[] = {SILENT, CUT, BAD_CRC, OTHER_FUNCTION};
    for (size_t i = 0; i < sizeof FAULTS / sizeof FAULTS[0]; i++) {
        static struct fake fake;
        one_range(&fake, FAULTS[i]);
        while (fake.sends < 1)
            line_step(fake.line);
        int64_t first_us = fake.last_sent_us;
        while (line_totals(fake.line)->answers == 0 && fake.sends < 2 &&
               fake.now_us < first_us + 20000000)
            line_step(fake.line);
        int64_t least_us =
            FAULTS[i] == SILENT ? 2000000 : 1000000; /* time-out and rest; or the rest alone */
        assert_true(fake.last_sent_us - first_us >= least_us);
        assert_true(fake.flushes >= 1);
        fake_stop(&fake);
    }
}

static void after_a_clean_exception_the_line_does_not_rest(void **state)
{
    (void)state;
    static struct fake fake;
    one_range(&fake, EXCEPTION_04);
    fake_run(&fake, 40000);
    check_count("flushes", fake.flushes, 0);
    check_count("busy, ms", line_totals(fake.line)->busy_us / 1000, 30 + 3); /* answer, and t3.5 */
    fake_stop(&fake);
}

static void answer_late_once(struct fake *fake, uint8_t unit_id, const struct read_request *request)
{
    fake_answers(fake, fake->mode == 0 ? 1600000 : 30000, unit_id, request);
    fake->mode++;
}

/* Planted defect: a rest shorter than the slowest answer, or none (gather-rest-ignores-slowest). */
static void a_late_answer_is_counted_named_and_lengthens_the_rest(void **state)
{
    (void)state;
    static struct fake fake;
    struct scan scan;
    one_range(&fake, FINE);
    fake.unit = answer_late_once;
    fake_run(&fake, 20000000);
    const struct line_counts *totals = line_totals(fake.line);
    check_count("late replies", (long long)totals->late_replies, 1);
    check_count("slowest answer, ms", totals->slowest_answer_us / 1000, 1600);
    /* the second question came 2 x 1.6 s after the late answer was heard */
    check_count("second question, ms", (fake.last_sent_us - FAKE_START_US) / 1000, 1600 + 3200);
    struct gathered item;
    assert_true(fake_take(&fake, GATHERED_NOTICE, &item));
    check_text("kind", item.notice.kind, "slow_answer");
    assert_non_null(strstr(item.notice.text, "1.6 s"));
    assert_true(strlen(item.notice.text) < GAP_CAUSE_MAX - 1);
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_ANSWERED);
    check_count("stray", scan.stray, 21);
    check_count("tries", scan.tries, 2);
    fake_stop(&fake);
}

/* Planted defect: gather-stray-forgotten. */
static void bytes_before_a_question_make_the_scan_disturbed(void **state)
{
    (void)state;
    static struct fake fake;
    struct scan scan;
    static const uint8_t NOISE_BYTES[] = {1, 2, 3, 4, 5};
    one_range(&fake, FINE);
    fake_run(&fake, 1000000);
    fake_take_scan(&fake, &scan);
    check_count("stray of the first", scan.stray, 0);
    fake_arrives(&fake, 58900000, NOISE_BYTES, 5); /* 100 ms before the second poll is due */
    fake_run(&fake, 60000000);
    fake_take_scan(&fake, &scan);
    check_count("stray of the second", scan.stray, 5);
    fake_arrives(&fake, 20000000, NOISE_BYTES,
                 5); /* 39 s before the third: counted, but far from it */
    fake_run(&fake, 60000000);
    fake_take_scan(&fake, &scan);
    check_count("stray of the third", scan.stray, 0);
    check_count("stray of the line", (long long)line_totals(fake.line)->stray_bytes, 10);
    /* Whether an idle look reads them first (at .5 s here) or the question itself: within a rest of
     * the question they count. */
    fake_run(&fake, 500000);
    for (int before_ms = 50; before_ms < 1000; before_ms += 50) {
        fake_arrives(&fake, 58500000 - before_ms * INT64_C(1000), NOISE_BYTES, 5);
        fake_run(&fake, 60000000);
        fake_take_scan(&fake, &scan);
        check_count("stray of one within a rest of the noise", scan.stray, 5);
    }
    fake_stop(&fake);
}

static void answer_while_asleep(struct fake *fake, uint8_t unit_id,
                                const struct read_request *request)
{
    const int64_t hour_us = INT64_C(3600000000);
    fake_answers(fake, ANSWER_DELAY_US, unit_id, request);
    if (fake->asleep_us > 0)
        return;
    fake->now_us += hour_us; /* the driver holds the answer meanwhile */
    fake->asleep_us += hour_us;
}

/* Nobody knows how old it is. Planted defect: gather-sleep-answer-taken. */
static void an_answer_that_the_box_slept_through_is_none(void **state)
{
    (void)state;
    static struct fake fake;
    struct scan scan;
    one_range(&fake, FINE);
    fake.unit = answer_while_asleep;
    fake_run(&fake, INT64_C(3720000000));
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_SILENT);
    fake_take_scan(&fake, &scan);
    check_count("and of the next", scan.outcome, OUTCOME_ANSWERED);
    fake_stop(&fake);
}

static void bits_are_packed_sixteen_a_word(void **state)
{
    (void)state;
    static struct fake fake;
    struct scan scan;
    fake_init(&fake, LINE_MEDIUM_SERIAL);
    made_channels(&fake.made.map[0], TABLE_DISCRETE, 3, 20);
    made_plan_join(&fake.made, 1, 60000);
    fake.unit = fake_fine_unit;
    fake_start(&fake, false);
    fake_run(&fake, 1000000);
    fake_take_scan(&fake, &scan);
    check_count("count", scan.block[0].count, 20);
    check_count("words", scan.n_words, 2);
    check_count("word 0", scan.words[0], 0xA5A5);
    check_count("word 1", scan.words[1], 0x00A5);
    fake_stop(&fake);
}

/* Two tries are against noise. Planted defect: gather-dead-unit-asked-twice (a dead unit costs its
 * neighbours two time-outs and rests each poll until it is down). */
static void after_a_scan_of_silence_one_try_tells_the_same(void **state)
{
    (void)state;
    static struct fake fake;
    fake_init(&fake, LINE_MEDIUM_SERIAL);
    made_channels(&fake.made.map[0], TABLE_INPUT, 0, 4);
    made_plan_join(&fake.made, 1, 10000);
    fake_start(&fake, false); /* nobody answers */
    fake_run(&fake, 8000000);
    check_count("questions of the first poll", fake.sends, 2);
    fake_run(&fake, 10000000);
    check_count("and of the second", fake.sends, 3);
    fake.unit = fake_fine_unit;
    fake_run(&fake, 10000000);
    check_count("heard", fake.sends, 4);
    fake.unit = NULL;
    fake_run(&fake, 10000000);
    check_count("silent again: two tries", fake.sends, 6);
    fake_stop(&fake);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_fault_has_its_verdict),
        cmocka_unit_test(each_exception_code_is_an_answer_with_its_number),
        cmocka_unit_test(every_failure_is_counted_by_its_kind_and_source),
        cmocka_unit_test(no_answer_takes_longer_than_the_time_out_and_its_wire_time),
        cmocka_unit_test(after_a_failure_the_line_rests_before_the_next_question),
        cmocka_unit_test(after_a_clean_exception_the_line_does_not_rest),
        cmocka_unit_test(a_late_answer_is_counted_named_and_lengthens_the_rest),
        cmocka_unit_test(bytes_before_a_question_make_the_scan_disturbed),
        cmocka_unit_test(after_a_scan_of_silence_one_try_tells_the_same),
        cmocka_unit_test(an_answer_that_the_box_slept_through_is_none),
        cmocka_unit_test(bits_are_packed_sixteen_a_word),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
