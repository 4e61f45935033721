/* SPDX-License-Identifier: Apache-2.0
 *
 * test_payload.c - payloads against golden messages, which were written by hand from the documented
 * shapes, and where a message must end.
 *
 * Planted defects that these tests must catch, each seen to fail:
 *  - a record carries the last value under line_down;
 *  - a value that isn't there goes out as Good;
 *  - a hole between rows hides inside a message;
 *  - a time is made up while the clock was never set;
 *  - the reference of today's map is claimed for a row measured under another plan.
 */
#include "check.h"
#include "payload_fixture.h"

#include "uphole/json.h"

#include <stdlib.h>

static struct plan *plan;
static char into[PAYLOAD_MAX];

static const struct unit_choice *units_of(int to)
{
    return &plan->destinations[to].units;
}

static void check_golden(const char *name)
{
    static char golden[PAYLOAD_MAX];
    char path[512];
    snprintf(path, sizeof path, UPHOLE_SOURCE_DIR "/tests/publish/golden/%s.json", name);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    golden[fread(golden, 1, sizeof golden - 1, file)] = '\0';
    fclose(file);
    check_text(name, into, golden);
}

static struct snapshot example_snapshot(void)
{
    struct snapshot snapshot = {.run = FIXTURE_RUN,
                                .seq = 88120,
                                .well = FIXTURE_WELL,
                                .line = LINE_UP,
                                .gauge = GAUGE_LIVE,
                                .clock = CLOCK_STATE_SYNCHRONISED,
                                .journaled = true,
                                .n = 2};
    snapshot.newest = (struct stamp){
        .utc_ms = FIXTURE_UTC_MS, .boot_ms = 100000, .clock = CLOCK_STATE_SYNCHRONISED};
    snapshot.taken = snapshot.newest;
    snapshot.reading[0] = (struct live_reading){.point = POINT_INTAKE_PRESSURE,
                                                .quality = QUALITY_GOOD,
                                                .value = 12345,
                                                .fresh_boot_ms = 71600,
                                                .stale_limit_ms = 48000};
    snapshot.reading[1] = (struct live_reading){.point = POINT_DISCHARGE_PRESSURE,
                                                .quality = QUALITY_NOT_FITTED,
                                                .value = NAN,
                                                .fresh_boot_ms = INT64_MIN,
                                                .stale_limit_ms = 48000};
    return snapshot;
}

static void example_rows(struct record rows[static 2])
{
    rows[0] = payload_record_of(SOURCE_GAUGE, 88120);
    payload_add(&rows[0], POINT_INTAKE_PRESSURE, 12345, QUALITY_GOOD, 28.4f);
    payload_add(&rows[0], POINT_DISCHARGE_PRESSURE, NAN, QUALITY_NOT_FITTED, NAN);
    rows[1] = payload_record_of(SOURCE_DRIVE, 88121);
    rows[1].at.utc_ms += 490;
    rows[1].outcome = OUTCOME_SILENT;
    payload_add(&rows[1], POINT_DRIVE_FREQUENCY, NAN, QUALITY_LINE_DOWN, NAN);
}

static size_t write_rows(const struct record *rows, size_t n, size_t *used)
{
    return payload_record(into, sizeof into, plan, units_of(TO_METRIC), SENT_LIVE, rows, n, used);
}

static void the_documented_record_comes_out_byte_by_byte(void **state)
{
    (void)state;
    struct record rows[2];
    size_t used;
    example_rows(rows);
    size_t length = write_rows(rows, 2, &used);
    assert_int_equal(length, strlen(into));
    assert_int_equal(used, 2);
    check_golden("record");
}

static void the_documented_latest_comes_out_byte_by_byte(void **state)
{
    (void)state;
    struct snapshot snapshot = example_snapshot();
    assert_true(payload_latest(into, sizeof into, plan, units_of(TO_METRIC), &snapshot, 100000) >
                0);
    check_golden("latest");
}

static void the_documented_gap_comes_out_byte_by_byte(void **state)
{
    (void)state;
    struct gap gap = {
        .run = FIXTURE_RUN,
        .id = 17,
        .kind = GAP_LINE,
        .well = FIXTURE_WELL,
        .source = SOURCE_GAUGE,
        .is_open = true,
        .before_seq = 88150,
        .lost = true,
        .start = {.utc_ms = FIXTURE_UTC_MS - 120 + 600000, .clock = CLOCK_STATE_SYNCHRONISED},
        .cause = "No answer from the surface unit (unit id 1, pad-line, 9600 8N1)."};
    assert_true(payload_gap(into, sizeof into, plan, &gap, "heron-7") > 0);
    check_golden("gap");
}

