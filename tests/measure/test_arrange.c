/* SPDX-License-Identifier: Apache-2.0
 *
 * test_arrange.c - what is found once for a stretch of time is what each moment of it says by
 * itself: over dates of entries and well data, forwards and back, and under another plan.
 *
 * The planted defect that a test must catch stands above it.
 */
#include "well_now.h"

#define DAY_MS INT64_C(86400000)

static uint64_t random_state = 20311;

static uint64_t below(uint64_t n)
{
    random_state = random_state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (random_state >> 33) % n;
}

/** A gauge that was changed for one without a discharge pressure, a drive that came later, and well
 * data of four dates; the third states no liquid rate, the last no density. */
static void make_dated(struct made *made, struct well_data *data)
{
    made_scaled_16(&made->maps[2]);
    for (unsigned i = 0; i < made->maps[2].n_channels; i++)
        if (made->maps[2].channel[i].point == POINT_DISCHARGE_PRESSURE)
            made->maps[2].channel[i].point = POINT_CASING_HEAD_PRESSURE;
    made->plan.n_maps = 3;
    made_entry(made, SOURCE_GAUGE, 0);
    made_entry(made, SOURCE_DRIVE, 1);
    made->entries[SOURCE_GAUGE][1] = made->entries[SOURCE_GAUGE][0];
    made->entries[SOURCE_GAUGE][1].map = 2;
    made->entries[SOURCE_GAUGE][1].from_utc_ms = MADE_UTC_MS + 5 * DAY_MS;
    made->well.n_entries[SOURCE_GAUGE] = 2;
    made->entries[SOURCE_DRIVE][0].from_utc_ms = MADE_UTC_MS + 2 * DAY_MS;
    for (unsigned i = 0; i < 4; i++) {
        data[i] = DATA;
        data[i].from_utc_ms = MADE_UTC_MS + (int64_t)i * 40 * DAY_MS;
        data[i].statistics_coverage_ratio = i == 1 ? 0.75 : (double)NAN;
    }
    data[2].liquid_rate_m3_d = NAN;
    data[3].oil_gravity_api = NAN;
    made->well.data = data;
    made->well.n_data = 4;
}

static void check_moment(struct arrangement *arranged, const struct made *made, int64_t utc_ms)
{
    const struct plan *plan = &made->plan;
    const struct well_plan *well = &made->well;
    (void)arrangement_at(arranged, plan, well, utc_ms);
    const struct well_setting setting = well_setting_at(well, utc_ms);
    assert_ptr_equal(arranged->setting.data, setting.data);
    assert_int_equal(arranged->setting.rate_is_old, setting.rate_is_old);
    assert_memory_equal(arranged->setting.datum, setting.datum, sizeof setting.datum);
    assert_memory_equal(&arranged->setting.density_kg_m3, &setting.density_kg_m3, sizeof(double));
    unsigned at = 0;
    for (size_t i = 0; i < derived_count(); i++) {
        const uint8_t source = derived_source(i, plan, well, utc_ms);
        uint16_t points[INPUTS_MAX];
        if (source == SOURCE_NONE)
            continue;
        assert_true(at < arranged->n);
        const struct arranged_row *row = &arranged->row[at++];
        check_count("row", row->index, (int64_t)i);
        check_count("source", row->source, source);
        check_count("inputs", row->n, (int64_t)derived_inputs(i, plan, well, utc_ms, points));
        for (unsigned k = 0; k < row->n; k++) {
            struct input input = {0};
            uint8_t of;
            input_describe(&input, points[k], well_channel(plan, well, points[k], utc_ms, &of));
            check_count("point", row->input[k].point, points[k]);
            check_count("of", row->input[k].source, of);
            check_count("reference", row->input[k].reference, input.reference);
            check_count("detector", row->input[k].detector, input.detector);
            check_count("side", row->input[k].side, input.side);
        }
    }
    check_count("rows", arranged->n, at);
}

