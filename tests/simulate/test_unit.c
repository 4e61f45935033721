/* SPDX-License-Identifier: Apache-2.0
 *
 * test_unit.c - what a virtual surface unit answers, and when. Vectors of exceptions and
 * identification: Modbus Application Protocol V1.1b3.
 */
#include "check.h"

#include <stdlib.h>
#include <unistd.h>

#include "uphole/simulate.h"
#include "uphole/wire.h"
#include "unit_map.h"

static struct map MAP;

static struct virtual_unit *make(uint64_t seed, int64_t powered_at_ms, bool no_discharge)
{
    struct up_error error = {0};
    unit_map(&MAP);
    struct virtual_unit_options options = {.map = &MAP,
                                           .unit_id = 1,
                                           .seed = seed,
                                           .powered_at_ms = powered_at_ms,
                                           .no_discharge = no_discharge};
    struct virtual_unit *unit = virtual_unit_create(&options, &error);
    assert_non_null(unit);
    return unit;
}

static size_t ask(struct virtual_unit *unit, int64_t t, uint8_t function, uint16_t first,
                  uint16_t count, uint8_t answer[static PDU_MAX])
{
    uint8_t request[5] = {function};
    put_u16(request + 1, first);
    put_u16(request + 3, count);
    return virtual_unit_answer(unit, t, request, 5, answer);
}

static uint16_t word(struct virtual_unit *unit, int64_t t, uint16_t address)
{
    uint8_t answer[PDU_MAX];
    check_count("answer", (long long)ask(unit, t, 4, address, 1, answer), 4);
    return get_u16(answer + 2);
}

static void check_exception(struct virtual_unit *unit, uint8_t function, uint16_t first,
                            uint16_t count, uint8_t code)
{
    uint8_t answer[PDU_MAX];
    check_count("length", (long long)ask(unit, 60000, function, first, count, answer), 2);
    check_count("function", answer[0], function | 0x80);
    check_count("exception", answer[1], code);
}

/* Twenty-five seconds to first data: common practice, no source. */
static void nothing_but_zeros_comes_until_25_s_after_power(void **state)
{
    (void)state;
    struct virtual_unit *unit = make(1, 1000, false);
    for (int64_t t = 1000; t < 26000; t += 500) {
        assert_int_equal(word(unit, t, 0), 2); /* starting */
        for (uint16_t address = 1; address < 24; address++)
            assert_int_equal(word(unit, t, address), 0);
    }
    assert_int_equal(word(unit, 26000, 0), 1);
    assert_int_equal(word(unit, 26000, 1), 1);
    assert_true(word(unit, 26000, 16) > 3000);
    virtual_unit_destroy(unit);
}

static void registers_change_once_a_refresh(void **state)
{
    (void)state;
    struct virtual_unit *unit = make(1, 0, false);
    uint8_t before[PDU_MAX], now[PDU_MAX];
    ask(unit, 25000, 4, 0, 22, before);
    for (int64_t t = 25000; t < 53000; t += 100) {
        ask(unit, t, 4, 0, 22, now);
        assert_memory_equal(before, now, 46);
    }
    ask(unit, 53000, 4, 0, 22, now);
    assert_memory_not_equal(before, now, 46);
    assert_int_equal(get_u16(now + 4), get_u16(before + 4) + 1); /* the refresh counter */
    virtual_unit_destroy(unit);
}

static void a_power_cycle_starts_all_over(void **state)
{
    (void)state;
    struct virtual_unit *unit = make(1, 0, false);
    assert_true(word(unit, 100000, 1) > 1);
    virtual_unit_set_alive(unit, false);
    uint8_t answer[PDU_MAX];
    assert_int_equal(ask(unit, 101000, 4, 0, 1, answer), 0);
    virtual_unit_set_alive(unit, true);
    virtual_unit_power_cycle(unit, 110000);
    assert_int_equal(word(unit, 110001, 0), 2);
    assert_int_equal(word(unit, 134999, 16), 0);
    assert_int_equal(word(unit, 135000, 0), 1);
    assert_int_equal(word(unit, 135000, 1), 1);
    virtual_unit_destroy(unit);
}

/* Planted defect that this catches: a lost gauge whose channels go on with live values under a
 * fault status. */
static void a_lost_gauge_leaves_a_unit_that_answers_without_its_data(void **state)
{
    (void)state;
    struct virtual_unit *unit = make(1, 0, false);
    uint16_t counter = word(unit, 100000, 1);
    virtual_unit_set_gauge(unit, 101000, false);
    for (int64_t t = 101000; t < 300000; t += 9000) {
        struct well_truth truth;
        assert_int_equal(word(unit, t, 0), 4);
        assert_int_equal(word(unit, t, 16), 0);
        assert_int_equal(word(unit, t, 1), counter);
        assert_true(word(unit, t, 30) >
                    4000); /* the drive's frequency doesn't come from the gauge */
        virtual_unit_truth(unit, t, &truth);
        assert_true(isnan(truth.value[1]));
    }
    virtual_unit_set_gauge(unit, 300000, true);
    assert_int_equal(word(unit, 300001, 0), 2);
    assert_int_equal(word(unit, 324999, 16), 0);
    assert_int_equal(word(unit, 353000, 0), 1);
    assert_int_equal(word(unit, 353000, 1),
                     counter + 1 + (353000 - 25000) / 28000 - (333000 - 25000) / 28000);
    virtual_unit_destroy(unit);
}

