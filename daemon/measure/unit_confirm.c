/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_confirm.c - what a person confirmed of a channel's unit, scan by scan: it holds until the
 * surface unit, the map or the unit setting is another.
 *
 * A confirmation comes from outside, as a fact. What ends it is found here, and is a fact as well,
 * so that the old state does not revive it when it comes back. Each run makes a fact again of what
 * goes on, so that a late fold finds it among the facts of the run.
 *
 * The value of such a fact, 53 bits that a double holds exactly:
 *   bit 0 state (3)   3 has_setting (1)   4 setting (16)   20 serial (16)   36 channel (17)
 */
#include "fold_state.h"

#include <string.h>

_Static_assert(FACT_UNIT_CONFIRMED_LAST - FACT_UNIT_CONFIRMED + 1 == CONFIRM_HELD_MAX,
               "a kind of fact for each");
#define STATE_MASK UINT64_C(7)
#define VALUE_BITS 53

static uint64_t value_of(uint8_t state, const struct unit_tie *tie)
{
    return (uint64_t)state | (uint64_t)tie->has_setting << 3 | (uint64_t)tie->setting << 4 |
           (uint64_t)tie->serial << 20 | (uint64_t)(tie->channel & 0x1FFFF) << 36;
}

static struct confirmation confirmation_of(uint64_t value, int64_t utc_ms)
{
    return (struct confirmation){.state = (uint8_t)(value & STATE_MASK),
                                 .tie = {.channel = (uint32_t)(value >> 36),
                                         .serial = (uint16_t)(value >> 20),
                                         .has_setting = (value >> 3 & 1) != 0,
                                         .setting = (uint16_t)(value >> 4)},
                                 .since_utc_ms = utc_ms};
}

static bool value_of_fact(const struct fact *fact, uint64_t *value)
{
    if (!(fact->value >= 0.0 && fact->value < (double)(UINT64_C(1) << VALUE_BITS)))
        return false;
    *value = (uint64_t)fact->value;
    return true;
}

void confirmation_of_fact(const struct fact *fact, struct confirmation *out)
{
    uint64_t value = 0;
    if (!value_of_fact(fact, &value))
        value = 0;
    *out = confirmation_of(value, fact->utc_ms);
}

/* ---- what it is tied to ---- */

/** The unit-setting register that concerns the channel: the one that says its unit, else the one
 * that is watched; -1: none. */
static int register_of(const struct map *map, const struct channel *channel)
{
    if (channel->setting > 0)
        return map->unit_settings[channel->setting - 1].at;
    return map->has_unit_register ? 0 : -1;
}

/** Whatever gives the channel's number its meaning; ranges and words for people don't. */
static uint32_t digest_of_channel(const struct map *map, const struct channel *channel,
                                  uint8_t source)
{
    uint64_t hash = signature_mix_channel(UINT64_C(0xCBF29CE484222325), channel);
    hash = signature_mix(hash, (uint64_t)source << 8 | channel->has_bits);
    for (unsigned i = 0; i < channel->n_markers; i++)
        for (unsigned k = 0; k < channel->not_fitted[i].n_words; k++)
            hash = signature_mix(hash, channel->not_fitted[i].words[k]);
    const int at = register_of(map, channel);
    if (at >= 0)
        hash =
            signature_mix(hash, UINT64_C(1) << 32 | (uint64_t)map->unit_registers[at].table << 16 |
                                    map->unit_registers[at].address);
    const struct unit_setting *setting =
        channel->setting > 0 ? &map->unit_settings[channel->setting - 1] : 0;
    for (unsigned i = 0; setting != 0 && i < setting->n_meanings; i++)
        hash = signature_mix(signature_mix(hash, (uint64_t)setting->meaning[i].raw << 32 |
                                                     (uint64_t)setting->meaning[i].unit << 16 |
                                                     setting->meaning[i].has_scale),
                             (uint64_t)setting->meaning[i].scale.mantissa);
    return (uint32_t)(hash >> 47);
}

/** False: a text of the surface unit is not among what came. */
static bool digest_of_serial(const struct map *map, const struct source_entry *entry,
                             const struct scan *scan, uint16_t *serial)
{
    uint64_t hash = signature_mix_text(UINT64_C(0xCBF29CE484222325), entry->serial_number);
    bool is_known = entry->serial_number[0] != '\0';
    for (unsigned i = 0; i < map->n_channels; i++) {
        const struct channel *channel = &map->channel[i];
        const uint16_t *words;
        uint16_t bit;
        if (channel->type != TYPE_TEXT)
            continue;
        if (look_at(scan, channel->table, channel->address, channel->n_words, false, &words,
                    &bit) != LOOKED_DATA)
            return false;
        for (unsigned k = 0; k < channel->n_words; k++)
            hash = signature_mix(hash, words[k]);
        is_known = true;
    }
    if (!is_known)
        hash = signature_mix(signature_mix(hash, (uint64_t)entry->from_utc_ms), entry->unit_id);
    *serial = (uint16_t)(hash >> 48);
    return true;
}

