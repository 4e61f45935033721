/* SPDX-License-Identifier: Apache-2.0
 *
 * test_ledger_load.c - gaps across restarts, on real files: open rows that close in a later run,
 * and the time without us. After each story the auditor sums the books from outside: due = rows +
 * never attempted, for every well and source.
 */
#include "audit.h"
#include "box.h"

#include "check.h"

#include <stdlib.h>

static int64_t count_rows(const struct box *box, const char *where)
{
    char sql[200];
    snprintf(sql, sizeof sql, "SELECT count(DISTINCT run || '/' || id) FROM gap WHERE %s", where);
    return rig_query(box->rig, sql);
}

/* Planted defects: the gap starts at the last scan (one due too many)
 * (ledger-absence-from-last-scan); ends at the first scan instead of the run's start. */
static void a_stop_a_kill_and_a_power_loss_are_told_apart_and_counted_exactly(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 6, OUTCOME_ANSWERED, 3);
    const int64_t missed = box.next_ms;
    box_stop(&box);
    box_away(&box, 95000); /* 94.4 s of absence after the last poll's end: dues at +10 .. +90 s,
                          before the new run's start */
    box_start(&box, BOOT_A);
    box_poll(&box, 5, OUTCOME_ANSWERED, 3);
    struct gap gap = box_row(&box, GAP_PROGRAM, 0);
    check_count("cause", gap.cause_code, CAUSE_STOPPED);
    check_text("sentence", gap.cause, "Uphole was stopped.");
    check_count("start", gap.start.boot_ms, missed);
    check_count("end", gap.end.boot_ms, box.grid_ms);
    check_count("scans", gap.scans, 9);
    check_count("before", (long long)gap.before_seq, 12);
    check_count("after", (long long)gap.after_seq, 13);
    assert_true(gap.start_sure && gap.end_sure && !gap.is_open && gap.lost);
    assert_true(gap.run == box.rig->run);
    check_count("refreshes of 28 s", gap.refreshes_about,
                (gap.end.boot_ms - gap.start.boot_ms) / 28000);
    check_count("one a well and source", count_rows(&box, "kind = 5"), 3);
    box_kill(&box);
    box_away(&box, 3000); /* back before the next due time: nothing was missed */
    box_start(&box, BOOT_A);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    check_count("no row for nothing", count_rows(&box, "kind = 5"), 3);
    box_kill(&box);
    box_away(&box, 61000);
    box_start(&box, BOOT_A);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    gap = box_row(&box, GAP_PROGRAM, 3);
    check_text("killed", gap.cause,
               "Uphole ended without a stop while the box kept running: it crashed or was killed, "
               "or its disk took nothing more.");
    check_count("cause", gap.cause_code, CAUSE_KILLED);
    box_check_books(&box);
    box_kill(&box);
    box_away(&box, 9400 + 1768000);
    box.rig->boot_ms = 9000;
    box_start(&box, BOOT_B);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    gap = box_row(&box, GAP_PROGRAM, 6);
    check_text("power", gap.cause,
               "The box lost power or was reset. It was off for at most 29 min 29 s.");
    check_count("29 min 28 s", gap.scans, 177);
    check_count("of them gauge readings", gap.refreshes_about, 63);
    assert_true(gap.end_sure);
    box_check_books(&box);
    box_kill(&box);
}

/* Planted defect: an outage across boots is called exact though the clock was not set
 * (ledger-boot-length-sure). */
static void without_a_set_clock_the_length_of_an_outage_is_unsure(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 6, OUTCOME_ANSWERED, 3);
    box_kill(&box);
    box.rig->boot_ms = 5000;
    box.rig->utc_ms = 1000;
    box.rig->clock_state = CLOCK_STATE_NEVER_SET;
    box_start(&box, BOOT_B);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    const struct gap gap = box_row(&box, GAP_PROGRAM, 0);
    assert_false(gap.end_sure);
    assert_true(gap.start_sure);
    check_count("scans", gap.scans, 0);
    assert_non_null(strstr(gap.cause, "how long it took is not sure"));
    box_check_books(&box);
    box_kill(&box);
}

