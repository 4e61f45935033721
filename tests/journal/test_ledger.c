/* SPDX-License-Identifier: Apache-2.0
 *
 * test_ledger.c - the rules of the ledger, one scan after another, without a disk. The rules are
 * those of the project's points.md, section 4 (stages and gaps); the example of a line gap of 189
 * scans in 31.5 min is the one in docs/gaps.md.
 */
#include "book.h"

#include "check.h"

/* Planted defects: start at the begun time instead of the due time; end at the due time of the good
 * scan; no count of skips. */
static void a_line_gap_runs_from_the_first_missed_due_time_to_the_first_answer(void **state)
{
    struct book *book = book_open(*state, 64);
    book_poll_good(book, 5);
    const struct stamp due = rig_now(book->rig);
    book_poll_silent(book, 2);
    const struct gap *gap = book_newest(book, GAP_LINE, 0);
    assert_non_null(gap);
    assert_true(gap->is_open && gap->start_sure && gap->lost);
    check_count("start", gap->start.boot_ms, due.boot_ms);
    check_count("before", (long long)gap->before_seq, 5);
    check_text(
        "cause", gap->cause,
        "No answer from the surface unit (unit id 1, pad-line, 9600 8N1): nothing that looks "
        "like an answer; stray bytes: 1. Check the pair, speed in uphole.yaml:4, unit id.");
    assert_true(gap->run == book->rig->run && gap->id == 1 && gap->revision == 0);
    check_count("open of the well", (long long)ledger_open_of_well(book->ledger, 11), 1);
    check_count("open of the other", (long long)ledger_open_of_well(book->ledger, 12), 0);
    for (int i = 0; i < 187; i++) { /* back-off: some dues are not even asked */
        if (i % 3 == 2) {
            book_poll_silent(book, 1);
            continue;
        }
        const struct stamp skipped = rig_now(book->rig);
        ledger_count(book->ledger, GAP_SKIPPED, CAUSE_BACK_OFF, 11, SOURCE_GAUGE, 1, &skipped,
                     &skipped, NULL);
        book_take(book);
        book->rig->boot_ms += 10000;
        book->rig->utc_ms += 10000;
    }
    const struct stamp back = rig_now(book->rig);
    book_poll_good(book, 1);
    gap = book_newest(book, GAP_LINE, 0);
    assert_false(gap->is_open);
    check_count("end", gap->end.boot_ms, back.boot_ms + 120);
    check_count("scans", gap->scans, 189);
    check_count("refreshes of 28 s in 31.5 min", gap->refreshes_about, 67);
    check_count("after", (long long)gap->after_seq, (long long)book->seq[0]);
    const struct gap *skipped = book_newest(book, GAP_SKIPPED, 0);
    check_count("skips", skipped->scans, 125);
    assert_false(skipped->is_open);
    check_text("why", skipped->cause, "The unit does not answer, so it is asked less often.");
    assert_null(book_newest(book, GAP_SKIPPED, 1));
    assert_null(book_newest(book, GAP_GAUGE, 0));
    assert_null(book_newest(book, GAP_CHANNEL, 0));
    book_close(book);
}

/* Planted defect: each failure after a good scan opens a row of its own (ledger-each-flap-a-row).
 */
static void flapping_shorter_than_three_scans_is_one_row(void **state)
{
    struct book *book = book_open(*state, 64);
    book_poll_good(book, 3);
    for (int i = 0; i < 6; i++) {
        book_poll_silent(book, 1);
        book_poll_good(book, 2);
    }
    assert_non_null(book_newest(book, GAP_LINE, 0));
    assert_null(book_newest(book, GAP_LINE, 1));
    check_count("failed scans in it", book_newest(book, GAP_LINE, 0)->scans, 6);
    check_count("each opening and closing is a revision", (long long)book_revisions(book, GAP_LINE),
                12);
    check_count("the last revision", book_newest(book, GAP_LINE, 0)->revision, 11);
    book_poll_good(book, 1);
    book_poll_silent(book, 1);
    assert_non_null(book_newest(book, GAP_LINE, 1));
    check_count("after three good scans it is another row",
                book_newest(book, GAP_LINE, 1)->revision, 0);
    assert_true(book_newest(book, GAP_LINE, 1)->id != book_newest(book, GAP_LINE, 0)->id);
    book_close(book);
}

