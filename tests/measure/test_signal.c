/* SPDX-License-Identifier: Apache-2.0
 *
 * test_signal.c - age, starting, range and clock, each row through measure_scan: SIG-001 to
 * SIG-016, SIG-027 to SIG-033 and SIG-040, TIM-024 to TIM-034 as far as they concern measuring.
 *
 * The source of all is a rule of the project on top of common practice (28 s refresh: common
 * practice, no source); arithmetic was recomputed by hand.
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

/* ---- age ---- */

static void the_oldest_age_of_a_healthy_reading_is_poll_plus_refresh_plus_transfer(void **state)
{
    (void)state;
    static const struct {
        const char *id;
        uint32_t poll_ms;
        double oldest_s;
    } ROWS[] = {{"SIG-001", 1000, 29.2},
                {"SIG-002", 5000, 33.2},
                {"SIG-003", 10000, 38.2},
                {"SIG-004", 28000, 56.2},
                {"SIG-005", 60000, 88.2}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct made *made = made_new();
        entry_of(made)->poll_every_ms = ROWS[i].poll_ms;
        entry_of(made)->stale_limit_ms = ROWS[i].poll_ms + 28000 + 200;
        int64_t ms = 0;
        for (; ms <= 60000; ms += ROWS[i].poll_ms)
            made_poll(made, ms);
        int64_t newest = ms - ROWS[i].poll_ms, next_end = newest + ROWS[i].poll_ms + 200;
        struct snapshot snapshot;
        made_look(made, next_end, &snapshot);
        double age_s;
        const struct live_reading *live = made_live(&snapshot, POINT_INTAKE_PRESSURE);
        check_count(ROWS[i].id, live_quality_at(live, MADE_BOOT_MS + next_end, &age_s),
                    QUALITY_GOOD);
        check_close(ROWS[i].id, age_s, ROWS[i].oldest_s, 1e-9);
        /* A limit one millisecond lower would call a healthy well stale. */
        check_count(ROWS[i].id, live_quality_at(live, MADE_BOOT_MS + next_end + 1, &age_s),
                    QUALITY_STALE);
        made_free(made);
    }
}

static void the_default_limit_allows_one_missed_poll(void **state)
{
    (void)state;
    static const struct {
        const char *id;
        uint32_t poll_ms, limit_ms;
    } ROWS[] = {{"SIG-006", 1000, 30200}, {"SIG-007", 10000, 48200}, {"SIG-008", 60000, 148200}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct made *made = made_new();
        entry_of(made)->poll_every_ms = ROWS[i].poll_ms;
        entry_of(made)->stale_limit_ms = ROWS[i].limit_ms;
        int64_t ms = 0;
        for (; ms <= 60000; ms += ROWS[i].poll_ms)
            made_poll(made, ms);
        int64_t newest = ms - ROWS[i].poll_ms;
        struct snapshot snapshot;
        made_look(made, newest, &snapshot);
        const struct live_reading *live = made_live(&snapshot, POINT_INTAKE_PRESSURE);
        double age_s;
        int64_t second = MADE_BOOT_MS + newest + 2 * (int64_t)ROWS[i].poll_ms + 200;
        check_count(ROWS[i].id, live_quality_at(live, second, &age_s), QUALITY_GOOD);
        check_count(ROWS[i].id, live_quality_at(live, second + 1, &age_s), QUALITY_STALE);
        made_free(made);
    }
}

static void a_limit_below_poll_plus_refresh_flickers(void **state)
{
    (void)state; /* SIG-009: why the configuration refuses it */
    struct made *made = made_new();
    entry_of(made)->stale_limit_ms = 30000;
    made_polls(made, 0, 60000);
    struct snapshot snapshot;
    made_look(made, 50200, &snapshot);
    const struct live_reading *live = made_live(&snapshot, POINT_INTAKE_PRESSURE);
    double age_s;
    check_count("just read", live_quality_at(live, MADE_BOOT_MS + 50200, &age_s), QUALITY_GOOD);
    check_count("before the next", live_quality_at(live, MADE_BOOT_MS + 59000, &age_s),
                QUALITY_STALE);
    made_free(made);
}