static struct box_state example_box(void)
{
    struct box_state box = {.running = true,
                            .run = FIXTURE_RUN,
                            .version = "0.1.0",
                            .clock = CLOCK_STATE_SYNCHRONISED,
                            .journal_ok = true,
                            .days_left = 391};
    box.state.n_destinations = 2;
    box.state.destination[0].state = DELIVERY_UP;
    box.state.destination[1].state = DELIVERY_DOWN;
    box.state.destination[1].waiting = 12;
    box.state.books = (struct wall_books){.verdict = BOOKS_HOLD,
                                          .at_utc_ms = INT64_C(1930204864000),
                                          .from_utc_ms = INT64_C(1930114860000),
                                          .due = 9000,
                                          .rows = 8993,
                                          .never = 7};
    return box;
}

static void the_documented_box_comes_out_byte_by_byte(void **state)
{
    (void)state;
    struct box_state box = example_box();
    assert_true(payload_box(into, sizeof into, plan, &box) > 0);
    check_golden("box");
}

static void the_last_will_claims_nothing_about_the_present(void **state)
{
    (void)state;
    struct box_state box = example_box();
    box.running = false;
    assert_true(payload_box(into, sizeof into, plan, &box) > 0);
    assert_non_null(strstr(into, "\"running\":false"));
    assert_non_null(strstr(
        into, "\"clock\":\"unknown\",\"journal\":{\"state\":\"unknown\",\"days_left\":null}"));
    assert_null(strstr(into, "\"up\""));
    assert_null(strstr(into, ":12}"));
    assert_non_null(strstr(into, "\"books\":{\"state\":\"unknown\",\"audited\":null,"));
    assert_null(strstr(into, "9000"));
}

static void
a_record_carries_no_value_under_line_down_but_latest_keeps_the_last_one_marked(void **state)
{
    (void)state;
    struct record row = payload_record_of(SOURCE_GAUGE, 5);
    size_t used;
    payload_add(&row, POINT_INTAKE_PRESSURE, 12345, QUALITY_LINE_DOWN, 99);
    payload_add(&row, POINT_INTAKE_TEMPERATURE, 87.4, QUALITY_IMPOSSIBLE, 9);
    assert_true(write_rows(&row, 1, &used) > 0);
    assert_non_null(
        strstr(into, "\"values\":[null,null],\"qualities\":[3,6],\"age_s\":[null,null]"));
    struct snapshot snapshot = example_snapshot();
    snapshot.reading[0].quality = QUALITY_LINE_DOWN;
    assert_true(payload_latest(into, sizeof into, plan, units_of(TO_METRIC), &snapshot, 100000) >
                0);
    assert_non_null(strstr(into, "{\"value\":12345,\"unit\":\"kPa\",\"reference\":\"absolute\","
                                 "\"quality\":3,\"reason\":\"line_down\",\"age_s\":28.4}"));
}

static void a_value_that_is_not_there_is_never_good(void **state)
{
    (void)state;
    struct record row = payload_record_of(SOURCE_GAUGE, 5);
    size_t used;
    payload_add(&row, POINT_INTAKE_PRESSURE, NAN, QUALITY_GOOD, 1);
    payload_add(&row, POINT_INTAKE_TEMPERATURE, INFINITY, QUALITY_FROZEN, 1);
    payload_add(&row, POINT_MOTOR_OIL_TEMPERATURE, 80, 0x80, 1); /* class 10 is never sent */
    assert_true(write_rows(&row, 1, &used) > 0);
    assert_non_null(strstr(
        into, "\"values\":[null,null,null],\"qualities\":[0,0,0],\"age_s\":[null,null,null]"));
}

static void age_turns_a_live_value_stale_and_says_how_old_it_is(void **state)
{
    (void)state;
    struct snapshot snapshot = example_snapshot();
    assert_true(
        payload_latest(into, sizeof into, plan, units_of(TO_METRIC), &snapshot, 71600 + 48000) > 0);
    assert_non_null(strstr(into, "\"quality\":192,\"reason\":\"good\",\"age_s\":48.0}"));
    assert_true(
        payload_latest(into, sizeof into, plan, units_of(TO_METRIC), &snapshot, 71600 + 48001) > 0);
    assert_non_null(strstr(into, "\"value\":12345"));
    assert_non_null(strstr(into, "\"quality\":64,\"reason\":\"stale\",\"age_s\":48.0}"));
}

static void before_the_first_scan_of_a_run_there_is_no_seq_and_no_time(void **state)
{
    (void)state;
    struct snapshot snapshot = example_snapshot();
    snapshot.seq = 0;
    assert_true(payload_latest(into, sizeof into, plan, units_of(TO_METRIC), &snapshot, 100000) >
                0);
    assert_non_null(strstr(into, "\"seq\":null,\"journaled\":true,\"time\":null"));
    snapshot = example_snapshot();
    snapshot.journaled = false;
    assert_true(payload_latest(into, sizeof into, plan, units_of(TO_METRIC), &snapshot, 100000) >
                0);
    assert_non_null(strstr(into, "\"seq\":null,\"journaled\":false,\"time\":\"2031"));
}