/** Its word, as far as it concerns the channel. */
static bool setting_of(const struct map *map, const struct channel *channel,
                       const struct scan *scan, uint16_t *word)
{
    const int at = register_of(map, channel);
    if (at < 0 || !unit_register_word(map, scan, (unsigned)at, word))
        return false;
    if (channel->setting > 0)
        *word = unit_setting_bits(&map->unit_settings[channel->setting - 1], *word);
    return true;
}

bool measure_unit_tie(const struct plan *plan, const struct well_plan *well,
                      const struct scan *scan, unsigned point, struct unit_tie *tie)
{
    const struct source_entry *entry = entry_at(plan, well, scan->source, scan->begun.utc_ms);
    const struct map *map = entry != 0 ? &plan->maps[entry->map] : 0;
    const struct channel *channel = map != 0 ? map_channel(map, point) : 0;
    memset(tie, 0, sizeof *tie);
    if (channel == 0 || !outcome_has_data(scan->outcome))
        return false;
    tie->channel = digest_of_channel(map, channel, scan->source);
    tie->has_setting = register_of(map, channel) >= 0;
    return digest_of_serial(map, entry, scan, &tie->serial) &&
           (!tie->has_setting || setting_of(map, channel, scan, &tie->setting));
}

/** What of the tie is another in this scan; CONFIRMED_HOLDS: nothing that the scan shows. Registers
 * of a unit that starts hold zeros, and prove nothing. */
static uint8_t cause_of(const struct scan_context *context, const struct channel *channel,
                        const struct unit_tie *tie)
{
    const bool may_be_empty = context->has_sensors && context->gauge_quality == QUALITY_STARTING;
    const bool is_shown = outcome_has_data(context->scan->outcome) && !may_be_empty;
    uint16_t serial, word;
    if (channel == 0 ||
        digest_of_channel(context->map, channel, context->scan->source) != tie->channel)
        return CONFIRMED_OTHER_MAP;
    if (is_shown && digest_of_serial(context->map, context->entry, context->scan, &serial) &&
        serial != tie->serial)
        return CONFIRMED_OTHER_SERIAL;
    if (is_shown && tie->has_setting && setting_of(context->map, channel, context->scan, &word) &&
        word != tie->setting)
        return CONFIRMED_OTHER_SETTING;
    return CONFIRMED_HOLDS;
}

/* ---- memory ---- */

/** NULL: nothing was ever confirmed of the point. */
static const struct confirm_memory *memory_of(const struct fold *fold, unsigned point)
{
    return point < POINT_COUNT && fold->confirm_place[point] > 0
               ? &fold->confirm[fold->confirm_place[point] - 1]
               : 0;
}

/** The same to be written; made where there is room. */
static struct confirm_memory *memory_for(struct fold *fold, unsigned point)
{
    if (fold->confirm_place[point] == 0) {
        if (fold->n_confirm == CONFIRM_POINTS_MAX)
            return 0;
        fold->confirm[fold->n_confirm++] = (struct confirm_memory){.point = (uint16_t)point};
        fold->confirm_place[point] = fold->n_confirm;
    }
    return &fold->confirm[fold->confirm_place[point] - 1];
}

/** In the order of time; of one run. */
static void remember(struct confirm_memory *memory, const struct confirm_held *held)
{
    if (memory->n > 0 && memory->held[memory->n - 1].run != held->run)
        memory->n = 0;
    unsigned at = memory->n;
    while (at > 0 && memory->held[at - 1].boot_ms > held->boot_ms)
        at--;
    if (at > 0 && memory->held[at - 1].boot_ms == held->boot_ms) {
        memory->held[at - 1] = *held;
        return;
    }
    const int place =
        unit_make_room(memory->held, sizeof memory->held[0], &memory->n, CONFIRM_HELD_MAX, at);
    if (place >= 0)
        memory->held[place] = *held;
}

void confirm_load_fact(struct fold *fold, const struct fact *fact)
{
    uint64_t value;
    if (fact->source >= SOURCE_KINDS || fact->point == POINT_NONE || fact->point >= POINT_COUNT ||
        !value_of_fact(fact, &value) || (fold->run != 0 && fact->run != fold->run))
        return;
    struct confirm_memory *memory = memory_for(fold, fact->point);
    if (memory == 0)
        return;
    memory->source = fact->source;
    remember(memory, &(struct confirm_held){.value = value,
                                            .run = fact->run,
                                            .boot_ms = fact->boot_ms,
                                            .utc_ms = fact->utc_ms,
                                            .turn = (uint8_t)(fact->kind - FACT_UNIT_CONFIRMED)});
}

