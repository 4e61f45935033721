/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_date.c - a poll that is due at the very instant of an entry's date: the scan is
 * measured with the entry valid at its begin, so that entry's unit must have been asked.
 */
#include "day.h"

#include "check.h"

#include <stdlib.h>

#define MINUTE INT64_C(60000)

static const char CONFIG[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "        - {from: 2031-03-01T12:00:00Z, line: pad-line, unit_id: 2, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n";

/** Planted defect, seen: dates are looked at once a second (gather/line.c, refresh_entries), not
 * when a poll begins. */
static void a_poll_due_at_the_date_asks_the_new_unit(void **state)
{
    (void)state;
    const struct day_options options = {
        .config = CONFIG, .seed = 44, .utc_ms = DAY_START_UTC_MS + 210 * MINUTE /* 11:30 */};
    struct day *day = day_create(&options);
    day_run_for(day, 60 * MINUTE);
    check_count("good but wrong", (long long)day_counts_of(day)->good_but_wrong, 0);
    day_destroy(day);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(a_poll_due_at_the_date_asks_the_new_unit)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
