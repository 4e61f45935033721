/* SPDX-License-Identifier: Apache-2.0
 *
 * test_window.c - late equals live: a fold that begins one window early, with the facts, gives the
 * records of the fold that saw all.
 *
 * Random stretches of all kinds of trouble, by seed; each mismatch names its seed and scan. Also:
 * nothing random is ever wrong but good, and the fold is pure.
 *
 * Planted defects that the random lives must catch, each seen to: no lapse of a source, facts of a
 * marker not loaded, a window of a third, two scans fewer for the error ratio.
 */
#include "late.h"

#include "../../daemon/measure/fold_state.h"

#define COMPARED 20

static uint64_t random_state;

static uint32_t random_below(uint32_t n)
{
    random_state ^= random_state << 13; /* xorshift64 (Marsaglia 2003) */
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return (uint32_t)(random_state >> 33) % n;
}
static bool one_in(uint32_t n)
{
    return random_below(n) == 0;
}

/* ---- random lives of a unit ---- */

enum mood {
    HEALTHY,
    FLAPPING,
    ALTERNATING,
    ZEROS,
    MARKERS,
    SILENT_STATUS,
    STARTING_STATUS,
    DEAF,
    DEAD_LINE,
    MOODS
};

struct life {
    struct made *made;
    enum mood mood;
    int64_t until_ms, frozen_until_ms, refreshed_ms, now_ms;
    uint32_t poll_ms, refresh_ms, drive_share, deaf_to;
    bool discharge_fitted, is_quiet /* trouble comes in stretches only, so that it lasts */,
        is_boundary;
};

static void refresh(struct life *life)
{
    uint16_t *unit = life->made->unit;
    unit[COUNTER_AT]++;
    unit[INTAKE_PRESSURE_AT] = (uint16_t)(12000 + random_below(one_in(12) ? 9000 : 60));
    unit[INTAKE_TEMPERATURE_AT] = (uint16_t)(880 + random_below(3));
    unit[DISCHARGE_PRESSURE_AT] =
        life->discharge_fitted ? (uint16_t)(18200 + random_below(40)) : 0xFFFF;
    unit[DISCHARGE_TEMPERATURE_AT] = life->discharge_fitted ? (uint16_t)(870 + random_below(5)) : 0;
    if (one_in(30))
        unit[WINDING_TEMPERATURE_AT] = (uint16_t)random_below(65536);
    unit[VIBRATION_AT] = (uint16_t)random_below(one_in(20) ? 65536 : 50);
    unit[VIBRATION_AT + 1] = (uint16_t)(4000 + random_below(one_in(20) ? 60000 : 500));
    life->refreshed_ms = life->now_ms;
}

static void change_mood(struct life *life)
{
    life->is_boundary = true;
    life->deaf_to = random_below(3);
    life->mood = one_in(3) ? HEALTHY : (enum mood)random_below(MOODS);
    static const uint32_t STRETCHES_S[] = {30, 180, 800, 5400};
    uint32_t stretch_s = STRETCHES_S[random_below(4)];
    life->until_ms = life->now_ms + (int64_t)random_below(stretch_s) * 1000;
    if (one_in(4))
        life->frozen_until_ms = life->now_ms + (int64_t)random_below(8 * 3600000);
    if (one_in(5))
        life->discharge_fitted = !life->discharge_fitted;
    uint16_t *unit = life->made->unit;
    bool is_blank = unit[INTAKE_PRESSURE_AT] == 0 || unit[INTAKE_PRESSURE_AT] == 0xFFFF;
    unit[STATUS_AT] = LIVE_BIT;
    if (is_blank) {
        made_healthy(life->made);
        refresh(life);
    }
    if (life->mood == ZEROS)
        memset(&unit[16], 0, 12 * sizeof *unit);
    if (life->mood == MARKERS)
        memset(&unit[16], 0xFF, 12 * sizeof *unit);
    if (life->mood == SILENT_STATUS)
        unit[STATUS_AT] = FAULT_BIT;
    if (life->mood == STARTING_STATUS)
        unit[STATUS_AT] = STARTING_BIT;
}

static uint8_t refusal(void)
{
    return one_in(3) ? 0x02 : BLOCK_NO_ANSWER;
}

static void spoil(struct life *life, struct scan *scan)
{
    if (life->mood == DEAF &&
        life->deaf_to < 2) /* one range stays without an answer, or is refused, or both are */
        refuse(scan, 1 + life->deaf_to, refusal());
    else if (life->mood == DEAF)
        refuse(scan, 1, refusal()), refuse(scan, 2, refusal());
    if (life->is_quiet)
        return;
    if (one_in(40))
        refuse(scan, random_below(scan->n_blocks), refusal());
    if (one_in(60))
        scan->words[12] ^= (uint16_t)(1u << random_below(3)); /* the status read again differs */
    if (one_in(30))
        scan->stray = random_below(4);
    if (one_in(50))
        scan->took_ms = random_below(60000);
    if (one_in(40))
        scan->tries++;
}

