/* SPDX-License-Identifier: Apache-2.0
 *
 * test_registers.c - what the simulator writes, measure reads back: for every type and order, and
 * every channel of every shipped map.
 *
 * The two sides share only the map: registers.c encodes, measure's decode_channel decodes. Expected
 * words stand in the first test so that both can't be wrong alike; they are worked by hand from
 * IEEE 754 and the definitions of two's complement and BCD.
 */
#include "check.h"

#include <dirent.h>
#include <stdlib.h>

#include "../../daemon/simulate/registers.h"
#include "uphole/measure.h"
#include "uphole/simulate.h"

static struct channel channel_of(enum register_type type, unsigned n, enum word_order words,
                                 enum byte_order bytes, double divide)
{
    struct channel channel;
    memset(&channel, 0, sizeof channel);
    channel.point = 1;
    channel.table = TABLE_HOLDING;
    channel.type = (uint8_t)type;
    channel.n_words = (uint16_t)n;
    channel.words = (uint8_t)words;
    channel.bytes = (uint8_t)bytes;
    channel.to_point = (struct conversion){1, 0, divide};
    return channel;
}

static void words_are_those_worked_by_hand(void **state)
{
    (void)state;
    static const struct {
        enum register_type type;
        unsigned n;
        enum word_order words;
        enum byte_order bytes;
        double divide, value;
        uint16_t expected[4];
    } ROWS[] = {
        {TYPE_U16, 1, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 1, 12345, {0x3039}},
        {TYPE_U16, 1, WORDS_HIGH_FIRST, BYTES_LOW_FIRST, 1, 12345, {0x3930}},
        {TYPE_U16, 1, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 10, 87.4, {874}},
        {TYPE_U16, 1, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 1, 70000, {0xFFFF}}, /* clamped */
        {TYPE_U16, 1, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 1, -5, {0}},
        {TYPE_S16, 1, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 10, -12.5, {0xFF83}}, /* -125 */
        {TYPE_U32, 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 1, 305419896, {0x1234, 0x5678}},
        {TYPE_U32, 2, WORDS_LOW_FIRST, BYTES_HIGH_FIRST, 1, 305419896, {0x5678, 0x1234}},
        {TYPE_S32, 2, WORDS_HIGH_FIRST, BYTES_LOW_FIRST, 1, -2, {0xFFFF, 0xFEFF}},
        {TYPE_S64, 4, WORDS_LOW_FIRST, BYTES_HIGH_FIRST, 1, -2, {0xFFFE, 0xFFFF, 0xFFFF, 0xFFFF}},
        {TYPE_F32,
         2,
         WORDS_HIGH_FIRST,
         BYTES_HIGH_FIRST,
         1,
         123456,
         {0x47F1, 0x2000}}, /* points.md's test pattern */
        {TYPE_F32, 2, WORDS_LOW_FIRST, BYTES_HIGH_FIRST, 1, 123456, {0x2000, 0x47F1}},
        {TYPE_F64, 4, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 1, -2, {0xC000, 0, 0, 0}},
        {TYPE_BCD16, 1, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 1, 9876, {0x9876}},
        {TYPE_BCD32, 2, WORDS_LOW_FIRST, BYTES_HIGH_FIRST, 1, 12345678, {0x5678, 0x1234}},
        {TYPE_M10K32, 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 1, 12345678, {1234, 5678}},
        {TYPE_M10K32, 2, WORDS_LOW_FIRST, BYTES_HIGH_FIRST, 1, 12345678, {5678, 1234}},
    };
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        struct channel channel =
            channel_of(ROWS[i].type, ROWS[i].n, ROWS[i].words, ROWS[i].bytes, ROWS[i].divide);
        struct encoded encoded;
        registers_encode(&channel, ROWS[i].value, NULL, &encoded);
        check_count("words", encoded.n, ROWS[i].n);
        for (unsigned w = 0; w < ROWS[i].n; w++)
            if (encoded.words[w] != ROWS[i].expected[w])
                fail_msg("row %zu, word %u: %04x, expected %04x", i, w, encoded.words[w],
                         ROWS[i].expected[w]);
    }
}

static void fields_of_bits_keep_to_their_bits(void **state)
{
    (void)state;
    struct channel channel = channel_of(TYPE_BITS, 1, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 1);
    struct encoded encoded;
    channel.has_bits = true;
    channel.bit_low = 3;
    channel.bit_high = 5;
    registers_encode(&channel, 5, NULL, &encoded);
    assert_int_equal(encoded.words[0], 5 << 3);
    assert_int_equal(encoded.mask[0], 7 << 3);
    registers_encode(&channel, 99, NULL, &encoded);
    assert_int_equal(encoded.words[0], 7 << 3);
}

/* Planted defect that this catches: encode_whole without its way around markers, so that a real 0.0
 * degC would read "not fitted". */
static void a_real_value_never_says_a_marker(void **state)
{
    (void)state;
    struct channel channel = channel_of(TYPE_S16, 1, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, 10);
    struct encoded encoded;
    struct decoded decoded;
    channel.n_markers = 2;
    channel.not_fitted[0] = (struct marker){{0}, 1};
    channel.not_fitted[1] = (struct marker){{0xFFFF}, 1};
    for (double v = -1; v <= 1; v += 0.05) {
        registers_encode(&channel, v, NULL, &encoded);
        decode_channel(&channel, encoded.words, &decoded);
        assert_int_equal(decoded.verdict, DECODE_VALUE);
        check_close("moved by two counts at most", decoded.value, v, 0.26);
    }
    registers_marker(&channel, channel.not_fitted, channel.n_markers, &encoded);
    decode_channel(&channel, encoded.words, &decoded);
    assert_int_equal(decoded.verdict, DECODE_NOT_FITTED);
}

