/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios.c - whole days and bad hours at the level of the fold: a healthy day, a slow poll,
 * sensors that aren't fitted, a unit that restarts, a gauge lost for good.
 */
#include "made.h"

#define DAY_MS INT64_C(86400000)

/** A unit that refreshes each 28 s from `base_ms` on, with values that move as a steady well's do.
 */
static void refresh_at(struct made *made, int64_t ms)
{
    int64_t k = ms / 28000;
    made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(12000 + (k * 7) % 40);
    made->unit[INTAKE_TEMPERATURE_AT] = (uint16_t)(880 + (k / 5) % 3);
    made->unit[VIBRATION_AT] = (uint16_t)(30 + k % 9);
}

static void a_healthy_day_is_good_from_end_to_end(void **state)
{
    (void)state; /* S1: 28 s refresh, 10 s poll, 24 h: 8,640 scans. Planted defect: freeze counts
                    polls. */
    struct made *made = made_new();
    unsigned scans = 0, starting = 0;
    for (int64_t ms = 0; ms < DAY_MS; ms += 10000, scans++) {
        refresh_at(made, ms);
        made_poll(made, ms);
        starting += made_quality(made, POINT_INTAKE_PRESSURE) == QUALITY_STARTING;
        for (unsigned i = 0; i < made->record.n && scans >= 3; i++) {
            const struct reading *reading = &made->record.reading[i];
            bool is_rate = reading->point == POINT_INTAKE_PRESSURE_RATE ||
                           reading->point == POINT_MOTOR_TEMPERATURE_RATE;
            if (reading->point == POINT_PUMP_HEAD) /* this well states no density */
                check_count("S1, head", reading->quality, QUALITY_NOT_CONFIGURED);
            else if (is_rate && scans < 3 + 10 * 28 / 10 + 1) /* ten refreshes after the start */
                assert_true(reading->quality == QUALITY_TOO_FEW ||
                            reading->quality == QUALITY_GOOD);
            else
                check_count("S1", reading->quality, QUALITY_GOOD);
        }
    }
    check_count("scans", scans, 8640);
    check_count("scans before the gauge agreed", starting, 3);
    struct snapshot snapshot;
    made_look(made, DAY_MS, &snapshot);
    check_count("line", snapshot.line, LINE_UP);
    check_count("gauge", snapshot.gauge, GAUGE_LIVE);
    assert_int_equal(snapshot.gauge_since_utc_ms, MADE_UTC_MS + 30000);
    check_close("errors", made_value(made, POINT_LINE_ERROR_RATIO), 0, 0.0);
    made_free(made);
}

static void a_slow_poll_shows_ages_to_88_s_and_no_stale(void **state)
{
    (void)state; /* S2: 60 s poll, 28 s refresh, 24 h */
    struct made *made = made_new();
    struct source_entry *entry = &made->entries[SOURCE_GAUGE][0];
    entry->poll_every_ms = 60000;
    entry->stale_limit_ms = 2 * 60000 + 28000 + 200;
    double oldest_s = 0;
    for (int64_t ms = 0; ms < DAY_MS; ms += 60000) {
        refresh_at(made, ms);
        made_poll(made, ms);
        struct snapshot snapshot;
        made_look(made, ms + 60200, &snapshot); /* just before the next scan's end */
        double age_s;
        const struct live_reading *live = made_live(&snapshot, POINT_INTAKE_PRESSURE);
        uint8_t quality = live_quality_at(live, MADE_BOOT_MS + ms + 60200, &age_s);
        if (ms == 0)
            continue;
        check_count("S2", quality, QUALITY_GOOD);
        oldest_s = age_s > oldest_s ? age_s : oldest_s;
    }
    check_close("S2: oldest age, with 0.2 s of transfer", oldest_s, 88.2, 1e-9);
    made_free(made);
}

