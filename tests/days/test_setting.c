/* SPDX-License-Identifier: Apache-2.0
 *
 * test_setting.c - a virtual unit whose unit setting is changed while the daemon runs: no reading
 * is Good and wrong, each change is told, and a late record is in the unit of the live one.
 *
 * The harness holds every Good value against the unit's truth.
 */
#include "day.h"
#include "day_late.h"

#include "check.h"

#include <stdlib.h>

#define MINUTE INT64_C(60000)

static const char CONFIG[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n"
    "      gauge:\n        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: "
    "settable, poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"
    "maps:\n  settable:\n    map: settable\n    numbering: from-0\n    refresh: 28 s\n"
    "    first_data: 25 s\n    gauge_status: {input: 0, bits: {0: live, 1: starting, 2: fault}}\n"
    "    unit_register: {holding: 90, pressure: {bits: 0 to 3, 0: MPa, 1: {unit: psi, scale: "
    "0.1}}, "
    "temperature: {bits: 0 to 3, 0: degC, 1: degF}, except: [wellhead_temperature]}\n"
    "    channels:\n"
    "      intake_pressure: {input: 16, type: u16, scale: 0.001, unit: MPa, reference: absolute, "
    "instrument_range: 0 to 60 MPa}\n"
    "      discharge_pressure: {input: 17, type: u16, scale: 0.001, unit: MPa, reference: "
    "absolute, instrument_range: 0 to 60 MPa}\n"
    "      intake_temperature: {input: 18, type: s16, scale: 0.1, unit: degC, instrument_range: "
    "-20 to 200 degC}\n"
    "      motor_winding_temperature: {input: 19, type: s16, scale: 0.1, unit: degC, "
    "instrument_range: -20 to 300 degC}\n"
    "      wellhead_temperature: {input: 20, type: s16, scale: 0.1, unit: degC, instrument_range: "
    "-60 to 150 degC}\n";

static void set(struct day *day, uint16_t number, bool values, bool shown)
{
    virtual_unit_set_setting(day_unit(day, 0, 1), day_unit_now_ms(day), number, values, shown);
}

static uint8_t newest(const struct kept_records *kept, uint16_t point)
{
    for (size_t i = kept->n; i-- > 0;)
        for (uint16_t k = 0; k < kept->record[i].n; k++)
            if (kept->record[i].reading[k].point == point)
                return kept->record[i].reading[k].quality;
    return QUALITY_NOT_MAPPED;
}

static void expect(const struct kept_records *kept, uint8_t pressure, uint8_t temperature,
                   const char *when)
{
    if (newest(kept, POINT_INTAKE_PRESSURE) != pressure ||
        newest(kept, POINT_INTAKE_TEMPERATURE) != temperature)
        fail_msg("%s: pressure %u, temperature %u", when, newest(kept, POINT_INTAKE_PRESSURE),
                 newest(kept, POINT_INTAKE_TEMPERATURE));
}

/** Newest event of a kind says this; returns how many there are. */
static long long told(struct day *day, const char *kind, const char *says)
{
    char text[GAP_CAUSE_MAX] = "";
    const size_t n = day_count_events(day, kind, text);
    if (n > 0 && strstr(text, says) == NULL)
        fail_msg("%s: %s", kind, text);
    return (long long)n;
}

/**
 * Together, register alone, values alone, unknown, over a kill and a stop. Planted defects:
 * setting-untold, setting-untold-over-restart, and those of test_unit_setting.
 */
static void a_setting_that_changes_is_followed_and_told(void **state)
{
    (void)state;
    const uint8_t good = QUALITY_GOOD, doubted = QUALITY_UNIT_UNCONFIRMED;
    struct kept_records kept = {0};
    const struct day_options options = {
        .config = CONFIG, .seed = 51, .record = keep_record, .record_context = &kept};
    struct day *day = day_create(&options);
    day_run_for(day, 5 * MINUTE);
    expect(&kept, good, good, "as made");
    check_count("told", told(day, "unit_setting", ""), 0);
    set(day, 1, true, true);
    day_run_for(day, 15000);
    expect(&kept, good, good, "psi and degF");
    check_count("told", told(day, "unit_setting", "went from 0 (MPa, degC) to 1 (psi, degF) at "),
                1);
    day_run_for(day, 5 * MINUTE);
    set(day, 0, true, false);
    day_run_for(day, 15000);
    expect(&kept, doubted, doubted, "the values went back, the register did not");
    day_run_for(day, 5 * MINUTE);
    check_count("doubt", told(day, "unit_doubt", "the unit-setting register says") > 0, 1);
    day_kill(day, 20000);
    day_run_for(day, 5 * MINUTE);
    expect(&kept, doubted, doubted, "after a kill");
    set(day, 0, true, true);
    day_run_for(day, 2 * MINUTE);
    expect(&kept, good, good, "the register too");
    check_count("told", told(day, "unit_setting", "went from 1 (psi, degF) to 0 (MPa, degC)"), 2);
    set(day, 1, false, true);
    day_run_for(day, 2 * MINUTE);
    expect(&kept, doubted, doubted, "the register alone");
    set(day, 7, false, true);
    day_run_for(day, 2 * MINUTE);
    expect(&kept, doubted, doubted, "a number that the map doesn't know");
    check_count("told", told(day, "unit_setting", "to 7 (unknown to the map) at"), 4);
    check_count("excepted", newest(&kept, 20), good);
    set(day, 0, true, true);
    day_run_for(day, 2 * MINUTE);
    expect(&kept, good, good, "as made again");
    day_stop(day, MINUTE);
    set(day, 1, true, true);
    day_run_for(day, 5 * MINUTE);
    expect(&kept, good, good, "changed while nobody looked");
    check_count("told", told(day, "unit_setting", "to 1 (psi, degF)"), 6);
    check_count("good and wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    assert_true(check_late_equals_live(day, &kept, 20, 7) > 200);
    assert_true(check_late_one_by_one(day, &kept, 20) > 120);
    free(kept.record);
    day_destroy(day);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_setting_that_changes_is_followed_and_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
