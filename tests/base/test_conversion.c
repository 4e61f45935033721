/* SPDX-License-Identifier: Apache-2.0
 *
 * test_conversion.c - decimals as written, one-step conversions that round once, and numbers with
 * units as configured.
 *
 * Planted defect that these must catch, and did: scale and factor rounded to doubles before they
 * are multiplied (87.4 then reads 87.400000000000006). Decimal arithmetic here is that of the
 * test's author by hand; 84.95 and 12.345 are rows DEC-041 to DEC-044.
 */
#include "check.h"

#include "uphole/quantity.h"

#include <float.h>

#define ROWS(table) (sizeof(table) / sizeof(table)[0])

static unit_number by_name(const char *name, enum quantity kind)
{
    unit_number id = unit_find(name, strlen(name), kind);
    if (id == 0)
        fail_msg("no unit %s", name);
    return id;
}

static struct decimal decimal_of(const char *text)
{
    struct decimal value;
    if (!decimal_from_text(text, strlen(text), &value))
        fail_msg("no decimal: %s", text);
    return value;
}

static void decimals_are_read_exactly(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int64_t mantissa;
        int exponent;
    } GOOD[] = {
        {"-273.15", -27315, -2},
        {"0.001", 1, -3},
        {"1e-3", 1, -3},
        {"1E+3", 1, 3},
        {"+5", 5, 0},
        {"0", 0, 0},
        {"-0.000", 0, 0},
        {"12345.000", 12345, 0},
        {"1000", 1, 3},
        {"0.10", 1, -1},
        {"000000000000000000000.5", 5, -1},
        {"999999999999999999", 999999999999999999, 0},
        {"0.000000000000000000123456789012345678", 123456789012345678, -36},
    };
    for (size_t i = 0; i < ROWS(GOOD); i++) {
        struct decimal got = decimal_of(GOOD[i].text);
        check_count(GOOD[i].text, got.mantissa, GOOD[i].mantissa);
        check_count(GOOD[i].text, got.exponent, GOOD[i].exponent);
    }
    static const char *const BAD[] = {"",
                                      "-",
                                      "12_345",
                                      "1,5",
                                      ".5",
                                      "5.",
                                      "1e",
                                      "e5",
                                      "0x10",
                                      "1e+",
                                      " 1",
                                      "1 ",
                                      "1.2.3",
                                      "--1",
                                      "+-1",
                                      "nan",
                                      "inf",
                                      "1e99999",
                                      "1234567890123456789",
                                      "1.0000000000000000001"};
    for (size_t i = 0; i < ROWS(BAD); i++) {
        struct decimal got = {77, 7};
        if (decimal_from_text(BAD[i], strlen(BAD[i]), &got))
            fail_msg("taken for a decimal: \"%s\"", BAD[i]);
        check_count("untouched", got.mantissa, 77);
    }
}

static void a_decimal_becomes_the_nearest_double(void **state)
{
    (void)state;
    /* The compiler's own reading of the same text (C17 6.4.4.2, round to nearest) is the oracle. */
    static const struct {
        const char *text;
        double value;
    } ROWS_[] = {
        {"0.1", 0.1},
        {"-273.15", -273.15},
        {"1e22", 1e22},
        {"1e23", 1e23},
        {"9007199254740993e-1", 9007199254740993e-1},
        {"123456789012345678e-40", 123456789012345678e-40},
        {"4.9e-324", 4.9e-324},
        {"1.7976931348623157e308", DBL_MAX},
    };
    for (size_t i = 0; i < ROWS(ROWS_); i++)
        check_close(ROWS_[i].text, decimal_to_double(decimal_of(ROWS_[i].text)), ROWS_[i].value, 0);
}