static void a_clock_that_was_never_set_gives_no_time(void **state)
{
    (void)state;
    struct record row = payload_record_of(SOURCE_GAUGE, 5);
    size_t used;
    payload_add(&row, POINT_INTAKE_PRESSURE, 12345, QUALITY_CLOCK_UNSURE, 1);
    row.at.clock = CLOCK_STATE_NEVER_SET;
    assert_true(write_rows(&row, 1, &used) > 0);
    assert_non_null(strstr(into, "\"time\":null,\"clock\":\"never_set\""));
    assert_null(strstr(into, "2031"));
}

static void a_row_of_another_plan_has_an_unknown_reference(void **state)
{
    (void)state;
    struct record row = payload_record_of(SOURCE_GAUGE, 5);
    size_t used;
    payload_add(&row, POINT_INTAKE_PRESSURE, 12345, QUALITY_GOOD, 1);
    payload_add(&row, POINT_INTAKE_TEMPERATURE, 80, QUALITY_GOOD, 1);
    row.plan_digest = 0x01020304;
    assert_true(write_rows(&row, 1, &used) > 0);
    assert_non_null(strstr(into, "\"plan\":\"01020304\""));
    assert_non_null(strstr(into, "\"references\":[\"unknown\",null]"));
}

static void a_differential_pressure_has_the_reference_that_its_inputs_share(void **state)
{
    (void)state;
    struct record row = payload_record_of(SOURCE_GAUGE, 5);
    size_t used;
    payload_add(&row, POINT_PUMP_DIFFERENTIAL_PRESSURE, NAN, QUALITY_INPUT_BAD, NAN);
    row.reading[0].worst_input = POINT_DISCHARGE_PRESSURE;
    assert_true(write_rows(&row, 1, &used) > 0);
    assert_non_null(strstr(into, "\"references\":[\"absolute\"]"));
    assert_non_null(strstr(into, "\"worst_inputs\":[\"discharge_pressure\"]"));
    struct map *map = &plan->maps[plan->wells[0].entries[SOURCE_GAUGE][0].map];
    for (uint16_t i = 0; i < map->n_channels; i++)
        if (map->channel[i].point == POINT_DISCHARGE_PRESSURE)
            map->channel[i].reference = REFERENCE_GAUGE;
    assert_true(write_rows(&row, 1, &used) > 0);
    assert_non_null(strstr(into, "\"references\":[\"unknown\"]"));
    for (uint16_t i = 0; i < map->n_channels; i++)
        if (map->channel[i].point == POINT_DISCHARGE_PRESSURE)
            map->channel[i].reference = REFERENCE_ABSOLUTE;
}

/* Six rows; `change` alters the fourth: the message must hold three. */
static void check_message_ends(const char *what, void (*change)(struct record *row))
{
    struct record rows[6];
    size_t used;
    for (uint64_t i = 0; i < 6; i++) {
        rows[i] = payload_record_of(SOURCE_GAUGE, 100 + i);
        payload_add(&rows[i], POINT_INTAKE_PRESSURE, 12345, QUALITY_GOOD, 1);
    }
    assert_true(write_rows(rows, 6, &used) > 0);
    check_count("rows where nothing changes", (long long)used, 6);
    change(&rows[3]);
    assert_true(write_rows(rows, 6, &used) > 0);
    check_count(what, (long long)used, 3);
}
static void change_run(struct record *row)
{
    row->run++;
}
static void change_plan(struct record *row)
{
    row->plan_digest++;
}
static void change_version(struct record *row)
{
    row->measure_version++;
}
static void make_a_hole(struct record *row)
{
    row->seq++;
    row->after_seq++;
}
static void follow_another_run(struct record *row)
{
    row->after_run++;
}
static void change_columns(struct record *row)
{
    payload_add(row, POINT_INTAKE_TEMPERATURE, 80, QUALITY_GOOD, 1);
}

static void a_message_ends_where_its_head_would_no_longer_be_true(void **state)
{
    (void)state;
    check_message_ends("rows before another run", change_run);
    check_message_ends("rows before another plan", change_plan);
    check_message_ends("rows before another measure_version", change_version);
    check_message_ends("rows before a hole", make_a_hole);
    check_message_ends("rows before a row that follows another run", follow_another_run);
    check_message_ends("rows before other columns", change_columns);
}