static void a_sensor_that_is_not_fitted_shows_its_marker(void **state)
{
    (void)state;
    struct virtual_unit *unit = make(1, 0, true);
    struct well_truth truth;
    assert_int_equal(word(unit, 10000, 17),
                     0); /* starting: zeros, as a real unit has no marker yet */
    assert_int_equal(word(unit, 60000, 17), 0xFFFF);
    virtual_unit_truth(unit, 60000, &truth);
    assert_true(isnan(truth.value[2]));
    assert_true(truth.value[1] > 0);
    virtual_unit_destroy(unit);
}

static void wrong_questions_get_the_right_exception(void **state)
{
    (void)state;
    struct virtual_unit *unit = make(1, 0, false);
    check_exception(unit, 3, 0, 1, 1); /* nothing mapped in that table */
    check_exception(unit, 1, 0, 1, 1);
    check_exception(unit, 6, 0, 1, 1); /* a write */
    check_exception(unit, 0x10, 0, 1, 1);
    check_exception(unit, 4, 0, 0, 3);
    check_exception(unit, 4, 0, 126, 3);
    check_exception(unit, 4, 0, 61, 3); /* more than this unit's largest read */
    check_exception(unit, 4, 32, 1, 2); /* past the last register */
    check_exception(unit, 4, 31, 2, 2);
    check_exception(unit, 4, 65535, 2, 2);
    check_exception(unit, 4, 24, 1, 2); /* never to be touched */
    check_exception(unit, 4, 20, 5, 2);
    check_exception(unit, 4, 25, 6, 2);
    uint8_t answer[PDU_MAX];
    assert_int_equal(ask(unit, 60000, 4, 0, 24, answer), 50);
    assert_int_equal(ask(unit, 60000, 4, 26, 6, answer), 14);
    uint8_t cut[] = {4, 0, 0};
    assert_int_equal(virtual_unit_answer(unit, 60000, cut, 3, answer), 2);
    assert_int_equal(answer[1], 3);
    virtual_unit_destroy(unit);
}

static void it_tells_who_it_is(void **state)
{
    (void)state;
    static const uint8_t ALL[] = {0x2B, 0x0E, 1,   0x81, 0,   0,   3,   0, 8,  'I',
                                  'n',  'v',  'e', 'n',  't', 'e', 'd', 1, 7,  'b',
                                  'y',  '-',  'h', 'a',  'n', 'd', 2,   1, '1'};
    static const uint8_t ONE[] = {0x2B, 0x0E, 4, 0x81, 0, 0, 1, 2, 1, '1'};
    struct virtual_unit *unit = make(1, 0, false);
    uint8_t answer[PDU_MAX];
    const uint8_t basic[] = {0x2B, 0x0E, 1, 0}, one[] = {0x2B, 0x0E, 4, 2},
                  beyond[] = {0x2B, 0x0E, 4, 9}, restart[] = {0x2B, 0x0E, 1, 9},
                  code[] = {0x2B, 0x0E, 7, 0}, other[] = {0x2B, 0x0D, 1, 0};
    check_count("basic", (long long)virtual_unit_answer(unit, 0, basic, 4, answer), sizeof ALL);
    assert_memory_equal(answer, ALL, sizeof ALL);
    check_count("restart", (long long)virtual_unit_answer(unit, 0, restart, 4, answer), sizeof ALL);
    check_count("one", (long long)virtual_unit_answer(unit, 0, one, 4, answer), sizeof ONE);
    assert_memory_equal(answer, ONE, sizeof ONE);
    assert_int_equal(virtual_unit_answer(unit, 0, beyond, 4, answer), 2);
    assert_int_equal(answer[1], 2);
    assert_int_equal(virtual_unit_answer(unit, 0, code, 4, answer), 2);
    assert_int_equal(answer[1], 3);
    assert_int_equal(virtual_unit_answer(unit, 0, other, 4, answer), 2);
    assert_int_equal(answer[1], 1);
    virtual_unit_destroy(unit);
}

static void equal_seeds_give_equal_bytes(void **state)
{
    (void)state;
    struct virtual_unit *a = make(5, 0, false), *b = make(5, 0, false), *c = make(6, 0, false);
    uint8_t pa[PDU_MAX], pb[PDU_MAX], pc[PDU_MAX];
    for (int64_t t = 0; t < 3600000; t += 17000) {
        size_t n = ask(a, t, 4, 0, 22, pa);
        if (t % 34000 == 0)
            (void)ask(b, t - 1000, 4, 3, 4, pb); /* other questions between don't matter */
        assert_int_equal(ask(b, t, 4, 0, 22, pb), n);
        assert_memory_equal(pa, pb, n);
    }
    ask(c, 3000000, 4, 0, 22, pc);
    ask(a, 3000000, 4, 0, 22, pa);
    assert_memory_not_equal(pa, pc, 46);
    virtual_unit_destroy(a);
    virtual_unit_destroy(b);
    virtual_unit_destroy(c);
}

