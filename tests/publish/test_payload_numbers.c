/* SPDX-License-Identifier: Apache-2.0
 *
 * test_payload_numbers.c - every point's number as `record` sends it, in each choice of units, and
 * the largest row there is.
 */
#include "check.h"
#include "payload_fixture.h"

#include <math.h>

static struct plan *plan;
static char into[PAYLOAD_MAX];

static const struct unit_choice *units_of(int to)
{
    return &plan->destinations[to].units;
}

/** Decimals of a step of 1, 2 or 5 x 10^-n. */
static int decimals_of(double resolution)
{
    int decimals = 0;
    while (decimals < 9 && fabs(resolution - nearbyint(resolution)) > 1e-9 * resolution) {
        resolution *= 10;
        decimals++;
    }
    return decimals;
}

/** The value as documented, without what the program keeps ready: converted by unit_convert,
 * rounded to the resolution by printf (steps of 1) or by the exact quotient of long doubles. */
static void expected_text(double value, double resolution, char *text, size_t room)
{
    const int decimals = decimals_of(resolution);
    const double power = nearbyint(resolution * pow(10, decimals));
    if (power > 1) {
        const long double step = (long double)power / powl(10, decimals);
        snprintf(text, room, "%.*Lf", decimals, nearbyintl((long double)value / step) * step);
    } else {
        snprintf(text, room, "%.*f", decimals, value);
    }
    if (text[0] == '-' && strspn(text + 1, "0.") == strlen(text + 1))
        memmove(text, text + 1, strlen(text));
}

static const char *value_sent(int to, unsigned point, double value)
{
    static char text[64];
    struct record row = payload_record_of(SOURCE_GAUGE, 1);
    size_t used = 0;
    row.n = 0;
    payload_add(&row, (uint16_t)point, value, QUALITY_GOOD, 1);
    assert_true(payload_record(into, sizeof into, plan, units_of(to), SENT_LIVE, &row, 1, &used) >
                0);
    const char *at = strstr(into, "\"values\":[");
    assert_non_null(at);
    at += strlen("\"values\":[");
    snprintf(text, sizeof text, "%.*s", (int)strcspn(at, "]"), at);
    return text;
}

/* Planted defects that this must catch, and did: the unit's offset left out of the step that is
 * kept ready; the resolution of the metric unit used for every choice; "-0.0" for what rounds to
 * zero. */
static void each_point_goes_out_converted_and_rounded_in_each_choice_of_units(void **state)
{
    (void)state;
    static const double VALUES[] = {0,        -0.0,      12.345,   -12.345, 87.45,
                                    0.05,     -0.04,     9505.048, 1e-12,   -5e-324,
                                    123456.5, 99999.995, 2.5,      -3.5,    1234567890.25};
    unsigned checked = 0;
    for (int to = 0; to < TO_COUNT; to++)
        for (unsigned point = 1; point < POINT_COUNT; point++)
            for (size_t i = 0; i < sizeof VALUES / sizeof VALUES[0]; i++) {
                double resolution;
                char want[64];
                const unit_number unit = unit_choice_of(units_of(to), point, &resolution);
                const double sent = unit_convert(VALUES[i], point_unit(point), unit);
                if (!(resolution > 0) || fabs(sent) >= 1e15)
                    continue;
                expected_text(sent, resolution, want, sizeof want);
                check_text(point_get(point)->id, value_sent(to, point, VALUES[i]), want);
                checked++;
            }
    assert_true(checked > 3u * 15u * 40u);
}

/**
 * JCGM 100:2008, 7.2.6: two digits are enough. A degC of uncertainty is 1.8 degF, without the 32.
 * Planted defect: payload-uncertainty-with-offset.
 */
static void an_uncertainty_goes_out_only_where_it_is_asked_for_and_known(void **state)
{
    (void)state;
    struct record row = payload_record_of(SOURCE_GAUGE, 1);
    struct unit_choice units = {.set = UNITS_US};
    size_t used = 0;
    row.n = 0;
    payload_add(&row, POINT_INTAKE_PRESSURE, 9000, QUALITY_GOOD, 1);
    payload_add(&row, POINT_INTAKE_TEMPERATURE, 80, QUALITY_GOOD, 1);
    payload_add(&row, POINT_MOTOR_WINDING_TEMPERATURE, 110, QUALITY_GOOD, 1);
    payload_add(&row, POINT_DRIVE_FREQUENCY, NAN, QUALITY_NOT_FITTED, 1);
    row.reading[0].u = 17.322;
    row.reading[1].u = 1.1547;
    row.reading[3].u = 0.01; /* beside a value that is none */
    assert_true(payload_record(into, sizeof into, plan, &units, SENT_LIVE, &row, 1, &used) > 0);
    assert_null(strstr(into, "uncertainties"));
    units.with_uncertainty = true;
    assert_true(payload_record(into, sizeof into, plan, &units, SENT_LIVE, &row, 1, &used) > 0);
    /* 17.322 kPa / 6.894757 = 2.5123 psi; 1.1547 x 1.8 = 2.0785 degF */
    const char *at = strstr(into, "\"standard_uncertainties\":");
    assert_non_null(at);
    char text[80];
    snprintf(text, sizeof text, "%.*s", (int)strcspn(at, "]") + 1, at);
    check_text("in psi and degF", text, "\"standard_uncertainties\":[2.5,2.1,null,null]");
}

static void the_largest_row_that_exists_is_written_whole(void **state)
{
    (void)state;
    struct record row = payload_record_of(SOURCE_GAUGE, UINT64_MAX);
    size_t used = 0;
    row.n = 0;
    row.revision = UINT32_MAX;
    row.heard = true;
    struct unit_choice units = *units_of(TO_OWN);
    units.with_uncertainty = true;
    for (unsigned i = 0; i < RECORD_READINGS_MAX; i++) {
        const uint16_t point = (uint16_t)(1 + i % (POINT_COUNT - 1));
        payload_add(&row, point, -1.7976931348623157e+308, QUALITY_INPUT_UNSURE, 3e38f);
        row.reading[i].u = 1.7976931348623157e+308;
        row.reading[i].worst_input = (uint8_t)point_find("surface_unit_supply_voltage", 27);
    }
    assert_true(payload_record(into, sizeof into, plan, &units, SENT_LIVE, &row, 1, &used) > 0);
    assert_int_equal(used, 1);
    size_t ids = 0;
    for (const char *at = into; (at = strstr(at, "\"surface_unit_supply_voltage\"")) != NULL; at++)
        ids++;
    assert_true(ids >= RECORD_READINGS_MAX);
    assert_non_null(strstr(into, ",\"heard\":true,"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_point_goes_out_converted_and_rounded_in_each_choice_of_units),
        cmocka_unit_test(an_uncertainty_goes_out_only_where_it_is_asked_for_and_known),
        cmocka_unit_test(the_largest_row_that_exists_is_written_whole),
    };
    plan = payload_plan();
    const int failed = cmocka_run_group_tests(tests, NULL, NULL);
    plan_free(plan);
    return failed;
}
