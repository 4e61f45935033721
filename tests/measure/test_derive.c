/* SPDX-License-Identifier: Apache-2.0
 *
 * test_derive.c - the formulas of derived points, their settings and their quality, one input at a
 * time.
 *
 * Planted defects that these must catch, each seen to: tests/planted/measure-gravity.patch,
 * measure-api-constant.patch, measure-head-of-a-stopped-pump.patch, measure-vibration-kinds.patch.
 */
#include "made.h"

#include "../../daemon/measure/fold_state.h"

static size_t row_of(unsigned point)
{
    for (size_t i = 0; i < derived_count(); i++) {
        if (derived_point(i) == point)
            return i;
    }
    fail_msg("point %u is not derived", point);
    return 0;
}

static struct input good(unsigned point, double value)
{
    return (struct input){.is_mapped = true,
                          .point = (uint16_t)point,
                          .quality = QUALITY_GOOD,
                          .value = value,
                          .fresh = 1000,
                          .reference = REFERENCE_ABSOLUTE,
                          .detector = DETECTOR_RMS};
}

static struct well_setting setting_of(double density)
{
    return (struct well_setting){
        .density_kg_m3 = density, .intake_depth_m = NAN, .local_atmosphere_kpa = NAN};
}

static struct reading of(unsigned point, const struct input *inputs, double density)
{
    struct well_setting setting = setting_of(density);
    int64_t fresh;
    return derive(row_of(point), inputs, &setting, &fresh);
}

static struct reading head(double discharge_kpa, double intake_kpa, double density,
                           double run_state)
{
    struct input inputs[] = {good(POINT_DISCHARGE_PRESSURE, discharge_kpa),
                             good(POINT_INTAKE_PRESSURE, intake_kpa),
                             good(POINT_DRIVE_RUN_STATE, run_state)};
    return of(POINT_PUMP_HEAD, inputs, density);
}

static struct reading level(double intake_kpa, double casing_kpa, double density)
{
    struct input inputs[] = {good(POINT_INTAKE_PRESSURE, intake_kpa),
                             good(POINT_CASING_HEAD_PRESSURE, casing_kpa)};
    return of(POINT_FLUID_LEVEL_ABOVE_INTAKE, inputs, density);
}

static struct reading unbalance_of(double a, double b, double c, double frequency_hz)
{
    struct input inputs[] = {good(POINT_MOTOR_CURRENT_A, a), good(POINT_MOTOR_CURRENT_B, b),
                             good(POINT_MOTOR_CURRENT_C, c),
                             good(POINT_DRIVE_FREQUENCY, frequency_hz)};
    return of(POINT_CURRENT_UNBALANCE, inputs, NAN);
}

static void expect(const char *what, struct reading reading, uint8_t quality, double value,
                   double relative)
{
    check_count(what, reading.quality, quality);
    check_close_relative(what, reading.value, value, relative);
}

/* ---- density ---- */

static void the_density_of_oil_follows_its_api_gravity(void **state)
{
    (void)state; /* API MPMS ch. 11: 141.5 / (131.5 + API); printed table values, from memory:
                    10 -> 1.0000, 30 -> 0.8762, 35 -> 0.8498, 40 -> 0.8251 */
    static const double ROWS[][2] = {{10, 1.0}, {30, 0.8762}, {35, 0.8498}, {40, 0.8251}};
    for (size_t i = 0; i < 4; i++)
        check_close("relative density", oil_density_kg_m3(ROWS[i][0]) / 999.016, ROWS[i][1],
                    0.00006);
    /* by hand: 141.5 / 163.5 x 999.016 */
    check_close("32 API", oil_density_kg_m3(32), 864.5918287462, 1e-9);
    for (double api = -10; api < 100; api++)
        assert_true(oil_density_kg_m3(api + 1) < oil_density_kg_m3(api));
}

