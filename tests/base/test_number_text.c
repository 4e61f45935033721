/* SPDX-License-Identifier: Apache-2.0
 *
 * test_number_text.c - numbers as text: ties, signs, sizes and locales. numbers_against_decimal.py
 * compares 20,000 more with Python.
 *
 * Planted defects that these must catch, and did: half away from zero instead of half to even;
 * printf with the locale's comma.
 */
#include "check.h"

#include "uphole/quantity.h"

#include <fcntl.h>
#include <float.h>
#include <locale.h>
#include <math.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

static void check_number(double value, double resolution, const char *want)
{
    char text[NUMBER_TEXT_MAX];
    size_t length = number_to_text(value, resolution, text);
    char what[64];
    snprintf(what, sizeof what, "%.17g at %g", value, resolution);
    check_text(what, text, want);
    check_count(what, (long long)length, (long long)strlen(text));
}

static void a_tie_goes_to_the_even_digit(void **state)
{
    (void)state;
    check_number(0.25, 0.1,
                 "0.2"); /* IEEE 754-2019, 4.3.1: roundTiesToEven; 0.25 is exact in binary */
    check_number(0.75, 0.1, "0.8");
    check_number(-0.25, 0.1, "-0.2");
    check_number(2.5, 1, "2");
    check_number(3.5, 1, "4");
    check_number(0.5, 1, "0");
    check_number(15, 10, "20");
    check_number(25, 10, "20");
    check_number(0.125, 0.01, "0.12");
    check_number(0.375, 0.25, "0.50"); /* 1.5 steps */
}

static void what_looks_like_a_tie_in_decimal_is_what_the_double_is(void **state)
{
    (void)state;
    check_number(87.45, 0.1, "87.5");  /* 87.4500000000000028... (printf %.20f of glibc) */
    check_number(0.35, 0.1, "0.3");    /* 0.34999999999999997... */
    check_number(1.005, 0.01, "1.00"); /* 1.00499999999999989... */
    check_number(2.675, 0.01, "2.67"); /* 2.67499999999999982... */
}

static void the_digits_are_those_of_the_resolution(void **state)
{
    (void)state;
    check_number(12345, 1, "12345");
    check_number(87.4, 0.1, "87.4");
    check_number(1000, 0.1, "1000.0");
    check_number(28.4, 0.1, "28.4");
    check_number(0, 0.001, "0.000");
    check_number(-0.0, 0.1, "0.0");
    check_number(-0.04, 0.1, "0.0");
    check_number(-0.0, 0, "0");
    check_number(0.004, 0.01, "0.00");
    check_number(999999999999999.0, 1, "999999999999999");
    check_number(12345.678, 5, "12345");
    check_number(DBL_MIN, 0.001, "0.000");
    check_number(5e-324, 1, "0");
    check_number(1e-9, 1e-9, "0.000000001");
}

static void without_a_resolution_the_text_reads_back_as_the_same_double(void **state)
{
    (void)state;
    check_number(0.1, 0, "0.1");
    check_number(9505.04814215, 0, "9505.04814215");
    check_number(1.0 / 3.0, 0, "0.3333333333333333");
    check_number(123456789, 0, "123456789");
    check_number(1e14, 0, "100000000000000");
    check_number(0.00000125, 0, "0.00000125");
    check_number(-1e-9, 0, "-0.000000001");
    check_number(1e15, 0, "1e+15");
    check_number(1e15, 1, "1e+15");
    check_number(-1.5e300, 1, "-1.5e+300");
    check_number(9.5e-10, 0, "9.5e-10");
    check_number(DBL_MAX, 0, "1.7976931348623157e+308");
}

static void what_is_not_finite_has_no_text(void **state)
{
    (void)state;
    check_number((double)NAN, 1, "");
    check_number((double)INFINITY, 1, "");
    check_number(-(double)INFINITY, 0, "");
}

/** Runs a program, its output thrown away; true if it ended with 0. */
static bool run(char *const arguments[])
{
    int status = -1;
    pid_t child = fork();
    if (child == 0) {
        int nowhere = open("/dev/null", O_WRONLY);
        dup2(nowhere, STDOUT_FILENO);
        dup2(nowhere, STDERR_FILENO);
        execvp(arguments[0], arguments);
        _exit(127);
    }
    return child > 0 && waitpid(child, &status, 0) == child && WIFEXITED(status) &&
           WEXITSTATUS(status) == 0;
}

/** Sets a locale with a decimal comma: an installed one, or one made here with localedef(1) under
 * `directory`. */
