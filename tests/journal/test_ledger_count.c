/* SPDX-License-Identifier: Apache-2.0
 *
 * test_ledger_count.c - polls never attempted, deliveries, and the rows themselves: how often they
 * are handed out, taken back, and what happens when there are too many.
 */
#include "book.h"

#include "check.h"

/* Planted defects: counts of one source end up in another's row (ledger-sources-mixed); an
 * attempted scan without data closes the row. */
static void skips_of_a_source_and_cause_are_one_row_until_data_comes(void **state)
{
    struct book *book = book_open(*state, 64);
    const struct stamp first = rig_now(book->rig);
    struct stamp last = first;
    last.boot_ms += 20000;
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_BACK_OFF, 11, SOURCE_GAUGE, 3, &first, &last,
                 NULL);
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_BACK_OFF, 11, SOURCE_DRIVE, 1, &first, &first,
                 NULL);
    book_take(book);
    check_count("rows", (long long)book_revisions(book, GAP_SKIPPED), 2);
    book_poll_silent(book, 1);
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_BACK_OFF, 11, SOURCE_GAUGE, 2, &last, &last,
                 NULL);
    book_take(book);
    check_count("a count alone waits for its minute", book_newest(book, GAP_SKIPPED, 0)->scans, 3);
    book_poll_silent(book, 1);
    check_count("but goes out with the next scan", book_newest(book, GAP_SKIPPED, 0)->scans, 5);
    assert_true(book_newest(book, GAP_SKIPPED, 0)->is_open);
    book_poll_good(book, 1);
    assert_false(book_newest(book, GAP_SKIPPED, 0)->is_open);
    assert_true(book_newest(book, GAP_SKIPPED, 1)->is_open);
    check_count("drive", book_newest(book, GAP_SKIPPED, 1)->scans, 1);
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_BACK_OFF, 11, SOURCE_GAUGE, 1, &last, &last,
                 NULL);
    book_take(book);
    check_count("after data it is another row", book_newest(book, GAP_SKIPPED, 2)->scans, 1);
    book_close(book);
}

/* Planted defect: the row waits for data, so that "listening" lasts as long as the unit is dead
 * (ledger-listening-waits-for-data). */
static void listening_another_master_and_a_cut_end_with_the_first_question(void **state)
{
    static const uint8_t CAUSES[] = {CAUSE_LISTENING, CAUSE_ANOTHER_MASTER, CAUSE_STOPPED,
                                     CAUSE_ENTRY_ENDED};
    for (size_t i = 0; i < sizeof CAUSES; i++) {
        struct book *book = book_open(*state, 64);
        const struct stamp due = rig_now(book->rig);
        ledger_count(book->ledger, GAP_SKIPPED, CAUSES[i], 11, SOURCE_GAUGE, 3, &due, &due, NULL);
        book->rig->boot_ms += 30000;
        book->rig->utc_ms += 30000;
        const struct stamp asked = rig_now(book->rig);
        book_poll_silent(book, 1);
        const struct gap *gap = book_newest(book, GAP_SKIPPED, 0);
        assert_false(gap->is_open);
        check_count("ends where the first question began", gap->end.boot_ms, asked.boot_ms + 120);
        check_count("scans", gap->scans, 3);
        check_count("the silence counts its own", book_newest(book, GAP_LINE, 0)->scans, 1);
        book_close(book);
    }
}

/* Planted defects: a row of polls put off before the unit fell silent goes on in its line gap
 * (ledger-put-off-goes-on); what was put off before its first time-out was known is not counted
 * there (ledger-put-off-before-uncounted); the row outlasts the line gap where the first answer is
 * an exception. */