static struct well_setting mixed(double api, double cut, double water, double liquid)
{
    struct well_data data = {.intake_depth_m = NAN,
                             .oil_gravity_api = api,
                             .water_cut_ratio = cut,
                             .water_density_kg_m3 = water,
                             .liquid_density_kg_m3 = liquid};
    struct well_plan well = {.n_data = 1, .data = &data};
    return well_setting_at(&well, 0);
}

static void a_mixture_lies_between_its_parts_and_nothing_is_guessed_silently(void **state)
{
    (void)state;
    /* SPE Petroleum Engineering Handbook vol. IV, electrical submersible pumps, design example 1,
     * from memory: 75 % water of 1.085, oil near 865 kg/m3: 1.03. By hand: 0.25 x 865 + 0.75 x
     * 1085 = 1030. */
    double api_865 = 141.5 / (865 / 999.016) - 131.5;
    struct well_setting setting = mixed(api_865, 0.75, 1085, NAN);
    check_close("mixture", setting.density_kg_m3, 1030, 1e-9);
    assert_false(setting.is_assumed);
    check_close("no water", mixed(32, 0, NAN, NAN).density_kg_m3, oil_density_kg_m3(32), 1e-9);
    assert_false(mixed(32, 0, NAN, NAN).is_assumed);
    check_close("only water", mixed(32, 1, 1100, NAN).density_kg_m3, 1100, 1e-9);
    check_close("stated as one number", mixed(32, 0.6, NAN, 920).density_kg_m3, 920, 0);
    assert_false(mixed(32, 0.6, NAN, 920).is_assumed);
    /* by hand: 0.4 x 864.5918287462 + 0.6 x 999.016 */
    setting = mixed(32, 0.6, NAN, NAN);
    check_close("fresh water stands in", setting.density_kg_m3, 945.2463314985, 1e-9);
    assert_true(setting.is_assumed);
    assert_true(isnan(mixed(NAN, 0.6, 1050, NAN).density_kg_m3));
    assert_true(isnan(mixed(32, NAN, 1050, NAN).density_kg_m3));
    struct well_plan none = {0};
    assert_true(isnan(well_setting_at(&none, 0).density_kg_m3));
}

/* ---- formulas ---- */

static void pump_head_is_the_pressure_as_a_column_of_the_liquid(void **state)
{
    (void)state;
    /* 13,300 kPa at 980 kg/m3, by hand: 13.3e6 / (980 x 9.80665) (ISO 9906, NIST SP 811) */
    expect("head", head(18500, 5200, 980, 2), 192, 1383.900574756, 1e-12);
    /* 2.31 ft a psi of water (SPE handbooks, from memory): 2,000 psi are about 4,620 ft. */
    struct reading reading = head(2000 * 6.894757293168361, 0, 999.016, 2);
    check_close_relative("2.31 ft/psi", reading.value / 0.3048, 4620, 0.001);
    expect("nothing", head(5200, 5200, 980, 2), 192, 0, 0);
    for (double kpa = 5200; kpa < 20000; kpa += 500)
        assert_true(head(kpa + 500, 5200, 980, 2).value > head(kpa, 5200, 980, 2).value);
    assert_true(head(18500, 5200, 900, 2).value > head(18500, 5200, 980, 2).value);
    assert_true(head(5000, 5200, 980, 2).value < 0);
    check_count("less out than in", head(5000, 5200, 980, 2).quality, QUALITY_OUTSIDE_VALIDITY);
}

static void fluid_level_stands_between_intake_and_wellhead(void **state)
{
    (void)state;
    /* 5,300 kPa at 850 kg/m3, by hand: 5.3e6 / (850 x 9.80665) */
    expect("level", level(6500, 1200, 850), 192, 635.8230504451, 1e-12);
    /* SPE handbook vol. IV, ESP design example 1, from memory: 1,000 psi at 1.03 are 2,243 ft */
    check_close_relative("handbook", level(6894.757293168361, 0, 1030).value / 0.3048, 2243, 0.002);
    expect("at the intake", level(1200, 1200, 850), 192, 0, 0);
    expect("below the intake", level(1000, 1200, 850), QUALITY_OUTSIDE_VALIDITY, 0, 0);
    struct well_setting setting = {.density_kg_m3 = 850, .intake_depth_m = 1900};
    struct input inputs[] = {good(POINT_INTAKE_PRESSURE, 20000),
                             good(POINT_CASING_HEAD_PRESSURE, 1200)};
    int64_t fresh;
    expect("full", derive(row_of(POINT_FLUID_LEVEL_ABOVE_INTAKE), inputs, &setting, &fresh),
           QUALITY_OUTSIDE_VALIDITY, 1900, 0);
}

