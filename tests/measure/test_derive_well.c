/* SPDX-License-Identifier: Apache-2.0
 *
 * test_derive_well.c - well parameters, points 53 to 83: each one's value against another hand's
 * computation, and what each missing or bad input and each missing well datum makes of it.
 *
 * Planted defects that these and test_derive_limits.c must catch, each seen to: tests/planted/
 * measure-well-*.patch; and by hand: the mean Z of the gas column without the casing-head pressure,
 * an efficiency of the stock-tank rate, Vogel's curve for water, free gas below nothing.
 */
#include "well_now.h"

#define POINTS_END (POINT_FETKOVICH_RATE + 1)

/* ---- values ---- */

static void each_parameter_is_what_another_hand_makes_of_it(void **state)
{
    (void)state;
    check_count("parameters", (long long)N_VALUES, POINTS_END - POINT_DATUM_PRESSURE);
    for (size_t i = 0; i < N_VALUES; i++) {
        const unsigned point = DERIVED_VALUES[i].point;
        check_count("in order", point, POINT_DATUM_PRESSURE + (long long)i);
        struct well_now now = now_of(point);
        struct reading reading = derived(&now);
        /* Turpin's data end at 414.7 psia; Vogel's curve, on which the most that the well could
           give lies, knows no water. */
        const uint8_t says = point == POINT_TURPIN_NUMBER || point == POINT_INFLOW_SHARE
                                 ? QUALITY_OUTSIDE_VALIDITY
                                 : QUALITY_GOOD;
        check_count(id_of(point), reading.quality, says);
        check_close_relative(id_of(point), reading.value, DERIVED_VALUES[i].value, 1e-9);
    }
}

static void turpin_holds_at_low_pressure_and_inflow_without_water(void **state)
{
    (void)state;
    struct well_now now = now_of(POINT_TURPIN_NUMBER);
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 2500; /* 362.6 psia */
    check_count("turpin", derived(&now).quality, QUALITY_GOOD);
    now = now_of(POINT_INFLOW_SHARE);
    now.data.water_cut_ratio = 0;
    check_count("share", derived(&now).quality, QUALITY_GOOD);
    /* no drawdown, no rate */
    now.data.datum_depth_m = now.data.gauge_depth_m;
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 22000;
    check_close("share at the static pressure", derived(&now).value, 0, 1e-9);
    input_of(&now, POINT_INTAKE_PRESSURE)->value = 22001;
    check_count("above it", derived(&now).quality, QUALITY_OUT_OF_DOMAIN);
}

/* ---- inputs ---- */

/** A row that well data alone make: its input says only whether the well is read at all. */
static bool rides(unsigned point)
{
    return point == POINT_LIQUID_DENSITY || point == POINT_LIQUID_GRADIENT;
}

static bool is_optional(const struct well_now *now, size_t input)
{
    return input + 1 == now->n && now->points[input] == POINT_DRIVE_RUN_STATE;
}

static void no_input_that_is_not_good_leaves_a_good_parameter(void **state)
{
    (void)state; /* every row, input and quality: missing, not fitted, stale, starting, ... */
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINTS_END; point++) {
        const size_t n = now_of(point).n;
        for (size_t bad = 0; bad < n; bad++) {
            for (size_t q = 0; q < quality_count(); q++) {
                const uint8_t quality = quality_row_at(q)->code;
                const bool has_value = quality_class_of(quality) != QUALITY_CLASS_BAD;
                struct well_now now = now_of(point);
                now.input[bad].quality = quality;
                if (!has_value)
                    now.input[bad].value = NAN;
                struct reading reading = derived(&now);
                const bool carries_on = rides(point) && has_value && quality != QUALITY_STALE &&
                                        quality != QUALITY_CLOCK_UNSURE &&
                                        quality != QUALITY_NOT_JOURNALED;
                if (is_good(quality) || carries_on)
                    continue;
                assert_false(is_good(reading.quality));
                const bool is_bad = !has_value && !is_optional(&now, bad);
                if (is_bad)
                    check_count(id_of(point), reading.quality, QUALITY_INPUT_BAD);
                assert_int_equal(isnan(reading.value) != 0, is_bad);
                if (reading.quality == QUALITY_INPUT_BAD || reading.quality == QUALITY_INPUT_UNSURE)
                    check_count(id_of(point), reading.worst_input, now.points[bad]);
            }
        }
    }
}

