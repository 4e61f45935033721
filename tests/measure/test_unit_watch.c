/* SPDX-License-Identifier: Apache-2.0
 *
 * test_unit_watch.c - a unit setting that is changed under a running daemon, scan by scan: what is
 * doubted, for how long, and that a late record says the same.
 *
 * The rule is the project's own; factors are those of NIST SP 811 (2008) app. B.
 */
#include "late.h"

enum setting { METRIC, US };

/** The registers as a unit holds them that keeps its decimal point: psi x 0.1 in place of MPa x
 * 0.001, degF x 0.1 in place of degC x 0.1. */
static void put_setting(struct made *made, enum setting pressure, enum setting temperature,
                        unsigned count)
{
    double intake = 1.2 + 0.001 * count,
           discharge = 4.1 + 0.001 * count; /* MPa; in psi they still fit 16 bits */
    double fluid = 88.1, discharge_t = 90.4, winding = 123.5;
    double p = pressure == US ? 145.0377377 / 100
                              : 1.0; /* shown in 100 psi, so that u16 holds it: see the map below */
    made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(intake * p * 1000 + 0.5);
    made->unit[DISCHARGE_PRESSURE_AT] = (uint16_t)(discharge * p * 1000 + 0.5);
    double a = temperature == US ? 1.8 : 1.0, b = temperature == US ? 32 : 0;
    made->unit[INTAKE_TEMPERATURE_AT] = (uint16_t)((fluid * a + b) * 10 + 0.5);
    made->unit[DISCHARGE_TEMPERATURE_AT] = (uint16_t)((discharge_t * a + b) * 10 + 0.5);
    put_registers(&made->unit[WINDING_TEMPERATURE_AT], 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST,
                  float_to_bits((float)(winding * a + b)));
}

static void at(struct made *made, int64_t ms, enum setting pressure, enum setting temperature)
{
    put_setting(made, pressure, temperature, (unsigned)(ms / 28000 % 7));
    made_poll(made, ms);
}

static void expect(const struct made *made, unsigned point, uint8_t quality, const char *when)
{
    if (made_quality(made, point) != quality)
        fail_msg("%s: point %u has %u, expected %u", when, point, made_quality(made, point),
                 quality);
}

static struct made *made_settled(int64_t *ms)
{
    struct made *made = made_new();
    for (*ms = 0; *ms < 120000; *ms += 10000)
        at(made, *ms, METRIC, METRIC);
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_GOOD, "settled");
    return made;
}

static void temperatures_that_go_to_fahrenheit_are_doubted_until_they_are_back(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = made_settled(&ms);
    at(made, ms, METRIC, US);
    assert_int_equal(made->n_facts, 1); /* planted: unit-step-unseen */
    assert_int_equal(made->facts[0].kind, FACT_UNIT_STEPPED);
    for (int64_t end = ms + 3600000; (ms += 10000) < end;) {
        at(made, ms, METRIC, US);
        expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, "degF");
        expect(made, POINT_MOTOR_WINDING_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, "degF");
        expect(made, POINT_MOTOR_TEMPERATURE_RISE, QUALITY_INPUT_UNSURE, "degF");
        expect(made, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "degF");
        /* The number is published as it is: a guess repairs nothing. */
        assert_true(fabs(made_value(made, POINT_INTAKE_TEMPERATURE) - 190.6) < 0.06);
    }
    at(made, ms, METRIC, METRIC);
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_GOOD, "back");
    assert_int_equal(made->n_facts, 1);
    made_free(made);
}

static void a_change_that_two_scans_see_is_one_change(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = made_settled(&ms);
    uint16_t winding[2];
    put_setting(made, METRIC, METRIC, 0);
    memcpy(winding, &made->unit[WINDING_TEMPERATURE_AT], sizeof winding);
    put_setting(made, METRIC, US, 0);
    memcpy(&made->unit[WINDING_TEMPERATURE_AT], winding,
           sizeof winding); /* read just before the refresh */
    made_poll(made, ms);
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, "half");
    assert_int_equal(made->n_facts, 0);
    at(made, ms + 10000, METRIC, US);
    expect(made, POINT_MOTOR_WINDING_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, "whole");
    assert_int_equal(made->n_facts, 1);
    at(made, ms + 600000, METRIC, US);
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, "later");
    made_free(made);
}

static void one_channel_alone_is_doubted_for_a_minute(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = made_settled(&ms);
    for (int64_t since = 0; since <= 100000; since += 10000) {
        put_setting(made, METRIC, METRIC, 0);
        /* 123.5 degC to 254.3: a sensor that breaks where the factor would have put it */
        put_registers(&made->unit[WINDING_TEMPERATURE_AT], 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST,
                      float_to_bits(254.3F));
        made_poll(made, ms + since);
        /* The rise of 166 K above the fluid is beyond what a motor does, so physics goes on
         * doubting; the others do not. */
        expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_GOOD, "the others");
        assert_int_equal(made->n_facts, 0);
        if (since <= 60000)
            expect(made, POINT_MOTOR_WINDING_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED,
                   "within a minute");
    }
    made_free(made);
}

