/* SPDX-License-Identifier: Apache-2.0
 *
 * test_unit_changes.c - one number against one window, and a step between two refreshes: which
 * unit a register holds. Figures: NIST SP 811 (2008) app. B; windows as stated beside the rows.
 */
#include "uphole/unit_doubt.h"

#include "check.h"

static const uint8_t PRESSURES[] = {UNIT_HOLDS_PSI, UNIT_HOLDS_MPA, UNIT_MPA_TWICE,
                                    UNIT_AS_CONFIGURED};
static const uint8_t TEMPERATURES[] = {UNIT_HOLDS_DEGC, UNIT_HOLDS_DEGF, UNIT_DEGF_TWICE,
                                       UNIT_AS_CONFIGURED};

static unit_number unit_of(const char *name)
{
    return unit_find(name, strlen(name), QUANTITY_NONE);
}

static const struct window_row {
    const char *id;
    double number; /* as published, in `unit` */
    const char *unit;
    double low, high; /* MPa or degC */
    enum unit_verdict verdict;
    uint8_t change;
    double truth; /* MPa or degC; NaN: none */
} ROWS[] = {
    {"plain", 7.52, "MPa", 0.2, 40, UNIT_FITS, UNIT_AS_CONFIGURED, NAN},
    {"plain in psi", 1090.7, "psi", 0.2, 40, UNIT_FITS, UNIT_AS_CONFIGURED, NAN},
    {"psi number labelled MPa", 1090.7, "MPa", 0.2, 40, UNIT_DIFFERS, UNIT_HOLDS_PSI, 7.520},
    {"converted twice to psi", 158192.0, "psi", 0.2, 40, UNIT_DIFFERS, UNIT_MPA_TWICE, 7.520},
    {"MPa number labelled psi", 7.52, "psi", 0.2, 40, UNIT_DIFFERS, UNIT_HOLDS_MPA, 7.52},
    {"plausible both ways", 35.0, "psi", 0.2, 40, UNIT_OPEN, UNIT_HOLDS_MPA, 35.0},
    {"plausible both ways, other side", 35.0, "MPa", 0.2, 40, UNIT_OPEN, UNIT_HOLDS_PSI, 0.2413},
    {"fits no reading", 0.01, "psi", 0.2, 40, UNIT_NO_VERDICT, UNIT_AS_CONFIGURED, NAN},
    {"temperature plain", 87.4, "degC", 60, 135, UNIT_FITS, UNIT_AS_CONFIGURED, NAN},
    {"degF number labelled degC", 270, "degC", 60, 135, UNIT_DIFFERS, UNIT_HOLDS_DEGF, 132.2},
    {"the same, narrow window", 185, "degC", 60, 135, UNIT_DIFFERS, UNIT_HOLDS_DEGF, 85},
    {"the same, wide window", 185, "degC", 60, 200, UNIT_OPEN, UNIT_HOLDS_DEGF, 85},
    {"degC number labelled degF", 87.4, "degF", 60, 135, UNIT_DIFFERS, UNIT_HOLDS_DEGC, 87.4},
    {"too low either way", 45, "degF", 60, 135, UNIT_NO_VERDICT, UNIT_AS_CONFIGURED, NAN},
    {"converted twice to degF", 365, "degF", 60, 135, UNIT_DIFFERS, UNIT_DEGF_TWICE, 85},
    {"the same, wide window", 365, "degF", 60, 200, UNIT_OPEN, UNIT_DEGF_TWICE, 85},
    {"the same, hot", 455, "degF", 60, 200, UNIT_DIFFERS, UNIT_DEGF_TWICE, 112.8},
    {"zero is not a unit verdict", 0, "degC", 60, 135, UNIT_NO_VERDICT, UNIT_AS_CONFIGURED, NAN},
};

static void one_number_against_one_window(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        const struct window_row *row = &ROWS[i];
        unit_number unit = unit_of(row->unit);
        bool is_pressure = unit_get(unit)->kind == QUANTITY_PRESSURE;
        double times = is_pressure ? 1000.0 : 1.0; /* MPa to kPa, the unit inside */
        double published = unit_convert(row->number, unit, unit_of_kind(unit_get(unit)->kind));
        uint8_t change = 99;
        enum unit_verdict verdict =
            unit_against_window(published, unit, row->low * times, row->high * times,
                                is_pressure ? PRESSURES : TEMPERATURES, &change);
        if (verdict != row->verdict || change != row->change)
            fail_msg("%s: verdict %d, change %s", row->id, verdict, unit_change_name(change));
        if (isnan(row->truth))
            continue;
        double truth = unit_change_undo(change, unit, published) / times;
        if (fabs(truth - row->truth) > 0.0006 * row->truth)
            fail_msg("%s: %g", row->id, truth);
    }
}

static void when_the_plain_test_is_never_open(void **state)
{
    (void)state;
    /* high < 1.8 low + 32; high / low < 145.0377: arithmetic */
    uint8_t change;
    for (double low = 60; low <= 135; low += 0.5)
        assert_int_not_equal(
            unit_against_window(low, unit_of("degC"), 60, 135, TEMPERATURES, &change), UNIT_OPEN);
    for (double low = 1000; low <= 60000; low *= 1.01)
        assert_int_not_equal(
            unit_against_window(low, unit_of("MPa"), 1000, 60000, PRESSURES, &change), UNIT_OPEN);
    assert_int_equal(unit_against_window(39000, unit_of("MPa"), 200, 40000, PRESSURES, &change),
                     UNIT_OPEN);
    assert_int_equal(unit_against_window(190, unit_of("degC"), 60, 200, TEMPERATURES, &change),
                     UNIT_OPEN);
}