static struct scan next_scan(struct life *life)
{
    struct made *made = life->made;
    life->now_ms += life->poll_ms - 50 + random_below(100);
    if (one_in(250)) {
        life->now_ms += random_below(one_in(3) ? 15000000 : 1500000);
        life->is_boundary = true;
    }
    if (life->now_ms >= life->until_ms)
        change_mood(life);
    else if (life->now_ms >= life->frozen_until_ms && life->mood != ZEROS &&
             life->mood != MARKERS &&
             life->now_ms - life->refreshed_ms >= (int64_t)life->refresh_ms)
        refresh(life);
    if (life->mood == FLAPPING)
        made->unit[STATUS_AT] = (uint16_t)(1u << random_below(3));
    if (life->mood == ALTERNATING)
        made->unit[STATUS_AT] = made->unit[STATUS_AT] == FAULT_BIT ? STARTING_BIT : FAULT_BIT;
    if (one_in(200))
        made->utc_minus_boot += (int64_t)random_below(7200000) - 3600000;
    if (one_in(60))
        made->clock = (uint8_t)(CLOCK_STATE_SYNCHRONISED + random_below(4));
    if (random_below(100) < life->drive_share) {
        made->drive[0] = (uint16_t)(one_in(6) ? random_below(6000) : 5000);
        made->drive[1] = (uint16_t)(10 + random_below(3));
        made->drive[2] = (uint16_t)(500 + random_below(50));
        struct scan scan = made_drive_scan(made, life->now_ms + 300);
        made->plan.digest_32 = one_in(300) ? made->plan.digest_32 + 1 : made->plan.digest_32;
        return !life->is_quiet && one_in(20) ? made_failed(made, life->now_ms + 300) : scan;
    }
    if (life->mood == DEAD_LINE || (!life->is_quiet && one_in(60)))
        return made_failed(made, life->now_ms);
    struct scan scan = made_scan(made, life->now_ms);
    spoil(life, &scan);
    return scan;
}

/* ---- the harness ---- */

/** What windows are made of: an insulation resistance, a current, limits; switched on from some
 * time on, at times off again. */
static void made_windows(struct made *made, bool is_on)
{
    static struct well_data data[3];
    for (unsigned i = 0; i < 3; i++) {
        for (unsigned d = 0; d < WELL_DATA; d++)
            well_datum_forget(&data[i], (enum well_datum)d);
        data[i].liquid_density_kg_m3 = data[i].water_density_kg_m3 = NAN;
        data[i].local_atmosphere_kpa = 101.3;
        data[i].from_utc_ms = MADE_UTC_MS - 1000;
        data[i].winding_limit_degc = 150;
        data[i].insulation_reference_degc = 40;
        data[i].intake_pressure_limit_kpa = 3000;
        if (is_on)
            data[i].statistics_coverage_ratio = 0.75;
    }
    if (one_in(3)) { /* off for some hours */
        data[1].statistics_coverage_ratio = NAN;
        data[1].from_utc_ms = MADE_UTC_MS + random_below(40000000);
        data[2].from_utc_ms = data[1].from_utc_ms + random_below(20000000);
    }
    made->well.data = data;
    made->well.n_data = 3;
    struct channel *channel = made_channel(&made->maps[0], POINT_INSULATION_RESISTANCE, TABLE_INPUT,
                                           VIBRATION_AT + 1, TYPE_U16, "1", "kohm");
    channel->about[0] = '\0';
    struct map *drive = &made->maps[1];
    channel = made_channel(drive, POINT_MOTOR_CURRENT, TABLE_HOLDING, 2, TYPE_U16, "0.1", "A");
    const struct channel current = *channel; /* ascending by point: before the run state */
    *channel = channel[-1];
    channel[-1] = current;
}