static void polls_put_off_in_a_line_gap_are_a_row_within_it_and_counted_by_it(void **state)
{
    struct book *book = book_open(*state, 64);
    struct stamp due = rig_now(book->rig);
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_LINE_BUSY, 11, SOURCE_GAUGE, 1, &due, &due, NULL);
    book->rig->boot_ms += 10000;
    book->rig->utc_ms += 10000;
    const struct stamp down = rig_now(book->rig);
    book_poll_silent(book, 1);
    check_count("ended where the silence began", book_newest(book, GAP_SKIPPED, 0)->end.boot_ms,
                down.boot_ms);
    due = rig_now(book->rig);
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_LINE_BUSY, 11, SOURCE_GAUGE, 2, &due, &due, NULL);
    book->rig->boot_ms += 20000;
    book->rig->utc_ms += 20000;
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_EXCEPTION, QUALITY_GAUGE_SILENT,
                   QUALITY_GAUGE_SILENT, QUALITY_GAUGE_SILENT);
    const struct gap *line = book_newest(book, GAP_LINE, 0);
    const struct gap *put_off = book_newest(book, GAP_SKIPPED, 1);
    assert_false(line->is_open || put_off->is_open);
    check_count("line", line->scans, 3);
    check_count("put off", put_off->scans, 2);
    check_count("same end", put_off->end.boot_ms, line->end.boot_ms);
    check_count("30 s hold one refresh of 28 s", line->refreshes_about, 1);
    check_text("true for one unit alone as well", put_off->cause,
               "The line was still busy: with another unit, or waiting for an answer that did not "
               "come.");
    book_poll_good(book, 4);
    due = rig_now(book->rig); /* known to be put off before the time-out of the one before */
    struct stamp next = due;
    next.boot_ms += 10000;
    next.utc_ms += 10000;
    ledger_count(book->ledger, GAP_SKIPPED, CAUSE_LINE_BUSY, 11, SOURCE_GAUGE, 1, &next, &next,
                 NULL);
    book_poll_silent(book, 1);
    check_count("both", book_newest(book, GAP_LINE, 1)->scans, 2);
    book_close(book);
}

/* Planted defect: gauge readings from the interval alone (ledger-refreshes-by-interval), so that a
 * row of one poll, open for an hour, claims 128. */
static void gauge_readings_follow_the_polls_that_were_counted(void **state)
{
    struct book *book = book_open(*state, 64);
    const struct stamp due = rig_now(book->rig);
    ledger_count(book->ledger, GAP_DISK, CAUSE_DISK_REFUSED, 11, SOURCE_GAUGE, 6, &due, &due, NULL);
    book->rig->boot_ms += 3600000;
    book->rig->utc_ms += 3600000;
    book_take(book);
    check_count("60 s hold two refreshes of 28 s", book_newest(book, GAP_DISK, 0)->refreshes_about,
                2);
    book_close(book);
}

/* Planted defect: changed counts go out with every commit (a row each second for days). */
static void changed_counts_of_open_rows_go_out_once_a_minute(void **state)
{
    struct book *book = book_open(*state, 64);
    struct stamp due = rig_now(book->rig);
    for (int second = 0; second < 600; second++) {
        due = rig_now(book->rig);
        ledger_count(book->ledger, GAP_SKIPPED, CAUSE_ANOTHER_MASTER, 11, SOURCE_GAUGE, 1, &due,
                     &due, "Another master.");
        book_take(book);
        book->rig->boot_ms += 1000;
        book->rig->utc_ms += 1000;
    }
    check_count("revisions in ten minutes", (long long)book_revisions(book, GAP_SKIPPED), 10);
    check_text("given sentence", book_newest(book, GAP_SKIPPED, 0)->cause, "Another master.");
    book->n += ledger_take_changed(book->ledger, NULL, book->seen + book->n, 512 - book->n);
    check_count("an orderly stop takes all", book_newest(book, GAP_SKIPPED, 0)->scans, 600);
    book_close(book);
}

