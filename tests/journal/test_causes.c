/* SPDX-License-Identifier: Apache-2.0
 *
 * test_causes.c - why Uphole was not running: stop, upgrade, reboot, crash, power loss, each from
 * what the journal's rows prove and from nothing else. And the floor below which a clock was never
 * set. The words are our own.
 */
#include "audit.h"
#include "box.h"

#include "check.h"

#include <string.h>

/** The run before was one of another version: the program writes its own, so the row is edited as
 * that program would have written it. */
static void make_older(const struct box *box, const char *version)
{
    char sql[160];
    snprintf(sql, sizeof sql, "UPDATE run SET version='%s' WHERE pos=(SELECT max(pos) FROM run)",
             version);
    rig_execute(box->rig, sql);
}

static void start_and_poll(struct box *box, const char *boot_id)
{
    box_start(box, boot_id);
    box_poll(box, 3, OUTCOME_ANSWERED, 3);
}

/** Off for `ms`; the next boot is `up_ms` old when Uphole starts. */
static void box_off(struct box *box, int64_t ms, int64_t up_ms)
{
    box->rig->utc_ms += ms + up_ms;
    box->rig->boot_ms = up_ms;
}

/* Planted defect (causes-version-ignored): a stop is a stop, whatever came back. */
static void a_stop_after_which_another_version_came_is_an_upgrade(void **state)
{
    struct box box = {.rig = *state};
    start_and_poll(&box, BOOT_A);
    check_count("each run bears its version",
                rig_query(box.rig, "SELECT count(*) FROM run WHERE version='" UPHOLE_VERSION "'"),
                1);
    box_stop(&box);
    make_older(&box, "0.0.9");
    box_away(&box, 42000);
    start_and_poll(&box, BOOT_A);
    const struct gap gap = box_row(&box, GAP_PROGRAM, 0);
    check_count("cause", gap.cause_code, CAUSE_UPGRADED);
    check_text("sentence", gap.cause,
               "Uphole was stopped. Version 0.0.9 ran before, " UPHOLE_VERSION " after.");
    box_stop(&box);
    box_away(&box, 42000);
    start_and_poll(&box, BOOT_A);
    check_count("the same version again is a stop", box_row(&box, GAP_PROGRAM, 3).cause_code,
                CAUSE_STOPPED);
    box_stop(&box);
    make_older(&box, "");
    box_away(&box, 42000);
    start_and_poll(&box, BOOT_A);
    check_text("a version that was not noted proves nothing", box_row(&box, GAP_PROGRAM, 6).cause,
               "Uphole was stopped.");
    box_check_books(&box);
    box_kill(&box);
}

/* Planted defect (causes-boot-ignored): an orderly reboot is told as a stop by hand. */
static void a_stop_after_which_the_box_booted_is_a_reboot(void **state)
{
    struct box box = {.rig = *state};
    start_and_poll(&box, BOOT_A);
    box_stop(&box);
    box_off(&box, 65000, 9000);
    start_and_poll(&box, BOOT_B);
    struct gap gap = box_row(&box, GAP_PROGRAM, 0);
    check_count("cause", gap.cause_code, CAUSE_REBOOTED);
    check_text("sentence", gap.cause,
               "Uphole was stopped, and the box was rebooted or switched off in order. The box "
               "started 1 min 5 s after the stop.");
    box_stop(&box);
    make_older(&box, "0.0.9");
    box_off(&box, 65000, 9000);
    start_and_poll(&box, BOOT_A); /* another boot than the one before */
    gap = box_row(&box, GAP_PROGRAM, 3);
    check_count("an upgrade with a reboot", gap.cause_code, CAUSE_UPGRADED);
    check_text("sentence", gap.cause,
               "Uphole was stopped. The box was rebooted meanwhile. Version 0.0.9 ran "
               "before, " UPHOLE_VERSION " after.");
    box_kill(&box);
}

/* Planted defect (causes-off-time-untrusted): how long the box was off is told by a clock that
 * nobody set. */
static void how_long_the_box_was_off_is_said_only_where_the_clock_is_trusted(void **state)
{
    struct box box = {.rig = *state};
    start_and_poll(&box, BOOT_A);
    box_kill(&box);
    box_off(&box, 2 * 3600000 + 61000, 9000);
    start_and_poll(&box, BOOT_B);
    struct gap gap = box_row(&box, GAP_PROGRAM, 0);
    check_count("cause", gap.cause_code, CAUSE_POWER_OR_RESET);
    /* From the newest stored scan, which began 600 ms after its due time; rounded up. */
    check_text("trusted", gap.cause,
               "The box lost power or was reset. It was off for at most 2 h 2 min.");
    box_kill(&box);
    box.rig->clock_state = CLOCK_STATE_UNSYNCHRONISED;
    box_off(&box, 60000, 9000);
    start_and_poll(&box, BOOT_A);
    gap = box_row(&box, GAP_PROGRAM, 3);
    check_text("not trusted", gap.cause,
               "The box lost power or was reset. The clock was not synchronised then, so how long "
               "it took is not sure.");
    assert_false(gap.end_sure);
    box_kill(&box);
    make_older(&box, "0.0.9");
    box_away(&box, 30000);
    start_and_poll(&box, BOOT_A);
    check_text("a crash names the version that came after it", box_row(&box, GAP_PROGRAM, 6).cause,
               "Uphole ended without a stop while the box kept running: it crashed or was killed, "
               "or its disk took nothing more. Version 0.0.9 ran before, " UPHOLE_VERSION
               " after.");
    box_kill(&box);
}

