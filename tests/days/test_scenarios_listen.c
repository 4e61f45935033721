/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_listen.c - a line that is only listened to, beside the drive's controller that
 * reads the surface unit: a healthy day, noise and late answers, registers that it never reads, and
 * a controller that stops. The harness fails where a byte is sent.
 */
#include "line_scene.h"

#define LISTENS                                                                                    \
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "  \
    "s, share_line: listen}\n"
static const char LISTENING[] = HEAD LISTENS GAUGE("1", "scaled-16", CONFIRMED) DESTINATIONS;
static const char TWINS[] = HEAD LISTENS GAUGE("1", "twins", CONFIRMED) DESTINATIONS
    "maps:\n  twins:\n    map: twins\n    numbering: from-0\n    refresh: 28 s\n"
    "    first_data: 25 s\n    channels:\n"
    "      intake_pressure: {input: 10, type: u16, scale: 0.001, unit: MPa, reference: absolute, "
    "instrument_range: 0 to 60 MPa}\n"
    "      discharge_pressure: {input: 20, type: u16, scale: 0.001, unit: MPa, reference: "
    "absolute, instrument_range: 0 to 60 MPa}\n";

struct block_asked {
    uint16_t first, count;
};
/** One round of the controller, `apart_ms` between its questions. */
static void one_round(struct day *day, const struct block_asked *blocks, size_t n, int64_t apart_ms,
                      day_harm harm, void *context)
{
    for (size_t i = 0; i < n; i++) {
        const struct read_request request = {
            .function = FUNCTION_INPUT, .first = blocks[i].first, .count = blocks[i].count};
        day_other_master(day, 0, 1, &request, harm, context);
        day_run_for(day, apart_ms);
    }
}

/* Status; the gauge; the unit itself; its analogue inputs. */
static const struct block_asked WHOLE_MAP[] = {{0, 2}, {16, 16}, {40, 2}, {44, 3}};

/** Planted defects: a question of our own (gather-listener-asks); due times counted twice or not
 * (gather-heard-skips). */
static void a_day_of_listening_is_a_day_of_good_readings(void **state)
{
    (void)state;
    struct seen seen = {0};
    struct day *day = begin(LISTENING, &seen, NULL, false);
    for (int i = 0; i < 6 * 3600 / 5; i++)
        one_round(day, WHOLE_MAP, 4, 1250, NULL, NULL);
    const struct day_counts *counts = day_counts_of(day);
    print_message("%" PRIu64 " records, %" PRIu64 " Good, %" PRIu64 " starting\n", counts->records,
                  counts->good, counts->by_quality[QUALITY_STARTING]);
    check_count("good but wrong", (long long)counts->good_but_wrong, 0);
    check_count("line state", day_register(day, 1, 4), LINE_UP);
    check_count("gauge state", day_register(day, 1, 5), GAUGE_LIVE);
    check_count("requests", (long long)day_line(day, 0)->requests, 0);
    assert_true(seen.good > 6 * 360 * 15);
    check_count("disturbed", (long long)seen.disturbed, 0);
    const struct day_books books = day_check_books(day, "heron-7", SOURCE_GAUGE);
    assert_true(books.heard + 4 >= books.due);
    day_destroy(day);
}

/* ---- the headline: never wrong but Good ---- */

struct troubles {
    uint64_t state;
    unsigned asked, harmed;
    int64_t wait_ms;       /* of the controller's time-out, for this exchange */
    int64_t busy_until_ms; /* the unit answers in order: not before its late answer is out */
};

static uint32_t draw(struct troubles *troubles)
{
    troubles->state = troubles->state * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)(troubles->state >> 33);
}

/** One exchange in twelve: a bit flipped in either frame, either lost, the answer late (the
 * controller gives up after 0.5 s), twice, or noise instead. */
static void trouble(struct day *day, void *context, uint8_t *question, size_t *n_question,
                    struct day_answer *answer)
{
    struct troubles *troubles = context;
    troubles->asked++;
    troubles->wait_ms = 0;
    if (troubles->busy_until_ms > day_now_ms(day)) {
        answer->delay_us = (troubles->busy_until_ms - day_now_ms(day)) * 1000;
        return;
    }
    if (draw(troubles) % 12 != 0 || answer->n == 0)
        return;
    troubles->harmed++;
    switch (draw(troubles) % 8) {
    case 0:
        question[draw(troubles) % *n_question] ^= (uint8_t)(1u << draw(troubles) % 8);
        break;
    case 1:
        answer->bytes[draw(troubles) % answer->n] ^= (uint8_t)(1u << draw(troubles) % 8);
        break;
    case 2: /* our ears missed it */
        *n_question = 0;
        break;
    case 3:
        answer->n = 0;
        troubles->wait_ms = 500;
        break;
    case 4:
    case 5:
        answer->delay_us = 450000 + draw(troubles) % 400000;
        troubles->busy_until_ms = day_now_ms(day) + answer->delay_us / 1000 + 20;
        troubles->wait_ms = 500;
        break;
    case 6:
        memcpy(answer->bytes + answer->n, answer->bytes, answer->n);
        answer->n *= 2;
        break;
    default:
        for (size_t i = 0; i < answer->n; i++)
            answer->bytes[i] = (uint8_t)draw(troubles);
        break;
    }
}

