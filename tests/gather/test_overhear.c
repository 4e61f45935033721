/* SPDX-License-Identifier: Apache-2.0
 *
 * test_overhear.c - another master's exchanges told from bytes alone: pairs, and everything that
 * must not become one.
 *
 * Source of frames: Modbus Application Protocol V1.1b3, 6.1 to 6.4 and 7; checksum: Modbus over
 * Serial Line V1.02, 6.2.2.
 */
#include "check.h"
#include "made.h"

#include "uphole/overhear.h"

#include "uphole/wire.h"

#include <stdlib.h>

static struct overhearer overhearer;
static struct heard_pair pair;
static int64_t now_us;

static void begin(void)
{
    const struct line_plan line = made_serial(9600, 'N');
    now_us = INT64_C(1000000000);
    overhear_init(&overhearer, &line, now_us);
}

static size_t close_frame(uint8_t *frame, size_t n)
{
    const uint16_t crc = crc16(frame, n);
    frame[n] = (uint8_t)(crc & 0xFF);
    frame[n + 1] = (uint8_t)(crc >> 8);
    return n + 2;
}
static size_t question(uint8_t *into, uint8_t unit_id, uint8_t function, unsigned first,
                       unsigned count)
{
    into[0] = unit_id;
    into[1] = function;
    put_u16(into + 2, (uint16_t)first);
    put_u16(into + 4, (uint16_t)count);
    return close_frame(into, 6);
}
/** Registers hold their address plus `base`. */
static size_t answer(uint8_t *into, uint8_t unit_id, uint8_t function, unsigned first,
                     unsigned count, unsigned base)
{
    into[0] = unit_id;
    into[1] = function;
    into[2] = (uint8_t)(2 * count);
    for (unsigned i = 0; i < count; i++)
        put_u16(into + 3 + 2 * i, (uint16_t)(base + first + i));
    return close_frame(into, 3 + 2 * (size_t)count);
}
/** Bytes come after `after_ms`; returns the pairs that come of it, the newest in `pair`. */
static unsigned hear(const uint8_t *bytes, size_t n, int64_t after_ms)
{
    struct heard_pair next;
    unsigned pairs = 0;
    now_us += after_ms * 1000;
    overhear_take(&overhearer, bytes, n, now_us);
    while (overhear_next(&overhearer, &next)) {
        pair = next;
        pairs++;
    }
    return pairs;
}
static unsigned ask(unsigned first, unsigned count, int64_t after_ms)
{
    uint8_t frame[8];
    return hear(frame, question(frame, 1, 4, first, count), after_ms);
}
static unsigned reply(unsigned first, unsigned count, int64_t after_ms)
{
    uint8_t frame[RTU_ADU_MAX];
    return hear(frame, answer(frame, 1, 4, first, count, 100), after_ms);
}
/** Long enough for any late answer: 1 s, a longest frame at 9600 8N1 (267 ms), and a gap. */
static void quiet(void)
{
    now_us += 1500000;
}

static void a_question_and_the_answer_behind_it_are_a_pair(void **state)
{
    (void)state;
    begin();
    quiet();
    check_count("pairs of a question", ask(16, 2, 0), 0);
    check_count("pairs", reply(16, 2, 30), 1);
    check_count("first", pair.request.first, 16);
    check_count("word", pair.words[1], 117);
    assert_true(pair.answered_us - pair.asked_us == 30000);
}

/* Planted defect: frames are looked for in lumps alone. */
static void pairs_are_found_in_any_lumps(void **state)
{
    (void)state;
    uint8_t stream[1024];
    for (size_t lump = 1; lump <= 64; lump++) {
        size_t n = 0;
        unsigned pairs = 0;
        for (unsigned i = 0; i < 10; i++) {
            n += question(stream + n, 1, 4, 16 + i, 1 + i);
            n += answer(stream + n, 1, 4, 16 + i, 1 + i, 100);
        }
        begin();
        quiet();
        for (size_t at = 0; at < n; at += lump)
            pairs += hear(stream + at, n - at < lump ? n - at : lump, 2);
        check_count("pairs", pairs, 10);
    }
}

/* Planted defect: an answer is taken for the last question of its length, whatever stood between
 * (gather-overhears-late-answers). */
