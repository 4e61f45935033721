/* SPDX-License-Identifier: Apache-2.0
 *
 * test_retention.c - the oldest scans go: by age, by size, not while they are under review; what
 * stays is late what it was live, and the books hold, by the audit at each day's end.
 */
#include "day_inside.h"
#include "day_late.h"

#include "check.h"

#include <inttypes.h>
#include <stdlib.h>

#include <sqlite3.h>

#define HOUR INT64_C(3600000)
#define ROWS_AN_HOUR 1080 /* three sources, each 10 s */

static const char TWO_WELLS[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n  skid-line: {tcp: '192.0.2.7:502'}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "      drive:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: drive-a, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "  heron-8:\n    table_block: 1\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 2, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"
    "  scada-table: {modbus_tcp: '127.0.0.1:1502'}\n";

static const char ALL[] = "SELECT sum(newest) FROM (SELECT max(seq) AS newest FROM scan GROUP BY "
                          "well)";

static int64_t number(const struct day *day, const char *sql)
{
    char path[300];
    sqlite3 *db = NULL;
    sqlite3_stmt *row = NULL;
    snprintf(path, sizeof path, "%s/" JOURNAL_FILE, day->directory);
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    if (sqlite3_prepare_v2(db, sql, -1, &row, NULL) != SQLITE_OK || sqlite3_step(row) != SQLITE_ROW)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    const int64_t value = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    sqlite3_close(db);
    return value;
}

/** Scans that stand there, sealed or not, and are labelled `since` or later; *oldest the earliest
 * label of all (may be NULL). */
static int64_t rows_since(const struct day *day, int64_t since_utc_ms, int64_t *oldest)
{
    struct up_error error = {0};
    struct journal_reader *reader = NULL;
    struct scan_count counts[8];
    size_t got = 0;
    int64_t rows = 0, from_ms = 0, to_ms = 0;
    if (journal_reader_open(day->directory, &reader, &error) != UP_OK ||
        journal_count_all(reader, since_utc_ms, INT64_MAX, counts, 8, &got, &error) != UP_OK)
        fail_msg("%s", error.why);
    for (size_t i = 0; i < got; i++)
        for (unsigned o = 0; o < OUTCOME_COUNT; o++)
            rows += (int64_t)counts[i].by_outcome[o];
    assert_true(journal_span(reader, &from_ms, &to_ms));
    if (oldest != NULL)
        *oldest = from_ms;
    journal_reader_close(reader);
    return rows;
}

static int64_t rows_left(const struct day *day, int64_t *oldest)
{
    return rows_since(day, INT64_MIN, oldest);
}

/** `at_most` that leaves so many bytes to rows and ledger: beside them it counts the reserve and
 * the log, whose sizes are fixed; retention begins at 95 %. */
static uint64_t size_with_room_for(const struct day *day, uint64_t bytes)
{
    struct journal_room room;
    journal_set_room(day->journal, 16000000); /* the least that a configuration may ask for */
    journal_room_of(day->journal, &room);
    return (room.reserve_wanted + room.log_wanted + bytes) * 100 / 95;
}

/** Sealed soon, so that most of what goes are blocks: twenty minutes each. */
static void run_hours(struct day *day, int hours)
{
    static const struct journal_sealing SOON = {
        .keep_rows = 1024, .block_rows = 120, .range_rows = 360};
    journal_set_sealing(day->journal, &SOON);
    for (int i = 0; i < hours; i++)
        day_run_for(day, HOUR);
}

/** Planted defects: rows handed out whose window is gone (retention-no-lead-in); facts that rows
 * behind the edge still need (retention-facts-gone); nothing removed. */
static void what_is_too_old_goes_and_the_rest_is_late_what_it_was_live(void **state)
{
    (void)state;
    struct kept_records kept = {0};
    const struct day_options options = {.config = TWO_WELLS,
                                        .journal = ", keep: 2 h",
                                        .seed = 61,
                                        .record = keep_record,
                                        .record_context = &kept};
    struct day *day = day_create(&options);
    run_hours(day, 2);
    day_kill(day, 20000); /* facts of an earlier run, and a run without rows in time */
    run_hours(day, 5);
    const int64_t rows = rows_left(day, NULL);
    print_message("%" PRId64 " rows are left of %zu\n", rows, kept.n);
    assert_true(rows >= 2 * ROWS_AN_HOUR && rows < 4 * ROWS_AN_HOUR);
    check_count("records lost", (long long)day_count_gaps(day, GAP_REMOVED, 0), 0);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    check_count("rows and removed ones",
                rows + number(day, "SELECT rows FROM removed WHERE well=0"),
                number(day, "SELECT sum(newest) FROM (SELECT max(seq) AS newest FROM scan GROUP BY "
                            "well)"));
    assert_true(check_late_equals_live(day, &kept, 200, 7) > 2000);
    assert_true(day_count_events(day, "retention", NULL) >= 1);
    assert_true(number(day, "SELECT count(*) FROM mark") <= 3);
    free(kept.record);
    day_destroy(day);
}

static const char SLOW_GAUGE[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 2 s, refresh: 150 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n";

/** What is frozen shows only after 40 refreshes, here 100 minutes: longer than rows are kept.
 * Planted defect: rows go that the next ones of the run still need in their windows
 * (retention-young-run). */
static void rows_stay_while_the_windows_of_those_to_come_need_them(void **state)
{
    (void)state;
    struct kept_records kept = {0};
    const struct day_options options = {.config = SLOW_GAUGE,
                                        .journal = ", keep: 1 h",
                                        .seed = 65,
                                        .record = keep_record,
                                        .record_context = &kept};
    struct day *day = day_create(&options);
    run_hours(day, 2);
    check_count("rows, though half of them are older than `keep`", rows_left(day, NULL), 2 * 1800);
    run_hours(day, 3);
    assert_true(check_late_equals_live(day, &kept, 200, 7) > 1000);
    assert_true(rows_left(day, NULL) < 5 * 1800);
    free(kept.record);
    day_destroy(day);
}

/** Planted defect: what a full journal takes from a young run's windows is not told to the rows to
 * come (retention-goes-on-untold). */
static void what_size_takes_of_a_young_run_lets_its_wells_begin_anew(void **state)
{
    (void)state;
    struct kept_records kept = {0};
    const struct day_options options = {
        .config = SLOW_GAUGE, .seed = 66, .record = keep_record, .record_context = &kept};
    struct day *day = day_create(&options);
    run_hours(day, 1);
    day->plan->journal.at_most_bytes = size_with_room_for(day, 0);
    run_hours(day, 2);
    assert_true(rows_left(day, NULL) < 1800);
    /* retention-warns-of-accepted */
    check_count("warned of", (long long)day_count_events(day, "space", NULL), 0);
    assert_true(check_late_equals_live(day, &kept, 200, 7) > 1000);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    free(kept.record);
    day_destroy(day);
}

/** Planted defect: age takes what nobody has accepted (retention-unaccepted). */
static void age_takes_nothing_that_was_not_accepted(void **state)
{
    (void)state;
    const struct day_options options = {.config = TWO_WELLS, .journal = ", keep: 2 h", .seed = 62};
    struct day *day = day_create(&options);
    run_hours(day, 1);
    day_set_broker(day, false);
    run_hours(day, 5);
    assert_true(rows_left(day, NULL) >= 5 * ROWS_AN_HOUR);
    assert_string_equal(day->retain.held_for, "plant-broker");
    day_set_broker(day, true);
    run_hours(day, 2);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    check_count("records lost", (long long)day_count_gaps(day, GAP_REMOVED, 0), 0);
    assert_true(rows_left(day, NULL) < 5 * ROWS_AN_HOUR);
    assert_null(day->retain.held_for);
    day_destroy(day);
}

/** The broker is away while the journal fills up: the oldest go, counted, and all the rest arrives.
 * Planted defects: removed though not counted (retention-uncounted); the cursor stays below (the
 * lead-in is sent, or counted twice); the newest dropped; nobody warned (retention-unwarned). 70,
 * 85 and 95 %: decisions of this project, no source. */
static void size_takes_the_oldest_and_counts_what_was_not_accepted(void **state)
{
    (void)state;
    const struct day_options options = {.config = TWO_WELLS, .seed = 63};
    struct day *day = day_create(&options);
    const uint64_t most = size_with_room_for(day, 350000);
    day->plan->journal.at_most_bytes = most;
    run_hours(day, 1);
    day_set_broker(day, false);
    run_hours(day, 14);
    struct journal_room room;
    journal_room_of(day->journal, &room);
    assert_true(room.used_bytes + room.log_bytes < most);
    const int64_t left = rows_left(day, NULL);
    print_message("%" PRId64 " rows are left, %" PRIu64 " bytes in use, log %" PRIu64 "\n", left,
                  room.used_bytes, room.log_bytes);
    assert_true(number(day, "SELECT rows FROM removed WHERE well = 0") > 1000);
    assert_true(left >= 1000);
    const struct gap open = day_newest_gap(day, GAP_REMOVED);
    assert_true(open.is_open && open.lost && open.cause_code == CAUSE_NO_ROOM);
    day_set_broker(day, true);
    run_hours(day, 2);
    struct gap rows[64];
    const size_t n = day_ledger(day, rows, 64);
    int64_t removed = 0, late = 0, recovered = 0;
    for (size_t i = 0; i < n; i++) {
        if (rows[i].kind == GAP_REMOVED) {
            assert_false(rows[i].is_open);
            print_message("removed: well %u, %u records after seq %" PRIu64 " to %" PRIu64 ". %s\n",
                          rows[i].well, rows[i].scans, rows[i].before_seq, rows[i].after_seq,
                          rows[i].cause);
            removed += rows[i].scans;
        }
        late += rows[i].kind == GAP_DELIVERY ? rows[i].scans : 0;
        recovered += rows[i].kind == GAP_DELIVERY ? rows[i].recovered : 0;
    }
    check_count("late = recovered + removed", late, recovered + removed);
    check_count("holes, one a well, each by two signs", (long long)day_counts_of(day)->record_holes,
                4);
    const int64_t all = number(day, ALL);
    check_count("all = accepted + removed", all, (long long)day_counts_of(day)->records + removed);
    day_destroy(day);
}

/** Of the room that the journal may take; its size now is `percent` of that. */
static void fill_to(struct day *day, uint64_t percent)
{
    struct journal_room room;
    journal_room_of(day->journal, &room);
    day->plan->journal.at_most_bytes =
        (room.used_bytes + room.log_wanted + room.reserve_wanted) * 100 / percent;
    day_run_for(day, 60000);
}

/** 70, 85 and 95 %: decisions of this project, no source. Planted defects: retention-unwarned;
 * retention-warns-of-accepted. */
static void before_what_was_not_accepted_goes_it_is_said(void **state)
{
    (void)state;
    char text[GAP_CAUSE_MAX] = "";
    const struct day_options options = {.config = TWO_WELLS, .seed = 68};
    struct day *day = day_create(&options);
    (void)size_with_room_for(day, 0);
    run_hours(day, 1);
    day_set_broker(day, false);
    run_hours(day, 1);
    fill_to(day, 66);
    check_count("said at 66 %", (long long)day_count_events(day, "space", text), 0);
    fill_to(day, 72);
    check_count("said at 72 %", (long long)day_count_events(day, "space", text), 1);
    assert_non_null(strstr(text, "is filled to 72 %, and its oldest scans were not accepted by "
                                 "plant-broker. At 95 %, "));
    fill_to(day, 78);
    check_count("said at 78 %", (long long)day_count_events(day, "space", text), 1);
    fill_to(day, 86);
    check_count("said at 86 %", (long long)day_count_events(day, "space", text), 2);
    fill_to(day, 72);
    fill_to(day, 86);
    check_count("said at the edge", (long long)day_count_events(day, "space", text), 2);
    check_count("removed", (long long)day_count_gaps(day, GAP_REMOVED, 0), 0);
    day_set_broker(day, true);
    day_run_for(day, HOUR / 6);
    check_count("said when it is over", (long long)day_count_events(day, "space", text), 3);
    assert_non_null(strstr(text, "No record has to be removed any more"));
    fill_to(day, 90);
    check_count("said of what was accepted", (long long)day_count_events(day, "space", text), 3);
    day_destroy(day);
}

/** A reader that never ends keeps the write-ahead log from beginning anew: it grows beyond
 * `at_most`, and each removal would make it grow more. Planted defects: retention-for-a-reader (its
 * size counts as history's, which goes); disk-reader-unsaid. */
static void a_program_that_reads_for_long_costs_no_history(void **state)
{
    (void)state;
    char path[300], text[GAP_CAUSE_MAX] = "";
    sqlite3 *db = NULL;
    struct journal_room room;
    const struct day_options options = {.config = TWO_WELLS, .seed = 67};
    struct day *day = day_create(&options);
    const uint64_t most = size_with_room_for(day, 2000000);
    day->plan->journal.at_most_bytes = most;
    run_hours(day, 1);
    snprintf(path, sizeof path, "%s/" JOURNAL_FILE, day->directory);
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, "BEGIN; SELECT count(*) FROM scan", NULL, NULL, NULL),
                     SQLITE_OK);
    run_hours(day, 3);
    journal_room_of(day->journal, &room);
    print_message("log %" PRIu64 " bytes, at most %" PRIu64 " for all\n", room.log_bytes, most);
    assert_true(room.log_bytes > most); /* else this proved nothing */
    check_count("rows", rows_left(day, NULL), number(day, ALL));
    check_count("said", (long long)day_count_events(day, "disk", text), 1);
    assert_non_null(strstr(text, "Another program has been reading the journal for "));
    sqlite3_close(db);
    run_hours(day, 1);
    check_count("said that it is over", (long long)day_count_events(day, "disk", text), 2);
    day_destroy(day);
}

