/* SPDX-License-Identifier: Apache-2.0
 *
 * test_open.c - opening: one writer, damaged and foreign and newer files, how the last run ended, a
 * file that is taken away.
 */
#include "support.h"

#include "check.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

static enum up_rc open_again(struct rig *rig, struct journal **journal, struct up_error *error)
{
    return journal_open(rig->directory, &rig->clock, BOOT_A, journal, error);
}

/* Planted defects: no lock (journal-no-lock); a lock that a second descriptor of the same process
 * gives away. */
static void a_second_process_is_refused_by_the_number_of_the_first(void **state)
{
    struct rig *rig = *state;
    int to_child[2], to_parent[2];
    char byte = 0, number[32];
    assert_true(pipe(to_child) == 0 && pipe(to_parent) == 0);
    const pid_t child = fork();
    if (child == 0) {
        struct journal *held = NULL;
        struct up_error error = {0};
        const char said = open_again(rig, &held, &error) == UP_OK ? 'y' : 'n';
        (void)!write(to_parent[1], &said, 1);
        (void)!read(to_child[0], &byte, 1);
        _exit(0);
    }
    assert_int_equal(read(to_parent[0], &byte, 1), 1);
    assert_int_equal(byte, 'y');
    struct up_error error = {0};
    assert_int_equal(open_again(rig, &rig->journal, &error), UP_E_LOCKED);
    snprintf(number, sizeof number, "(process %ld)", (long)child);
    if (strstr(error.why, number) == NULL || strstr(error.why, rig->directory) == NULL)
        fail_msg("\"%s\" names neither %s nor the directory", error.why, number);
    assert_true(write(to_child[1], &byte, 1) == 1);
    assert_int_equal(waitpid(child, NULL, 0), child);
    assert_int_equal(open_again(rig, &rig->journal, &error), UP_OK); /* its end frees the lock */
    struct journal *second = NULL;
    assert_int_equal(open_again(rig, &second, &error), UP_E_LOCKED);
    assert_null(second);
    for (int i = 0; i < 2; i++) {
        close(to_child[i]);
        close(to_parent[i]);
    }
}

static void write_file(const struct rig *rig, const char *name, const char *text)
{
    char path[128];
    rig_path(rig, name, path);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
}

/** Name of the only file of the directory that has this in it; fails where there is none. */
static void find_file(const struct rig *rig, const char *part, char into[static 160])
{
    char command[200];
    snprintf(command, sizeof command, "ls '%s' | grep -- '%s'", rig->directory, part);
    FILE *pipe_ = popen(command, "r");
    assert_non_null(pipe_);
    into[0] = '\0';
    (void)!fgets(into, 160, pipe_);
    pclose(pipe_);
    into[strcspn(into, "\n")] = '\0';
    if (into[0] == '\0')
        fail_msg("no file with '%s' in its name", part);
}

/* Planted defects: the damaged file is overwritten or deleted (journal-damaged-deleted); its WAL
 * stays and is taken for the new file's (journal-damaged-log-stays). */
static void a_file_that_is_no_database_is_moved_aside_with_an_event(void **state)
{
    struct rig *rig = *state;
    char name[160], path[128], text[64] = "";
    write_file(rig, JOURNAL_FILE, "This was once a journal, before the disk went bad.");
    write_file(rig, JOURNAL_FILE "-wal", "its log");
    rig_start(rig, BOOT_A);
    find_file(rig, "damaged-20310306T060000Z$", name);
    rig_path(rig, name, path);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    assert_non_null(fgets(text, sizeof text, file));
    fclose(file);
    check_text("kept as it was", text, "This was once a journal, before the disk went bad.");
    find_file(rig, "damaged-20310306T060000Z-wal$", name);
    check_count("event",
                rig_query(rig, "SELECT count(*) FROM event WHERE kind='journal_damaged' AND text "
                               "LIKE '%damaged-2031%'"),
                1);
    struct scan scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    rig_append(rig, &scan, 1);
    check_count("the new one takes scans", (long long)scan.seq, 1);
}

static void fill(struct rig *rig, int batches)
{
    struct scan *scans = calloc(JOURNAL_BATCH_SCANS_MAX, sizeof *scans);
    for (int b = 0; b < batches; b++) {
        for (int i = 0; i < JOURNAL_BATCH_SCANS_MAX; i++)
            scans[i] = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
        rig_append(rig, scans, JOURNAL_BATCH_SCANS_MAX);
    }
    free(scans);
}

/** Zeroes two pages a third into the database, and takes the log away, which would put them
 * right again. */