static void an_answer_that_comes_after_the_next_question_is_not_taken_for_its_answer(void **state)
{
    (void)state;
    begin();
    quiet();
    ask(10, 1, 0);                            /* its answer is late */
    check_count("pairs", ask(20, 1, 500), 0); /* the master has given up */
    check_count("late answer", reply(10, 1, 30), 0);
    check_count("the other's own answer", reply(20, 1, 30), 0);
    ask(20, 1, 30);
    check_count("still in doubt", reply(20, 1, 30), 0);
    quiet();
    ask(20, 1, 0);
    check_count("after quiet", reply(20, 1, 30), 1);
    check_count("word", pair.words[0], 120);
}

/* Planted defect: doubt ends with the first pair of any kind. */
static void doubt_ends_where_an_answer_fits_one_known_question_only(void **state)
{
    (void)state;
    begin();
    quiet();
    for (unsigned i = 0; i < 3; i++) {
        ask(10, 1, 100);
        check_count("twin", reply(10, 1, 30), 1);
        ask(20, 1, 100);
        check_count("twin", reply(20, 1, 30), 1);
        ask(30, 5, 100);
        check_count("of its own length", reply(30, 5, 30), 1);
    }
    ask(10, 1, 100); /* not answered */
    ask(20, 1, 100);
    check_count("twin in doubt", reply(10, 1, 30), 0);
    ask(30, 5, 100);
    check_count("of its own length", reply(30, 5, 30), 1);
    ask(20, 1, 100);
    check_count("and then the twin again", reply(20, 1, 30), 1);
    check_count("word", pair.words[0], 120);
}

static void nothing_is_believed_of_what_was_asked_before_it_listened(void **state)
{
    (void)state;
    begin(); /* in the middle of a late answer */
    ask(20, 1, 10);
    check_count("pairs", reply(10, 1, 30), 0);
    for (unsigned i = 0; i < 2; i++) { /* a master that never pauses, one question only */
        ask(40, 3, 100);
        check_count("not known yet", reply(40, 3, 30), 0);
    }
    ask(40, 3, 100);
    check_count("its habit by now", reply(40, 3, 30), 1);
}

/* Planted defect: the checksum isn't compared (gather-overhears-anything). */
static void a_flipped_bit_costs_the_pair(void **state)
{
    (void)state;
    uint8_t stream[64];
    for (size_t bit = 0; bit < 8 * (8 + 9); bit++) {
        begin();
        quiet();
        size_t n = question(stream, 1, 4, 16, 2);
        n += answer(stream + n, 1, 4, 16, 2, 100);
        stream[bit / 8] ^= (uint8_t)(1u << bit % 8);
        check_count("pairs", hear(stream, n, 0), 0);
        quiet();
        ask(16, 2, 0);
        check_count("and it goes on", reply(16, 2, 30), 1);
    }
}

static void a_byte_more_or_less_costs_the_pair(void **state)
{
    (void)state;
    uint8_t stream[64], harmed[64];
    for (size_t at = 0; at < 8 + 9; at++)
        for (int more = 0; more < 2; more++) {
            begin();
            quiet();
            size_t n = question(stream, 1, 4, 16, 2);
            n += answer(stream + n, 1, 4, 16, 2, 100);
            memcpy(harmed, stream, at);
            if (more)
                harmed[at] = 0;
            memcpy(harmed + at + more, stream + at + 1 - more, n - at - 1 + (size_t)more);
            const size_t m = more ? n + 1 : n - 1;
            if (more && at == 0)
                continue; /* a stray zero before the question harms nothing */
            check_count("pairs", hear(harmed, m, 0), 0);
        }
}

static void an_answer_of_another_unit_function_or_length_is_no_answer(void **state)
{
    (void)state;
    uint8_t frame[64];
    static const uint8_t OTHERS[][3] = {{2, 4, 2}, {1, 3, 2}, {1, 4, 1}, {1, 4, 3}};
    for (size_t i = 0; i < sizeof OTHERS / sizeof OTHERS[0]; i++) {
        begin();
        quiet();
        ask(16, 2, 0);
        const size_t n = answer(frame, OTHERS[i][0], OTHERS[i][1], 16, OTHERS[i][2], 100);
        check_count("pairs", hear(frame, n, 30), 0);
        check_count("nor behind it", reply(16, 2, 5), 0);
    }
}

