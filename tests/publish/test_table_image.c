/* SPDX-License-Identifier: Apache-2.0
 *
 * test_table_image.c - what stands in the registers: layout golden, float words, units, missing
 * values, ages, the image counter.
 *
 * Float words are checked against IEEE 754-2019 bit patterns worked out outside this program (rows
 * DEC-053 to DEC-056 and DEC-061 of the project's table of decodings); units against NIST SP 811
 * (2008) appendix B factors.
 */
#include "check.h"
#include "table_fixture.h"

#include "uphole/wire.h"

struct state {
    struct plan *plan;
    struct table_image *image;
};

static int set_up(void **state)
{
    static struct state own;
    own.plan = fixture_plan();
    own.image = table_image_create(own.plan, own.plan->destinations);
    *state = &own;
    return own.image == NULL;
}

static int tear_down(void **state)
{
    struct state *own = *state;
    table_image_destroy(own->image);
    fixture_free(own->plan);
    return 0;
}

static void put(struct state *own, const struct snapshot *snapshot, int64_t now_ms)
{
    const struct table_header header = fixture_header();
    table_image_put(own->image, snapshot, &header, now_ms);
}

static void check_register(struct state *own, uint8_t unit, uint16_t at, uint16_t want)
{
    char what[64];
    snprintf(what, sizeof what, "unit id %u register %u", unit, at);
    check_count(what, table_image_register(own->image, unit, at), want);
}

static double value_of(struct state *own, uint8_t unit, unsigned point)
{
    uint32_t high = table_image_register(own->image, unit, slot(point, 0));
    uint32_t low = table_image_register(own->image, unit, slot(point, 1));
    bool low_first = unit == METRIC_LOW || unit == US_LOW;
    return (double)float_from_bits(low_first ? low << 16 | high : high << 16 | low);
}

static void the_header_is_the_published_layout(void **state)
{
    struct snapshot snapshot = fixture_snapshot(7);
    put(*state, &snapshot, FIXTURE_NOW_MS);
    /* 1929852005120 ms is 0x000001C1 0x5424AB00, seq 88120 is 0x00015838, heartbeat 70000 is
     * 0x11170. */
    static const uint16_t high_first[32] = {
        1,      1,      0x47F1, 0x2000, 1,      1,      1,      1, 0x1170, 10, 0,
        0x01C1, 0x5424, 0xAB00, 0,      0,      1,      0x5838, 5, 6,      0,  1,
        1,      0x2345, 2,      391,    0xA07B, 0x44E8, 2,      1, 1,      0};
    for (uint16_t r = 0; r < 32; r++)
        check_register(*state, METRIC_HIGH, r, high_first[r]);
    check_register(*state, METRIC_LOW, 2, 0x2000);
    check_register(*state, METRIC_LOW, 3, 0x47F1);
    check_register(*state, METRIC_LOW, 10, high_first[13]);
    check_register(*state, METRIC_LOW, 13, 0);
    check_register(*state, METRIC_LOW, 14, 0x5838);
    check_register(*state, METRIC_LOW, 15, 1);
    check_register(*state, METRIC_LOW, 22, 0x2345);
    check_register(*state, METRIC_LOW, 26, 0x44E8);
    check_register(*state, US_HIGH, 30, 2);
    check_register(*state, OWN_HIGH, 30, 3);
}

/* Planted defect: words of float32 swapped in the low-word-first view's twin. */
static void float_words_stand_in_the_order_of_the_view(void **state)
{
    static const struct {
        double value;
        uint16_t high, low;
    } rows[] = {
        {12345.0, 0x4640, 0xE400},  /* DEC-053, DEC-054, DEC-061 */
        {7520.112, 0x45EB, 0x00E5}, /* DEC-055 */
        {-0.05, 0xBD4C, 0xCCCD},    /* DEC-056 */
        {-0.0, 0x0000, 0x0000},     /* DEC-019: publish 0 */
        {-1e-60, 0x0000, 0x0000},   /* no float32: 0, without a sign */
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct snapshot snapshot = fixture_snapshot(7);
        fixture_reading(&snapshot, 1)->value = rows[i].value;
        put(*state, &snapshot, FIXTURE_NOW_MS);
        check_register(*state, METRIC_HIGH, slot(1, 0), rows[i].high);
        check_register(*state, METRIC_HIGH, slot(1, 1), rows[i].low);
        check_register(*state, METRIC_LOW, slot(1, 0), rows[i].low);
        check_register(*state, METRIC_LOW, slot(1, 1), rows[i].high);
        check_register(*state, METRIC_HIGH, slot(1, 2), 192);
    }
}

