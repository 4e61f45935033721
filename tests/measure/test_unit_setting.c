/* SPDX-License-Identifier: Apache-2.0
 *
 * test_unit_setting.c - the unit-setting register, followed scan by scan: what is decoded by it,
 * what is doubted, for how long, and that a late record says the same.
 *
 * The rule is the project's own; factors are those of NIST SP 811 (2008) app. B.
 */
#include "late.h"

#define REGISTER_AT 90 /* holding */
#define NOT_READ 0x10000u
#define PSI_PER_MPA (1000.0 / 6.894757293168361)

enum screen_units { METRIC = 0, US = 1 };

static void name_setting(struct map *map)
{
    map->has_unit_register = true;
    map->unit_register_table = TABLE_HOLDING;
    map->unit_register_address = REGISTER_AT;
    map->n_unit_registers = 1;
    map->unit_registers[0] = (struct register_at){TABLE_HOLDING, REGISTER_AT};
    map->n_unit_settings = 2;
    map->unit_settings[0] = (struct unit_setting){
        .kind = QUANTITY_PRESSURE,
        .bit_high = 15,
        .n_meanings = 3,
        .meaning = {{0, unit_find("MPa", 3, QUANTITY_PRESSURE), false, {0, 0}},
                    {1, unit_find("psi", 3, QUANTITY_PRESSURE), true, {1, -1}},
                    {2, unit_find("bar", 3, QUANTITY_PRESSURE), true, {1, -2}}}};
    map->unit_settings[1] = (struct unit_setting){
        .kind = QUANTITY_TEMPERATURE,
        .bit_high = 15,
        .n_meanings = 2,
        .meaning = {{0, unit_find("degC", 4, QUANTITY_TEMPERATURE), false, {0, 0}},
                    {1, unit_find("degF", 4, QUANTITY_TEMPERATURE), false, {0, 0}}}};
    for (unsigned i = 0; i < map->n_channels; i++) {
        struct channel *channel = &map->channel[i];
        const uint8_t kind = channel->unit != 0 ? (uint8_t)unit_get(channel->unit)->kind : 0;
        channel->setting = kind == QUANTITY_PRESSURE ? 1 : kind == QUANTITY_TEMPERATURE ? 2 : 0;
    }
}

static struct made *made_followed(void)
{
    struct made *made = made_new();
    name_setting(&made->maps[0]);
    made_expected(&made->maps[0].channel[0], 500, 20000); /* kPa, whatever the register says */
    return made;
}

/** Pressures in MPa x 0.001 or psi x 0.1, temperatures in degC or degF x 0.1. `count` moves them.
 */
static void put(struct made *made, enum screen_units pressure, enum screen_units temperature,
                unsigned count)
{
    const double intake = 12.345 + 0.003 * count, discharge = 18.23 + 0.002 * count;
    const double p = pressure == US ? PSI_PER_MPA * 10 : 1000;
    const double a = temperature == US ? 1.8 : 1.0, b = temperature == US ? 32 : 0;
    made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(intake * p + 0.5);
    made->unit[DISCHARGE_PRESSURE_AT] = (uint16_t)(discharge * p + 0.5);
    made->unit[INTAKE_TEMPERATURE_AT] = (uint16_t)((88.1 * a + b) * 10 + 0.5);
    made->unit[DISCHARGE_TEMPERATURE_AT] = (uint16_t)((90.4 * a + b) * 10 + 0.5);
    put_registers(&made->unit[WINDING_TEMPERATURE_AT], 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST,
                  float_to_bits((float)((123.5 * a + b) * 10)));
}

static struct scan scan_with(struct made *made, int64_t ms, uint32_t word)
{
    struct scan scan = made_scan(made, ms);
    const uint16_t held = (uint16_t)word;
    made_block(&scan, TABLE_HOLDING, REGISTER_AT, 1, &held);
    if (word == NOT_READ) {
        scan.block[scan.n_blocks - 1].exception = BLOCK_NO_ANSWER;
        scan.block[scan.n_blocks - 1].count = 0;
        scan.outcome = OUTCOME_PARTIAL;
    }
    return scan;
}

static void at(struct made *made, int64_t ms, enum screen_units pressure,
               enum screen_units temperature, uint32_t word)
{
    put(made, pressure, temperature, (unsigned)(ms / 28000 % 7));
    struct scan scan = scan_with(made, ms, word);
    made_measure(made, &scan);
}

