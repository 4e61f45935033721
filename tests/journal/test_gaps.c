/* SPDX-License-Identifier: Apache-2.0
 *
 * test_gaps.c - `uphole gaps` on journals made here: its words, its sums, its JSON, and that it
 * never writes.
 */
#include "box.h"

#include "check.h"
#include "../../daemon/uphole/command.h"
#include "../../daemon/uphole/gaps.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static char printed[65536];

/** Sends what is printed into a file; returns what `read_printed` needs to undo it. */
static int print_into(const char *path)
{
    fflush(stdout);
    const int kept = dup(STDOUT_FILENO);
    assert_non_null(freopen(path, "w", stdout));
    return kept;
}

static void read_printed(const char *path, int kept)
{
    fflush(stdout);
    dup2(kept, STDOUT_FILENO);
    close(kept);
    FILE *file = fopen(path, "r");
    printed[fread(printed, 1, sizeof printed - 1, file)] = '\0';
    fclose(file);
}

/** Runs the command with `--journal` and these words; what it prints lands in `printed`. Returns
 * its exit code. */
static int gaps(const struct rig *rig, int n, const char *const words[])
{
    char path[128], *argv[16] = {(char[]){"gaps"}, (char[]){"--journal"}, (char *)rig->directory};
    rig_path(rig, "printed", path);
    for (int i = 0; i < n; i++)
        argv[3 + i] = (char *)words[i];
    const int kept = print_into(path);
    const int code = COMMAND_GAPS.run(3 + n, argv);
    read_printed(path, kept);
    return code;
}

static void check_says(const char *text)
{
    if (strstr(printed, text) == NULL)
        fail_msg("expected \"%s\" in:\n%s", text, printed);
}

static const char *const MARCH[] = {"--from", "2031-03-01T00:00:00Z", "--to",
                                    "2031-03-31T00:00:00Z"};

static void make_history(struct box *box)
{
    box_start(box, BOOT_A);
    box_poll(box, 30, OUTCOME_ANSWERED, 3);
    box_poll(box, 12, OUTCOME_SILENT, 3);
    box_poll(box, 30, OUTCOME_ANSWERED, 3);
    box_poll(box, 6, OUTCOME_ANSWERED, 2);
    box_poll(box, 12, OUTCOME_ANSWERED, 3);
    box_kill(box);
    box_away(box, 9400 + 300000);
    box_start(box, BOOT_A);
    box_poll(box, 9, OUTCOME_ANSWERED, 3);
}

/* Planted defects: rows of several sources are shown one by one (gaps-each-source-alone); skips are
 * counted twice; the sum counts line rows. */
static void the_text_says_what_is_missing_and_sums_it_once(void **state)
{
    struct box box = {.rig = *state};
    make_history(&box);
    assert_int_equal(gaps(box.rig, 4, MARCH), 0);
    check_says("heron-7   line      2031-03-06 06:05:00Z  to 06:07:00Z   2 min   12 scans, about 4 "
               "gauge readings, not recoverable");
    check_says(
        "No answer from the surface unit (unit id 1, pad-line, 9600 8N1): nothing that looks "
        "like an answer; stray bytes: 1.");
    check_says("all       program   2031-03-06 06:15:00Z  to 06:20:00Z   5 min   90 scans, not "
               "recoverable");
    check_says("it crashed or was killed, or its disk took nothing more.");
    check_says("heron-8   skipped   2031-03-06 06:12:00Z  to 06:13:00Z   1 min   6 scans, about 2 "
               "gauge readings, not recoverable");
    /* 99 polls of each of three sources, and 30 dues of each in the program gap; missing: 36
     * silent, 6 skipped, 90 away. */
    check_says("5 gaps; 132 of 387 scans missing; nothing waiting");
    check_says("heron-7: 19 gauge points complete to 67.44 %; 15 drive points complete to 67.44 %");
    box_kill(&box);
}

static void no_gaps_and_no_run_are_said(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    assert_int_equal(gaps(box.rig, 4, MARCH), 0);
    check_says("No gaps; 0 of 9 scans missing; nothing waiting");
    check_says("heron-7: 19 gauge points complete");
    check_says(" complete");
    assert_int_equal(gaps(box.rig, 1, (const char *const[]){"--json"}), 0);
    check_text("json", printed, "[]\n");
    box_kill(&box);
}