static void the_more_telling_outcome_names_the_cause(void **state)
{
    struct book *book = book_open(*state, 64);
    book_poll_good(book, 3);
    book_poll_silent(book, 1);
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_PORT_GONE, 3, 3, 3);
    book_poll_silent(book, 1);
    check_count("cause", book_newest(book, GAP_LINE, 0)->cause_code, CAUSE_PORT_GONE);
    check_text(
        "sentence", book_newest(book, GAP_LINE, 0)->cause,
        "The serial port of pad-line (/dev/serial/by-id/rs485-a) is gone or can't be opened.");
    book_poll_with(book, 0, SOURCE_DRIVE, OUTCOME_PATH_DOWN, 3, 3, 3);
    check_text("converter", book_newest(book, GAP_LINE, 1)->cause,
               "The converter at 192.0.2.7 answers, but the drive behind it does not (exception "
               "0B; unit id 1).");
    assert_true(book_newest(book, GAP_LINE, 1)->source == SOURCE_DRIVE);
    book_close(book);
}

/* Planted defects: the gauge row stays open under the line row (ledger-scopes-side-by-side); a line
 * row beside a gauge row for the same scans. */
static void the_widest_scope_wins(void **state)
{
    struct book *book = book_open(*state, 64);
    book_poll_good(book, 3);
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_CHANNEL_FAULT, QUALITY_GOOD,
                   QUALITY_GOOD);
    assert_true(book_newest(book, GAP_CHANNEL, 0)->is_open);
    const struct stamp silent = rig_now(book->rig);
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GAUGE_SILENT,
                   QUALITY_GAUGE_SILENT, QUALITY_GOOD);
    assert_false(book_newest(book, GAP_CHANNEL, 0)->is_open);
    check_count("channel ends where the gauge row starts",
                book_newest(book, GAP_CHANNEL, 0)->end.boot_ms, silent.boot_ms);
    assert_true(book_newest(book, GAP_GAUGE, 0)->is_open);
    check_count("cause", book_newest(book, GAP_GAUGE, 0)->cause_code, CAUSE_NO_SIGNAL);
    const struct stamp down = rig_now(book->rig);
    book_poll_silent(book, 2);
    assert_false(book_newest(book, GAP_GAUGE, 0)->is_open);
    check_count("gauge ends where the line row starts",
                book_newest(book, GAP_GAUGE, 0)->end.boot_ms, down.boot_ms);
    check_count("open", (long long)ledger_open_of_well(book->ledger, 11), 1);
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_STARTING, QUALITY_STARTING,
                   QUALITY_GOOD);
    assert_false(book_newest(book, GAP_LINE, 0)->is_open);
    assert_true(book_newest(book, GAP_GAUGE, 1)->is_open);
    check_count("cause while starting", book_newest(book, GAP_GAUGE, 1)->cause_code,
                CAUSE_POWER_UP);
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GAUGE_SILENT,
                   QUALITY_GAUGE_SILENT, QUALITY_GOOD);
    check_count("cause when the start failed", book_newest(book, GAP_GAUGE, 1)->cause_code,
                CAUSE_NO_SIGNAL);
    book_poll_good(book, 1);
    assert_false(book_newest(book, GAP_GAUGE, 1)->is_open);
    check_count("scans", book_newest(book, GAP_GAUGE, 1)->scans, 2);
    check_count("nothing is open", (long long)ledger_open_of_well(book->ledger, 11), 0);
    book_close(book);
}

