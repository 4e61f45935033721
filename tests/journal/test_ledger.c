/* SPDX-License-Identifier: Apache-2.0
 *
 * test_ledger.c - the rules of the ledger, one scan after another, without a disk. The rules are
 * those of the project's points.md, section 4 (stages and gaps); the example of a line gap of 189
 * scans in 31.5 min is the one in docs/gaps.md.
 */
#include "support.h"

#include "check.h"

#include <stdlib.h>

/** A ledger under test, with every revision that it handed out. */
struct book {
    struct rig *rig;
    struct ledger *ledger;
    uint64_t seq[2];
    struct gap seen[512];
    size_t n;
};

static struct book *open_book(struct rig *rig, size_t room)
{
    struct book *book = calloc(1, sizeof *book);
    book->rig = rig;
    rig->wells[0].number = 11;
    rig->wells[1].number = 12;
    rig->run = 0x9f3c61d2a07b44e8;
    book->ledger = ledger_create(rig->plan, rig->run, room);
    assert_non_null(book->ledger);
    return book;
}

static void close_book(struct book *book)
{
    ledger_destroy(book->ledger);
    free(book);
}

static void take(struct book *book)
{
    const struct stamp now = rig_now(book->rig);
    book->n += ledger_take_changed(book->ledger, &now, book->seen + book->n, 512 - book->n);
}

/** Newest revision of the `which`-th identity of a kind; NULL where there is none. */
static const struct gap *newest(const struct book *book, uint8_t kind, size_t which)
{
    uint64_t ids[64];
    size_t n_ids = 0;
    const struct gap *found = NULL;
    for (size_t i = 0; i < book->n; i++) {
        const struct gap *gap = &book->seen[i];
        bool known = false;
        for (size_t k = 0; k < n_ids; k++)
            known = known || ids[k] == gap->id;
        if (gap->kind == kind && !known)
            ids[n_ids++] = gap->id;
    }
    for (size_t i = 0; i < book->n; i++)
        if (which < n_ids && book->seen[i].kind == kind && book->seen[i].id == ids[which])
            found = &book->seen[i];
    return found;
}

static size_t revisions(const struct book *book, uint8_t kind)
{
    size_t n = 0;
    for (size_t i = 0; i < book->n; i++)
        n += book->seen[i].kind == kind;
    return n;
}

/** A scan begins 120 ms after its due time; qualities of points 1, 2 and 16 (surface unit) stand in
 * the record. */
static void poll_with(struct book *book, int well, uint8_t source, uint8_t outcome, uint8_t q1,
                      uint8_t q2, uint8_t q16)
{
    struct rig *rig = book->rig;
    const struct stamp due = rig_now(rig);
    rig->boot_ms += 120;
    rig->utc_ms += 120;
    struct scan scan = rig_scan(rig, well, source, outcome);
    scan.seq = ++book->seq[well];
    static struct record record;
    record = (struct record){
        .well = scan.well, .source = source, .outcome = outcome, .seq = scan.seq, .n = 3};
    record.reading[0] = (struct reading){.point = source == SOURCE_GAUGE ? 1 : 21, .quality = q1};
    record.reading[1] = (struct reading){.point = source == SOURCE_GAUGE ? 2 : 22, .quality = q2};
    record.reading[2] = (struct reading){.point = source == SOURCE_GAUGE ? 16 : 31, .quality = q16};
    ledger_see_scan(book->ledger, &scan, &record, &due);
    take(book);
    rig->boot_ms += 9880;
    rig->utc_ms += 9880;
}

static void poll_good(struct book *book, int n)
{
    for (int i = 0; i < n; i++)
        poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GOOD, QUALITY_GOOD,
                  QUALITY_GOOD);
}

static void poll_silent(struct book *book, int n)
{
    for (int i = 0; i < n; i++)
        poll_with(book, 0, SOURCE_GAUGE, OUTCOME_SILENT, QUALITY_LINE_DOWN, QUALITY_LINE_DOWN,
                  QUALITY_LINE_DOWN);
}