static void a_marker_in_the_newest_scan_reads_not_fitted(void **state)
{
    struct box box = {.rig = *state};
    struct rig *rig = box.rig;
    box_start(&box, BOOT_A);
    struct scan scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    scan.block[1] = (struct block){.function = 4, .first = 16, .count = 6, .at = 1};
    scan.n_words = 7;
    for (int i = 3; i < 7; i++)
        scan.words[i] = 65535; /* register 20, discharge pressure, holds its marker */
    rig_append(rig, &scan, 1);
    assert_int_equal(gaps(rig, 4, MARCH), 0);
    check_says("discharge_pressure");
    check_says("not fitted");
    box_kill(&box);
}

static void one_well_is_shown_alone_and_an_unknown_one_is_named(void **state)
{
    struct box box = {.rig = *state};
    make_history(&box);
    const char *const words[] = {MARCH[0], MARCH[1], MARCH[2], MARCH[3], "--well", "heron-8"};
    assert_int_equal(gaps(box.rig, 6, words), 0);
    check_says("3 gaps; 48 of 129 scans missing");
    assert_null(strstr(printed, "heron-7"));
    const char *const as_a_word[] = {MARCH[0], MARCH[1], MARCH[2], MARCH[3], "heron-8"};
    assert_int_equal(gaps(box.rig, 5, as_a_word), 0);
    check_says("3 gaps; 48 of 129 scans missing");
    assert_null(strstr(printed, "heron-7"));
    const char *const unknown[] = {"heron-9"};
    assert_int_equal(gaps(box.rig, 1, unknown), 66);
    box_kill(&box);
}

/* Planted defect: intervals are compared by start alone (gaps-by-start-alone). */
static void gaps_outside_the_time_asked_for_are_not_shown(void **state)
{
    struct box box = {.rig = *state};
    make_history(&box);
    const char *const before[] = {"--from", "2031-03-05T00:00:00Z", "--to", "2031-03-06T06:04:00Z"};
    assert_int_equal(gaps(box.rig, 4, before), 0);
    check_says("No gaps");
    const char *const inside[] = {"--from", "2031-03-06T06:06:00Z", "--to", "2031-03-06T06:06:30Z"};
    assert_int_equal(gaps(box.rig, 4, inside), 0);
    check_says("3 gaps");
    box_kill(&box);
}

static void json_holds_every_row_with_the_fields_of_the_gap_message(void **state)
{
    struct box box = {.rig = *state};
    make_history(&box);
    const char *const words[] = {MARCH[0], MARCH[1], MARCH[2], MARCH[3], "--json"};
    assert_int_equal(gaps(box.rig, 5, words), 0);
    static const char *const FIELDS[] = {"\"schema\":\"uphole/gap/1\"",
                                         "\"site\":\"heron-ridge\"",
                                         "\"well\":\"heron-8\"",
                                         "\"kind\":\"program\"",
                                         "\"source\":\"drive\"",
                                         "\"revision\":",
                                         "\"before_seq\":",
                                         "\"refreshes_about\":",
                                         "\"lost\":true",
                                         "\"start\":\"2031-03-06T06:05:00.000Z\""};
    for (size_t i = 0; i < sizeof FIELDS / sizeof *FIELDS; i++)
        check_says(FIELDS[i]);
    size_t objects = 0;
    for (const char *at = printed; (at = strstr(at, "\"schema\"")) != NULL; at++)
        objects++;
    check_count("objects", (long long)objects, 7);
    box_kill(&box);
}

/** The gauge of heron-7 is silent from 06:05 on: one question, then two polls put off, again and
 * again. */
static void make_silence(struct box *box)
{
    static const uint8_t CAUSES[] = {CAUSE_LINE_BUSY, CAUSE_BACK_OFF};
    box_start(box, BOOT_A);
    box_poll(box, 30, OUTCOME_ANSWERED, 3);
    for (size_t i = 0; i < 4; i++) {
        box_poll(box, 1, OUTCOME_SILENT, 3);
        for (int k = 0; k < 2; k++) {
            box_to_next_due(box);
            const struct stamp due = rig_now(box->rig);
            for (int s = 0; s < BOX_SOURCES_N; s++)
                ledger_count(box->ledger, GAP_SKIPPED, CAUSES[i % 2],
                             box->rig->wells[BOX_SOURCES[s].well].number, BOX_SOURCES[s].source, 1,
                             &due, &due, NULL);
        }
        box_commit(box, NULL, 0, true);
    }
}

/* Planted defect: "line busy" stands beside the line gap that counts the same polls
 * (gaps-put-off-twice). */
