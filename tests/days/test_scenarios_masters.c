/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_masters.c - answers that belong to another question: a second master on the pair,
 * and a unit that answers late. The setting is invented; the troubles are common practice, no
 * source.
 */
#include "line_scene.h"

/* ---- S7 ---- */

/** A question of the other block by another master, and the unit's answer to it. */
static size_t put_foreign_exchange(struct day *day, const uint8_t *request, uint8_t *into)
{
    const uint16_t first = get_u16(request + 2);
    uint8_t question[5] = {FUNCTION_INPUT}, pdu[PDU_MAX], frame[RTU_ADU_MAX];
    put_u16(question + 1, first == 10 ? 20 : 10);
    put_u16(question + 3, get_u16(request + 4));
    size_t n = rtu_put_frame(frame, request[0], question, sizeof question);
    memcpy(into, frame, n);
    const size_t m =
        virtual_unit_answer(day_unit(day, 0, 1), day_now_ms(day), question, sizeof question, pdu);
    const size_t k = rtu_put_frame(frame, request[0], pdu, m);
    memcpy(into + n, frame, k);
    return n + k;
}

/** One question in twenty meets the other master: before our answer, behind it, or instead. */
static void second_master(struct day *day, void *context, uint16_t line, const uint8_t *request,
                          size_t n_request, struct day_answer *answer)
{
    (void)line;
    (void)n_request;
    struct seen *seen = context;
    seen->asked++;
    if (answer->n == 0 || next(seen) % 20 != 0)
        return;
    uint8_t foreign[2 * RTU_ADU_MAX];
    const size_t n = put_foreign_exchange(day, request, foreign);
    seen->harmed++;
    switch (next(seen) % 4) {
    case 0: /* before */
        memmove(answer->bytes + n, answer->bytes, answer->n);
        memcpy(answer->bytes, foreign, n);
        answer->n += n;
        break;
    case 1: /* behind */
        memcpy(answer->bytes + answer->n, foreign, n);
        answer->n += n;
        break;
    case 2: /* instead: ours met the other's question and was lost */
        memcpy(answer->bytes, foreign, n);
        answer->n = n;
        break;
    default: /* its answer alone, before ours: the question fell into our own */
        memmove(answer->bytes + n - 8, answer->bytes, answer->n);
        memcpy(answer->bytes, foreign + 8, n - 8);
        answer->n += n - 8;
        break;
    }
}

/** S7. Planted defect: the first frame of the right length is taken, whatever else is on the pair
 * (gather-second-master-ignored); nobody is told. */
static void a_second_master_makes_nothing_wrong_good_and_is_named(void **state)
{
    (void)state;
    struct seen seen = {.state = 7};
    char text[GAP_CAUSE_MAX] = "";
    struct day *day = begin(TWIN_BLOCKS, &seen, second_master, false);
    day_run_for(day, 12 * HOUR);
    print_message("%u reads, %u met the other master; %" PRIu64 " values disturbed, %" PRIu64
                  " Good\n",
                  seen.asked, seen.harmed, seen.disturbed, seen.good);
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    assert_true(seen.harmed > 200 && seen.good > 1000);
    assert_true(day_count_events(day, "second_master", text) > 0);
    day_count_events(day, "second_master", text);
    assert_non_null(strstr(text, "nother master on pad-line"));
    assert_true(day_line(day, 0)->foreign_frames > 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

/** S7. Planted defect: goes on asking into the other master's traffic. */
static void it_stops_asking_while_another_master_speaks(void **state)
{
    (void)state;
    struct seen seen = {.mode = 9};
    struct day *day = begin(TWIN_BLOCKS, &seen, NULL, false);
    day_run_for(day, HOUR);
    const uint8_t request[8] = {1, FUNCTION_INPUT, 0, 10, 0, 1};
    uint8_t foreign[2 * RTU_ADU_MAX];
    const size_t n = put_foreign_exchange(day, request, foreign);
    foreign[0] = 9; /* of another unit on the pair */
    put_u16(foreign + 6, 0);
    const uint16_t crc = crc16(foreign, 6);
    foreign[6] = (uint8_t)(crc & 0xFF);
    foreign[7] = (uint8_t)(crc >> 8);
    uint64_t asked_at_first = 0;
    for (int s = 0; s < 600; s++) { /* ten minutes, each second one question of it */
        day_put_bytes(day, 0, foreign, 8);
        day_run_for(day, 1000);
        if (s == 30)
            asked_at_first = day_line(day, 0)->requests;
    }
    (void)n;
    check_count("questions asked into its traffic",
                (long long)(day_line(day, 0)->requests - asked_at_first), 0);
    check_count("cause", day_newest_gap(day, GAP_SKIPPED).cause_code, CAUSE_ANOTHER_MASTER);
    check_text("sentence", day_newest_gap(day, GAP_SKIPPED).cause,
               "Frames that Uphole did not ask for are on the line, so it does not ask.");
    const uint64_t records = seen.records;
    day_run_for(day, HOUR);
    assert_true(seen.records >= records + 355); /* and asks again once it is gone */
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

/* ---- S8 ---- */

static void one_late_answer(struct day *day, void *context, uint16_t line, const uint8_t *request,
                            size_t n_request, struct day_answer *answer)
{
    (void)day;
    (void)line;
    (void)request;
    (void)n_request;
    struct seen *seen = context;
    seen->asked++;
    answer->delay_us = seen->delay_us;
    if (seen->delay_us > 0)
        seen->harmed++;
    seen->delay_us = 0;
}

/** S8. Planted defect: the line rests for 1 ms after a fault (gather, line_rest_us): the late
 * answer goes unnoticed. */
static void a_late_answer_never_stands_in_the_other_blocks_place(void **state)
{
    (void)state;
    static const int64_t LATE_US[] = {800000, 1300000};
    struct seen seen = {0};
    char text[GAP_CAUSE_MAX] = "";
    struct day *day = begin(TWIN_BLOCKS, &seen, one_late_answer, false);
    day_run_for(day, HOUR);
    for (size_t i = 0; i < 2 * 40; i++) {
        seen.delay_us = LATE_US[i % 2];
        if (i > 10) /* at any place of the poll */
            day_run_for(day, 97 * (int64_t)i);
        const unsigned asked = seen.asked;
        for (int n = 0; seen.asked < asked + 101 && n < 1000; n++)
            day_run_for(day, 10000);
        assert_true(seen.asked >= asked + 101);
    }
    check_count("late answers", seen.harmed, 80);
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    assert_true(seen.good > 80 * 90);
    /* beside the answer's 7 bytes at 9600 8N1 (7.3 ms) and the question's 8 (8.3 ms) */
    const int64_t slowest_us = day_line(day, 0)->slowest_answer_us;
    if (slowest_us < 1300000 || slowest_us > 1350000)
        fail_msg("slowest answer %" PRId64 " us", slowest_us);
    assert_true(day_count_events(day, "slow_answer", text) > 0);
    print_message("%s\n", text);
    assert_non_null(strstr(text, "response_timeout is 0.5 s"));
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_second_master_makes_nothing_wrong_good_and_is_named),
        cmocka_unit_test(it_stops_asking_while_another_master_speaks),
        cmocka_unit_test(a_late_answer_never_stands_in_the_other_blocks_place),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