static void raw_counts_reach_the_point_unit_with_one_rounding(void **state)
{
    (void)state;
    static const struct {
        const char *scale, *offset, *from, *to;
        double raw, expected;
    } EXACT[] = {
        {"0.1", "0", "degC", "degC", 874, 87.4},
        {"0.001", "0", "MPa", "kPa", 12345, 12345},
        {"0.001", "0", "MPa", "kPa", 65535, 65535},
        {"0.1", "-273.15", "degC", "degC", 3581, 84.95}, /* DEC-043 */
        {"0.1", "0", "K", "degC", 3581, 84.95},          /* the same register, stated in kelvin */
        {"0.1", "0", "degC", "degC", -40, -4},           /* DEC-042 */
        {"-0.01", "100", "%", "%", 1500, 85},            /* DEC-044 */
        {"0.01", "0", "bar", "kPa", 12345, 12345},
        {"0.1", "0", "degF", "degC", 1850, 85}, /* UNI-022 through a register */
        {"1", "0", "degF", "degC", 32, 0},
        {"0.001", "0", "MPa", "MPa", 12345, 12.345}, /* DEC-041 */
        {"0.01", "0", "A", "mA", 420, 4200},
        {"1e-3", "0", "g", "m/s2", 250, 2.4516625}, /* UNI-050 through a register */
    };
    for (size_t i = 0; i < ROWS(EXACT); i++) {
        struct conversion step;
        struct up_error error;
        unit_number from = by_name(EXACT[i].from, QUANTITY_NONE);
        unit_number to = by_name(EXACT[i].to, unit_get(from)->kind);
        if (conversion_make(decimal_of(EXACT[i].scale), decimal_of(EXACT[i].offset), from, to,
                            &step, &error) != UP_OK)
            fail_msg("%s", error.why);
        check_close(EXACT[i].from, conversion_apply(&step, EXACT[i].raw), EXACT[i].expected, 0);
    }
}

static void every_16_bit_count_of_a_tenth_reads_as_the_decimal_does(void **state)
{
    (void)state;
    struct conversion step;
    unit_number degc = by_name("degC", QUANTITY_TEMPERATURE);
    assert_int_equal(
        conversion_make(decimal_of("0.1"), decimal_of("-273.15"), degc, degc, &step, NULL), UP_OK);
    for (int raw = 0; raw <= 65535; raw++) {
        /* raw / 10 - 273.15 is (10 raw - 27315) / 100: a whole number through one division,
         * correctly rounded by IEEE 754. */
        double expected = (10.0 * raw - 27315.0) / 100.0;
        if (conversion_apply(&step, raw) != expected)
            fail_msg("raw %d: got %.17g, expected %.17g", raw, conversion_apply(&step, raw),
                     expected);
    }
}

static void factors_too_long_for_exact_arithmetic_still_carry_15_digits(void **state)
{
    (void)state;
    struct conversion step;
    unit_number hp = by_name("hp", QUANTITY_POWER), kw = by_name("kW", QUANTITY_POWER);
    assert_int_equal(conversion_make(decimal_of("0.123456789012345678"), decimal_of("1e-30"), hp,
                                     kw, &step, NULL),
                     UP_OK);
    /* 550 ft lbf/s = 0.74569987158227022 kW exactly (bases of NIST SP 811 app. B); the product by
     * Python's decimal, 40 digits. */
    check_close_relative("long scale", conversion_apply(&step, 1), 0.09206171171246560119, 1e-15);
    assert_int_equal(
        conversion_make(decimal_of("1e-300"), decimal_of("1e300"), kw, hp, &step, NULL), UP_OK);
    assert_true(isfinite(conversion_apply(&step, 1)));
}

