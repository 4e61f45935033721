/* SPDX-License-Identifier: Apache-2.0
 *
 * test_order.c - orders in the journal, the corrected time of a row, and which rows an interval
 * means. Figures: TIM-024 to TIM-029 and TIM-034 are project rules, TIM-027's by hand: 17:35:00
 * less (95.0 - 12.0) s.
 */
#include "support.h"

#include "check.h"

#include <stdlib.h>

#define SET_UTC_MS INT64_C(1795628100000) /* 2026-11-25T17:35:00Z, by RFC 3339's arithmetic */

static struct scan row_at(int64_t boot_ms, int64_t utc_ms, uint8_t clock)
{
    return (struct scan){
        .pos = 5, .begun = {.boot_ms = boot_ms, .utc_ms = utc_ms, .boot = 0xb007, .clock = clock}};
}

static struct row_order set_order(void)
{
    return (struct row_order){.pos = 90,
                              .kind = ORDER_TIMES,
                              .from = 2,
                              .to = 80,
                              .revision = 1,
                              .set = {.utc_ms = SET_UTC_MS,
                                      .boot_ms = 95000,
                                      .boot = 0xb007,
                                      .clock = CLOCK_STATE_SYNCHRONISED}};
}

static void tim_027_a_row_gets_the_set_instant_less_what_passed_since(void **state)
{
    (void)state;
    const struct row_order order = set_order();
    const struct scan row = row_at(12000, 12000, CLOCK_STATE_NEVER_SET);
    struct stamp at;
    char text[STAMP_TEXT_MAX];
    assert_true(order_corrects(&order, &row, &at));
    assert_string_equal(stamp_to_text(at.utc_ms, text), "2026-11-25T17:33:37.000Z");
    assert_int_equal(at.boot_ms, 12000);
    assert_int_equal(at.clock, CLOCK_STATE_SYNCHRONISED);
}

/** Planted defect, seen: rows of another boot corrected. */
static void no_row_of_another_boot_outside_the_range_or_of_another_kind_is_corrected(void **state)
{
    (void)state;
    struct row_order order = set_order();
    struct scan row = row_at(12000, 12000, CLOCK_STATE_NEVER_SET);
    struct stamp at;
    row.begun.boot = 0xb008;
    assert_false(order_corrects(&order, &row, &at));
    row.begun.boot = 0xb007;
    row.pos = 81;
    assert_false(order_corrects(&order, &row, &at));
    row.pos = 1;
    assert_false(order_corrects(&order, &row, &at));
    row.pos = 80;
    assert_true(order_corrects(&order, &row, &at));
    order.kind = ORDER_RESEND;
    assert_false(order_corrects(&order, &row, &at));
}

static void only_a_label_that_is_more_than_a_second_off_is_corrected(void **state)
{
    (void)state;
    const struct row_order order = set_order();
    const int64_t right = SET_UTC_MS - 83000;
    static const struct {
        int64_t off_ms;
        uint8_t clock;
        bool corrected;
    } ROWS[] = {
        {1001, CLOCK_STATE_UNSYNCHRONISED, true},     {-1001, CLOCK_STATE_UNSYNCHRONISED, true},
        {1000, CLOCK_STATE_UNSYNCHRONISED, false},    {14, CLOCK_STATE_UNSYNCHRONISED, false},
        {3600000, CLOCK_STATE_SYNCHRONISED, false},   {3600000, CLOCK_STATE_HOLDOVER, false},
        {-3600000, CLOCK_STATE_UNSYNCHRONISED, true}, {0, CLOCK_STATE_NEVER_SET, true},
    };
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct stamp at;
        const struct scan row = row_at(12000, right + ROWS[i].off_ms, ROWS[i].clock);
        if (order_corrects(&order, &row, &at) != ROWS[i].corrected)
            fail_msg("row %zu", i);
    }
}

/* ---- on disk ---- */

static void append(struct rig *rig, struct scan *scans, size_t n_scans, struct row_order *orders,
                   size_t n_orders)
{
    struct up_error error = {0};
    struct batch batch = {
        .scans = scans, .n_scans = n_scans, .orders = orders, .n_orders = n_orders};
    if (journal_append(rig->journal, &batch, &error) != UP_OK)
        fail_msg("%s", error.why);
}

