/* SPDX-License-Identifier: Apache-2.0
 *
 * test_compare.c - the judge of pairs: true pairs are the same, and every known mistake is named by
 * its name. Factors: NIST SP 811 (2008), app. B.8, B.9.
 */
#include "compare_story.h"

/* ---- clean pairs ---- */

static const struct habit {
    const char *unit;
    int decimals;
} PRESSURES[] = {{"kPa", 0}, {"MPa", 3}, {"bar", 1}, {"psi", 0}, {"psi", 1}, {"kgf/cm2", 1}},
  TEMPERATURES[] = {{"degC", 1}, {"degC", 0}, {"degF", 1}, {"degF", 0}},
  VIBRATIONS[] = {{"g", 3}, {"g", 2}, {"m/s2", 2}}, LEAKAGES[] = {{"mA", 2}, {"mA", 3}, {"uA", 0}},
  VOLTAGES[] = {{"V", 1}, {"V", 0}};

static const struct clean {
    unsigned point;
    double low, high, step; /* of the gauge, point's unit; step a refresh */
    const struct habit *habits;
    unsigned n_habits;
} CLEAN[] = {
    {POINT_INTAKE_PRESSURE, 700, 30000, 3, PRESSURES, 6},
    {POINT_DISCHARGE_PRESSURE, 3000, 45000, 8, PRESSURES, 6},
    {POINT_INTAKE_TEMPERATURE, 30, 140, 0.1, TEMPERATURES, 4},
    {POINT_MOTOR_WINDING_TEMPERATURE, 45, 190, 0.3, TEMPERATURES, 4},
    {POINT_VIBRATION_X, 0.5, 20, 0.2, VIBRATIONS, 3},
    {11, 0.2, 20, 0.02, LEAKAGES, 3},
    {13, 30, 140, 0.2, VOLTAGES, 2},
};
#define CLEAN_N (sizeof CLEAN / sizeof *CLEAN)

/* Planted defects: the value's movement isn't in the tolerance (commission-movement-ignored); the
 * screen's digits count as exact (commission-digits-ignored). */
static void a_true_pair_is_the_same_whatever_unit_and_digits_the_screen_has(void **state)
{
    (void)state;
    unsigned same = 0, same_or = 0, confirmable = 0;
    seed = 11;
    for (unsigned turn = 0; turn < CHECK_SPARINGLY(6000u, 1500u); turn++) {
        static struct story story;
        struct compare_result result;
        const struct clean *clean = &CLEAN[turn % CLEAN_N];
        const struct map *map = turn / CLEAN_N % 2 == 0 ? scaled : floats;
        tell(&story, map, clean->point, uniform(clean->low, clean->high), clean->step);
        hold(&story, unit_of_map(&story), 1, 0);
        const struct habit *habit = &clean->habits[one_of(clean->n_habits)];
        const struct screen_value typed =
            screen(&story, story.at_the_instant, habit->unit, habit->decimals, one_of(2) == 0);
        compare_judge(&story.question, &typed, &result);
        if (result.verdict != COMPARE_SAME && result.verdict != COMPARE_SAME_OR) {
            show(&story, &typed, &result);
            fail_msg("a true pair of turn %u isn't the same", turn);
        }
        assert_true(compare_is_settled(&story.question, &result));
        same += result.verdict == COMPARE_SAME;
        same_or += result.verdict == COMPARE_SAME_OR;
        confirmable += result.can_confirm;
    }
    print_message("same %u, same as far as the digits tell %u, of these %u to confirm\n", same,
                  same_or, confirmable);
    assert_true(same_or * 10 < same + same_or && confirmable * 100 > (same + same_or) * 90);
}

/* ---- planted mistakes ---- */