static void age_is_since_the_gauge_may_have_refreshed(void **state)
{
    (void)state; /* SIG-010: read at 500.0 s, now 523.4 s: 51.4 s */
    struct made *made = made_new();
    made_polls(made, 0, 510000);
    struct snapshot snapshot;
    made_look(made, 523400, &snapshot);
    double age_s;
    live_quality_at(made_live(&snapshot, POINT_INTAKE_PRESSURE), MADE_BOOT_MS + 523400, &age_s);
    check_close("SIG-010", age_s, 51.4, 1e-9);
    check_close("age in the record: refresh + took",
                (double)made_reading(made, POINT_INTAKE_PRESSURE)->age_s, 28.2, 1e-5);
    check_close("gauge_data_age", made_value(made, POINT_GAUGE_DATA_AGE), 28.2, 1e-9);
    check_close("gauge_data_age now", made_live(&snapshot, POINT_GAUGE_DATA_AGE)->value, 51.4,
                1e-9);
    made_free(made);
}

static void a_refresh_counter_tells_the_age(void **state)
{
    (void)state; /* SIG-011: the refresh is not added where the change itself was seen */
    struct made *made = made_new();
    struct map *map = &made->maps[0];
    map->has_counter = true;
    map->counter_table = TABLE_INPUT;
    map->counter_address = COUNTER_AT;
    map->counter_words = 1;
    map->counter_order = WORDS_HIGH_FIRST;
    entry_of(made)->poll_every_ms = 1000;
    for (int64_t ms = 0; ms <= 79000; ms += 1000) {
        made->unit[COUNTER_AT] = (uint16_t)(ms / 28000);
        made_poll(made, ms);
    }
    /* The counter moved to 2 between the scans at 55 and 56 s: at the end of the scan of 79 s that
     * is at most 24.2 s ago. */
    check_count("quality", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    check_close("age", (double)made_reading(made, POINT_INTAKE_PRESSURE)->age_s, 24.2, 1e-5);
    made_free(made);
}

static void a_refresh_counter_that_stands_still_makes_stale_then_silent(void **state)
{
    (void)state; /* planted defect: age counted from the scan (28.2 s for ever) */
    struct made *made = made_new();
    struct map *map = &made->maps[0];
    map->has_counter = true;
    map->counter_table = TABLE_INPUT;
    map->counter_address = COUNTER_AT;
    map->counter_words = 1;
    map->counter_order = WORDS_HIGH_FIRST;
    made_polls(made, 0, 60000);
    check_count("never moved: no scan agrees", made_quality(made, POINT_INTAKE_PRESSURE),
                QUALITY_STARTING);
    made->unit[COUNTER_AT]++;
    made_poll(made, 60000);
    check_count("moved", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    made_polls(made, 70000, 100000);
    check_count("40.2 s old", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    made_poll(made, 100000);
    check_close("age from the scan before the change",
                (double)made_reading(made, POINT_INTAKE_PRESSURE)->age_s, 50.2, 1e-5);
    check_count("50.2 s old", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_STALE);
    made_polls(made, 110000, 60000 + 1120000 + 1);
    check_count("still for 40 refreshes", made_quality(made, POINT_INTAKE_PRESSURE),
                QUALITY_GAUGE_SILENT);
    made->unit[COUNTER_AT]++;
    made->unit[INTAKE_PRESSURE_AT]++;
    made_poll(made, 60000 + 1130000);
    check_count("moves again", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    made_free(made);
}

static void only_an_age_above_the_limit_is_stale(void **state)
{
    (void)state; /* SIG-012 */
    static const struct {
        int64_t age_ms;
        uint8_t expected;
    } ROWS[] = {{28000, 192}, {38200, 192}, {48200, 192}, {48300, 64}, {300000, 64}};
    struct live_reading reading = {.point = 1,
                                   .quality = QUALITY_GOOD,
                                   .value = 1,
                                   .fresh_boot_ms = 5000,
                                   .stale_limit_ms = 48200};
    double age_s;
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        check_count("SIG-012", live_quality_at(&reading, 5000 + ROWS[i].age_ms, &age_s),
                    ROWS[i].expected);
        check_close("age", age_s, (double)ROWS[i].age_ms / 1000, 1e-9);
    }
    reading.quality = QUALITY_LINE_DOWN;
    check_count("age hides nothing worse", live_quality_at(&reading, 900000, &age_s),
                QUALITY_LINE_DOWN);
}

/** Polls a unit whose intake pressure counts refreshes, and returns how many of the first n
 * refreshes were seen; reads[k]: scans of refresh k. */
static unsigned refreshes_seen(int64_t poll_us, int64_t refresh_us, int64_t end_us, unsigned n,
                               unsigned *reads)
{
    struct made *made = made_two_channels();
    unsigned seen = 0;
    memset(reads, 0, n * sizeof *reads);
    for (int64_t us = 0; us < end_us; us += poll_us) {
        made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(1000 + us / refresh_us);
        made_poll(made, us / 1000);
        if (made_quality(made, POINT_INTAKE_PRESSURE) == QUALITY_STARTING)
            continue; /* not the first minute's */
        unsigned k = (unsigned)(made_value(made, POINT_INTAKE_PRESSURE) + 0.5) - 1000;
        seen += k < n && reads[k] == 0;
        if (k < n)
            reads[k]++;
    }
    made_free(made);
    return seen;
}

static void polls_repeat_or_miss_refreshes(void **state)
{
    (void)state;
    unsigned reads[1100];
    /* SIG-013; the rows' first two refreshes fall into the time of starting, so the pattern is read
     * one cycle (140 s) later. */
    refreshes_seen(5000000, 28000000, 280000000, 10, reads);
    static const unsigned EXPECTED[] = {6, 6, 5, 6, 5};
    for (unsigned k = 0; k < 5; k++)
        check_count("SIG-013", reads[5 + k], EXPECTED[k]);
    /* SIG-014: 14 of 30; the first poll of all is still starting. */
    check_count("SIG-014", refreshes_seen(60000000, 28000000, 840000000, 30, reads), 13);
    /* SIG-015: refresh 0.1 % longer than the poll: in 1,000 polls one is read twice, none is
     * missed. */
    refreshes_seen(28000000, 28028000, INT64_C(28000000) * 1003, 1100, reads);
    unsigned twice = 0, missed = 0;
    for (unsigned k = 2; k <= 1000; k++) {
        twice += reads[k] == 2;
        missed += reads[k] == 0;
    }
    check_count("SIG-015 read twice", twice, 1);
    check_count("SIG-015 missed", missed, 0);
}

/* ---- starting ---- */

static void a_gauge_is_starting_until_its_first_data_are_overdue(void **state)
{
    (void)state; /* SIG-016: 25 + 28 + 10 + 0.2 = 63.2 s. Planted defects: silent at the first scan
       whose status says so; a marker (0 degC) believed while starting. */
    static const uint16_t STATUS[] = {STARTING_BIT, 0, FAULT_BIT, LIVE_BIT};
    for (size_t i = 0; i < sizeof STATUS / sizeof *STATUS; i++) {
        struct made *made = made_new();
        memset(made->unit, 0, sizeof made->unit);
        made->unit[STATUS_AT] = STATUS[i];
        for (int64_t ms = 0; ms <= 60000; ms += 10000) {
            made_poll(made, ms);
            check_count("until 63.2 s", made_quality(made, POINT_INTAKE_PRESSURE),
                        QUALITY_STARTING);
            check_count("0 degC is no marker yet", made_quality(made, POINT_DISCHARGE_TEMPERATURE),
                        QUALITY_STARTING);
        }
        struct snapshot snapshot;
        made_look(made, 63199, &snapshot);
        check_count("stage", snapshot.gauge, GAUGE_STARTING);
        made_look(made, 63200, &snapshot);
        check_count("overdue, without another scan", snapshot.gauge, GAUGE_SILENT);
        check_count("its channels", made_live(&snapshot, POINT_INTAKE_PRESSURE)->quality,
                    QUALITY_GAUGE_SILENT);
        made_poll(made, 70000);
        check_count("after", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GAUGE_SILENT);
        made_free(made);
    }
}

/* ---- range ---- */

static void ranges_come_in_order(void **state)
{
    (void)state;
    static const struct {
        const char *id;
        double mpa;
        uint8_t expected;
    } ROWS[] = {{"SIG-027", 7.5, 192},   {"SIG-028", 25.0, 192},
                {"SIG-029", 25.001, 66}, {"SIG-030", 0.2, 66},
                {"SIG-031", -0.05, 66},  {"SIG-032", -0.2, 6},
                {"SIG-033", 71.0, 6},    {"end of the instrument", 70.0, 66}};
    struct made *made = made_new();
    struct channel *channel = &made->maps[0].channel[0];
    channel->type = TYPE_S32;
    channel->n_words = 2;
    channel->address = 26;
    channel->n_markers = 0;
    channel->reference = REFERENCE_GAUGE; /* an absolute pressure of -0.05 MPa can't be */
    made_instrument(channel, -100, 70000);
    made_expected(channel, 500, 25000);
    made->unit[DISCHARGE_PRESSURE_AT] = 0xFFFF; /* not fitted: an intake above the discharge would be doubted */
    int64_t ms = 0;
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        int32_t raw = (int32_t)(ROWS[i].mpa * 1000 + (ROWS[i].mpa < 0 ? -0.5 : 0.5));
        put_registers(&made->unit[26], 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, (uint32_t)raw);
        for (unsigned k = 0; k < 5; k++, ms += 10000)
            made_poll(made, ms);
        check_count(ROWS[i].id, made_quality(made, POINT_INTAKE_PRESSURE), ROWS[i].expected);
        check_count(ROWS[i].id, range_quality(channel, ROWS[i].mpa * 1000), ROWS[i].expected);
    }
    made_free(made);
}

static void a_raw_at_the_end_of_its_type_is_unusual_unless_it_is_a_marker(void **state)
{
    (void)state; /* DEC-049, DEC-050 */
    struct made *made = made_new();
    struct channel *channel = &made->maps[0].channel[2]; /* intake temperature, s16, 0.1 degC */
    channel->has_instrument_range = false;
    made_polls(made, 0, 40000);
    made->unit[INTAKE_TEMPERATURE_AT] = 32767;
    made_poll(made, 40000);
    check_count("DEC-049", made_quality(made, POINT_INTAKE_TEMPERATURE), QUALITY_UNUSUAL);
    check_close("DEC-049", made_value(made, POINT_INTAKE_TEMPERATURE), 3276.7, 1e-9);
    made->unit[INTAKE_TEMPERATURE_AT] = 0x8000;
    made_poll(made, 50000);
    /* -3276.8 degC is below absolute zero, which speaks before the type's end. */
    check_count("DEC-050", made_quality(made, POINT_INTAKE_TEMPERATURE), QUALITY_IMPOSSIBLE);
    made_free(made);
    const struct channel power = {.type = TYPE_S16,
                                  .n_words = 1,
                                  .unit = unit_find("kW", 2, QUANTITY_POWER),
                                  .to_point = {1, 0, 10}};
    const uint16_t lowest = 0x8000;
    struct decoded decoded;
    decode_channel(&power, &lowest, &decoded);
    check_count("DEC-050, where physics allows it", decoded_quality(&power, &decoded),
                QUALITY_UNUSUAL);
    check_close("DEC-050, where physics allows it", decoded.value, -3276.8, 1e-9);
}

/* ---- restart and clock ---- */

static void a_restart_makes_nothing_good(void **state)
{
    (void)state; /* SIG-040. Planted defect: the fold's last values shown under a new run. */
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    struct snapshot snapshot;
    struct stamp now = made_now(made, 80000);
    measure_at(made->fold, &made->plan, &made->well, MADE_RUN + 1, &now, true, &snapshot);
    check_count("seq", (long long)snapshot.seq, 0);
    check_count("line", snapshot.line, LINE_UNKNOWN);
    check_count("gauge", snapshot.gauge, GAUGE_UNKNOWN);
    assert_true(snapshot.n > 6);
    for (unsigned i = 0; i < snapshot.n; i++) {
        check_count("SIG-040", snapshot.reading[i].quality, QUALITY_NO_DATA);
        assert_true(isnan(snapshot.reading[i].value));
    }
    made_free(made);
}

static void a_clock_stepped_back_is_unsure_and_ages_stay(void **state)
{
    (void)state; /* TIM-024 */
    struct made *made = made_new();
    made->clock = CLOCK_STATE_HOLDOVER;
    made_polls(made, 0, 100000);
    uint64_t seq = made->record.seq;
    made->utc_minus_boot -= 3600000;
    made_poll(made, 100000);
    check_count("TIM-024", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_CLOCK_UNSURE);
    check_close("age", (double)made_reading(made, POINT_INTAKE_PRESSURE)->age_s, 28.2, 1e-5);
    assert_true(made->record.seq > seq);
    made_polls(made, 110000, 700000);
    check_count("9 min 50 s later", made_quality(made, POINT_INTAKE_PRESSURE),
                QUALITY_CLOCK_UNSURE);
    made_poll(made, 700000);
    check_count("after 10 min of steady clock", made_quality(made, POINT_INTAKE_PRESSURE),
                QUALITY_GOOD);
    made->utc_minus_boot += 1000;
    made_poll(made, 710000);
    check_count("stepped", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_CLOCK_UNSURE);
    made->clock = CLOCK_STATE_SYNCHRONISED;
    made_poll(made, 720000);
    check_count("synchronised", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    made_free(made);
}

static void a_clock_stepped_forward_makes_nothing_stale(void **state)
{
    (void)state; /* TIM-025 */
    struct made *made = made_new();
    made_polls(made, 0, 100000);
    made->utc_minus_boot += INT64_C(31536000000);
    struct snapshot snapshot;
    made_look(made, 110000, &snapshot);
    double age_s;
    check_count(
        "TIM-025",
        live_quality_at(made_live(&snapshot, POINT_INTAKE_PRESSURE), MADE_BOOT_MS + 110000, &age_s),
        QUALITY_GOOD);
    made_free(made);
}

static void a_clock_that_was_never_set_is_unsure(void **state)
{
    (void)state; /* TIM-026, TIM-034 */
    struct made *made = made_new();
    made->utc_minus_boot = 12000 - MADE_BOOT_MS; /* 1970-01-01T00:00:12Z */
    made->clock = CLOCK_STATE_NEVER_SET;
    made_polls(made, 0, 60000);
    check_count("TIM-034", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_CLOCK_UNSURE);
    check_count("clock in the record", made->record.at.clock, CLOCK_STATE_NEVER_SET);
    assert_int_equal(made->record.at.boot_ms,
                     MADE_BOOT_MS + 50000); /* TIM-026: what a correction needs is kept */
    uint64_t seq = made->record.seq;
    made->utc_minus_boot = MADE_UTC_MS - MADE_BOOT_MS;
    made->clock = CLOCK_STATE_SYNCHRONISED;
    made_poll(made, 60000);
    check_count("set and synchronised", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    check_count("order", (long long)(made->record.seq - seq), 1);
    made_free(made);
}

static void a_clock_that_is_only_unsynchronised_is_no_quality(void **state)
{
    (void)state; /* points.md, quality 68 */
    struct made *made = made_new();
    made->clock = CLOCK_STATE_UNSYNCHRONISED;
    made_polls(made, 0, 60000);
    check_count("unsynchronised", made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    made_free(made);
}

static void a_slewed_clock_has_not_stepped(void **state)
{
    (void)state; /* TIM-029: 500 ppm, the most that adjtimex slews; 14 ms in 28 s */
    struct made *made = made_new();
    made->clock = CLOCK_STATE_UNSYNCHRONISED;
    for (int64_t ms = 0; ms < 3600000; ms += 28000) {
        made->utc_minus_boot += 14;
        made_poll(made, ms);
        if (ms > 28000)
            assert_int_not_equal(made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_CLOCK_UNSURE);
    }
    made_poll(made, 3600000 + 840000); /* 14 min later, 420 ms */
    made->utc_minus_boot += 420;
    made_poll(made, 3600000 + 2 * 840000);
    made_poll(made, 3600000 + 2 * 840000 + 30000);
    assert_int_not_equal(made_quality(made, POINT_INTAKE_PRESSURE), QUALITY_CLOCK_UNSURE);
    made_free(made);
}

static void a_record_keeps_the_time_of_its_read_and_the_order_of_seq(void **state)
{
    (void)state; /* TIM-028, TIM-032, TIM-033 */
    struct made *made = made_new();
    made_polls(made, 0, 60000);
    struct scan scan = made_scan(made, 60000), twin = made_scan(made, 60000);
    made_measure(made, &scan);
    assert_int_equal(made->record.at.utc_ms, scan.begun.utc_ms);
    uint64_t seq = made->record.seq;
    made_measure(made, &twin);
    assert_int_equal(made->record.at.utc_ms, scan.begun.utc_ms);
    check_count("TIM-028", (long long)(made->record.seq - seq), 1);
    made_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_oldest_age_of_a_healthy_reading_is_poll_plus_refresh_plus_transfer),
        cmocka_unit_test(the_default_limit_allows_one_missed_poll),
        cmocka_unit_test(a_limit_below_poll_plus_refresh_flickers),
        cmocka_unit_test(age_is_since_the_gauge_may_have_refreshed),
        cmocka_unit_test(a_refresh_counter_tells_the_age),
        cmocka_unit_test(a_refresh_counter_that_stands_still_makes_stale_then_silent),
        cmocka_unit_test(only_an_age_above_the_limit_is_stale),
        cmocka_unit_test(polls_repeat_or_miss_refreshes),
        cmocka_unit_test(a_gauge_is_starting_until_its_first_data_are_overdue),
        cmocka_unit_test(ranges_come_in_order),
        cmocka_unit_test(a_raw_at_the_end_of_its_type_is_unusual_unless_it_is_a_marker),
        cmocka_unit_test(a_restart_makes_nothing_good),
        cmocka_unit_test(a_clock_stepped_back_is_unsure_and_ages_stay),
        cmocka_unit_test(a_clock_stepped_forward_makes_nothing_stale),
        cmocka_unit_test(a_clock_that_was_never_set_is_unsure),
        cmocka_unit_test(a_clock_that_is_only_unsynchronised_is_no_quality),
        cmocka_unit_test(a_slewed_clock_has_not_stepped),
        cmocka_unit_test(a_record_keeps_the_time_of_its_read_and_the_order_of_seq),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
