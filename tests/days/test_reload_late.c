/* SPDX-License-Identifier: Apache-2.0
 *
 * test_reload_late.c - over changes of plan within a run a late record says what it said when it
 * was new, the books balance, and no due time of a line that answers is lost.
 */
#include "day.h"
#include "day_late.h"

#include "check.h"

#include "uphole/wire.h"

#include <stdlib.h>

#define MINUTE INT64_C(60000)
#define DISCHARGE_TEMPERATURE 21 /* its input register in config/maps/scaled-16.yaml */

#define LINES                                                                                      \
    "site: heron-ridge\nbox: heron-edge-1\n"                                                       \
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: "    \
    "1 s}\n"                                                                                       \
    "  skid-line: {serial: /dev/ttyS8, speed: 9600 baud, frame: 8N1, response_timeout: 1 s}\n"     \
    "wells:\n  heron-7:\n    table_block: 0\n"
#define LABEL(text) "    label: " text "\n"
#define GAUGE(poll)                                                                                \
    "    sources:\n      gauge:\n        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: " \
    "1, map: scaled-16, poll_every: " poll ", confirmed_units: all}\n"
#define DRIVE(poll)                                                                                \
    "      drive:\n        - {from: 2031-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: "      \
    "drive-a, poll_every: " poll ", confirmed_units: all}\n"
#define DATA(depth)                                                                                \
    "    well_data: [{from: 2031-01-10T08:00:00Z, intake_depth: " depth " m TVD, oil_gravity: 32 " \
    "API, water_cut: 60 %}]\n"
#define TO "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"

static const char FIRST[] = LINES LABEL("Heron 7") GAUGE("10 s") DRIVE("10 s") DATA("1850") TO;
static const char LABELLED[] =
    LINES LABEL("Heron seven") GAUGE("10 s") DRIVE("10 s") DATA("1850") TO;
static const char DEEPER[] = LINES LABEL("Heron 7") GAUGE("10 s") DRIVE("10 s") DATA("1900") TO;
static const char SLOWER[] = LINES LABEL("Heron 7") GAUGE("20 s") DRIVE("10 s") DATA("1900") TO;
static const char ALONE[] = LINES LABEL("Heron 7") GAUGE("10 s") DATA("1850") TO;

/** Writes the not-fitted marker of the discharge temperature into each answer, unless `lifted`. */
struct mask {
    bool lifted;
};

static void write_marker(struct day *day, void *context, uint16_t line, const uint8_t *request,
                         size_t n_request, struct day_answer *answer)
{
    (void)day;
    (void)n_request;
    const struct mask *mask = context;
    const int first = request[2] << 8 | request[3], count = request[4] << 8 | request[5];
    const int at = 3 + 2 * (DISCHARGE_TEMPERATURE - first);
    if (mask->lifted || line != 0 || request[1] != 4 || first > DISCHARGE_TEMPERATURE ||
        first + count <= DISCHARGE_TEMPERATURE || (size_t)at + 4 > answer->n)
        return;
    answer->bytes[at] = answer->bytes[at + 1] = 0;
    const uint16_t crc = crc16(answer->bytes, answer->n - 2);
    answer->bytes[answer->n - 2] = (uint8_t)(crc & 0xFF);
    answer->bytes[answer->n - 1] = (uint8_t)(crc >> 8);
}

static uint8_t newest_quality(const struct kept_records *kept, uint16_t point, bool *starting)
{
    for (size_t i = kept->n; i-- > 0;)
        for (uint16_t k = 0; k < kept->record[i].n; k++)
            if (kept->record[i].reading[k].point == point) {
                if (starting != NULL)
                    *starting = kept->record[i].reading[k].quality == QUALITY_STARTING;
                return kept->record[i].reading[k].quality;
            }
    return QUALITY_NOT_MAPPED;
}

static uint8_t
    latest; /* quality of the discharge temperature in the newest snapshot: core's own fold */