struct mistake {
    const char *what;
    unsigned point;
    bool in_floats;
    const char *holds; /* unit in the registers; NULL: the map's */
    double ratio, offset;
    const char *screen; /* unit of the screen */
    int decimals;
    uint8_t kind;     /* enum compare_kind */
    const char *name; /* in the cause's name */
};
static const struct mistake MISTAKES[] = {
    {"psi in a map that says MPa", POINT_INTAKE_PRESSURE, false, "psi", 0.001, 0, "psi", 0,
     COMPARE_BY_UNIT, "psi, map says kPa (0.001 MPa)"},
    {"kPa in a map that says psi", POINT_INTAKE_PRESSURE, true, "kPa", 1, 0, "kPa", 0,
     COMPARE_BY_UNIT, "kPa, map says psi"},
    {"kPa in a map that says psi, the screen in MPa", POINT_INTAKE_PRESSURE, true, "kPa", 1, 0,
     "MPa", 3, COMPARE_BY_UNIT, "kPa, map says psi"},
    {"bar in a map that says psi", POINT_DISCHARGE_PRESSURE, true, "bar", 1, 0, "bar", 1,
     COMPARE_BY_UNIT, "bar, map says psi"},
    {"MPa in a map that says psi", POINT_DISCHARGE_PRESSURE, true, "MPa", 1, 0, "MPa", 3,
     COMPARE_BY_UNIT, "MPa, map says psi"},
    {"kgf/cm2 in a map that says psi", POINT_INTAKE_PRESSURE, true, "kgf/cm2", 1, 0, "kgf/cm2", 1,
     COMPARE_BY_UNIT, "kgf/cm2, map says psi"},
    {"psi to kPa twice too often", POINT_INTAKE_PRESSURE, true, "psi", PSI *PSI, 0, "psi", 0,
     COMPARE_BY_TWICE, "twice"},
    {"kPa to psi twice too often", POINT_INTAKE_PRESSURE, true, "psi", 1 / PSI / PSI, 0, "kPa", 0,
     COMPARE_BY_TWICE, "twice"},
    {"MPa to psi twice", POINT_DISCHARGE_PRESSURE, true, "psi", 145.0377, 0, "psi", 0,
     COMPARE_BY_TWICE, "MPa to psi"},
    {"degF in a map that says degC", POINT_INTAKE_TEMPERATURE, false, "degF", 1, 0, "degF", 1,
     COMPARE_BY_UNIT, "degF, map says degC"},
    {"degF in a map that says degC, the screen in degC", POINT_MOTOR_WINDING_TEMPERATURE, false,
     "degF", 1, 0, "degC", 1, COMPARE_BY_UNIT, "degF, map says degC"},
    {"degC in a map that says degF", POINT_INTAKE_TEMPERATURE, true, "degC", 1, 0, "degC", 1,
     COMPARE_BY_UNIT, "degC, map says degF"},
    {"K in a map that says degC", POINT_INTAKE_TEMPERATURE, false, "K", 1, 0, "degC", 1,
     COMPARE_BY_UNIT, "K, map says degC"},
    {"gauge pressure in a map that says absolute", POINT_DISCHARGE_PRESSURE, false, NULL, 1,
     -ATMOSPHERE, "MPa", 3, COMPARE_BY_REFERENCE, "gauge pressure, map says absolute"},
    {"absolute pressure in a map that says gauge", POINT_INTAKE_PRESSURE, true, NULL, 1, ATMOSPHERE,
     "psi", 1, COMPARE_BY_REFERENCE, "absolute pressure, map says gauge"},
    {"m/s2 in a map that says g", POINT_VIBRATION_X, false, "m/s2", 1, 0, "m/s2", 2,
     COMPARE_BY_UNIT, "m/s2, map says g"},
    {"kPa to psi once more", POINT_INTAKE_PRESSURE, true, NULL, 1 / PSI, 0, "psi", 0,
     COMPARE_BY_TWICE, "converted once more, as from kPa to psi"},
    {"degC for degF", POINT_INTAKE_TEMPERATURE, false, "degF as degC", 1, 0, "degC", 1,
     COMPARE_BY_TWICE, "converted once more, as from degF to degC"},
    {"ten times too much", POINT_INTAKE_TEMPERATURE, false, NULL, 10, 0, "degC", 1, COMPARE_BY_TEN,
     "10 times too large"},
    {"a tenth", POINT_DISCHARGE_PRESSURE, true, NULL, 0.1, 0, "psi", 0, COMPARE_BY_TEN,
     "10 times too small"},
    {"a hundredth", 11, false, NULL, 0.01, 0, "mA", 2, COMPARE_BY_TEN, "100 times too small"},
    {"a hundred times too much", 13, true, NULL, 100, 0, "V", 1, COMPARE_BY_TEN,
     "100 times too large"},
};
#define MISTAKES_N (sizeof MISTAKES / sizeof *MISTAKES)

static const struct clean *range_of(unsigned point)
{
    for (size_t i = 0; i < CLEAN_N; i++)
        if (CLEAN[i].point == point)
            return &CLEAN[i];
    fail();
    return NULL;
}

static void every_known_mistake_is_named_and_none_by_a_wrong_name(void **state)
{
    (void)state;
    seed = 5;
    for (size_t m = 0; m < MISTAKES_N; m++) {
        const struct mistake *mistake = &MISTAKES[m];
        const struct clean *range = range_of(mistake->point);
        unsigned alone = 0, among = 0;
        const unsigned turns = CHECK_SPARINGLY(100u, 30u);
        for (unsigned turn = 0; turn < turns; turn++) {
            static struct story story;
            struct compare_result result;
            tell(&story, mistake->in_floats ? floats : scaled, mistake->point,
                 uniform(range->low, range->high), range->step);
            hold(&story, mistake->holds != NULL ? mistake->holds : unit_of_map(&story),
                 mistake->ratio, mistake->offset);
            const struct screen_value typed = screen(&story, story.at_the_instant, mistake->screen,
                                                     mistake->decimals, one_of(2) == 0);
            compare_judge(&story.question, &typed, &result);
            const bool is_listed = names_it(&result, result.n_causes, mistake->kind, mistake->name);
            if ((result.verdict != COMPARE_CAUSE && result.verdict != COMPARE_CAUSES) ||
                !is_listed || result.can_confirm || result.n_checks == 0) {
                show(&story, &typed, &result);
                fail_msg("%s: turn %u", mistake->what, turn);
            }
            if (result.verdict == COMPARE_CAUSE &&
                !names_it(&result, 1, mistake->kind, mistake->name)) {
                show(&story, &typed, &result);
                fail_msg("%s: another cause is named alone", mistake->what);
            }
            alone += result.verdict == COMPARE_CAUSE;
            among += result.verdict == COMPARE_CAUSES;
            if (turn == 0)
                show(&story, &typed, &result);
        }
        print_message("%-50s named alone %u, among others %u\n", mistake->what, alone, among);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_true_pair_is_the_same_whatever_unit_and_digits_the_screen_has),
        cmocka_unit_test(every_known_mistake_is_named_and_none_by_a_wrong_name),
    };
    return cmocka_run_group_tests(tests, open_maps, close_maps);
}