/* Planted defect: "not fitted" opens a channel row (ledger-not-fitted-is-a-gap). */
static void not_fitted_from_the_start_is_a_state_and_after_data_a_gap(void **state)
{
    struct book *book = book_open(*state, 64);
    for (int i = 0; i < 5; i++)
        book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GOOD, QUALITY_NOT_FITTED,
                       QUALITY_GOOD);
    assert_null(book_newest(book, GAP_CHANNEL, 0));
    assert_null(book_newest(book, GAP_GAUGE, 0));
    book_poll_good(book, 1);
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GOOD, QUALITY_NOT_FITTED,
                   QUALITY_GOOD);
    const struct gap *gap = book_newest(book, GAP_CHANNEL, 0);
    assert_non_null(gap);
    check_count("point", gap->point, POINT_DISCHARGE_PRESSURE);
    check_count("cause", gap->cause_code, CAUSE_SENSOR_LOST);
    assert_non_null(strstr(gap->cause, "Pump discharge pressure"));
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_IMPOSSIBLE, QUALITY_GOOD,
                   QUALITY_GOOD);
    assert_false(book_newest(book, GAP_CHANNEL, 0)->is_open);
    check_count("another channel, another row", book_newest(book, GAP_CHANNEL, 1)->cause_code,
                CAUSE_OUT_OF_RANGE);
    book_close(book);
}

/* Planted defect: the row of all channels ends itself, and there is one a scan
 * (ledger-whole-source-each-scan). */
static void scans_of_exceptions_are_no_line_gap_and_one_row(void **state)
{
    struct book *book = book_open(*state, 64);
    book_poll_good(book, 3);
    for (int i = 0; i < 30; i++)
        book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_EXCEPTION, 5, 5, 5);
    assert_null(book_newest(book, GAP_LINE, 0));
    assert_null(book_newest(book, GAP_GAUGE, 1));
    check_count("of what is wired to the unit itself", book_newest(book, GAP_CHANNEL, 0)->point,
                16);
    assert_null(book_newest(book, GAP_CHANNEL, 1));
    check_text("gauge", book_newest(book, GAP_GAUGE, 0)->cause,
               "The surface unit answers, but only with exception 02 (illegal data address). Line "
               "settings and unit id are right. Check the map; its addresses may be off by one "
               "(counted from 0 or from 1).");
    book_poll_with(book, 0, SOURCE_DRIVE, OUTCOME_ANSWERED, QUALITY_CHANNEL_FAULT, QUALITY_GOOD,
                   QUALITY_GOOD);
    for (int i = 0; i < 30; i++)
        book_poll_with(book, 0, SOURCE_DRIVE, OUTCOME_EXCEPTION, 5, 5, 5);
    const struct gap *gap = NULL, *single = NULL;
    for (size_t i = 0; i < book->n; i++) {
        if (book->seen[i].kind != GAP_CHANNEL || book->seen[i].source != SOURCE_DRIVE)
            continue;
        if (gap != NULL && book->seen[i].point == POINT_NONE)
            check_count("one row however long", (long long)book->seen[i].id, (long long)gap->id);
        if (book->seen[i].point == POINT_NONE)
            gap = &book->seen[i];
        else
            single = &book->seen[i];
    }
    assert_non_null(gap);
    assert_non_null(single);
    assert_true(gap->is_open && !single->is_open); /* of all channels: that of one ends there */
    assert_true(gap->scans >= 25 && gap->scans <= 30);
    check_count("of no single point", gap->point, 0);
    check_text("drive", gap->cause,
               "Every channel of this source: its registers are answered with exception 02 "
               "(illegal data address). Check the map; its addresses may be off by one (counted "
               "from 0 or from 1).");
    book_close(book);
}

/* Planted defect: the step is taken from UTC alone (every poll would be one)
 * (ledger-clock-of-utc-alone), or from a scan that is older than the newest
 * (ledger-clock-of-an-older-scan). */
