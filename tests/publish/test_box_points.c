/* SPDX-License-Identifier: Apache-2.0
 *
 * test_box_points.c - points 45 and 46 in `latest`: states of the box, in their place by number,
 * with the figures that the table shows, and never in a record.
 */
#include "../../daemon/publish/box_points.h"
#include "payload_fixture.h"

#include "check.h"

#include <math.h>
#include <string.h>

static struct snapshot snapshot_with(const uint16_t *points, uint16_t n)
{
    struct snapshot snapshot = {.run = FIXTURE_RUN,
                                .seq = 88120,
                                .well = FIXTURE_WELL,
                                .newest = {.utc_ms = FIXTURE_UTC_MS, .clock = 1},
                                .taken = {.utc_ms = FIXTURE_UTC_MS, .clock = 1},
                                .clock = 1,
                                .journaled = true,
                                .n = n};
    for (uint16_t i = 0; i < n; i++)
        snapshot.reading[i] =
            (struct live_reading){.point = points[i], .quality = QUALITY_GOOD, .value = 1};
    return snapshot;
}

static struct wall_state state_of(uint32_t waiting, uint16_t days_left)
{
    struct wall_state state = {.days_left = days_left, .n_wells = 2};
    state.well[0].well = FIXTURE_WELL + 1;
    state.well[0].waiting = 7;
    state.well[1].well = FIXTURE_WELL;
    state.well[1].waiting = waiting;
    return state;
}

/* Planted defect (publish-box-points-missing): `latest` lacks them, or has another well's. */
static void latest_holds_what_waits_and_how_long_the_space_lasts(void **state)
{
    (void)state;
    static char text[8192];
    struct plan *plan = payload_plan();
    static const uint16_t POINTS[] = {POINT_INTAKE_PRESSURE, POINT_LINE_ERROR_RATIO, 47};
    struct snapshot snapshot = snapshot_with(POINTS, 3);
    const struct wall_state box = state_of(25920, 391);
    box_points_add(&snapshot, &box, 100000);
    box_points_add(&snapshot, &box, 200000); /* what is there stays, once */
    check_count("points", snapshot.n, 5);
    for (uint16_t i = 1; i < snapshot.n; i++)
        assert_true(snapshot.reading[i - 1].point < snapshot.reading[i].point);
    assert_true(payload_latest(text, sizeof text, plan, &plan->destinations[TO_METRIC].units,
                               &snapshot, 100000) > 0);
    assert_non_null(strstr(text,
                           "\"undelivered_records\":{\"value\":25920,\"unit\":null,\"quality\":"
                           "192,\"reason\":\"good\",\"age_s\":0"));
    /* 391 d x 24 h */
    assert_non_null(strstr(text, "\"journal_time_left\":{\"value\":9384,\"unit\":\"h\",\"quality\":"
                                 "192,\"reason\":\"good\",\"age_s\":0"));
    plan_free(plan);
}

/* Planted defect: 65,535 days are shown as a figure. */
static void what_is_not_known_is_no_figure(void **state)
{
    (void)state;
    struct snapshot snapshot = snapshot_with(NULL, 0);
    const struct wall_state box = state_of(0, UINT16_MAX);
    box_points_add(&snapshot, &box, 100000);
    check_count("nothing waits", (long long)snapshot.reading[0].value, 0);
    check_count("good", snapshot.reading[0].quality, QUALITY_GOOD);
    check_count("point", snapshot.reading[1].point, POINT_JOURNAL_TIME_LEFT);
    check_count("not known", snapshot.reading[1].quality, QUALITY_NO_DATA);
    assert_true(isnan(snapshot.reading[1].value));
    snapshot = snapshot_with(NULL, 0);
    snapshot.well = 99; /* the well side said nothing of it */
    box_points_add(&snapshot, &box, 100000);
    check_count("none", snapshot.n, 0);
}

/* A full snapshot takes no more, and nothing is pushed out of it. */
static void a_full_snapshot_stays_as_it_is(void **state)
{
    (void)state;
    uint16_t points[RECORD_READINGS_MAX];
    for (uint16_t i = 0; i < RECORD_READINGS_MAX; i++)
        points[i] = (uint16_t)(i < 44 ? i + 1 : i + 3);
    struct snapshot snapshot = snapshot_with(points, RECORD_READINGS_MAX);
    const struct snapshot before = snapshot;
    const struct wall_state box = state_of(1, 1);
    box_points_add(&snapshot, &box, 100000);
    assert_memory_equal(&snapshot, &before, sizeof before);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(latest_holds_what_waits_and_how_long_the_space_lasts),
        cmocka_unit_test(what_is_not_known_is_no_figure),
        cmocka_unit_test(a_full_snapshot_stays_as_it_is),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
