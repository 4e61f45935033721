/* SPDX-License-Identifier: Apache-2.0
 *
 * look.c - which of a scan's words belong to which channel of the map.
 *
 * A value is taken from one block as a whole, never put together from two answers: those may come
 * from two refreshes.
 */
#include "fold_state.h"

#include <math.h>
#include <string.h>

static bool block_has_data(const struct scan *scan, const struct block *block)
{
    unsigned words = block->function <= 2 ? (block->count + 15u) / 16u : block->count;
    return block->exception == 0 && block->count > 0 && block->at + words <= scan->n_words &&
           scan->n_words <= SCAN_WORDS_MAX;
}

static bool block_touches(const struct block *block, uint8_t table, uint32_t first, uint32_t n)
{
    uint32_t count = block->count > 0 ? block->count : 1;
    return block->function == table && block->first < first + n && first < block->first + count;
}

static bool exception_is_path(uint8_t exception)
{
    return exception == BLOCK_NO_ANSWER || exception == 0x0A || exception == 0x0B;
}

/** Where `n` registers (or one bit) stand in the scan's words: of its blocks' ranges alone,
 * whatever the words hold. */
static struct place place_of(const struct scan *scan, uint8_t table, uint16_t address, uint16_t n,
                             bool last)
{
    struct place place = {.at = LOOKED_NOT_ASKED};
    unsigned blocks = scan->n_blocks < SCAN_BLOCKS_MAX ? scan->n_blocks : SCAN_BLOCKS_MAX;
    if (n == 0 || (table <= TABLE_DISCRETE && n != 1)) /* a coil is one bit */
        return place;
    for (unsigned i = 0; i < blocks; i++) {
        const struct block *block = &scan->block[i];
        if (!block_touches(block, table, address, n))
            continue;
        bool is_whole = address >= block->first && address + n <= block->first + block->count;
        if (block_has_data(scan, block) && is_whole) {
            unsigned offset = (unsigned)(address - block->first);
            const bool is_bit = table <= TABLE_DISCRETE;
            place.at = LOOKED_DATA;
            place.word = (uint16_t)(block->at + (is_bit ? offset / 16 : offset));
            place.bit = (uint8_t)(is_bit ? offset % 16 : 0);
            if (!last)
                return place;
        } else if (last || place.at != LOOKED_NO_ANSWER) {
            place.at = block->exception == 0 || exception_is_path(block->exception)
                           ? LOOKED_NO_ANSWER
                           : LOOKED_EXCEPTION;
        }
    }
    return place;
}

static const uint16_t *words_at(const struct scan *scan, uint8_t table, struct place place,
                                uint16_t *bit)
{
    if (table > TABLE_DISCRETE)
        return &scan->words[place.word];
    *bit = scan->words[place.word] >> place.bit & 1;
    return bit;
}

enum looked_at look_at(const struct scan *scan, uint8_t table, uint16_t address, uint16_t n,
                       bool last, const uint16_t **words, uint16_t *bit)
{
    const struct place place = place_of(scan, table, address, n, last);
    if (place.at == LOOKED_DATA)
        *words = words_at(scan, table, place, bit);
    return (enum looked_at)place.at;
}

bool channel_of_gauge(const struct channel *channel)
{
    return channel->type != TYPE_TEXT && channel->point != POINT_GAUGE_STATUS &&
           point_is_of_gauge(channel->point);
}

/** Measured down the hole: not the supply of the cable and what is seen through it, which stand
 * there without a gauge as well. */
static bool channel_is_downhole(const struct channel *channel)
{
    return channel_of_gauge(channel) &&
           (channel->point <= 10 || channel->point >= POINT_VIBRATION_VELOCITY_X);
}

