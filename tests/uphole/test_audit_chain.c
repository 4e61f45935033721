/* SPDX-License-Identifier: Apache-2.0
 *
 * test_audit_chain.c - an audit of sealed blocks: whoever changes, takes or exchanges one is found,
 * by its number. The changes are made by SQLite's own hand, in the file that the writer left.
 *
 * Planted defects, each seen to be caught (tests/planted): audit-chain-digest-unseen,
 * audit-chain-hole-unseen, audit-chain-end-unseen.
 */
#include "rig.h"

#include "../../daemon/uphole/audit.h"

#include "check.h"

#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>

static void seal(struct rig *rig)
{
    static const struct journal_sealing SOON = {
        .keep_rows = 10, .block_rows = 25, .range_rows = 50};
    struct up_error error = {0};
    bool more = true;
    journal_set_sealing(rig->journal, &SOON);
    for (int i = 0; more && i < 1000; i++)
        if (journal_seal(rig->journal, &more, &error) != UP_OK)
            fail_msg("%s", error.why);
}

static void run_sql(struct rig *rig, const char *sql)
{
    char path[300], *why = NULL;
    sqlite3 *db = NULL;
    snprintf(path, sizeof path, "%s/%s", rig->directory, JOURNAL_FILE);
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    if (sqlite3_exec(db, sql, NULL, NULL, &why) != SQLITE_OK)
        fail_msg("%s: %s", sql, why);
    sqlite3_close(db);
}

static struct audit *review(struct rig *rig)
{
    struct up_error error = {0};
    struct audit *audit = calloc(1, sizeof *audit);
    assert_non_null(audit);
    audit->asked.directory = rig->directory;
    if (audit_review(audit, &error) != UP_OK)
        fail_msg("%s", error.why);
    return audit;
}

/** The fault that speaks of sealed blocks; "" where none does. */
static void check_says(struct rig *rig, const char *what, const char *says)
{
    struct audit *audit = review(rig);
    const char *found = "";
    for (size_t i = 0; i < audit->n_faults && i < AUDIT_FAULTS_MAX && found[0] == '\0'; i++)
        if (strstr(audit->fault[i], "sealed block") != NULL)
            found = audit->fault[i];
    if (says == NULL ? found[0] != '\0' : strstr(found, says) == NULL)
        fail_msg("%s: '%s' is said", what, found);
    if (says != NULL)
        assert_int_equal(audit_verdict(audit), BOOKS_DO_NOT_HOLD);
    audit_free(audit);
}

static void a_changed_taken_or_exchanged_block_is_found_by_number(void **state)
{
    static const struct {
        const char *what, *sql, *says;
    } ROWS[] = {
        {"a byte of its data",
         "UPDATE block SET data = CAST(substr(data, 1, 20) || x'5a' || "
         "substr(data, 22) AS BLOB) WHERE number = 2",
         "sealed block 2 (rows "},
        {"its digest",
         "UPDATE block SET digest = (SELECT digest FROM block WHERE number = 1) "
         "WHERE number = 2",
         "sealed block 2 (rows "},
        {"what it follows", "UPDATE block SET before = zeroblob(32) WHERE number = 3",
         "sealed block 3 (rows "},
        {"one is gone", "DELETE FROM block WHERE number = 2", "sealed blocks 2 to 2 are missing"},
        {"the first is gone", "DELETE FROM block WHERE number = 1", NULL}, /* as retention does */
        {"the newest is gone", "DELETE FROM block WHERE number = (SELECT max(number) FROM block)",
         "are missing"},
        {"the journal's own word", "UPDATE chain SET digest = zeroblob(32)",
         "the newest sealed block is not the one"},
    };
    struct rig *rig = *state;
    char before[2 * JOURNAL_DIGEST_BYTES + 1], after[2 * JOURNAL_DIGEST_BYTES + 1];
    rig_poll(rig, 170);
    seal(rig);
    check_says(rig, "as it was sealed", NULL);
    struct audit *audit = review(rig);
    assert_true(audit->n_blocks >= 4 && audit->n_sealed > 100);
    assert_int_equal(strlen(audit_digest_text(audit, before)), 64);
    audit_free(audit);
    run_sql(rig, "CREATE TABLE kept_block AS SELECT * FROM block;"
                 "CREATE TABLE kept_chain AS SELECT * FROM chain;");
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        run_sql(rig, ROWS[i].sql);
        check_says(rig, ROWS[i].what, ROWS[i].says);
        run_sql(rig, "DELETE FROM block; INSERT INTO block SELECT * FROM kept_block;"
                     "DELETE FROM chain; INSERT INTO chain SELECT * FROM kept_chain;");
    }
    check_says(rig, "put right again", NULL);
    audit = review(rig);
    check_text("the one value", audit_digest_text(audit, after), before);
    audit_free(audit);
    rig_poll(rig, 60); /* it goes on: another value, that fixes the first ones too */
    seal(rig);
    audit = review(rig);
    assert_true(strcmp(audit_digest_text(audit, after), before) != 0);
    audit_free(audit);
    check_says(rig, "gone on", NULL);
}

static bool stop(void *context)
{
    return --*(int *)context > 0;
}

static void a_review_can_be_stopped_between_slices(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    rig_poll(rig, 130);
    for (int after = 1; after < 6; after++) {
        int left = after;
        struct audit *audit = calloc(1, sizeof *audit);
        assert_non_null(audit);
        audit->asked.directory = rig->directory;
        audit->go_on = stop;
        audit->context = &left;
        assert_int_equal(audit_review(audit, &error), UP_E_TIMEOUT);
        audit_free(audit);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_changed_taken_or_exchanged_block_is_found_by_number,
                                        rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(a_review_can_be_stopped_between_slices, rig_setup,
                                        rig_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
