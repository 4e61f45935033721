/* SPDX-License-Identifier: Apache-2.0
 *
 * test_markers.c - not-fitted markers through whole scans: SEN-001 to SEN-022 (but 019), DBL-019,
 * 020 and 026.
 *
 * Source of the SEN rows: rules of the project; the marker values are common practice, no source.
 */
#include "made.h"

static struct source_entry *entry_of(struct made *made)
{
    return &made->entries[SOURCE_GAUGE][0];
}
static struct channel *channel_of(struct made *made, unsigned point)
{
    for (unsigned i = 0; i < made->maps[0].n_channels; i++) {
        if (made->maps[0].channel[i].point == point)
            return &made->maps[0].channel[i];
    }
    fail_msg("no channel of point %u", point);
    return NULL;
}

/* ---- markers ---- */

/* Planted defect: the marker is looked for in the converted value (measure-marker-after-scaling)
 * (65535 kPa here, 9505.05 psi elsewhere). */
static void a_raw_65535_is_not_fitted_and_never_a_pressure(void **state)
{
    (void)state; /* SEN-001, SEN-007, SEN-022, S12 */
    struct made *made = made_new();
    made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
    struct scan scan = made_scan(made, 0), before = scan;
    made_measure(made, &scan);
    assert_memory_equal(&scan, &before, sizeof scan); /* SEN-022: the scan keeps its 65535 */
    made_polls(made, 10000, 60000);
    check_count("SEN-001", made_quality(made, POINT_DISCHARGE_PRESSURE), QUALITY_NOT_FITTED);
    assert_true(isnan(made_value(made, POINT_DISCHARGE_PRESSURE)));
    made->unit[DISCHARGE_PRESSURE_AT] = 65534;
    made_poll(made, 60000);
    check_count("SEN-007: data, then the range", made_quality(made, POINT_DISCHARGE_PRESSURE),
                QUALITY_IMPOSSIBLE);
    made_instrument(channel_of(made, POINT_DISCHARGE_PRESSURE), 0, 70000);
    made_poll(made, 70000);
    check_count("SEN-007", made_quality(made, POINT_DISCHARGE_PRESSURE), QUALITY_GOOD);
    check_close("SEN-007", made_value(made, POINT_DISCHARGE_PRESSURE), 65534, 0.0);
    made_free(made);
}

static void the_marker_converted_differs_in_each_unit(void **state)
{
    (void)state; /* SEN-002 to 006, SEN-010, DBL-026. Source of the factors: NIST SP 811, appendix
                    B. */
    unit_number mpa = unit_find("MPa", 3, QUANTITY_PRESSURE),
                psi = unit_find("psi", 3, QUANTITY_PRESSURE);
    unit_number bar = unit_find("bar", 3, QUANTITY_PRESSURE),
                kpa = unit_find("kPa", 3, QUANTITY_PRESSURE);
    unit_number c = unit_find("degC", 4, QUANTITY_TEMPERATURE),
                f = unit_find("degF", 4, QUANTITY_TEMPERATURE);
    check_close_relative("SEN-002", unit_convert(65.535, mpa, psi), 9505.04814215, 1e-9);
    check_close_relative("SEN-003", unit_convert(65.535, mpa, bar), 655.35, 1e-9);
    check_close_relative("SEN-004", unit_convert(65.535, mpa, kpa), 65535, 1e-9);
    assert_true((double)65.535F != 65.535); /* SEN-005 */
    check_close("SEN-005", (double)65.535F, 65.53500366210938, 0.0);
    assert_true(65535 * 0.001 == 65.535 && 65535 * 0.01 * 0.1 != 65.535); /* SEN-006 */
    check_close("SEN-010", unit_convert(0, c, f), 32, 1e-9);
    check_close_relative("DBL-026", unit_convert(1090.7, psi, mpa), 7.520112, 1e-6);
    assert_true(fabs(unit_convert(1090.7, psi, mpa) / 7.520 - 1) < 0.001);
}