static bool set_locale_with_comma(char *directory)
{
    static const char *const INSTALLED[] = {"de_DE.UTF-8", "fr_FR.UTF-8", "nl_NL.UTF-8"};
    char path[128];
    for (size_t i = 0; i < sizeof INSTALLED / sizeof INSTALLED[0]; i++)
        if (setlocale(LC_ALL, INSTALLED[i]) != NULL && localeconv()->decimal_point[0] == ',')
            return true;
    snprintf(path, sizeof path, "%s/de_DE.UTF-8", directory);
    char *const make[] = {"localedef", "-i", "de_DE", "-f", "UTF-8", path, NULL};
    if (!run(make))
        return false;
    setenv("LOCPATH", directory, 1);
    return setlocale(LC_ALL, "de_DE.UTF-8") != NULL && localeconv()->decimal_point[0] == ',';
}

static void the_locale_changes_nothing(void **state)
{
    (void)state;
    char directory[] = "/tmp/uphole-locale-XXXXXX";
    char *const remove_it[] = {"rm", "-r", directory, NULL};
    assert_non_null(mkdtemp(directory));
    bool is_set = set_locale_with_comma(directory);
    assert_true(run(remove_it));
    if (!is_set) {
        print_message("skipped: no locale with a decimal comma (Debian package locales)\n");
        skip();
    }
    check_number(9505.04814215, 0, "9505.04814215");
    check_number(1.0 / 3.0, 0, "0.3333333333333333");
    check_number(87.4, 0.1, "87.4");
    check_number(9.5e-10, 0, "9.5e-10");
    struct decimal value;
    assert_true(decimal_from_text("123456789012345678e-40", 22, &value));
    check_close("decimal", decimal_to_double(value), 123456789012345678e-40, 0);
    setlocale(LC_ALL, "C");
}

/* ---- against printf ---- */

#define DRAWS 10000

static uint64_t draw(uint64_t *random)
{
    *random ^= *random << 13; /* xorshift64 (Marsaglia, 2003) */
    *random ^= *random >> 7;
    *random ^= *random << 17;
    return *random;
}

/** Readings as they come, ties and their neighbours, signs, and any double below 1e15. */
static double draw_number(uint64_t *random, double step)
{
    const uint64_t bits = draw(random);
    const double whole = (double)(int64_t)(bits % 2000001) - 1000000;
    double any;
    memcpy(&any, &bits, sizeof any);
    switch (draw(random) % 6) {
    case 0:
        return whole * step;
    case 1:
        return (whole + 0.5) * step;
    case 2:
        return nextafter((whole + 0.5) * step, (bits >> 40) % 2 ? 1e15 : -1e15);
    case 3:
        return whole / 1024; /* exact in binary, ties among them */
    case 4:
        return whole * pow(10, (double)(bits >> 40 & 15) - 7);
    default:
        return isfinite(any) && fabs(any) < 1e15 ? any : -0.0;
    }
}

/* glibc's printf rounds the double itself, half to even in the default rounding mode: the GNU C
 * Library manual, "Rounding", and IEEE 754-2019, 5.12.2. Planted defects that this must catch, and
 * did: half away from zero in the quick way; a tie seen one bit too high; the sign of zero. */
static void the_text_is_that_of_printf_for_every_resolution_of_the_points(void **state)
{
    (void)state;
    static const double STEPS[] = {1, 0.1, 0.01, 0.001, 0.0001, 0.00001, 0.000001};
    uint64_t random = 2031;
    for (int decimals = 0; decimals < (int)(sizeof STEPS / sizeof STEPS[0]); decimals++) {
        const struct number_format format = number_format_of(STEPS[decimals]);
        for (int i = 0; i < DRAWS; i++) {
            char text[NUMBER_TEXT_MAX], want[400];
            const double value = draw_number(&random, STEPS[decimals]);
            if (fabs(value) >= 1e15)
                continue;
            const size_t length = number_to_text_as(value, &format, text);
            snprintf(want, sizeof want, "%.*f", decimals, value);
            const char *expected =
                want[0] == '-' && strspn(want + 1, "0.") == strlen(want + 1) ? want + 1 : want;
            if (strcmp(text, expected) != 0 || length != strlen(expected))
                fail_msg("%a at %g: \"%s\", printf says \"%s\"", value, STEPS[decimals], text,
                         expected);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_tie_goes_to_the_even_digit),
        cmocka_unit_test(what_looks_like_a_tie_in_decimal_is_what_the_double_is),
        cmocka_unit_test(the_digits_are_those_of_the_resolution),
        cmocka_unit_test(without_a_resolution_the_text_reads_back_as_the_same_double),
        cmocka_unit_test(what_is_not_finite_has_no_text),
        cmocka_unit_test(the_text_is_that_of_printf_for_every_resolution_of_the_points),
        cmocka_unit_test(the_locale_changes_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
