/* SPDX-License-Identifier: Apache-2.0
 *
 * test_retain_age.c - the time by which scans get old: which clock is believed, and when.
 *
 * Planted defects, each seen to be caught (tests/planted): retain-age-wall-believed,
 * retain-age-forgotten, retain-age-holdover-counts, retain-age-any-clock.
 */
#include "rig.h"

#include "../../daemon/uphole/retain_age.h"

#include "check.h"

#define DAY INT64_C(86400000)
#define MIN INT64_C(60000)
#define UTC_0 INT64_C(1930118400000)

/** A box's clocks. */
struct clocks {
    int64_t boot_ms, utc_ms;
    bool synchronised;
};

static int64_t boot_us(void *context)
{
    return ((struct clocks *)context)->boot_ms * 1000;
}
static int64_t utc_us(void *context)
{
    return ((struct clocks *)context)->utc_ms * 1000;
}
static bool is_synchronised(void *context)
{
    return ((struct clocks *)context)->synchronised;
}

struct scene {
    struct rig *rig;
    struct clocks clocks;
    struct up_clock clock;
    struct clock_watch watch;
    struct retain_age age;
};

static void begin(struct scene *scene, struct rig *rig)
{
    *scene = (struct scene){.rig = rig,
                            .clocks = {.boot_ms = 5 * MIN, .utc_ms = UTC_0, .synchronised = true},
                            .watch = {.floor_utc_ms = UTC_0 - DAY}};
    scene->clock = (struct up_clock){.boot_us = boot_us,
                                     .utc_us = utc_us,
                                     .is_synchronised = is_synchronised,
                                     .context = &scene->clocks,
                                     .boot = 0x5EA50001};
}

/** The daemon starts again; `off_ms` INT64_MIN: within the boot. */
static void start_again(struct scene *scene, int64_t off_ms)
{
    scene->age = (struct retain_age){0};
    scene->watch = (struct clock_watch){.floor_utc_ms = UTC_0 - DAY};
    if (off_ms == INT64_MIN)
        return;
    scene->clock.boot++;
    scene->clocks.boot_ms = MIN;
    scene->clocks.utc_ms += off_ms + MIN;
}

/** Age time after so long, looked at each minute; INT64_MIN: there was none at the end. */
static int64_t after(struct scene *scene, int64_t ms)
{
    int64_t utc_ms = INT64_MIN;
    bool any = false;
    for (int64_t at = 0; at <= ms; at += MIN) {
        any =
            retain_age_now(&scene->age, scene->rig->journal, &scene->clock, &scene->watch, &utc_ms);
        if (at < ms) {
            scene->clocks.boot_ms += MIN;
            scene->clocks.utc_ms += MIN;
        }
    }
    return any ? utc_ms : INT64_MIN;
}

static void a_clock_that_jumps_ahead_is_believed_after_a_day(void **state)
{
    struct scene scene;
    begin(&scene, *state);
    check_count("the wall clock at first", after(&scene, 10 * MIN), UTC_0 + 10 * MIN);
    scene.clocks.utc_ms += 400 * DAY;
    check_count("ahead, not believed", after(&scene, DAY - MIN), UTC_0 + 9 * MIN + DAY);
    assert_true(retain_age_ahead_ms(&scene.age) == 400 * DAY);
    check_count("after a day", after(&scene, MIN), UTC_0 + 400 * DAY + 10 * MIN + DAY);
    check_count("nothing is ahead", retain_age_ahead_ms(&scene.age), 0);
}

static void back_is_followed_at_once_and_little_steps_too(void **state)
{
    struct scene scene;
    begin(&scene, *state);
    (void)after(&scene, 10 * MIN);
    scene.clocks.utc_ms += 400 * DAY;
    (void)after(&scene, 100 * MIN);
    scene.clocks.utc_ms -= 400 * DAY; /* set right */
    check_count("as it was", after(&scene, 0), UTC_0 + 110 * MIN);
    scene.clocks.utc_ms += 30000;
    check_count("a correction", after(&scene, 0), UTC_0 + 110 * MIN + 30000);
    scene.clocks.utc_ms -= 3 * DAY;
    check_count("back", after(&scene, 0), UTC_0 + 110 * MIN + 30000 - 3 * DAY);
}

static void what_waits_waits_for_a_synchronised_day_in_one_piece(void **state)
{
    struct scene scene;
    begin(&scene, *state);
    (void)after(&scene, 10 * MIN);
    scene.clocks.utc_ms += 30 * DAY;
    (void)after(&scene, DAY / 2);
    scene.clocks.synchronised = false; /* holdover: a clock set by hand looks like this */
    (void)after(&scene, DAY / 4);
    scene.clocks.synchronised = true;
    (void)after(&scene, DAY - 2 * MIN);
    assert_true(retain_age_ahead_ms(&scene.age) == 30 * DAY);
    scene.clocks.utc_ms += DAY; /* another jump: anew */
    (void)after(&scene, DAY - 2 * MIN);
    assert_true(retain_age_ahead_ms(&scene.age) == 31 * DAY);
    (void)after(&scene, 4 * MIN);
    check_count("believed", retain_age_ahead_ms(&scene.age), 0);
}

static void it_is_kept_over_restarts_and_reboots(void **state)
{
    struct scene scene;
    begin(&scene, *state);
    (void)after(&scene, 2 * 60 * MIN);
    scene.clocks.utc_ms += 400 * DAY;
    (void)after(&scene, 20 * 60 * MIN);
    start_again(&scene, INT64_MIN);
    check_count("within the boot it went on", after(&scene, 0), UTC_0 + 22 * 60 * MIN);
    start_again(&scene, 10 * MIN); /* the wrong clock is in the hardware as well */
    const int64_t then = after(&scene, 0);
    assert_true(then <= UTC_0 + 22 * 60 * MIN + 12 * MIN && then >= UTC_0 + 20 * 60 * MIN);
    start_again(&scene, INT64_MIN);
    (void)after(&scene, DAY + 2 * MIN); /* in the end it is believed, also here */
    check_count("believed", retain_age_ahead_ms(&scene.age), 0);
}

static void a_day_off_is_believed_and_a_month_waits(void **state)
{
    struct scene scene;
    begin(&scene, *state);
    (void)after(&scene, 61 * MIN);
    start_again(&scene, DAY / 2);
    check_count("half a day", after(&scene, 0), scene.clocks.utc_ms);
    (void)after(&scene, 61 * MIN);
    start_again(&scene, 30 * DAY);
    assert_true(after(&scene, 0) < scene.clocks.utc_ms - 29 * DAY);
}

static void a_clock_that_was_never_set_says_nothing(void **state)
{
    struct scene scene;
    begin(&scene, *state);
    scene.clocks.synchronised = false;
    scene.clocks.utc_ms -= 7000 * DAY;
    assert_true(after(&scene, DAY) == INT64_MIN);
    scene.clocks.synchronised = true;
    scene.clocks.utc_ms += 7000 * DAY;
    check_count("once it is set", after(&scene, 0), scene.clocks.utc_ms);
}

#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        RIG_TEST(a_clock_that_jumps_ahead_is_believed_after_a_day),
        RIG_TEST(back_is_followed_at_once_and_little_steps_too),
        RIG_TEST(what_waits_waits_for_a_synchronised_day_in_one_piece),
        RIG_TEST(it_is_kept_over_restarts_and_reboots),
        RIG_TEST(a_day_off_is_believed_and_a_month_waits),
        RIG_TEST(a_clock_that_was_never_set_says_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