static void damage(const struct rig *rig)
{
    char path[128];
    static const char zeros[8192];
    rig_path(rig, JOURNAL_FILE, path);
    FILE *file = fopen(path, "r+");
    assert_non_null(file);
    fseek(file, 0, SEEK_END);
    const long third = ftell(file) / 3 / 4096 * 4096;
    fseek(file, third, SEEK_SET);
    assert_int_equal(fwrite(zeros, sizeof zeros, 1, file), 1);
    fclose(file);
    rig_path(rig, JOURNAL_FILE "-wal", path);
    unlink(path);
}

/* Planted defect: damage inside the file is published over (journal-damage-published-over). */
static void damage_inside_is_found_before_anything_is_published_and_then_moved_aside(void **state)
{
    struct rig *rig = *state;
    char name[160];
    struct up_error error = {0};
    rig_start(rig, BOOT_A);
    fill(rig, 24); /* beyond a mark, so that opening does not read the damaged part */
    assert_int_equal(journal_make_safe(rig->journal, &error), UP_OK);
    rig_kill(rig);
    damage(rig);
    rig_start(rig, BOOT_A);
    assert_int_equal(journal_make_safe(rig->journal, &error), UP_E_DISK);
    assert_non_null(strstr(error.why, "damaged"));
    assert_int_equal(journal_reopen(rig->journal, &error), UP_OK);
    find_file(rig, "damaged-20310306T060000Z$", name);
    const struct stamp now = rig_now(rig);
    assert_int_equal(journal_begin_run(rig->journal, &now, &rig->run, &error), UP_OK);
    assert_int_equal(journal_put_plan(rig->journal, rig->plan, &now, "test", &error), UP_OK);
    assert_int_equal(journal_make_safe(rig->journal, &error), UP_OK);
    check_count("event", rig_query(rig, "SELECT count(*) FROM event WHERE kind='journal_damaged'"),
                1);
}

#define NEWER 4
_Static_assert(NEWER == JOURNAL_SCHEMA + 1, "the next schema");
#define NUMBER_TEXT(number) #number
#define NUMBER(number) NUMBER_TEXT(number)

/* Planted defect: an unknown schema is used as if it were known (journal-newer-schema-used). */
static void a_newer_schema_is_refused_by_name_and_not_touched(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    rig_start(rig, BOOT_A);
    rig_kill(rig);
    rig_execute(rig, "PRAGMA user_version=" NUMBER(NEWER));
    assert_int_equal(open_again(rig, &rig->journal, &error), UP_E_NEWER);
    assert_non_null(strstr(error.why, "newer Uphole (schema " NUMBER(
                                          NEWER) ", this one knows " NUMBER(JOURNAL_SCHEMA) ")"));
    check_count("still newer", rig_query(rig, "PRAGMA user_version"), NEWER);
    struct journal_reader *reader = NULL;
    assert_int_equal(journal_reader_open(rig->directory, &reader, &error), UP_E_NEWER);
    assert_null(reader);
    rig_execute(rig, "PRAGMA user_version=" NUMBER(JOURNAL_SCHEMA));
    assert_int_equal(open_again(rig, &rig->journal, &error),
                     UP_OK); /* and the refusal kept no lock */
}

/** Both sides name the file and say that it is no journal; it stays as it is. */
static void check_foreign(struct rig *rig)
{
    struct up_error error = {0};
    struct journal_reader *reader = NULL;
    char command[200];
    assert_int_equal(open_again(rig, &rig->journal, &error), UP_E_FOREIGN);
    assert_non_null(strstr(error.why, "no journal of Uphole"));
    assert_non_null(strstr(error.why, rig->directory));
    assert_non_null(strstr(error.why, "Name another journal directory"));
    error = (struct up_error){0};
    assert_int_equal(journal_reader_open(rig->directory, &reader, &error), UP_E_FOREIGN);
    assert_non_null(strstr(error.why, "no journal of Uphole"));
    snprintf(command, sizeof command, "ls '%s' | grep -q damaged", rig->directory);
    assert_int_not_equal(system(command), 0);
}

/* Planted defects: only user_version 0 is looked at, so that another program's database with a
 * version of its own is called damaged and moved aside, or "newer". */
static void a_stranger_s_database_is_refused_and_not_touched(void **state)
{
    struct rig *rig = *state;
    static const char *const VERSIONS[] = {"PRAGMA user_version=0", "PRAGMA user_version=1",
                                           "PRAGMA user_version=7",
                                           "PRAGMA application_id=252006674"};
    rig_execute(rig, "CREATE TABLE recipes(name)");
    for (size_t i = 0; i < sizeof VERSIONS / sizeof *VERSIONS; i++) {
        rig_execute(rig, VERSIONS[i]);
        check_foreign(rig);
        check_count("only its own table", rig_query(rig, "SELECT count(*) FROM sqlite_schema"), 1);
    }
}