/** Planted defect: the interval is ignored (retention-review-ignored). */
static void an_interval_under_review_stops_retention_and_says_so(void **state)
{
    (void)state;
    char text[GAP_CAUSE_MAX];
    const struct day_options options = {
        .config = TWO_WELLS,
        .journal = ", keep: 2 h, retain: [{from: 2031-03-01T11:00:00Z, to: 2031-03-01T11:30:00Z, "
                   "reason: pump trip}]",
        .seed = 64};
    struct day *day = day_create(&options);
    run_hours(day, 7); /* from 08:00 to 15:00 */
    int64_t oldest = 0, later = 0;
    (void)rows_left(day, &oldest);
    assert_true(oldest > DAY_START_UTC_MS && oldest < DAY_START_UTC_MS + 3 * HOUR);
    assert_int_equal(day->retain.held_by_interval, 1);
    assert_false(day->retain.needs_room); /* age can wait */
    day->plan->journal.at_most_bytes = size_with_room_for(day, 0);
    run_hours(day, 1);
    assert_true(day->retain.needs_room);
    (void)rows_left(day, &later);
    assert_int_equal(later, oldest);
    check_count("said", (long long)day_count_events(day, "retention", text), 2);
    assert_non_null(strstr(text, "can't make room: 2031-03-01 11:00:00Z to 2031-03-01 11:30:00Z is "
                                 "retained (pump trip)"));
    day->plan->journal.n_retain = 0;
    run_hours(day, 1);
    assert_false(day->retain.needs_room);
    (void)rows_left(day, &later);
    assert_true(later > oldest);
    day_destroy(day);
}