/* Planted defects: start at the begun time instead of the due time; end at the due time of the good
 * scan; no count of skips. */
static void a_line_gap_runs_from_the_first_missed_due_time_to_the_first_answer(void **state)
{
    struct book *book = open_book(*state, 64);
    poll_good(book, 5);
    const struct stamp due = rig_now(book->rig);
    poll_silent(book, 2);
    const struct gap *gap = newest(book, GAP_LINE, 0);
    assert_non_null(gap);
    assert_true(gap->is_open && gap->start_sure && gap->lost);
    check_count("start", gap->start.boot_ms, due.boot_ms);
    check_count("before", (long long)gap->before_seq, 5);
    check_text("cause", gap->cause,
               "No answer from the surface unit (unit id 1, pad-line, 9600 8N1).");
    assert_true(gap->run == book->rig->run && gap->id == 1 && gap->revision == 0);
    check_count("open of the well", (long long)ledger_open_of_well(book->ledger, 11), 1);
    check_count("open of the other", (long long)ledger_open_of_well(book->ledger, 12), 0);
    for (int i = 0; i < 187; i++) { /* back-off: some dues are not even asked */
        if (i % 3 == 2) {
            poll_silent(book, 1);
            continue;
        }
        const struct stamp skipped = rig_now(book->rig);
        ledger_count(book->ledger, GAP_SKIPPED, CAUSE_BACK_OFF, 11, SOURCE_GAUGE, 1, &skipped,
                     &skipped, NULL);
        take(book);
        book->rig->boot_ms += 10000;
        book->rig->utc_ms += 10000;
    }
    const struct stamp back = rig_now(book->rig);
    poll_good(book, 1);
    gap = newest(book, GAP_LINE, 0);
    assert_false(gap->is_open);
    check_count("end", gap->end.boot_ms, back.boot_ms + 120);
    check_count("scans", gap->scans, 189);
    check_count("refreshes of 28 s in 31.5 min", gap->refreshes_about, 67);
    check_count("after", (long long)gap->after_seq, (long long)book->seq[0]);
    const struct gap *skipped = newest(book, GAP_SKIPPED, 0);
    check_count("skips", skipped->scans, 125);
    assert_false(skipped->is_open);
    check_text("why", skipped->cause, "The unit does not answer, so it is asked less often.");
    assert_null(newest(book, GAP_SKIPPED, 1));
    assert_null(newest(book, GAP_GAUGE, 0));
    assert_null(newest(book, GAP_CHANNEL, 0));
    close_book(book);
}

/* Planted defect: each failure after a good scan opens a row of its own. */
static void flapping_shorter_than_three_scans_is_one_row(void **state)
{
    struct book *book = open_book(*state, 64);
    poll_good(book, 3);
    for (int i = 0; i < 6; i++) {
        poll_silent(book, 1);
        poll_good(book, 2);
    }
    assert_non_null(newest(book, GAP_LINE, 0));
    assert_null(newest(book, GAP_LINE, 1));
    check_count("failed scans in it", newest(book, GAP_LINE, 0)->scans, 6);
    check_count("each opening and closing is a revision", (long long)revisions(book, GAP_LINE), 12);
    check_count("the last revision", newest(book, GAP_LINE, 0)->revision, 11);
    poll_good(book, 1);
    poll_silent(book, 1);
    assert_non_null(newest(book, GAP_LINE, 1));
    check_count("after three good scans it is another row", newest(book, GAP_LINE, 1)->revision, 0);
    assert_true(newest(book, GAP_LINE, 1)->id != newest(book, GAP_LINE, 0)->id);
    close_book(book);
}