static void made_for_trouble(struct made *made)
{
    made_entry(made, SOURCE_DRIVE, 1);
    struct source_entry *entry = &made->entries[SOURCE_GAUGE][0];
    static const uint32_t POLLS_MS[] = {2000, 10000, 30000, 60000, 600000}; /* to 34 days */
    entry->poll_every_ms = made->entries[SOURCE_DRIVE][0].poll_every_ms = POLLS_MS[random_below(5)];
    made_windows(made, !one_in(3));
    entry->refresh_ms = made->maps[0].refresh_ms = one_in(2) ? 28000 : 4000;
    entry->stale_limit_ms = 2 * entry->poll_every_ms + entry->refresh_ms + 200;
    entry->freeze_after = (uint16_t)(4 + random_below(40));
    made->entries[SOURCE_GAUGE][0].confirmed_units[POINT_INTAKE_TEMPERATURE] = one_in(2);
    if (one_in(2)) { /* another gauge from some time on */
        made->entries[SOURCE_GAUGE][1] = made->entries[SOURCE_GAUGE][0];
        made->entries[SOURCE_GAUGE][1].from_utc_ms = MADE_UTC_MS + 3600000 + random_below(7200000);
        made->well.n_entries[SOURCE_GAUGE] = 2;
    }
    struct map *map = &made->maps[0];
    for (unsigned i = 0; i < map->n_channels; i++) {
        map->channel[i].has_max_rate = one_in(2);
        map->channel[i].max_rate_per_s = 5.0;
        if (map->channel[i].point == POINT_DISCHARGE_PRESSURE && one_in(3))
            map->channel[i].not_fitted_if = POINT_DISCHARGE_TEMPERATURE;
    }
    if (one_in(2)) {
        map->has_counter = true;
        map->counter_table = TABLE_INPUT;
        map->counter_address = COUNTER_AT;
        map->counter_words = 1;
        map->counter_order = WORDS_HIGH_FIRST;
    }
    map->has_status = !one_in(4);
    map->holds_last = one_in(4);
    if (one_in(3)) { /* the intake is measured beside the drive: a derived point of two sources */
        struct channel *last = &map->channel[0];
        made->maps[1].channel[made->maps[1].n_channels++] = *last;
        memmove(&map->channel[0], &map->channel[1], --map->n_channels * sizeof map->channel[0]);
        made->maps[1].channel[3].table = TABLE_HOLDING;
        made->maps[1].channel[3].address = 0;
        struct channel first = made->maps[1].channel[3];
        memmove(&made->maps[1].channel[1], &made->maps[1].channel[0], 3 * sizeof first);
        made->maps[1].channel[0] = first; /* ascending by point */
    }
}

static void live_through(struct made *made, struct history *history)
{
    const struct source_entry *entry = &made->entries[SOURCE_GAUGE][0];
    struct life life = {.made = made,
                        .discharge_fitted = one_in(2),
                        .is_quiet = one_in(2),
                        .poll_ms = entry->poll_every_ms,
                        .refresh_ms = entry->refresh_ms,
                        .drive_share = 20 + random_below(50)};
    for (unsigned i = 0; i < SCANS; i++) {
        history->scans[i] = next_scan(&life);
        if (life.is_boundary)
            history->boundaries[history->n_boundaries++] = i;
        life.is_boundary = false;
        made_measure(made, &history->scans[i]);
        history->records[i] = made->record;
        for (size_t k = 0; k < made->n_facts; k++) {
            assert_true(history->n_facts < FACTS);
            made->facts[k].pos = i;
            history->facts[history->n_facts++] = made->facts[k];
        }
    }
}

static void one_life(uint64_t seed, struct history *history)
{
    random_state = seed * UINT64_C(0x9E3779B97F4A7C15) + 1;
    memset(history, 0, sizeof *history);
    struct made *made = made_new();
    made_for_trouble(made);
    uint32_t digest = made->plan.digest_32;
    live_through(made, history);
    made->plan.digest_32 = digest;
    for (unsigned i = 0; i < SCANS;
         i++) /* plan digests change on the way: measured late with the plan of then */
        history->records[i].plan_digest = 0;
    for (unsigned turn = 0; turn < 60; turn++) {
        unsigned wanted = random_below(SCANS - COMPARED),
                 start = window_start(made, history, wanted);
        replay(made, history, seed, start, wanted, wanted + COMPARED);
    }
    made_free(made);
}

static void a_late_record_equals_the_live_one(void **state)
{
    (void)state;
    struct history *history = malloc(sizeof *history);
    assert_non_null(history);
    const char *text = getenv("UPHOLE_SEED");
    uint64_t first = text != NULL ? strtoull(text, NULL, 10) : 1,
             n = text != NULL ? 1 : CHECK_SPARINGLY(40, 15);
    const char *many = getenv("UPHOLE_SEEDS");
    n = many != NULL ? strtoull(many, NULL, 10) : n;
    for (uint64_t seed = first; seed < first + n; seed++)
        one_life(seed, history);
    free(history);
}

