/* SPDX-License-Identifier: Apache-2.0
 *
 * test_lapse.c - what random lives (test_window.c) seldom show: a memory that outlives its window.
 * Each names the planted defect that it must catch, and has been seen to.
 */
#include "late.h"

struct script {
    struct made *made;
    struct history *history;
    unsigned n;
    int64_t ms;
};

static struct script script_new(void)
{
    struct script script = {.made = made_new(), .history = calloc(1, sizeof(struct history))};
    assert_non_null(script.history);
    made_entry(script.made, SOURCE_DRIVE, 1);
    return script;
}

static void script_take(struct script *script, const struct scan *scan)
{
    struct history *history = script->history;
    assert_true(script->n < SCANS);
    made_measure(script->made, scan);
    history->scans[script->n] = *scan;
    history->records[script->n] = script->made->record;
    history->records[script->n].plan_digest = 0;
    for (size_t k = 0; k < script->made->n_facts; k++) {
        history->facts[history->n_facts] = script->made->facts[k];
        history->facts[history->n_facts++].pos = script->n;
    }
    script->n++;
}

static void script_polls(struct script *script, int64_t for_ms)
{
    for (int64_t end = script->ms + for_ms; script->ms < end; script->ms += 10000) {
        struct scan scan = made_scan(script->made, script->ms);
        script_take(script, &scan);
    }
}

/** The newest scan, late, is what it was live; a drive that was polled only at first does not widen
 * the window. */
static void script_end(struct script *script)
{
    for (unsigned wanted = script->n - 12; wanted < script->n; wanted++) {
        unsigned start = window_start(script->made, script->history, wanted);
        assert_true(start > 0);
        replay(script->made, script->history, 0, start, wanted, wanted + 1);
    }
    free(script->history);
    made_free(script->made);
}

#define LONG_MS (3 * 3600 * 1000)

static void a_frame_is_forgotten_where_only_halves_came_for_long(void **state)
{
    (void)state; /* planted defect: the last frame counts whatever its age */
    struct script script = script_new();
    script_polls(&script, 1800000);
    assert_int_equal(made_quality(script.made, POINT_INTAKE_PRESSURE), QUALITY_FROZEN);
    for (int64_t end = script.ms + LONG_MS; script.ms < end; script.ms += 10000) {
        struct scan scan = made_scan(script.made, script.ms);
        refuse(&scan, 1, BLOCK_NO_ANSWER);
        script_take(&script, &scan);
    }
    script_polls(&script, 10000);
    script_end(&script);
}

static void a_confirmed_value_is_forgotten_in_time(void **state)
{
    (void)state; /* planted defect: the last confirmed value counts whatever its age
                    (measure-solid-any-age) */
    struct script script = script_new();
    script.made->maps[0].channel[0].has_max_rate = true;
    script.made->maps[0].channel[0].max_rate_per_s = 0.01;
    script_polls(&script, 600000);
    for (unsigned i = 0; i < 700; i++) { /* never twice the same: nothing is confirmed */
        script.made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(20000 + (i % 7) * 3000);
        script_polls(&script, 10000);
    }
    script.made->unit[INTAKE_PRESSURE_AT] = 12346;
    script_polls(&script, 10000);
    assert_int_equal(made_quality(script.made, POINT_INTAKE_PRESSURE), QUALITY_STEP_UNCONFIRMED);
    script_end(&script);
}

static void a_series_begins_anew_after_long_without_data(void **state)
{
    (void)state; /* planted defect: a value is compared with the last one whatever its age
                    (measure-step-any-age) */
    struct script script = script_new();
    script.made->maps[0].channel[0].has_max_rate = true;
    script.made->maps[0].channel[0].max_rate_per_s = 0.01; /* in three hours less than the step */
    script_polls(&script, 600000);
    script.made->unit[INTAKE_PRESSURE_AT] = 0xFFFF;
    script_polls(&script, LONG_MS);
    script.made->unit[INTAKE_PRESSURE_AT] = 20000; /* as no change of unit makes it */
    script_polls(&script, 10000);
    script_end(&script);
}

