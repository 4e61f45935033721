/* SPDX-License-Identifier: Apache-2.0
 *
 * test_formulas.c - every worked example, and what every formula must do whatever it computes: a
 * missing, not fitted, bad, infinite or impossible input never gives a value, and the reason names
 * the input.
 *
 * The sources of the figures stand in the tables of this directory, beside each row.
 */
#include "../check.h"

#include "../../daemon/uphole/calculate.h"

#include "uphole/quantity.h"

#include <stdlib.h>

#define TABLE(name) FORMULAS_DIRECTORY "/" name

struct tally {
    unsigned passed, failed;
    char first[256];
};

static void count(void *context, const struct calculate_row *row)
{
    struct tally *tally = context;
    if (row->passed) {
        tally->passed++;
        return;
    }
    if (tally->failed++ == 0)
        snprintf(tally->first, sizeof tally->first, "%s %s: got %s, expected %s", row->id,
                 row->quantity, row->got, row->expected);
}

static void run_table(const char *path, unsigned rows)
{
    struct tally tally = {0};
    struct up_error error = {0};
    if (calculate_rows_run(path, count, &tally, &error) != UP_OK)
        fail_msg("%s", error.why);
    if (tally.failed > 0)
        fail_msg("%u of %s fail, the first: %s", tally.failed, path, tally.first);
    check_count(path, tally.passed, rows);
}

static void every_worked_example_comes_out_within_its_tolerance(void **state)
{
    (void)state;
    run_table(TABLE("worked_examples.md"), 320);
}

static void every_position_of_the_standard_well_comes_out(void **state)
{
    (void)state;
    run_table(TABLE("surveys.md"), 65);
}

static void check_reason(const struct calculate_row *row, const struct formula_given *given,
                         size_t input, enum formula_reason want, const char *what)
{
    struct formula_result result;
    formula_evaluate(row->calculation->formula, given, NULL, &result);
    if (result.reason != want || result.culprit != input || !isnan(result.value))
        fail_msg("%s %s with %s of %s: reason %s naming input %u, expected %s naming %zu", row->id,
                 row->quantity, what, row->calculation->formula->input[input].name,
                 formula_reason_name(result.reason), result.culprit, formula_reason_name(want),
                 input);
}

/** Planted: `reason_of` that looks at the value alone; a bound that is not asked; formula_none
 * without its culprit. */
static void spoil_each_input(void *context, const struct calculate_row *row)
{
    struct formula_given given[FORMULA_INPUTS_MAX];
    unsigned *spoiled = context;
    if (row->calculation->formula == NULL || strncmp(row->expected, "none:", 5) == 0)
        return;
    const struct formula *formula = row->calculation->formula;
    for (size_t i = 0; i < formula->n_inputs; i++) {
        const struct formula_input *input = &formula->input[i];
        if (!row->calculation->given[i].present || input->take >= TAKE_OPTION)
            continue;
        const bool configured = input->take == TAKE_CONFIGURED;
        memcpy(given, row->calculation->given, sizeof given);
        given[i].reason = REASON_INPUT_MISSING;
        check_reason(row, given, i, configured ? REASON_CONFIG_MISSING : REASON_INPUT_MISSING,
                     "nothing");
        given[i].reason = REASON_NOT_FITTED;
        check_reason(row, given, i, REASON_NOT_FITTED, "the marker");
        given[i].reason = REASON_INPUT_BAD;
        check_reason(row, given, i, REASON_INPUT_BAD, "a bad value");
        given[i].reason = REASON_NONE;
        *spoiled += 3;
        if (input->list)
            continue;
        for (int k = 0; k < 2; k++) {
            given[i].value = k == 0 ? NAN : INFINITY;
            check_reason(row, given, i, configured ? REASON_CONFIG_MISSING : REASON_INPUT_BAD,
                         k == 0 ? "no number" : "infinity");
        }
        if (input->bound != BOUND_NONE) {
            given[i].value = -1e-9;
            check_reason(row, given, i, REASON_DOMAIN, "less than nothing");
        }
        if (input->bound == BOUND_RATIO) {
            given[i].value = 1.0 + 1e-9;
            check_reason(row, given, i, REASON_DOMAIN, "more than all");
        }
        *spoiled += 2;
    }
}