/** Counts the revisions of `ms` in which a growing count is told; the last one's count. */
static size_t revisions_of(struct book *book, int64_t ms, uint8_t kind, uint32_t *newest)
{
    struct gap rows[8];
    size_t n = 0;
    const struct stamp oldest = rig_now(book->rig);
    for (int64_t gone_ms = 0; gone_ms < ms; gone_ms += 10000) {
        const struct stamp now = rig_now(book->rig);
        if (kind == GAP_DELIVERY) {
            ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 100,
                                100 + (uint64_t)gone_ms / 10000, &now, CAUSE_UNREACHABLE, NULL);
        } else {
            static struct record none;
            struct scan scan = rig_scan(book->rig, 0, SOURCE_GAUGE, OUTCOME_SILENT);
            scan.seq = ++book->seq[0];
            ledger_see_scan(book->ledger, &scan, &none, &now);
        }
        const size_t got = ledger_take_changed(book->ledger, &now, rows, 8);
        for (size_t i = 0; i < got; i++)
            if (rows[i].kind == kind)
                *newest = rows[i].scans;
        n += got;
        book->rig->boot_ms += 10000;
        book->rig->utc_ms += 10000;
    }
    return n;
}

/* Planted defect (ledger-count-each-minute): an outage of three days is 4,320 revisions that say
 * the same; or what changes its cause, or ends, waits for the hour. */
static void three_days_of_outage_are_tens_of_revisions(void **state)
{
    static const uint8_t KINDS[] = {GAP_DELIVERY, GAP_LINE};
    for (size_t k = 0; k < 2; k++) {
        struct book *book = book_open(*state, 64);
        uint32_t newest = 0;
        /* 1 to open, 6 within the first 63 min, then one an hour: 1 + 6 + 70 or 71. */
        const size_t n = revisions_of(book, 72 * 3600000, KINDS[k], &newest);
        assert_in_range(n, 70, 80);
        assert_in_range(newest, 25920 - 360, 25920);
        struct stamp now = rig_now(book->rig), oldest = now;
        oldest.boot_ms -= 72 * 3600000;
        if (KINDS[k] == GAP_DELIVERY) {
            ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 100, 26020, &now,
                                CAUSE_NOT_AUTHORISED, NULL);
            book_take(book);
            check_count("another cause at once", book_newest(book, GAP_DELIVERY, 0)->cause_code,
                        CAUSE_NOT_AUTHORISED);
            ledger_see_delivery(book->ledger, "plant-broker", 11, false, NULL, 26020, 26020, &now,
                                CAUSE_NONE, NULL);
        } else {
            book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_PORT_GONE, 0, 0, 0);
            check_count("another cause at once", book_newest(book, GAP_LINE, 0)->cause_code,
                        CAUSE_PORT_GONE);
            book_poll_good(book, 1);
        }
        book_take(book);
        const struct gap *gap = book_newest(book, KINDS[k], 0);
        assert_false(gap->is_open);
        check_count("the end at once, with the whole count", gap->scans,
                    KINDS[k] == GAP_DELIVERY ? 25920 : 25921);
        book_close(book);
    }
}

/* Planted defect: a revision that was not stored is counted as given
 * (ledger-refused-revision-given). */
static void rows_that_were_not_stored_come_again_with_the_same_revision(void **state)
{
    struct book *book = book_open(*state, 64);
    book_poll_good(book, 3);
    book_poll_silent(book, 1);
    const size_t before = book->n;
    ledger_put_back(book->ledger, book->seen + before - 1, 1);
    book_take(book);
    check_count("again", (long long)(book->n - before), 1);
    check_count("revision", book->seen[before].revision, 0);
    book_poll_good(book, 1);
    const struct gap closed = book->seen[book->n - 1];
    assert_false(closed.is_open);
    book_poll_good(book, 3);
    book_take(book);
    book_take(book); /* by now it is forgotten */
    ledger_put_back(book->ledger, &closed, 1);
    const size_t n = book->n;
    book_take(book);
    check_count("a forgotten row as well", (long long)(book->n - n), 1);
    check_count("its revision", book->seen[n].revision, closed.revision);
    book_close(book);
}

