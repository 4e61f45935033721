/* SPDX-License-Identifier: Apache-2.0
 *
 * test_ledger_runs.c - rows of polls never attempted around a run that begins within the program's
 * life, because the disk had refused: each due time is counted once, also by the program that comes
 * after it.
 */
#include "audit.h"
#include "box.h"

#include "check.h"

/** A due time of heron-7's drive that is put off, since its unit does not answer. */
static void put_off(struct box *box)
{
    const struct stamp due = rig_now(box->rig);
    ledger_count(box->ledger, GAP_SKIPPED, CAUSE_BACK_OFF, box->rig->wells[0].number, SOURCE_DRIVE,
                 1, &due, &due, NULL);
}

/** The rest of the rig's sources is asked at this due time. */
static void ask_the_others(struct box *box)
{
    static struct record record;
    const struct stamp due = rig_now(box->rig);
    struct scan scans[2] = {rig_scan(box->rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED),
                            rig_scan(box->rig, 1, SOURCE_GAUGE, OUTCOME_ANSWERED)};
    for (int i = 0; i < 2; i++) {
        scans[i].seq = journal_next_seq(box->rig->journal, scans[i].well);
        record = (struct record){.n = 0};
        ledger_see_scan(box->ledger, &scans[i], &record, &due);
    }
    box_commit(box, scans, 2, true);
}

static void one_due_time(struct box *box)
{
    box_to_next_due(box);
    put_off(box);
    ask_the_others(box);
}

/** Another run, 3 s behind the last due time, as after a refusal. */
static struct stamp another_run(struct box *box)
{
    struct up_error error = {0};
    box_away(box, 3000);
    const struct stamp began = rig_now(box->rig);
    assert_int_equal(journal_reopen(box->rig->journal, &error), UP_OK);
    assert_int_equal(journal_checkpoint(box->rig->journal, &error), UP_OK);
    assert_int_equal(journal_begin_run(box->rig->journal, &began, &box->rig->run, &error), UP_OK);
    box->grid_ms = box->next_ms = began.boot_ms;
    return began;
}

static int64_t count_rows(const struct box *box, const char *where)
{
    char sql[200];
    snprintf(sql, sizeof sql, "SELECT count(DISTINCT run || '/' || id) FROM gap WHERE %s", where);
    return rig_query(box->rig, sql);
}

/** Killed 4 s after a due time and started again: the program's row holds what is due until then.
 */
static void check_after_a_kill(struct box *box, int64_t programs)
{
    box_away(box, 4000);
    box_kill(box);
    box_away(box, 21000);
    box_start(box, BOOT_A);
    box_poll(box, 1, OUTCOME_ANSWERED, BOX_SOURCES_N);
    box_check_books(box);
    check_count("rows of the program's absence", count_rows(box, "kind = 5"), programs);
    box_kill(box);
}

/* Planted defect: the open row counts on into the new run (ledger-counts-over-runs). */
static void what_is_put_off_in_a_new_run_stands_in_a_row_of_its_own(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, BOX_SOURCES_N);
    one_due_time(&box);
    one_due_time(&box);
    const struct stamp began = another_run(&box);
    ledger_set_run(box.ledger, box.rig->run, &began);
    one_due_time(&box);
    one_due_time(&box);
    check_count("rows", count_rows(&box, "kind = 7"), 2);
    const struct gap before = box_row(&box, GAP_SKIPPED, 0), after = box_row(&box, GAP_SKIPPED, 1);
    assert_true(before.run != box.rig->run && after.run == box.rig->run);
    assert_false(before.is_open);
    assert_true(after.is_open);
    check_count("of the run before", before.scans, 2);
    check_count("ends where the new run began", before.end.boot_ms, began.boot_ms);
    check_count("of the new run", after.scans, 2);
    check_count("since it began", after.start.boot_ms, began.boot_ms);
    check_after_a_kill(&box, BOX_SOURCES_N);
}

/* As journals hold it that were written before rows ended with their run.
 * Planted defect: such a row accounts only for the run in which its last due time lies
 * (ledger-due-of-one-run). */
static void a_row_that_counted_on_over_a_run_accounts_for_both(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, BOX_SOURCES_N);
    box_to_next_due(&box);
    put_off(&box); /* not stored yet: the disk refuses; the others' rows are lost and counted */
    const struct stamp due = rig_now(box.rig);
    for (int s = 0; s < BOX_SOURCES_N; s += 2)
        ledger_count(box.ledger, GAP_DISK, CAUSE_DISK_REFUSED,
                     box.rig->wells[BOX_SOURCES[s].well].number, BOX_SOURCES[s].source, 1, &due,
                     &due, NULL);
    (void)another_run(&box);
    one_due_time(&box);
    check_count("rows", count_rows(&box, "kind = 7"), 1);
    check_count("of both runs", box_row(&box, GAP_SKIPPED, 0).scans, 2);
    check_after_a_kill(&box, BOX_SOURCES_N);
}

int main(void)
{
#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        RIG_TEST(what_is_put_off_in_a_new_run_stands_in_a_row_of_its_own),
        RIG_TEST(a_row_that_counted_on_over_a_run_accounts_for_both),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