/* Planted defect: a run that stored nothing hides the gap before it (ledger-newest-pair-only). */
static void a_run_that_died_before_its_first_commit_hides_nothing(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 6, OUTCOME_ANSWERED, 3);
    box_kill(&box);
    for (int i = 0; i < 5; i++) {
        box_away(&box, 24000);
        box_start(&box, BOOT_A);
        box_away(&box, 4000);
        box_kill(&box);
    }
    box_away(&box, 24000);
    box_start(&box, BOOT_A);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    box_check_books(&box);
    check_count("one row a well and source for the whole crash loop", count_rows(&box, "kind = 5"),
                3);
    box_kill(&box);
    box_away(&box, 12000);
    box_start(&box, BOOT_A); /* and it is not told again */
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    box_check_books(&box);
    check_count("the last restart has rows of its own", count_rows(&box, "kind = 5"), 6);
    box_kill(&box);
}

/* Planted defect: a run that lost its power before it had a plan ends the time without us, and the
 * outage behind it is in no row (ledger-planless-run). Found by a random history. */
static void a_run_that_died_before_it_had_a_plan_hides_no_outage(void **state)
{
    struct box box = {.rig = *state};
    struct up_error error = {0};
    box_start(&box, BOOT_A);
    box_poll(&box, 6, OUTCOME_ANSWERED, 3);
    box_kill(&box);
    box_away(&box, 24000);
    assert_int_equal(
        journal_open(box.rig->directory, &box.rig->clock, BOOT_A, &box.rig->journal, &error),
        UP_OK);
    const struct stamp began = rig_now(box.rig);
    assert_int_equal(journal_begin_run(box.rig->journal, &began, &box.rig->run, &error), UP_OK);
    rig_kill(box.rig);
    box_away(&box, 3600000);
    box_start(&box, BOOT_B);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    box_check_books(&box);
    check_count("one row a well and source", count_rows(&box, "kind = 5"), 3);
    assert_in_range(box_row(&box, GAP_PROGRAM, 0).scans, 361, 363);
    box_kill(&box);
}

/* Planted defect: ledger-due-since-the-plan. A start whose plan is stored late (a slow disk), and a
 * kill before its first scan: what was due before the plan stood in the journal is in no row. Found
 * by a walk of power cuts. */
static void what_is_due_while_the_plan_is_stored_is_counted(void **state)
{
    struct box box = {.rig = *state};
    struct up_error error = {0};
    box_start(&box, BOOT_A);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    box_kill(&box);
    box_away(&box, 24000);
    assert_int_equal(
        journal_open(box.rig->directory, &box.rig->clock, BOOT_A, &box.rig->journal, &error),
        UP_OK);
    const struct stamp began = rig_now(box.rig);
    assert_int_equal(journal_begin_run(box.rig->journal, &began, &box.rig->run, &error), UP_OK);
    box_away(&box, 25000);
    assert_int_equal(journal_put_plan(box.rig->journal, box.rig->plan, &began, "start", &error),
                     UP_OK);
    rig_kill(box.rig);
    box_away(&box, 31000);
    box_start(&box, BOOT_A);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    box_check_books(&box);
    box_kill(&box);
}

/* Planted defect: the new run's first due time is counted in the gap as well
 * (ledger-absence-takes-the-next). */
static void a_run_that_begins_on_a_due_time_takes_it_over(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    box_kill(&box);
    box_away(&box, box.next_ms + 20000 - box.rig->boot_ms);
    box_start(&box, BOOT_A);
    box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    check_count("two due times, and the third is the new run's",
                box_row(&box, GAP_PROGRAM, 0).scans, 2);
    box_check_books(&box);
    box_kill(&box);
}

static void check_books_after_a_kill(struct box *box)
{
    box_kill(box);
    box_away(box, 5000);
    box_start(box, BOOT_A);
    box_poll(box, 2, OUTCOME_ANSWERED, 3);
    box_check_books(box);
}

/* Planted defect: ledger-skips-wait (a failed scan is stored while the skips before it still wait
 * for their minute; a kill then loses them). */
