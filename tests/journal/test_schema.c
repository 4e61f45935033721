/* SPDX-License-Identifier: Apache-2.0
 *
 * test_schema.c - journals of an older schema: read as they are, brought to this one when they are
 * opened for writing, and nothing in them lost.
 *
 * schema_1.sql is a journal that the program wrote while schema 1 was its newest. The planted
 * defect that a test must catch stands above it.
 */
#include "support.h"

#include "check.h"

#include <stdio.h>
#include <stdlib.h>

#define ROWS_TEXT                                                                                  \
    "SELECT group_concat(pos||'/'||run||'/'||well||'/'||source||'/'||seq||'/'||plan||'/'||utc_ms"  \
    "||'/'||boot_ms||'/'||took_ms||'/'||outcome||'/'||tries||'/'||stray||'/'||hex(words)||'/'||"   \
    "\"check\") FROM scan"

/** Makes the journal of schema 1 in the rig's directory. */
static void make_old(const struct rig *rig)
{
    FILE *file = fopen(UPHOLE_SOURCE_DIR "/tests/journal/schema_1.sql", "rb");
    char *text = calloc(1, 1 << 16);
    assert_non_null(file);
    assert_non_null(text);
    const size_t n = fread(text, 1, (1 << 16) - 1, file);
    fclose(file);
    assert_in_range(n, 1000, (1 << 16) - 2);
    rig_execute(rig, text);
    free(text);
    check_count("schema 1", rig_query(rig, "PRAGMA user_version"), 1);
}

static void check_rows(const struct rig *rig, size_t expected)
{
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    struct scan *got = calloc(JOURNAL_SLICE_MAX, sizeof *got);
    size_t n = 0;
    if (journal_reader_open(rig->directory, &reader, &error) != UP_OK)
        fail_msg("reader: %s", error.why);
    if (journal_read_scans(reader, 1, 0, JOURNAL_SLICE_MAX, got, &n, &error) != UP_OK)
        fail_msg("scans: %s", error.why);
    check_count("scans of heron-7", (long long)n, (long long)expected);
    for (size_t i = 0; i < n; i++)
        check_count("seq", (long long)got[i].seq, (long long)i + 1);
    check_count("the seventh was silent", got[6].outcome, OUTCOME_SILENT);
    journal_reader_close(reader);
    free(got);
}

/* Planted defect: a reader takes its own schema only, so that a journal that was copied off an
 * older box is called empty. */
static void an_older_schema_is_read_as_it_is(void **state)
{
    struct rig *rig = *state;
    make_old(rig);
    check_rows(rig, 20);
    check_count("a reader changes nothing", rig_query(rig, "PRAGMA user_version"), 1);
    check_count("no new table",
                rig_query(rig, "SELECT count(*) FROM sqlite_schema WHERE name='block'"), 0);
}

/* Planted defect: the version is raised without its tables (schema-version-without-tables). */
static void an_older_schema_is_brought_to_this_one_and_loses_nothing(void **state)
{
    struct rig *rig = *state;
    make_old(rig);
    rig_execute(rig, "CREATE TABLE kept(rows)");
    rig_execute(rig, "INSERT INTO kept " ROWS_TEXT);
    rig_start(rig, BOOT_B);
    check_count("this schema", rig_query(rig, "PRAGMA user_version"), JOURNAL_SCHEMA);
    check_count("its tables",
                rig_query(rig, "SELECT count(*) FROM sqlite_schema WHERE type='table' AND name IN "
                               "('block','chain','damage')"),
                3);
    check_count("rows are the same", rig_query(rig, "SELECT rows = (" ROWS_TEXT ") FROM kept"), 1);
    check_count("the open ledger row stands",
                rig_query(rig, "SELECT count(*) FROM gap WHERE is_open"), 1);
    struct scan next = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    rig_append(rig, &next, 1);
    check_count("seq goes on", (long long)next.seq, 21);
    check_rows(rig, 21);
}

/* Planted defect: tables and version are made without a transaction around them
 * (schema-half-migrated). */
static void a_migration_that_fails_leaves_the_older_schema_whole(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    make_old(rig);
    rig_execute(rig, "CREATE TABLE damage(in_the_way)"); /* the last table that schema 2 makes */
    assert_int_not_equal(journal_open(rig->directory, &rig->clock, BOOT_B, &rig->journal, &error),
                         UP_OK);
    check_count("still 1", rig_query(rig, "PRAGMA user_version"), 1);
    check_count("no table of the next",
                rig_query(rig, "SELECT count(*) FROM sqlite_schema WHERE name='block'"), 0);
    check_count("its rows", rig_query(rig, "SELECT count(*) FROM scan"), 30);
    rig_execute(rig, "DROP TABLE damage");
    rig_start(rig, BOOT_B);
    check_rows(rig, 20);
}

#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        RIG_TEST(an_older_schema_is_read_as_it_is),
        RIG_TEST(an_older_schema_is_brought_to_this_one_and_loses_nothing),
        RIG_TEST(a_migration_that_fails_leaves_the_older_schema_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