static void polls_put_off_in_a_line_gap_are_shown_in_it_alone(void **state)
{
    struct box box = {.rig = *state};
    make_silence(&box);
    box_poll(&box, 3, OUTCOME_ANSWERED, 3);
    assert_int_equal(gaps(box.rig, 4, MARCH), 0);
    check_says(
        "heron-8   line   2031-03-06 06:05:00Z  to 06:07:00Z   2 min   12 scans, about 4 gauge "
        "readings, not recoverable");
    check_says("3 gaps; 36 of 135 scans missing");
    if (strstr(printed, "skipped") != NULL)
        fail_msg("counted twice:\n%s", printed);
    const char *const words[] = {MARCH[0], MARCH[1], MARCH[2], MARCH[3], "--json"};
    assert_int_equal(gaps(box.rig, 5, words), 0);
    check_says("\"kind\":\"skipped\"");
    box_kill(&box);
}

/** Prints one row of the ledger as asked for at `now_utc_ms`, up to `to_utc_ms`. */
static void print_row(struct box *box, const struct gap *gap, int64_t now_utc_ms, int64_t to_utc_ms)
{
    char path[128];
    struct up_error error = {0};
    struct gaps_row row = {.gap = *gap, .scans = gap->scans};
    struct gaps_report report = {.rows = &row, .n_rows = 1};
    report.asked.now_utc_ms = now_utc_ms;
    report.asked.to_utc_ms = to_utc_ms;
    rig_path(box->rig, "printed", path);
    assert_int_equal(journal_reader_open(box->rig->directory, &report.reader, &error), UP_OK);
    const int kept = print_into(path);
    gaps_fold(&report);
    gaps_print_rows(&report);
    read_printed(path, kept);
    journal_reader_close(report.reader);
}

/* Planted defects: an open row lasts until now though the time asked for ended before
 * (gaps-open-until-now), or until a time that has not come; its counts read as final. */
static void an_open_row_is_shown_as_far_as_it_was_asked_for(void **state)
{
    struct box box = {.rig = *state};
    make_silence(&box);
    const struct gap *gap = NULL;
    for (size_t i = 0; (gap = ledger_open_row(box.ledger, i)) != NULL; i++)
        if (gap->kind == GAP_LINE && gap->source == SOURCE_GAUGE)
            break;
    assert_non_null(gap);
    const int64_t start_ms = gap->start.utc_ms;
    print_row(&box, gap, start_ms + 3600000, start_ms + 60000);
    check_says("still open   1 min   12 scans, about 4 gauge readings so far, not recoverable");
    print_row(&box, gap, start_ms + 120000, start_ms + 3600000);
    check_says("still open   2 min   12 scans");
    box_kill(&box);
}

/* Planted defect: a row that is open now is listed for a time that has not come. */
static void what_is_open_now_is_no_gap_of_the_future(void **state)
{
    struct box box = {.rig = *state};
    make_silence(&box);
    const char *const words[] = {"--from", "2081-03-06T06:00:00Z", "--to", "2082-03-06T06:00:00Z",
                                 "--json"};
    assert_int_equal(gaps(box.rig, 4, words), 0);
    check_says("No gaps");
    assert_int_equal(gaps(box.rig, 5, words), 0);
    check_text("json", printed, "[]\n");
    box_kill(&box);
}

/* Planted defect: maps are looked up beside the configuration and nowhere else. */
static void a_configuration_may_name_the_journal_with_maps_elsewhere(void **state)
{
    struct box box = {.rig = *state};
    char config[128], command[400];
    make_history(&box);
    rig_path(box.rig, "uphole.yaml", config);
    snprintf(command, sizeof command, "sed -i 's#/var/lib/uphole#%s#' '%s'", box.rig->directory,
             config);
    assert_int_equal(system(command), 0);
    char *words[] = {(char[]){"gaps"},
                     (char[]){"--config"},
                     config,
                     (char[]){"--from"},
                     (char *)MARCH[1],
                     (char[]){"--to"},
                     (char *)MARCH[3],
                     (char[]){"--maps"},
                     (char[]){UPHOLE_SOURCE_DIR "/config/maps"},
                     NULL};
    char path[128];
    rig_path(box.rig, "printed", path);
    const int kept = print_into(path);
    const int code = COMMAND_GAPS.run(9, words);
    read_printed(path, kept);
    assert_int_equal(code, 0);
    check_says("5 gaps");
    box_kill(&box);
}