/** Two blocks of one length, each plausible in the other's place. Planted defects:
 * gather-overhears-late-answers, gather-overhears-anything, gather-overhears-slow-answers. */
static void noise_and_late_answers_make_nothing_wrong_good(void **state)
{
    (void)state;
    static const struct block_asked BLOCKS[] = {{10, 1}, {20, 1}};
    struct seen seen = {0};
    struct troubles troubles = {.state = 77};
    struct day *day = begin(TWINS, &seen, NULL, false);
    for (int i = 0; i < 12 * 3600 / 3; i++) {
        for (size_t b = 0; b < 2; b++) {
            one_round(day, &BLOCKS[b], 1, 60, trouble, &troubles);
            day_run_for(day, troubles.wait_ms);
        }
        day_run_for(day, i % 5 == 0 ? 8000 : 1200);
    }
    const struct day_counts *counts = day_counts_of(day);
    print_message("%u exchanges, %u harmed; %" PRIu64 " records, %" PRIu64 " Good, %" PRIu64
                  " line_down\n",
                  troubles.asked, troubles.harmed, counts->records, seen.good, seen.line_down);
    check_count("good but wrong", (long long)counts->good_but_wrong, 0);
    assert_true(troubles.harmed > 2000 && seen.good > 4000);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

/** The unit starts anew at any place of the controller's round. Planted defect:
 * measure-zeros-published. */
static void a_unit_that_restarts_shows_no_zero(void **state)
{
    (void)state;
    struct seen seen = {0};
    struct day *day = begin(LISTENING, &seen, NULL, false);
    for (int i = 0; i < 40; i++) {
        for (int k = 0; k < 30 + i % 7; k++)
            one_round(day, WHOLE_MAP, 4, 1250, NULL, NULL);
        one_round(day, WHOLE_MAP, (size_t)(1 + i % 3), 1250, NULL, NULL);
        virtual_unit_power_cycle(day_unit(day, 0, 1), day_now_ms(day));
    }
    const struct day_counts *counts = day_counts_of(day);
    check_count("good but wrong", (long long)counts->good_but_wrong, 0);
    assert_true(counts->by_quality[QUALITY_STARTING] > 100 && seen.good > 5000);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

/** Planted defect: what is never read counts as a sensor that was lost (a channel gap that blames
 * the surface unit). */
static void registers_that_the_controller_never_reads_have_no_data_and_no_gap(void **state)
{
    (void)state;
    static const struct block_asked PART[] = {{0, 2}, {16, 6}};
    struct seen seen = {0};
    struct day *day = begin(LISTENING, &seen, NULL, false);
    for (int i = 0; i < 3600 / 5; i++)
        one_round(day, PART, 2, 2500, NULL, NULL);
    check_count("intake pressure", quality_in_table(day, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    check_count("vibration", quality_in_table(day, POINT_VIBRATION_X), QUALITY_NO_DATA);
    check_count("casing head pressure", quality_in_table(day, POINT_CASING_HEAD_PRESSURE),
                QUALITY_NO_DATA);
    check_count("line state", day_register(day, 1, 4), LINE_UP);
    check_count("channel rows", (long long)day_count_gaps(day, GAP_CHANNEL, 0), 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

/** Planted defect: nothing heard is no row (gather-silence-is-no-row): the line stays up and
 * nobody is told. */
static void a_controller_that_stops_takes_the_line_down_and_is_named(void **state)
{
    (void)state;
    struct seen seen = {0};
    struct day *day = begin(LISTENING, &seen, NULL, false);
    for (int i = 0; i < 3600 / 5; i++)
        one_round(day, WHOLE_MAP, 4, 1250, NULL, NULL);
    const uint64_t good = seen.good;
    day_run_for(day, HOUR);
    assert_true(seen.good <= good + 40);
    check_count("line state", day_register(day, 1, 4), LINE_DOWN);
    check_count("gauge state", day_register(day, 1, 5), GAUGE_UNKNOWN);
    const struct gap row = day_newest_gap(day, GAP_LINE);
    check_text("cause", row.cause,
               "Nothing of the surface unit was heard (unit id 1, pad-line, 9600 8N1): the other "
               "master does not read it, or it does not answer. Uphole only listens there.");
    for (int i = 0; i < 3600 / 5; i++)
        one_round(day, WHOLE_MAP, 4, 1250, NULL, NULL);
    check_count("line state, an hour on", day_register(day, 1, 4), LINE_UP);
    assert_false(day_newest_gap(day, GAP_LINE).is_open);
    check_count("skipped", (long long)day_count_gaps(day, GAP_SKIPPED, 0), 0);
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_day_of_listening_is_a_day_of_good_readings),
        cmocka_unit_test(noise_and_late_answers_make_nothing_wrong_good),
        cmocka_unit_test(a_unit_that_restarts_shows_no_zero),
        cmocka_unit_test(registers_that_the_controller_never_reads_have_no_data_and_no_gap),
        cmocka_unit_test(a_controller_that_stops_takes_the_line_down_and_is_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
