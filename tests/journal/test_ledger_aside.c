/* SPDX-License-Identifier: Apache-2.0
 *
 * test_ledger_aside.c - records that a destination never takes: one row for many, its count, its
 * end, a row a destination.
 *
 * Planted defects that these tests must catch, each seen to fail: a row a record; the row ends with
 * the first record that is accepted, so that a gauge and a drive in turn make a row a poll.
 */
#include "book.h"

#include "check.h"

static void pass(struct book *book, int64_t ms)
{
    book->rig->boot_ms += ms;
    book->rig->utc_ms += ms;
}

static void records_set_aside_are_one_row_while_they_come(void **state)
{
    struct book *book = book_open(*state, 64);
    static const char WHY[] = "Larger than broker plant-broker takes.";
    for (uint64_t seq = 101; seq < 161; seq += 2) { /* each second one is accepted */
        const struct stamp now = rig_now(book->rig);
        ledger_set_aside(book->ledger, "plant-broker", 11, seq, &now, WHY);
        if (seq == 111)
            ledger_set_aside(book->ledger, "second-broker", 11, seq, &now, WHY);
        ledger_end_aside(book->ledger, "plant-broker", 11, seq + 1, &now);
        pass(book, 10000);
    }
    book_take(book);
    const struct gap *gap = book_newest(book, GAP_REFUSED, 0);
    check_count("records", gap->scans, 30);
    check_count("the last before", (long long)gap->before_seq, 100);
    check_text("destination", gap->destination, "plant-broker");
    check_text("cause", gap->cause, WHY);
    assert_true(gap->is_open && !gap->lost);
    check_count("the other destination's", book_newest(book, GAP_REFUSED, 1)->scans, 1);
    pass(book, 9 * 60000);
    struct stamp now = rig_now(book->rig);
    ledger_end_aside(book->ledger, "plant-broker", 11, 200, &now);
    book_take(book);
    assert_true(book_newest(book, GAP_REFUSED, 0)->is_open);
    pass(book, 60000);
    now = rig_now(book->rig);
    ledger_end_aside(book->ledger, "plant-broker", 11, 201, &now);
    book_take(book);
    gap = book_newest(book, GAP_REFUSED, 0);
    assert_false(gap->is_open);
    check_count("the first after", (long long)gap->after_seq, 201);
    assert_true(book_newest(book, GAP_REFUSED, 1)->is_open);
    book_close(book);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(records_set_aside_are_one_row_while_they_come, rig_setup,
                                        rig_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