static void see_latest(struct day *day, void *context, const struct snapshot *snapshot)
{
    (void)day;
    (void)context;
    for (uint16_t i = 0; i < snapshot->n; i++)
        if (snapshot->reading[i].point == POINT_DISCHARGE_TEMPERATURE)
            latest = snapshot->reading[i].quality;
}

/**
 * A sensor is seen once, then its marker means "lost". A new label changes nothing of that; another
 * depth measures the well anew: the gauge is starting, and the marker means "not fitted" again.
 * Planted defects: reload-fold-goes-on (core), backlog-anew-ignored, backlog-facts-before-anew,
 * reload-label-begins-anew.
 */
static void late_is_what_it_was_live_over_every_change(void **state)
{
    (void)state;
    struct mask mask = {0};
    struct kept_records kept = {0};
    const struct day_options options = {.config = FIRST,
                                        .seed = 31,
                                        .fault = write_marker,
                                        .context = &mask,
                                        .unjudged = true,
                                        .record = keep_record,
                                        .record_context = &kept,
                                        .snapshot = see_latest};
    struct day *day = day_create(&options);
    bool starting = false;
    day_run_for(day, 20 * MINUTE);
    mask.lifted = true;
    day_run_for(day, 10000);
    mask.lifted = false;
    day_run_for(day, 10 * MINUTE);
    check_count("lost", newest_quality(&kept, POINT_DISCHARGE_TEMPERATURE, NULL),
                QUALITY_CHANNEL_FAULT);
    check_count("lines that go on, of a new label", day_reload(day, LABELLED), 2);
    day_run_for(day, 25000);
    check_count("lost still", newest_quality(&kept, POINT_DISCHARGE_TEMPERATURE, NULL),
                QUALITY_CHANNEL_FAULT);
    day_run_for(day, 10 * MINUTE);
    check_count("lines that go on, of another depth", day_reload(day, DEEPER), 2);
    day_run_for(day, 15000);
    (void)newest_quality(&kept, POINT_INTAKE_PRESSURE, &starting);
    assert_true(starting);
    day_run_for(day, 3 * MINUTE);
    check_count("not fitted", newest_quality(&kept, POINT_DISCHARGE_TEMPERATURE, NULL),
                QUALITY_NOT_FITTED);
    check_count("not fitted, in latest", latest, QUALITY_NOT_FITTED);
    check_count("lines that go on, of another period", day_reload(day, SLOWER), 1);
    day_run_for(day, 10 * MINUTE);
    /* There and back between two scans: the live fold began anew, and so must the late one. */
    check_count("lines that go on", day_reload(day, DEEPER), 1);
    day_run_for(day, 10 * MINUTE);
    day_reload(day, FIRST);
    day_reload(day, DEEPER);
    day_run_for(day, 30 * MINUTE);
    assert_true(kept.n > 700);
    assert_true(check_late_equals_live(day, &kept, 200, 7) > 2000);
    assert_true(check_late_one_by_one(day, &kept, 120) > 500);
    free(kept.record);
    day_destroy(day);
}

/**
 * Sixty changes at odd moments, in the middle of polls too, of one line or the other: every due
 * time of both has its scan. Planted defects: gather-anew-from-now (due times begin at the change),
 * reload-counts-lost.
 */
