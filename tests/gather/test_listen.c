/* SPDX-License-Identifier: Apache-2.0
 *
 * test_listen.c - other masters on the pair: frames found in lumps, listening first, stopping and
 * going on.
 */
#include "fake.h"

#include "../../daemon/gather/listen.h"

static struct fake fake;
static struct gathered item;

/* Source of the frames: CRC-16 of Modbus over Serial Line V1.02, 6.2.2; the bytes were computed by
 * hand-independent arithmetic. */
static const uint8_t REQUEST[] = {0x01, 0x03, 0x00, 0x00, 0x00, 0x0A, 0xC5, 0xCD};
static const uint8_t ANSWER[] = {0x01, 0x03, 0x04, 0x00, 0xFA, 0xFF, 0xFF, 0xDB, 0xB2};

static void frames_are_found_in_any_lumps_and_in_noise(void **state)
{
    (void)state;
    for (size_t lump = 1; lump <= 40; lump++) {
        struct listener listener = {0};
        struct heard_frame frame;
        uint8_t stream[64];
        size_t n = 0, found = 0;
        static const uint8_t NOISE[] = {0x00, 0x01, 0x03, 0xFA, 0x00};
        memcpy(stream + n, NOISE, sizeof NOISE);
        n += sizeof NOISE;
        memcpy(stream + n, REQUEST, sizeof REQUEST);
        n += sizeof REQUEST;
        memcpy(stream + n, ANSWER, sizeof ANSWER);
        n += sizeof ANSWER;
        memcpy(stream + n, NOISE, 2);
        n += 2;
        for (size_t at = 0; at < n; at += lump) {
            listener_hear(&listener, stream + at, n - at < lump ? n - at : lump,
                          (int64_t)at * 1000);
            while (listener_next(&listener, &frame)) {
                if (found == 0)
                    assert_true(frame.as_request && frame.n == sizeof REQUEST);
                else
                    assert_true(frame.as_answer && frame.n == sizeof ANSWER);
                found++;
            }
        }
        check_count("frames", (long long)found, 2);
    }
}

static void random_noise_is_no_master_and_never_overflows(void **state)
{
    (void)state;
    struct listener listener = {0};
    struct heard_frame frame;
    unsigned seed = 11, found = 0;
    for (int i = 0; i < 20000; i++) {
        uint8_t noise[300];
        size_t n = 1 + (size_t)(rand_r(&seed) % 300);
        for (size_t k = 0; k < n; k++)
            noise[k] = (uint8_t)(rand_r(&seed) >> 3);
        listener_hear(&listener, noise, n, i);
        while (listener_next(&listener, &frame))
            found++;
        assert_true(listener.n <= LISTENER_ROOM);
    }
    /* 3 million bytes; a checksum of 16 bits and a known function: about 3e6 x (9 + 128) / 256 /
     * 65536 chance frames */
    assert_true(found < 120);
}

/* ---- a line that listens ---- */

static void start(uint32_t listen_first_ms, bool share)
{
    fake_init(&fake, LINE_MEDIUM_SERIAL);
    made_channels(&fake.made.map[0], TABLE_INPUT, 0, 4);
    made_plan_join(&fake.made, 1, 10000);
    fake.made.line.listen_first_ms = listen_first_ms;
    fake.made.line.share_line = share;
    fake.unit = fake_fine_unit;
    fake_start(&fake, true);
}
static unsigned skipped(uint8_t cause)
{
    unsigned n = 0;
    while (ring_get(fake.ring, &item))
        n += item.kind == GATHERED_SKIP && item.skip.cause == cause ? item.skip.count : 0;
    return n;
}
/** Another master asks and is answered, each second for so long. */
static void another_master_says(unsigned seconds, const uint8_t *request, size_t n_request,
                                const uint8_t *answer, size_t n_answer)
{
    int64_t from_us = fake.now_us; /* a step may end a slice later than asked for */
    for (unsigned i = 0; i < seconds; i++) {
        fake_arrives(&fake, 500000, request, n_request);
        fake_arrives(&fake, 530000, answer, n_answer);
        fake_run_until(&fake, from_us + (i + 1) * INT64_C(1000000));
    }
}
static void another_master_speaks(unsigned seconds)
{
    uint8_t request[16] = {9, 3, 0, 10, 0, 2};
    size_t n_request = fake_frame(&fake, request, 6);
    uint8_t answer[16] = {9, 3, 4, 1, 2, 3, 4};
    size_t n_answer = fake_frame(&fake, answer, 7);
    another_master_says(seconds, request, n_request, answer, n_answer);
}

/* Planted defect: asking while listening. */
static void nothing_is_sent_before_the_listening_is_over(void **state)
{
    (void)state;
    start(28000, false);
    fake_run(&fake, 27900000);
    check_count("sent", fake.sends, 0);
    check_count("skips while listening", skipped(CAUSE_LISTENING),
                2); /* due at 0 and 10 s; that of 20 s is still open */
    fake_run(&fake, 1000000);
    check_count("sent", fake.sends, 1);
    fake_stop(&fake);
}