static void expect(const struct made *made, unsigned point, uint8_t quality, double value,
                   const char *when)
{
    if (made_quality(made, point) != quality ||
        (isfinite(value) && !(fabs(made_value(made, point) - value) <= 0.005 * value)))
        fail_msg("%s: point %u has %u and %.9g, expected %u and about %.9g", when, point,
                 made_quality(made, point), made_value(made, point), quality, value);
}

static void all_good(const struct made *made, const char *when)
{
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_GOOD, 12350, when);
    expect(made, POINT_DISCHARGE_PRESSURE, QUALITY_GOOD, 18240, when);
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_GOOD, 88.1, when);
    expect(made, POINT_PUMP_DIFFERENTIAL_PRESSURE, QUALITY_GOOD, 5880, when);
}

/** Settled in one setting; the winding is f32 in tenths of the register's unit. */
static struct made *settled(int64_t *ms)
{
    struct made *made = made_followed();
    for (unsigned i = 0; i < made->maps[0].n_channels; i++)
        if (made->maps[0].channel[i].point == POINT_MOTOR_WINDING_TEMPERATURE)
            made_convert(&made->maps[0].channel[i], "0.1", "0", "degC");
    for (*ms = 0; *ms < 120000; *ms += 10000)
        at(made, *ms, METRIC, METRIC, METRIC);
    all_good(made, "settled");
    return made;
}

static unsigned count_facts(const struct made *made, uint8_t first, uint8_t last)
{
    unsigned n = 0;
    for (size_t i = 0; i < made->n_facts; i++)
        n += made->facts[i].kind >= first && made->facts[i].kind <= last;
    return n;
}

/** Planted: setting-ignored (decoded by the map's unit), setting-of-last-scan (by the scan before).
 */
static void numbers_are_in_the_unit_that_stands_in_the_same_scan(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, US, US, US);
    all_good(made, "the first scan in psi and degF");
    expect(made, POINT_MOTOR_WINDING_TEMPERATURE, QUALITY_GOOD, 123.5, "degF");
    assert_int_equal(count_facts(made, FACT_UNIT_SETTING, FACT_UNIT_SETTING_LAST), 1);
    assert_int_equal(count_facts(made, FACT_UNIT_STEPPED, FACT_UNIT_STEPPED_LAST), 0);
    for (int64_t end = ms + 600000; (ms += 10000) < end;) {
        at(made, ms, US, US, US);
        all_good(made, "psi and degF");
    }
    at(made, ms, METRIC, METRIC, METRIC);
    all_good(made, "back");
    made_free(made);
}

/** Planted: setting-unknown-believed. */
static void an_unknown_number_is_never_good(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, METRIC, METRIC, 2); /* bar, and of temperatures nothing that the map knows */
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, 88.1, "2");
    at(made, ms += 10000, METRIC, METRIC, 7);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "7");
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, 88.1, "7");
    expect(made, POINT_PUMP_DIFFERENTIAL_PRESSURE, QUALITY_INPUT_UNSURE, NAN, "7");
    expect(made, 8, QUALITY_GOOD, NAN, "vibration is not concerned");
    at(made, ms += 10000, METRIC, METRIC, METRIC);
    all_good(made, "known again");
    made_free(made);
}

/** Planted: setting-unread-is-none (the map's unit at once), setting-held-for-ever. */
static void a_register_that_was_not_read_counts_for_ten_minutes(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, US, US, US);
    for (int64_t since = 10000; since <= 900000; since += 10000) {
        at(made, ms + since, US, US, NOT_READ);
        if (since <= 600000)
            all_good(made, "what the newest scan said");
        else
            expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "too long ago");
    }
    at(made, ms + 910000, US, US, US);
    all_good(made, "read again");
    made_free(made);
}

/** Planted: setting-lag-unseen. */
static void a_register_that_changes_alone_is_doubted(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, METRIC, METRIC, US);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "register only");
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_UNIT_UNCONFIRMED, NAN, "register only");
    assert_int_equal(count_facts(made, FACT_UNIT_STEPPED, FACT_UNIT_STEPPED_LAST), 2);
    struct fact facts[2];
    memcpy(facts, &made->facts[made->n_facts - 2], sizeof facts);
    for (int64_t end = ms + 7200000; (ms += 10000) < end;) {
        at(made, ms, METRIC, METRIC, US);
        expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "for two hours");
    }
    at(made, ms, US, US, US);
    all_good(made, "the numbers have followed");
    /* The same, but the program starts anew in between. */
    fold_init(made->fold);
    for (unsigned i = 0; i < 2; i++)
        fold_load_fact(made->fold, &facts[i]);
    for (int64_t end = ms + 300000; (ms += 10000) < end;) {
        put(made, METRIC, METRIC, 0);
        struct scan scan = scan_with(made, ms, US);
        scan.run = MADE_RUN + 1;
        made_measure(made, &scan);
        assert_true(made_quality(made, POINT_INTAKE_PRESSURE) != QUALITY_GOOD);
    }
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "in the next run");
    made_free(made);
}