static struct journal_reader *reader_of(const struct rig *rig)
{
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    if (journal_reader_open(rig->directory, &reader, &error) != UP_OK)
        fail_msg("%s", error.why);
    return reader;
}

static struct row_order resend_order(const char *destination, uint16_t well)
{
    struct row_order order = {.kind = ORDER_RESEND,
                              .well = well,
                              .from = 3,
                              .to = 700,
                              .from_seq = 1,
                              .to_seq = 1203,
                              .reason = "the historian was away",
                              .by = "operations engineer (jana)"};
    snprintf(order.destination, sizeof order.destination, "%s", destination);
    return order;
}

static void an_order_is_found_again_by_whom_it_concerns(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    struct row_order orders[3] = {resend_order("plant-broker", 1), resend_order("far-broker", 2),
                                  set_order()};
    orders[2].pos = 0;
    append(rig, NULL, 0, orders, 3);
    assert_true(orders[0].pos > 0 && orders[1].pos == orders[0].pos + 1 &&
                orders[2].as_of == orders[2].pos);
    struct row_order found;
    assert_int_equal(journal_next_order(rig->journal, 0, "plant-broker", 1, &found, NULL), UP_OK);
    assert_int_equal(found.pos, orders[0].pos);
    assert_string_equal(found.by, "operations engineer (jana)");
    assert_string_equal(found.reason, "the historian was away");
    assert_true(found.from == 3 && found.to == 700 && found.to_seq == 1203 && found.well == 1);
    assert_int_equal(journal_next_order(rig->journal, found.pos, "plant-broker", 1, &found, NULL),
                     UP_OK);
    assert_true(found.pos == orders[2].pos && found.kind == ORDER_TIMES &&
                memcmp(&found.set, &orders[2].set, sizeof found.set) == 0);
    assert_int_equal(journal_next_order(rig->journal, found.pos, "plant-broker", 1, &found, NULL),
                     UP_OK);
    assert_int_equal(found.pos, 0);
    assert_int_equal(journal_next_order(rig->journal, 0, "plant-broker", 2, &found, NULL), UP_OK);
    assert_int_equal(found.pos, orders[2].pos);
    /* A restart finds them, and the counter of pos is beyond them. */
    rig_kill(rig);
    rig_start(rig, BOOT_B);
    assert_true(journal_newest_pos(rig->journal) > orders[2].pos);
    assert_int_equal(journal_newest_times(rig->journal, &found, NULL), UP_OK);
    assert_int_equal(found.pos, orders[2].pos);
    struct boot_begin begin;
    assert_int_equal(journal_boot_begins(rig->journal, &begin, NULL), UP_OK);
    assert_true(begin.run == rig->run && begin.pos > orders[2].pos);
}

/** Planted defect, seen: the check isn't looked at. */
static void an_order_whose_row_was_changed_is_not_obeyed(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    struct row_order order = resend_order("plant-broker", 1), found;
    append(rig, NULL, 0, &order, 1);
    rig_execute(rig, "UPDATE \"order\" SET range = replace(range, 'rows=3', 'rows=1')");
    assert_int_equal(journal_next_order(rig->journal, 0, "plant-broker", 1, &found, NULL), UP_OK);
    assert_int_equal(found.pos, 0);
    struct journal_reader *reader = reader_of(rig);
    struct up_error error = {0};
    assert_int_equal(journal_read_order(reader, order.pos, &found, &error), UP_E_DISK);
    assert_non_null(strstr(error.why, "checksum"));
    assert_int_equal(journal_read_order(reader, 9999, &found, &error), UP_E_MISSING);
    journal_reader_close(reader);
}