static void temperature_rise_vibration_and_unbalance_follow_by_hand(void **state)
{
    (void)state;
    struct input motor[] = {good(POINT_MOTOR_WINDING_TEMPERATURE, 123.5),
                            good(POINT_INTAKE_TEMPERATURE, 88.25)};
    expect("rise", of(POINT_MOTOR_TEMPERATURE_RISE, motor, NAN), 192, 35.25, 0);
    struct input axes[] = {good(POINT_VIBRATION_X, 3), good(POINT_VIBRATION_Y, 4)};
    expect("3, 4, 5", of(POINT_VIBRATION_RESULTANT, axes, NAN), 192, 5, 0);
    axes[0].value = axes[1].value = 0;
    expect("still", of(POINT_VIBRATION_RESULTANT, axes, NAN), 192, 0, 0);
    /* (40 + 42 + 38) / 3 = 40; 2 / 40 = 5 % */
    expect("unbalance", unbalance_of(40, 42, 38, 50), 192, 5, 1e-12);
    expect("balanced", unbalance_of(40, 40, 40, 50), 192, 0, 0);
    /* one phase lost: mean 20, departure 20 */
    expect("one phase lost", unbalance_of(30, 30, 0, 50), 192, 100, 1e-12);
    check_count("no current in a running motor", unbalance_of(0, 0, 0, 50).quality,
                QUALITY_OUT_OF_DOMAIN);
    check_count("a negative current", unbalance_of(-1, 30, 30, 50).quality, QUALITY_OUT_OF_DOMAIN);
}

/* ---- quality ---- */

static void what_exists_only_while_the_pump_runs_says_so(void **state)
{
    (void)state;
    check_count("stopped", head(18500, 5200, 980, 1).quality, QUALITY_PUMP_STOPPED);
    check_count("tripped", head(18500, 5200, 980, 3).quality, QUALITY_PUMP_STOPPED);
    check_count("names", head(18500, 5200, 980, 1).worst_input, POINT_DRIVE_RUN_STATE);
    check_count("unknown", head(18500, 5200, 980, 0).quality, QUALITY_INPUT_UNSURE);
    check_count("names", head(18500, 5200, 980, 0).worst_input, POINT_DRIVE_RUN_STATE);
    check_count("0 Hz", unbalance_of(0.1, 0, 0, 0).quality, QUALITY_PUMP_STOPPED);
    struct input inputs[] = {good(POINT_DISCHARGE_PRESSURE, 18500),
                             good(POINT_INTAKE_PRESSURE, 5200), good(POINT_DRIVE_RUN_STATE, 2)};
    input_describe(&inputs[2], POINT_DRIVE_RUN_STATE, NULL);
    check_count("not mapped", of(POINT_PUMP_HEAD, inputs, 980).quality, QUALITY_INPUT_UNSURE);
}

static void a_missing_density_is_named_before_anything_else(void **state)
{
    (void)state;
    check_count("head", head(18500, 5200, NAN, 2).quality, QUALITY_NOT_CONFIGURED);
    check_count("stopped, too", head(18500, 5200, NAN, 1).quality, QUALITY_NOT_CONFIGURED);
    check_count("level", level(6500, 1200, NAN).quality, QUALITY_NOT_CONFIGURED);
    assert_true(isnan(level(6500, 1200, NAN).value));
    struct well_setting assumed = {.density_kg_m3 = 945, .is_assumed = true, .intake_depth_m = NAN};
    struct input inputs[] = {good(POINT_INTAKE_PRESSURE, 6500),
                             good(POINT_CASING_HEAD_PRESSURE, 1200)};
    int64_t fresh;
    struct reading reading =
        derive(row_of(POINT_FLUID_LEVEL_ABOVE_INTAKE), inputs, &assumed, &fresh);
    check_count("assumed", reading.quality, QUALITY_INPUT_UNSURE);
    assert_true(reading.value > 0);
}