/** Planted defect: retain-age-wall-believed. What is removed does not come back when the clock is
 * set right. */
static void a_clock_that_jumps_ahead_removes_nothing(void **state)
{
    (void)state;
    const struct day_options options = {.config = TWO_WELLS, .journal = ", keep: 2 h", .seed = 65};
    struct day *day = day_create(&options);
    run_hours(day, 2);
    day_step_clock(day, 400 * 24 * HOUR);
    run_hours(day, 1);
    const int64_t rows = rows_left(day, NULL);
    print_message("%" PRId64 " rows are left\n", rows);
    assert_true(rows >= 2 * ROWS_AN_HOUR); /* what is older than 2 h by a sane clock goes */
    day_step_clock(day, -400 * 24 * HOUR);
    day_run_for(day, HOUR / 6);
    assert_true(rows_left(day, NULL) >= 2 * ROWS_AN_HOUR);
    day_destroy(day);
}

/** Planted defects: retain-ahead-stays (what was labelled ahead holds back all that follows, for
 * 400 days here); retain-ahead-goes-at-once (it goes though it is younger than `keep`). */
static void what_was_labelled_ahead_goes_by_the_time_that_the_box_ran(void **state)
{
    (void)state;
    const int64_t year_32_ms = INT64_C(1956528000000); /* 2032-01-01 */
    const struct day_options options = {.config = TWO_WELLS, .journal = ", keep: 2 h", .seed = 67};
    struct day *day = day_create(&options);
    day_step_clock(day, 400 * 24 * HOUR);
    day_run_for(day, HOUR);
    day_step_clock(day, -400 * 24 * HOUR);
    day_kill(day, 20000);
    day_run_for(day, HOUR);
    const int64_t ahead = rows_since(day, year_32_ms, NULL);
    print_message("%" PRId64 " rows are labelled ahead\n", ahead);
    assert_true(ahead >= ROWS_AN_HOUR - 60); /* each is younger than 2 h */
    run_hours(day, 5);
    int64_t oldest = 0;
    const int64_t rows = rows_left(day, &oldest);
    print_message("%" PRId64 " rows are left\n", rows);
    check_count("labelled ahead", rows_since(day, year_32_ms, NULL), 0);
    assert_true(rows >= 2 * ROWS_AN_HOUR && rows < 4 * ROWS_AN_HOUR);
    check_count("rows and removed ones",
                rows + number(day, "SELECT rows FROM removed WHERE well=0"), number(day, ALL));
    day_destroy(day);
}

