/* SPDX-License-Identifier: Apache-2.0
 *
 * test_late.c - late equals live where a fact decides: a record read back from any place says what
 * it said when it was new.
 */
#include "day.h"
#include "day_late.h"

#include "check.h"

#include "uphole/measure.h"

#include <stdlib.h>
#include <string.h>

#define POLL_MS 10000
#define DISCHARGE_TEMPERATURE 21 /* its input register in config/maps/scaled-16.yaml */

static const char CONFIG[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s}\n"
    "wells:\n  heron-7:\n    label: Heron 7\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n";

/** Writes the not-fitted marker of the discharge temperature into each answer, unless `lifted`. */
struct mask {
    bool lifted;
    unsigned masked;
};

static void write_marker(struct day *day, void *context, uint16_t line, const uint8_t *request,
                         size_t n_request, struct day_answer *answer)
{
    (void)day;
    (void)line;
    (void)n_request;
    struct mask *mask = context;
    const int first = request[2] << 8 | request[3], count = request[4] << 8 | request[5];
    const int at = 3 + 2 * (DISCHARGE_TEMPERATURE - first);
    if (mask->lifted || request[1] != 4 || first > DISCHARGE_TEMPERATURE ||
        first + count <= DISCHARGE_TEMPERATURE || (size_t)at + 4 > answer->n)
        return;
    answer->bytes[at] = answer->bytes[at + 1] = 0;
    const uint16_t crc = crc16(answer->bytes, answer->n - 2);
    answer->bytes[answer->n - 2] = (uint8_t)(crc & 0xFF);
    answer->bytes[answer->n - 1] = (uint8_t)(crc >> 8);
    mask->masked++;
}

static uint8_t quality_of(const struct record *record, uint16_t point)
{
    for (uint16_t i = 0; i < record->n; i++)
        if (record->reading[i].point == point)
            return record->reading[i].quality;
    return QUALITY_NOT_MAPPED;
}

/**
 * A sensor that was seen once: before it, the marker means "not fitted", behind it "lost". The fact
 * is made by one scan inside the window of all that follow, and a fold that begins at that very
 * scan would not make it again, since there the gauge is still starting. Planted defects:
 * backlog-facts-before-window, measure-facts-ignored.
 */
static void a_marker_behind_data_is_late_what_it_was_live(void **state)
{
    (void)state;
    struct mask mask = {0};
    struct kept_records kept = {0};
    const struct day_options options = {.config = CONFIG,
                                        .seed = 21,
                                        .fault = write_marker,
                                        .context = &mask,
                                        .record = keep_record,
                                        .record_context = &kept};
    struct day *day = day_create(&options);
    const struct fold_window window = fold_window_of(day_plan(day), &day_plan(day)->wells[0]);
    day_run_for(day, 2 * window.ms);
    const size_t seen_at = kept.n;
    mask.lifted = true;
    day_run_for(day, POLL_MS);
    mask.lifted = false;
    day_run_for(day, window.ms + 20 * POLL_MS);
    assert_true(mask.masked > 100 && kept.n > seen_at + 20);
    check_count("before it was seen",
                quality_of(&kept.record[seen_at - 2], POINT_DISCHARGE_TEMPERATURE),
                QUALITY_NOT_FITTED);
    size_t good = 0;
    for (size_t i = 0; i < kept.n; i++)
        good += quality_of(&kept.record[i], POINT_DISCHARGE_TEMPERATURE) == QUALITY_GOOD;
    check_count("scans in which it was seen", (long long)good, 1);
    check_count("behind it", quality_of(&kept.record[kept.n - 1], POINT_DISCHARGE_TEMPERATURE),
                QUALITY_CHANNEL_FAULT);
    /* Each window once: it begins before, at and behind the scan that made the fact. */
    check_count("late records compared", (long long)check_late_one_by_one(day, &kept, seen_at - 20),
                (long long)(kept.n - 1 - (seen_at - 20)));
    /* Planted defects: backlog-fold-goes-on, backlog-no-window. */
    assert_true(check_late_equals_live(day, &kept, 100, 5) > 1000);
    free(kept.record);
    day_destroy(day);
}

static double value_of(const struct record *record, uint16_t point)
{
    for (uint16_t i = 0; i < record->n; i++)
        if (record->reading[i].point == point)
            return record->reading[i].value;
    return NAN;
}

/**
 * Windows reach back further than any fold re-reads: hours come from the journal's facts, wherever
 * the reading begins. Planted defects: journal-hours-unread, measure-window-facts-ignored.
 */
static void a_day_s_mean_is_late_what_it_was_live(void **state)
{
    (void)state;
    static char config[sizeof CONFIG + 200];
    const char *rest = strstr(CONFIG, "destinations:");
    snprintf(config, sizeof config, "%.*s    well_data: [{from: 2031-01-10T08:00:00Z, %s}]\n%s",
             (int)(rest - CONFIG), CONFIG, "statistics_coverage: 75 %", rest);
    struct kept_records kept = {0};
    const struct day_options options = {
        .config = config, .seed = 22, .record = keep_record, .record_context = &kept};
    struct day *day = day_create(&options);
    day_run_for(day, INT64_C(4) * 3600000);
    const struct record *newest = &kept.record[kept.n - 1];
    assert_true(value_of(newest, POINT_INTAKE_PRESSURE_MEAN_24H) > 0.0);
    check_count("four hours of a day are no day",
                quality_of(newest, POINT_INTAKE_PRESSURE_MEAN_24H), QUALITY_OUTSIDE_VALIDITY);
    check_count("an hour is one", quality_of(newest, POINT_INTAKE_PRESSURE_MEAN_1H), QUALITY_GOOD);
    assert_true(check_late_equals_live(day, &kept, 80, 37) > 300);
    free(kept.record);
    day_destroy(day);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_marker_behind_data_is_late_what_it_was_live),
        cmocka_unit_test(a_day_s_mean_is_late_what_it_was_live)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
