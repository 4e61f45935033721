/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_value.c - what a value is worth: markers in other units, units that nobody has
 * confirmed, the table's word order, and a gauge that is changed in mid-day.
 */
#include "day.h"

#include "check.h"

#include "uphole/wire.h"

#include <stdlib.h>

#define HOUR INT64_C(3600000)
#define MINUTE INT64_C(60000)

#define HEAD                                                                                       \
    "site: heron-ridge\nbox: heron-edge-1\n"                                                       \
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "  \
    "s, listen_first: 2 s}\n"
#define DESTINATIONS                                                                               \
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"               \
    "  scada-table: {modbus_tcp: '127.0.0.1:1502', views: {1: metric high-word-first, 2: metric "  \
    "low-word-first, 3: us high-word-first}}\n"
#define WELL "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
#define ENTRY(from, unit_id, map, more)                                                            \
    "        - {from: " from ", line: pad-line, unit_id: " unit_id ", map: " map                   \
    ", poll_every: 10 s" more "}\n"
#define SINCE "2031-01-10T08:00:00Z"
#define NOON "2031-03-01T12:00:00Z" /* four hours into the day */
#define HALF_PAST_11                                                                               \
    (DAY_START_UTC_MS + 3 * HOUR + 30 * MINUTE + 5000) /* noon between two polls                   \
                                                        */
#define CONFIRMED ", confirmed_units: all"

static const char UNCONFIRMED[] = HEAD WELL ENTRY(SINCE, "1", "scaled-16", "") DESTINATIONS;
static const char ALL_CONFIRMED[] =
    HEAD WELL ENTRY(SINCE, "1", "scaled-16", CONFIRMED) DESTINATIONS;
static const char CHANGED_AT_NOON[] = HEAD WELL ENTRY(SINCE, "1", "scaled-16", CONFIRMED)
    ENTRY(NOON, "2", "scaled-16", CONFIRMED) DESTINATIONS;
static const char SAME_UNIT_CHANGED_AT_NOON[] =
    HEAD WELL ENTRY(SINCE, "1", "scaled-16", ", serial_number: G-0417" CONFIRMED)
        ENTRY(NOON, "1", "scaled-16", ", serial_number: G-0533" CONFIRMED) DESTINATIONS;
/* Its screen is set to US units: "not fitted" reads 32 degF and 9505 psi there (0 degC and the end
 * of a 16-bit scale in kPa; common practice, no source). */
static const char US_UNITS[] = HEAD WELL ENTRY(SINCE, "1", "us-units", CONFIRMED) DESTINATIONS
    "maps:\n  us-units:\n    map: us-units\n    numbering: from-0\n    refresh: 28 s\n"
    "    first_data: 25 s\n    largest_read: 20 registers\n    readable: [{input: 0 to 30}]\n"
    "    gauge_status: {input: 0, bits: {0: live, 1: starting, 2: fault}}\n    channels:\n"
    "      intake_pressure: {input: 10, type: u16, scale: 1, unit: psi, reference: absolute, "
    "instrument_range: 0 to 9600 psi, not_fitted: [9505]}\n"
    "      discharge_pressure: {input: 11, type: u16, scale: 1, unit: psi, reference: absolute, "
    "instrument_range: 0 to 9600 psi, not_fitted: [9505]}\n"
    "      intake_temperature: {input: 12, type: s16, scale: 0.1, unit: degF, instrument_range: "
    "-4 to 400 degF, not_fitted: [320]}\n"
    "      discharge_temperature: {input: 13, type: s16, scale: 0.1, unit: degF, "
    "instrument_range: -4 to 400 degF, not_fitted: [320]}\n";

struct seen {
    int64_t from_ms, until_ms;
    uint64_t records, marked_bad, marked_with_value, differential, unconfirmed, good_unconfirmed;
    uint64_t steps, frozen, good;
    struct day_answer held[8]; /* answers that are given again, by first address */
    uint16_t held_first[8];
    size_t n_held;
};

static unsigned in_table(struct day *day, uint8_t view, unsigned point, unsigned offset)
{
    const size_t at = TABLE_FIRST_SLOT + TABLE_SLOT_REGISTERS * (point - 1) + offset;
    return day_register(day, view, (uint16_t)at);
}
static float float_in_table(struct day *day, uint8_t view, unsigned point)
{
    return float_from_bits((uint32_t)in_table(day, view, point, 0) << 16 |
                           in_table(day, view, point, 1));
}
static bool needs_confirmation(unsigned point)
{
    return point == POINT_INTAKE_PRESSURE || point == POINT_DISCHARGE_PRESSURE ||
           point == POINT_INTAKE_TEMPERATURE || point == POINT_DISCHARGE_TEMPERATURE ||
           point == POINT_MOTOR_WINDING_TEMPERATURE || point == POINT_MOTOR_OIL_TEMPERATURE;
}