/** Planted defect: retain-age-never-set. A box that lost its clock keeps everything. */
static void a_clock_that_was_never_set_removes_nothing(void **state)
{
    (void)state;
    const struct day_options options = {.config = TWO_WELLS,
                                        .journal = ", keep: 2 h",
                                        .seed = 66,
                                        .utc_ms = INT64_C(1262304000000), /* 2010 */
                                        .clock_unsynchronised = true};
    struct day *day = day_create(&options);
    run_hours(day, 3);
    check_count("never set", number(day, "SELECT max(began_clock) FROM run"),
                CLOCK_STATE_NEVER_SET);
    assert_true(rows_left(day, NULL) >= 3 * ROWS_AN_HOUR - 8);
    day_destroy(day);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_too_old_goes_and_the_rest_is_late_what_it_was_live),
        cmocka_unit_test(rows_stay_while_the_windows_of_those_to_come_need_them),
        cmocka_unit_test(what_size_takes_of_a_young_run_lets_its_wells_begin_anew),
        cmocka_unit_test(age_takes_nothing_that_was_not_accepted),
        cmocka_unit_test(size_takes_the_oldest_and_counts_what_was_not_accepted),
        cmocka_unit_test(before_what_was_not_accepted_goes_it_is_said),
        cmocka_unit_test(a_program_that_reads_for_long_costs_no_history),
        cmocka_unit_test(an_interval_under_review_stops_retention_and_says_so),
        cmocka_unit_test(a_clock_that_jumps_ahead_removes_nothing),
        cmocka_unit_test(what_was_labelled_ahead_goes_by_the_time_that_the_box_ran),
        cmocka_unit_test(a_clock_that_was_never_set_removes_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