static void a_clock_is_not_compared_over_a_long_pause(void **state)
{
    (void)state; /* planted defect: a step is told from two scans however far apart
                    (measure-clock-any-distance) */
    struct script script = script_new();
    script.made->clock = CLOCK_STATE_UNSYNCHRONISED;
    script_polls(&script, 1800000);
    script.ms += LONG_MS;
    script.made->utc_minus_boot += 3600000;
    /* More than a hundred scans, so that the pause lies outside the window, and not yet 10 min. */
    for (unsigned i = 0; i < 130; i++, script.ms += 2000) {
        struct scan scan = made_scan(script.made, script.ms);
        script_take(&script, &scan);
    }
    script_end(&script);
}

static void an_episode_of_starting_has_no_phase(void **state)
{
    (void)state; /* planted defect: an episode runs to its end before the next one may begin */
    struct script script = script_new();
    script_polls(&script, 600000);
    for (unsigned i = 0; i < 1007; i++) {
        script.made->unit[STATUS_AT] = i % 2 == 0 ? FAULT_BIT : STARTING_BIT;
        script_polls(&script, 10000);
    }
    script_end(&script);
}

static void an_input_of_another_source_is_forgotten_after_a_lapse(void **state)
{
    (void)state; /* planted defect: the newest record of the other source counts whatever its age
                    (measure-other-source-any-age) */
    struct script script = script_new();
    struct map *gauge = &script.made->maps[0], *drive = &script.made->maps[1];
    struct channel intake = gauge->channel[0];
    memmove(&gauge->channel[0], &gauge->channel[1], --gauge->n_channels * sizeof intake);
    intake.table = TABLE_HOLDING;
    intake.address = 2;
    memmove(&drive->channel[1], &drive->channel[0], drive->n_channels++ * sizeof intake);
    drive->channel[0] = intake;
    script.made->drive[2] = 12000;
    for (unsigned i = 0; i < 600; i++) {
        script_polls(&script, 10000);
        if (i >= 120)
            continue;
        struct scan scan = made_drive_scan(script.made, script.ms - 9000);
        script_take(&script, &scan);
    }
    for (unsigned i = 0; i < 6; i++) { /* hours later the drive is still away */
        script.ms += i == 0 ? LONG_MS : 0;
        script_polls(&script, 10000);
    }
    assert_int_equal(made_quality(script.made, POINT_PUMP_DIFFERENTIAL_PRESSURE),
                     QUALITY_INPUT_BAD);
    script_end(&script);
}

static void good_data_seen_once_early_in_the_window_are_known_by_their_fact(void **state)
{
    (void)state; /* planted defect: only facts from before the window are loaded */
    struct script script = script_new();
    script.made->unit[DISCHARGE_TEMPERATURE_AT] = 0;
    script_polls(&script, LONG_MS);
    struct fold_window window = fold_window_of(&script.made->plan, &script.made->well);
    script.made->unit[DISCHARGE_TEMPERATURE_AT] = 874;
    script_polls(&script, 10000);
    script.made->unit[DISCHARGE_TEMPERATURE_AT] = 0;
    script_polls(&script, window.ms - window.ms % 10000);
    check_count("live", made_quality(script.made, POINT_DISCHARGE_TEMPERATURE),
                QUALITY_CHANNEL_FAULT);
    script_end(&script);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_frame_is_forgotten_where_only_halves_came_for_long),
        cmocka_unit_test(a_confirmed_value_is_forgotten_in_time),
        cmocka_unit_test(a_series_begins_anew_after_long_without_data),
        cmocka_unit_test(a_clock_is_not_compared_over_a_long_pause),
        cmocka_unit_test(an_episode_of_starting_has_no_phase),
        cmocka_unit_test(an_input_of_another_source_is_forgotten_after_a_lapse),
        cmocka_unit_test(good_data_seen_once_early_in_the_window_are_known_by_their_fact),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