/* Planted defect: the reader opens for writing, and checkpoints or recovers the daemon's file. */
static void reading_changes_nothing_and_works_beside_the_writer(void **state)
{
    struct box box = {.rig = *state};
    struct stat before, after;
    char path[128];
    make_history(&box);
    rig_path(box.rig, JOURNAL_FILE, path);
    assert_int_equal(stat(path, &before), 0);
    for (int i = 0; i < 3; i++) {
        assert_int_equal(gaps(box.rig, 4, MARCH), 0);
        box_poll(&box, 2, OUTCOME_ANSWERED, 3);
    }
    check_says("5 gaps");
    assert_int_equal(stat(path, &after), 0);
    check_count("the file itself is as it was", after.st_mtim.tv_nsec, before.st_mtim.tv_nsec);
    box_kill(&box);
}

static void wrong_words_are_refused_with_what_was_expected(void **state)
{
    struct rig *rig = *state;
    assert_int_equal(gaps(rig, 2, (const char *const[]){"--last", "soon"}), 64);
    assert_int_equal(gaps(rig, 2, (const char *const[]){"--from", "yesterday"}), 64);
    assert_int_equal(gaps(rig, 1, (const char *const[]){"--sideways"}), 64);
    assert_int_equal(gaps(rig, 2, (const char *const[]){"heron-7", "heron-8"}), 64);
    assert_int_equal(gaps(rig, 0, NULL), 66); /* there is no journal */
}

/** The clock was set after an outage of the line: the row stands where it truly was, and only
 * there. Planted defect: gaps-times-forgotten. */
static void a_gap_from_before_the_clock_was_set_stands_at_its_right_time(void **state)
{
    struct rig *rig = *state;
    struct box box = {.rig = rig};
    struct up_error error = {0};
    static const char *const AT_1970[] = {"--from", "1970-01-01T00:00:00Z", "--to",
                                          "1970-12-31T00:00:00Z"};
    rig->utc_ms = 5000;
    rig->clock_state = CLOCK_STATE_NEVER_SET;
    box_start(&box, "a0000001-0000-4000-8000-000000000001");
    box_poll(&box, 10, OUTCOME_ANSWERED, 3);
    box_poll(&box, 12, OUTCOME_SILENT, 3);
    box_poll(&box, 10, OUTCOME_ANSWERED, 3);
    box_commit(&box, NULL, 0, true);
    assert_int_equal(gaps(rig, 4, MARCH), 0);
    assert_null(strstr(printed, "line "));
    assert_int_equal(gaps(rig, 4, AT_1970), 0);
    check_says("line ");
    const struct stamp now = rig_now(rig);
    struct row_order order = {.kind = ORDER_TIMES,
                              .from = 1,
                              .to = journal_newest_pos(rig->journal),
                              .revision = 1,
                              .set = {.utc_ms = INT64_C(1930118400000), /* 2031-03-01T08:00:00Z */
                                      .boot_ms = now.boot_ms,
                                      .boot = now.boot,
                                      .clock = CLOCK_STATE_SYNCHRONISED}};
    struct batch batch = {.orders = &order, .n_orders = 1};
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_OK);
    const struct gap row = box_row(&box, GAP_LINE, 0);
    char start[STAMP_TEXT_MAX];
    stamp_to_short_text(order.set.utc_ms - (now.boot_ms - row.start.boot_ms), start);
    assert_int_equal(gaps(rig, 4, MARCH), 0);
    check_says(start);
    check_says("line ");
    assert_int_equal(gaps(rig, 4, AT_1970), 0);
    assert_null(strstr(printed, "line "));
    box_kill(&box);
}

int main(void)
{
#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        RIG_TEST(the_text_says_what_is_missing_and_sums_it_once),
        RIG_TEST(no_gaps_and_no_run_are_said),
        RIG_TEST(a_marker_in_the_newest_scan_reads_not_fitted),
        RIG_TEST(one_well_is_shown_alone_and_an_unknown_one_is_named),
        RIG_TEST(gaps_outside_the_time_asked_for_are_not_shown),
        RIG_TEST(json_holds_every_row_with_the_fields_of_the_gap_message),
        RIG_TEST(polls_put_off_in_a_line_gap_are_shown_in_it_alone),
        RIG_TEST(an_open_row_is_shown_as_far_as_it_was_asked_for),
        RIG_TEST(what_is_open_now_is_no_gap_of_the_future),
        RIG_TEST(a_configuration_may_name_the_journal_with_maps_elsewhere),
        RIG_TEST(reading_changes_nothing_and_works_beside_the_writer),
        RIG_TEST(a_gap_from_before_the_clock_was_set_stands_at_its_right_time),
        RIG_TEST(wrong_words_are_refused_with_what_was_expected),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