static void windows_that_can_never_be_ambiguous(void **state)
{
    (void)state; /* DBL-019, DBL-020: arithmetic, with our factors */
    unit_number c = unit_find("degC", 4, QUANTITY_TEMPERATURE),
                f = unit_find("degF", 4, QUANTITY_TEMPERATURE);
    unit_number mpa = unit_find("MPa", 3, QUANTITY_PRESSURE),
                psi = unit_find("psi", 3, QUANTITY_PRESSURE);
    assert_true(135 < unit_convert(60, c, f));
    assert_false(200 < unit_convert(60, c, f));
    assert_false(40 / 0.2 < unit_convert(1, mpa, psi));
    assert_true(60 / 1 < unit_convert(1, mpa, psi));
    check_close_relative("psi in a MPa", unit_convert(1, mpa, psi), 145.0377, 1e-6);
}

static void a_marker_mapped_with_the_wrong_sign_is_still_found(void **state)
{
    (void)state; /* SEN-008 */
    struct made *made = made_new();
    channel_of(made, POINT_DISCHARGE_PRESSURE)->type = TYPE_S16;
    made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
    made_polls(made, 0, 60000);
    check_count("SEN-008", made_quality(made, POINT_DISCHARGE_PRESSURE), QUALITY_NOT_FITTED);
    made_free(made);
}

static void a_temperature_marker_is_not_fitted_and_never_0_degrees(void **state)
{
    (void)state; /* SEN-009 */
    struct made *made = made_new();
    made->unit[DISCHARGE_TEMPERATURE_AT] = 0;
    made_polls(made, 0, 60000);
    check_count("SEN-009", made_quality(made, POINT_DISCHARGE_TEMPERATURE), QUALITY_NOT_FITTED);
    assert_true(isnan(made_value(made, POINT_DISCHARGE_TEMPERATURE)));
    made_free(made);
}

static void a_zero_without_a_marker_is_a_zero(void **state)
{
    (void)state; /* SEN-012, SEN-013; planted defect: one list of markers for all channels */
    struct made *made = made_new();
    made_entry(made, SOURCE_DRIVE, 1);
    made->unit[VIBRATION_AT] = 0;
    made->unit[INTAKE_TEMPERATURE_AT] = 0;
    made_polls(made, 0, 60000);
    check_count("SEN-012 vibration", made_quality(made, 8), QUALITY_GOOD);
    check_close("SEN-012 vibration", made_value(made, 8), 0, 0.0);
    check_count("SEN-013 0 degC", made_quality(made, POINT_INTAKE_TEMPERATURE), QUALITY_GOOD);
    made->drive[1] = 10;
    struct scan scan = made_drive_scan(made, 60000);
    made_measure(made, &scan);
    check_count("SEN-012 frequency", made_quality(made, POINT_DRIVE_FREQUENCY), QUALITY_GOOD);
    check_close("SEN-012 frequency", made_value(made, POINT_DRIVE_FREQUENCY), 0, 0.0);
    made_free(made);
}

static struct made *made_pair(void)
{
    struct made *made = made_new();
    struct channel *pressure = channel_of(made, POINT_DISCHARGE_PRESSURE);
    pressure->not_fitted_if = POINT_DISCHARGE_TEMPERATURE;
    made_instrument(pressure, 0, 70000);
    channel_of(made, POINT_DISCHARGE_TEMPERATURE)->not_fitted_if = POINT_DISCHARGE_PRESSURE;
    return made;
}

static void a_conditional_marker_needs_its_partner_in_the_same_scan(void **state)
{
    (void)state;
    static const struct {
        const char *id;
        uint16_t pressure, temperature;
        uint8_t pressure_quality, temperature_quality;
        double pressure_kpa, temperature_c;
    } ROWS[] = {{"SEN-014", 65535, 0, 2, 2, NAN, NAN},
                {"SEN-015", 65535, 874, 66, 192, 65535, 87.4},
                {"SEN-016", 18230, 0, 192, 66, 18230, 0}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct made *made = made_pair();
        made->unit[DISCHARGE_PRESSURE_AT] = ROWS[i].pressure;
        made->unit[DISCHARGE_TEMPERATURE_AT] = ROWS[i].temperature;
        made_polls(made, 0, 60000);
        check_count(ROWS[i].id, made_quality(made, POINT_DISCHARGE_PRESSURE),
                    ROWS[i].pressure_quality);
        check_count(ROWS[i].id, made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                    ROWS[i].temperature_quality);
        check_close(ROWS[i].id, made_value(made, POINT_DISCHARGE_PRESSURE), ROWS[i].pressure_kpa,
                    1e-9);
        check_close(ROWS[i].id, made_value(made, POINT_DISCHARGE_TEMPERATURE),
                    ROWS[i].temperature_c, 1e-9);
        made_free(made);
    }
}