static void the_more_telling_outcome_names_the_cause(void **state)
{
    struct book *book = open_book(*state, 64);
    poll_good(book, 3);
    poll_silent(book, 1);
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_PORT_GONE, 3, 3, 3);
    poll_silent(book, 1);
    check_count("cause", newest(book, GAP_LINE, 0)->cause_code, CAUSE_PORT_GONE);
    check_text(
        "sentence", newest(book, GAP_LINE, 0)->cause,
        "The serial port of pad-line (/dev/serial/by-id/rs485-a) is gone or can't be opened.");
    poll_with(book, 0, SOURCE_DRIVE, OUTCOME_PATH_DOWN, 3, 3, 3);
    check_text("converter", newest(book, GAP_LINE, 1)->cause,
               "The converter on skid-line answers, but the drive behind it does not (exception "
               "0B; unit id 1).");
    assert_true(newest(book, GAP_LINE, 1)->source == SOURCE_DRIVE);
    close_book(book);
}

/* Planted defects: the gauge row stays open under the line row; a line row beside a gauge row for
 * the same scans. */
static void the_widest_scope_wins(void **state)
{
    struct book *book = open_book(*state, 64);
    poll_good(book, 3);
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_CHANNEL_FAULT, QUALITY_GOOD,
              QUALITY_GOOD);
    assert_true(newest(book, GAP_CHANNEL, 0)->is_open);
    const struct stamp silent = rig_now(book->rig);
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GAUGE_SILENT, QUALITY_GAUGE_SILENT,
              QUALITY_GOOD);
    assert_false(newest(book, GAP_CHANNEL, 0)->is_open);
    check_count("channel ends where the gauge row starts",
                newest(book, GAP_CHANNEL, 0)->end.boot_ms, silent.boot_ms);
    assert_true(newest(book, GAP_GAUGE, 0)->is_open);
    check_count("cause", newest(book, GAP_GAUGE, 0)->cause_code, CAUSE_NO_SIGNAL);
    const struct stamp down = rig_now(book->rig);
    poll_silent(book, 2);
    assert_false(newest(book, GAP_GAUGE, 0)->is_open);
    check_count("gauge ends where the line row starts", newest(book, GAP_GAUGE, 0)->end.boot_ms,
                down.boot_ms);
    check_count("open", (long long)ledger_open_of_well(book->ledger, 11), 1);
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_STARTING, QUALITY_STARTING,
              QUALITY_GOOD);
    assert_false(newest(book, GAP_LINE, 0)->is_open);
    assert_true(newest(book, GAP_GAUGE, 1)->is_open);
    check_count("cause while starting", newest(book, GAP_GAUGE, 1)->cause_code, CAUSE_POWER_UP);
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GAUGE_SILENT, QUALITY_GAUGE_SILENT,
              QUALITY_GOOD);
    check_count("cause when the start failed", newest(book, GAP_GAUGE, 1)->cause_code,
                CAUSE_NO_SIGNAL);
    poll_good(book, 1);
    assert_false(newest(book, GAP_GAUGE, 1)->is_open);
    check_count("scans", newest(book, GAP_GAUGE, 1)->scans, 2);
    check_count("nothing is open", (long long)ledger_open_of_well(book->ledger, 11), 0);
    close_book(book);
}

/* Planted defect: "not fitted" opens a channel row. */
static void not_fitted_from_the_start_is_a_state_and_after_data_a_gap(void **state)
{
    struct book *book = open_book(*state, 64);
    for (int i = 0; i < 5; i++)
        poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GOOD, QUALITY_NOT_FITTED,
                  QUALITY_GOOD);
    assert_null(newest(book, GAP_CHANNEL, 0));
    assert_null(newest(book, GAP_GAUGE, 0));
    poll_good(book, 1);
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GOOD, QUALITY_NOT_FITTED,
              QUALITY_GOOD);
    const struct gap *gap = newest(book, GAP_CHANNEL, 0);
    assert_non_null(gap);
    check_count("point", gap->point, POINT_DISCHARGE_PRESSURE);
    check_count("cause", gap->cause_code, CAUSE_SENSOR_LOST);
    assert_non_null(strstr(gap->cause, "Pump discharge pressure"));
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_IMPOSSIBLE, QUALITY_GOOD,
              QUALITY_GOOD);
    assert_false(newest(book, GAP_CHANNEL, 0)->is_open);
    check_count("another channel, another row", newest(book, GAP_CHANNEL, 1)->cause_code,
                CAUSE_OUT_OF_RANGE);
    close_book(book);
}