static void sixty_changes_lose_no_due_time(void **state)
{
    (void)state;
    static const char *const CONFIGS[] = {
        LINES LABEL("Heron 7") GAUGE("10 s, freeze_after: 50") DRIVE("10 s") DATA("1850") TO,
        LINES LABEL("Heron 7") GAUGE("10 s, freeze_after: 50") DRIVE("10 s, freeze_after: 50")
            DATA("1850") TO,
        LINES LABEL("Heron 7") GAUGE("10 s") DRIVE("10 s, freeze_after: 50") DATA("1850") TO,
        FIRST};
    const struct day_options options = {.config = FIRST, .seed = 32};
    struct day *day = day_create(&options);
    day_run_for(day, MINUTE);
    for (int i = 0; i < 60; i++) {
        check_count("one line goes on", day_reload(day, CONFIGS[i % 4]), 1);
        day_run_for(day, 7000 + 613 * (i % 17) + 5 * i);
    }
    day_run_for(day, MINUTE);
    check_count("polls put off", (long long)day_count_gaps(day, GAP_SKIPPED, 0), 0);
    const struct day_books gauge = day_check_books(day, "heron-7", SOURCE_GAUGE);
    check_count("gauge: never attempted, but in the second of the stop",
                (long long)gauge.never_attempted, 0);
    const struct day_books drive = day_check_books(day, "heron-7", SOURCE_DRIVE);
    check_count("drive: heard", (long long)drive.heard, (long long)drive.rows);
    day_destroy(day);
}

static void drop_drive(struct day *day, void *context, uint16_t line, const uint8_t *request,
                       size_t n_request, struct day_answer *answer)
{
    (void)day;
    (void)context;
    (void)request;
    (void)n_request;
    if (line == 1)
        answer->n = 0;
}

/** Planted defect: ledger-removed-stays-open. */
static void a_removed_source_ends_its_gap_and_says_why(void **state)
{
    (void)state;
    const struct day_options options = {.config = FIRST, .seed = 33, .fault = drop_drive};
    struct day *day = day_create(&options);
    day_run_for(day, 5 * MINUTE);
    struct gap row = day_newest_gap(day, GAP_LINE);
    check_count("open", row.is_open, 1);
    check_count("the gauge's line goes on", day_reload(day, ALONE), 1);
    const int64_t at_ms = day_now_ms(day);
    day_run_for(day, 5 * MINUTE);
    row = day_newest_gap(day, GAP_LINE);
    check_count("open", row.is_open, 0);
    check_count("ended with the change", row.end.boot_ms, at_ms);
    assert_non_null(strstr(row.cause, "no longer configured"));
    struct gap put_off = day_newest_gap(day, GAP_SKIPPED);
    check_count("polls put off", put_off.is_open, 0);
    /* It comes back: what was due in between was not due. */
    day_reload(day, FIRST);
    const int64_t back_ms = day_now_ms(day);
    day_run_for(day, 5 * MINUTE);
    row = day_newest_gap(day, GAP_LINE);
    assert_true(row.is_open && row.start.boot_ms >= back_ms && row.start.boot_ms < back_ms + 10001);
    day_destroy(day);
}

static struct gap day_newest_gap_of(struct day *day, uint8_t kind, uint8_t source)
{
    static struct gap rows[4096];
    struct gap newest = {0};
    const size_t n = day_ledger(day, rows, 4096);
    for (size_t i = 0; i < n; i++)
        if (rows[i].kind == kind && rows[i].source == source)
            newest = rows[i];
    return newest;
}

/**
 * A source that a reload brought was not due before: killed before its first scan, it misses what
 * was due since then, not since the run began. Planted defect: ledger-due-since-the-run.
 */
static void a_source_that_came_is_due_from_then_on(void **state)
{
    (void)state;
    const struct day_options options = {.config = ALONE, .seed = 34};
    struct day *day = day_create(&options);
    day_run_for(day, 30 * MINUTE);
    check_count("the gauge's line goes on", day_reload(day, FIRST), 1);
    day_run_for(day, 1500);
    day_kill(day, 40000);
    day_run_for(day, MINUTE);
    const struct gap row = day_newest_gap_of(day, GAP_PROGRAM, SOURCE_DRIVE);
    check_count("due since", row.scans, 4); /* of 41.5 s, at one in 10 s */
    day_destroy(day);
}

/**
 * Periods change, and the program is killed before, between and after the first polls by the new
 * one: what was due by either grid is a row or counted, once; the day's journal is audited at its
 * end. Planted defect: ledger-open-due-twice.
 */
