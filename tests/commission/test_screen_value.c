/* SPDX-License-Identifier: Apache-2.0
 *
 * test_screen_value.c - what people type off a screen. Factors: NIST SP 811 (2008), app. B.8 and
 * B.9; how screens write units: common practice, no source.
 */
#include "check.h"

#include "uphole/compare.h"

#define PRESSURE POINT_INTAKE_PRESSURE
#define TEMPERATURE POINT_INTAKE_TEMPERATURE
#define VIBRATION POINT_VIBRATION_X
#define LEAKAGE 11
#define INSULATION POINT_INSULATION_RESISTANCE

static const struct typed {
    unsigned point;
    const char *text;
    double inside, step; /* in the point's own unit */
    uint8_t reference;
    const char *tidied;
} TYPED[] = {
    {PRESSURE, "1790 psi", 1790 * 6.894757, 6.894757, REFERENCE_NONE, "1790 psi"},
    {PRESSURE, " 1790psi ", 1790 * 6.894757, 6.894757, REFERENCE_NONE, "1790 psi"},
    {PRESSURE, "1790 PSI", 1790 * 6.894757, 6.894757, REFERENCE_NONE, "1790 psi"},
    {PRESSURE, "1775.3 psig", 1775.3 * 6.894757, 0.6894757, REFERENCE_GAUGE, "1775.3 psi gauge"},
    {PRESSURE, "1790 psia", 1790 * 6.894757, 6.894757, REFERENCE_ABSOLUTE, "1790 psi absolute"},
    {PRESSURE, "124.1 bar(a)", 12410, 10, REFERENCE_ABSOLUTE, "124.1 bar absolute"},
    {PRESSURE, "123,1 barg", 12310, 10, REFERENCE_GAUGE, "123.1 bar gauge"},
    {PRESSURE, "12.342 MPa", 12342, 1, REFERENCE_NONE, "12.342 MPa"},
    {PRESSURE, "12342 KPA", 12342, 1, REFERENCE_NONE, "12342 kPa"},
    {PRESSURE, "12342 kPa absolute", 12342, 1, REFERENCE_ABSOLUTE, "12342 kPa absolute"},
    {PRESSURE, "125.8 kgf/cm\xC2\xB2", 125.8 * 98.0665, 9.80665, REFERENCE_NONE, "125.8 kgf/cm2"},
    {PRESSURE, "125.8 kg/cm2", 125.8 * 98.0665, 9.80665, REFERENCE_NONE, "125.8 kgf/cm2"},
    {PRESSURE, "0,350 MPa", 350, 1, REFERENCE_NONE, "0.350 MPa"},
    {TEMPERATURE, "87.4 C", 87.4, 0.1, REFERENCE_NONE, "87.4 degC"},
    {TEMPERATURE,
     "87,4 \xC2\xB0"
     "C",
     87.4, 0.1, REFERENCE_NONE, "87.4 degC"},
    {TEMPERATURE, "189.3 F", (189.3 - 32) / 1.8, 0.1 / 1.8, REFERENCE_NONE, "189.3 degF"},
    {TEMPERATURE, "189 DEG F", (189.0 - 32) / 1.8, 1 / 1.8, REFERENCE_NONE, "189 degF"},
    {TEMPERATURE, "-4.5 degC", -4.5, 0.1, REFERENCE_NONE, "-4.5 degC"},
    {TEMPERATURE, "360.5 K", 87.35, 0.1, REFERENCE_NONE, "360.5 K"},
    {VIBRATION, "0.35 g", 0.35 * 9.80665, 0.0980665, REFERENCE_NONE, "0.35 g"},
    {VIBRATION, "0.35 G", 0.35 * 9.80665, 0.0980665, REFERENCE_NONE, "0.35 g"},
    {VIBRATION, "3.43 m/s2", 3.43, 0.01, REFERENCE_NONE, "3.43 m/s2"},
    {LEAKAGE, "12.5 uA", 0.0125, 0.0001, REFERENCE_NONE, "12.5 uA"},
    {LEAKAGE, "1.25 MA", 1.25, 0.01, REFERENCE_NONE,
     "1.25 mA"}, /* capitals: only one unit can be meant */
    {INSULATION, "12.5 MOHM", 12500, 100, REFERENCE_NONE, "12.5 Mohm"},
    {POINT_POWER_FACTOR, "0.87", 0.87, 0.01, REFERENCE_NONE, "0.87 1"},
};

