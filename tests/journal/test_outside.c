/* SPDX-License-Identifier: Apache-2.0
 *
 * test_outside.c - the mark beside the journal tells a journal that was moved to another machine,
 * or that another box wrote; and says nothing where nothing changed. What a mark tells of a lost or
 * an older file is shown with the whole program (tests/walk/test_worst_day.py).
 */
#include "support.h"

#include "check.h"

static int64_t count_of(const struct rig *rig, const char *kind)
{
    char sql[96];
    snprintf(sql, sizeof sql, "SELECT count(*) FROM event WHERE kind='%s'", kind);
    return rig_query(rig, sql);
}

/** A start as that box on that machine, some scans, a kill. */
static void live_as(struct rig *rig, const char *box, uint32_t machine)
{
    rig_start(rig, BOOT_A);
    journal_know_box(rig->journal, box, machine);
    for (int i = 0; i < 3; i++) {
        struct scan scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
        rig_append(rig, &scan, 1);
        rig->boot_ms += 10000;
        rig->utc_ms += 10000;
    }
    rig_kill(rig);
}

/** Planted defects: the machine isn't compared (journal-moved-unsaid); an unknown one counts as
 * another. */
static void a_journal_that_was_moved_says_so_once(void **state)
{
    struct rig *rig = *state;
    live_as(rig, "heron-edge-1", 7);
    live_as(rig, "heron-edge-1", 7);
    check_count("the same machine", count_of(rig, "journal_moved"), 0);
    live_as(rig, "heron-edge-1", 9);
    check_count("another machine", count_of(rig, "journal_moved"), 1);
    assert_int_equal(rig_query(rig, "SELECT instr(text, 'both publish as box heron-edge-1') > 0 "
                                    "FROM event WHERE kind='journal_moved'"),
                     1);
    live_as(rig, "heron-edge-1", 9);
    check_count("once", count_of(rig, "journal_moved"), 1);
    live_as(rig, "heron-edge-1", 0);
    check_count("a machine that nobody knows", count_of(rig, "journal_moved"), 1);
    check_count("the box", count_of(rig, "journal_box"), 0);
    check_count("lost, or back", count_of(rig, "journal_lost") + count_of(rig, "journal_went_back"),
                0);
}

/** Planted defect: only the machine is compared (journal-box-unasked). */
static void a_journal_of_another_box_is_named_with_both(void **state)
{
    struct rig *rig = *state;
    live_as(rig, "heron-edge-1", 7);
    live_as(rig, "heron-edge-2", 7);
    check_count("another box", count_of(rig, "journal_box"), 1);
    assert_int_equal(rig_query(rig, "SELECT instr(text, 'written by box heron-edge-1, this is box "
                                    "heron-edge-2') > 0 FROM event WHERE kind='journal_box'"),
                     1);
    check_count("its machine", count_of(rig, "journal_moved"), 0);
    live_as(rig, "heron-edge-2", 7);
    check_count("once", count_of(rig, "journal_box"), 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_journal_that_was_moved_says_so_once, rig_setup,
                                        rig_teardown),
        cmocka_unit_test_setup_teardown(a_journal_of_another_box_is_named_with_both, rig_setup,
                                        rig_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