static void a_period_that_changes_is_due_by_its_own_grid_and_no_more(void **state)
{
    (void)state;
    static const char *const CONFIGS[] = {
        LINES LABEL("Heron 7") GAUGE("15 s") DRIVE("10 s") DATA("1850") TO,
        LINES LABEL("Heron 7") GAUGE("10 s") DRIVE("20 s") DATA("1850") TO,
        LINES LABEL("Heron 7") GAUGE("20 s") DRIVE("7 s") DATA("1850") TO,
        LINES LABEL("Heron 7") GAUGE("5 s") DRIVE("15 s") DATA("1850") TO};
    const struct day_options options = {.config = FIRST, .seed = 36};
    struct day *day = day_create(&options);
    day_run_for(day, MINUTE);
    for (int i = 0; i < 20; i++) {
        day_run_for(day, 20000 + 1370 * (i % 13));
        (void)day_reload(day, CONFIGS[i % 4]);
        day_run_for(day, 50 + 2130 * (i % 9));
        if (i % 3 == 1) { /* another one before anything was asked by the first */
            (void)day_reload(day, CONFIGS[(i + 2) % 4]);
            day_run_for(day, 50 + 1700 * (i % 5));
        }
        day_kill(day, 11000 + 970 * (i % 11));
        day_run_for(day, 2500); /* the rows of the time without us are stored */
        if (i % 5 == 4)
            check_count("the audit", day_audit(day) > 0, 0);
    }
    day_destroy(day);
}

static const char TABLE_ALONE[] = LINES LABEL("Heron 7") GAUGE("10 s") DRIVE("10 s")
    DATA("1850") "destinations:\n  scada-table: {modbus_tcp: '127.0.0.1:1502'}\n";

/** Its place is kept by its name: what came meanwhile is late, and nothing is missing or comes
 * twice. What it lacks when it is removed is said as such. Planted defects:
 * ledger-removed-none-lost, core-returns-at-newest. */
static void a_destination_that_is_removed_goes_on_where_it_stood_when_it_comes_back(void **state)
{
    (void)state;
    struct kept_records kept = {0};
    const struct day_options options = {
        .config = FIRST, .seed = 35, .record = keep_record, .record_context = &kept};
    struct day *day = day_create(&options);
    day_run_for(day, 10 * MINUTE);
    day_set_broker(day, false);
    day_run_for(day, 10 * MINUTE);
    const size_t before = kept.n;
    day_reload(day, TABLE_ALONE);
    day_run_for(day, 20 * MINUTE);
    check_count("records meanwhile", (long long)kept.n, (long long)before);
    const struct gap row = day_newest_gap(day, GAP_DELIVERY);
    check_count("open", row.is_open, 0);
    assert_in_range(row.scans, 100, 130);
    check_count("of them arrived", row.recovered, 0);
    assert_non_null(strstr(row.cause, "no longer configured"));
    day_set_broker(day, true);
    day_reload(day, FIRST);
    day_run_for(day, 5 * MINUTE);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    check_count("duplicates", (long long)day_counts_of(day)->duplicates, 0);
    assert_true(kept.record[before].seq == kept.record[before - 1].seq + 1 &&
                kept.n > before + 330);
    assert_true(check_late_equals_live(day, &kept, 50, 9) > 500);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
    free(kept.record);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(late_is_what_it_was_live_over_every_change),
        cmocka_unit_test(sixty_changes_lose_no_due_time),
        cmocka_unit_test(a_removed_source_ends_its_gap_and_says_why),
        cmocka_unit_test(a_source_that_came_is_due_from_then_on),
        cmocka_unit_test(a_period_that_changes_is_due_by_its_own_grid_and_no_more),
        cmocka_unit_test(a_destination_that_is_removed_goes_on_where_it_stood_when_it_comes_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