/** Planted defects (measure-atmosphere-by-itself: a standard atmosphere where none is stated;
 * measure-atmosphere-everywhere: added though both count from the same). */
static void only_a_stated_atmosphere_brings_two_references_together(void **state)
{
    (void)state;
    struct well_setting setting = setting_of(920);
    struct input inputs[] = {good(POINT_INTAKE_PRESSURE, 12000),
                             good(POINT_CASING_HEAD_PRESSURE, 1000)};
    const size_t row = row_of(POINT_FLUID_LEVEL_ABOVE_INTAKE);
    int64_t fresh;
    inputs[1].reference = REFERENCE_GAUGE;
    struct reading reading = derive(row, inputs, &setting, &fresh);
    expect("none stated", reading, QUALITY_NOT_CONFIGURED, NAN, 0);
    check_count("names the input", reading.worst_input, POINT_CASING_HEAD_PRESSURE);
    setting.local_atmosphere_kpa = 101.3;
    /* By hand: 1000 x (12000 - (1000 + 101.3)) / (920 x 9.80665). */
    expect("stated", derive(row, inputs, &setting, &fresh), QUALITY_GOOD, 1207.9979446067987,
           1e-12);
    inputs[0].reference = REFERENCE_GAUGE;
    inputs[1].reference = REFERENCE_ABSOLUTE; /* 12000 + 101.3 - 1000 */
    expect("the other way", derive(row, inputs, &setting, &fresh), QUALITY_GOOD, 1230.4538690360735,
           1e-12);
    inputs[1].reference = REFERENCE_GAUGE; /* both gauge: 12000 - 1000 */
    expect("both gauge", derive(row, inputs, &setting, &fresh), QUALITY_GOOD, 1219.2259068214362,
           1e-12);
    inputs[1].reference = REFERENCE_UNKNOWN;
    check_count("unknown stays so", derive(row, inputs, &setting, &fresh).quality,
                QUALITY_NOT_CONFIGURED);
    inputs[0] = good(POINT_DISCHARGE_PRESSURE, 20000);
    inputs[1] = good(POINT_INTAKE_PRESSURE, 12000);
    inputs[1].reference = REFERENCE_GAUGE;
    check_count("of the fluid level alone",
                derive(row_of(POINT_PUMP_DIFFERENTIAL_PRESSURE), inputs, &setting, &fresh).quality,
                QUALITY_NOT_CONFIGURED);
}

static void references_and_kinds_that_differ_are_not_put_together(void **state)
{
    (void)state;
    static const unsigned POINTS[] = {POINT_PUMP_HEAD, POINT_FLUID_LEVEL_ABOVE_INTAKE};
    for (size_t i = 0; i < 2; i++) {
        struct input inputs[] = {good(1, 9000), good(2, 2000), good(POINT_DRIVE_RUN_STATE, 2)};
        inputs[1].reference = REFERENCE_GAUGE;
        check_count("references", of(POINTS[i], inputs, 900).quality, QUALITY_NOT_CONFIGURED);
        check_count("named", of(POINTS[i], inputs, 900).worst_input, 2);
        inputs[0].reference = inputs[1].reference = REFERENCE_UNKNOWN;
        check_count("unknown", of(POINTS[i], inputs, 900).quality, QUALITY_NOT_CONFIGURED);
    }
    struct input axes[] = {good(POINT_VIBRATION_X, 3), good(POINT_VIBRATION_Y, 4)};
    axes[1].detector = DETECTOR_PEAK;
    check_count("rms and peak", of(POINT_VIBRATION_RESULTANT, axes, NAN).quality,
                QUALITY_NOT_CONFIGURED);
    check_count("named", of(POINT_VIBRATION_RESULTANT, axes, NAN).worst_input, POINT_VIBRATION_Y);
    axes[1].detector = DETECTOR_UNKNOWN;
    check_count("unstated", of(POINT_VIBRATION_RESULTANT, axes, NAN).quality, QUALITY_INPUT_UNSURE);
    static const struct {
        const char *about;
        uint8_t detector;
    } ROWS[] = {{"rms", DETECTOR_RMS},   {"RMS, 10 Hz to 1 kHz", DETECTOR_RMS},
                {"Peak", DETECTOR_PEAK}, {"rms or peak", DETECTOR_UNKNOWN},
                {"", DETECTOR_UNKNOWN},  {"speakers", DETECTOR_UNKNOWN}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct channel channel = {.point = POINT_VIBRATION_X};
        snprintf(channel.about, sizeof channel.about, "%s", ROWS[i].about);
        input_describe(&axes[0], POINT_VIBRATION_X, &channel);
        check_count(ROWS[i].about, axes[0].detector, ROWS[i].detector);
    }
}