/* ---- every channel of every shipped map ---- */

static double half_count(const struct channel *channel)
{
    double count = fabs(channel->to_point.multiply / channel->to_point.divide);
    return channel->type == TYPE_F32 ? 0 : count / 2;
}

static void check_channel(const struct map *map, const struct channel *channel, uint64_t seed,
                          int64_t t)
{
    struct well_truth truth;
    struct encoded encoded;
    struct decoded decoded;
    const struct point *point = point_get(channel->point);
    well_truth_at(seed, t, &truth);
    double value = truth.value[channel->point];
    if (channel->type == TYPE_TEXT || isnan(value))
        return;
    registers_encode(channel, value, NULL, &encoded);
    decode_channel(channel, encoded.words, &decoded);
    if (decoded.verdict != DECODE_VALUE)
        fail_msg("%s: %s of %.9g decodes as verdict %u", map->name, point->id, value,
                 decoded.verdict);
    if (fabs(decoded.value - encoded.value) > 1e-9 * (1 + fabs(value)))
        fail_msg("%s: %s: says %.12g, is read as %.12g", map->name, point->id, encoded.value,
                 decoded.value);
    if (!channel->n_values &&
        fabs(decoded.value - value) > half_count(channel) * 1.0001 + fabs(value) * 1e-6)
        fail_msg("%s: %s: truth %.9g, read %.9g, more than half a count", map->name, point->id,
                 value, decoded.value);
    if (channel->n_values && decoded.value != value)
        fail_msg("%s: %s: state %g read as %g", map->name, point->id, value, decoded.value);
    if (range_quality(channel, decoded.value) != 192)
        fail_msg("%s: %s of %.9g is outside the map's ranges", map->name, point->id, decoded.value);
}

static int check_map(const char *path)
{
    struct map *map = NULL;
    struct plan_faults faults = {0};
    if (map_from_file(path, &map, &faults) != UP_OK)
        fail_msg("%s: %s", path, faults.n ? faults.fault[0].text : "can't be read");
    int checked = 0;
    for (unsigned i = 0; i < map->n_channels; i++)
        for (uint64_t seed = 1; seed <= 5; seed++)
            for (int64_t t = 0; t < 48LL * 3600000; t += 3599000, checked++)
                if (map->channel[i].point != POINT_GAUGE_STATUS)
                    check_channel(map, &map->channel[i], seed, t);
    free(map);
    return checked;
}

static void every_channel_of_every_shipped_map_reads_back_within_half_a_count(void **state)
{
    (void)state;
    char path[512];
    int maps = 0;
    DIR *directory = opendir(UPHOLE_SOURCE_DIR "/config/maps");
    assert_non_null(directory);
    for (struct dirent *entry; (entry = readdir(directory)) != NULL;) {
        size_t n = strlen(entry->d_name);
        if (n < 6 || strcmp(entry->d_name + n - 5, ".yaml") != 0)
            continue;
        snprintf(path, sizeof path, "%s/config/maps/%s", UPHOLE_SOURCE_DIR, entry->d_name);
        assert_true(check_map(path) > 100);
        maps++;
    }
    closedir(directory);
    assert_true(maps >= 3);
}

/* Rates of a map are limits of the sensor; the default well must stay inside them, or a healthy day
 * would show doubts. */
static void the_default_well_changes_no_faster_than_the_maps_allow(void **state)
{
    (void)state;
    static const char *const MAPS[] = {"scaled-16", "float-low-first"};
    for (size_t m = 0; m < 2; m++) {
        struct map *map = NULL;
        struct plan_faults faults = {0};
        assert_int_equal(map_by_name(MAPS[m], UPHOLE_SOURCE_DIR "/config/maps", &map, &faults),
                         UP_OK);
        for (uint64_t seed = 1; seed <= 10; seed++)
            for (int64_t t = 0; t < 48LL * 3600000; t += 28000) {
                struct well_truth a, b;
                well_truth_at(seed, t, &a);
                well_truth_at(seed, t + 28000, &b);
                for (unsigned i = 0; i < map->n_channels; i++) {
                    const struct channel *channel = &map->channel[i];
                    double rate = fabs(b.value[channel->point] - a.value[channel->point]) / 28;
                    if (channel->has_max_rate && rate > channel->max_rate_per_s)
                        fail_msg("%s: point %u at %lld ms, seed %llu: %.3g a second, the map "
                                 "allows %.3g",
                                 map->name, channel->point, (long long)t, (unsigned long long)seed,
                                 rate, channel->max_rate_per_s);
                }
            }
        free(map);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(words_are_those_worked_by_hand),
        cmocka_unit_test(fields_of_bits_keep_to_their_bits),
        cmocka_unit_test(a_real_value_never_says_a_marker),
        cmocka_unit_test(every_channel_of_every_shipped_map_reads_back_within_half_a_count),
        cmocka_unit_test(the_default_well_changes_no_faster_than_the_maps_allow),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