static void a_clock_step_is_one_row_with_its_size(void **state)
{
    struct book *book = book_open(*state, 64);
    book_poll_good(book, 3);
    assert_null(book_newest(book, GAP_CLOCK, 0));
    book->rig->utc_ms += 400;
    book_poll_good(book, 1);
    assert_null(book_newest(book, GAP_CLOCK, 0));
    book->rig->utc_ms += (3 * 60 + 12) * 60000;
    const struct stamp stepped = rig_now(book->rig);
    book_poll_good(book, 1);
    const struct gap *gap = book_newest(book, GAP_CLOCK, 0);
    assert_non_null(gap);
    assert_true(gap->all_wells && !gap->is_open && !gap->lost && gap->well == 0);
    check_count("start", gap->start.utc_ms, stepped.utc_ms + 120);
    check_count("end", gap->end.utc_ms, stepped.utc_ms + 120);
    char before[STAMP_TEXT_MAX], after[STAMP_TEXT_MAX], sentence[GAP_CAUSE_MAX];
    snprintf(sentence, sizeof sentence,
             "The clock moved forward 3 h 12 min at %s, to %s. Earlier records are marked and keep "
             "their order.",
             stamp_to_text(stepped.utc_ms + 120 - (3 * 60 + 12) * 60000, before),
             stamp_to_text(stepped.utc_ms + 120, after));
    check_text("sentence, with both times", gap->cause, sentence);
    check_count("said once", gap->revision, 0);
    book->rig->utc_ms -= 3600000;
    book_poll_good(book, 3);
    assert_non_null(strstr(book_newest(book, GAP_CLOCK, 1)->cause, "moved back 1 h 0 min"));
    assert_null(book_newest(book, GAP_CLOCK, 2));
    book->rig->utc_ms += 7000;
    book_poll_good(book, 1);
    assert_non_null(strstr(book_newest(book, GAP_CLOCK, 2)->cause, "moved forward 7.0 s"));
    struct rig *rig = book->rig;
    struct scan late = rig_scan(rig, 1, SOURCE_GAUGE,
                                OUTCOME_ANSWERED); /* of another line, begun before the step */
    late.begun.boot_ms -= 15000;
    late.begun.utc_ms -= 22000;
    static struct record none;
    ledger_see_scan(book->ledger, &late, &none, &late.begun);
    book_take(book);
    book_poll_good(book, 1);
    assert_null(book_newest(book, GAP_CLOCK, 3));
    rig->clock.boot = 77; /* another boot: its clocks can't be compared */
    book_poll_good(book, 1);
    assert_null(book_newest(book, GAP_CLOCK, 3));
    book_close(book);
}

/* Planted defect (ledger-slew-is-a-step): a clock that is slewed by 500 ppm, as kernels do, has
 * stepped where two scans lie far enough apart. In 28 s it moves 14 ms; in an hour 1.8 s. */
static void a_slewed_clock_makes_no_step(void **state)
{
    struct book *book = book_open(*state, 64);
    book_poll_good(book, 3);
    for (int i = 0; i < 5; i++) {
        book->rig->boot_ms += 3600000; /* nobody was asked for an hour */
        book->rig->utc_ms += 3600000 + (i % 2 == 0 ? 1800 : -1800);
        book_poll_good(book, 1);
    }
    assert_null(book_newest(book, GAP_CLOCK, 0));
    for (int i = 0; i < 360; i++) {
        book->rig->utc_ms += 5; /* 500 ppm of 10 s */
        book_poll_good(book, 1);
    }
    assert_null(book_newest(book, GAP_CLOCK, 0));
    book->rig->boot_ms += 3600000;
    book->rig->utc_ms += 3600000 + 7000; /* faster than any slew */
    book_poll_good(book, 1);
    assert_non_null(strstr(book_newest(book, GAP_CLOCK, 0)->cause, "moved forward 7.0 s"));
    book_close(book);
}

int main(void)
{
#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        RIG_TEST(a_line_gap_runs_from_the_first_missed_due_time_to_the_first_answer),
        RIG_TEST(flapping_shorter_than_three_scans_is_one_row),
        RIG_TEST(the_more_telling_outcome_names_the_cause),
        RIG_TEST(the_widest_scope_wins),
        RIG_TEST(not_fitted_from_the_start_is_a_state_and_after_data_a_gap),
        RIG_TEST(scans_of_exceptions_are_no_line_gap_and_one_row),
        RIG_TEST(a_clock_step_is_one_row_with_its_size),
        RIG_TEST(a_slewed_clock_makes_no_step),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
