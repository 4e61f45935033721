/* SPDX-License-Identifier: Apache-2.0
 *
 * test_tidy.c - the ledger's own limit: whole rows go, the oldest, never what is open, not told or
 * half of a sum; and how many is counted.
 */
#include "../../daemon/journal/store.h"

#include "support.h"

#include "check.h"

#define ROWS 60

static void put_row(struct rig *rig, uint64_t id, bool stays_open)
{
    struct up_error error = {0};
    for (uint32_t revision = 0; revision < 3; revision++) {
        struct gap gap = {.run = rig->run,
                          .id = id,
                          .revision = revision,
                          .kind = GAP_LINE,
                          .cause_code = CAUSE_SILENT,
                          .well = 1,
                          .source = SOURCE_GAUGE,
                          .start = rig_now(rig),
                          .is_open = stays_open || revision < 2,
                          .scans = 1};
        struct batch batch = {.gaps = &gap, .n_gaps = 1};
        if (journal_append(rig->journal, &batch, &error) != UP_OK)
            fail_msg("%s", error.why);
    }
}

static void tidy(struct rig *rig)
{
    struct up_error error = {0};
    bool more = true;
    for (int round = 0; round < 5; round++, more = true)
        for (int i = 0; more; i++) {
            if (journal_tidy(rig->journal, &more, &error) != UP_OK)
                fail_msg("%s", error.why);
            assert_true(i < 100);
        }
}

/* Planted defects: a row goes in part (a revision is missing before another)
 * (ledger-limit-in-part); an open row goes (ledger-limit-takes-open); what a destination was not
 * told goes (ledger-limit-takes-untold); nobody counts (ledger-limit-uncounted). */
static void the_ledger_keeps_to_its_own_limit(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    for (uint64_t id = 1; id <= ROWS; id++)
        put_row(rig, id, id == 3);
    rig->journal->ledger_most = 60;
    tidy(rig);
    check_count("above the edge nothing goes", rig_query(rig, "SELECT count(*) FROM gap"),
                3 * ROWS);
    rig_execute(rig, "INSERT INTO removed VALUES(0, (SELECT max(pos) FROM gap), 0, 0, 0, 0)");
    rig_execute(rig, "INSERT INTO cursor VALUES('plant-broker', 1, 2, (SELECT max(pos) FROM gap "
                     "WHERE id = 20), 0)");
    tidy(rig);
    check_count("told rows are gone, but for the open one",
                rig_query(rig, "SELECT count(DISTINCT id) FROM gap WHERE id <= 20"), 1);
    check_count("not told", rig_query(rig, "SELECT count(*) FROM gap WHERE id > 20"), 3 * 40);
    rig_execute(rig, "UPDATE cursor SET pos = (SELECT max(pos) FROM gap)");
    tidy(rig);
    check_count("left", rig_query(rig, "SELECT count(*) FROM gap"),
                60 + 3 + 3); /* the row at the limit stays whole; the open one */
    check_count("in part",
                rig_query(rig, "SELECT count(*) FROM (SELECT id FROM gap GROUP BY id HAVING "
                               "count(*) <> 3)"),
                0);
    check_count("counted", rig_query(rig, "SELECT rows FROM removed WHERE well = -1"),
                3 * ROWS - 66);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test_setup_teardown(
        the_ledger_keeps_to_its_own_limit, rig_setup, rig_teardown)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
