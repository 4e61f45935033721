/* SPDX-License-Identifier: Apache-2.0
 *
 * test_derive_chain.c - power on its way from the drive to the liquid, the pump against its curve,
 * Fetkovich's inflow, and depths below what was surveyed. Values themselves stand in
 * test_derive_well.c.
 *
 * Planted defects that it must catch, each seen to: a current of the drive's side taken for the
 * motor's; a power behind the transformer taken for the drive's own; a curve that goes on beyond
 * its table unflagged; a curve of the whole pump times its stages; a depth below the survey that is
 * Good.
 */
#include "well_now.h"

static struct reading with_side(unsigned point, unsigned input, uint8_t side, double efficiency,
                                double ratio)
{
    struct well_now now = now_of(point);
    input_of(&now, input)->side = side;
    now.data.transformer_efficiency = efficiency;
    now.data.transformer_ratio = ratio;
    return derived(&now);
}

static void a_current_or_power_is_brought_to_the_side_that_is_meant(void **state)
{
    (void)state;
    const unsigned p = POINT_MOTOR_POWER, i = POINT_MOTOR_CURRENT;
    struct reading got = with_side(POINT_ELECTRICAL_INPUT, p, SIDE_OF_DRIVE, NAN, NAN);
    check_close("the drive's own", got.value, 60, 0);
    check_count("the drive's own", got.quality, QUALITY_GOOD);
    got = with_side(POINT_ELECTRICAL_INPUT, p, SIDE_OF_MOTOR, 0.96, NAN);
    check_close("behind the transformer", got.value, 62.5, 1e-12);
    check_count("behind the transformer", got.quality, QUALITY_GOOD);
    got = with_side(POINT_ELECTRICAL_INPUT, p, SIDE_OF_MOTOR, NAN, 4.6);
    check_count("nothing stands in for it", got.quality, QUALITY_NOT_CONFIGURED);
    check_count("named", got.worst_input, p);
    got = with_side(POINT_ELECTRICAL_INPUT, p, SIDE_UNKNOWN, 0.96, NAN);
    check_close("of an unknown side", got.value, 60, 0);
    check_count("of an unknown side", got.quality, QUALITY_INPUT_UNSURE);
    check_count("named", got.worst_input, p);

    const double loss = with_side(POINT_CABLE_LOSS, i, SIDE_OF_MOTOR, NAN, NAN).value;
    got = with_side(POINT_CABLE_LOSS, i, SIDE_OF_DRIVE, NAN, 4.6);
    check_close_relative("less current, higher voltage", got.value, loss / (4.6 * 4.6), 1e-12);
    check_count("good", got.quality, QUALITY_GOOD);
    got = with_side(POINT_CABLE_LOSS, i, SIDE_OF_DRIVE, 0.98, NAN);
    check_count("without the ratio", got.quality, QUALITY_NOT_CONFIGURED);
    check_count("named", got.worst_input, i);
    got = with_side(POINT_CABLE_LOSS, i, SIDE_UNKNOWN, NAN, NAN);
    check_count("unknown", got.quality, QUALITY_INPUT_UNSURE);

    const double behind = with_side(POINT_MOTOR_EFFICIENCY, p, SIDE_OF_MOTOR, 0.98, NAN).value;
    got = with_side(POINT_MOTOR_EFFICIENCY, p, SIDE_OF_DRIVE, 0.98, NAN);
    check_close_relative("less comes through", got.value, behind * (60 - loss) / (60 * 0.98 - loss),
                         1e-12);
    got = with_side(POINT_MOTOR_EFFICIENCY, p, SIDE_OF_DRIVE, NAN, NAN);
    check_count("without the transformer", got.quality, QUALITY_NOT_CONFIGURED);
    got = with_side(POINT_SPECIFIC_ENERGY, p, SIDE_OF_MOTOR, NAN, NAN);
    check_close("as read", got.value, 6, 1e-12);
    check_count("as read", got.quality, QUALITY_GOOD);
}

static void a_voltage_of_the_drive_is_stepped_up(void **state)
{
    (void)state;
    struct well_now now = now_of(POINT_ELECTRICAL_POWER);
    const double want = derived(&now).value;
    now.points[0] = now.input[0].point = POINT_DRIVE_OUTPUT_VOLTAGE;
    now.input[0].value = 1900 / 4.6;
    check_close_relative("the same power", derived(&now).value, want, 1e-12);
    now.data.transformer_ratio = NAN;
    check_count("without the ratio", derived(&now).quality, QUALITY_NOT_CONFIGURED);
    check_count("named", derived(&now).worst_input, POINT_DRIVE_OUTPUT_VOLTAGE);
}