static void a_master_heard_while_listening_keeps_us_silent(void **state)
{
    (void)state;
    start(28000, false);
    another_master_speaks(49);
    check_count("sent", fake.sends, 0);
    assert_true(fake_take(&fake, GATHERED_NOTICE, &item));
    check_text("kind", item.notice.kind, "second_master");
    assert_true(strlen(item.notice.text) < GAP_CAUSE_MAX - 1);
    check_count("skips", skipped(CAUSE_ANOTHER_MASTER), 4);
    fake_run(&fake, 27000000);
    check_count("sent within a listening's time of the last frame", fake.sends, 0);
    fake_run(&fake, 12000000);
    assert_true(fake.sends >= 1);
    assert_true(fake_take(&fake, GATHERED_NOTICE, &item));
    check_text("kind", item.notice.kind, "second_master");
    assert_non_null(strstr(item.notice.text, "asks again"));
    fake_stop(&fake);
}

static void a_master_that_begins_later_stops_our_asking(void **state)
{
    (void)state;
    start(5000, false);
    fake_run(&fake, 25000000);
    unsigned before = fake.sends;
    assert_true(before >= 2);
    another_master_speaks(30);
    assert_true(fake.sends <= before + 1);
    assert_true(line_totals(fake.line)->foreign_frames >= 58);
    assert_true(skipped(CAUSE_ANOTHER_MASTER) >= 2);
    fake_stop(&fake);
}

/* A drive's controller need not use reads and writes alone. The frames are those of test_pdu.c
 * (V1.1b3, 6.13 and 6.17). Planted defect: only the usual functions are known
 * (base-hears-usual-functions). */
static void a_master_is_heard_whatever_public_function_it_uses(void **state)
{
    (void)state;
    static const uint8_t BOTH[] = {0x11, 0x17, 0x00, 0x03, 0x00, 0x06, 0x00, 0x0E, 0x00, 0x03,
                                   0x06, 0x00, 0xFF, 0x00, 0xFF, 0x00, 0xFF, 0x4B, 0x54};
    static const uint8_t BOTH_DONE[] = {0x11, 0x17, 0x0C, 0x00, 0xFE, 0x0A, 0xCD, 0x00, 0x01,
                                        0x00, 0x03, 0x00, 0x0D, 0x00, 0xFF, 0x0D, 0x75};
    static const uint8_t WHO[] = {0x11, 0x11, 0xCD, 0xEC};
    static const uint8_t IT_IS[] = {0x11, 0x11, 0x05, 0x70, 0x75, 0x6D, 0x70, 0xFF, 0x2E, 0x05};
    for (int who = 0; who < 2; who++) {
        start(5000, false);
        fake_run(&fake, 4000000);
        if (who)
            another_master_says(30, WHO, sizeof WHO, IT_IS, sizeof IT_IS);
        else
            another_master_says(30, BOTH, sizeof BOTH, BOTH_DONE, sizeof BOTH_DONE);
        check_count("sent", fake.sends, 0);
        assert_true(fake_take(&fake, GATHERED_NOTICE, &item));
        check_text("kind", item.notice.kind, "second_master");
        fake_stop(&fake);
    }
}

/* Word for word our own question, and answered: no echo, since ours was answered long before.
 * Planted defect: it passes for one as long as the question is remembered (gather-echo-for-ever).
 */
static void a_master_that_asks_what_we_ask_is_no_echo(void **state)
{
    (void)state;
    uint8_t request[16] = {1, 4, 0, 0, 0, 4};
    uint8_t answer[24] = {1, 4, 8, 0, 1, 0, 2, 0, 3, 0, 4};
    start(5000, false);
    fake_run(&fake, 12000000);
    const unsigned before = fake.sends;
    assert_true(before >= 1);
    check_count("of the same length", (long long)line_totals(fake.line)->foreign_frames, 0);
    another_master_says(30, request, fake_frame(&fake, request, 6), answer,
                        fake_frame(&fake, answer, 11));
    check_count("sent", fake.sends, before);
    assert_true(line_totals(fake.line)->foreign_frames >= 25);
    assert_true(skipped(CAUSE_ANOTHER_MASTER) >= 2);
    fake_stop(&fake);
}

static void on_a_shared_line_we_go_on_and_mark_what_was_disturbed(void **state)
{
    (void)state;
    start(5000, true);
    fake_run(&fake, 6000000);
    another_master_speaks(60);
    unsigned scans = 0, disturbed = 0;
    while (fake_take(&fake, GATHERED_SCAN, &item)) {
        scans++;
        disturbed += item.scan.stray > 0;
    }
    assert_true(scans >= 6 && disturbed >= 5);
    fake_stop(&fake);
}

/* Our own late answers are no master: nothing was asked by anybody else. */
static void late(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    fake_answers(f, 1200000, unit_id, request);
    fake_answers(f, 1400000, unit_id, request);
}
static void late_and_double_answers_of_our_own_are_no_master(void **state)
{
    (void)state;
    start(0, false);
    fake.unit = late;
    fake_run(&fake, 60000000);
    check_count("foreign frames", (long long)line_totals(fake.line)->foreign_frames, 0);
    assert_true(line_totals(fake.line)->late_replies >= 8);
    check_count("skips", skipped(CAUSE_ANOTHER_MASTER), 0);
    fake_stop(&fake);
}