/** Three boots of 200 rows of two wells, interleaved; the second one's clock was set at its end. */
static void append_three_boots(struct rig *rig, struct scan *rows)
{
    static const char *const BOOTS[3] = {BOOT_A, BOOT_B, BOOT_A};
    for (size_t boot = 0; boot < 3; boot++) {
        rig->boot_ms = 20000;
        rig->utc_ms = boot == 2 ? UTC_START : 1000;
        rig->clock_state = boot == 2 ? CLOCK_STATE_SYNCHRONISED : CLOCK_STATE_NEVER_SET;
        rig_start(rig, BOOTS[boot]);
        for (size_t i = 0; i < 200; i++) {
            struct scan *row = &rows[boot * 200 + i];
            *row = rig_scan(rig, i % 2 == 0 ? 0 : 1, SOURCE_GAUGE, OUTCOME_ANSWERED);
            rig_append(rig, row, 1);
            rig->utc_ms += 5000;
            rig->boot_ms += 5000;
        }
        if (boot == 1) {
            struct row_order order = set_order();
            order.pos = 0, order.from = rows[200].pos, order.to = rows[399].pos;
            order.set.boot = rig->clock.boot, order.set.boot_ms = rig->boot_ms;
            order.set.utc_ms = UTC_START - 3600000;
            append(rig, NULL, 0, &order, 1);
        }
        if (boot < 2)
            rig_kill(rig);
    }
}

static void a_reader_gives_each_row_its_time_and_finds_it_by_that(void **state)
{
    struct rig *rig = *state;
    struct scan *rows = calloc(3 * 200, sizeof *rows);
    append_three_boots(rig, rows);
    struct journal_reader *reader = reader_of(rig);
    for (size_t i = 0; i < 600; i++) {
        struct stamp at;
        uint32_t revision = 9;
        assert_int_equal(journal_time_of(reader, &rows[i], &at, &revision, NULL), UP_OK);
        const bool is_set = i >= 200 && i < 400;
        if (revision != is_set)
            fail_msg("row %zu has revision %u", i, revision);
        assert_true(at.utc_ms == (is_set ? UTC_START - 3600000 - 5000 * (int64_t)(400 - i)
                                         : rows[i].begun.utc_ms));
    }
    /* By time: rows 10 to 20 of the second boot, those of heron-7 (even). */
    struct row_range range;
    const int64_t tenth = UTC_START - 3600000 - 5000 * 190;
    assert_int_equal(
        journal_range_of_time(reader, rows[210].well, tenth, tenth + 50000, &range, NULL), UP_OK);
    assert_true(range.from == rows[210].pos && range.to == rows[220].pos);
    assert_true(range.from_seq == rows[210].seq && range.to_seq == rows[220].seq &&
                range.to_run == rows[220].run);
    assert_int_equal(
        journal_range_of_time(reader, rows[210].well, tenth + 1, tenth + 2, &range, NULL), UP_OK);
    assert_int_equal(range.from, 0);
    /* By seq, against the rows themselves. */
    for (size_t i = 0; i < 600; i += 7) {
        assert_int_equal(journal_range_of_seq(reader, rows[i].well, rows[i].seq,
                                              rows[598 + i % 2].seq, &range, NULL),
                         UP_OK);
        assert_true(range.from == rows[i].pos && range.from_run == rows[i].run &&
                    range.to == rows[598 + i % 2].pos);
    }
    assert_int_equal(journal_range_of_seq(reader, rows[0].well, 1, 301, &range, NULL), UP_OK);
    assert_int_equal(range.from, 0); /* there is no 301 */
    journal_reader_close(reader);
    free(rows);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tim_027_a_row_gets_the_set_instant_less_what_passed_since),
        cmocka_unit_test(no_row_of_another_boot_outside_the_range_or_of_another_kind_is_corrected),
        cmocka_unit_test(only_a_label_that_is_more_than_a_second_off_is_corrected),
        cmocka_unit_test_setup_teardown(an_order_is_found_again_by_whom_it_concerns, rig_setup,
                                        rig_teardown),
        cmocka_unit_test_setup_teardown(an_order_whose_row_was_changed_is_not_obeyed, rig_setup,
                                        rig_teardown),
        cmocka_unit_test_setup_teardown(a_reader_gives_each_row_its_time_and_finds_it_by_that,
                                        rig_setup, rig_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
