/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_damage.c - a sealed block on a disk that lost a bit, in the middle of a backlog.
 */
#include "day_inside.h"

#include "check.h"

#include <inttypes.h>

#include <sqlite3.h>

#define HOUR INT64_C(3600000)

static const char ONE_WELL[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"
    "  scada-table: {modbus_tcp: '127.0.0.1:1502'}\n";

/** Turns bits of a byte of a block's data over. */
static void change_a_byte(const struct day *day, int number)
{
    char path[320], sql[300];
    sqlite3 *db = NULL;
    snprintf(path, sizeof path, "%s/" JOURNAL_FILE, day->directory);
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    sqlite3_busy_timeout(db, 5000);
    snprintf(sql, sizeof sql,
             "UPDATE block SET data = CAST(substr(data, 1, 200) || CASE hex(substr(data, 201, 1)) "
             "WHEN 'FF' THEN x'FE' ELSE x'FF' END || substr(data, 202) AS BLOB) WHERE number=%d",
             number);
    assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_changes(db), 1);
    sqlite3_close(db);
}

/** Planted defects: a damaged block ends the backlog (damage-ends-the-backlog); nobody is told of
 * it, so that the hole in seq has no reason (damage-untold). */
static void a_damaged_block_costs_its_own_scans_and_is_told_once(void **state)
{
    (void)state;
    const struct day_options options = {.config = ONE_WELL, .seed = 61};
    struct day *day = day_create(&options);
    char text[GAP_CAUSE_MAX];
    day_run_for(day, HOUR / 2);
    day_set_broker(day, false);
    day_run_for(day, 5 * HOUR);
    change_a_byte(day, 3); /* of 300 scans, as day.c seals them */
    day_set_broker(day, true);
    day_run_for(day, HOUR / 2);
    check_count("all other records came", (long long)day_counts_of(day)->records, 6 * 360 - 300);
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    check_count("one row", (long long)day_count_gaps(day, GAP_DAMAGED, SOURCE_GAUGE), 1);
    const struct gap row = day_newest_gap(day, GAP_DAMAGED);
    print_message("%s seq %" PRIu64 " to %" PRIu64 "\n", row.cause, row.before_seq + 1,
                  row.after_seq - 1);
    check_count("its scans", row.scans, 300);
    check_count("explain the hole in seq", (long long)(row.after_seq - row.before_seq - 1), 300);
    assert_false(row.is_open);
    check_count("said once", (long long)day_count_events(day, "damaged", text), 1);
    day_stop(day, 60000);
    day_run_for(day, HOUR / 6);
    check_count("also over a restart", (long long)day_count_events(day, "damaged", text), 1);
    day_destroy(day); /* audits the day's books, the damage and all */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_damaged_block_costs_its_own_scans_and_is_told_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
