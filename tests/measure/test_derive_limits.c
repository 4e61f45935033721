/* SPDX-License-Identifier: Apache-2.0
 *
 * test_derive_limits.c - well parameters, points 53 to 75: what must hold whatever the numbers, the
 * ends of each formula's validity, and the same through whole scans.
 *
 * Planted defects: those of test_derive_well.c; each was seen by one of the two.
 */
#include "well_now.h"

static void a_rate_of_long_ago_and_oil_without_its_factor_are_unsure(void **state)
{
    (void)state;
    static const unsigned OF_RATE[] = {POINT_REFERENCE_RATE,        POINT_HYDRAULIC_POWER,
                                       POINT_PUMP_MOTOR_EFFICIENCY, POINT_PUMP_EFFICIENCY,
                                       POINT_SYSTEM_EFFICIENCY,     POINT_CURVE_HEAD,
                                       POINT_HEAD_AGAINST_CURVE,    POINT_MOTOR_EFFICIENCY,
                                       POINT_SPECIFIC_ENERGY,       POINT_PRODUCTIVITY_INDEX};
    for (size_t i = 0; i < sizeof OF_RATE / sizeof *OF_RATE; i++) {
        struct well_now now = now_of(OF_RATE[i]);
        now.data.from_utc_ms = MADE_UTC_MS;
        const int64_t month = INT64_C(31) * 86400000;
        check_count("a month", derived_at(&now, MADE_UTC_MS + month).quality, QUALITY_GOOD);
        check_count("more", derived_at(&now, MADE_UTC_MS + month + 1).quality,
                    QUALITY_INPUT_UNSURE);
        const bool is_through_pump = i < 8;
        now.data.oil_volume_factor = NAN;
        check_count(id_of(OF_RATE[i]), derived_at(&now, MADE_UTC_MS).quality,
                    is_through_pump ? QUALITY_INPUT_UNSURE : QUALITY_GOOD);
        now.data.water_cut_ratio = 1; /* nothing swells */
        check_count("all water", derived_at(&now, MADE_UTC_MS).quality, QUALITY_GOOD);
    }
}

/* ---- what holds whatever the numbers ---- */