static void a_partner_that_was_not_read_confirms_nothing(void **state)
{
    (void)state; /* SEN-017: the temperature is first read one scan later */
    struct made *made = made_pair();
    channel_of(made, POINT_DISCHARGE_TEMPERATURE)->address = 27;
    made->unit[DISCHARGE_PRESSURE_AT] = 65535;
    for (int64_t ms = 0; ms < 60000; ms += 10000) {
        struct scan scan = made_scan(made, ms);
        scan.block[2].count = 7; /* 20 to 26 */
        made_measure(made, &scan);
    }
    check_count("SEN-017, scan n", made_quality(made, POINT_DISCHARGE_PRESSURE), QUALITY_UNUSUAL);
    made_poll(made, 60000);
    check_count("SEN-017, scan n + 1", made_quality(made, POINT_DISCHARGE_PRESSURE),
                QUALITY_NOT_FITTED);
    check_count("SEN-017, scan n + 1", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                QUALITY_NOT_FITTED);
    made_free(made);
}

static void a_marker_after_good_data_is_a_fault(void **state)
{
    (void)state; /* SEN-018. Planted defect: not fitted whenever the marker stands
                    (measure-marker-alone). */
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    made->unit[DISCHARGE_TEMPERATURE_AT] = 875;
    made_poll(made, 60000);
    made->unit[DISCHARGE_TEMPERATURE_AT] = 0;
    for (int64_t ms = 70000; ms < 100000; ms += 10000) {
        made_poll(made, ms);
        check_count("SEN-018", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                    QUALITY_CHANNEL_FAULT);
    }
    made_free(made);
}

static void good_data_of_hours_ago_are_known_by_their_fact(void **state)
{
    (void)state;
    struct made *made = made_new();
    struct fact seen = {0}, notice = {0};
    for (int64_t ms = 0; ms < 60000; ms += 10000) {
        made_poll(made, ms);
        for (size_t i = 0; i < made->n_facts; i++) {
            if (made->facts[i].kind == FACT_SEEN_GOOD &&
                made->facts[i].point == POINT_DISCHARGE_TEMPERATURE) {
                check_count("once a run", seen.kind, FACT_NONE);
                seen = made->facts[i];
            }
        }
    }
    check_count("fact", seen.kind, FACT_SEEN_GOOD);
    assert_int_equal(seen.run, MADE_RUN);
    assert_int_equal(seen.source, SOURCE_GAUGE);
    assert_int_equal(seen.boot_ms, MADE_BOOT_MS + 30000); /* when the gauge had agreed */
    for (unsigned with = 0; with < 2; with++) {
        fold_init(made->fold);
        if (with)
            fold_load_fact(made->fold, &seen);
        made->unit[DISCHARGE_TEMPERATURE_AT] = 0;
        int64_t later = (with + 1) * 36000000;
        made_polls(made, later, later + 60000);
        check_count("with and without the fact", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                    with ? QUALITY_CHANNEL_FAULT : QUALITY_NOT_FITTED);
    }
    seen.run++;
    fold_init(made->fold);
    fold_load_fact(made->fold, &seen);
    for (int64_t ms = 90000000; ms < 90060000; ms += 10000) {
        made_poll(made, ms);
        for (size_t i = 0; i < made->n_facts; i++) {
            if (made->facts[i].kind == FACT_FITTED_NOTICE)
                notice = made->facts[i];
        }
    }
    check_count("a fact of another run", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                QUALITY_NOT_FITTED);
    check_count("the notice that asks to confirm", notice.point, POINT_DISCHARGE_TEMPERATURE);
    made_free(made);
}