static void look_at_channel(const struct scan_context *context, unsigned index, struct place place,
                            struct looked *looked)
{
    const struct channel *channel = &context->map->channel[index];
    *looked = (struct looked){.at = place.at, .value = NAN, .number = NAN};
    if (looked->at != LOOKED_DATA)
        return;
    looked->words = words_at(context->scan, channel->table, place, &looked->bit);
    struct decoded decoded;
    decode_value(channel, looked->words, &decoded);
    looked->verdict = decoded.verdict;
    looked->number = decoded.number;
    looked->value =
        channel->setting == 0 ? decoded.value : setting_value(context, index, decoded.number);
    looked->at_limit = channel_is_at_type_limit(channel, &decoded);
    looked->has_marker = channel_has_marker(channel, looked->words);
    looked->has_fault = channel_has_fault(channel, looked->words);
    looked->is_zero = true;
    for (unsigned i = 0; i < channel->n_words; i++)
        looked->is_zero = looked->is_zero && looked->words[i] == 0;
}

void look_at_map(const struct map *map, const struct source_entry *entry,
                 struct arranged_source *into)
{
    unsigned downhole = 0;
    memset(into, 0, sizeof *into);
    for (unsigned i = 0; i < map->n_channels; i++)
        downhole += channel_is_downhole(&map->channel[i]);
    for (unsigned i = 0; i < map->n_channels; i++) {
        const struct channel *channel = &map->channel[i];
        const bool is_of_gauge = channel_of_gauge(channel);
        const bool is_stated_away =
            channel->point < POINT_COUNT && entry->fitted[channel->point] == FITTED_NO;
        const bool is_sensor = downhole > 0 ? channel_is_downhole(channel) : is_of_gauge;
        if (is_of_gauge)
            into->channel[i] |= CHANNEL_OF_GAUGE;
        if (is_sensor && !is_stated_away)
            into->channel[i] |= CHANNEL_IS_SENSOR;
        into->has_sensors = into->has_sensors || (is_sensor && !is_stated_away);
    }
}

/** Where the map's channels stand in this scan. A source's scans seldom differ in their blocks, so
 * that is found once for scans of the same ones. */
static const struct place *places_in(struct places *places, const struct map *map,
                                     const struct scan *scan)
{
    _Static_assert(sizeof(struct block) == 8, "without padding, so that bytes tell");
    const unsigned n = scan->n_blocks < SCAN_BLOCKS_MAX ? scan->n_blocks : SCAN_BLOCKS_MAX;
    const size_t bytes = n * sizeof *scan->block;
    if (n > 0 && places->n_blocks == n && places->n_words == scan->n_words &&
        memcmp(places->block, scan->block, bytes) == 0)
        return places->channel;
    places->n_blocks = (uint8_t)n;
    places->n_words = scan->n_words;
    memcpy(places->block, scan->block, bytes);
    for (unsigned i = 0; i < map->n_channels; i++) {
        const struct channel *channel = &map->channel[i];
        places->channel[i] =
            place_of(scan, channel->table, channel->address, channel->n_words, false);
    }
    return places->channel;
}

void look_at_channels(struct fold *fold, struct scan_context *context)
{
    const struct map *map = context->map;
    const uint8_t source = context->scan->source;
    const struct place *place =
        places_in(&fold->arranged.source[source].places, map, context->scan);
    setting_look(fold, context, true);
    for (unsigned i = 0; i < map->n_channels; i++) {
        look_at_channel(context, i, place[i], &context->looked[i]);
        context->looked[i].is_sensor = (context->arranged->channel[i] & CHANNEL_IS_SENSOR) != 0;
    }
    context->has_sensors = context->arranged->has_sensors;
}

bool measure_channel(const struct plan *plan, const struct well_plan *well, const struct scan *scan,
                     unsigned point, struct decoded *out)
{
    const struct source_entry *entry = entry_at(plan, well, scan->source, scan->begun.utc_ms);
    const struct channel *channel = entry != 0 ? map_channel(&plan->maps[entry->map], point) : 0;
    const uint16_t *words;
    uint16_t bit;
    if (channel == 0 || look_at(scan, channel->table, channel->address, channel->n_words, false,
                                &words, &bit) != LOOKED_DATA)
        return false;
    struct channel as_set;
    if (channel->setting == 0) {
        decode_channel(channel, words, out);
        return true;
    }
    (void)channel_as_set(&plan->maps[entry->map], channel, scan, &as_set);
    decode_channel(&as_set, words, out);
    return true;
}
