/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_setting.c - the unit-setting register, followed scan by scan: the numbers of a scan are in
 * the unit that stands in the same scan.
 *
 * A scan without the register takes what the newest scan of the run said, no longer than a lapse
 * ago; then, and where the register holds a number that the map doesn't know, nothing is guessed:
 * the values are as the map states and never Good. The registers of a unit that starts hold zeros,
 * so what stands there then says nothing.
 */
#include "fold_state.h"

#include <string.h>

_Static_assert(FACT_UNIT_SETTING_LAST - FACT_UNIT_SETTING + 1 == UNIT_REGISTERS_MAX,
               "a kind of fact for each register");

bool unit_register_word(const struct map *map, const struct scan *scan, unsigned index,
                        uint16_t *word)
{
    const uint16_t *words;
    uint16_t bit;
    if (index >= map->n_unit_registers ||
        look_at(scan, map->unit_registers[index].table, map->unit_registers[index].address, 1,
                false, &words, &bit) != LOOKED_DATA)
        return false;
    *word = words[0];
    return true;
}

const struct setting_now *setting_of_channel(const struct scan_context *context,
                                             const struct channel *channel)
{
    return channel->setting > 0 ? &context->unit_now[channel->setting - 1] : 0;
}

/** The word by which to decode: of this scan, else of the newest one before. */
static bool word_of(const struct fold *fold, const struct scan_context *context, unsigned index,
                    bool trusted, uint16_t *word)
{
    const struct setting_memory *memory = &fold->setting[context->scan->source];
    if (trusted && unit_register_word(context->map, context->scan, index, word))
        return true;
    if (!memory->newest[index].has ||
        context->begun - memory->newest[index].boot_ms > context->lapse_ms)
        return false;
    *word = memory->newest[index].word;
    return true;
}

static struct setting_now setting_by(const struct unit_setting *setting, bool has, uint16_t word)
{
    const struct unit_meaning *meaning = has ? unit_meaning_of(setting, word) : 0;
    if (!has)
        return (struct setting_now){.state = SETTING_UNSEEN};
    if (meaning == 0)
        return (struct setting_now){.state = SETTING_UNKNOWN};
    return (struct setting_now){.state = SETTING_KNOWN,
                                .meaning = (uint8_t)(meaning - setting->meaning)};
}

void setting_look(const struct fold *fold, struct scan_context *context, bool trusted)
{
    const struct map *map = context->map;
    for (unsigned k = 0; k < map->n_unit_settings; k++) {
        uint16_t word = 0;
        const bool has = word_of(fold, context, map->unit_settings[k].at, trusted, &word);
        context->unit_now[k] = setting_by(&map->unit_settings[k], has, word);
    }
    for (unsigned i = 0; i < map->n_channels; i++) {
        const struct setting_now *now = setting_of_channel(context, &map->channel[i]);
        context->unit[i] =
            now != 0 && now->state == SETTING_KNOWN
                ? map->unit_settings[map->channel[i].setting - 1].meaning[now->meaning].unit
                : map->channel[i].unit;
    }
}

double setting_value(const struct scan_context *context, unsigned index, double number)
{
    const struct channel *channel = &context->map->channel[index];
    const struct setting_now *now = setting_of_channel(context, channel);
    struct conversion conversion = channel->to_point;
    if (now != 0 && now->state == SETTING_KNOWN) {
        const struct unit_meaning *meaning =
            &context->map->unit_settings[channel->setting - 1].meaning[now->meaning];
        if ((meaning->unit != channel->unit || meaning->has_scale) &&
            !unit_meaning_conversion(channel, meaning, &conversion))
            return NAN;
    }
    return conversion_apply(&conversion, number) + 0.0;
}

enum setting_state channel_as_set(const struct map *map, const struct channel *channel,
                                  const struct scan *scan, struct channel *out)
{
    uint16_t word = 0;
    *out = *channel;
    if (channel->setting == 0)
        return SETTING_NONE;
    const struct unit_setting *setting = &map->unit_settings[channel->setting - 1];
    const bool has = unit_register_word(map, scan, setting->at, &word);
    const struct setting_now now = setting_by(setting, has, word);
    if (now.state != SETTING_KNOWN)
        return (enum setting_state)now.state;
    const struct unit_meaning *meaning = &setting->meaning[now.meaning];
    if (unit_meaning_conversion(channel, meaning, &out->to_point)) {
        out->unit = meaning->unit;
        out->scale = meaning->has_scale ? meaning->scale : channel->scale;
    }
    return SETTING_KNOWN;
}

/* ---- memory ---- */

void setting_forget_source(struct fold *fold, uint8_t source)
{
    for (unsigned i = 0; i < UNIT_REGISTERS_MAX; i++)
        fold->setting[source].newest[i].has = false;
}

void setting_load_fact(struct fold *fold, const struct fact *fact)
{
    const unsigned index = (unsigned)fact->kind - FACT_UNIT_SETTING;
    if (fact->source >= SOURCE_KINDS || !(fact->value >= 0.0 && fact->value <= 65535.0) ||
        (fold->run != 0 && fact->run != fold->run))
        return;
    fold->setting[fact->source].fact[index].run = fact->run;
    fold->setting[fact->source].fact[index].word = (uint16_t)fact->value;
}

bool fold_unit_word(const struct fold *fold, uint8_t source, unsigned index, uint16_t *word)
{
    if (source >= SOURCE_KINDS || index >= UNIT_REGISTERS_MAX ||
        !fold->setting[source].newest[index].has)
        return false;
    *word = fold->setting[source].newest[index].word;
    return true;
}

static void take_word(struct setting_memory *memory, const struct scan_context *context,
                      unsigned index, uint16_t word, struct fact *facts, size_t *n_facts)
{
    memory->newest[index].has = true;
    memory->newest[index].word = word;
    memory->newest[index].boot_ms = context->begun;
    if (memory->fact[index].run == context->scan->run && memory->fact[index].word == word)
        return;
    if (fact_push(facts, n_facts, context->scan, POINT_NONE, (uint8_t)(FACT_UNIT_SETTING + index),
                  (double)word)) {
        memory->fact[index].run = context->scan->run;
        memory->fact[index].word = word;
    }
}

void setting_take(struct fold *fold, struct scan_context *context, struct fact *facts,
                  size_t *n_facts)
{
    const struct map *map = context->map;
    const bool may_be_empty = context->has_sensors && context->gauge_quality == QUALITY_STARTING;
    for (unsigned i = 0; i < map->n_unit_registers; i++) {
        uint16_t word;
        if (!may_be_empty && unit_register_word(map, context->scan, i, &word))
            take_word(&fold->setting[context->scan->source], context, i, word, facts, n_facts);
    }
    if (!may_be_empty || map->n_unit_settings == 0)
        return;
    setting_look(fold, context, false);
    for (unsigned i = 0; i < map->n_channels; i++)
        if (map->channel[i].setting > 0 && context->looked[i].at == LOOKED_DATA)
            context->looked[i].value = setting_value(context, i, context->looked[i].number);
}
