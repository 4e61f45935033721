/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_compare.c - what is typed at a screen, and whatever registers hold: read, and judged. First
 * byte: the channel; second: how its registers are read; then the text up to a line feed; then
 * registers of three scans.
 */
#include "uphole/compare.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define REGISTERS 16

static void must(bool holds)
{
    if (!holds)
        abort();
}

static void set_channel(struct channel *channel, unsigned point, uint8_t how)
{
    static const uint8_t TYPES[] = {TYPE_U16, TYPE_S16, TYPE_U32,   TYPE_S32,
                                    TYPE_F32, TYPE_F64, TYPE_BCD16, TYPE_M10K32};
    struct up_error error;
    channel->point = (uint16_t)point;
    channel->table = TABLE_INPUT;
    channel->type = TYPES[how % 8];
    channel->n_words = (uint16_t)register_type_words((enum register_type)channel->type);
    channel->words = how & 8 ? WORDS_LOW_FIRST : WORDS_HIGH_FIRST;
    channel->bytes = how & 16 ? BYTES_LOW_FIRST : BYTES_HIGH_FIRST;
    channel->address = 4;
    channel->scale = (struct decimal){1, how & 32 ? -3 : 0};
    channel->unit = point_unit(point);
    channel->reference = how & 64 ? REFERENCE_GAUGE : REFERENCE_ABSOLUTE;
    channel->not_fitted[0] =
        (struct marker){{0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF}, (uint8_t)channel->n_words};
    channel->n_markers = how & 128 ? 1 : 0;
    must(conversion_make(channel->scale, channel->offset, channel->unit, channel->unit,
                         &channel->to_point, &error) == UP_OK);
}

static void check_result(const struct compare_result *result)
{
    must(result->verdict > COMPARE_NOTHING && result->verdict <= COMPARE_NO_VALUE);
    must(result->n_causes <= COMPARE_CAUSES_MAX && result->n_checks <= COMPARE_CHECKS_MAX);
    must(!result->can_confirm || result->verdict == COMPARE_SAME ||
         result->verdict == COMPARE_SAME_OR);
    must(!result->can_confirm || (isfinite(result->screen) && isfinite(result->uphole) &&
                                  fabs(result->difference) <= result->tolerance * 1.0000001));
    must(result->sentence[0] != '\0');
    for (unsigned i = 0; i < result->n_causes; i++)
        must(result->cause[i].percent >= 1 && result->cause[i].percent <= 99 &&
             result->cause[i].name[0] != '\0');
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const uint8_t POINTS[] = {POINT_INTAKE_PRESSURE, POINT_DISCHARGE_TEMPERATURE,
                                     POINT_VIBRATION_X, 11, POINT_POWER_FACTOR};
    static struct map map;
    static struct scan scans[3];
    if (size < 3)
        return 0;
    const unsigned point = POINTS[data[0] % sizeof POINTS];
    const uint8_t *end = memchr(data + 2, '\n', size - 2);
    const size_t length = end != NULL ? (size_t)(end - data) - 2 : size - 2;
    struct screen_value value;
    struct up_error error = {0};
    if (screen_value_from_text((const char *)data + 2, length, point, &value, &error) != UP_OK) {
        must(error.why[0] != '\0');
        return 0;
    }
    must(value.is_blank || (isfinite(value.number) && value.step > 0.0 && value.unit != 0));
    memset(&map, 0, sizeof map);
    memset(scans, 0, sizeof scans);
    map.n_channels = 1;
    set_channel(&map.channel[0], point, data[1]);
    struct compare_question question = {.map = &map,
                                        .channel = &map.channel[0],
                                        .refresh_ms = 28000,
                                        .poll_ms = 10000,
                                        .atmosphere_kpa = NAN,
                                        .quality = QUALITY_GOOD,
                                        .instant_ms = 100000,
                                        .n_scans = 3};
    const uint8_t *at = end != NULL ? end + 1 : data + size;
    for (unsigned s = 0; s < 3; s++) {
        question.scan[s] = &scans[s];
        scans[s].begun.boot_ms = 60000 + 20000 * (int64_t)s;
        scans[s].n_blocks = 1;
        scans[s].n_words = REGISTERS;
        scans[s].block[0] = (struct block){.function = TABLE_INPUT, .count = REGISTERS};
        for (unsigned w = 0; w < REGISTERS && at + 1 < data + size; w++, at += 2)
            scans[s].words[w] = get_u16(at);
    }
    struct compare_result result;
    compare_judge(&question, &value, &result);
    check_result(&result);
    (void)compare_is_settled(&question, &result);
    return 0;
}