/* One question went unanswered, the next one unheard. Planted defect: any time within the
 * response_timeout will do (gather-overhears-slow-answers). */
static void an_answer_slower_than_usual_is_not_taken_where_a_question_may_be_missing(void **state)
{
    (void)state;
    begin();
    quiet();
    for (unsigned i = 0; i < 8; i++) {
        ask(10, 1, 100);
        check_count("pairs", reply(10, 1, 30), 1);
        ask(20, 1, 100);
        check_count("pairs", reply(20, 1, 30), 1);
    }
    ask(10, 1, 100);
    check_count("pairs", reply(20, 1, 500 + 40 + 30), 0);
}

/* Planted defect: an answer counts however late it comes. */
static void an_answer_after_its_time_is_no_answer(void **state)
{
    (void)state;
    begin();
    quiet();
    ask(16, 2, 0);
    check_count("pairs", reply(16, 2, 1400), 0);
}

static void an_exception_is_an_answer(void **state)
{
    (void)state;
    uint8_t frame[8] = {1, 0x84, 2};
    begin();
    quiet();
    ask(16, 2, 0);
    check_count("pairs", hear(frame, close_frame(frame, 3), 30), 1);
    check_count("exception", pair.exception, 2);
    check_count("words", pair.n_words, 0);
}

/* V1.1b3, 7 knows no code 00 or FF: in a scan's block they would say "data" and "no answer". */
static void an_exception_without_a_code_is_no_answer(void **state)
{
    (void)state;
    for (int code = 0; code <= 0xFF; code += 0xFF) {
        uint8_t frame[8] = {1, 0x84, (uint8_t)code};
        begin();
        quiet();
        ask(16, 2, 0);
        check_count("pairs", hear(frame, close_frame(frame, 3), 30), 0);
        assert_true(overhearer.counts.faults > 0);
    }
}

/* Eight bytes of a 3-byte coil answer would do as a question too (function, then 0x03xx). */
static void what_would_do_as_question_and_answer_is_neither(void **state)
{
    (void)state;
    uint8_t ask_coils[8], frame[8] = {1, 1, 3, 0x10, 0x00, 0x08};
    begin();
    quiet();
    hear(ask_coils, question(ask_coils, 1, 1, 0, 20), 0);
    check_count("pairs", hear(frame, close_frame(frame, 6), 30), 0);
}

static void writes_of_the_other_master_pass_by(void **state)
{
    (void)state;
    uint8_t frame[8] = {1, 6, 0, 1, 0, 3};
    begin();
    quiet();
    close_frame(frame, 6);
    check_count("pairs", hear(frame, 8, 0), 0);
    check_count("pairs", hear(frame, 8, 30), 0); /* its echo is the answer */
    ask(16, 2, 30);
    check_count("pairs", reply(16, 2, 30), 1);
    /* The frames of test_pdu.c (V1.1b3, 6.17): nothing in them leaves the next pair in doubt. */
    static const uint8_t BOTH[] = {0x11, 0x17, 0x00, 0x03, 0x00, 0x06, 0x00, 0x0E, 0x00, 0x03,
                                   0x06, 0x00, 0xFF, 0x00, 0xFF, 0x00, 0xFF, 0x4B, 0x54};
    static const uint8_t DONE[] = {0x11, 0x17, 0x0C, 0x00, 0xFE, 0x0A, 0xCD, 0x00, 0x01,
                                   0x00, 0x03, 0x00, 0x0D, 0x00, 0xFF, 0x0D, 0x75};
    check_count("pairs", hear(BOTH, sizeof BOTH, 30), 0);
    check_count("pairs", hear(DONE, sizeof DONE, 30), 0);
    ask(20, 2, 30);
    check_count("pairs", reply(20, 2, 30), 1);
    check_count("faults", (long long)overhearer.counts.faults, 0);
}