static void a_spoiled_input_never_gives_a_value_and_is_named(void **state)
{
    unsigned spoiled = 0;
    struct up_error error = {0};
    (void)state;
    assert_int_equal(
        calculate_rows_run(TABLE("worked_examples.md"), spoil_each_input, &spoiled, &error), UP_OK);
    if (spoiled < 3000)
        fail_msg("only %u inputs were spoiled", spoiled);
}

/** Absurd values of any size, in every input at once: a result is finite or there is none. */
static void torment(void *context, const struct calculate_row *row)
{
    static const double ABSURD[] = {-1e300, -1e9, -1.0, 0.0, 1e-300, 1e-9, 1.0, 1e9, 1e300};
    struct formula_given given[FORMULA_INPUTS_MAX];
    uint64_t *random = context;
    if (row->calculation->formula == NULL)
        return;
    const struct formula *formula = row->calculation->formula;
    for (int round = 0; round < 200; round++) {
        struct formula_result result;
        memcpy(given, row->calculation->given, sizeof given);
        for (size_t i = 0; i < formula->n_inputs; i++) {
            *random = *random * 6364136223846793005u + 1442695040888963407u;
            if (!formula->input[i].list && formula->input[i].take <= TAKE_CONFIGURED)
                given[i].value = ABSURD[(*random >> 33) % (sizeof ABSURD / sizeof *ABSURD)];
        }
        formula_evaluate(formula, given, NULL, &result);
        if (result.reason == REASON_NONE && !isfinite(result.value))
            fail_msg("%s %s gives %g", row->id, row->quantity, result.value);
        if (result.reason != REASON_NONE && !isnan(result.value))
            fail_msg("%s %s gives a value beside reason %s", row->id, row->quantity,
                     formula_reason_name(result.reason));
    }
}

static void no_absurd_input_gives_a_number_that_is_none(void **state)
{
    uint64_t random = 20310301;
    struct up_error error = {0};
    (void)state;
    assert_int_equal(calculate_rows_run(TABLE("worked_examples.md"), torment, &random, &error),
                     UP_OK);
}

/** The two tables of units against each other: base/units.c holds exact fractions. Planted: psi of
 * 6894.76 Pa. */
static void units_of_formulas_agree_with_units_of_points(void **state)
{
    unsigned compared = 0;
    (void)state;
    for (unit_number id = 1; id < unit_count(); id++) {
        const struct unit *unit = unit_get(id), *own = unit_get(unit_of_kind(unit->kind));
        struct formula_unit mine, its_own;
        const bool temperature = unit->kind == QUANTITY_TEMPERATURE;
        if (unit->kind == QUANTITY_OIL_GRAVITY || unit->kind == QUANTITY_NONE ||
            !formula_unit_parse(unit->name, strlen(unit->name), temperature, &mine) ||
            !formula_unit_parse(own->name, strlen(own->name), temperature, &its_own) ||
            !formula_unit_same_dimension(&mine, &its_own))
            continue; /* US gallons and the like no formula writes */
        if (strcmp(unit->name, "D") == 0 || strcmp(own->name, "none") == 0)
            continue;
        check_close_relative(unit->name, mine.factor / its_own.factor,
                             unit->numerator / unit->denominator, 4e-16);
        if (temperature)
            check_close(unit->name, (mine.offset - its_own.offset) / its_own.factor,
                        unit->addend / unit->denominator, 1e-12);
        compared++;
    }
    if (compared < 60)
        fail_msg("only %u units are in both tables", compared);
}