static void a_number_that_is_none_is_never_good(void **state)
{
    (void)state; /* a Good reading without a number would be a defect elsewhere: not passed on */
    static const double NONE[] = {NAN, INFINITY, -INFINITY};
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINTS_END; point++) {
        const size_t n = now_of(point).n;
        for (size_t bad = 0; bad < n && !rides(point); bad++) {
            for (size_t k = 0; k < 3; k++) {
                struct well_now now = now_of(point);
                now.input[bad].value = NONE[k];
                struct reading reading = derived(&now);
                assert_false(is_good(reading.quality));
                check_count(id_of(point), reading.worst_input, now.points[bad]);
                if (!is_optional(&now, bad))
                    check_count(id_of(point), reading.quality, QUALITY_INPUT_BAD);
            }
        }
    }
}

/** What no sensor can mean: below absolute zero, below vacuum, currents of less than nothing. */
static void absurd_numbers_are_out_of_the_domain_and_named(void **state)
{
    (void)state;
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINTS_END; point++) {
        const size_t n = now_of(point).n;
        for (size_t bad = 0; bad < n && !rides(point); bad++) {
            struct well_now now = now_of(point);
            if (is_optional(&now, bad))
                continue;
            now.input[bad].value = -1e6;
            struct reading reading = derived(&now);
            check_count(id_of(point), quality_class_of(reading.quality), QUALITY_CLASS_BAD);
            assert_true(isnan(reading.value));
            check_count(id_of(point), reading.worst_input, now.points[bad]);
            now.input[bad].value = 1e12; /* more than anything holds */
            reading = derived(&now);
            check_count(id_of(point), quality_class_of(reading.quality), QUALITY_CLASS_BAD);
            check_count(id_of(point), reading.worst_input, now.points[bad]);
        }
    }
    struct well_now now = now_of(POINT_ELECTRICAL_POWER);
    input_of(&now, POINT_POWER_FACTOR)->value = 84; /* per cent taken for a ratio */
    check_count("pf 84", derived(&now).quality, QUALITY_OUT_OF_DOMAIN);
}

static void pressures_without_a_known_reference_are_not_taken_for_absolute(void **state)
{
    (void)state;
    static const unsigned ABSOLUTE[] = {
        POINT_SUBMERGENCE,       POINT_FLUID_LEVEL_DEPTH,          POINT_TURPIN_NUMBER,
        POINT_FREE_GAS_FRACTION, POINT_GAS_COMPRESSIBILITY_FACTOR, POINT_BOILING_MARGIN,
        POINT_DRAWDOWN,          POINT_PRODUCTIVITY_INDEX,         POINT_INFLOW_RATE,
        POINT_INFLOW_SHARE};
    for (size_t i = 0; i < sizeof ABSOLUTE / sizeof *ABSOLUTE; i++) {
        struct well_now now = now_of(ABSOLUTE[i]);
        const double absolute = derived(&now).value;
        struct input *intake = input_of(&now, POINT_INTAKE_PRESSURE);
        intake->reference = REFERENCE_UNKNOWN;
        check_count("unknown", derived(&now).quality, QUALITY_NOT_CONFIGURED);
        check_count("named", derived(&now).worst_input, POINT_INTAKE_PRESSURE);
        intake->reference = REFERENCE_GAUGE;
        intake->value -= 101.3;
        check_close_relative("gauge and air", derived(&now).value, absolute, 1e-9);
        now.data.local_atmosphere_kpa = NAN;
        check_count("gauge alone", derived(&now).quality, QUALITY_NOT_CONFIGURED);
    }
    static const unsigned DIFFERENCE[] = {POINT_PUMP_TOTAL_HEAD, POINT_HEAD_PER_STAGE,
                                          POINT_REFERENCE_HEAD, POINT_HYDRAULIC_POWER,
                                          POINT_PUMP_MOTOR_EFFICIENCY};
    for (size_t i = 0; i < sizeof DIFFERENCE / sizeof *DIFFERENCE; i++) {
        struct well_now now = now_of(DIFFERENCE[i]);
        input_of(&now, POINT_INTAKE_PRESSURE)->reference = REFERENCE_GAUGE;
        check_count("mixed", derived(&now).quality, QUALITY_NOT_CONFIGURED);
        input_of(&now, POINT_DISCHARGE_PRESSURE)->reference = REFERENCE_GAUGE;
        check_count("both gauge", derived(&now).quality, QUALITY_GOOD);
    }
    struct well_now now = now_of(POINT_DATUM_PRESSURE); /* stays what its input is */
    input_of(&now, POINT_INTAKE_PRESSURE)->reference = REFERENCE_GAUGE;
    check_close_relative("as read", derived(&now).value, DERIVED_VALUES[0].value, 1e-9);
}