static void kinds_that_differ_and_a_scale_of_zero_are_refused(void **state)
{
    (void)state;
    struct conversion step = {7, 7, 7};
    struct up_error error;
    unit_number kpa = by_name("kPa", QUANTITY_PRESSURE),
                degc = by_name("degC", QUANTITY_TEMPERATURE);
    unit_number difference = by_name("K", QUANTITY_TEMPERATURE_DIFFERENCE);
    struct decimal one = {1, 0}, zero = {0, 0};
    assert_int_equal(conversion_make(one, zero, kpa, degc, &step, &error), UP_E_RANGE);
    check_text("why", error.why,
               "kPa is a unit of pressure and degC a unit of temperature; they do not convert");
    assert_int_equal(conversion_make(one, zero, degc, difference, &step, &error), UP_E_RANGE);
    assert_int_equal(conversion_make(zero, one, kpa, kpa, &step, &error), UP_E_RANGE);
    check_text("why", error.why,
               "a scale of 0 makes every reading the same; expected a number other than 0");
    assert_int_equal(conversion_make((struct decimal){1, 399}, zero, kpa, kpa, &step, &error),
                     UP_E_RANGE);
    check_close("untouched", step.multiply, 7, 0);
    /* States and counts have no unit: 0 to 0 is a conversion too. */
    assert_int_equal(conversion_make(one, zero, 0, 0, &step, &error), UP_OK);
    check_close("state", conversion_apply(&step, 32773), 32773, 0);
}

static void a_number_with_its_unit_is_read_as_configured(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        enum quantity kind;
        double expected;
        const char *unit;
    } GOOD[] = {
        {"28 s", QUANTITY_DURATION, 28, "s"},
        {"400 days", QUANTITY_DURATION, 400 * 86400.0, "d"},
        {"100 ms", QUANTITY_DURATION, 0.1, "ms"},
        {"60 MPa", QUANTITY_PRESSURE, 60000, "MPa"},
        {"-20 degC", QUANTITY_TEMPERATURE, -20, "degC"},
        {"0 °F", QUANTITY_TEMPERATURE, -160.0 / 9.0, "degF"},
        {"2 K", QUANTITY_TEMPERATURE_DIFFERENCE, 2, "K"},
        {"1850 m", QUANTITY_LENGTH, 1850, "m"},
        {"32 API", QUANTITY_OIL_GRAVITY, 32, "degAPI"},
        {"60 %", QUANTITY_RATIO, 0.6, "%"},
        {"60%", QUANTITY_RATIO, 0.6, "%"},
        {"1.5e3 psi", QUANTITY_NONE, 10342.1359397525415, "psi"},
        {"0.3 MPa/min", QUANTITY_PRESSURE_RATE, 18000, "MPa/min"},
        {"0.1 degC", QUANTITY_TEMPERATURE, 0.1, "degC"},
    };
    for (size_t i = 0; i < ROWS(GOOD); i++) {
        double got = NAN;
        unit_number unit = 0;
        if (!quantity_from_text(GOOD[i].text, strlen(GOOD[i].text), GOOD[i].kind, &got, &unit))
            fail_msg("not read: %s", GOOD[i].text);
        check_close_relative(GOOD[i].text, got, GOOD[i].expected, 1e-15);
        check_text(GOOD[i].text, unit_get(unit)->name, GOOD[i].unit);
    }
    static const char *const BAD[] = {"28",    "s",     "",       "28 parsec", "0 to 60 MPa",
                                      "1,5 s", "1_0 s", "28 s s", "- 5 s",     "2 m"};
    for (size_t i = 0; i < ROWS(BAD); i++) {
        double got;
        unit_number unit;
        if (quantity_from_text(BAD[i], strlen(BAD[i]), QUANTITY_DURATION, &got, &unit))
            fail_msg("taken for a duration: \"%s\"", BAD[i]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(decimals_are_read_exactly),
        cmocka_unit_test(a_decimal_becomes_the_nearest_double),
        cmocka_unit_test(raw_counts_reach_the_point_unit_with_one_rounding),
        cmocka_unit_test(every_16_bit_count_of_a_tenth_reads_as_the_decimal_does),
        cmocka_unit_test(factors_too_long_for_exact_arithmetic_still_carry_15_digits),
        cmocka_unit_test(kinds_that_differ_and_a_scale_of_zero_are_refused),
        cmocka_unit_test(a_number_with_its_unit_is_read_as_configured),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
