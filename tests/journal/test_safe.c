/* SPDX-License-Identifier: Apache-2.0
 *
 * test_safe.c - the check beside polling: another thread makes the journal safe while the writer
 * appends and a reader reads. Meant for the TSan build as much as for its own asserts.
 */
#include "support.h"

#include "check.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <unistd.h>

struct beside {
    struct rig *rig;
    _Atomic bool stop;
    enum up_rc rc;
    struct up_error error;
    _Atomic uint64_t read; /* the newest seq */
};

#define ROUNDS 10
#define BATCHES 20
#define SCANS 20 /* of a batch */

static void *make_safe(void *context)
{
    struct beside *beside = context;
    beside->rc = journal_make_safe(beside->rig->journal, &beside->error);
    return NULL;
}

/** Reads as the backlog does, from the oldest row on, again and again. */
static void *read_on(void *context)
{
    struct beside *beside = context;
    struct journal_reader *reader = NULL;
    struct scan *scans = calloc(JOURNAL_SLICE_MAX, sizeof *scans);
    uint64_t after = 0, seq = 0;
    size_t got = 0;
    beside->rc = journal_reader_open(beside->rig->directory, &reader, &beside->error);
    while (beside->rc == UP_OK && !atomic_load(&beside->stop)) {
        beside->rc =
            journal_read_scans(reader, 1, after, JOURNAL_SLICE_MAX, scans, &got, &beside->error);
        for (size_t i = 0; i < got && beside->rc == UP_OK; i++) {
            if (scans[i].seq != seq + 1)
                beside->rc = UP_FAIL(&beside->error, UP_E_DISK, "a row is missing");
            seq = scans[i].seq;
            after = scans[i].pos;
        }
        atomic_store(&beside->read, seq);
    }
    journal_reader_close(reader);
    free(scans);
    return NULL;
}

/* Planted defect: the check runs on the writer's own connection (TSan, or SQLITE_MISUSE). */
static void the_check_and_a_reader_run_beside_the_writer(void **state)
{
    struct rig *rig = *state;
    struct beside check = {.rig = rig}, reader = {.rig = rig};
    pthread_t checker, reading;
    struct scan *scans = calloc(SCANS, sizeof *scans);
    rig_start(rig, BOOT_A);
    assert_int_equal(pthread_create(&reading, NULL, read_on, &reader), 0);
    for (int round = 0; round < ROUNDS; round++) {
        assert_int_equal(pthread_create(&checker, NULL, make_safe, &check), 0);
        for (int batch = 0; batch < BATCHES; batch++) {
            for (int i = 0; i < SCANS; i++)
                scans[i] = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
            rig_append(rig, scans, SCANS);
        }
        pthread_join(checker, NULL);
        if (check.rc != UP_OK)
            fail_msg("check: %s", check.error.why);
    }
    /* The reader comes to the end, or to an error that is told below. */
    for (int ms = 0; ms < 60000 && atomic_load(&reader.read) < ROUNDS * BATCHES * SCANS; ms += 10)
        usleep(10000);
    atomic_store(&reader.stop, true);
    pthread_join(reading, NULL);
    if (reader.rc != UP_OK)
        fail_msg("reader: %s", reader.error.why);
    check_count("rows read", (long long)atomic_load(&reader.read), ROUNDS * BATCHES * SCANS);
    free(scans);
}

/* Planted defects: nobody interrupts the check (the stop waits for all of a large journal); an
 * interrupted check calls the journal damaged (journal-called-off-is-damaged), and the next start
 * moves it aside. */
static void a_check_that_is_called_off_ends_and_blames_nobody(void **state)
{
    struct rig *rig = *state;
    struct beside check = {.rig = rig, .rc = UP_OK};
    pthread_t checker;
    rig_start(rig, BOOT_A);
    rig_execute(rig,
                "CREATE TABLE ballast AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i+1 "
                "FROM n WHERE i < 400000) SELECT i, hex(randomblob(60)) AS text FROM n");
    rig_execute(rig, "CREATE INDEX heavy ON ballast(text)");
    assert_int_equal(pthread_create(&checker, NULL, make_safe, &check), 0);
    usleep(20000);
    journal_cancel_check(rig->journal);
    pthread_join(checker, NULL);
    assert_int_equal(check.rc, UP_E_DISK);
    assert_non_null(strstr(check.error.why, "was called off"));
    assert_int_equal(journal_make_safe(rig->journal, &check.error),
                     UP_E_DISK);        /* nor may another */
    journal_cancel_check(rig->journal); /* nothing is under way: returns at once */
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    check_count("not moved aside", rig_query(rig, "SELECT count(*) FROM ballast"), 400000);
    struct up_error error = {0};
    assert_int_equal(journal_make_safe(rig->journal, &error), UP_OK);
}

/** After the checkpoint every row is in the file itself: a copy without the log holds them all. */
static void after_it_every_row_stands_in_the_file_itself(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    char command[300];
    rig_start(rig, BOOT_A);
    for (int i = 0; i < 30; i++) {
        struct scan scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
        rig_append(rig, &scan, 1);
    }
    assert_int_equal(journal_make_safe(rig->journal, &error), UP_OK);
    snprintf(command, sizeof command,
             "mkdir '%s/copy' && cat '%s/" JOURNAL_FILE "' > '%s/copy/" JOURNAL_FILE "'",
             rig->directory, rig->directory, rig->directory);
    assert_int_equal(system(command), 0);
    struct rig copy = *rig;
    snprintf(copy.directory, sizeof copy.directory, "%.50s/copy", rig->directory);
    check_count("rows without the log", rig_query(&copy, "SELECT count(*) FROM scan"), 30);
}

int main(void)
{
#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        RIG_TEST(the_check_and_a_reader_run_beside_the_writer),
        RIG_TEST(a_check_that_is_called_off_ends_and_blames_nobody),
        RIG_TEST(after_it_every_row_stands_in_the_file_itself),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
