/* SPDX-License-Identifier: Apache-2.0
 *
 * test_step.c - freeze and rate of change, which count refreshes and never polls: SIG-017 to
 * SIG-026.
 *
 * The source of all is a rule of the project on top of common practice (28 s refresh: common
 * practice, no source).
 */
#include "made.h"

static struct source_entry *entry_of(struct made *made)
{
    return &made->entries[SOURCE_GAUGE][0];
}

/** A unit with intake pressure (0.001 MPa a count) and intake temperature only. */
static struct made *made_two_channels(void)
{
    struct made *made = made_new();
    struct map *map = &made->maps[0];
    map->channel[1] = map->channel[2]; /* intake temperature */
    map->n_channels = 2;
    return made;
}

/* ---- freeze ---- */

static void a_frozen_scan_is_told_by_refreshes_of_all_channels(void **state)
{
    (void)state;
    static const struct {
        const char *id;
        unsigned n;
        struct {
            uint16_t pressure, temperature;
            uint8_t expected;
        } frame[7];
    } ROWS[] = {
        {"SIG-017",
         7,
         {{7512, 881, 192},
          {7513, 881, 192},
          {7513, 881, 192},
          {7513, 881, 192},
          {7513, 881, 192},
          {7513, 881, 67},
          {7513, 882, 192}}},
        {"SIG-018",
         6,
         {{7512, 881, 192},
          {7513, 881, 192},
          {7512, 881, 192},
          {7513, 881, 192},
          {7514, 881, 192},
          {7513, 881, 192}}},
    };
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct made *made = made_two_channels();
        entry_of(made)->freeze_after = 4;
        entry_of(made)->poll_every_ms = 28000;
        entry_of(made)->stale_limit_ms = 84200;
        int64_t ms = 0;
        for (; ms < 3 * 28000; ms += 28000)
            made_poll(made, ms); /* live */
        for (unsigned k = 0; k < ROWS[i].n; k++, ms += 28000) {
            made->unit[INTAKE_PRESSURE_AT] = ROWS[i].frame[k].pressure;
            made->unit[INTAKE_TEMPERATURE_AT] = ROWS[i].frame[k].temperature;
            made_poll(made, ms);
            check_count(ROWS[i].id, made_quality(made, POINT_INTAKE_PRESSURE),
                        ROWS[i].frame[k].expected);
            check_count(ROWS[i].id, made_quality(made, POINT_INTAKE_TEMPERATURE),
                        ROWS[i].frame[k].expected);
        }
        made_free(made);
    }
}