static const struct ratio_row {
    uint8_t change;
    const char *says;
    double truth, published; /* unit inside */
} RATIOS[] = {
    /* Ratios that give a mix-up away, computed from NIST SP 811 (2008) app. B: 6.895 and
       0.1450, 47.54, 100, 0.01, 1000. */
    {UNIT_HOLDS_KPA, "psi", 1000, 6894.757293168361},
    {UNIT_HOLDS_PSI, "kPa", 1000, 145.0377377302092},
    {UNIT_PSI_TWICE, "psi", 1000, 47537.678131698},
    {UNIT_PSI_TWICE_DOWN, "kPa", 1000, 21.035945},
    {UNIT_HOLDS_BAR, "kPa", 1000, 10},
    {UNIT_HOLDS_KPA, "bar", 1000, 100000},
    {UNIT_HOLDS_MPA, "kPa", 1000, 1},
    {UNIT_HOLDS_KPA, "MPa", 1000, 1e6},
    {UNIT_HOLDS_KGF_CM2, "bar", 1000, 1000 / 0.980665},
    {UNIT_HOLDS_DEGF, "degC", 90, 194},
    {UNIT_DEGF_TWICE, "degC", 90, 381.2},
    {UNIT_HOLDS_DEGC, "degF", 90, 32.2222222222},
    {UNIT_HOLDS_K, "degC", 90, 363.15},
    {UNIT_HOLDS_G, "m/s2", 9.80665, 1},
    {UNIT_HOLDS_M_S2, "g", 1, 9.80665},
    {UNIT_PRESSURE_TENFOLD, "bar", 1000, 10000},
    {UNIT_TEMPERATURE_TENTH, "degC", 90, 9},
    {UNIT_TEMPERATURE_TENFOLD, "degF", (194.0 - 32) / 1.8, (1940.0 - 32) / 1.8},
};

static void each_change_has_its_ratio_and_its_way_back(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof RATIOS / sizeof *RATIOS; i++) {
        const struct ratio_row *row = &RATIOS[i];
        double ratio, offset;
        assert_true(unit_change_line(row->change, unit_of(row->says), &ratio, &offset));
        double published = row->truth * ratio + offset;
        if (fabs(published - row->published) > 1e-6 * fabs(row->published))
            fail_msg("%s under a map that says %s: %.9g", unit_change_name(row->change), row->says,
                     published);
        double truth = unit_change_undo(row->change, unit_of(row->says), published);
        assert_true(fabs(truth - row->truth) <= 1e-9 * row->truth);
    }
    double ratio, offset;
    assert_false(unit_change_line(UNIT_HOLDS_PSI, unit_of("psi"), &ratio, &offset));
    assert_false(unit_change_line(UNIT_HOLDS_PSI, unit_of("degC"), &ratio, &offset));
    assert_false(unit_change_line(UNIT_MPA_TWICE, unit_of("bar"), &ratio, &offset));
}

static void a_step_by_a_known_ratio_is_a_setting_and_any_other_is_the_process(void **state)
{
    (void)state;
    static const struct {
        double before, after;
        const char *says;
        uint8_t held, change;
        bool back;
    } STEPS[] = {
        {9850, 1428620, "MPa", 0, UNIT_HOLDS_PSI, false},
        {9850, 985, "bar", 0, UNIT_HOLDS_MPA, false},
        {9850, 13100, "MPa", 0, UNIT_AS_CONFIGURED, false},
        {85, 185, "degC", 0, UNIT_HOLDS_DEGF, false},
        {185, 85, "degC", UNIT_HOLDS_DEGF, UNIT_AS_CONFIGURED, true},
        {1428620, 9850, "MPa", UNIT_HOLDS_PSI, UNIT_AS_CONFIGURED, true},
        {1428620, 98500, "MPa", UNIT_HOLDS_PSI, UNIT_HOLDS_BAR, false},
        {10.0, 10.2, "bar", 0, UNIT_AS_CONFIGURED, false}, /* kgf/cm2: no step tells 2 % */
        {4.0, 39.2, "m/s2", 0, UNIT_AS_CONFIGURED, false}, /* a pump that starts */
    };
    for (size_t i = 0; i < sizeof STEPS / sizeof *STEPS; i++) {
        bool back;
        uint8_t change = unit_step_of(STEPS[i].before, STEPS[i].after, unit_of(STEPS[i].says),
                                      STEPS[i].held, &back);
        if (change != STEPS[i].change || back != STEPS[i].back)
            fail_msg("%g to %g: %s, back %d", STEPS[i].before, STEPS[i].after,
                     unit_change_name(change), back);
    }
}

static void two_paths_agree(void **state)
{
    (void)state;
    double kpa = unit_convert(1090.7, unit_of("psi"), unit_of("kPa"));
    assert_true(fabs(kpa - 7520.112) < 7.5e-3 && fabs(kpa / 7520.0 - 1) < 1e-3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_number_against_one_window),
        cmocka_unit_test(when_the_plain_test_is_never_open),
        cmocka_unit_test(each_change_has_its_ratio_and_its_way_back),
        cmocka_unit_test(a_step_by_a_known_ratio_is_a_setting_and_any_other_is_the_process),
        cmocka_unit_test(two_paths_agree),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
