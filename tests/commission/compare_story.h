/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_story.h - a gauge, the screen of its surface unit and its registers over a few minutes,
 * made with factors of NIST SP 811 (2008), app. B.8 and B.9, and not by the code under test; seeds
 * are fixed.
 */
#ifndef UPHOLE_TESTS_COMMISSION_COMPARE_STORY_H
#define UPHOLE_TESTS_COMMISSION_COMPARE_STORY_H

#include "check.h"

#include "uphole/compare.h"
#include "uphole/measure.h"

#include <stdlib.h>

#define MAPS UPHOLE_SOURCE_DIR "/config/maps"
#define PSI 6.894757 /* kPa; NIST SP 811, B.8 */
#define KGF_CM2 98.0665
#define GRAVITY 9.80665
#define ATMOSPHERE 101.325
#define SCANS 24
#define POLL_MS 10000
#define REFRESH_MS 28000
#define INSTANT_MS 5000000

static struct map *scaled, *floats, *drive;
static uint64_t seed;

static inline double uniform(double low, double high)
{
    seed = seed * 6364136223846793005u + 1442695040888963407u;
    return low + (high - low) * (double)(seed >> 11) / 9007199254740992.0;
}
static inline unsigned one_of(unsigned n)
{
    return (unsigned)uniform(0.0, (double)n) % n;
}

/* ---- a surface unit: a screen, and registers ---- */

/** What makes a number in `unit` of a value in the point's unit; own factors. */
static inline double in_unit(double value, const char *unit)
{
    static const struct {
        const char *name;
        double factor;
    } FACTORS[] = {{"kPa", 1},  {"MPa", 1000}, {"bar", 100},   {"psi", PSI}, {"kgf/cm2", KGF_CM2},
                   {"degC", 1}, {"m/s2", 1},   {"g", GRAVITY}, {"mA", 1},    {"uA", 0.001},
                   {"V", 1},    {"kohm", 1},   {"Mohm", 1000}, {"Hz", 1},    {"A", 1}};
    if (strcmp(unit, "degF") == 0)
        return value * 1.8 + 32.0;
    if (strcmp(unit, "degF as degC") == 0)
        return (value - 32.0) / 1.8;
    if (strcmp(unit, "K") == 0)
        return value + 273.15;
    for (size_t i = 0; i < sizeof FACTORS / sizeof *FACTORS; i++)
        if (strcmp(unit, FACTORS[i].name) == 0)
            return value / FACTORS[i].factor;
    fail_msg("no factor of %s", unit);
    return NAN;
}

/** Puts a number, in whatever unit the register is to hold, where the map has the channel. */
static inline void put_number(struct scan *scan, const struct channel *channel, int shift,
                              double number)
{
    const double counts =
        (number - decimal_to_double(channel->offset)) / decimal_to_double(channel->scale);
    uint16_t *at = scan->words + channel->address + shift - scan->block[0].first;
    if (channel->type == TYPE_F32)
        put_registers(at, 2, channel->words, channel->bytes, float_to_bits((float)counts));
    else if (channel->type == TYPE_S32)
        put_registers(at, 2, channel->words, channel->bytes, (uint32_t)(int32_t)nearbyint(counts));
    else
        *at = (uint16_t)(int32_t)nearbyint(fmin(fmax(counts, -32768.0), 65535.0));
}

struct story {
    const struct map *map;
    const struct channel *channel;
    struct scan scan[SCANS];
    struct compare_question question;
    double true_value[SCANS]; /* of the gauge, as each scan finds it; point's unit */
    double at_the_instant;
};

/** A quarter of an hour of the gauge: refreshes each 28 s, scans each 10 s; the key is pressed
 * between the last two. */
