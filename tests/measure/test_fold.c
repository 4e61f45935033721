/* SPDX-License-Identifier: Apache-2.0
 *
 * test_fold.c - stages, torn scans, exceptions, line disturbance, derived quality and the live
 * picture, through whole scans: SEN-019, QUA-045 to 047, DEC-051 and 052.
 *
 * Source of the SEN and QUA rows: rules of the project.
 */
#include "made.h"

static struct source_entry *entry_of(struct made *made)
{
    return &made->entries[SOURCE_GAUGE][0];
}
static struct channel *channel_of(struct made *made, unsigned point)
{
    for (unsigned i = 0; i < made->maps[0].n_channels; i++)
        if (made->maps[0].channel[i].point == point)
            return &made->maps[0].channel[i];
    fail_msg("no channel of point %u", point);
    return NULL;
}

/* ---- derived ---- */

static void the_difference_of_a_missing_sensor_is_no_number(void **state)
{
    (void)state; /* SEN-019. Planted defect: measure-missing-input-is-0. */
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    check_close("differential", made_value(made, POINT_PUMP_DIFFERENTIAL_PRESSURE), 18230 - 12345,
                1e-9);
    check_count("differential", made_quality(made, POINT_PUMP_DIFFERENTIAL_PRESSURE), QUALITY_GOOD);
    made_new_run(made);
    made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
    made_polls(made, 100000, 160000);
    const struct reading *reading = made_reading(made, POINT_PUMP_DIFFERENTIAL_PRESSURE);
    check_count("SEN-019", reading->quality, QUALITY_INPUT_BAD);
    check_count("SEN-019 names", reading->worst_input, POINT_DISCHARGE_PRESSURE);
    assert_true(isnan(reading->value));
    made_free(made);
}

static void pressures_of_two_references_are_not_subtracted(void **state)
{
    (void)state; /* points.md section 1, rule 7 */
    static const uint8_t ROWS[][4] = {
        /* discharge, intake, quality, named */
        {REFERENCE_GAUGE, REFERENCE_GAUGE, 192, 0},
        {REFERENCE_ABSOLUTE, REFERENCE_GAUGE, 8, POINT_INTAKE_PRESSURE},
        {REFERENCE_UNKNOWN, REFERENCE_GAUGE, 8, POINT_DISCHARGE_PRESSURE},
        {REFERENCE_UNKNOWN, REFERENCE_UNKNOWN, 8, POINT_DISCHARGE_PRESSURE}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct made *made = made_new();
        channel_of(made, POINT_DISCHARGE_PRESSURE)->reference = ROWS[i][0];
        channel_of(made, POINT_INTAKE_PRESSURE)->reference = ROWS[i][1];
        made_polls(made, 0, 60000);
        check_count("quality", made_quality(made, POINT_PUMP_DIFFERENTIAL_PRESSURE), ROWS[i][2]);
        check_count("named", made_reading(made, POINT_PUMP_DIFFERENTIAL_PRESSURE)->worst_input,
                    ROWS[i][3]);
        made_free(made);
    }
}

static void an_unsure_input_makes_the_difference_unsure(void **state)
{
    (void)state;
    struct made *made = made_new();
    entry_of(made)->confirmed_units[POINT_INTAKE_PRESSURE] = false;
    made_polls(made, 0, 60000);
    check_count("unit", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_UNIT_UNCONFIRMED);
    check_count("derived", made_quality(made, POINT_PUMP_DIFFERENTIAL_PRESSURE),
                QUALITY_INPUT_UNSURE);
    check_count("named", made_reading(made, POINT_PUMP_DIFFERENTIAL_PRESSURE)->worst_input,
                POINT_INTAKE_PRESSURE);
    made_free(made);
}

/* ---- torn scans, exceptions, the line ---- */