/** Planted: setting-step-unseen. */
static void numbers_that_change_alone_are_doubted(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    at(made, ms, US, METRIC, METRIC);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "numbers only");
    expect(made, POINT_DISCHARGE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "numbers only");
    expect(made, POINT_INTAKE_TEMPERATURE, QUALITY_GOOD, 88.1, "not concerned");
    for (int64_t end = ms + 3600000; (ms += 10000) < end;) {
        at(made, ms, US, METRIC, METRIC);
        expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "for an hour");
    }
    at(made, ms, US, US, US);
    all_good(made, "the register has followed");
    at(made, ms += 10000, METRIC, METRIC, METRIC);
    all_good(made, "both back");
    made_free(made);
}

/** Planted: setting-half-for-ever. */
static void a_refresh_caught_in_the_middle_is_doubted_until_it_is_whole(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    put(made, METRIC, METRIC, 0);
    const uint16_t discharge = made->unit[DISCHARGE_PRESSURE_AT];
    put(made, US, US, 0);
    made->unit[DISCHARGE_PRESSURE_AT] = discharge;
    struct scan scan = scan_with(made, ms, US);
    made_measure(made, &scan);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "half");
    expect(made, POINT_DISCHARGE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "half");
    at(made, ms += 10000, US, US, US);
    all_good(made, "whole");
    /* One channel never follows: all are doubted, then and later. */
    for (int64_t end = ms + 600000; (ms += 10000) < end;) {
        put(made, METRIC, METRIC, 0);
        made->unit[DISCHARGE_PRESSURE_AT] = (uint16_t)(18.23 * PSI_PER_MPA * 10 + 0.5);
        scan = scan_with(made, ms, METRIC);
        made_measure(made, &scan);
        expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "one stays behind");
    }
    made_free(made);
}

/** Planted: setting-starting-believed. A unit that starts holds zeros, in this register too. */
static void zeros_of_a_unit_that_starts_say_nothing(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    unsigned facts = 0;
    for (int64_t end = ms + 120000; (ms += 10000) < end;)
        at(made, ms, US, US, US);
    for (int64_t end = ms + 30000; (ms += 10000) < end;) {
        memset(made->unit, 0, sizeof made->unit);
        made->unit[STATUS_AT] = STARTING_BIT;
        struct scan scan = scan_with(made, ms, 0);
        made_measure(made, &scan);
        facts += count_facts(made, FACT_UNIT_SETTING, FACT_UNIT_SETTING_LAST);
    }
    made_healthy(made);
    for (int64_t end = ms + 120000; (ms += 10000) < end;) {
        at(made, ms, US, US, US);
        facts += count_facts(made, FACT_UNIT_SETTING, FACT_UNIT_STEPPED_LAST);
        if (made_quality(made, POINT_INTAKE_PRESSURE) != QUALITY_STARTING)
            all_good(made, "it has started");
    }
    all_good(made, "at last");
    assert_int_equal(facts, 0);
    made_free(made);
}

/** A confirmation that is tied to a setting outlives a start of the unit, not another setting;
 * planted: confirm-starting-ends. */