static void note_record(struct day *day, void *context, const struct record *record, bool live)
{
    (void)day;
    (void)live;
    struct seen *seen = context;
    if (record->at.boot_ms < seen->from_ms ||
        (seen->until_ms != 0 && record->at.boot_ms >= seen->until_ms))
        return;
    seen->records++;
    for (uint16_t i = 0; i < record->n; i++) {
        const struct reading *reading = &record->reading[i];
        if (reading->point == POINT_DISCHARGE_PRESSURE ||
            reading->point == POINT_DISCHARGE_TEMPERATURE) {
            seen->marked_bad += reading->quality == QUALITY_NOT_FITTED;
            seen->marked_with_value += isnan(reading->value) ? 0 : 1;
        }
        if (reading->point == POINT_PUMP_DIFFERENTIAL_PRESSURE)
            seen->differential += reading->quality == QUALITY_INPUT_BAD;
        if (needs_confirmation(reading->point)) {
            seen->unconfirmed += reading->quality == QUALITY_UNIT_UNCONFIRMED;
            seen->good_unconfirmed += reading->quality == QUALITY_GOOD;
        }
        seen->steps += reading->quality == QUALITY_STEP_UNCONFIRMED;
        seen->frozen += reading->quality == QUALITY_FROZEN;
        seen->good += reading->quality == QUALITY_GOOD;
    }
}

/* ---- S13 ---- */

static void write_us_markers(struct day *day, void *context, uint16_t line, const uint8_t *request,
                             size_t n_request, struct day_answer *answer)
{
    (void)day;
    (void)context;
    (void)line;
    (void)n_request;
    static const uint16_t AT[] = {11, 13}, MARKER[] = {9505, 320};
    const unsigned first = get_u16(request + 2), count = get_u16(request + 4);
    for (size_t i = 0; i < 2 && answer->n > 5; i++)
        if (first <= AT[i] && AT[i] < first + count)
            put_u16(answer->bytes + 3 + 2 * (AT[i] - first), MARKER[i]);
    if (answer->n < 5)
        return;
    const uint16_t crc = crc16(answer->bytes, answer->n - 2);
    answer->bytes[answer->n - 2] = (uint8_t)(crc & 0xFF);
    answer->bytes[answer->n - 1] = (uint8_t)(crc >> 8);
}

/** S13. Planted defect: markers compared after scaling, or only 65535 and 0 known
 * (measure-marker-after-scaling): 9505 psi as a pressure of 65,535 kPa. */
static void markers_of_a_unit_set_to_us_units_are_not_fitted(void **state)
{
    (void)state;
    struct seen seen = {.from_ms = DAY_BOOT_MS + 2 * MINUTE};
    const struct day_options options = {.config = US_UNITS,
                                        .seed = 41,
                                        .fault = write_us_markers,
                                        .context = &seen,
                                        .record = note_record};
    struct day *day = day_create(&options);
    day_run_for(day, HOUR);
    assert_true(seen.records > 300);
    check_count("not fitted", (long long)seen.marked_bad, (long long)(2 * seen.records));
    check_count("with a value", (long long)seen.marked_with_value, 0);
    check_count("differential pressure", (long long)seen.differential, (long long)seen.records);
    for (uint8_t view = 1; view <= 3; view += 2) {
        assert_true(isnan(float_in_table(day, view, POINT_DISCHARGE_PRESSURE)));
        check_count("quality in the table", in_table(day, view, POINT_DISCHARGE_PRESSURE, 2),
                    QUALITY_NOT_FITTED);
        check_count("a channel that is fitted", in_table(day, view, POINT_INTAKE_PRESSURE, 2),
                    QUALITY_GOOD);
    }
    check_count("gauge state", day_register(day, 1, 5), GAUGE_LIVE);
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    day_destroy(day);
}

/* ---- S14 ---- */

/** S14. Planted defect: a pressure or temperature Good before anybody compared it; or the value
 * held back, so that nobody can compare. */
static void units_that_nobody_confirmed_are_said_until_they_are(void **state)
{
    (void)state;
    struct seen seen = {.from_ms = DAY_BOOT_MS + 2 * MINUTE};
    const struct day_options options = {
        .config = UNCONFIRMED, .seed = 42, .context = &seen, .record = note_record};
    struct day *day = day_create(&options);
    day_run_for(day, HOUR);
    const uint64_t unconfirmed = seen.unconfirmed;
    assert_true(unconfirmed >= 6 * 340);
    check_count("Good before", (long long)seen.good_unconfirmed, 0);
    check_count("quality in the table", in_table(day, 1, POINT_INTAKE_PRESSURE, 2),
                QUALITY_UNIT_UNCONFIRMED);
    check_count("what is derived of it", in_table(day, 1, POINT_PUMP_DIFFERENTIAL_PRESSURE, 2),
                QUALITY_INPUT_UNSURE);
    assert_true(float_in_table(day, 1, POINT_INTAKE_PRESSURE) > 1000); /* to be compared */
    day_restart_with(day, ALL_CONFIRMED);
    day_run_for(day, HOUR);
    check_count("unconfirmed afterwards", (long long)(seen.unconfirmed - unconfirmed), 0);
    assert_true(seen.good_unconfirmed > 6 * 340);
    check_count("quality in the table, confirmed", in_table(day, 1, POINT_INTAKE_PRESSURE, 2),
                QUALITY_GOOD);
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    day_destroy(day);
}