static void a_scan_of_exceptions_is_no_line_gap_and_one_row(void **state)
{
    struct book *book = open_book(*state, 64);
    poll_good(book, 3);
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_EXCEPTION, 5, 5, 5);
    assert_null(newest(book, GAP_LINE, 0));
    check_text("gauge", newest(book, GAP_GAUGE, 0)->cause,
               "The surface unit answers, but only with exception 02 (illegal data address). Check "
               "the map.");
    poll_with(book, 0, SOURCE_DRIVE, OUTCOME_ANSWERED, QUALITY_GOOD, QUALITY_GOOD, QUALITY_GOOD);
    poll_with(book, 0, SOURCE_DRIVE, OUTCOME_EXCEPTION, 5, 5, 5);
    const struct gap *gap = NULL;
    for (size_t i = 0; i < book->n; i++)
        if (book->seen[i].kind == GAP_CHANNEL && book->seen[i].source == SOURCE_DRIVE)
            gap = &book->seen[i];
    assert_non_null(gap);
    check_count("of no single point", gap->point, 0);
    check_text("drive", gap->cause,
               "Every channel of this source: its registers are answered with exception 02 "
               "(illegal data address).");
    close_book(book);
}

/* Planted defect: the step is taken from UTC alone (every poll would be one), or from a scan that
 * is older than the newest. */
static void a_clock_step_is_one_row_with_its_size(void **state)
{
    struct book *book = open_book(*state, 64);
    poll_good(book, 3);
    assert_null(newest(book, GAP_CLOCK, 0));
    book->rig->utc_ms += 400;
    poll_good(book, 1);
    assert_null(newest(book, GAP_CLOCK, 0));
    book->rig->utc_ms += (3 * 60 + 12) * 60000;
    const struct stamp stepped = rig_now(book->rig);
    poll_good(book, 1);
    const struct gap *gap = newest(book, GAP_CLOCK, 0);
    assert_non_null(gap);
    assert_true(gap->all_wells && !gap->is_open && !gap->lost && gap->well == 0);
    check_count("start", gap->start.utc_ms, stepped.utc_ms + 120);
    check_count("end", gap->end.utc_ms, stepped.utc_ms + 120);
    assert_non_null(strstr(gap->cause, "The clock moved forward 3 h 12 min at "));
    book->rig->utc_ms -= 3600000;
    poll_good(book, 3);
    assert_non_null(strstr(newest(book, GAP_CLOCK, 1)->cause, "moved back 1 h 0 min"));
    assert_null(newest(book, GAP_CLOCK, 2));
    book->rig->utc_ms += 7000;
    poll_good(book, 1);
    assert_non_null(strstr(newest(book, GAP_CLOCK, 2)->cause, "moved forward 7.0 s"));
    struct rig *rig = book->rig;
    struct scan late = rig_scan(rig, 1, SOURCE_GAUGE,
                                OUTCOME_ANSWERED); /* of another line, begun before the step */
    late.begun.boot_ms -= 15000;
    late.begun.utc_ms -= 22000;
    static struct record none;
    ledger_see_scan(book->ledger, &late, &none, &late.begun);
    take(book);
    poll_good(book, 1);
    assert_null(newest(book, GAP_CLOCK, 3));
    rig->clock.boot = 77; /* another boot: its clocks can't be compared */
    poll_good(book, 1);
    assert_null(newest(book, GAP_CLOCK, 3));
    close_book(book);
}

/* Planted defects: counts of one source end up in another's row; an attempted scan without data
 * closes the row. */