static void a_start_of_the_unit_ends_no_confirmation(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    struct unit_tie tie;
    struct fact fact;
    struct confirmation held;
    made->entries[SOURCE_GAUGE][0].confirmed_units[POINT_INTAKE_PRESSURE] = false;
    for (int64_t end = ms + 120000; (ms += 10000) < end;)
        at(made, ms, US, US, US);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "nobody has compared");
    struct scan scan = scan_with(made, ms, US);
    assert_true(measure_unit_tie(&made->plan, &made->well, &scan, POINT_INTAKE_PRESSURE, &tie));
    assert_int_equal(tie.setting, US);
    made_measure(made, &scan);
    assert_true(fold_confirm(made->fold, &made->plan, &made->well, &scan, POINT_INTAKE_PRESSURE,
                             CONFIRMED_HOLDS, &tie, &fact));
    fold_load_fact(made->fold, &fact);
    at(made, ms += 10000, US, US, US);
    all_good(made, "confirmed");
    for (int64_t end = ms + 30000; (ms += 10000) < end;) {
        memset(made->unit, 0, sizeof made->unit);
        made->unit[STATUS_AT] = STARTING_BIT;
        scan = scan_with(made, ms, 0);
        made_measure(made, &scan);
    }
    made_healthy(made);
    for (int64_t end = ms + 120000; (ms += 10000) < end;)
        at(made, ms, US, US, US);
    all_good(made, "confirmed still");
    at(made, ms, METRIC, METRIC, METRIC);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "another setting");
    fold_confirmation(made->fold, POINT_INTAKE_PRESSURE, &held);
    assert_int_equal(held.state, CONFIRMED_OTHER_SETTING);
    at(made, ms += 10000, US, US, US);
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, 12350, "back: not revived");
    /* Confirmed over and over within a window: at some point it is enough. */
    unsigned n = 0;
    for (bool taken = true; taken && n < 20; n++) {
        scan = scan_with(made, ms += 10000, US);
        made_measure(made, &scan);
        taken = fold_confirm(made->fold, &made->plan, &made->well, &scan, POINT_INTAKE_PRESSURE,
                             CONFIRMED_HOLDS, &tie, &fact);
        if (taken)
            fold_load_fact(made->fold, &fact);
    }
    assert_in_range(n, 2, 8);
    made_free(made);
}

/** Markers are tests on raw words, whatever the unit; planted: measure-marker-after-scaling. */
static void a_marker_is_one_in_any_unit(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    for (unsigned i = 0; i < 2; i++) {
        put(made, i == 0 ? METRIC : US, METRIC, 0);
        made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
        struct scan scan = scan_with(made, ms += 10000, i);
        made_measure(made, &scan);
        assert_int_equal(made_quality(made, POINT_DISCHARGE_PRESSURE), QUALITY_CHANNEL_FAULT);
    }
    made_free(made);
}

/** A channel that the setting doesn't concern stays as the map says. */
static void an_excepted_channel_stays_as_it_is(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    for (unsigned i = 0; i < made->maps[0].n_channels; i++)
        if (made->maps[0].channel[i].point == POINT_DISCHARGE_TEMPERATURE)
            made->maps[0].channel[i].setting = 0;
    made->plan.digest_32++;
    for (int64_t end = ms + 120000; (ms += 10000) < end;)
        at(made, ms, METRIC, METRIC, METRIC);
    put(made, US, US, 0);
    made->unit[DISCHARGE_TEMPERATURE_AT] = 904;
    struct scan scan = scan_with(made, ms, US);
    made_measure(made, &scan);
    all_good(made, "the others follow");
    expect(made, POINT_DISCHARGE_TEMPERATURE, QUALITY_GOOD, 90.4, "excepted");
    made_free(made);
}

static uint64_t chance = 5;
static unsigned below(unsigned n)
{
    chance = chance * 6364136223846793005u + 1442695040888963407u;
    return (unsigned)(chance >> 33) % n;
}

/** As the journal gives them to a fold that goes on (backlog_facts.c). */
static void load_own(struct made *made, const struct history *history, unsigned scan)
{
    for (size_t k = 0; k < history->n_facts; k++)
        if (history->facts[k].pos == scan && history->facts[k].kind >= FACT_UNIT_STEPPED &&
            history->facts[k].kind <= FACT_UNIT_STEPPED_LAST)
            fold_load_fact(made->fold, &history->facts[k]);
}

static void note_live(struct made *made, struct history *history, unsigned i,
                      const struct scan *scan)
{
    history->scans[i] = *scan;
    history->scans[i].seq = i + 1;
    history->scans[i].pos = i;
    made_measure(made, &history->scans[i]);
    made->record.plan_digest = 0;
    history->records[i] = made->record;
    for (size_t k = 0; k < made->n_facts; k++) {
        made->facts[k].pos = i;
        history->facts[history->n_facts++] = made->facts[k];
    }
}

/**
 * For longer than a window nobody knew the unit, then the register says another one and the numbers
 * are as they were: the live fold remembers that, a late one learns it from the fact. Planted:
 * setting-late-blind.
 */