/* Planted defect: a pause by order waits for its minute like any slow broker, or its row closes
 * while records still wait. */
static void a_pause_by_order_is_a_gap_at_once_and_ends_when_all_has_come(void **state)
{
    struct book *book = book_open(*state, 64);
    const struct stamp oldest = rig_now(book->rig);
    struct stamp now = oldest;
    for (int second = 0; second <= 12; second++) {
        now.boot_ms = oldest.boot_ms + second * 1000;
        now.utc_ms = oldest.utc_ms + second * 1000;
        ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 100,
                            101 + (uint64_t)second, &now, CAUSE_PAUSED,
                            "Broker plant-broker: the connection is paused until 10 by jana.");
    }
    book_take(book);
    const struct gap *gap = book_newest(book, GAP_DELIVERY, 0);
    assert_non_null(gap);
    assert_true(gap->is_open);
    check_count("start", gap->start.boot_ms, oldest.boot_ms);
    check_count("cause", gap->cause_code, CAUSE_PAUSED);
    /* It is back, and what waited is being sent: the cause stays. */
    ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 104, 113, &now, CAUSE_NONE,
                        "Broker plant-broker: the connection is paused until 10 by jana.");
    ledger_see_delivery(book->ledger, "plant-broker", 11, false, NULL, 113, 113, &now, CAUSE_NONE,
                        NULL);
    book_take(book);
    gap = book_newest(book, GAP_DELIVERY, 0);
    assert_false(gap->is_open);
    assert_false(gap->lost);
    check_count("cause", gap->cause_code, CAUSE_PAUSED);
    check_count("late", gap->scans, 13);
    check_count("all of them came", gap->recovered, 13);
    book_close(book);
}

/* As short as a record may take that is only on its way. Planted defect:
 * ledger-short-pause-uncounted (the row ends when the broker is back, with what was accepted before
 * the pause: nothing). */
static void a_short_pause_counts_what_it_held_back(void **state)
{
    struct book *book = book_open(*state, 64);
    const struct stamp oldest = rig_now(book->rig);
    struct stamp now = oldest;
    for (int second = 0; second <= 7; second++) {
        now.boot_ms = oldest.boot_ms + second * 1000;
        now.utc_ms = oldest.utc_ms + second * 1000;
        ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 100,
                            101 + (uint64_t)second, &now, CAUSE_PAUSED,
                            "Broker plant-broker: the connection is paused until 10 by jana.");
    }
    /* Back; nothing of it has been accepted yet, and the next record is there. */
    ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 100, 109, &now, CAUSE_NONE,
                        "Broker plant-broker: the connection is paused until 10 by jana.");
    book_take(book);
    const struct gap *gap = book_newest(book, GAP_DELIVERY, 0);
    assert_true(gap->is_open);
    check_count("held back", gap->scans, 8);
    /* All of that has come, and the newest is on its way, as always. */
    ledger_see_delivery(book->ledger, "plant-broker", 11, true, &now, 109, 110, &now, CAUSE_NONE,
                        NULL);
    book_take(book);
    gap = book_newest(book, GAP_DELIVERY, 0);
    assert_false(gap->is_open);
    assert_false(gap->lost);
    check_count("late", gap->scans, 9);
    check_count("all of them came", gap->recovered, 9);
    check_count("after", (long long)gap->after_seq, 109);
    book_close(book);
}

/* Planted defect: late records are counted as lost (ledger-late-is-lost), or the row closes while
 * records still wait. */