static void skips_of_a_source_and_cause_are_one_row_until_data_comes(void **state)
{
    struct book *book = open_book(*state, 64);
    const struct stamp first = rig_now(book->rig);
    struct stamp last = first;
    last.boot_ms += 20000;
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_LISTENING, 11, SOURCE_GAUGE, 3, &first, &last,
                 NULL);
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_LISTENING, 11, SOURCE_DRIVE, 1, &first, &first,
                 NULL);
    take(book);
    check_count("rows", (long long)revisions(book, GAP_SKIPPED), 2);
    poll_silent(book, 1);
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_LISTENING, 11, SOURCE_GAUGE, 2, &last, &last,
                 NULL);
    take(book);
    check_count("a count alone waits for its minute", newest(book, GAP_SKIPPED, 0)->scans, 3);
    poll_silent(book, 1);
    check_count("but goes out with the next scan", newest(book, GAP_SKIPPED, 0)->scans, 5);
    assert_true(newest(book, GAP_SKIPPED, 0)->is_open);
    poll_good(book, 1);
    assert_false(newest(book, GAP_SKIPPED, 0)->is_open);
    assert_true(newest(book, GAP_SKIPPED, 1)->is_open);
    check_count("drive", newest(book, GAP_SKIPPED, 1)->scans, 1);
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_LISTENING, 11, SOURCE_GAUGE, 1, &last, &last,
                 NULL);
    take(book);
    check_count("after data it is another row", newest(book, GAP_SKIPPED, 2)->scans, 1);
    close_book(book);
}

/* Planted defect: changed counts go out with every commit (a row each second for days). */
static void changed_counts_of_open_rows_go_out_once_a_minute(void **state)
{
    struct book *book = open_book(*state, 64);
    struct stamp due = rig_now(book->rig);
    for (int second = 0; second < 600; second++) {
        due = rig_now(book->rig);
        ledger_count(book->ledger, GAP_SKIPPED, CAUSE_ANOTHER_MASTER, 11, SOURCE_GAUGE, 1, &due,
                     &due, "Another master.");
        take(book);
        book->rig->boot_ms += 1000;
        book->rig->utc_ms += 1000;
    }
    check_count("revisions in ten minutes", (long long)revisions(book, GAP_SKIPPED), 10);
    check_text("given sentence", newest(book, GAP_SKIPPED, 0)->cause, "Another master.");
    book->n += ledger_take_changed(book->ledger, NULL, book->seen + book->n, 512 - book->n);
    check_count("an orderly stop takes all", newest(book, GAP_SKIPPED, 0)->scans, 600);
    close_book(book);
}

/* Planted defect: a revision that was not stored is counted as given. */
static void rows_that_were_not_stored_come_again_with_the_same_revision(void **state)
{
    struct book *book = open_book(*state, 64);
    poll_good(book, 3);
    poll_silent(book, 1);
    const size_t before = book->n;
    ledger_put_back(book->ledger, book->seen + before - 1, 1);
    take(book);
    check_count("again", (long long)(book->n - before), 1);
    check_count("revision", book->seen[before].revision, 0);
    poll_good(book, 1);
    const struct gap closed = book->seen[book->n - 1];
    assert_false(closed.is_open);
    poll_good(book, 3);
    take(book);
    take(book); /* by now it is forgotten */
    ledger_put_back(book->ledger, &closed, 1);
    const size_t n = book->n;
    take(book);
    check_count("a forgotten row as well", (long long)(book->n - n), 1);
    check_count("its revision", book->seen[n].revision, closed.revision);
    close_book(book);
}