/* ---- S11 ---- */

/** S11. Planted defect: the test pattern in one order in every view (table-one-word-order). 123456
 * is 0x47F12000 in IEEE 754. */
static void the_test_pattern_tells_the_word_order_of_each_view(void **state)
{
    (void)state;
    struct seen seen = {0};
    const struct day_options options = {
        .config = ALL_CONFIRMED, .seed = 43, .context = &seen, .record = note_record};
    struct day *day = day_create(&options);
    day_run_for(day, 5 * MINUTE);
    check_count("view 1, first", day_register(day, 1, 2), 0x47F1);
    check_count("view 1, second", day_register(day, 1, 3), 0x2000);
    check_count("view 2, first", day_register(day, 2, 2), 0x2000);
    check_count("view 2, second", day_register(day, 2, 3), 0x47F1);
    check_count("a value, high word", in_table(day, 2, POINT_INTAKE_PRESSURE, 1),
                in_table(day, 1, POINT_INTAKE_PRESSURE, 0));
    check_count("a value, low word", in_table(day, 2, POINT_INTAKE_PRESSURE, 0),
                in_table(day, 1, POINT_INTAKE_PRESSURE, 1));
    check_count("its quality is one word", in_table(day, 2, POINT_INTAKE_PRESSURE, 2),
                QUALITY_GOOD);
    day_destroy(day);
}

/* ---- a gauge changed in mid-day ---- */

static void run_over_noon(const char *config, int64_t utc_ms, struct seen *seen,
                          void (*fault)(struct day *day, void *context, uint16_t line,
                                        const uint8_t *request, size_t n_request,
                                        struct day_answer *answer),
                          bool books)
{
    const struct day_options options = {.config = config,
                                        .seed = 44,
                                        .utc_ms = utc_ms,
                                        .fault = fault,
                                        .context = seen,
                                        .record = note_record,
                                        .unjudged = fault != NULL};
    struct day *day = day_create(&options);
    day_run_for(day, 30 * MINUTE - 5000);
    day_run_for(day, 40 * MINUTE);
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    if (books)
        day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
}

/** Planted defect: the date is not looked at while the program runs, so that the old unit is asked
 * on (and taken for the new one). */
static void another_gauge_from_noon_makes_no_step(void **state)
{
    (void)state;
    struct seen seen = {.from_ms = DAY_BOOT_MS + 31 * MINUTE};
    run_over_noon(CHANGED_AT_NOON, HALF_PAST_11, &seen, NULL, true);
    check_count("steps", (long long)seen.steps, 0);
    assert_true(seen.good > 200 * 10); /* of the new unit, by its own truth */
}

static void hold_answers(struct day *day, void *context, uint16_t line, const uint8_t *request,
                         size_t n_request, struct day_answer *answer)
{
    (void)line;
    (void)n_request;
    struct seen *seen = context;
    if (day_now_ms(day) < DAY_BOOT_MS + 15 * MINUTE || answer->n == 0)
        return;
    const uint16_t key = (uint16_t)(get_u16(request + 2) << 8 | get_u16(request + 4));
    for (size_t i = 0; i < seen->n_held; i++)
        if (seen->held_first[i] == key) {
            *answer = seen->held[i];
            return;
        }
    if (seen->n_held == 8)
        return;
    seen->held_first[seen->n_held] = key;
    seen->held[seen->n_held++] = *answer;
}

/** Planted defect: the freeze counter goes on across the date. Registers stand still from 11:45 on;
 * frozen after 40 refreshes of 28 s (18 min 40 s) at 12:03:40 for one gauge, at 12:18:40 for one
 * that came at noon. */
static void the_freeze_counter_starts_anew_with_another_gauge(void **state)
{
    (void)state;
    struct seen one = {.from_ms = DAY_BOOT_MS + 31 * MINUTE, .until_ms = DAY_BOOT_MS + 48 * MINUTE};
    run_over_noon(ALL_CONFIRMED, HALF_PAST_11, &one, hold_answers, false);
    assert_true(one.frozen > 0);
    struct seen two = {.from_ms = DAY_BOOT_MS + 31 * MINUTE, .until_ms = DAY_BOOT_MS + 48 * MINUTE};
    run_over_noon(SAME_UNIT_CHANGED_AT_NOON, HALF_PAST_11, &two, hold_answers, true);
    check_count("frozen, of the new gauge", (long long)two.frozen, 0);
    struct seen late = {.from_ms = DAY_BOOT_MS + 50 * MINUTE};
    run_over_noon(SAME_UNIT_CHANGED_AT_NOON, HALF_PAST_11, &late, hold_answers, true);
    assert_true(late.frozen > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(markers_of_a_unit_set_to_us_units_are_not_fitted),
        cmocka_unit_test(units_that_nobody_confirmed_are_said_until_they_are),
        cmocka_unit_test(the_test_pattern_tells_the_word_order_of_each_view),
        cmocka_unit_test(another_gauge_from_noon_makes_no_step),
        cmocka_unit_test(the_freeze_counter_starts_anew_with_another_gauge),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