static void frozen_is_counted_in_refreshes_not_polls(void **state)
{
    (void)state; /* SIG-019: 40 refreshes are 1,120 s. Planted defect: counts equal polls
                    (measure-freeze-by-polls). */
    struct made *made = made_two_channels();
    entry_of(made)->poll_every_ms = 1000;
    entry_of(made)->stale_limit_ms = 30200;
    for (int64_t ms = 0; ms < 1120000; ms += 1000) {
        made_poll(made, ms);
        if (ms >= 40000)
            check_count("SIG-019", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    }
    made_poll(made, 1120000);
    check_count("after 1,120 s", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_FROZEN);
    made_free(made);
}

static void one_live_channel_alone_is_never_frozen(void **state)
{
    (void)state; /* a shut-in well sits still; markers that stand beside it are no measurement */
    struct made *made = made_new();
    made->maps[0].channel[1] =
        made->maps[0].channel[1]; /* discharge pressure stays mapped, not fitted */
    made->maps[0].n_channels = 2;
    made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF;
    made_polls(made, 0, 3600000);
    check_count("an hour", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    made_free(made);
}

/* ---- rate of change ---- */

static void a_step_is_doubted_until_another_refresh_agrees(void **state)
{
    (void)state;
    static const struct {
        const char *id;
        double threshold_mpa; /* over one refresh */
        unsigned n;
        struct {
            uint16_t raw;
            uint8_t expected;
        } value[5];
    } ROWS[] = {
        {"SIG-020", 0.14, 4, {{7500, 192}, {7630, 192}, {7780, 70}, {7770, 192}}},
        {"SIG-021", 0.14, 3, {{9000, 192}, {8800, 70}, {8700, 192}}},
        {"SIG-023", 0.5, 5, {{7500, 192}, {7510, 192}, {9200, 70}, {7520, 192}, {7510, 192}}},
        {"SIG-024", 0.5, 5, {{7500, 192}, {7510, 192}, {9200, 70}, {9210, 192}, {9220, 192}}},
        {"SIG-025", 0.5, 4, {{7500, 192}, {9200, 70}, {9300, 192}, {7500, 70}}},
        {"SIG-026", 0.5, 3, {{7500, 192}, {7500, 192}, {9200, 70}}},
        {"exactly at the threshold", 0.5, 2, {{7500, 192}, {8000, 192}}},
        {"a step that stays", 0.5, 4, {{7500, 192}, {9200, 70}, {9200, 192}, {9200, 192}}},
    };
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct made *made = made_two_channels();
        entry_of(made)->poll_every_ms = 28000;
        entry_of(made)->stale_limit_ms = 84200;
        made->maps[0].channel[0].has_max_rate = true;
        made->maps[0].channel[0].max_rate_per_s = ROWS[i].threshold_mpa * 1000 / 28;
        made->unit[INTAKE_PRESSURE_AT] = ROWS[i].value[0].raw;
        int64_t ms = 0;
        for (; ms < 2 * 28000; ms += 28000)
            made_poll(made, ms); /* live, with the row's first value */
        for (unsigned k = 0; k < ROWS[i].n; k++, ms += 28000) {
            made->unit[INTAKE_PRESSURE_AT] = ROWS[i].value[k].raw;
            made_poll(made, ms);
            check_count(ROWS[i].id, made_quality(made, POINT_INTAKE_PRESSURE),
                        ROWS[i].value[k].expected);
            assert_true(isfinite(made_value(made, POINT_INTAKE_PRESSURE)));
        }
        made_free(made);
    }
}

static void a_rate_is_taken_over_a_refresh_not_a_poll(void **state)
{
    (void)state; /* SIG-022: 0.13 MPa in a 1 s poll is 0.2786 MPa/min. Planted defect: divides by
                    the time between polls. */
    struct made *made = made_two_channels();
    entry_of(made)->poll_every_ms = 1000;
    made->maps[0].channel[0].has_max_rate = true;
    made->maps[0].channel[0].max_rate_per_s = 300.0 / 60; /* 0.3 MPa/min */
    int64_t ms = 0;
    for (; ms < 60000; ms += 1000)
        made_poll(made, ms);
    made->unit[INTAKE_PRESSURE_AT] = 12345 + 130;
    made_poll(made, ms);
    check_count("SIG-022", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    check_close("MPa/min", 0.13 / 28 * 60, 0.2785714286, 1e-10);
    made->maps[0].channel[0].max_rate_per_s = 278.5 / 60;
    made->unit[INTAKE_PRESSURE_AT] = 12345;
    made_poll(made, ms + 28000);
    check_count("just above the limit", made_quality(made, POINT_INTAKE_PRESSURE),
                QUALITY_STEP_UNCONFIRMED);
    made_free(made);
}

static void polls_of_one_refresh_do_not_confirm_a_step(void **state)
{
    (void)state; /* planted defect: the same raw 10 s later counts as a second refresh
                    (measure-step-by-polls) */
    struct made *made = made_two_channels();
    made->maps[0].channel[0].has_max_rate = true;
    made->maps[0].channel[0].max_rate_per_s = 500.0 / 28;
    made_polls(made, 0, 60000);
    made->unit[INTAKE_PRESSURE_AT] = 20000;
    static const uint8_t EXPECTED[] = {70, 70, 70, 192, 192};
    for (unsigned i = 0; i < 5; i++) {
        made_poll(made, 60000 + 10000 * (int64_t)i);
        check_count("poll of the step", made_quality(made, POINT_INTAKE_PRESSURE), EXPECTED[i]);
    }
    made_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_frozen_scan_is_told_by_refreshes_of_all_channels),
        cmocka_unit_test(frozen_is_counted_in_refreshes_not_polls),
        cmocka_unit_test(one_live_channel_alone_is_never_frozen),
        cmocka_unit_test(a_step_is_doubted_until_another_refresh_agrees),
        cmocka_unit_test(a_rate_is_taken_over_a_refresh_not_a_poll),
        cmocka_unit_test(polls_of_one_refresh_do_not_confirm_a_step),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