static void a_unit_that_makes_no_sense_is_refused(void **state)
{
    static const char *const BAD[] = {"psy", "m//s", "/s", "m3/", "(m", "m)",   "m^",
                                      "m33", "kg m", "5",  "0m",  " ",  "m 2 s"};
    static const char *const GOOD[] = {"",        "1/psi",   "J/(kg K)", "stb/(d psi^2)",
                                       "deg/30m", "MPa abs", "mm/s rms", "m3/(d MPa)"};
    struct formula_unit unit;
    (void)state;
    for (size_t i = 0; i < sizeof GOOD / sizeof *GOOD; i++)
        if (!formula_unit_parse(GOOD[i], strlen(GOOD[i]), false, &unit))
            fail_msg("'%s' is refused", GOOD[i]);
    for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
        const bool parsed = formula_unit_parse(BAD[i], strlen(BAD[i]), false, &unit);
        if (parsed && strcmp(BAD[i], "kg m") != 0 && strcmp(BAD[i], "5") != 0 &&
            strcmp(BAD[i], "m 2 s") != 0)
            fail_msg("'%s' is taken", BAD[i]);
    }
}

/** JCGM 100:2008, 5.1.2: the numerical propagation against the closed form of gum.u_head (W-309).
 * Planted: a sum of shares in place of their squares. */
static void uncertainty_by_differences_agrees_with_the_closed_form(void **state)
{
    static const char *const NAMES[] = {"p_d", "p_i", "rho"};
    const struct formula *formula = formula_find("pump.pressure_head", NAMES, 3);
    struct formula_given given[FORMULA_INPUTS_MAX] = {{.present = true, .value = 18.5e6},
                                                      {.present = true, .value = 5.2e6},
                                                      {.present = true, .value = 980}};
    const double u[FORMULA_INPUTS_MAX] = {0.02e6, 0.01e6, 15};
    double part[FORMULA_INPUTS_MAX], out;
    (void)state;
    assert_non_null(formula);
    assert_int_equal(formula_uncertainty(formula, given, u, part, &out), REASON_NONE);
    check_close_relative("u_H", out, 21.30955251236, 1e-9);
    given[2].value = NAN;
    assert_int_equal(formula_uncertainty(formula, given, u, part, &out), REASON_CONFIG_MISSING);
}

/** A value seen in another unit, or converted twice, is off by a ratio of two units. Planted: a
 * factor left out. Ratios: definitions of the units. */
static void a_ratio_of_two_units_is_suspect_both_ways(void **state)
{
    static const double RATIOS[] = {145.0377, 14.50377, 0.1450377, 10.19716,
                                    3.280840, 10,       100,       1000};
    static const double PLAIN[] = {1.0, 1.1, 2.0, 5.0, 50.0, 500.0};
    const struct formula *formula = formula_by_label("hydro.double_conversion_ratio");
    struct formula_given given[FORMULA_INPUTS_MAX] = {{.present = true, .value = 1.0},
                                                      {.present = true, .value = 1.0}};
    struct formula_result result;
    (void)state;
    for (size_t i = 0; i < 2 * (sizeof RATIOS / sizeof *RATIOS); i++) {
        given[0].value = i % 2 == 0 ? RATIOS[i / 2] : 1.0 / RATIOS[i / 2];
        formula_evaluate(formula, given, NULL, &result);
        check_count("flag at a ratio of units", result.flags, FLAG_UNIT_SUSPECT);
    }
    for (size_t i = 0; i < sizeof PLAIN / sizeof *PLAIN; i++) {
        given[0].value = PLAIN[i];
        formula_evaluate(formula, given, NULL, &result);
        check_count("flag at a plain ratio", result.flags, 0);
    }
}

static void further_published_figures_come_out(void **state)
{
    (void)state;
    run_table(TABLE("further.md"), 106);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_worked_example_comes_out_within_its_tolerance),
        cmocka_unit_test(every_position_of_the_standard_well_comes_out),
        cmocka_unit_test(further_published_figures_come_out),
        cmocka_unit_test(a_ratio_of_two_units_is_suspect_both_ways),
        cmocka_unit_test(a_spoiled_input_never_gives_a_value_and_is_named),
        cmocka_unit_test(no_absurd_input_gives_a_number_that_is_none),
        cmocka_unit_test(units_of_formulas_agree_with_units_of_points),
        cmocka_unit_test(a_unit_that_makes_no_sense_is_refused),
        cmocka_unit_test(uncertainty_by_differences_agrees_with_the_closed_form),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
