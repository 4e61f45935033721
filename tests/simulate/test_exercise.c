/* SPDX-License-Identifier: Apache-2.0
 *
 * test_exercise.c - the cabinets to practise at, and their judge: every kind with every seed, no
 * answer but the right one, and a fault that is really in the registers or on the wire.
 *
 * Factors: 1 psi = 6.894757293168361 kPa, 0 degC = 32 degF (NIST SP 811, app. B). Frames and
 * characters: Modbus over Serial Line V1.02, 2.5.1. Planted: simulate-judge-accepts-anything,
 * simulate-judge-accepts-the-kind, simulate-settings-don't-count,
 * simulate-controller-never-spoiled.
 */
#include "check.h"

#include "uphole/exercise.h"
#include "uphole/wire.h"

#include <stdlib.h>

#define SEEDS CHECK_SPARINGLY(300, 60)

static void make(struct exercise *exercise, unsigned number, uint64_t seed)
{
    struct plan_faults faults = {0};
    struct up_error error = {0};
    struct map *map;
    assert_true(exercise_choose(number, seed, exercise));
    assert_int_equal(
        map_by_name(exercise->map_name, UPHOLE_SOURCE_DIR "/config/maps", &map, &faults), UP_OK);
    if (exercise_make(exercise, map, EXERCISE_REFRESH_MS, &error) != UP_OK)
        fail_msg("exercise %u, seed %llu: %s", number, (unsigned long long)seed, error.why);
    free(map);
}

/* The right answer as the verdict prints it. */
static void right_answer(const struct exercise *exercise, char into[EXERCISE_ANSWER_MAX])
{
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    exercise_print_verdict(out, exercise, EXERCISE_RIGHT);
    fclose(out);
    assert_int_equal(sscanf(text, "Right: %199[^.].", into), 1);
    assert_non_null(strstr(text, "\nEvidence: "));
    assert_non_null(strstr(text, "\nTrap: "));
    free(text);
}

static void with_one_seed_the_numbers_are_all_kinds_and_the_seed_orders_them(void **state)
{
    (void)state;
    struct exercise *exercise = calloc(1, sizeof *exercise);
    const struct exercise_row *first[EXERCISES] = {NULL};
    unsigned others = 0;
    for (uint64_t seed = 1; seed <= (uint64_t)SEEDS; seed++) {
        const struct exercise_row *seen[EXERCISES];
        for (unsigned number = 1; number <= EXERCISES; number++) {
            assert_true(exercise_choose(number, seed, exercise));
            seen[number - 1] = exercise->row;
            for (unsigned before = 0; before + 1 < number; before++)
                assert_ptr_not_equal(seen[before], exercise->row);
            if (seed == 1)
                first[number - 1] = exercise->row;
            others += first[number - 1] != exercise->row;
        }
    }
    /* Of independent orders seven in eight stand at another number. */
    assert_true(others > 6u * (unsigned)SEEDS);
    assert_false(exercise_choose(0, 1, exercise));
    assert_false(exercise_choose(EXERCISES + 1, 1, exercise));
    free(exercise);
}

static void only_the_right_kind_with_the_right_detail_is_right(void **state)
{
    (void)state;
    static const char *const KINDS_ALONE[] = {"unit id",
                                              "settings",
                                              "off by one",
                                              "word order",
                                              "not fitted",
                                              "unit",
                                              "another master",
                                              "converter",
                                              "",
                                              "I don't know",
                                              "unit id id id id id id id id id id id id id"};
    struct exercise *exercise[EXERCISES];
    char right[EXERCISES][EXERCISE_ANSWER_MAX];
    unsigned texts = 0;
    for (unsigned i = 0; i < EXERCISES; i++)
        exercise[i] = calloc(1, sizeof *exercise[i]);
    for (uint64_t seed = 1; seed <= (uint64_t)SEEDS; seed++) {
        for (unsigned i = 0; i < EXERCISES; i++) {
            make(exercise[i], i + 1, seed);
            right_answer(exercise[i], right[i]);
            assert_int_equal(exercise_judge(exercise[i], right[i]), EXERCISE_RIGHT);
        }
        for (unsigned i = 0; i < EXERCISES; i++) {
            for (unsigned other = 0; other < EXERCISES; other++)
                if (other != i)
                    assert_int_equal(exercise_judge(exercise[i], right[other]), EXERCISE_WRONG);
            for (size_t k = 0; k < sizeof KINDS_ALONE / sizeof KINDS_ALONE[0]; k++)
                assert_int_equal(exercise_judge(exercise[i], KINDS_ALONE[k]),
                                 EXERCISE_NOT_UNDERSTOOD);
            texts++;
        }
    }
    check_count("exercises judged", texts, EXERCISES * SEEDS);
    for (unsigned i = 0; i < EXERCISES; i++)
        free(exercise[i]);
}