static void sensors_that_are_not_fitted_leave_a_healthy_well(void **state)
{
    (void)state; /* S12 */
    struct made *made = made_new();
    made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
    made->unit[DISCHARGE_TEMPERATURE_AT] = 0;
    unsigned notices = 0;
    for (int64_t ms = 0; ms < 3600000; ms += 10000) {
        refresh_at(made, ms);
        made_poll(made, ms);
        for (size_t i = 0; i < made->n_facts; i++)
            notices += made->facts[i].kind == FACT_FITTED_NOTICE;
    }
    check_count("discharge pressure", made_quality(made, POINT_DISCHARGE_PRESSURE),
                QUALITY_NOT_FITTED);
    check_count("discharge temperature", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                QUALITY_NOT_FITTED);
    check_count("differential", made_quality(made, POINT_PUMP_DIFFERENTIAL_PRESSURE),
                QUALITY_INPUT_BAD);
    check_count("intake", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    check_count("one notice a channel", notices, 2);
    struct snapshot snapshot;
    made_look(made, 3600000, &snapshot);
    check_count("gauge", snapshot.gauge, GAUGE_LIVE);
    made_free(made);
}

static void markers_in_other_units_are_found_where_the_map_lists_them(void **state)
{
    (void)state; /* S13: the unit is set to psi and degF, and sends 9505 psi and 32.0 degF */
    for (unsigned listed = 0; listed < 2; listed++) {
        struct made *made = made_new();
        struct channel *pressure = &made->maps[0].channel[1],
                       *temperature = &made->maps[0].channel[3];
        assert_int_equal(pressure->point, POINT_DISCHARGE_PRESSURE);
        made_convert(pressure, "1", "0", "psi");
        made_convert(temperature, "0.1", "0", "degF");
        made->unit[DISCHARGE_PRESSURE_AT] = 9505;
        made->unit[DISCHARGE_TEMPERATURE_AT] = 320;
        if (listed) {
            made_marker(pressure, 9505, 0);
            made_marker(temperature, 320, 0);
        }
        for (unsigned i = 0; i < POINT_COUNT; i++) /* nobody has confirmed units yet */
            made->entries[SOURCE_GAUGE][0].confirmed_units[i] = false;
        made_polls(made, 0, 60000);
        uint8_t quality = made_quality(made, POINT_DISCHARGE_PRESSURE);
        if (listed) {
            check_count("S13, listed", quality, QUALITY_NOT_FITTED);
            check_count("S13, listed", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                        QUALITY_NOT_FITTED);
        } else { /* 9505 psi is 65.5 MPa, beyond the instrument; 32 degF is within it, and never
                    Good */
            check_count("S13, not listed", quality, QUALITY_IMPOSSIBLE);
            check_count("S13, not listed", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                        QUALITY_UNIT_UNCONFIRMED);
        }
        made_free(made);
    }
}

static void a_restart_of_the_unit_publishes_no_zero(void **state)
{
    (void)state; /* S15. Planted defect: starting ends at the first plausible scan. */
    struct made *made = made_new();
    int64_t ms = 0, first_bad = -1, last_bad = -1;
    for (; ms < 600000; ms += 10000) {
        refresh_at(made, ms);
        made_poll(made, ms);
    }
    for (unsigned i = 0; i < 3; i++, ms += 10000) { /* power off */
        struct scan scan = made_failed(made, ms);
        made_measure(made, &scan);
        check_count("line", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_LINE_DOWN);
    }
    int64_t powered = ms - 5000;
    for (; ms < powered + 300000; ms += 10000) {
        memset(made->unit, 0, sizeof made->unit);
        if (ms >= powered + 25000) {
            made_healthy(made);
            refresh_at(made, ms);
        }
        made_poll(made, ms);
        uint8_t quality = made_quality(made, POINT_INTAKE_PRESSURE);
        check_count("0 degC is no marker", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                    quality);
        if (quality != QUALITY_GOOD) {
            check_count("S15", quality, QUALITY_STARTING);
            assert_true(isnan(made_value(made, POINT_INTAKE_PRESSURE)));
            first_bad = first_bad < 0 ? ms : first_bad;
            last_bad = ms;
        }
    }
    assert_true(first_bad >= 0);
    if (last_bad + 10000 - first_bad > 60000)
        fail_msg("S15: gauge gap of %lld ms, at most 60 s",
                 (long long)(last_bad + 10000 - first_bad));
    made_free(made);
}

static void a_gauge_lost_for_good_is_silent_and_the_drive_goes_on(void **state)
{
    (void)state; /* S16, by status and by data. Planted defect: markers of all channels are called
                    not fitted. */
    for (unsigned by_status = 0; by_status < 2; by_status++) {
        struct made *made = made_new();
        made_entry(made, SOURCE_DRIVE, 1);
        made->drive[0] = 5000;
        made->drive[1] = 11;
        made->maps[0].has_status = by_status;
        for (unsigned i = 0; i < made->maps[0].n_channels; i++) {
            struct channel *channel = &made->maps[0].channel[i];
            channel->faults[0] =
                (struct marker){.words = {0x7FFF, 0x7FFF}, .n_words = (uint8_t)channel->n_words};
            channel->n_faults = 1;
        }
        int64_t ms = 0;
        for (; ms < 600000; ms += 10000) {
            refresh_at(made, ms);
            made_poll(made, ms);
        }
        int64_t lost = ms;
        if (by_status)
            made->unit[STATUS_AT] = FAULT_BIT;
        else
            memset(&made->unit[16], 0x7F, 12 * sizeof *made->unit);
        for (unsigned i = 16; !by_status && i < 28; i++)
            made->unit[i] = 0x7FFF;
        struct snapshot snapshot;
        for (; ms < lost + 3600000; ms += 10000) {
            made_poll(made, ms);
            check_count("S16", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GAUGE_SILENT);
            assert_true(isnan(made_value(made, POINT_INTAKE_PRESSURE)));
            struct scan scan = made_drive_scan(made, ms + 300);
            made_measure(made, &scan);
            check_count("the drive goes on", made_quality(made, POINT_DRIVE_FREQUENCY),
                        QUALITY_GOOD);
        }
        made_look(made, ms, &snapshot);
        check_count("gauge", snapshot.gauge, GAUGE_SILENT);
        assert_int_equal(snapshot.gauge_since_utc_ms, MADE_UTC_MS + lost);
        check_count("line", snapshot.line, LINE_UP);
        const struct live_reading *live = made_live(&snapshot, POINT_INTAKE_PRESSURE);
        double age_s;
        check_count("marked", live_quality_at(live, MADE_BOOT_MS + ms, &age_s),
                    QUALITY_GAUGE_SILENT);
        check_close("last value", live->value, (double)(12000 + (lost - 10000) / 28000 * 7 % 40),
                    0.0);
        check_close("its age", age_s, 3600 + 10 + 28, 1e-9);
        made_free(made);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_healthy_day_is_good_from_end_to_end),
        cmocka_unit_test(a_slow_poll_shows_ages_to_88_s_and_no_stale),
        cmocka_unit_test(sensors_that_are_not_fitted_leave_a_healthy_well),
        cmocka_unit_test(markers_in_other_units_are_found_where_the_map_lists_them),
        cmocka_unit_test(a_restart_of_the_unit_publishes_no_zero),
        cmocka_unit_test(a_gauge_lost_for_good_is_silent_and_the_drive_goes_on),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