/* Planted defects: measure-arranged-for-ever, measure-arranged-rate-stays-new. */
static void a_stretch_says_what_each_of_its_moments_says(void **state)
{
    (void)state;
    struct made *made = made_new();
    struct well_data data[4];
    struct arrangement *arranged = calloc(1, sizeof *arranged);
    assert_non_null(arranged);
    make_dated(made, data);
    const int64_t dates[] = {made->entries[SOURCE_GAUGE][0].from_utc_ms,
                             made->entries[SOURCE_GAUGE][1].from_utc_ms,
                             made->entries[SOURCE_DRIVE][0].from_utc_ms,
                             data[0].from_utc_ms,
                             data[1].from_utc_ms,
                             data[2].from_utc_ms,
                             data[3].from_utc_ms,
                             data[0].from_utc_ms + MEASURE_RATE_HOLDS_MS,
                             data[1].from_utc_ms + MEASURE_RATE_HOLDS_MS};
    for (unsigned i = 0; i < 2000; i++) {
        int64_t utc_ms = MADE_UTC_MS + (int64_t)below(200) * DAY_MS - 20 * DAY_MS;
        if (below(2) == 0) /* at a date, or a millisecond beside it */
            utc_ms = dates[below(sizeof dates / sizeof *dates)] + (int64_t)below(3) - 1;
        check_moment(arranged, made, utc_ms);
    }
    check_moment(arranged, made, INT64_MIN / 4);
    check_moment(arranged, made, INT64_MAX / 4);
    free(arranged);
    made_free(made);
}

/* Planted defect: measure-arranged-for-any-plan. */
static void another_plan_in_the_same_place_is_another(void **state)
{
    (void)state;
    struct made *made = made_new();
    made_entry(made, SOURCE_DRIVE, 1);
    made_polls(made, 0, 60000);
    check_count("rise", made_quality(made, POINT_MOTOR_TEMPERATURE_RISE), QUALITY_GOOD);
    for (unsigned i = 0; i < made->maps[0].n_channels; i++) /* the winding's sensor is no more */
        if (made->maps[0].channel[i].point == POINT_MOTOR_WINDING_TEMPERATURE)
            made->maps[0].channel[i].point = POINT_NONE;
    made->plan.digest_32++;
    made_polls(made, 60000, 120000);
    for (unsigned i = 0; i < made->record.n; i++)
        assert_int_not_equal(made->record.reading[i].point, POINT_MOTOR_TEMPERATURE_RISE);
    made_free(made);
}

/** Pump head by hand: (18230 - 12345) kPa as a column of the density, 9.80665 m/s2 (NIST SP 811
 * (2008) app. B). Planted defect: measure-arranged-for-ever. */
static void a_density_holds_from_its_date_on_and_not_before(void **state)
{
    (void)state;
    struct made *made = made_new();
    struct well_data data[2] = {DATA, DATA};
    for (unsigned i = 0; i < 2; i++) {
        data[i].from_utc_ms = MADE_UTC_MS + (int64_t)i * 80000;
        data[i].liquid_density_kg_m3 = i == 0 ? 980 : 1020;
    }
    made->well.data = data;
    made->well.n_data = 2;
    made_entry(made, SOURCE_DRIVE, 1);
    made->drive[0] = 5000;
    made->drive[1] = 11;
    for (int64_t ms = 0; ms < 140000; ms += 10000) {
        struct scan scan = made_drive_scan(made, ms);
        made_measure(made, &scan);
        made_poll(made, ms + 500);
        if (ms >= 40000)
            check_close("head", made_value(made, POINT_PUMP_HEAD),
                        1000.0 * (18230 - 12345) / ((ms < 80000 ? 980 : 1020) * 9.80665), 1e-9);
    }
    made_free(made);
}

static void there_is_room_for_all_derived_points(void **state)
{
    (void)state;
    assert_true(derived_count() <= DERIVED_MAX && DERIVED_MAX < 256);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stretch_says_what_each_of_its_moments_says),
        cmocka_unit_test(another_plan_in_the_same_place_is_another),
        cmocka_unit_test(a_density_holds_from_its_date_on_and_not_before),
        cmocka_unit_test(there_is_room_for_all_derived_points),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