static void the_lives_show_every_verdict_that_a_scan_can_earn(void **state)
{
    (void)state; /* so that the comparison above compares something */
    struct history *history = malloc(sizeof *history);
    assert_non_null(history);
    bool seen[256] = {false};
    for (uint64_t seed = 1; seed <= 24; seed++) {
        random_state = seed * UINT64_C(0x9E3779B97F4A7C15) + 1;
        memset(history, 0, sizeof *history);
        struct made *made = made_new();
        made_for_trouble(made);
        live_through(made, history);
        for (unsigned i = 0; i < SCANS; i++) {
            for (unsigned k = 0; k < history->records[i].n; k++)
                seen[history->records[i].reading[k].quality] = true;
        }
        made_free(made);
    }
    static const uint8_t WANTED[] = {0, 2, 3, 4, 5, 6, 7, 14, 64, 65, 66, 67, 68, 69, 70, 71, 192};
    for (size_t i = 0; i < sizeof WANTED; i++) {
        if (!seen[WANTED[i]])
            fail_msg("no life ever earned quality %u", WANTED[i]);
    }
    free(history);
}

static void measuring_twice_gives_the_same_bytes(void **state)
{
    (void)state;
    struct history *one = malloc(sizeof *one), *two = malloc(sizeof *two);
    assert_non_null(one);
    assert_non_null(two);
    struct history *both[2] = {one, two};
    for (unsigned turn = 0; turn < 2; turn++) {
        random_state = 4711;
        memset(both[turn], 0, sizeof *both[turn]);
        struct made *made = made_new();
        memset(made->fold, turn == 0 ? 0xA5 : 0x5A,
               fold_bytes()); /* what memory held before must not matter */
        fold_init(made->fold);
        made_for_trouble(made);
        live_through(made, both[turn]);
        made_free(made);
    }
    for (unsigned i = 0; i < SCANS; i++)
        compare("twice", 4711, i, &one->records[i], &two->records[i]);
    assert_memory_equal(one->facts, two->facts, sizeof one->facts);
    free(one);
    free(two);
}

static void a_fold_may_be_copied_as_bytes(void **state)
{
    (void)state;
    struct made *made = made_new();
    made_polls(made, 0, 100000);
    struct fold *copy = malloc(fold_bytes());
    assert_non_null(copy);
    memcpy(copy, made->fold, fold_bytes());
    struct scan scan = made_scan(made, 100000);
    made_measure(made, &scan);
    struct record record;
    measure_scan(copy, &made->plan, &made->well, &scan, &record, made->facts, &made->n_facts);
    compare("copied", 0, 0, &made->record, &record);
    free(copy);
    made_free(made);
}

/** Random words, random blocks, random everything: a value is finite, within the instrument, and
 * Bad carries none. */
static void random_words_are_never_wrong_but_good(void **state)
{
    (void)state;
    random_state = 20310301;
    struct made *made = made_new();
    made_entry(made, SOURCE_DRIVE, 1);
    for (unsigned i = 0; i < 60000; i++) {
        for (unsigned k = 2; k < MADE_REGISTERS; k++)
            made->unit[k] = (uint16_t)random_below(65536);
        made->unit[STATUS_AT] = one_in(8) ? (uint16_t)random_below(65536) : LIVE_BIT;
        struct scan scan = made_scan(made, (int64_t)i * 10000);
        if (one_in(10))
            scan.block[random_below(3)] =
                (struct block){.function = (uint8_t)random_below(6),
                               .exception = (uint8_t)(one_in(2) ? random_below(256) : 0),
                               .first = (uint16_t)random_below(40),
                               .count = (uint16_t)random_below(600),
                               .at = (uint16_t)random_below(600)};
        if (one_in(50))
            scan.n_words = (uint16_t)random_below(65536);
        if (one_in(50))
            scan.n_blocks = (uint16_t)random_below(65536);
        if (one_in(20))
            scan.outcome = (uint8_t)random_below(256);
        if (one_in(50))
            scan.source = (uint8_t)random_below(256);
        made_measure(made, &scan);
        for (unsigned k = 0; k < made->record.n; k++) {
            const struct reading *reading = &made->record.reading[k];
            bool has_value = quality_class_of(reading->quality) != QUALITY_CLASS_BAD;
            assert_non_null(quality_find(reading->quality));
            assert_int_equal(has_value, isfinite(reading->value) != 0);
            assert_int_equal(has_value, isfinite(reading->age_s) != 0);
            const struct channel *channel = map_channel(&made->maps[0], reading->point);
            if (has_value && channel != NULL && channel->has_instrument_range)
                assert_true(reading->value >= channel->instrument_low &&
                            reading->value <= channel->instrument_high);
            if (k > 0)
                assert_true(reading->point > reading[-1].point);
        }
    }
    made_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_late_record_equals_the_live_one),
        cmocka_unit_test(the_lives_show_every_verdict_that_a_scan_can_earn),
        cmocka_unit_test(measuring_twice_gives_the_same_bytes),
        cmocka_unit_test(a_fold_may_be_copied_as_bytes),
        cmocka_unit_test(random_words_are_never_wrong_but_good),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