static void the_truth_log_has_every_refresh_with_its_words(void **state)
{
    (void)state;
    char path[] = "/tmp/uphole-truth-XXXXXX", line[4096];
    struct up_error error = {0};
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    close(fd);
    unit_map(&MAP);
    struct virtual_unit_options options = {.map = &MAP, .unit_id = 1, .seed = 1, .truth_log = path};
    struct virtual_unit *unit = virtual_unit_create(&options, &error);
    assert_non_null(unit);
    (void)word(unit, 0, 0);
    uint16_t words[4];
    for (int i = 0; i < 4; i++)
        words[i] = word(unit, 25000 + 28000 * i, 16);
    (void)word(unit, 25000 + 28000 * 10, 16); /* six refreshes later, none of them asked for */
    virtual_unit_destroy(unit);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    int n = 0;
    while (fgets(line, sizeof line, file)) {
        char expected[64];
        if (n >= 1 && n <= 4) {
            snprintf(expected, sizeof expected, "\"refresh\":%d,", n - 1);
            assert_non_null(strstr(line, expected));
            snprintf(expected, sizeof expected,
                     "\"intake_pressure\":{\"value\":%u,\"unit\":\"kPa\",\"words\":[\"%04x\"]}",
                     words[n - 1], words[n - 1]);
            if (!strstr(line, expected))
                fail_msg("%s lacks %s", line, expected);
        }
        n++;
    }
    check_count("lines", n, 1 + 11); /* starting, then refreshes 0 to 10 */
    fclose(file);
    unlink(path);
}

/* psi and degF by NIST SP 811 (2008), appendix B. Planted: simulate-setting-shown-alone (values go
 * over although only the register is asked to). */
static void a_setting_changes_values_and_register_together_or_alone(void **state)
{
    (void)state;
    struct up_error error = {0};
    unit_map(&MAP);
    MAP.n_unit_registers = MAP.n_unit_settings = 1;
    MAP.unit_registers[0] = (struct register_at){TABLE_INPUT, 2};
    MAP.unit_settings[0] = (struct unit_setting){
        .kind = QUANTITY_PRESSURE,
        .bit_low = 4,
        .bit_high = 7,
        .n_meanings = 2,
        .meaning = {{3, unit_find("kPa", 3, QUANTITY_PRESSURE), false, {0, 0}},
                    {5, unit_find("psi", 3, QUANTITY_PRESSURE), false, {0, 0}}}};
    for (unsigned i = 0; i < MAP.n_channels; i++)
        if (MAP.channel[i].point <= 2) {
            MAP.channel[i].setting = 1;
            MAP.channel[i].unit = unit_find("kPa", 3, QUANTITY_PRESSURE);
            MAP.channel[i].scale = (struct decimal){1, 0};
        }
    const struct virtual_unit_options options = {.map = &MAP, .unit_id = 1, .seed = 3};
    struct virtual_unit *unit = virtual_unit_create(&options, &error);
    assert_non_null(unit);
    check_count("as it starts", word(unit, 1000, 2), 0);
    const double kpa = word(unit, 60000, 16);
    check_count("as made", word(unit, 60000, 2), 0x30);
    virtual_unit_set_setting(unit, 61000, 5, true, true);
    check_count("shown", word(unit, 61000, 2), 0x50);
    check_close("psi", word(unit, 61000, 16), kpa / 6.894757293168361, 0.6);
    virtual_unit_set_setting(unit, 62000, 3, false, true);
    check_count("shown alone", word(unit, 62000, 2), 0x30);
    check_close("psi still", word(unit, 62000, 16), kpa / 6.894757293168361, 0.6);
    virtual_unit_set_setting(unit, 63000, 3, true, false);
    check_close("kPa", word(unit, 63000, 16), kpa, 0.01);
    virtual_unit_set_setting(unit, 64000, 9, true, true);
    check_count("a number that means nothing", word(unit, 64000, 2), 0x90);
    check_close("kPa still", word(unit, 64000, 16), kpa, 0.01);
    virtual_unit_reset_setting(unit, 65000);
    check_count("as made again", word(unit, 65000, 2), 0x30);
    virtual_unit_destroy(unit);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_but_zeros_comes_until_25_s_after_power),
        cmocka_unit_test(registers_change_once_a_refresh),
        cmocka_unit_test(a_power_cycle_starts_all_over),
        cmocka_unit_test(a_lost_gauge_leaves_a_unit_that_answers_without_its_data),
        cmocka_unit_test(a_sensor_that_is_not_fitted_shows_its_marker),
        cmocka_unit_test(wrong_questions_get_the_right_exception),
        cmocka_unit_test(it_tells_who_it_is),
        cmocka_unit_test(equal_seeds_give_equal_bytes),
        cmocka_unit_test(the_truth_log_has_every_refresh_with_its_words),
        cmocka_unit_test(a_setting_changes_values_and_register_together_or_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