/* Planted defect: another program that happens to have our tables' names is written into
 * (journal-stranger-taken). */
static void the_mark_of_another_program_is_believed(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    rig_kill(rig);
    check_count("ours", rig_query(rig, "PRAGMA application_id"), 0x55706831);
    rig_execute(rig, "PRAGMA application_id=252006674");
    check_foreign(rig);
    check_count("as it was", rig_query(rig, "PRAGMA application_id"), 252006674);
}

static void a_journal_from_before_the_mark_is_taken_and_gets_it(void **state)
{
    struct rig *rig = *state;
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    rig_start(rig, BOOT_A);
    struct scan scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    rig_append(rig, &scan, 1);
    rig_kill(rig);
    rig_execute(rig, "PRAGMA application_id=0");
    assert_int_equal(journal_reader_open(rig->directory, &reader, &error), UP_OK);
    journal_reader_close(reader);
    rig_start(rig, BOOT_A);
    check_count("marked", rig_query(rig, "PRAGMA application_id"), 0x55706831);
    check_count("its rows are there", rig_query(rig, "SELECT count(*) FROM scan"), 1);
}

static void a_directory_in_the_journal_s_place_is_named_and_stays(void **state)
{
    struct rig *rig = *state;
    struct stat there;
    char path[128];
    rig_path(rig, JOURNAL_FILE, path);
    assert_int_equal(mkdir(path, 0755), 0);
    check_foreign(rig);
    assert_true(stat(path, &there) == 0 && S_ISDIR(there.st_mode));
}

static void check_refused(struct rig *rig, const char *directory, const char *what,
                          const char *todo)
{
    struct up_error error = {0};
    assert_int_equal(journal_open(directory, &rig->clock, BOOT_A, &rig->journal, &error),
                     UP_E_DISK);
    if (strstr(error.why, directory) == NULL || strstr(error.why, what) == NULL ||
        strstr(error.why, todo) == NULL)
        fail_msg("\"%s\" lacks %s, \"%s\" or \"%s\"", error.why, directory, what, todo);
}

/* Planted defect: the system's own words ("Permission denied") stand alone. */
static void a_directory_that_can_t_be_used_is_named_with_what_to_do(void **state)
{
    struct rig *rig = *state;
    char path[128], inside[160];
    rig_path(rig, "not-there/journal", path);
    check_refused(rig, path, "the directory above it is missing", "Make it");
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    assert_int_equal(journal_reader_open(path, &reader, &error), UP_E_MISSING);
    assert_non_null(strstr(error.why, "there is no directory"));
    write_file(rig, "a-file", "text");
    rig_path(rig, "a-file", path);
    snprintf(inside, sizeof inside, "%s/journal", path);
    check_refused(rig, inside, "a part of its path is a file", "Correct journal.path");
    rig_path(rig, "locked", path);
    assert_int_equal(mkdir(path, 0500), 0);
    if (geteuid() == 0) {
        print_message("skipped: a directory without the right to write (runs as root)\n");
        return;
    }
    check_refused(rig, path, "there is no right to it", "Give the user");
}

static void an_impossible_directory_is_named(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    assert_int_equal(
        journal_open("/proc/nowhere/journal", &rig->clock, BOOT_A, &rig->journal, &error),
        UP_E_DISK);
    assert_non_null(strstr(error.why, "/proc/nowhere/journal"));
    struct journal_reader *reader = NULL;
    assert_int_equal(journal_reader_open(rig->directory, &reader, &error), UP_E_MISSING);
    assert_non_null(strstr(error.why, rig->directory));
}

/* Planted defects: any ending counts as clean (journal-all-ends-clean); the boot id is compared
 * with that of the run itself.
 */