static void twice(struct fake *f, uint8_t unit_id, const struct read_request *request)
{
    fake_answers(f, 30000, unit_id, request);
    fake_answers(f, 50000, unit_id, request); /* inside the next question's exchange */
}
static void an_answer_that_comes_again_inside_the_next_exchange_is_no_master(void **state)
{
    (void)state;
    fake_init(&fake, LINE_MEDIUM_SERIAL);
    made_channels(&fake.made.map[0], TABLE_INPUT, 0, 4);
    made_channels(&fake.made.map[0], TABLE_INPUT, 100, 5);
    made_plan_join(&fake.made, 1, 10000);
    fake.unit = twice;
    fake_start(&fake, false);
    fake_run(&fake, 60000000);
    check_count("foreign frames", (long long)line_totals(fake.line)->foreign_frames, 0);
    assert_true(line_totals(fake.line)->late_replies >= 6);
    check_count("skips", skipped(CAUSE_ANOTHER_MASTER), 0);
    fake_stop(&fake);
}

static void with_a_foreign_frame_inside(struct fake *f, uint8_t unit_id,
                                        const struct read_request *request)
{
    uint8_t foreign[16] = {9, 3, 0, 10, 0, 2};
    fake_arrives(f, 10000, foreign, fake_frame(f, foreign, 6));
    fake_answers(f, 30000, unit_id, request);
}
static void a_foreign_frame_inside_an_exchange_keeps_its_outcome_and_stops_the_next(void **state)
{
    (void)state;
    start(0, false);
    fake.unit = with_a_foreign_frame_inside;
    fake_run(&fake, 900000);
    assert_true(fake_take(&fake, GATHERED_NOTICE, &item));
    check_text("kind", item.notice.kind, "second_master");
    struct scan scan;
    fake_take_scan(&fake, &scan);
    check_count("outcome", scan.outcome, OUTCOME_ANSWERED);
    check_count("stray", scan.stray, 8);
    fake_stop(&fake);
}

/* Planted defect: a sentence for each coming and going (tests/planted/gather-master-said-often). */
static void a_master_that_comes_and_goes_is_said_once_in_ten_minutes_with_its_count(void **state)
{
    (void)state;
    unsigned said = 0, gone = 0;
    unsigned long counted = 0;
    start(2000, false);
    for (int i = 0; i < 100; i++) { /* 100 times in 1,000 s */
        another_master_speaks(1);
        fake_run(&fake, 9000000);
    }
    while (fake_take(&fake, GATHERED_NOTICE, &item)) {
        check_text("kind", item.notice.kind, "second_master");
        assert_true(strlen(item.notice.text) < GAP_CAUSE_MAX - 1);
        gone += strstr(item.notice.text, "asks again") != NULL;
        said += strstr(item.notice.text, "Another master is on") != NULL;
        const char *times = strstr(item.notice.text, "came and went before: ");
        counted += times != NULL ? strtoul(times + 22, NULL, 10) : 0;
    }
    check_count("said", said, 2);
    check_count("gone", gone, 2);
    assert_in_range(counted, 57, 60); /* one each 10 s and a slice, in 600 s, but the told one */
    fake_stop(&fake);
}

/* Planted defect: one that comes back within the ten minutes and stays is never told. */
static void a_master_that_stays_is_told_when_the_ten_minutes_are_over(void **state)
{
    (void)state;
    unsigned said = 0;
    start(2000, false);
    another_master_speaks(1);
    fake_run(&fake, 9000000);
    another_master_speaks(650);
    while (fake_take(&fake, GATHERED_NOTICE, &item))
        said += strstr(item.notice.text, "Another master is on") != NULL;
    check_count("said", said, 2);
    fake_stop(&fake);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frames_are_found_in_any_lumps_and_in_noise),
        cmocka_unit_test(random_noise_is_no_master_and_never_overflows),
        cmocka_unit_test(nothing_is_sent_before_the_listening_is_over),
        cmocka_unit_test(a_master_heard_while_listening_keeps_us_silent),
        cmocka_unit_test(a_master_that_begins_later_stops_our_asking),
        cmocka_unit_test(a_master_is_heard_whatever_public_function_it_uses),
        cmocka_unit_test(a_master_that_asks_what_we_ask_is_no_echo),
        cmocka_unit_test(on_a_shared_line_we_go_on_and_mark_what_was_disturbed),
        cmocka_unit_test(late_and_double_answers_of_our_own_are_no_master),
        cmocka_unit_test(an_answer_that_comes_again_inside_the_next_exchange_is_no_master),
        cmocka_unit_test(a_foreign_frame_inside_an_exchange_keeps_its_outcome_and_stops_the_next),
        cmocka_unit_test(a_master_that_comes_and_goes_is_said_once_in_ten_minutes_with_its_count),
        cmocka_unit_test(a_master_that_stays_is_told_when_the_ten_minutes_are_over),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