static void skips_before_a_stored_scan_are_stored_with_it(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    box_poll(&box, 3, OUTCOME_ANSWERED, 2);
    box_poll(&box, 1, OUTCOME_SILENT, 3);
    check_books_after_a_kill(&box);
    /* And in a line gap that has nothing new to say. */
    box_poll(&box, 2, OUTCOME_SILENT, 3);
    box_poll(&box, 2, OUTCOME_SILENT, 2);
    box_poll(&box, 1, OUTCOME_SILENT, 3);
    check_books_after_a_kill(&box);
    box_kill(&box);
}

/* Planted defect (ledger-count-overtakes): a count that goes out at once overtakes an older one of
 * its source that waits for its minute; a kill then loses that one for good. */
static void a_count_that_goes_out_takes_older_ones_along(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    box_poll(&box, 3, OUTCOME_ANSWERED, 2); /* heron-8 is busy: of three dues one is stored */
    box_to_next_due(&box);
    const struct stamp due = rig_now(box.rig);
    for (int s = 0; s < BOX_SOURCES_N; s++)
        ledger_count(box.ledger, GAP_DISK, CAUSE_DISK_REFUSED,
                     box.rig->wells[BOX_SOURCES[s].well].number, BOX_SOURCES[s].source, 1, &due,
                     &due, NULL);
    box_commit(&box, NULL, 0, false);
    check_count("busy", box_row(&box, GAP_SKIPPED, 0).scans, 3);
    check_books_after_a_kill(&box);
    box_kill(&box);
}

/* Planted defects: skips that were not yet handed out at the kill vanish; open skip rows of the old
 * run go on counting (ledger-old-counts-stay-open). */
static void skips_that_a_kill_swallows_are_part_of_the_program_gap(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    box_poll(&box, 20, OUTCOME_ANSWERED,
             2); /* heron-8 is skipped; its count is stored once a minute */
    box_kill(&box);
    box_away(&box, 45000);
    box_start(&box, BOOT_A);
    box_poll(&box, 4, OUTCOME_ANSWERED, 2);
    box_poll(&box, 8, OUTCOME_ANSWERED, 3);
    box_check_books(&box);
    const struct gap first = box_row(&box, GAP_SKIPPED, 0);
    assert_false(first.is_open);
    check_count("skips that were stored, plus the rest in the program row",
                count_rows(&box, "kind = 7"), 2);
    const struct gap program = box_row(&box, GAP_PROGRAM, 0);
    check_count("the skip row ends where the program row starts", first.end.boot_ms,
                program.start.boot_ms);
    box_kill(&box);
}

/* Planted defects: an open row is opened anew by the next run; its identity changes
 * (ledger-adopted-by-a-new-name); its count restarts (ledger-adopted-counts-anew). */
static void an_open_line_gap_closes_in_a_later_run_under_its_own_identity(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    const uint64_t opener = box.rig->run;
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    const int64_t missed = box.next_ms;
    box_poll(&box, 5, OUTCOME_SILENT, 3);
    box_kill(&box);
    box_away(&box, 30000);
    box_start(&box, BOOT_A);
    check_count("open rows were loaded",
                (long long)ledger_open_of_well(box.ledger, box.rig->wells[0].number), 2);
    box_poll(&box, 2, OUTCOME_SILENT, 3);
    box_poll(&box, 1, OUTCOME_ANSWERED, 3);
    const struct gap gap = box_row(&box, GAP_LINE, 0);
    assert_true(gap.run == opener && !gap.is_open);
    check_count("start", gap.start.boot_ms, missed);
    check_count("failed scans of both runs", gap.scans, 7);
    check_count("rows", count_rows(&box, "kind = 1"), 3);
    box_check_books(&box);
    box_kill(&box);
}

/* Planted defect (ledger-put-off-forgotten): polls put off within a line gap are lost from its
 * count where a kill comes before its next revision, which is up to an hour away. */