static inline void tell(struct story *story, const struct map *map, unsigned point, double value,
                        double step)
{
    memset(story, 0, sizeof *story);
    story->map = map;
    story->channel = map_channel(map, point);
    assert_non_null(story->channel);
    const int64_t phase_ms = (int64_t)uniform(0, REFRESH_MS), key_ms = INSTANT_MS;
    int64_t refresh = -1;
    double now = value;
    for (int i = 0; i < SCANS; i++) {
        struct scan *scan = &story->scan[i];
        const int64_t at_ms = key_ms - (SCANS - 2) * POLL_MS + i * POLL_MS + 4000;
        if ((at_ms - phase_ms) / REFRESH_MS != refresh) {
            refresh = (at_ms - phase_ms) / REFRESH_MS;
            now = fabs(now + uniform(-step, step));
        }
        if (i == SCANS - 2)
            story->at_the_instant = story->true_value[i - 1]; /* the key comes before that scan */
        story->true_value[i] = now;
        scan->begun.boot_ms = at_ms;
        scan->outcome = OUTCOME_ANSWERED;
        scan->n_blocks = 1;
        scan->block[0] = (struct block){.function = story->channel->table,
                                        .first = story->channel->table == TABLE_INPUT
                                                     ? 0
                                                     : (uint16_t)(story->channel->address - 14),
                                        .count = 64,
                                        .at = 0};
        scan->n_words = 64;
        for (unsigned w = 0; w < 64; w++)
            scan->words[w] = (uint16_t)(0x2000 + w * 37); /* what else stands there */
        story->question.scan[i] = scan;
    }
    story->question.map = map;
    story->question.channel = story->channel;
    story->question.refresh_ms = REFRESH_MS;
    story->question.poll_ms = POLL_MS;
    story->question.atmosphere_kpa = NAN;
    story->question.quality = QUALITY_UNIT_UNCONFIRMED;
    story->question.instant_ms = INSTANT_MS;
    story->question.n_scans = SCANS;
}

/** The registers hold the value in `unit`, times `ratio`, plus `offset` in the point's unit. */
static inline void hold(struct story *story, const char *unit, double ratio, double offset)
{
    for (int i = 0; i < SCANS; i++)
        put_number(&story->scan[i], story->channel, 0,
                   in_unit(story->true_value[i] + offset, unit) * ratio);
}

static inline const char *unit_of_map(const struct story *story)
{
    return unit_get(story->channel->unit)->name;
}

/** The screen shows the value in `unit` with so many decimals, rounded or cut. */
static inline struct screen_value screen(const struct story *story, double value, const char *unit,
                                         int decimals, bool cuts)
{
    char text[SCREEN_TEXT_MAX];
    struct screen_value typed;
    struct up_error error = {0};
    double number = in_unit(value, unit);
    if (cuts)
        number = trunc(number * pow(10, decimals)) / pow(10, decimals);
    snprintf(text, sizeof text, "%.*f %s", decimals, number, unit);
    if (screen_value_from_text(text, strlen(text), story->channel->point, &typed, &error) != UP_OK)
        fail_msg("%s: %s", text, error.why);
    return typed;
}

static inline void show(const struct story *story, const struct screen_value *typed,
                        const struct compare_result *result)
{
    print_message("%s %s: %s; %s | %s\n", point_get(story->channel->point)->id, typed->text,
                  compare_verdict_name(result->verdict), result->working, result->sentence);
    for (unsigned i = 0; i < result->n_causes; i++)
        print_message("   %u %% %s: %s\n", result->cause[i].percent,
                      compare_kind_name(result->cause[i].kind), result->cause[i].name);
}

static inline bool names_it(const struct compare_result *result, unsigned n, uint8_t kind,
                            const char *name)
{
    for (unsigned i = 0; i < n; i++)
        if (result->cause[i].kind == kind &&
            (name == NULL || strstr(result->cause[i].name, name) != NULL))
            return true;
    return false;
}

static inline int open_maps(void **state)
{
    static const char *const NAMES[] = {"scaled-16", "float-low-first", "drive-a"};
    struct map **maps[] = {&scaled, &floats, &drive};
    struct plan_faults faults;
    (void)state;
    for (size_t i = 0; i < 3; i++)
        if (map_by_name(NAMES[i], MAPS, maps[i], &faults) != UP_OK)
            return -1;
    return 0;
}

static inline int close_maps(void **state)
{
    (void)state;
    free(scaled);
    free(floats);
    free(drive);
    return 0;
}

#endif