static void a_late_fold_learns_what_the_numbers_are_in(void **state)
{
    (void)state;
    int64_t ms;
    struct made *made = settled(&ms);
    struct history *history = calloc(1, sizeof *history);
    assert_non_null(history);
    const unsigned unknown = 12, back = 1380, end = 1460, wanted = 1370;
    fold_init(made->fold);
    for (unsigned i = 0; i < end; i++) {
        put(made, METRIC, METRIC, i / 3 % 7);
        const struct scan scan = scan_with(made, (int64_t)i * 10000,
                                           i < unknown ? METRIC
                                           : i < back  ? 7
                                                       : US);
        note_live(made, history, i, &scan);
    }
    expect(made, POINT_INTAKE_PRESSURE, QUALITY_UNIT_UNCONFIRMED, NAN, "live");
    const unsigned start = window_start(made, history, wanted);
    assert_true(start > unknown + 70); /* and longer than a lapse behind what was known */
    fold_init(made->fold);
    for (size_t k = 0; k < history->n_facts; k++)
        if (history->facts[k].pos < wanted)
            fold_load_fact(made->fold, &history->facts[k]);
    for (unsigned i = start; i < end; i++) {
        load_own(made, history, i >= wanted ? i : end);
        made_measure(made, &history->scans[i]);
        made->record.plan_digest = 0;
        if (i >= wanted)
            compare("late against live", 0, i, &history->records[i], &made->record);
    }
    made_free(made);
    free(history);
}

/**
 * Registers and numbers that change together, alone, half, or not at all, are lost and unknown:
 * late is as live, and no reading is Good and wrong.
 */
static void a_late_record_is_in_the_unit_of_the_live_one(void **state)
{
    (void)state;
    struct history *history = calloc(1, sizeof *history);
    assert_non_null(history);
    for (unsigned life = 0; life < 5; life++) {
        int64_t ms;
        struct made *made = settled(&ms);
        fold_init(made->fold);
        made->seq = 0;
        enum screen_units pressure = METRIC, temperature = METRIC;
        uint32_t word = METRIC;
        unsigned n = 1400, good = 0, doubted = 0;
        history->n_facts = 0;
        for (unsigned i = 0; i < n; i++) {
            if (i > 6 && below(70) == 0) {
                pressure = temperature = pressure == US ? METRIC : US;
                word = below(2) > 0 ? (uint32_t)pressure : word;
            }
            if (i > 6 && below(120) == 0)
                word = below(3) == 0 ? 7 : pressure;
            put(made, pressure, temperature, i / 3 % 7);
            struct scan scan =
                scan_with(made, (int64_t)i * 10000, below(20) == 0 ? NOT_READ : word);
            if (below(300) == 0)
                scan = made_failed(made, (int64_t)i * 10000);
            scan.seq = i + 1;
            scan.pos = i;
            history->scans[i] = scan;
            made_measure(made, &scan);
            made->record.plan_digest = 0;
            history->records[i] = made->record;
            for (size_t k = 0; k < made->n_facts; k++) {
                made->facts[k].pos = i;
                history->facts[history->n_facts++] = made->facts[k];
            }
            const uint8_t quality = made_quality(made, POINT_INTAKE_PRESSURE);
            good += quality == QUALITY_GOOD;
            doubted += quality == QUALITY_UNIT_UNCONFIRMED;
            if (quality == QUALITY_GOOD &&
                fabs(made_value(made, POINT_INTAKE_PRESSURE) - 12350) > 60)
                fail_msg("life %u, scan %u: Good and wrong: %.9g kPa", life, i,
                         made_value(made, POINT_INTAKE_PRESSURE));
        }
        if (good < n / 8 || doubted < n / 20)
            fail_msg("life %u: %u good, %u doubted of %u", life, good, doubted, n);
        for (unsigned turn = 0; turn < 20; turn++) {
            unsigned wanted = 1 + below(n - 200), start = window_start(made, history, wanted);
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
                load_own(made, history, i >= wanted ? i : n);
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
        cmocka_unit_test(numbers_are_in_the_unit_that_stands_in_the_same_scan),
        cmocka_unit_test(an_unknown_number_is_never_good),
        cmocka_unit_test(a_register_that_was_not_read_counts_for_ten_minutes),
        cmocka_unit_test(a_register_that_changes_alone_is_doubted),
        cmocka_unit_test(numbers_that_change_alone_are_doubted),
        cmocka_unit_test(a_refresh_caught_in_the_middle_is_doubted_until_it_is_whole),
        cmocka_unit_test(zeros_of_a_unit_that_starts_say_nothing),
        cmocka_unit_test(a_start_of_the_unit_ends_no_confirmation),
        cmocka_unit_test(a_marker_is_one_in_any_unit),
        cmocka_unit_test(an_excepted_channel_stays_as_it_is),
        cmocka_unit_test(a_late_fold_learns_what_the_numbers_are_in),
        cmocka_unit_test(a_late_record_is_in_the_unit_of_the_live_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