static void a_kill_takes_nothing_from_the_count_of_a_long_line_gap(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    for (int i = 0; i < 60; i++) { /* heron-8 is asked each fifth time, for 50 min */
        box_poll(&box, 1, OUTCOME_SILENT, 3);
        box_poll(&box, 4, OUTCOME_SILENT, 2);
    }
    box_poll(&box, 1, OUTCOME_SILENT, 3);
    box_kill(&box);
    box_away(&box, 5000);
    box_start(&box, BOOT_A);
    box_poll(&box, 1, OUTCOME_SILENT, 3);
    box_poll(&box, 1, OUTCOME_ANSWERED, 3);
    bool found = false;
    for (size_t i = 0; i < 3; i++) {
        const struct gap gap = box_row(&box, GAP_LINE, i);
        assert_false(gap.is_open);
        check_count("every poll, asked or put off", gap.scans, 60 * 5 + 2);
        found = found || gap.well == box.rig->wells[1].number;
    }
    assert_true(found);
    box_check_books(&box);
    box_kill(&box);
}

/* Planted defect (ledger-adopted-each-commit): the rows that a start takes over are told at every
 * commit. */
static void a_row_that_was_taken_over_waits_like_any_other(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    box_poll(&box, 1, OUTCOME_SILENT, 3); /* told when it opened: nothing to count anew */
    box_kill(&box);
    box_away(&box, 5000);
    box_start(&box, BOOT_A);
    const int64_t before = rig_query(box.rig, "SELECT count(*) FROM gap WHERE kind = 1");
    box_poll(&box, 366, OUTCOME_SILENT, 3); /* 61 min: at the start, then 1, 3, 7, 15, 31 min on */
    const int64_t after = rig_query(box.rig, "SELECT count(*) FROM gap WHERE kind = 1");
    assert_in_range(after - before, 3 * 5, 3 * 8);
    box_poll(&box, 1, OUTCOME_ANSWERED, 3);
    check_count("scans", box_row(&box, GAP_LINE, 0).scans, 1 + 366);
    box_kill(&box);
}

/** A reload: another ledger in the same run goes on with ids, open rows and books. */
static void a_reload_goes_on_with_ids_and_open_rows(void **state)
{
    struct box box = {.rig = *state};
    struct up_error error = {0};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    box_poll(&box, 4, OUTCOME_SILENT, 2);
    box_commit(&box, NULL, 0, true);
    ledger_destroy(box.ledger);
    box.ledger = ledger_create(box.rig->plan, box.rig->run, 256);
    const struct stamp now = rig_now(box.rig);
    assert_int_equal(ledger_load(box.ledger, box.rig->journal, &now, &error), UP_OK);
    box_poll(&box, 4, OUTCOME_SILENT, 2);
    box_poll(&box, 4, OUTCOME_ANSWERED, 3);
    box_check_books(&box);
    check_count("line rows", count_rows(&box, "kind = 1"), 2);
    check_count("skipped rows", count_rows(&box, "kind = 7"), 1);
    check_count("of line rows", box_row(&box, GAP_LINE, 0).scans, 8);
    check_count("of skipped rows", box_row(&box, GAP_SKIPPED, 0).scans, 8);
    box_poll(&box, 1, OUTCOME_SILENT, 3);
    check_count("new rows have ids of their own", count_rows(&box, "kind = 1"), 5);
    check_count("no program row", count_rows(&box, "kind = 5"), 0);
    box_kill(&box);
}

/** The disk refused for a while: the same ledger goes on into a new run, and counts what was read
 * and not stored. */
