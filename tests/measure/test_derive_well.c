/* SPDX-License-Identifier: Apache-2.0
 *
 * test_derive_well.c - well parameters, points 53 to 75: each one's value against another hand's
 * computation, what each missing or bad input and each missing well datum makes of it, and what
 * must hold whatever the numbers.
 *
 * Planted defects that these must catch, each seen to: the casing-head pressure left out of the gas
 * column; the gauge's depth not counted; a pump rate without the oil's volume factor; an efficiency
 * of the stock-tank rate; an index while the pump stands; a rate that never grows old; a limit held
 * against the oil as if it were the winding; a row without its `needs`; quality_of without its
 * flags; inputs' bounds not judged (formula.compute in place of formula_evaluate).
 */
#include "derived_values.h"
#include "made.h"

#include "../../daemon/measure/derive_rows.h"

#define N_VALUES (sizeof DERIVED_VALUES / sizeof *DERIVED_VALUES)

static size_t row_of(unsigned point)
{
    for (size_t i = 0; i < derived_count(); i++) {
        if (derived_point(i) == point)
            return i;
    }
    fail_msg("point %u is not derived", point);
    return 0;
}

/* ---- the well of tests/formulas/derived.py ---- */

static const struct well_data DATA = {.intake_depth_m = 1850,
                                      .oil_gravity_api = 32,
                                      .water_cut_ratio = 0.6,
                                      .water_density_kg_m3 = 1050,
                                      .liquid_density_kg_m3 = NAN,
                                      .local_atmosphere_kpa = 101.3,
                                      .gauge_depth_m = 1862,
                                      .datum_depth_m = 2010,
                                      .port_spacing_m = 12,
                                      .stages = 220,
                                      .reference_frequency_hz = 50,
                                      .liquid_rate_m3_d = 240,
                                      .oil_volume_factor = 1.12,
                                      .gas_gravity = 0.75,
                                      .gas_oil_ratio_m3_m3 = 60,
                                      .annulus_density_kg_m3 = 850,
                                      .annulus_temperature_degc = 57,
                                      .static_pressure_kpa = 22000,
                                      .bubble_point_kpa = 8000,
                                      .index_m3_d_bar = 1.5,
                                      .winding_limit_degc = 150,
                                      .insulation_reference_degc = 40};

static double read_of(unsigned point)
{
    static const double READ[POINT_COUNT] = {[POINT_INTAKE_PRESSURE] = 9000,
                                             [POINT_DISCHARGE_PRESSURE] = 19000,
                                             [POINT_CASING_HEAD_PRESSURE] = 1200,
                                             [POINT_INTAKE_TEMPERATURE] = 80,
                                             [POINT_MOTOR_WINDING_TEMPERATURE] = 110,
                                             [POINT_MOTOR_OIL_TEMPERATURE] = 110,
                                             [POINT_DRIVE_FREQUENCY] = 47.5,
                                             [POINT_MOTOR_VOLTAGE] = 1900,
                                             [POINT_MOTOR_CURRENT] = 55,
                                             [POINT_POWER_FACTOR] = 0.84,
                                             [POINT_MOTOR_POWER] = 140,
                                             [POINT_INSULATION_RESISTANCE] = 5000,
                                             [POINT_DRIVE_RUN_STATE] = 2};
    return READ[point];
}

/** One row's inputs as the well has them, and the well's data. */
struct well_now {
    struct well_data data;
    struct input input[INPUTS_MAX];
    uint16_t points[INPUTS_MAX];
    size_t row, n;
};

static struct well_now now_of(unsigned point)
{
    struct well_now now = {.data = DATA, .row = row_of(point)};
    struct plan plan = {0};
    struct well_plan well = {0};
    now.n = derived_inputs(now.row, &plan, &well, 0, now.points);
    for (size_t i = 0; i < now.n; i++)
        now.input[i] = (struct input){.is_mapped = true,
                                      .point = now.points[i],
                                      .quality = QUALITY_GOOD,
                                      .value = read_of(now.points[i]),
                                      .fresh = 1000,
                                      .reference = REFERENCE_ABSOLUTE,
                                      .side = SIDE_OF_MOTOR};
    return now;
}

static struct reading derived_at(const struct well_now *now, int64_t utc_ms)
{
    struct well_data data = now->data;
    struct well_plan well = {.n_data = 1, .data = &data};
    const struct well_setting setting = well_setting_at(&well, utc_ms);
    int64_t fresh;
    return derive(now->row, now->input, &setting, &fresh);
}

static struct reading derived(const struct well_now *now)
{
    return derived_at(now, now->data.from_utc_ms);
}

/** The input of a row by its point; another's number fails the test. */
static struct input *input_of(struct well_now *now, unsigned point)
{
    for (size_t i = 0; i < now->n; i++)
        if (now->points[i] == point)
            return &now->input[i];
    fail_msg("no input %u", point);
    return NULL;
}

static const char *id_of(unsigned point)
{
    return point_get(point)->id;
}

static bool is_good(uint8_t quality)
{
    return quality_class_of(quality) == QUALITY_CLASS_GOOD;
}

/* ---- values ---- */