static void no_input_that_is_not_good_leaves_a_good_value(void **state)
{
    (void)state; /* every row, every input, every quality; the input is named. Points of well
                    data: test_derive_well.c */
    for (size_t row = 0; row < derived_count() && derived_point(row) < POINT_DATUM_PRESSURE;
         row++) {
        struct plan plan = {0};
        struct well_plan well = {0};
        uint16_t points[INPUTS_MAX];
        size_t n = derived_inputs(row, &plan, &well, 0, points);
        for (size_t bad = 0; bad < n; bad++) {
            for (size_t q = 0; q < quality_count(); q++) {
                uint8_t quality = quality_row_at(q)->code;
                struct input inputs[INPUTS_MAX];
                for (size_t i = 0; i < n; i++)
                    inputs[i] = good(points[i], points[i] == POINT_DRIVE_RUN_STATE ? 2 : 40);
                inputs[bad].quality = quality;
                if (quality_class_of(quality) == QUALITY_CLASS_BAD)
                    inputs[bad].value = NAN;
                struct well_setting setting = setting_of(900);
                int64_t fresh;
                struct reading reading = derive(row, inputs, &setting, &fresh);
                if (quality == QUALITY_GOOD) {
                    check_count("all good", reading.quality, QUALITY_GOOD);
                    continue;
                }
                assert_true(quality_class_of(reading.quality) != QUALITY_CLASS_GOOD);
                check_count("named", reading.worst_input, points[bad]);
                bool is_optional = points[bad] == POINT_DRIVE_RUN_STATE && n > 1;
                bool is_bad = quality_class_of(quality) == QUALITY_CLASS_BAD && !is_optional;
                check_count("7 or 69", reading.quality,
                            is_bad ? QUALITY_INPUT_BAD : QUALITY_INPUT_UNSURE);
                assert_int_equal(isnan(reading.value) != 0, is_bad);
            }
        }
    }
}

static void a_value_is_as_old_as_its_oldest_input(void **state)
{
    (void)state;
    struct input inputs[] = {good(POINT_INTAKE_PRESSURE, 6500),
                             good(POINT_CASING_HEAD_PRESSURE, 1200)};
    inputs[1].fresh = 400;
    struct well_setting setting = setting_of(900);
    int64_t fresh;
    (void)derive(row_of(POINT_FLUID_LEVEL_ABOVE_INTAKE), inputs, &setting, &fresh);
    assert_int_equal(fresh, 400);
}

/* ---- through whole scans ---- */

static void a_map_that_delivers_a_derived_point_keeps_it_measured(void **state)
{
    (void)state;
    struct made *made = made_new();
    made_channel(&made->maps[0], POINT_PUMP_HEAD, TABLE_INPUT, VIBRATION_AT + 1, TYPE_U16, "1",
                 "m");
    made->unit[VIBRATION_AT + 1] = 1234;
    made_polls(made, 0, 60000);
    check_close("as measured", made_value(made, POINT_PUMP_HEAD), 1234, 0);
    check_count("without any density", made_quality(made, POINT_PUMP_HEAD), QUALITY_GOOD);
    made_free(made);
}

