/* SPDX-License-Identifier: Apache-2.0
 *
 * look.c - which of a scan's words belong to which channel of the map.
 *
 * A value is taken from one block as a whole, never put together from two answers: those may come
 * from two refreshes.
 */
#include "fold_state.h"

#include <math.h>

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

enum looked_at look_at(const struct scan *scan, uint8_t table, uint16_t address, uint16_t n,
                       bool last, const uint16_t **words, uint16_t *bit)
{
    enum looked_at found = LOOKED_NOT_ASKED;
    unsigned blocks = scan->n_blocks < SCAN_BLOCKS_MAX ? scan->n_blocks : SCAN_BLOCKS_MAX;
    if (n == 0 || (table <= TABLE_DISCRETE && n != 1)) /* a coil is one bit */
        return LOOKED_NOT_ASKED;
    for (unsigned i = 0; i < blocks; i++) {
        const struct block *block = &scan->block[i];
        if (!block_touches(block, table, address, n))
            continue;
        bool is_whole = address >= block->first && address + n <= block->first + block->count;
        if (block_has_data(scan, block) && is_whole) {
            unsigned offset = (unsigned)(address - block->first);
            if (table <= TABLE_DISCRETE) {
                *bit = scan->words[block->at + offset / 16] >> (offset % 16) & 1;
                *words = bit;
            } else {
                *words = &scan->words[block->at + offset];
            }
            found = LOOKED_DATA;
            if (!last)
                return found;
        } else if (last || found != LOOKED_NO_ANSWER) {
            found = block->exception == 0 || exception_is_path(block->exception) ? LOOKED_NO_ANSWER
                                                                                 : LOOKED_EXCEPTION;
        }
    }
    return found;
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

static void look_at_channel(const struct scan_context *context, unsigned index,
                            struct looked *looked)
{
    const struct scan *scan = context->scan;
    const struct channel *channel = &context->map->channel[index];
    *looked = (struct looked){.value = NAN, .number = NAN};
    looked->at = (uint8_t)look_at(scan, channel->table, channel->address, channel->n_words, false,
                                  &looked->words, &looked->bit);
    if (looked->at != LOOKED_DATA)
        return;
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
    *into = (struct arranged_source){0};
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

void look_at_channels(const struct fold *fold, struct scan_context *context)
{
    const struct map *map = context->map;
    setting_look(fold, context, true);
    for (unsigned i = 0; i < map->n_channels; i++) {
        look_at_channel(context, i, &context->looked[i]);
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