static void each_parameter_is_what_another_hand_makes_of_it(void **state)
{
    (void)state;
    check_count("parameters", (long long)N_VALUES, POINT_COUNT - POINT_DATUM_PRESSURE);
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
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINT_COUNT; point++) {
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
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINT_COUNT; point++) {
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
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINT_COUNT; point++) {
        const size_t n = now_of(point).n;
        for (size_t bad = 0; bad < n && !rides(point); bad++) {
            struct well_now now = now_of(point);
            if (is_optional(&now, bad))
                continue;
            now.input[bad].value = -1e6;
            struct reading reading = derived(&now);
            check_count(id_of(point), quality_class_of(reading.quality), QUALITY_CLASS_BAD);
            assert_true(isnan(reading.value));
            const bool by_power = now.points[bad] == POINT_MOTOR_POWER; /* by its own formula */
            check_count(id_of(point), reading.worst_input, by_power ? 0 : now.points[bad]);
            now.input[bad].value = 1e12; /* too much: at least never a number out of bounds */
            reading = derived(&now);
            assert_true(!is_good(reading.quality) || isfinite(reading.value));
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
    const struct derived_row *row = &DERIVED_WELL[point - POINT_DATUM_PRESSURE];
    check_count("row", row->point, point);
    return (row->needs & NEEDS(datum)) != 0;
}

/** Every datum, taken away: the rows that need it are off and name it; the others do not change, or
 * become Uncertain. */
static void a_missing_datum_switches_off_just_what_needs_it(void **state)
{
    (void)state;
    static const enum well_datum OPTIONAL[] = {DATUM_OIL_VOLUME_FACTOR, DATUM_GAUGE_DEPTH,
                                               DATUM_WATER_CUT, DATUM_BUBBLE_POINT,
                                               DATUM_OIL_GRAVITY};
    unsigned off = 0;
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINT_COUNT; point++) {
        const struct derived_row *row = &DERIVED_WELL[point - POINT_DATUM_PRESSURE];
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
    for (unsigned point = POINT_DATUM_PRESSURE; point < POINT_COUNT; point++) {
        struct well_now now = now_of(point);
        now.data.water_density_kg_m3 = NAN;
        const struct derived_row *row = &DERIVED_WELL[point - POINT_DATUM_PRESSURE];
        const uint8_t quality = derived(&now).quality;
        if ((row->needs & NEEDS_DENSITY) != 0 && point != POINT_INFLOW_SHARE)
            check_count(id_of(point), quality, QUALITY_INPUT_UNSURE);
        assert_int_equal((row->needs & NEEDS_DENSITY) != 0, row->needs_density);
    }
}

static void a_rate_of_long_ago_and_oil_without_its_factor_are_unsure(void **state)
{
    (void)state;
    static const unsigned OF_RATE[] = {POINT_REFERENCE_RATE, POINT_HYDRAULIC_POWER,
                                       POINT_PUMP_MOTOR_EFFICIENCY, POINT_SPECIFIC_ENERGY,
                                       POINT_PRODUCTIVITY_INDEX};
    for (size_t i = 0; i < sizeof OF_RATE / sizeof *OF_RATE; i++) {
        struct well_now now = now_of(OF_RATE[i]);
        now.data.from_utc_ms = MADE_UTC_MS;
        const int64_t month = INT64_C(31) * 86400000;
        check_count("a month", derived_at(&now, MADE_UTC_MS + month).quality, QUALITY_GOOD);
        check_count("more", derived_at(&now, MADE_UTC_MS + month + 1).quality,
                    QUALITY_INPUT_UNSURE);
        const bool is_through_pump = i < 3;
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
    static const unsigned RUNNING[] = {POINT_PUMP_TOTAL_HEAD, POINT_HEAD_PER_STAGE,
                                       POINT_REFERENCE_HEAD,  POINT_REFERENCE_RATE,
                                       POINT_HYDRAULIC_POWER, POINT_PUMP_MOTOR_EFFICIENCY,
                                       POINT_SPECIFIC_ENERGY, POINT_PRODUCTIVITY_INDEX};
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
    static const uint16_t MADE[] = {53, 56, 57, 58, 59, 62, 66, 67, 68, 69, 70, 72, 73, 74, 75};
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
        cmocka_unit_test(each_parameter_is_what_another_hand_makes_of_it),
        cmocka_unit_test(turpin_holds_at_low_pressure_and_inflow_without_water),
        cmocka_unit_test(no_input_that_is_not_good_leaves_a_good_parameter),
        cmocka_unit_test(a_number_that_is_none_is_never_good),
        cmocka_unit_test(absurd_numbers_are_out_of_the_domain_and_named),
        cmocka_unit_test(pressures_without_a_known_reference_are_not_taken_for_absolute),
        cmocka_unit_test(a_missing_datum_switches_off_just_what_needs_it),
        cmocka_unit_test(a_density_that_is_assumed_is_said),
        cmocka_unit_test(a_rate_of_long_ago_and_oil_without_its_factor_are_unsure),
        cmocka_unit_test(a_pump_that_stands_has_no_head_rate_or_energy),
        cmocka_unit_test(free_gas_begins_at_the_bubble_point),
        cmocka_unit_test(the_liquid_stands_between_intake_and_wellhead),
        cmocka_unit_test(margins_and_inflow_keep_their_limits),
        cmocka_unit_test(records_and_the_live_picture_hold_what_the_data_allow),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
