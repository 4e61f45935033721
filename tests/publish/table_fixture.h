/* SPDX-License-Identifier: Apache-2.0
 *
 * table_fixture.h - a small invented site for the table's tests: heron-7 in block 0, heron-8 in
 * block 2, views of both orders and unit sets.
 */
#ifndef UPHOLE_TESTS_TABLE_FIXTURE_H
#define UPHOLE_TESTS_TABLE_FIXTURE_H

#include "uphole/plan.h"
#include "uphole/table.h"
#include "uphole/wall.h"

#define FIXTURE_NOW_MS 1000000
#define FIXTURE_RUN 0x9F3C61D2A07B44E8u
#define FIXTURE_UTC_MS 1929852005120 /* 2031-02-26T06:00:05.120Z */

/** Unit ids of the fixture's views. */
enum {
    METRIC_HIGH = 1,
    METRIC_LOW = 2,
    US_HIGH = 3,
    US_LOW = 4,
    OWN_HIGH = 5,
    LAST_HIGH = 6,
    NUMBER_HIGH = 7
};

/** A plan of two wells and one table on 127.0.0.1, port 0; freed by fixture_free. Never fails
 * (aborts without memory). */
struct plan *fixture_plan(void);
void fixture_free(struct plan *plan);

/** A healthy snapshot of a well (its number): points 1 intake 12345 kPa, 2 not fitted, 3
 * intake 87.4 degC, 43 and 44. Fresh 5 s ago. */
struct snapshot fixture_snapshot(uint16_t well);
struct table_header fixture_header(void);
/** The reading of a point in a snapshot; NULL where there is none. */
struct live_reading *fixture_reading(struct snapshot *snapshot, unsigned point);
/** A state of the box for both wells, heartbeat as given. */
struct wall_state fixture_state(uint32_t heartbeat);

/** Register of a slot in block 0: part 0 and 1 value, 2 quality, 3 age. */
static inline uint16_t slot(unsigned point, unsigned part)
{
    return (uint16_t)(32 + 4 * (point - 1) + part);
}

#endif