static void zeros_read_before_a_status_that_says_live_are_no_values(void **state)
{
    (void)state; /* design: status first and again. Planted defects: takes the first only; the last.
                  */
    for (unsigned order = 0; order < 2; order++) {
        struct made *made = made_new();
        memset(made->unit, 0, sizeof made->unit);
        made->unit[STATUS_AT] = STARTING_BIT;
        made_polls(made, 0, 30000);
        for (unsigned i = 0; i < 2; i++) {
            struct scan scan = made_scan(made, 30000 + 10000 * (int64_t)i);
            scan.words[0] = i == order ? LIVE_BIT : STARTING_BIT;
            scan.words[12] = i == order ? STARTING_BIT : LIVE_BIT;
            scan.words[2] = 7000; /* some channels hold data already */
            made_measure(made, &scan);
            check_count("torn", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_STARTING);
            check_count("vibration still 0", made_quality(made, 8), QUALITY_STARTING);
        }
        made->unit[STATUS_AT] = LIVE_BIT;
        made->unit[INTAKE_PRESSURE_AT] = 7000; /* the others are still zero */
        made_poll(made, 50000);
        check_count("first plausible scan", made_quality(made, 8), QUALITY_STARTING);
        made_healthy(made);
        made_polls(made, 60000, 80000);
        check_count("not a refresh later", made_quality(made, 8), QUALITY_STARTING);
        made_poll(made, 80000);
        check_count("agrees", made_quality(made, 8), QUALITY_GOOD);
        made_free(made);
    }
}