static void a_point_whose_inputs_are_not_mapped_is_absent(void **state)
{
    (void)state;
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    for (unsigned i = 0; i < made->record.n; i++) {
        unsigned point = made->record.reading[i].point;
        assert_true(point != POINT_FLUID_LEVEL_ABOVE_INTAKE && point != POINT_RUN_TIME &&
                    point != POINT_VIBRATION_RESULTANT && point != POINT_CURRENT_UNBALANCE);
    }
    made_free(made);
}

static void the_winding_is_taken_and_else_the_oil(void **state)
{
    (void)state;
    struct made *made = made_new();
    made_channel(&made->maps[0], POINT_MOTOR_OIL_TEMPERATURE, TABLE_INPUT, VIBRATION_AT + 1,
                 TYPE_U16, "0.1", "degC");
    made->unit[VIBRATION_AT + 1] = 1100;
    made_polls(made, 0, 60000);
    check_close("winding", made_value(made, POINT_MOTOR_TEMPERATURE_RISE), 123.5 - 88.1, 1e-9);
    made->entries[SOURCE_GAUGE][0].fitted[POINT_MOTOR_WINDING_TEMPERATURE] = FITTED_NO;
    made->plan.digest_32++; /* as a reload has it: a plan in force is never changed */
    made_polls(made, 60000, 120000);
    check_close("oil", made_value(made, POINT_MOTOR_TEMPERATURE_RISE), 110.0 - 88.1, 1e-9);
    made_free(made);
}

static void the_live_picture_derives_what_the_record_does(void **state)
{
    (void)state;
    struct made *made = made_new();
    struct well_data data = {
        .intake_depth_m = NAN, .liquid_density_kg_m3 = 980, .oil_gravity_api = NAN};
    made->well.data = &data;
    made->well.n_data = 1;
    made_polls(made, 0, 400000);
    struct snapshot snapshot;
    made_look(made, 390200, &snapshot);
    for (unsigned point = POINT_PUMP_DIFFERENTIAL_PRESSURE; point <= POINT_RUN_TIME; point++) {
        for (unsigned i = 0; i < made->record.n; i++) {
            if (made->record.reading[i].point != point)
                continue;
            const struct live_reading *live = made_live(&snapshot, point);
            check_count("quality", live->quality, made->record.reading[i].quality);
            check_count("named", live->worst_input, made->record.reading[i].worst_input);
            check_close("value", live->value, made->record.reading[i].value, 0);
        }
    }
    check_count("head", made_quality(made, POINT_PUMP_HEAD), QUALITY_INPUT_UNSURE);
    made_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_density_of_oil_follows_its_api_gravity),
        cmocka_unit_test(a_mixture_lies_between_its_parts_and_nothing_is_guessed_silently),
        cmocka_unit_test(pump_head_is_the_pressure_as_a_column_of_the_liquid),
        cmocka_unit_test(fluid_level_stands_between_intake_and_wellhead),
        cmocka_unit_test(temperature_rise_vibration_and_unbalance_follow_by_hand),
        cmocka_unit_test(what_exists_only_while_the_pump_runs_says_so),
        cmocka_unit_test(a_missing_density_is_named_before_anything_else),
        cmocka_unit_test(references_and_kinds_that_differ_are_not_put_together),
        cmocka_unit_test(only_a_stated_atmosphere_brings_two_references_together),
        cmocka_unit_test(no_input_that_is_not_good_leaves_a_good_value),
        cmocka_unit_test(a_value_is_as_old_as_its_oldest_input),
        cmocka_unit_test(a_map_that_delivers_a_derived_point_keeps_it_measured),
        cmocka_unit_test(a_point_whose_inputs_are_not_mapped_is_absent),
        cmocka_unit_test(the_winding_is_taken_and_else_the_oil),
        cmocka_unit_test(the_live_picture_derives_what_the_record_does),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