/* Each of these is of the right kind for some seed, and its detail is wrong. */
static void a_detail_that_is_off_is_not_right(void **state)
{
    (void)state;
    static const char *const DETAILS[] = {"unit id 200",
                                          "settings 2400 8O1",
                                          "off by one higher",
                                          "off by one lower",
                                          "word order high word first",
                                          "word order low word first, bytes swapped",
                                          "not fitted gauge_temperature",
                                          "unit pressure kPa",
                                          "unit temperature K",
                                          "another master every 60 s",
                                          "converter exception 0A",
                                          "converter exception 0B"};
    struct exercise *exercise = calloc(1, sizeof *exercise);
    unsigned kind_only = 0, right = 0;
    for (uint64_t seed = 1; seed <= (uint64_t)SEEDS; seed++)
        for (unsigned number = 1; number <= EXERCISES; number++) {
            make(exercise, number, seed);
            for (size_t d = 0; d < sizeof DETAILS / sizeof DETAILS[0]; d++) {
                const enum exercise_verdict verdict = exercise_judge(exercise, DETAILS[d]);
                const bool can_be = d >= 2 && d <= 5;
                kind_only += verdict == EXERCISE_KIND_ONLY;
                right += verdict == EXERCISE_RIGHT;
                if (verdict == EXERCISE_RIGHT && !can_be && d < 10)
                    fail_msg("seed %llu, exercise %u: '%s' is called right",
                             (unsigned long long)seed, number, DETAILS[d]);
            }
        }
    assert_true(kind_only > 5u * (unsigned)SEEDS / 2);
    assert_true(right > 0 &&
                right < 3u * (unsigned)SEEDS); /* by chance, of two or three that can be */
    free(exercise);
}

static void an_answer_is_taken_as_a_person_types_it(void **state)
{
    (void)state;
    struct exercise *exercise = calloc(1, sizeof *exercise);
    unsigned seen = 0;
    for (uint64_t seed = 1; seed <= 60 && seen != 0x7F; seed++)
        for (unsigned number = 1; number <= EXERCISES; number++) {
            char right[EXERCISE_ANSWER_MAX], typed[EXERCISE_ANSWER_MAX * 2];
            char a[40] = "", b[40] = "";
            make(exercise, number, seed);
            right_answer(exercise, right);
            if (sscanf(right, "unit id %39s", a) == 1 && (seen |= 1u))
                snprintf(typed, sizeof typed, "  Unit ID: %s ", a);
            else if (sscanf(right, "settings %39s %39s", a, b) == 2 && (seen |= 2u))
                snprintf(typed, sizeof typed, "settings %s, %s baud", b, a);
            else if (sscanf(right, "unit pressure %39s", a) == 1 && (seen |= 4u))
                snprintf(typed, sizeof typed, "unit intake_pressure %s", a);
            else if (sscanf(right, "converter exception %39s", a) == 1 && (seen |= 8u))
                snprintf(typed, sizeof typed, "Converter 0x%s", a);
            else if (sscanf(right, "another master every %39s", a) == 1 && (seen |= 16u))
                snprintf(typed, sizeof typed, "another master %s.2s", a);
            else if (strstr(right, "word order") == right && (seen |= 32u))
                snprintf(typed, sizeof typed, "Word order = %s-first %s",
                         strstr(right, "high") ? "high" : "low",
                         strstr(right, "swapped") ? "bytes swapped" : "");
            else if (strcmp(right, "swapped pair") == 0 && (seen |= 64u))
                snprintf(typed, sizeof typed, "SWAPPED PAIR");
            else
                continue;
            if (exercise_judge(exercise, typed) != EXERCISE_RIGHT)
                fail_msg("'%s' is not taken for '%s'", typed, right);
        }
    assert_int_equal(seen, 0x7F);
    free(exercise);
}

/* ---- the fault is really there ---- */