static void how_the_last_run_ended_follows_from_evidence(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    rig_start(rig, BOOT_A);
    assert_false(journal_last_run(rig->journal)->exists);
    const uint64_t first = rig->run;
    rig->boot_ms += 60000;
    rig->utc_ms += 60000;
    struct scan scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    rig_append(rig, &scan, 1);
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    const struct last_run *last = journal_last_run(rig->journal);
    assert_true(last->exists && last->run == first);
    check_count("killed", last->how, RUN_KILLED);
    check_count("its newest instant", last->last.boot_ms, scan.begun.boot_ms);
    check_count("clock", last->last.clock, CLOCK_STATE_SYNCHRONISED);
    rig_kill(rig);
    rig_start(rig, BOOT_B);
    check_count("power or reset", journal_last_run(rig->journal)->how, RUN_POWER_OR_RESET);
    struct stamp ended = rig_now(rig);
    ended.boot_ms += 5;
    assert_int_equal(journal_end_run(rig->journal, &ended, "stopped", &error), UP_OK);
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    last = journal_last_run(rig->journal);
    check_count("stopped, though the box booted since", last->how, RUN_STOPPED);
    check_count("when", last->last.boot_ms, ended.boot_ms);
    check_count("boot", last->boot, 0xfeedbead);
}

/* Planted defect: rows go on into a file that nobody can open any more
 * (journal-rows-into-a-lost-file). */
static void a_file_that_loses_its_name_takes_no_more_rows(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    char path[128];
    rig_start(rig, BOOT_A);
    struct scan scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    rig_append(rig, &scan, 1);
    rig_path(rig, JOURNAL_FILE, path);
    assert_int_equal(unlink(path), 0);
    struct batch batch = {.scans = &scan, .n_scans = 1};
    scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_E_DISK);
    assert_non_null(strstr(error.why, "removed or replaced"));
    assert_int_equal(journal_append(rig->journal, &batch, &error),
                     UP_E_DISK); /* poisoned until opened again */
    assert_int_equal(journal_reopen(rig->journal, &error), UP_OK);
    const struct stamp now = rig_now(rig);
    assert_int_equal(journal_append(rig->journal, &batch, &error),
                     UP_E_DISK); /* and a run has begun */
    assert_int_equal(journal_begin_run(rig->journal, &now, &rig->run, &error), UP_OK);
    assert_int_equal(journal_put_plan(rig->journal, rig->plan, &now, "test", &error), UP_OK);
    scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    rig_append(rig, &scan, 1);
}

static void the_sizes_are_what_is_in_use(void **state)
{
    struct rig *rig = *state;
    uint64_t bytes = 0, free_bytes = 0;
    struct journal_room room;
    rig_start(rig, BOOT_A);
    fill(rig, 2);
    journal_sizes(rig->journal, &bytes, &free_bytes);
    journal_room_of(rig->journal, &room);
    check_count("bytes", (long long)bytes,
                (rig_query(rig, "PRAGMA page_count") - rig_query(rig, "PRAGMA freelist_count")) *
                        4096 +
                    (long long)room.log_wanted);
    assert_true(free_bytes > 0);
}

/** Only the writer may touch the file: a reader that opens and closes beside it leaves its locks
 * alone. */
static void readers_that_come_and_go_leave_the_writer_alone(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    rig_start(rig, BOOT_A);
    for (int i = 0; i < 20; i++) {
        struct journal_reader *reader = NULL;
        struct scan scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
        size_t got = 0;
        static struct scan scans[JOURNAL_SLICE_MAX];
        assert_int_equal(journal_reader_open(rig->directory, &reader, &error), UP_OK);
        rig_append(rig, &scan, 1);
        assert_int_equal(
            journal_read_scans(reader, scan.well, 0, JOURNAL_SLICE_MAX, scans, &got, &error),
            UP_OK);
        check_count("seen at once", (long long)got, i + 1);
        journal_reader_close(reader);
    }
    check_count("rows", rig_query(rig, "SELECT count(*) FROM scan"), 20);
}

int main(void)
{
#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        RIG_TEST(a_second_process_is_refused_by_the_number_of_the_first),
        RIG_TEST(a_file_that_is_no_database_is_moved_aside_with_an_event),
        RIG_TEST(damage_inside_is_found_before_anything_is_published_and_then_moved_aside),
        RIG_TEST(a_newer_schema_is_refused_by_name_and_not_touched),
        RIG_TEST(a_stranger_s_database_is_refused_and_not_touched),
        RIG_TEST(the_mark_of_another_program_is_believed),
        RIG_TEST(a_journal_from_before_the_mark_is_taken_and_gets_it),
        RIG_TEST(a_directory_in_the_journal_s_place_is_named_and_stays),
        RIG_TEST(a_directory_that_can_t_be_used_is_named_with_what_to_do),
        RIG_TEST(an_impossible_directory_is_named),
        RIG_TEST(how_the_last_run_ended_follows_from_evidence),
        RIG_TEST(a_file_that_loses_its_name_takes_no_more_rows),
        RIG_TEST(the_sizes_are_what_is_in_use),
        RIG_TEST(readers_that_come_and_go_leave_the_writer_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