/* Planted defect: the buffer is not bounded (ASan). */
static void random_noise_makes_no_pair_and_never_overflows(void **state)
{
    (void)state;
    unsigned seed = 17, pairs = 0;
    begin();
    for (int i = 0; i < 20000; i++) {
        uint8_t noise[300];
        const size_t n = 1 + (size_t)(rand_r(&seed) % 300);
        for (size_t k = 0; k < n; k++)
            noise[k] = (uint8_t)(rand_r(&seed) >> 3);
        if (i % 3 == 0) { /* much of it begins like a frame */
            noise[0] = 1;
            noise[1] = 4;
        }
        pairs += hear(noise, n, 5);
        assert_true(overhearer.n <= OVERHEAR_ROOM);
    }
    check_count("pairs", pairs, 0);
}

/**
 * The headline: twin blocks of one length, each of which is plausible in the other's place; noise,
 * lost frames and late answers (within the response_timeout of 1 s) at random. Every pair must hold
 * its own registers' words. Planted defects: gather-overhears-late-answers,
 * gather-overhears-anything.
 */
static void under_noise_and_late_answers_no_pair_is_wrong(void **state)
{
    (void)state;
    unsigned seed = 23, wrong = 0, right = 0, harmed = 0;
    uint8_t held[RTU_ADU_MAX];
    size_t n_held = 0;
    begin();
    for (int i = 0; i < 60000; i++) {
        static const unsigned FIRST[] = {10, 20, 30};
        static const unsigned COUNT[] = {1, 1, 5};
        const unsigned which = (unsigned)(i % 3), luck = (unsigned)rand_r(&seed) % 100;
        uint8_t frame[RTU_ADU_MAX];
        unsigned pairs = 0;
        size_t n = question(frame, 1, 4, FIRST[which], COUNT[which]);
        if (luck == 0)
            frame[(unsigned)rand_r(&seed) % n] ^= 0x20;
        if (luck != 1)
            pairs += hear(frame, n, i % 40 == 0 && n_held == 0 ? 2000 : 40);
        if (n_held > 0) { /* the late one comes first */
            pairs += hear(held, n_held, 20);
            n_held = 0;
        }
        n = answer(frame, 1, 4, FIRST[which], COUNT[which], 100);
        if (luck == 2) {
            memcpy(held, frame, n);
            n_held = n;
            now_us += 500000; /* the master's time-out */
        } else if (luck == 3) {
            frame[(unsigned)rand_r(&seed) % n] ^= 0x04;
        }
        if (luck == 4)
            now_us += 500000; /* no answer at all: the time-out again */
        if (luck != 2 && luck != 4)
            pairs += hear(frame, n, 30);
        harmed += luck < 5;
        if (pairs == 0)
            continue;
        const bool is_right = pair.words[0] == 100 + pair.request.first;
        right += is_right;
        wrong += !is_right;
    }
    print_message("%u pairs right, %u wrong, %u exchanges harmed\n", right, wrong, harmed);
    check_count("wrong pairs", wrong, 0);
    assert_true(harmed > 2500 && right > 40000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_question_and_the_answer_behind_it_are_a_pair),
        cmocka_unit_test(pairs_are_found_in_any_lumps),
        cmocka_unit_test(an_answer_that_comes_after_the_next_question_is_not_taken_for_its_answer),
        cmocka_unit_test(doubt_ends_where_an_answer_fits_one_known_question_only),
        cmocka_unit_test(nothing_is_believed_of_what_was_asked_before_it_listened),
        cmocka_unit_test(a_flipped_bit_costs_the_pair),
        cmocka_unit_test(a_byte_more_or_less_costs_the_pair),
        cmocka_unit_test(an_answer_of_another_unit_function_or_length_is_no_answer),
        cmocka_unit_test(an_answer_slower_than_usual_is_not_taken_where_a_question_may_be_missing),
        cmocka_unit_test(an_answer_after_its_time_is_no_answer),
        cmocka_unit_test(an_exception_is_an_answer),
        cmocka_unit_test(an_exception_without_a_code_is_no_answer),
        cmocka_unit_test(what_would_do_as_question_and_answer_is_neither),
        cmocka_unit_test(writes_of_the_other_master_pass_by),
        cmocka_unit_test(random_noise_makes_no_pair_and_never_overflows),
        cmocka_unit_test(under_noise_and_late_answers_no_pair_is_wrong),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