static double input_of(struct virtual_unit *unit, const struct channel *channel, uint16_t words[2])
{
    uint8_t pdu[PDU_MAX], answer[PDU_MAX];
    const struct read_request request = {channel->table, channel->address, channel->n_words};
    const size_t n = virtual_unit_answer(unit, 60000, pdu, pdu_put_read(pdu, &request), answer);
    assert_int_equal(n, 2u + 2u * channel->n_words);
    for (unsigned i = 0; i < channel->n_words && i < 2; i++)
        words[i] = get_u16(answer + 2 + 2 * i);
    return words[0];
}

static float float_of(const uint16_t words[2]) /* low word first, as the office's map has it */
{
    const uint32_t bits = (uint32_t)words[1] << 16 | words[0];
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static void the_registers_hold_what_the_answer_says(void **state)
{
    (void)state;
    struct exercise *exercise = calloc(1, sizeof *exercise);
    unsigned psi = 0, markers = 0, neighbours = 0;
    for (uint64_t seed = 1; seed <= (uint64_t)SEEDS / 4; seed++)
        for (unsigned number = 1; number <= EXERCISES; number++) {
            char right[EXERCISE_ANSWER_MAX];
            uint16_t words[2] = {0, 0};
            struct well_truth truth;
            make(exercise, number, seed);
            right_answer(exercise, right);
            if (exercise->cabinet.n_units == 0)
                continue;
            struct up_error error = {0};
            struct virtual_unit *unit = virtual_unit_create(&exercise->cabinet.units[0], &error);
            assert_non_null(unit);
            virtual_unit_truth(unit, 60000, &truth);
            const struct channel *intake = map_channel(&exercise->map, POINT_INTAKE_PRESSURE);
            const double kpa = truth.value[POINT_INTAKE_PRESSURE];
            const double psi_of_kpa = 1 / 6.894757293168361;
            if (strcmp(right, "unit pressure psi") == 0 && ++psi)
                check_close("register in psi", input_of(unit, intake, words), kpa * psi_of_kpa,
                            0.51);
            else if (strcmp(right, "not fitted discharge_pressure") == 0 && ++markers) {
                (void)input_of(unit, map_channel(&exercise->map, POINT_DISCHARGE_PRESSURE), words);
                check_close("65.535 MPa in psi", float_of(words), 65535 * psi_of_kpa, 0.001);
                (void)input_of(unit, map_channel(&exercise->map, POINT_DISCHARGE_TEMPERATURE),
                               words);
                check_close("0 degC in degF", float_of(words), 32, 0);
            } else if (strncmp(right, "off by one", 10) == 0 && ++neighbours) {
                struct channel there = *intake;
                there.address = (uint16_t)(there.address + (strstr(right, "higher") ? 1 : -1));
                const double raw = input_of(unit, &there, words);
                check_close("intake pressure beside its place",
                            intake->n_words == 1 ? raw : (double)float_of(words),
                            intake->n_words == 1 ? kpa : kpa * psi_of_kpa,
                            intake->n_words == 1 ? 0.5 : 0.01);
            }
            virtual_unit_destroy(unit);
        }
    assert_true(psi > 0 && markers > 0 && neighbours > 0);
    free(exercise);
}

static struct line_plan settings(uint32_t baud, char parity)
{
    return (struct line_plan){.medium = LINE_MEDIUM_SERIAL,
                              .baud = baud,
                              .parity = parity,
                              .data_bits = 8,
                              .stop_bits = 1};
}

static void a_receiver_at_other_settings_hears_other_bytes(void **state)
{
    (void)state;
    const struct line_plan slow = settings(9600, 'N'), fast = settings(19200, 'N'),
                           even = settings(9600, 'E');
    const uint8_t sent[] = {0x01, 0x04, 0x00, 0x10, 0x00, 0x10, 0xF0, 0x03};
    uint8_t heard[64];
    assert_int_equal(uart_through(&slow, &slow, sent, sizeof sent, heard, sizeof heard),
                     sizeof sent);
    assert_memory_equal(heard, sent, sizeof sent);
    /* One character 55 at half the receiver's speed, lowest bit first: start and data 0 1 0 1 0 1 0
     * 1 0, stop 1, each twice as long. The first nine half bits behind the start bit are 0 11 00 11
     * 00 ...: eight of them, from the start bit's second half on, are 0,1,1,0,0,1,1,0. */
    const uint8_t alternating = 0x55;
    const size_t n = uart_through(&slow, &fast, &alternating, 1, heard, sizeof heard);
    assert_true(n >= 1);
    assert_int_equal(heard[0], 0x66);
    /* 8N1 heard as 8E1: the stop bit, 1, stands where the parity is expected. Right for 01 (one
     * bit: even parity makes 1), wrong for 03: 00. */
    const uint8_t one = 0x01, two = 0x03;
    assert_int_equal(uart_through(&slow, &even, &one, 1, heard, sizeof heard), 1);
    assert_int_equal(heard[0], 0x01);
    assert_int_equal(uart_through(&slow, &even, &two, 1, heard, sizeof heard), 1);
    assert_int_equal(heard[0], 0x00);
    assert_int_equal(uart_through(&slow, &slow, sent, sizeof sent, heard, 3), 3); /* room */
}

/* ---- another master ---- */

static void a_controller_asks_at_its_period_and_a_question_in_between_spoils_it(void **state)
{
    (void)state;
    struct exercise *exercise = calloc(1, sizeof *exercise);
    struct up_error error = {0};
    uint64_t seed = 0;
    do
        make(exercise, 1, ++seed);
    while (exercise->cabinet.controller.every_ms == 0);
    struct virtual_line *line = virtual_line_create(&exercise->cabinet, NULL, 1, 0, &error);
    assert_non_null(line);
    const int64_t every_us = (int64_t)exercise->cabinet.controller.every_ms * 1000;
    uint8_t bytes[600], ours[] = {1, 4, 0, 0, 0, 1, 0x31, 0xCA};
    unsigned connection;
    int64_t first_us = -1;
    for (int64_t now_us = 0; now_us < 10 * every_us; now_us += 1000) {
        const size_t n = virtual_line_send(line, now_us, &connection, bytes, sizeof bytes);
        if (n > 0 && first_us < 0)
            first_us = now_us;
    }
    const struct virtual_line_counts *counts = virtual_line_counts_of(line);
    assert_true(first_us >= 0 && first_us < 1000000);
    check_count("exchanges, two each period", (long long)counts->foreign_exchanges, 20);
    check_count("spoiled", (long long)counts->foreign_spoiled, 0);
    int64_t now_us = 10 * every_us;
    while (virtual_line_send(line, now_us, &connection, bytes, sizeof bytes) == 0)
        now_us += 1000;
    virtual_line_receive(line, now_us, 0, ours, sizeof ours);
    assert_true(counts->foreign_spoiled > 0);
    check_count("ours is spoiled as well", (long long)counts->collisions, 1);
    virtual_line_destroy(line);
    free(exercise);
}

static unsigned times_in(const char *text, const char *what)
{
    unsigned times = 0;
    for (const char *at = text; (at = strstr(at, what)) != NULL; at++)
        times++;
    return times;
}

static void what_is_told_before_does_not_say_what_is_wrong(void **state)
{
    (void)state;
    struct exercise *exercise = calloc(1, sizeof *exercise);
    for (uint64_t seed = 1; seed <= 20; seed++)
        for (unsigned number = 1; number <= EXERCISES; number++) {
            char right[EXERCISE_ANSWER_MAX], port[16];
            char *text = NULL;
            size_t length = 0;
            make(exercise, number, seed);
            right_answer(exercise, right);
            snprintf(exercise->cabinet.line.host, 10, "127.0.0.1");
            FILE *out = open_memstream(&text, &length);
            exercise_print_briefing(out, exercise, "/srv/practice", NULL);
            exercise_print_configuration(out, exercise, "/srv/practice");
            fclose(out);
            snprintf(port, sizeof port, "unit_id: %u\n", exercise->paper_unit_id);
            assert_non_null(strstr(text, port));
            char *forms = NULL;
            out = open_memstream(&forms, &length);
            exercise_print_forms(out);
            fclose(out);
            /* Some answers are a form by themselves; each briefing shows all forms. */
            if (times_in(text, right) != times_in(forms, right))
                fail_msg("seed %llu, exercise %u: '%s' is told beforehand",
                         (unsigned long long)seed, number, right);
            free(forms);
            free(text);
        }
    free(exercise);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(with_one_seed_the_numbers_are_all_kinds_and_the_seed_orders_them),
        cmocka_unit_test(only_the_right_kind_with_the_right_detail_is_right),
        cmocka_unit_test(a_detail_that_is_off_is_not_right),
        cmocka_unit_test(an_answer_is_taken_as_a_person_types_it),
        cmocka_unit_test(the_registers_hold_what_the_answer_says),
        cmocka_unit_test(a_receiver_at_other_settings_hears_other_bytes),
        cmocka_unit_test(a_controller_asks_at_its_period_and_a_question_in_between_spoils_it),
        cmocka_unit_test(what_is_told_before_does_not_say_what_is_wrong),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