void confirm_forget_run(struct fold *fold)
{
    for (unsigned i = 0; i < fold->n_confirm; i++) {
        struct confirm_memory *memory = &fold->confirm[i];
        if (memory->n == 0)
            continue;
        memory->held[0] = memory->held[memory->n - 1];
        memory->held[0].run = 0;
        memory->n = 1;
    }
}

void fold_confirmation(const struct fold *fold, unsigned point, struct confirmation *out)
{
    const struct confirm_memory *memory = memory_of(fold, point);
    *out = (struct confirmation){.state = CONFIRMED_NOT};
    if (memory != 0 && memory->n > 0)
        *out =
            confirmation_of(memory->held[memory->n - 1].value, memory->held[memory->n - 1].utc_ms);
}

bool confirm_holds(const struct fold *fold, unsigned point)
{
    struct confirmation now;
    fold_confirmation(fold, point, &now);
    return now.state == CONFIRMED_HOLDS;
}

/* ---- scan by scan ---- */

static const struct confirm_held *in_force(const struct confirm_memory *memory,
                                           const struct scan_context *context)
{
    for (unsigned i = memory->n; i-- > 0;)
        if (memory->held[i].run != context->scan->run || memory->held[i].boot_ms <= context->begun)
            return &memory->held[i];
    return 0;
}

static uint8_t next_turn(const struct confirm_memory *memory, uint64_t run)
{
    if (memory == 0 || memory->n == 0 || memory->held[memory->n - 1].run != run)
        return 0;
    return (uint8_t)((memory->held[memory->n - 1].turn + 1) % CONFIRM_HELD_MAX);
}

static void make_fact(struct confirm_memory *memory, const struct scan_context *context,
                      uint64_t value, struct fact *facts, size_t *n_facts)
{
    const uint8_t turn = next_turn(memory, context->scan->run);
    if (fact_push(facts, n_facts, context->scan, memory->point,
                  (uint8_t)(FACT_UNIT_CONFIRMED + turn), (double)value))
        remember(memory, &(struct confirm_held){.value = value,
                                                .run = context->scan->run,
                                                .boot_ms = context->begun,
                                                .utc_ms = context->scan->begun.utc_ms,
                                                .turn = turn});
}

void confirm_scan(struct fold *fold, struct scan_context *context, struct fact *facts,
                  size_t *n_facts)
{
    for (unsigned i = 0; i < fold->n_confirm; i++) {
        struct confirm_memory *memory = &fold->confirm[i];
        const struct channel *channel = map_channel(context->map, memory->point);
        const struct confirm_held *held = in_force(memory, context);
        if (held == 0 || (channel == 0 && memory->source != context->scan->source))
            continue;
        const struct confirmation was = confirmation_of(held->value, held->utc_ms);
        if (was.state != CONFIRMED_HOLDS)
            continue;
        const uint8_t state = cause_of(context, channel, &was.tie);
        context->is_confirmed[memory->point] = state == CONFIRMED_HOLDS;
        if (state != CONFIRMED_HOLDS || held->run != context->scan->run)
            make_fact(memory, context, (held->value & ~STATE_MASK) | state, facts, n_facts);
    }
}

/* ---- from outside ---- */

bool fold_confirm(const struct fold *fold, const struct plan *plan, const struct well_plan *well,
                  const struct scan *newest, unsigned point, uint8_t state,
                  const struct unit_tie *tie, struct fact *out)
{
    const struct confirm_memory *memory = memory_of(fold, point);
    const int64_t since = newest->begun.boot_ms + 1; /* scans of a source are further apart */
    const int64_t window = since - fold_window_of(plan, well).ms;
    unsigned n = 0;
    if (point == POINT_NONE || point >= POINT_COUNT ||
        (memory == 0 && fold->n_confirm == CONFIRM_POINTS_MAX))
        return false;
    for (unsigned i = 0; memory != 0 && i < memory->n; i++)
        n += memory->held[i].run == newest->run && memory->held[i].boot_ms >= window;
    if (n + 2 >= CONFIRM_HELD_MAX) /* this one, what may end it, and what stood before the window */
        return false;
    uint8_t turn = next_turn(memory, newest->run);
    if (memory != 0 && memory->n > 0 && memory->held[memory->n - 1].run == newest->run &&
        memory->held[memory->n - 1].boot_ms == since)
        turn = memory->held[memory->n - 1].turn; /* no scan between the two: it takes its place */
    *out = (struct fact){.run = newest->run,
                         .well = newest->well,
                         .source = newest->source,
                         .point = (uint16_t)point,
                         .kind = (uint8_t)(FACT_UNIT_CONFIRMED + turn),
                         .value = (double)value_of(state, tie),
                         .utc_ms = newest->begun.utc_ms,
                         .boot_ms = since};
    return true;
}
