/* SPDX-License-Identifier: Apache-2.0
 *
 * test_unit_setting_late.c - late is as live where the unit-setting register changes, is lost or
 * unknown, and no reading is Good and wrong.
 */
#include "setting.h"

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
    for (unsigned life = 0; life < 3; life++) {
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
        for (unsigned turn = 0; turn < 12; turn++) {
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
        cmocka_unit_test(a_late_fold_learns_what_the_numbers_are_in),
        cmocka_unit_test(a_late_record_is_in_the_unit_of_the_live_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