static void a_delivery_gap_opens_after_a_minute_and_closes_at_the_live_edge(void **state)
{
    struct book *book = book_open(*state, 64);
    const struct stamp oldest = rig_now(book->rig);
    struct stamp now = oldest;
    for (int second = 0; second <= 60; second++) {
        now.boot_ms = oldest.boot_ms + second * 1000;
        now.utc_ms = oldest.utc_ms + second * 1000;
        ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 100,
                            100 + (uint64_t)second / 10, &now, CAUSE_UNREACHABLE, NULL);
    }
    book_take(book);
    assert_null(book_newest(book, GAP_DELIVERY, 0));
    now.boot_ms += 1000;
    now.utc_ms += 1000;
    ledger_see_delivery(book->ledger, "plant-broker", 11, true, &oldest, 100, 107, &now,
                        CAUSE_UNREACHABLE, NULL);
    ledger_see_delivery(book->ledger, "plant-broker", 12, false, NULL, 50, 50, &now,
                        CAUSE_UNREACHABLE, NULL);
    book_take(book);
    const struct gap *gap = book_newest(book, GAP_DELIVERY, 0);
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
    book_take(book);
    assert_true(book_newest(book, GAP_DELIVERY, 0)->is_open);
    ledger_see_delivery(book->ledger, "plant-broker", 11, false, NULL, 108, 108, &now, CAUSE_NONE,
                        NULL);
    book_take(book);
    gap = book_newest(book, GAP_DELIVERY, 0);
    assert_false(gap->is_open);
    check_count("late", gap->scans, 8);
    check_count("all of them came", gap->recovered, 8);
    check_count("before", (long long)gap->before_seq, 100);
    check_count("after", (long long)gap->after_seq, 108);
    check_count("of one well only", (long long)book_revisions(book, GAP_DELIVERY), 2);
    book_close(book);
}

/* Planted defect: no bound, or a count that falls off the table when it is full
 * (ledger-full-drops-counts). */
static void a_full_ledger_says_so_and_still_keeps_the_books(void **state)
{
    struct book *book = book_open(*state, 1);
    book_poll_good(book, 3);
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_CHANNEL_FAULT, QUALITY_GOOD,
                   QUALITY_GOOD);
    book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_CHANNEL_FAULT, QUALITY_GOOD,
                   QUALITY_CHANNEL_FAULT);
    assert_null(book_newest(book, GAP_CHANNEL, 1));
    assert_non_null(strstr(book_newest(book, GAP_CHANNEL, 0)->cause,
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
    book_close(book);
}

static void a_new_run_opens_its_rows_under_its_own_number(void **state)
{
    struct book *book = book_open(*state, 64);
    book_poll_good(book, 3);
    book_poll_silent(book, 1);
    const struct stamp began = rig_now(book->rig);
    ledger_set_run(book->ledger, 7, &began);
    book_poll_good(book, 3);
    book_poll_silent(book, 1);
    assert_true(book_newest(book, GAP_LINE, 0)->run == book->rig->run);
    assert_true(book_newest(book, GAP_LINE, 1)->run == 7);
    book_close(book);
}

int main(void)
{
#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        RIG_TEST(skips_of_a_source_and_cause_are_one_row_until_data_comes),
        RIG_TEST(listening_another_master_and_a_cut_end_with_the_first_question),
        RIG_TEST(polls_put_off_in_a_line_gap_are_a_row_within_it_and_counted_by_it),
        RIG_TEST(gauge_readings_follow_the_polls_that_were_counted),
        RIG_TEST(changed_counts_of_open_rows_go_out_once_a_minute),
        RIG_TEST(three_days_of_outage_are_tens_of_revisions),
        RIG_TEST(rows_that_were_not_stored_come_again_with_the_same_revision),
        RIG_TEST(a_pause_by_order_is_a_gap_at_once_and_ends_when_all_has_come),
        RIG_TEST(a_short_pause_counts_what_it_held_back),
        RIG_TEST(a_delivery_gap_opens_after_a_minute_and_closes_at_the_live_edge),
        RIG_TEST(a_full_ledger_says_so_and_still_keeps_the_books),
        RIG_TEST(a_new_run_opens_its_rows_under_its_own_number),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