static void what_the_configuration_states_about_a_sensor_decides(void **state)
{
    (void)state; /* points.md, quality 2 */
    struct made *made = made_new();
    entry_of(made)->fitted[POINT_DISCHARGE_PRESSURE] = FITTED_YES;
    entry_of(made)->fitted[POINT_DISCHARGE_TEMPERATURE] = FITTED_NO;
    made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
    made_polls(made, 0, 60000);
    check_count("stated as fitted", made_quality(made, POINT_DISCHARGE_PRESSURE),
                QUALITY_CHANNEL_FAULT);
    check_count("stated as not fitted, with data", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                QUALITY_NOT_FITTED);
    assert_true(isnan(made_value(made, POINT_DISCHARGE_TEMPERATURE)));
    made_free(made);
}

static void a_marker_is_as_wide_as_its_field(void **state)
{
    (void)state;
    struct made *made = made_new();
    struct channel *channel = channel_of(made, POINT_MOTOR_WINDING_TEMPERATURE);
    channel->has_instrument_range = false;
    channel->type = TYPE_U32;
    made->unit[WINDING_TEMPERATURE_AT] = 0;
    made->unit[WINDING_TEMPERATURE_AT + 1] = 0xFFFF;
    channel->not_fitted[0] = (struct marker){.words = {0xFFFF}, .n_words = 1};
    channel->n_markers = 1;
    made_polls(made, 0, 60000);
    check_count("SEN-020", made_quality(made, POINT_MOTOR_WINDING_TEMPERATURE), QUALITY_GOOD);
    check_close("SEN-020", made_value(made, POINT_MOTOR_WINDING_TEMPERATURE), 65535, 0.0);
    fold_init(made->fold);
    channel->n_markers = 0;
    made_marker(channel, 0x0000, 0xFFFF);
    made_polls(made, 100000, 160000);
    check_count("SEN-020, stated for 32 bits", made_quality(made, POINT_MOTOR_WINDING_TEMPERATURE),
                QUALITY_NOT_FITTED);
    fold_init(made->fold);
    channel->type = TYPE_F32;
    channel->n_markers = 0;
    made_marker(channel, 0x477F, 0xFF00);
    made->unit[WINDING_TEMPERATURE_AT] = 0x477F;
    made->unit[WINDING_TEMPERATURE_AT + 1] = 0xFF00;
    made_polls(made, 200000, 260000);
    check_count("SEN-021", made_quality(made, POINT_MOTOR_WINDING_TEMPERATURE), QUALITY_NOT_FITTED);
    made->unit[WINDING_TEMPERATURE_AT + 1] = 0xFF01; /* rounds to 65535.0, and isn't the marker */
    made_poll(made, 260000);
    check_count("one bit beside", made_quality(made, POINT_MOTOR_WINDING_TEMPERATURE),
                QUALITY_GOOD);
    made_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_raw_65535_is_not_fitted_and_never_a_pressure),
        cmocka_unit_test(the_marker_converted_differs_in_each_unit),
        cmocka_unit_test(windows_that_can_never_be_ambiguous),
        cmocka_unit_test(a_marker_mapped_with_the_wrong_sign_is_still_found),
        cmocka_unit_test(a_temperature_marker_is_not_fitted_and_never_0_degrees),
        cmocka_unit_test(a_zero_without_a_marker_is_a_zero),
        cmocka_unit_test(a_conditional_marker_needs_its_partner_in_the_same_scan),
        cmocka_unit_test(a_partner_that_was_not_read_confirms_nothing),
        cmocka_unit_test(a_marker_after_good_data_is_a_fault),
        cmocka_unit_test(good_data_of_hours_ago_are_known_by_their_fact),
        cmocka_unit_test(what_the_configuration_states_about_a_sensor_decides),
        cmocka_unit_test(a_marker_is_as_wide_as_its_field),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