static void what_the_disk_refused_is_counted_once(void **state)
{
    struct box box = {.rig = *state};
    struct up_error error = {0};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    for (int i = 0; i < 4; i++) {
        box_to_next_due(&box);
        const struct stamp due = rig_now(box.rig);
        for (int s = 0; s < BOX_SOURCES_N; s++)
            ledger_count(box.ledger, GAP_DISK, CAUSE_DISK_REFUSED,
                         box.rig->wells[BOX_SOURCES[s].well].number, BOX_SOURCES[s].source, 1, &due,
                         &due, NULL);
    }
    box_away(&box, 2000);
    assert_int_equal(journal_reopen(box.rig->journal, &error), UP_OK);
    assert_int_equal(journal_checkpoint(box.rig->journal, &error), UP_OK);
    const struct stamp began = rig_now(box.rig);
    assert_int_equal(journal_begin_run(box.rig->journal, &began, &box.rig->run, &error), UP_OK);
    ledger_set_run(box.ledger, box.rig->run, &began);
    box.grid_ms = box.next_ms = began.boot_ms;
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    box_check_books(&box);
    check_count("disk rows", count_rows(&box, "kind = 6"), 3);
    check_count("refused", box_row(&box, GAP_DISK, 0).scans, 4);
    box_kill(&box);
    box_away(&box, 21000);
    box_start(&box, BOOT_A); /* the walk back over runs must not count the refused scans again */
    box_poll(&box, 1, OUTCOME_ANSWERED, 3);
    box_check_books(&box);
    box_kill(&box);
}

static uint32_t random_state = 2463534242u;
static uint32_t draw(uint32_t below)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 17;
    random_state ^= random_state << 5;
    return random_state % below;
}

/* Planted defect: any of the above, in an order that nobody thought of. */
static void the_books_hold_over_random_histories(void **state)
{
    struct box box = {.rig = *state};
    int boot = 0;
    const char *seed = getenv("UPHOLE_TEST_SEED"); /* another history, by hand */
    if (seed != NULL)
        random_state ^= (uint32_t)strtoul(seed, NULL, 10) * 2654435761u;
    box_start(&box, BOOT_A);
    for (int i = 0; i < 120; i++) {
        const uint32_t what = draw(10);
        if (what < 5) {
            box_poll(&box, 1 + (int)draw(12), OUTCOME_ANSWERED, 1 + (int)draw(3));
        } else if (what < 7) {
            box_poll(&box, 1 + (int)draw(9), draw(2) ? OUTCOME_SILENT : OUTCOME_EXCEPTION,
                     1 + (int)draw(3));
        } else {
            if (what == 7)
                box_stop(&box);
            else
                box_kill(&box);
            box_away(&box, (int64_t)draw(70000));
            if (what == 9) { /* another boot */
                char boot_id[37] = BOOT_B;
                boot_id[6] = (char)('0' + boot % 10);
                boot_id[7] = (char)('0' + boot++ / 10);
                box.rig->boot_ms = 3000 + (int64_t)draw(9000);
                box_start(&box, boot_id);
            } else {
                char boot_id[37] = BOOT_A;
                if (boot > 0) {
                    snprintf(boot_id, sizeof boot_id, "%s", BOOT_B);
                    boot_id[6] = (char)('0' + (boot - 1) % 10);
                    boot_id[7] = (char)('0' + (boot - 1) / 10);
                }
                box_start(&box, boot_id);
            }
        }
    }
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    box_check_books(&box);
    box_kill(&box);
}

int main(void)
{
#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        RIG_TEST(a_stop_a_kill_and_a_power_loss_are_told_apart_and_counted_exactly),
        RIG_TEST(without_a_set_clock_the_length_of_an_outage_is_unsure),
        RIG_TEST(a_run_that_died_before_its_first_commit_hides_nothing),
        RIG_TEST(a_run_that_died_before_it_had_a_plan_hides_no_outage),
        RIG_TEST(what_is_due_while_the_plan_is_stored_is_counted),
        RIG_TEST(a_run_that_begins_on_a_due_time_takes_it_over),
        RIG_TEST(skips_before_a_stored_scan_are_stored_with_it),
        RIG_TEST(a_count_that_goes_out_takes_older_ones_along),
        RIG_TEST(skips_that_a_kill_swallows_are_part_of_the_program_gap),
        RIG_TEST(an_open_line_gap_closes_in_a_later_run_under_its_own_identity),
        RIG_TEST(a_kill_takes_nothing_from_the_count_of_a_long_line_gap),
        RIG_TEST(a_row_that_was_taken_over_waits_like_any_other),
        RIG_TEST(a_reload_goes_on_with_ids_and_open_rows),
        RIG_TEST(what_the_disk_refused_is_counted_once),
        RIG_TEST(the_books_hold_over_random_histories),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