static void each_view_has_its_own_units(void **state)
{
    struct snapshot snapshot = fixture_snapshot(7);
    put(*state, &snapshot, FIXTURE_NOW_MS);
    /* 12345 kPa / 6.894757293168361 = 1790.4909... psi; / 98.0665 = 125.88396... kgf/cm2 (NIST SP
     * 811); 87.4 degC = 189.32 degF. */
    check_close_relative("psi", value_of(*state, US_HIGH, 1), 12345.0 / 6.894757293168361, 6e-8);
    check_close_relative("psi", value_of(*state, US_LOW, 1), 12345.0 / 6.894757293168361, 6e-8);
    check_close_relative("kgf/cm2", value_of(*state, OWN_HIGH, 1), 12345.0 / 98.0665, 6e-8);
    check_close_relative("degF", value_of(*state, US_HIGH, 3), 189.32, 6e-8);
    check_close_relative("degC", value_of(*state, METRIC_HIGH, 3), 87.4, 6e-8);
}

/* Planted defect: a missing value written as 0.0 (table-missing-is-zero). Row QUA-045: 0x7FC0
 * 0x0000 in float tables. */
static void a_point_without_value_is_nan_and_never_zero(void **state)
{
    struct snapshot snapshot = fixture_snapshot(7);
    static const uint8_t without[] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14};
    for (size_t i = 0; i < sizeof without; i++) {
        fixture_reading(&snapshot, 1)->quality = without[i];
        put(*state, &snapshot, FIXTURE_NOW_MS);
        for (uint8_t unit = METRIC_HIGH; unit <= OWN_HIGH; unit++)
            assert_true(isnan(value_of(*state, unit, 1)));
        check_register(*state, METRIC_HIGH, slot(1, 0), 0x7FC0);
        check_register(*state, METRIC_HIGH, slot(1, 1), 0x0000);
        check_register(*state, METRIC_HIGH, slot(1, 2), without[i]);
        assert_true(value_of(*state, NUMBER_HIGH, 1) == -9999.0);
    }
}

static void the_last_value_stands_only_where_the_view_asks_and_keeps_its_mark(void **state)
{
    struct snapshot snapshot = fixture_snapshot(7);
    for (uint8_t quality = 0; quality <= QUALITY_STARTING; quality++) {
        fixture_reading(&snapshot, 1)->quality = quality;
        put(*state, &snapshot, FIXTURE_NOW_MS);
        bool keeps = quality == QUALITY_LINE_DOWN || quality == QUALITY_GAUGE_SILENT;
        if (keeps)
            assert_true(value_of(*state, LAST_HIGH, 1) == 12345.0);
        else
            assert_true(isnan(value_of(*state, LAST_HIGH, 1)));
        check_register(*state, LAST_HIGH, slot(1, 2), quality);
    }
}

static void an_uncertain_value_is_shown_with_its_reason(void **state)
{
    struct snapshot snapshot = fixture_snapshot(7);
    for (uint8_t quality = QUALITY_STALE; quality <= QUALITY_NOT_JOURNALED; quality++) {
        fixture_reading(&snapshot, 1)->quality = quality;
        put(*state, &snapshot, FIXTURE_NOW_MS);
        assert_true(value_of(*state, METRIC_HIGH, 1) == 12345.0);
        check_register(*state, METRIC_HIGH, slot(1, 2), quality);
        check_register(*state, METRIC_HIGH, 20, 1); /* points_uncertain */
    }
}