/* Planted defect: late records are counted as lost, or the row closes while records still wait. */
static void a_delivery_gap_opens_after_a_minute_and_closes_at_the_live_edge(void **state)
{
    struct book *book = open_book(*state, 64);
    const struct stamp oldest = rig_now(book->rig);
    struct stamp now = oldest;
    for (int second = 0; second <= 60; second++) {
        now.boot_ms = oldest.boot_ms + second * 1000;
        now.utc_ms = oldest.utc_ms + second * 1000;
        ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 100,
                            100 + (uint64_t)second / 10, &now, CAUSE_UNREACHABLE, NULL);
    }
    take(book);
    assert_null(newest(book, GAP_DELIVERY, 0));
    now.boot_ms += 1000;
    now.utc_ms += 1000;
    ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 100, 107, &now,
                        CAUSE_UNREACHABLE, NULL);
    ledger_see_delivery(book->ledger, "plant-broker", 12, false, NULL, 50, 50, &now,
                        CAUSE_UNREACHABLE, NULL);
    take(book);
    const struct gap *gap = newest(book, GAP_DELIVERY, 0);
    assert_non_null(gap);
    check_count("start", gap->start.boot_ms, oldest.boot_ms);
    check_count("late", gap->scans, 7);
    assert_false(gap->lost);
    check_text("cause", gap->cause, "plant-broker is not reachable.");
    check_text("destination", gap->destination, "plant-broker");
    struct stamp waiting = now;
    waiting.boot_ms -= 30000;
    waiting.utc_ms -= 30000;
    ledger_see_delivery(book->ledger, "plant-broker", 11, true, &waiting, 103, 108, &now,
                        CAUSE_NONE, NULL);
    take(book);
    assert_true(newest(book, GAP_DELIVERY, 0)->is_open);
    ledger_see_delivery(book->ledger, "plant-broker", 11, false, NULL, 108, 108, &now, CAUSE_NONE,
                        NULL);
    take(book);
    gap = newest(book, GAP_DELIVERY, 0);
    assert_false(gap->is_open);
    check_count("late", gap->scans, 8);
    check_count("all of them came", gap->recovered, 8);
    check_count("before", (long long)gap->before_seq, 100);
    check_count("after", (long long)gap->after_seq, 108);
    check_count("of one well only", (long long)revisions(book, GAP_DELIVERY), 2);
    close_book(book);
}

/* Planted defect: no bound, or a count that falls off the table when it is full. */
static void a_full_ledger_says_so_and_still_keeps_the_books(void **state)
{
    struct book *book = open_book(*state, 1);
    poll_good(book, 3);
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_CHANNEL_FAULT, QUALITY_GOOD,
              QUALITY_GOOD);
    poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_CHANNEL_FAULT, QUALITY_GOOD,
              QUALITY_CHANNEL_FAULT);
    assert_null(newest(book, GAP_CHANNEL, 1));
    assert_non_null(strstr(newest(book, GAP_CHANNEL, 0)->cause,
                           "Later gaps of this kind are not listed one by one"));
    uint32_t sum = 0;
    for (uint8_t cause = 1; cause < CAUSE_COUNT; cause++) { /* more causes than there can be */
        const struct stamp due = rig_now(book->rig);
        for (int well = 11; well <= 12; well++)
            ledger_count(book->ledger, GAP_SKIPPED, cause, (uint16_t)well, SOURCE_GAUGE, 5, &due,
                         &due, NULL);
    }
    book->n = ledger_take_changed(book->ledger, NULL, book->seen, 512);
    for (size_t i = 0; i < book->n; i++)
        sum += book->seen[i].kind == GAP_SKIPPED ? book->seen[i].scans : 0;
    check_count("every skip is counted in some row", sum, 2 * 5 * (CAUSE_COUNT - 1));
    close_book(book);
}

static void a_new_run_opens_its_rows_under_its_own_number(void **state)
{
    struct book *book = open_book(*state, 64);
    poll_good(book, 3);
    poll_silent(book, 1);
    ledger_set_run(book->ledger, 7);
    poll_good(book, 3);
    poll_silent(book, 1);
    assert_true(newest(book, GAP_LINE, 0)->run == book->rig->run);
    assert_true(newest(book, GAP_LINE, 1)->run == 7);
    close_book(book);
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
        RIG_TEST(a_scan_of_exceptions_is_no_line_gap_and_one_row),
        RIG_TEST(a_clock_step_is_one_row_with_its_size),
        RIG_TEST(skips_of_a_source_and_cause_are_one_row_until_data_comes),
        RIG_TEST(changed_counts_of_open_rows_go_out_once_a_minute),
        RIG_TEST(rows_that_were_not_stored_come_again_with_the_same_revision),
        RIG_TEST(a_delivery_gap_opens_after_a_minute_and_closes_at_the_live_edge),
        RIG_TEST(a_full_ledger_says_so_and_still_keeps_the_books),
        RIG_TEST(a_new_run_opens_its_rows_under_its_own_number),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