static void numbers_and_units_are_read_as_screens_write_them(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof TYPED / sizeof *TYPED; i++) {
        const struct typed *row = &TYPED[i];
        struct screen_value value;
        struct up_error error = {0};
        double step;
        if (screen_value_from_text(row->text, strlen(row->text), row->point, &value, &error) !=
            UP_OK)
            fail_msg("%s: %s", row->text, error.why);
        check_close_relative(row->text, screen_value_inside(&value, row->point, &step), row->inside,
                             1e-6);
        check_close_relative(row->text, step, row->step, 1e-6);
        check_count(row->text, value.reference, row->reference);
        check_text(row->text, value.text, row->tidied);
        assert_false(value.is_blank);
    }
}

/* Planted defect: a comma is always decimal, so that 1,790 psi is 1.79 psi
 * (commission-comma-is-decimal). */
static void what_could_mean_two_things_is_refused_with_what_to_type(void **state)
{
    static const struct {
        unsigned point;
        const char *text, *says;
    } REFUSED[] = {
        {PRESSURE, "1,790 psi", "without marks between thousands"},
        {PRESSURE, "1,790.5 psi", "without marks between thousands"},
        {PRESSURE, "1.790.500 psi", "without marks between thousands"},
        {PRESSURE, "1790", "a unit is missing"},
        {PRESSURE, "psi", "doesn't begin with a number"},
        {PRESSURE, "", "nothing was typed"},
        {PRESSURE, "about 1790 psi", "doesn't begin with a number"},
        {PRESSURE, "1790 psj", "no unit of pressure is known as 'psj'; expected one of kPa, MPa"},
        {PRESSURE, "87.4 C", "degC is a unit of temperature"},
        {PRESSURE, "1790 psi psi", "no unit of pressure is known"},
        {PRESSURE, "1e3 psi", "no unit of pressure is known as 'e3 psi'"},
        {TEMPERATURE, "87.4 bar",
         "bar is a unit of pressure, and intake (well fluid) temperature is one of temperature"},
        {VIBRATION, "3.4 mm/s", "mm/s is a unit of velocity"}, /* never converted into the other */
        {LEAKAGE, "1.25", "a unit is missing"},
        {PRESSURE, "1234567890123456789012345 psi", "more digits than a screen shows"},
        {PRESSURE,
         "17\x07"
         "90 psi",
         "type what the screen says"},
        {0, "1790 psi", "type what the screen says"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof REFUSED / sizeof *REFUSED; i++) {
        struct screen_value value;
        struct up_error error = {0};
        if (screen_value_from_text(REFUSED[i].text, strlen(REFUSED[i].text), REFUSED[i].point,
                                   &value, &error) != UP_E_INPUT)
            fail_msg("'%s' was taken as %s", REFUSED[i].text, value.text);
        if (strstr(error.why, REFUSED[i].says) == NULL)
            fail_msg("'%s': %s", REFUSED[i].text, error.why);
    }
}

static void a_screen_without_a_value_is_that(void **state)
{
    static const char *const BLANK[] = {"---",  "-",    "no value", "Not fitted",
                                        "--.-", "****", "N/A"};
    (void)state;
    for (size_t i = 0; i < sizeof BLANK / sizeof *BLANK; i++) {
        struct screen_value value;
        struct up_error error = {0};
        double step;
        if (screen_value_from_text(BLANK[i], strlen(BLANK[i]), PRESSURE, &value, &error) != UP_OK ||
            !value.is_blank)
            fail_msg("'%s': %s", BLANK[i], error.why);
        assert_true(isnan(screen_value_inside(&value, PRESSURE, &step)) && isnan(step));
        check_text(BLANK[i], value.text, "no value");
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_and_units_are_read_as_screens_write_them),
        cmocka_unit_test(what_could_mean_two_things_is_refused_with_what_to_type),
        cmocka_unit_test(a_screen_without_a_value_is_that),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