/* Planted defect: Good kept for a value that is no number (table-no-number-is-good). */
static void a_number_that_is_none_is_never_good(void **state)
{
    static const double none[] = {NAN, INFINITY, -INFINITY, 1e300};
    for (size_t i = 0; i < sizeof none / sizeof *none; i++) {
        struct snapshot snapshot = fixture_snapshot(7);
        fixture_reading(&snapshot, 1)->value = none[i];
        put(*state, &snapshot, FIXTURE_NOW_MS);
        assert_true(isnan(value_of(*state, METRIC_HIGH, 1)));
        check_register(*state, METRIC_HIGH, slot(1, 2), QUALITY_IMPOSSIBLE);
    }
}

static void points_without_a_register_in_the_map_are_not_mapped(void **state)
{
    struct state *own = *state;
    check_register(own, METRIC_HIGH, slot(1, 2), QUALITY_NO_DATA); /* mapped, nothing read yet */
    check_register(own, METRIC_HIGH, slot(4, 2), QUALITY_NOT_MAPPED);
    struct snapshot snapshot = fixture_snapshot(7);
    put(own, &snapshot, FIXTURE_NOW_MS);
    check_register(own, METRIC_HIGH, slot(4, 0), 0x7FC0);
    check_register(own, METRIC_HIGH, slot(4, 2), QUALITY_NOT_MAPPED);
    check_register(own, METRIC_HIGH, slot(4, 3), 65535);
}

static void before_the_first_scan_nothing_looks_live(void **state)
{
    struct snapshot snapshot = fixture_snapshot(7);
    snapshot.seq = 0;
    snapshot.newest = (struct stamp){0};
    for (unsigned i = 0; i < snapshot.n; i++) {
        snapshot.reading[i].quality = QUALITY_NO_DATA;
        snapshot.reading[i].fresh_boot_ms = INT64_MIN;
        snapshot.reading[i].value = NAN;
    }
    put(*state, &snapshot, FIXTURE_NOW_MS);
    for (uint16_t r = 10; r <= 17; r++)
        check_register(*state, METRIC_HIGH, r, 0);
    check_register(*state, METRIC_HIGH, 18, 65535);
    check_register(*state, METRIC_HIGH, slot(1, 2), 0);
    check_register(*state, METRIC_HIGH, slot(1, 3), 65535);
}

static void a_clock_that_was_never_set_gives_no_time(void **state)
{
    struct snapshot snapshot = fixture_snapshot(7);
    snapshot.newest.clock = CLOCK_STATE_NEVER_SET;
    put(*state, &snapshot, FIXTURE_NOW_MS);
    for (uint16_t r = 10; r <= 13; r++)
        check_register(*state, METRIC_HIGH, r, 0);
    check_register(*state, METRIC_HIGH, 17, 0x5838); /* the seq stands all the same */
}

static void ages_round_up_and_stop_at_65534(void **state)
{
    static const struct {
        int64_t age_ms;
        uint16_t want;
    } rows[] = {{0, 0},
                {1, 1},
                {999, 1},
                {1000, 1},
                {1001, 2},
                {28400, 29},
                {65533000, 65533},
                {65533001, 65534},
                {65534001, 65534},
                {900000000, 65534},
                {-1, 0}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct snapshot snapshot = fixture_snapshot(7);
        fixture_reading(&snapshot, 1)->fresh_boot_ms = 0;
        fixture_reading(&snapshot, 1)->stale_limit_ms = 0;
        snapshot.newest.boot_ms = 0;
        put(*state, &snapshot, rows[i].age_ms);
        check_register(*state, METRIC_HIGH, slot(1, 3), rows[i].want);
        check_register(*state, METRIC_HIGH, 18, rows[i].want);
    }
}

/* Planted defect: the stale limit never looked at on the SCADA side (table-stale-limit-unlooked).
 */