/* ---- well data ---- */

static bool needs(unsigned point, enum well_datum datum)
{
    const struct derived_row *row = derived_row(row_of(point));
    check_count("row", row->point, point);
    return (row->needs & NEEDS(datum)) != 0;
}

/** Every datum, taken away: the rows that need it are off and name it; the others do not change, or
 * become Uncertain. */
static void a_missing_datum_switches_off_just_what_needs_it(void **state)
{
    (void)state;
    static const enum well_datum OPTIONAL[] = {
        DATUM_OIL_VOLUME_FACTOR, DATUM_GAUGE_DEPTH, DATUM_WATER_CUT,
        DATUM_BUBBLE_POINT,      DATUM_OIL_GRAVITY, DATUM_TRANSFORMER_EFFICIENCY};
    unsigned off = 0;
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINTS_END; point++) {
        const struct derived_row *row = derived_row(row_of(point));
        for (unsigned d = 0; d < WELL_DATA; d++) {
            struct well_now now = now_of(point);
            struct well_plan well = {.n_data = 1, .data = &now.data};
            const struct reading before = derived(&now);
            check_count("complete", well_datum_missing(&well, 0, row->needs), WELL_DATA);
            well_datum_forget(&now.data, (enum well_datum)d);
            const enum well_datum missing = well_datum_missing(&well, 0, row->needs);
            const bool of_density = (row->needs & NEEDS_DENSITY) != 0 &&
                                    (d == DATUM_OIL_GRAVITY || d == DATUM_WATER_CUT);
            check_count(id_of(point), missing,
                        needs(point, (enum well_datum)d) || of_density ? d : WELL_DATA);
            const struct reading after = derived(&now);
            if (missing != WELL_DATA) {
                off++; /* and even if it were worked out; the gauge's depth can stand alone */
                assert_true(point == POINT_FLUID_LEVEL_DEPTH || !is_good(after.quality));
                continue;
            }
            bool may_change = false;
            for (size_t i = 0; i < sizeof OPTIONAL / sizeof *OPTIONAL; i++)
                may_change = may_change || OPTIONAL[i] == d;
            if (!may_change)
                check_close(id_of(point), after.value, before.value, 0);
        }
        struct well_plan none = {0};
        if (row->needs != 0)
            assert_true(well_datum_missing(&none, 0, row->needs) != WELL_DATA);
    }
    assert_true(off > 50);
}

static void a_density_that_is_assumed_is_said(void **state)
{
    (void)state;
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINTS_END; point++) {
        struct well_now now = now_of(point);
        now.data.water_density_kg_m3 = NAN;
        const struct derived_row *row = derived_row(row_of(point));
        const uint8_t quality = derived(&now).quality;
        if ((row->needs & NEEDS_DENSITY) != 0 && point != POINT_INFLOW_SHARE)
            check_count(id_of(point), quality, QUALITY_INPUT_UNSURE);
        assert_int_equal((row->needs & NEEDS_DENSITY) != 0, row->needs_density);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_parameter_is_what_another_hand_makes_of_it),
        cmocka_unit_test(turpin_holds_at_low_pressure_and_inflow_without_water),
        cmocka_unit_test(no_input_that_is_not_good_leaves_a_good_parameter),
        cmocka_unit_test(a_number_that_is_none_is_never_good),
        cmocka_unit_test(absurd_numbers_are_out_of_the_domain_and_named),
        cmocka_unit_test(pressures_without_a_known_reference_are_not_taken_for_absolute),
        cmocka_unit_test(a_missing_datum_switches_off_just_what_needs_it),
        cmocka_unit_test(a_density_that_is_assumed_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