/* Planted defects (causes-supply-forgotten): the rows are gone when the surface unit's first
 * answers tell; the sentence is added to another well's rows, or twice. */
static void rows_of_a_power_loss_wait_for_what_the_surface_unit_says(void **state)
{
    static const char SENTENCE[] = "Box and surface unit restarted within 20 s of each other: the "
                                   "cabinet supply is a likely cause.";
    struct box box = {.rig = *state};
    start_and_poll(&box, BOOT_A);
    box_kill(&box);
    box_off(&box, 29 * 60000, 9000);
    start_and_poll(&box, BOOT_B);
    const uint16_t well = box.rig->wells[0].number;
    ledger_settle_supply(box.ledger, well, SENTENCE);
    ledger_settle_supply(box.ledger, well, SENTENCE);
    box_poll(&box, 1, OUTCOME_ANSWERED, 3);
    unsigned named = 0;
    for (size_t i = 0; i < 3; i++) {
        const struct gap gap = box_row(&box, GAP_PROGRAM, i);
        const char *said = strstr(gap.cause, SENTENCE);
        check_count("revision", gap.revision, gap.well == well);
        assert_true((said != NULL) == (gap.well == well));
        named += said != NULL;
        if (said != NULL) /* all of it fits, behind what was known */
            assert_true(strncmp(gap.cause, "The box lost power or was reset. It was off", 43) ==
                            0 &&
                        said[strlen(SENTENCE)] == '\0');
    }
    check_count("gauge and drive of that well", named, 2);
    ledger_settle_supply(box.ledger, 0, NULL);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    check_count("let go: no further revision",
                rig_query(box.rig, "SELECT count(*) FROM gap WHERE kind = 5"), 3 + 2);
    box_check_books(&box);
    box_kill(&box);
}

/* Planted defect (causes-floor-of-last-run): the floor is the last run's, which the dead clock
 * itself wrote. */
static void a_clock_that_starts_at_the_same_old_date_each_boot_stays_below_the_floor(void **state)
{
    struct box box = {.rig = *state};
    start_and_poll(&box, BOOT_A);
    const int64_t newest_utc_ms = rig_query(box.rig, "SELECT max(utc_ms) FROM scan");
    const int64_t old_utc_ms = box.rig->utc_ms - 60 * INT64_C(86400000); /* a plausible year */
    for (int boot = 0; boot < 3; boot++) {
        char boot_id[37] = BOOT_B;
        boot_id[7] = (char)('0' + boot);
        box_kill(&box);
        box.rig->utc_ms = old_utc_ms;
        box.rig->boot_ms = 9000;
        struct up_error error = {0};
        struct journal *journal = NULL;
        assert_int_equal(
            journal_open(box.rig->directory, &box.rig->clock, boot_id, &journal, &error), UP_OK);
        struct clock_watch watch = {.floor_utc_ms = journal_last_run(journal)->floor_utc_ms};
        check_count("floor", watch.floor_utc_ms, newest_utc_ms);
        box.rig->clock_state = (uint8_t)clock_watch_step(&watch, false, old_utc_ms, 9000);
        check_count("state", box.rig->clock_state, CLOCK_STATE_NEVER_SET);
        journal_close(journal);
        start_and_poll(&box, boot_id);
    }
    box_kill(&box);
}

/* Planted defect (causes-no-column-added): a journal of the same schema from before runs bore a
 * version is refused, or its runs stay without one. */
static void a_journal_from_before_versions_were_noted_is_taken_on(void **state)
{
    struct box box = {.rig = *state};
    start_and_poll(&box, BOOT_A);
    box_stop(&box);
    rig_execute(box.rig, "ALTER TABLE run DROP COLUMN version");
    box_away(&box, 42000);
    start_and_poll(&box, BOOT_A);
    check_count("the new run has one",
                rig_query(box.rig, "SELECT count(*) FROM run WHERE version IS NOT NULL"), 1);
    check_text("the old one is not guessed", box_row(&box, GAP_PROGRAM, 0).cause,
               "Uphole was stopped.");
    box_check_books(&box);
    box_kill(&box);
}

int main(void)
{
#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        RIG_TEST(a_stop_after_which_another_version_came_is_an_upgrade),
        RIG_TEST(a_stop_after_which_the_box_booted_is_a_reboot),
        RIG_TEST(how_long_the_box_was_off_is_said_only_where_the_clock_is_trusted),
        RIG_TEST(rows_of_a_power_loss_wait_for_what_the_surface_unit_says),
        RIG_TEST(a_clock_that_starts_at_the_same_old_date_each_boot_stays_below_the_floor),
        RIG_TEST(a_journal_from_before_versions_were_noted_is_taken_on),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