static void a_process_that_moves_is_no_change_of_unit(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = made_settled(&ms);
    for (unsigned i = 0; i < 40;
         i++, ms += 10000) { /* the pump starts: winding up, intake down, discharge up */
        put_setting(made, METRIC, METRIC, 0);
        made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(4000 - 60 * i);
        made->unit[DISCHARGE_PRESSURE_AT] = (uint16_t)(4100 + (i < 8 ? i * 2200 : 17600));
        put_registers(&made->unit[WINDING_TEMPERATURE_AT], 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST,
                      float_to_bits(90.0F + 0.9F * (float)i));
        made_poll(made, ms);
        expect(made, POINT_INTAKE_PRESSURE, QUALITY_GOOD, "start");
        expect(made, POINT_DISCHARGE_PRESSURE, QUALITY_GOOD, "start");
        expect(made, POINT_MOTOR_WINDING_TEMPERATURE, QUALITY_GOOD, "start");
    }
    made_free(made);
}

static void a_change_is_doubted_in_the_next_run_too(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = made_settled(&ms);
    at(made, ms, METRIC, US);
    struct fact fact = made->facts[0];
    fold_init(made->fold); /* the program starts anew, and loads what is journaled */
    fold_load_fact(made->fold, &fact);
    size_t again = 0;
    for (int64_t end = ms + 200000; ms < end; ms += 10000) {
        put_setting(made, METRIC, US, 0);
        struct scan scan = made_scan(made, ms);
        scan.run = MADE_RUN + 1;
        made_measure(made, &scan);
        for (size_t i = 0; i < made->n_facts; i++)
            again += made->facts[i].kind == FACT_UNIT_STEPPED && made->facts[i].run == MADE_RUN + 1;
    }
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED,
           "the next run"); /* planted: unit-step-forgotten */
    assert_int_equal(again, 1);
    /* The site takes it up with an entry of its own: what stands in the map is right from then on.
     */
    made->entries[SOURCE_GAUGE][1] = made->entries[SOURCE_GAUGE][0];
    made->entries[SOURCE_GAUGE][1].from_utc_ms = MADE_BOOT_MS + ms + made->utc_minus_boot;
    made->well.n_entries[SOURCE_GAUGE] = 2;
    made->plan.digest_32++;
    for (int64_t end = ms + 200000; ms < end; ms += 10000) {
        put_setting(made, METRIC, US, 0);
        struct scan scan = made_scan(made, ms);
        scan.run = MADE_RUN + 1;
        made_measure(made, &scan);
    }
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_GOOD, "taken up");
    made_free(made);
}

static uint64_t chance = 11;
static unsigned below(unsigned n)
{
    chance = chance * 6364136223846793005u + 1442695040888963407u;
    return (unsigned)(chance >> 33) % n;
}

static void a_late_record_doubts_what_the_live_one_doubted(void **state)
{
    (void)state;
    struct history *history = calloc(1, sizeof *history);
    assert_non_null(history);
    for (unsigned life = 0; life < 6; life++) {
        struct made *made = made_new();
        enum setting temperature = METRIC;
        unsigned n = 1500, doubted = 0;
        history->n_facts = 0;
        for (unsigned i = 0; i < n; i++) {
            if (below(life < 3 ? 150 : 12) == 0) /* seldom, and by far too often */
                temperature = temperature == US ? METRIC : US;
            put_setting(made, METRIC, temperature, i / 3);
            struct scan scan = made_scan(made, (int64_t)i * 10000);
            scan.pos = i;
            history->scans[i] = scan;
            made_measure(made, &scan);
            made->record.plan_digest = 0;
            history->records[i] = made->record;
            for (size_t k = 0; k < made->n_facts; k++) {
                made->facts[k].pos = i;
                history->facts[history->n_facts++] = made->facts[k];
            }
            doubted += made_quality(made, POINT_INTAKE_TEMPERATURE) == QUALITY_UNIT_UNCONFIRMED;
        }
        assert_true(doubted > 100 && doubted < n);
        for (unsigned turn = 0; turn < 25; turn++) {
            unsigned wanted = 1 + below(n - 200), start = window_start(made, history, wanted);
            /* As the journal hands them out: the newest of each kind and point. planted:
             * unit-step-one-fact */
            fold_init(made->fold);
            for (size_t k = 0; k < history->n_facts; k++) {
                bool is_newest = history->facts[k].pos < wanted;
                for (size_t l = k + 1; l < history->n_facts; l++)
                    if (history->facts[l].pos < wanted &&
                        history->facts[l].kind == history->facts[k].kind &&
                        history->facts[l].point == history->facts[k].point)
                        is_newest = false;
                if (is_newest)
                    fold_load_fact(made->fold, &history->facts[k]);
            }
            for (unsigned i = start; i < wanted + 200; i++) {
                made_measure(made, &history->scans[i]);
                made->record.plan_digest = 0;
                if (i >= wanted)
                    compare("late against live", life, i, &history->records[i], &made->record);
            }
        }
        made_free(made);
    }
    free(history);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(temperatures_that_go_to_fahrenheit_are_doubted_until_they_are_back),
        cmocka_unit_test(a_change_that_two_scans_see_is_one_change),
        cmocka_unit_test(one_channel_alone_is_doubted_for_a_minute),
        cmocka_unit_test(a_process_that_moves_is_no_change_of_unit),
        cmocka_unit_test(a_change_is_doubted_in_the_next_run_too),
        cmocka_unit_test(a_late_record_doubts_what_the_live_one_doubted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