static void a_message_never_exceeds_its_room_and_never_writes_beyond_it(void **state)
{
    (void)state;
    static struct record rows[64];
    size_t used, whole;
    for (uint64_t i = 0; i < 64; i++) {
        rows[i] = payload_record_of(i % 3 == 2 ? SOURCE_DRIVE : SOURCE_GAUGE, 100 + i);
        payload_add(&rows[i], i % 3 == 2 ? POINT_DRIVE_FREQUENCY : POINT_INTAKE_PRESSURE, 52.25,
                    QUALITY_GOOD, 1);
    }
    whole = write_rows(rows, 64, &used);
    check_count("rows", (long long)used, 64);
    size_t before = 0;
    for (size_t room = 0; room <= whole + 2; room += room < 900 ? 1 : 11) {
        char *small = malloc(room + 1); /* the sanitizer sees a byte too many */
        assert_non_null(small);
        size_t n =
            payload_record(small, room, plan, units_of(TO_METRIC), SENT_LATE, rows, 64, &used);
        assert_true(n < room || (n == 0 && room == 0));
        assert_true((n == 0) == (used == 0));
        assert_true(used >= before); /* more room never takes fewer rows */
        if (n > 0)
            assert_string_equal(small + n - 3, "}]}");
        before = used;
        free(small);
    }
    assert_int_equal(
        payload_record(into, whole + 1, plan, units_of(TO_METRIC), SENT_LATE, rows, 64, &used),
        whole);
    check_count("rows with just the room for all", (long long)used, 64);
}

static void text_from_outside_stays_one_json_string(void **state)
{
    (void)state;
    struct gap gap = {.run = 1,
                      .id = 1,
                      .kind = GAP_PROGRAM,
                      .all_wells = true,
                      .cause = "a\"b\\c\n\x01\x7f \xc3\xa9 \xe2\x82 \xff \xf0\x9f\x98\x80"};
    assert_true(payload_gap(into, sizeof into, plan, &gap, "heron-7") > 0);
    assert_non_null(strstr(into, "\"cause\":\"a\\\"b\\\\c\\u000a\\u0001\\u007f \xc3\xa9 "
                                 "\\ufffd\\ufffd \\ufffd \xf0\x9f\x98\x80\",\"note\":null"));
    assert_non_null(strstr(into, "\"all_wells\":true"));
    assert_non_null(strstr(into, "\"start\":null,\"end\":null,\"open\":false"));
}

static void units_follow_the_destination_by_kind(void **state)
{
    (void)state;
    struct record row = payload_record_of(SOURCE_GAUGE, 5);
    size_t used;
    payload_add(&row, POINT_INTAKE_PRESSURE, 9505.0, QUALITY_GOOD, 1);
    payload_add(&row, POINT_INTAKE_TEMPERATURE, 0.0, QUALITY_GOOD, 1);
    assert_true(
        payload_record(into, sizeof into, plan, units_of(TO_US), SENT_LIVE, &row, 1, &used) > 0);
    /* 9505 kPa / 6.894757293168361 = 1378.58...; 0 degC = 32 degF */
    assert_non_null(strstr(into, "\"units\":[\"psi\",\"degF\"]"));
    assert_non_null(strstr(into, "\"values\":[1378.6,32.0]"));
    assert_true(
        payload_record(into, sizeof into, plan, units_of(TO_OWN), SENT_LIVE, &row, 1, &used) > 0);
    /* 9505 / 98.0665 = 96.924... */
    assert_non_null(strstr(into, "\"units\":[\"kgf/cm2\",\"degF\"]"));
    assert_non_null(strstr(into, "\"values\":[96.92,32.0]"));
}

static int set_up(void **state)
{
    (void)state;
    plan = payload_plan();
    return 0;
}
static int tear_down(void **state)
{
    (void)state;
    plan_free(plan);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_documented_record_comes_out_byte_by_byte),
        cmocka_unit_test(the_documented_latest_comes_out_byte_by_byte),
        cmocka_unit_test(the_documented_gap_comes_out_byte_by_byte),
        cmocka_unit_test(the_documented_box_comes_out_byte_by_byte),
        cmocka_unit_test(the_last_will_claims_nothing_about_the_present),
        cmocka_unit_test(
            a_record_carries_no_value_under_line_down_but_latest_keeps_the_last_one_marked),
        cmocka_unit_test(a_value_that_is_not_there_is_never_good),
        cmocka_unit_test(age_turns_a_live_value_stale_and_says_how_old_it_is),
        cmocka_unit_test(before_the_first_scan_of_a_run_there_is_no_seq_and_no_time),
        cmocka_unit_test(a_clock_that_was_never_set_gives_no_time),
        cmocka_unit_test(a_row_of_another_plan_has_an_unknown_reference),
        cmocka_unit_test(a_differential_pressure_has_the_reference_that_its_inputs_share),
        cmocka_unit_test(a_message_ends_where_its_head_would_no_longer_be_true),
        cmocka_unit_test(a_message_never_exceeds_its_room_and_never_writes_beyond_it),
        cmocka_unit_test(text_from_outside_stays_one_json_string),
        cmocka_unit_test(units_follow_the_destination_by_kind),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