/* Whatever the numbers: the share of each step multiplies to the whole. */
static void efficiencies_come_apart_and_together_again(void **state)
{
    (void)state;
    struct well_now motor = now_of(POINT_MOTOR_EFFICIENCY), pump = now_of(POINT_PUMP_EFFICIENCY),
                    system = now_of(POINT_SYSTEM_EFFICIENCY), loss = now_of(POINT_CABLE_LOSS);
    const double at_motor = (60 - derived(&loss).value) / (60 / 0.98);
    check_close_relative("product", derived(&system).value / 100,
                         at_motor * derived(&motor).value / 100 * derived(&pump).value / 100,
                         1e-12);
}

/* ---- the curve ---- */

static void beyond_its_table_a_curve_is_never_good(void **state)
{
    (void)state;
    static const unsigned OF_CURVE[] = {POINT_MOTOR_EFFICIENCY, POINT_PUMP_EFFICIENCY,
                                        POINT_CURVE_HEAD, POINT_HEAD_AGAINST_CURVE};
    for (size_t i = 0; i < sizeof OF_CURVE / sizeof *OF_CURVE; i++) {
        struct well_now now = now_of(OF_CURVE[i]);
        if (now.points[0] == POINT_DISCHARGE_PRESSURE)
            now.input[0].value = 14000; /* what the pump gives at its greatest rate */
        now.data.oil_volume_factor = 1;
        now.data.liquid_rate_m3_d = 480 * 47.5 / 60; /* its last row, but for the last bit */
        now.data.curve[6].rate_m3_d += 1e-9;
        check_count(id_of(OF_CURVE[i]), derived(&now).quality, QUALITY_GOOD);
        now.data.liquid_rate_m3_d *= 1.01;
        check_count(id_of(OF_CURVE[i]), derived(&now).quality, QUALITY_EXTRAPOLATED);
        now = now_of(OF_CURVE[i]);
        for (unsigned row = 0; row < 2; row++)
            now.data.curve[row] = now.data.curve[row + 5]; /* a table that begins at 400 m3/d */
        now.data.n_curve = 2;
        check_count(id_of(OF_CURVE[i]), derived(&now).quality, QUALITY_EXTRAPOLATED);
        now = now_of(OF_CURVE[i]);
        input_of(&now, POINT_DRIVE_FREQUENCY)->value = 35; /* 0.583 of 60 Hz */
        check_count(id_of(OF_CURVE[i]), derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
        now.data.liquid_rate_m3_d = 3000; /* the line would have gone below no head */
        check_count(id_of(OF_CURVE[i]), quality_class_of(derived(&now).quality),
                    OF_CURVE[i] == POINT_MOTOR_EFFICIENCY || OF_CURVE[i] == POINT_PUMP_EFFICIENCY
                        ? QUALITY_CLASS_UNCERTAIN
                        : QUALITY_CLASS_BAD);
        now = now_of(OF_CURVE[i]);
        now.data.n_curve = 0;
        assert_false(is_good(derived(&now).quality));
    }
}

/** The well's curve in another form: of the whole pump, by efficiency. */
static struct well_data in_form(bool whole, bool by_efficiency)
{
    struct well_data data = DATA;
    const double stages = whole ? 220 : 1;
    for (unsigned i = 0; i < data.n_curve; i++) {
        struct pump_curve_row *row = &data.curve[i];
        const double hydraulic_kw =
            999.016 * 9.80665 * row->stage_head_m * row->rate_m3_d / 86400 / 1000;
        const struct pump_curve_row made = {
            .rate_m3_d = row->rate_m3_d,
            .stage_head_m = whole ? NAN : row->stage_head_m,
            .head_m = whole ? row->stage_head_m * stages : NAN,
            .stage_power_kw = by_efficiency || whole ? NAN : row->stage_power_kw,
            .power_kw = by_efficiency || !whole ? NAN : row->stage_power_kw * stages,
            .efficiency_ratio = by_efficiency ? hydraulic_kw / row->stage_power_kw : NAN};
        *row = made;
    }
    if (whole)
        data.stages = NAN;
    return data;
}

static void a_curve_says_the_same_in_each_of_its_forms(void **state)
{
    (void)state;
    static const unsigned OF_CURVE[] = {POINT_CURVE_HEAD, POINT_HEAD_AGAINST_CURVE,
                                        POINT_PUMP_EFFICIENCY, POINT_MOTOR_EFFICIENCY};
    for (size_t i = 0; i < sizeof OF_CURVE / sizeof *OF_CURVE; i++) {
        struct well_now now = now_of(OF_CURVE[i]);
        const double stage = derived(&now).value;
        now.data = in_form(true, false);
        struct well_plan well = {.n_data = 1, .data = &now.data};
        check_count("no stages are needed",
                    well_datum_missing(&well, 0, derived_row(now.row)->needs), WELL_DATA);
        check_close_relative("of the whole pump", derived(&now).value, stage, 1e-12);
        now.data.stages = 220; /* stated all the same: counted once */
        check_close_relative("of the whole pump", derived(&now).value, stage, 1e-12);
        /* on a row of the table, where head times rate isn't bent between rows */
        const double on_row = 320 * 47.5 / 60 / (0.6 + 0.4 * 1.12);
        now.data = DATA;
        now.data.liquid_rate_m3_d = on_row;
        const double by_power = derived(&now).value;
        for (unsigned whole = 0; whole < 2; whole++) {
            now.data = in_form(whole == 1, true);
            now.data.liquid_rate_m3_d = on_row;
            check_close_relative("by its efficiency", derived(&now).value, by_power, 1e-9);
            check_count("by its efficiency", derived(&now).quality, QUALITY_GOOD);
        }
        now.data = DATA;
        now.data.stages = NAN;
        check_count("stages", well_datum_missing(&well, 0, derived_row(now.row)->needs),
                    DATUM_STAGES);
        assert_false(is_good(derived(&now).quality));
    }
    struct well_now now = now_of(POINT_PUMP_EFFICIENCY);
    for (unsigned i = 0; i < now.data.n_curve; i++)
        now.data.curve[i].stage_power_kw = NAN;
    struct well_plan well = {.n_data = 1, .data = &now.data};
    check_count("neither power nor efficiency",
                well_datum_missing(&well, 0, derived_row(now.row)->needs), DATUM_CURVE_POWER);
    assert_false(is_good(derived(&now).quality));
}

static void a_shaft_beyond_the_motor_s_rating_is_said(void **state)
{
    (void)state;
    struct well_now now = now_of(POINT_MOTOR_EFFICIENCY); /* 47.86 kW at the shaft */
    now.data.rated_power_kw = 47.9 * 60 / 47.5;
    check_count("within", derived(&now).quality, QUALITY_GOOD);
    now.data.rated_power_kw = 47.8 * 60 / 47.5;
    check_count("beyond", derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
    now.data.rated_power_kw = NAN;
    check_count("not stated", derived(&now).quality, QUALITY_GOOD);
}

static void cables_are_known_by_resistance_or_size(void **state)
{
    (void)state;
    /* ohm per 1000 ft at 20 degC of solid copper: NBS Handbook 100 (from memory) and a public table
       of wire gauges; ohm/km of IEC 60228, class 2, as public tables give it */
    static const struct {
        uint8_t size;
        double ohm_kft, ohm_km;
    } SIZES[] = {{CABLE_AWG_1_0, 0.0983, 0}, {CABLE_AWG_1, 0.1239, 0}, {CABLE_AWG_2, 0.1563, 0},
                 {CABLE_AWG_3, 0.1971, 0},   {CABLE_AWG_4, 0.2485, 0}, {CABLE_AWG_6, 0.3952, 0},
                 {CABLE_AWG_8, 0.6281, 0},   {CABLE_MM2_6, 0, 3.08},   {CABLE_MM2_10, 0, 1.83},
                 {CABLE_MM2_16, 0, 1.15},    {CABLE_MM2_25, 0, 0.727}, {CABLE_MM2_35, 0, 0.524},
                 {CABLE_MM2_50, 0, 0.387},   {CABLE_MM2_70, 0, 0.268}};
    check_count("sizes", (long long)(sizeof SIZES / sizeof *SIZES), CABLE_SIZES - 1);
    for (size_t i = 0; i < sizeof SIZES / sizeof *SIZES; i++) {
        const double got = cable_size_ohm_km((enum cable_size)SIZES[i].size);
        if (SIZES[i].ohm_km > 0)
            check_close("of IEC 60228", got, SIZES[i].ohm_km, 0);
        else
            check_close_relative("of a gauge", got, SIZES[i].ohm_kft / 0.3048, 1e-3);
    }
    struct well_now now = now_of(POINT_CABLE_LOSS);
    const double of_size = derived(&now).value;
    now.data.cable_resistance_ohm_km = 2 * cable_size_ohm_km(CABLE_AWG_2); /* stated: it counts */
    check_close_relative("stated", derived(&now).value, 2 * of_size, 1e-12);
    now.data.cable_resistance_ohm_km = NAN;
    now.data.cable_size = CABLE_UNSTATED;
    assert_false(is_good(derived(&now).quality));
}

/* ---- Fetkovich ---- */

static void fetkovich_keeps_to_what_was_tested(void **state)
{
    (void)state;
    struct well_now now = now_of(POINT_FETKOVICH_RATE);
    struct well_plan well = {.n_data = 1, .data = &now.data};
    const uint64_t needs = derived_row(now.row)->needs;
    now.data.datum_depth_m = now.data.gauge_depth_m; /* pressures at the datum as read */
    struct input *intake = input_of(&now, POINT_INTAKE_PRESSURE);
    intake->value = 22000;
    check_close("no drawdown, no rate", derived(&now).value, 0, 0);
    check_count("no drawdown", derived(&now).quality, QUALITY_GOOD);
    intake->value = 22001;
    check_count("above the static pressure", derived(&now).quality, QUALITY_OUT_OF_DOMAIN);
    intake->value = 6999;
    check_count("below the lowest test", derived(&now).quality, QUALITY_EXTRAPOLATED);
    double last = INFINITY;
    for (intake->value = 7000; intake->value < 22000; intake->value += 500) {
        const double rate = derived(&now).value;
        assert_true(rate < last && rate > 0); /* less rate under more pressure */
        last = rate;
    }
    now.data.n_tests = 2; /* through both of two tests, whatever its unit of C */
    intake->value = 10500;
    check_close_relative("a test", derived(&now).value, 230, 1e-12);
    now.data.test[1].rate_m3_d = 100; /* less from more: no such curve */
    check_count("tests against each other", derived(&now).quality, QUALITY_OUT_OF_DOMAIN);
    now.data.test[1].rate_m3_d = 300; /* n above 1 */
    check_count("beyond what n can be", derived(&now).quality, QUALITY_OUTSIDE_VALIDITY);
    now.data.n_tests = 1;
    check_count("one test", well_datum_missing(&well, 0, needs), DATUM_TESTS);
    check_count("one test", derived(&now).quality, QUALITY_TOO_FEW);
    now.data.fetkovich_exponent = 0.8;
    check_count("and the exponent", well_datum_missing(&well, 0, needs), WELL_DATA);
    intake->value = 15000;
    check_close_relative("the test", derived(&now).value, 170, 1e-12);
    check_count("the test", derived(&now).quality, QUALITY_GOOD);
    now.data.test[0].pressure_kpa = 22000; /* no drawdown in a test says nothing */
    check_count("a test without drawdown", derived(&now).quality, QUALITY_OUT_OF_DOMAIN);
}

/* ---- depths below the survey ---- */

static void a_depth_below_the_survey_is_never_good(void **state)
{
    (void)state;
    static const enum well_datum DATUM[WELL_DEPTHS] = {DATUM_INTAKE_DEPTH, DATUM_GAUGE_DEPTH,
                                                       DATUM_DATUM_DEPTH};
    unsigned marked = 0;
    for (unsigned depth = 0; depth < WELL_DEPTHS; depth++) {
        for (unsigned point = POINT_DATUM_PRESSURE; point <= POINT_FETKOVICH_RATE; point++) {
            struct well_now now = now_of(point);
            const uint8_t before = derived(&now).quality;
            now.data.beyond_survey[depth] = true;
            const uint64_t needs = derived_row(now.row)->needs;
            const bool is_of_gauge =
                depth == DEPTH_GAUGE && (needs & NEEDS(DATUM_INTAKE_DEPTH)) != 0;
            const bool is_made_of_it = (needs & NEEDS(DATUM[depth])) != 0 || is_of_gauge;
            marked += is_made_of_it;
            check_count(id_of(point), derived(&now).quality,
                        is_made_of_it && before == QUALITY_GOOD ? QUALITY_EXTRAPOLATED : before);
        }
    }
    assert_true(marked > 10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_current_or_power_is_brought_to_the_side_that_is_meant),
        cmocka_unit_test(a_voltage_of_the_drive_is_stepped_up),
        cmocka_unit_test(efficiencies_come_apart_and_together_again),
        cmocka_unit_test(beyond_its_table_a_curve_is_never_good),
        cmocka_unit_test(a_curve_says_the_same_in_each_of_its_forms),
        cmocka_unit_test(a_shaft_beyond_the_motor_s_rating_is_said),
        cmocka_unit_test(cables_are_known_by_resistance_or_size),
        cmocka_unit_test(fetkovich_keeps_to_what_was_tested),
        cmocka_unit_test(a_depth_below_the_survey_is_never_good),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