static void a_pump_that_stands_has_no_head_rate_or_energy(void **state)
{
    (void)state;
    static const unsigned RUNNING[] = {
        POINT_PUMP_TOTAL_HEAD,   POINT_HEAD_PER_STAGE,     POINT_REFERENCE_HEAD,
        POINT_REFERENCE_RATE,    POINT_HYDRAULIC_POWER,    POINT_PUMP_MOTOR_EFFICIENCY,
        POINT_SPECIFIC_ENERGY,   POINT_PRODUCTIVITY_INDEX, POINT_MOTOR_EFFICIENCY,
        POINT_PUMP_EFFICIENCY,   POINT_SYSTEM_EFFICIENCY,  POINT_CURVE_HEAD,
        POINT_HEAD_AGAINST_CURVE};
    for (size_t i = 0; i < sizeof RUNNING / sizeof *RUNNING; i++) {
        struct well_now now = now_of(RUNNING[i]);
        input_of(&now, POINT_DRIVE_RUN_STATE)->value = 1;
        check_count(id_of(RUNNING[i]), derived(&now).quality, QUALITY_PUMP_STOPPED);
        check_count("named", derived(&now).worst_input, POINT_DRIVE_RUN_STATE);
        input_of(&now, POINT_DRIVE_RUN_STATE)->value = 0;
        check_count("nobody knows", derived(&now).quality, QUALITY_INPUT_UNSURE);
    }
    struct well_now now = now_of(POINT_REFERENCE_RATE); /* says that it runs, at 0 Hz */
    input_of(&now, POINT_DRIVE_FREQUENCY)->value = 0;
    check_count("0 Hz", derived(&now).quality, QUALITY_PUMP_STOPPED);
    input_of(&now, POINT_DRIVE_FREQUENCY)->value = 25; /* half the reference: slip counts */
    check_count("25 Hz", derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
    now = now_of(POINT_PUMP_TOTAL_HEAD); /* the spacing alone is no head */
    input_of(&now, POINT_DISCHARGE_PRESSURE)->value = 8000;
    check_count("reversed", derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
    now = now_of(POINT_PUMP_MOTOR_EFFICIENCY);
    input_of(&now, POINT_DISCHARGE_PRESSURE)->value = 8000;
    check_count("no efficiency", derived(&now).quality, QUALITY_OUT_OF_DOMAIN);
    now = now_of(POINT_PUMP_MOTOR_EFFICIENCY);
    input_of(&now, POINT_MOTOR_POWER)->value = 30; /* 97 %: the inputs are wrong */
    check_count("too good", derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
}

static void free_gas_begins_at_the_bubble_point(void **state)
{
    (void)state;
    double last = 100;
    bool is_zero = false;
    for (double kpa = 2000; kpa < 20000; kpa += 250) {
        struct well_now now = now_of(POINT_FREE_GAS_FRACTION);
        input_of(&now, POINT_INTAKE_PRESSURE)->value = kpa;
        const double percent = derived(&now).value;
        assert_true(percent >= 0 && percent < 100);
        assert_true(is_zero ? percent == 0 : percent < last);
        is_zero = percent == 0;
        last = percent;
    }
    assert_true(is_zero);
    struct well_now now = now_of(POINT_FREE_GAS_FRACTION);
    now.data.water_cut_ratio = 1;
    check_close("all water", derived(&now).value, 0, 0);
    now = now_of(POINT_FREE_GAS_FRACTION);
    now.data.gas_oil_ratio_m3_m3 = 0;
    check_close("no gas", derived(&now).value, 0, 0);
    now = now_of(POINT_GAS_COMPRESSIBILITY_FACTOR);
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 1e-3;
    check_close("thin gas is ideal", derived(&now).value, 1, 1e-6);
}

static void the_liquid_stands_between_intake_and_wellhead(void **state)
{
    (void)state;
    double last = -1;
    for (double kpa = 2000; kpa < 16000; kpa += 500) {
        struct well_now now = now_of(POINT_SUBMERGENCE);
        struct well_now depth = now_of(POINT_FLUID_LEVEL_DEPTH);
        input_of(&now, POINT_INTAKE_PRESSURE)->value = kpa;
        input_of(&depth, POINT_INTAKE_PRESSURE)->value = kpa;
        const double height = derived(&now).value;
        assert_true(height > last);
        check_close("together", height + derived(&depth).value, 1850, 1e-6);
        last = height;
    }
    struct well_now now = now_of(POINT_SUBMERGENCE);
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 1000; /* less than gas alone would make */
    check_close("dry", derived(&now).value, 0, 0);
    check_count("dry", derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 30000;
    check_close("full", derived(&now).value, 1850, 0);
    check_count("full", derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
}

static void margins_and_inflow_keep_their_limits(void **state)
{
    (void)state;
    struct well_now now = now_of(POINT_MOTOR_TEMPERATURE_MARGIN);
    now.points[0] = now.input[0].point = POINT_MOTOR_OIL_TEMPERATURE;
    check_count("oil", derived(&now).quality, QUALITY_INPUT_UNSURE); /* windings are hotter */
    check_count("named", derived(&now).worst_input, POINT_MOTOR_OIL_TEMPERATURE);
    now = now_of(POINT_ELECTRICAL_POWER);
    input_of(&now, POINT_MOTOR_CURRENT)->side = SIDE_UNKNOWN;
    check_count("which side", derived(&now).quality, QUALITY_INPUT_UNSURE);
    input_of(&now, POINT_MOTOR_CURRENT)->side = SIDE_OF_DRIVE;
    now.data.transformer_ratio = NAN;
    check_count("the other side", derived(&now).quality, QUALITY_NOT_CONFIGURED);
    check_count("named", derived(&now).worst_input, POINT_MOTOR_CURRENT);
    now = now_of(POINT_BOILING_MARGIN);
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 23000; /* above 22.064 MPa nothing boils */
    check_count("no boiling", derived(&now).quality, QUALITY_OUT_OF_DOMAIN);
    now = now_of(POINT_REFERENCE_INSULATION);
    input_of(&now, POINT_INSULATION_RESISTANCE)->value = 0;
    check_count("earthed", derived(&now).quality, QUALITY_OUT_OF_DOMAIN);
    now = now_of(POINT_DRAWDOWN);
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 21000; /* 22,416 at the datum */
    check_count("above static", derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
    now = now_of(POINT_PRODUCTIVITY_INDEX);
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 21000;
    check_count("no drawdown", derived(&now).quality, QUALITY_OUT_OF_DOMAIN);
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 6000; /* 7,416 at the datum */
    check_count("below the bubble point", derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
    now.data.bubble_point_kpa = NAN;
    check_count("which is not stated", derived(&now).quality, QUALITY_GOOD);
    double last = INFINITY; /* the curve falls, through the bubble point as well */
    for (double kpa = 500; kpa < 20500; kpa += 500) {
        now = now_of(POINT_INFLOW_RATE);
        input_of(&now, POINT_INTAKE_PRESSURE)->value = kpa;
        assert_true(derived(&now).value < last);
        last = derived(&now).value;
    }
}

/* ---- through whole scans ---- */

static void records_and_the_live_picture_hold_what_the_data_allow(void **state)
{
    (void)state;
    struct made *made = made_new();
    struct well_data data[2] = {DATA, DATA}; /* nothing is stated before the seventh scan */
    for (unsigned d = 0; d < WELL_DATA; d++)
        well_datum_forget(&data[0], (enum well_datum)d);
    data[1].from_utc_ms = MADE_UTC_MS + 60000;
    made->well.data = data;
    made->well.n_data = 2;
    made_polls(made, 0, 60000);
    for (unsigned i = 0; i < made->record.n; i++)
        assert_true(made->record.reading[i].point < POINT_DATUM_PRESSURE ||
                    made->record.reading[i].point == POINT_BOILING_MARGIN);
    made_polls(made, 60000, 400000);
    static const uint16_t MADE[] = {53, 56, 57, 58, 59, 62, 66, 67, 68, 69, 70, 72, 73, 74, 75, 83};
    unsigned n = 0;
    struct snapshot snapshot;
    made_look(made, 390200, &snapshot);
    for (unsigned i = 0; i < made->record.n; i++) {
        const struct reading *reading = &made->record.reading[i];
        if (reading->point < POINT_DATUM_PRESSURE)
            continue;
        assert_true(n < sizeof MADE / sizeof *MADE);
        check_count("point", reading->point, MADE[n++]);
        const struct live_reading *live = made_live(&snapshot, reading->point);
        check_count("quality", live->quality, reading->quality);
        check_count("named", live->worst_input, reading->worst_input);
        check_close("value", live->value, reading->value, 0);
    }
    check_count("points", n, (long long)(sizeof MADE / sizeof *MADE));
    check_count("no map tells whether the pump runs", made_quality(made, POINT_HYDRAULIC_POWER),
                QUALITY_INPUT_UNSURE);
    check_count("datum", made_quality(made, POINT_DATUM_PRESSURE), QUALITY_GOOD);
    struct scan lost = made_failed(made, 400000); /* well data alone are no reading */
    made_measure(made, &lost);
    check_count("density", made_quality(made, POINT_LIQUID_DENSITY), QUALITY_INPUT_BAD);
    made_look(made, 390200 + 600000, &snapshot);
    const struct live_reading *density = made_live(&snapshot, POINT_LIQUID_DENSITY),
                              *intake = made_live(&snapshot, POINT_INTAKE_PRESSURE);
    check_count("as old as what it rides with", density->fresh_boot_ms, intake->fresh_boot_ms);
    check_count("stale with it", density->stale_limit_ms, intake->stale_limit_ms);
    made_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_rate_of_long_ago_and_oil_without_its_factor_are_unsure),
        cmocka_unit_test(a_pump_that_stands_has_no_head_rate_or_energy),
        cmocka_unit_test(free_gas_begins_at_the_bubble_point),
        cmocka_unit_test(the_liquid_stands_between_intake_and_wellhead),
        cmocka_unit_test(margins_and_inflow_keep_their_limits),
        cmocka_unit_test(records_and_the_live_picture_hold_what_the_data_allow),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