static void a_value_turns_stale_with_age_and_nothing_else_changes(void **state)
{
    struct snapshot snapshot = fixture_snapshot(7); /* fresh 5 s before, limit 48 s */
    put(*state, &snapshot, FIXTURE_NOW_MS + 43000);
    check_register(*state, METRIC_HIGH, slot(1, 2), 192);
    put(*state, &snapshot, FIXTURE_NOW_MS + 43001);
    check_register(*state, METRIC_HIGH, slot(1, 2), 64);
    assert_true(value_of(*state, METRIC_HIGH, 1) == 12345.0);
    check_register(*state, METRIC_HIGH, slot(2, 2), 2); /* a reason that comes first stays */
    check_register(*state, METRIC_HIGH, 19, 4);
    check_register(*state, METRIC_HIGH, 20, 2);
}

/* Planted defects: a counter that stands still (table-counter-stands); one that ages move
 * (table-counter-of-ages). */
static void the_image_counter_moves_with_any_change_but_ages(void **state)
{
    struct state *own = *state;
    struct snapshot snapshot = fixture_snapshot(7);
    put(own, &snapshot, FIXTURE_NOW_MS);
    uint16_t before = table_image_register(own->image, METRIC_HIGH, 28);
    put(own, &snapshot, FIXTURE_NOW_MS + 7000);
    check_register(own, METRIC_HIGH, 28, before);
    fixture_reading(&snapshot, 3)->value = 87.5;
    put(own, &snapshot, FIXTURE_NOW_MS + 7000);
    for (uint8_t unit = METRIC_HIGH; unit <= NUMBER_HIGH; unit++)
        check_register(own, unit, 28, (uint16_t)(before + 1));
    put(own, &snapshot, FIXTURE_NOW_MS + 50000); /* turns stale */
    check_register(own, METRIC_HIGH, 28, (uint16_t)(before + 2));
    struct table_header header = fixture_header();
    header.heartbeat++;
    table_image_put(own->image, &snapshot, &header, FIXTURE_NOW_MS + 50000);
    check_register(own, METRIC_HIGH, 28, (uint16_t)(before + 3));
}

static void blocks_stand_where_the_configuration_says_and_others_read_zero(void **state)
{
    struct state *own = *state;
    struct snapshot snapshot = fixture_snapshot(8);
    put(own, &snapshot, FIXTURE_NOW_MS);
    check_register(own, METRIC_HIGH, 2 * 512 + 1, 3);
    check_register(own, METRIC_HIGH, (uint16_t)(2 * 512 + slot(1, 0)), 0x4640);
    for (uint16_t r = 512; r < 1024; r++)
        check_register(own, METRIC_HIGH, r, 0);      /* block 1: no such well */
    check_register(own, METRIC_HIGH, slot(1, 2), 0); /* heron-7 hasn't been read */
    for (uint16_t r = TABLE_FIRST_SLOT + TABLE_SLOT_REGISTERS * (POINT_COUNT - 1); r < 512; r++)
        check_register(own, METRIC_HIGH, r, 0); /* no points there yet */
}

static void a_snapshot_of_an_unknown_well_changes_nothing(void **state)
{
    struct snapshot snapshot = fixture_snapshot(99);
    put(*state, &snapshot, FIXTURE_NOW_MS);
    check_register(*state, METRIC_HIGH, slot(1, 2), QUALITY_NO_DATA);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(the_header_is_the_published_layout),
        TEST(float_words_stand_in_the_order_of_the_view),
        TEST(each_view_has_its_own_units),
        TEST(a_point_without_value_is_nan_and_never_zero),
        TEST(the_last_value_stands_only_where_the_view_asks_and_keeps_its_mark),
        TEST(an_uncertain_value_is_shown_with_its_reason),
        TEST(a_number_that_is_none_is_never_good),
        TEST(points_without_a_register_in_the_map_are_not_mapped),
        TEST(before_the_first_scan_nothing_looks_live),
        TEST(a_clock_that_was_never_set_gives_no_time),
        TEST(ages_round_up_and_stop_at_65534),
        TEST(a_value_turns_stale_with_age_and_nothing_else_changes),
        TEST(the_image_counter_moves_with_any_change_but_ages),
        TEST(blocks_stand_where_the_configuration_says_and_others_read_zero),
        TEST(a_snapshot_of_an_unknown_well_changes_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