static void a_status_that_says_nothing_or_was_not_read_confirms_nothing(void **state)
{
    (void)state; /* planted defects: live unless a bit says otherwise; live where the status range
                    was refused */
    for (unsigned refused = 0; refused < 2; refused++) {
        struct made *made = made_new();
        made_polls(made, 0, 60000);
        check_count("live", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
        made->unit[STATUS_AT] = refused ? LIVE_BIT : 0;
        for (int64_t ms = 60000; ms <= 140000; ms += 10000) {
            struct scan scan = made_scan(made, ms);
            if (refused)
                scan.block[3].exception = 0x04, scan.block[3].count = 0,
                scan.outcome = OUTCOME_PARTIAL;
            made_measure(made, &scan);
            check_count("data without a status", made_quality(made, POINT_INTAKE_PRESSURE),
                        ms < 60000 + 63200 ? QUALITY_STARTING : QUALITY_GAUGE_SILENT);
        }
        made_free(made);
    }
}

static void one_scan_without_answer_is_a_break(void **state)
{
    (void)state;
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    struct scan scan = made_failed(made, 60000);
    made_measure(made, &scan);
    check_count("the record says it at once", made_quality(made, POINT_INTAKE_PRESSURE),
                QUALITY_LINE_DOWN);
    assert_true(isnan(made_value(made, POINT_INTAKE_PRESSURE)));
    check_count("age", made_quality(made, POINT_GAUGE_DATA_AGE), QUALITY_LINE_DOWN);
    check_count("errors are known", made_quality(made, POINT_LINE_ERROR_RATIO), QUALITY_GOOD);
    check_close("one of seven", made_value(made, POINT_LINE_ERROR_RATIO), 100.0 / 7, 1e-9);
    made_poll(made, 70000);
    check_count("after a break", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_STARTING);
    made_polls(made, 80000, 110000);
    check_count("agreed", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    made_free(made);
}

static void exceptions_are_answers_but_0a_and_0b_are_not_the_unit(void **state)
{
    (void)state; /* points.md section 4; Modbus V1.1b3, section 7 */
    static const struct {
        uint8_t exception, expected;
    } ROWS[] = {{0x01, 5}, {0x02, 5}, {0x04, 5},           {0x06, 5},
                {0x0A, 3}, {0x0B, 3}, {BLOCK_NO_ANSWER, 3}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct made *made = made_new();
        made_polls(made, 0, 60000);
        struct scan scan = made_scan(made, 60000);
        scan.outcome = OUTCOME_PARTIAL;
        scan.block[1].exception = ROWS[i].exception;
        scan.block[1].count = 0;
        made_measure(made, &scan);
        check_count("of the refused range", made_quality(made, POINT_INTAKE_PRESSURE),
                    ROWS[i].expected);
        check_count("of the others", made_quality(made, POINT_DISCHARGE_PRESSURE), QUALITY_GOOD);
        check_count("derived", made_quality(made, POINT_PUMP_DIFFERENTIAL_PRESSURE),
                    QUALITY_INPUT_BAD);
        made_free(made);
    }
}

static void half_a_value_is_no_value(void **state)
{
    (void)state; /* DEC-051, DEC-052. Planted defect: a value of two blocks (measure-two-blocks). */
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    struct scan scan = made_scan(made, 60000);
    scan.block[2].count = 3; /* 20 to 22: one register of the winding temperature */
    made_measure(made, &scan);
    check_count("DEC-051", made_quality(made, POINT_MOTOR_WINDING_TEMPERATURE), QUALITY_LINE_DOWN);
    scan = made_scan(made, 70000);
    scan.block[2].count = 3;
    scan.block[3] = (struct block){.function = TABLE_INPUT, .first = 23, .count = 5, .at = 7};
    scan.block[4] = (struct block){.function = TABLE_INPUT, .first = 0, .count = 1, .at = 12};
    scan.n_blocks = 5;
    made_measure(made, &scan);
    check_count("DEC-052", made_quality(made, POINT_MOTOR_WINDING_TEMPERATURE), QUALITY_LINE_DOWN);
    check_count("whole ones", made_quality(made, 8), QUALITY_GOOD);
    made_free(made);
}

static void a_block_beyond_its_words_is_no_data(void **state)
{
    (void)state; /* Planted defect: measure-block-unchecked. */
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    struct scan scan = made_scan(made, 60000);
    scan.n_words = 3; /* the row holds fewer words than its blocks say */
    made_measure(made, &scan);
    check_count("cut", made_quality(made, POINT_DISCHARGE_PRESSURE), QUALITY_LINE_DOWN);
    made_free(made);
}

static void stray_bytes_near_a_read_make_it_unsure(void **state)
{
    (void)state;
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    struct scan scan = made_scan(made, 60000);
    scan.stray = 1;
    made_measure(made, &scan);
    check_count("disturbed", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_LINE_DISTURBED);
    check_close("value is sent", made_value(made, POINT_INTAKE_PRESSURE), 12345, 0.0);
    made_free(made);
}

static void stated_faults_and_ends_of_scale_have_their_quality(void **state)
{
    (void)state;
    struct made *made = made_new();
    struct channel *channel = channel_of(made, 8);
    channel->faults[0] = (struct marker){.words = {0x7FFF}, .n_words = 1};
    channel->limits[0] = (struct marker){.words = {5000}, .n_words = 1};
    channel->n_faults = channel->n_limits = 1;
    made->unit[VIBRATION_AT] = 0x7FFF;
    made_polls(made, 0, 60000);
    check_count("fault code", made_quality(made, 8), QUALITY_CHANNEL_FAULT);
    made->unit[VIBRATION_AT] = 5000;
    made_poll(made, 60000);
    check_count("end of the scale", made_quality(made, 8), QUALITY_LIMITED);
    check_close("end of the scale", made_value(made, 8), 50, 1e-9);
    made->unit[VIBRATION_AT] = 4999;
    made_poll(made, 70000);
    check_count("below it", made_quality(made, 8), QUALITY_GOOD);
    made_free(made);
}

/* ---- stages and the live picture ---- */

static void the_line_is_up_degraded_and_down(void **state)
{
    (void)state; /* points.md section 4 */
    struct made *made = made_new();
    struct snapshot snapshot;
    made_look(made, 0, &snapshot);
    check_count("before the first scan", snapshot.line, LINE_UNKNOWN);
    made_polls(made, 0, 60000);
    made_look(made, 60000, &snapshot);
    check_count("up", snapshot.line, LINE_UP);
    assert_int_equal(snapshot.line_since_utc_ms, MADE_UTC_MS);
    check_count("live", snapshot.gauge, GAUGE_LIVE);
    assert_int_equal(snapshot.gauge_since_utc_ms, MADE_UTC_MS + 30000);
    double age_s;
    for (unsigned i = 0; i < 2; i++) {
        struct scan scan = made_failed(made, 60000 + 10000 * (int64_t)i);
        made_measure(made, &scan);
    }
    made_look(made, 71000, &snapshot);
    check_count("two of three", snapshot.line, LINE_DEGRADED);
    check_count("kept until the line is down", snapshot.gauge, GAUGE_LIVE);
    const struct live_reading *live = made_live(&snapshot, POINT_INTAKE_PRESSURE);
    check_count("the old value ages", live_quality_at(live, MADE_BOOT_MS + 71000, &age_s),
                QUALITY_STALE);
    check_close("49 s old", age_s, 49, 1e-9);
    check_close("and is there", live->value, 12345, 0.0);
    struct scan scan = made_failed(made, 80000);
    made_measure(made, &scan);
    made_look(made, 81000, &snapshot);
    check_count("down", snapshot.line, LINE_DOWN);
    check_count("unknown, not silent", snapshot.gauge, GAUGE_UNKNOWN);
    assert_int_equal(snapshot.line_since_utc_ms, MADE_UTC_MS + 60000);
    live = made_live(&snapshot, POINT_INTAKE_PRESSURE);
    check_count("QUA-046", live_quality_at(live, MADE_BOOT_MS + 81000, &age_s), QUALITY_LINE_DOWN);
    check_close("QUA-046: last value, marked", live->value, 12345, 0.0);
    check_count("derived", made_live(&snapshot, POINT_PUMP_DIFFERENTIAL_PRESSURE)->quality,
                QUALITY_INPUT_BAD);
    made_poll(made, 90000);
    made_look(made, 90000, &snapshot);
    check_count("heard again, with failures among the last 20", snapshot.line, LINE_DEGRADED);
    made_free(made);
}

static void bad_without_a_value_carries_none(void **state)
{
    (void)state; /* QUA-045 as far as measure decides: codes 0, 1, 2, 5, 6, 7 */
    static const uint8_t CODES[] = {0, 1, 2, 5, 6, 7, 3, 4, 14};
    for (size_t i = 0; i < sizeof CODES; i++)
        assert_false(quality_find(CODES[i])->sends_value);
    struct made *made = made_new();
    made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;  /* 2, and 7 */
    made->unit[INTAKE_TEMPERATURE_AT] = 2001;    /* 6 */
    made->unit[WINDING_TEMPERATURE_AT] = 0x7FC0; /* 6: not a number */
    made_polls(made, 0, 60000);
    static const struct {
        unsigned point;
        uint8_t quality;
    } ROWS[] = {{POINT_DISCHARGE_PRESSURE, 2},
                {POINT_INTAKE_TEMPERATURE, 6},
                {POINT_MOTOR_WINDING_TEMPERATURE, 6},
                {POINT_PUMP_DIFFERENTIAL_PRESSURE, 7}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        check_count("quality", made_quality(made, ROWS[i].point), ROWS[i].quality);
        assert_true(isnan(made_value(made, ROWS[i].point)));
        assert_true(isnan(made_reading(made, ROWS[i].point)->age_s));
    }
    made_free(made);
}

static void a_record_measured_late_keeps_its_quality(void **state)
{
    (void)state; /* QUA-047 */
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    struct scan scan = made_scan(made, 60000);
    struct fold *later = malloc(fold_bytes());
    assert_non_null(later);
    memcpy(later, made->fold, fold_bytes());
    made_measure(made, &scan);
    struct record late;
    struct fact facts[MEASURE_FACTS_MAX];
    size_t n;
    measure_scan(later, &made->plan, &made->well, &scan, &late, facts, &n);
    assert_memory_equal(&late, &made->record,
                        offsetof(struct record, reading) + late.n * sizeof late.reading[0]);
    free(later);
    made_free(made);
}

static void what_the_disk_refused_is_shown_and_marked(void **state)
{
    (void)state; /* points.md, quality 75 */
    struct made *made = made_new();
    made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
    made_polls(made, 0, 60000);
    struct snapshot snapshot;
    struct stamp now = made_now(made, 60000);
    measure_at(made->fold, &made->plan, &made->well, MADE_RUN, &now, false, &snapshot);
    check_count("good becomes 75", made_live(&snapshot, POINT_INTAKE_PRESSURE)->quality,
                QUALITY_NOT_JOURNALED);
    check_count("bad stays", made_live(&snapshot, POINT_DISCHARGE_PRESSURE)->quality,
                QUALITY_NOT_FITTED);
    assert_false(snapshot.journaled);
    made_free(made);
}

static void a_relayed_gauge_without_status_is_never_called_live(void **state)
{
    (void)state;
    for (unsigned has_status = 0; has_status < 2; has_status++) {
        struct made *made = made_new();
        made->maps[0].has_status = has_status;
        made->maps[0].relayed_by = SOURCE_DRIVE;
        made->maps[0].relay_delay_ms = 5000;
        made_polls(made, 0, 60000);
        struct snapshot snapshot;
        made_look(made, 60000, &snapshot);
        check_count("stage", snapshot.gauge, has_status ? GAUGE_LIVE : GAUGE_UNKNOWN);
        check_close("age with the relay's delay",
                    (double)made_reading(made, POINT_INTAKE_PRESSURE)->age_s, 33.2, 1e-5);
        made_free(made);
    }
}

static void a_gauge_without_status_is_judged_by_its_data(void **state)
{
    (void)state; /* points.md section 4: or all gauge channels at fault or sentinel together */
    struct made *made = made_new();
    made->maps[0].has_status = false;
    struct channel *channel = channel_of(made, 8);
    made->maps[0].n_channels = 4; /* pressures and temperatures with markers */
    made_marker(channel_of(made, POINT_INTAKE_TEMPERATURE), 0x7FFF, 0);
    (void)channel;
    struct snapshot snapshot;
    made_polls(made, 0, 60000);
    made_look(made, 60000, &snapshot);
    check_count("live", snapshot.gauge, GAUGE_LIVE);
    made->unit[INTAKE_PRESSURE_AT] = made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
    made->unit[INTAKE_TEMPERATURE_AT] = 0x7FFF;
    made->unit[DISCHARGE_TEMPERATURE_AT] = 0;
    made_poll(made, 60000);
    check_count("all at marker", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GAUGE_SILENT);
    made_look(made, 60000, &snapshot);
    check_count("silent", snapshot.gauge, GAUGE_SILENT);
    made_free(made);
}

static void nothing_is_judged_across_a_change_of_gauge(void **state)
{
    (void)state; /* design: no rate, average or freeze test crosses a change of gauge. Planted
                    defect: memory by source only. */
    struct made *made = made_new();
    struct channel *channel = channel_of(made, POINT_INTAKE_PRESSURE);
    channel->has_max_rate = true;
    channel->max_rate_per_s = 1;
    entry_of(made)->freeze_after = 4;
    made->entries[SOURCE_GAUGE][1] = made->entries[SOURCE_GAUGE][0];
    made->entries[SOURCE_GAUGE][1].from_utc_ms = MADE_UTC_MS + 100000;
    made->well.n_entries[SOURCE_GAUGE] = 2;
    made_polls(made, 0, 100000);
    made->unit[INTAKE_PRESSURE_AT] = 30000;
    made->unit[DISCHARGE_PRESSURE_AT] =
        0xFFFF; /* seen good of the old gauge; the new one has none */
    made_poll(made, 100000);
    check_count("a new gauge starts", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_STARTING);
    made_polls(made, 110000, 140000);
    check_count("its level is no step", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    check_count("its missing sensor no fault", made_quality(made, POINT_DISCHARGE_PRESSURE),
                QUALITY_NOT_FITTED);
    made_polls(made, 140000, 200000);
    check_count("freeze counts from its first scan", made_quality(made, POINT_INTAKE_PRESSURE),
                QUALITY_GOOD);
    made_free(made);
}

static void a_plan_that_only_sends_elsewhere_forgets_nothing(void **state)
{
    (void)state;
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    made->plan.digest_32++;
    made_poll(made, 60000);
    check_count("same gauge, other plan", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    made->plan.digest_32++;
    channel_of(made, POINT_INTAKE_PRESSURE)->scale = made_decimal("0.002");
    made_poll(made, 70000);
    check_count("other map", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_STARTING);
    made_free(made);
}

static void a_record_lists_its_points_ascending_and_says_where_it_comes_from(void **state)
{
    (void)state;
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    static const uint16_t POINTS[] = {1, 2, 3, 4, 5, 8, 34, 35, 36, 40, 41, 43, 44, 69};
    check_count("points", made->record.n, sizeof POINTS / sizeof *POINTS);
    for (unsigned i = 0; i < made->record.n; i++)
        check_count("point", made->record.reading[i].point, POINTS[i]);
    assert_int_equal(made->record.plan_digest, 0x5b1e07aa);
    assert_int_equal(made->record.measure_version, MEASURE_VERSION);
    assert_int_equal(made->record.revision, 0);
    assert_int_equal(made->record.pos, 0);
    assert_int_equal(made->record.after_seq, 0);
    made_free(made);
}

static void a_well_without_a_gauge_says_so(void **state)
{
    (void)state;
    struct made *made = made_new();
    made->well.n_entries[SOURCE_GAUGE] = 0;
    made_entry(made, SOURCE_DRIVE, 1);
    made->drive[0] = 5000;
    made->drive[1] = 11;
    struct scan scan = made_drive_scan(made, 0);
    made_measure(made, &scan);
    check_count("the first scan counts", made_quality(made, POINT_DRIVE_FREQUENCY), QUALITY_GOOD);
    check_close("running", made_value(made, POINT_DRIVE_RUN_STATE), 2, 0.0);
    check_count("errors ride with the first source", made_quality(made, POINT_LINE_ERROR_RATIO),
                QUALITY_GOOD);
    struct snapshot snapshot;
    made_look(made, 0, &snapshot);
    check_count("gauge", snapshot.gauge, GAUGE_NOT_CONFIGURED);
    check_count("line", snapshot.line, LINE_UP);
    made_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_difference_of_a_missing_sensor_is_no_number),
        cmocka_unit_test(pressures_of_two_references_are_not_subtracted),
        cmocka_unit_test(an_unsure_input_makes_the_difference_unsure),
        cmocka_unit_test(zeros_read_before_a_status_that_says_live_are_no_values),
        cmocka_unit_test(a_status_that_says_nothing_or_was_not_read_confirms_nothing),
        cmocka_unit_test(one_scan_without_answer_is_a_break),
        cmocka_unit_test(exceptions_are_answers_but_0a_and_0b_are_not_the_unit),
        cmocka_unit_test(half_a_value_is_no_value),
        cmocka_unit_test(a_block_beyond_its_words_is_no_data),
        cmocka_unit_test(stray_bytes_near_a_read_make_it_unsure),
        cmocka_unit_test(stated_faults_and_ends_of_scale_have_their_quality),
        cmocka_unit_test(the_line_is_up_degraded_and_down),
        cmocka_unit_test(bad_without_a_value_carries_none),
        cmocka_unit_test(a_record_measured_late_keeps_its_quality),
        cmocka_unit_test(what_the_disk_refused_is_shown_and_marked),
        cmocka_unit_test(a_relayed_gauge_without_status_is_never_called_live),
        cmocka_unit_test(a_gauge_without_status_is_judged_by_its_data),
        cmocka_unit_test(nothing_is_judged_across_a_change_of_gauge),
        cmocka_unit_test(a_plan_that_only_sends_elsewhere_forgets_nothing),
        cmocka_unit_test(a_record_lists_its_points_ascending_and_says_where_it_comes_from),
        cmocka_unit_test(a_well_without_a_gauge_says_so),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
