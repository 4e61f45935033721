/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_registers.c - what a virtual unit's registers hold: truth where the gauge is live, zeros
 * while it starts, what its map says when it is lost, the not-fitted marker where the well has no
 * such sensor; then the status word and the refresh counter.
 */
#include "unit_inside.h"

#include <math.h>
#include <string.h>

#include "registers.h"
#include "unit.h"
#include "uphole/wire.h"

static void write_words(struct virtual_unit *unit, const struct channel *channel,
                        const struct encoded *encoded)
{
    uint16_t *cells = unit->cells[channel->table];
    if (!cells)
        return;
    if (channel->table == TABLE_COIL || channel->table == TABLE_DISCRETE) {
        unsigned shift = channel->has_bits ? channel->bit_low : 0;
        for (unsigned i = 0; i < channel->n_words; i++)
            cells[channel->address + i] = encoded->words[0] >> (i + shift) & 1;
        return;
    }
    for (unsigned i = 0; i < encoded->n; i++) {
        uint16_t *cell = &cells[channel->address + i];
        *cell = (uint16_t)((*cell & ~encoded->mask[i]) | (encoded->words[i] & encoded->mask[i]));
    }
}

static bool role_for_phase(uint8_t role, uint8_t phase, bool any_silent)
{
    switch (phase) {
    case GAUGE_PHASE_STARTING:
        return role == STATUS_STARTING;
    case GAUGE_PHASE_LIVE:
        return role == STATUS_LIVE;
    default:
        return role == (any_silent ? STATUS_SILENT : STATUS_FAULT);
    }
}

static uint16_t status_word(const struct map *map, uint8_t phase)
{
    bool any_silent = false;
    for (unsigned bit = 0; bit < 16; bit++)
        any_silent |= map->status_bit[bit] == STATUS_SILENT;
    for (unsigned i = 0; i < map->n_status_values; i++)
        any_silent |= map->status_value[i].role == STATUS_SILENT;
    for (unsigned i = 0; i < map->n_status_values; i++)
        if (role_for_phase(map->status_value[i].role, phase, any_silent))
            return map->status_value[i].raw;
    unsigned word = 0;
    for (unsigned bit = 0; bit < 16; bit++)
        if (role_for_phase(map->status_bit[bit], phase, any_silent))
            word |= 1u << bit;
    return (uint16_t)word;
}

static bool is_missing(const struct virtual_unit *unit, unsigned point)
{
    bool is_discharge = point == POINT_DISCHARGE_PRESSURE || point == POINT_DISCHARGE_TEMPERATURE;
    return (unit->options.no_discharge && is_discharge) ||
           (point < POINT_COUNT && unit->options.not_fitted[point]);
}

/* What a gauge that is gone leaves in a channel: its last value, its fault code, or zero, as the
 * map's unit does it. */
static void write_lost(struct virtual_unit *unit, const struct channel *channel)
{
    struct encoded encoded;
    if (unit->map->holds_last)
        return;
    bool by_marker = !unit->map->has_status && channel->n_markers && !channel->n_faults;
    if (by_marker)
        registers_marker(channel, channel->not_fitted, channel->n_markers, &encoded);
    else
        registers_marker(channel, channel->faults, channel->n_faults, &encoded);
    write_words(unit, channel, &encoded);
}

/** The channel as the unit is set. */
static const struct channel *set_channel(const struct virtual_unit *unit,
                                         const struct channel *channel, struct channel *as_set)
{
    if (channel->setting == 0)
        return channel;
    const struct unit_meaning *meaning = &unit->map->unit_settings[channel->setting - 1]
                                              .meaning[unit->meaning[channel->setting - 1]];
    if (meaning->unit == channel->unit && !meaning->has_scale)
        return channel;
    *as_set = *channel;
    as_set->unit = meaning->unit;
    return unit_meaning_conversion(channel, meaning, &as_set->to_point) ? as_set : channel;
}

static void write_channel(struct virtual_unit *unit, const struct channel *channel,
                          const struct well_truth *truth, uint8_t phase)
{
    struct encoded encoded;
    double *says = &unit->truth.value[channel->point];
    bool of_gauge = point_is_of_gauge(channel->point) != 0;
    *says = NAN;
    if (unit->filled_refresh == NO_REFRESH || (of_gauge && phase == GAUGE_PHASE_STARTING)) {
        registers_marker(channel, NULL, 0, &encoded);
        write_words(unit, channel, &encoded);
    } else if (channel->point < POINT_COUNT && channel->type != TYPE_TEXT &&
               (is_missing(unit, channel->point) || isnan(truth->value[channel->point]))) {
        registers_marker(channel, channel->not_fitted, channel->n_markers, &encoded);
        write_words(unit, channel, &encoded);
    } else if (of_gauge && phase == GAUGE_PHASE_LOST) {
        write_lost(unit, channel);
    } else {
        struct channel as_set;
        channel = set_channel(unit, channel, &as_set);
        registers_encode(channel, truth->value[channel->point], "SIM-0001", &encoded);
        write_words(unit, channel, &encoded);
        *says = encoded.value;
    }
}

/* The counter counts the gauge's refreshes; it stands still while the gauge is lost and begins at
 * zero with the power. */
static void count_refresh(struct virtual_unit *unit, int64_t refresh, uint8_t phase)
{
    if (phase == GAUGE_PHASE_LIVE && refresh > unit->counted_refresh) {
        int64_t warm_at =
            unit->gauge_since_ms + unit->map->first_data_ms - unit_first_refresh_ms(unit);
        int64_t first_live = warm_at <= 0 ? 0 : (warm_at + unit->refresh_ms - 1) / unit->refresh_ms;
        int64_t from =
            unit->counted_refresh + 1 > first_live ? unit->counted_refresh + 1 : first_live;
        unit->counter += refresh - from + 1;
        unit->counted_refresh = refresh;
    }
}

static void write_status(struct virtual_unit *unit, uint8_t phase)
{
    const struct map *map = unit->map;
    if (map->has_status && unit->cells[map->status_table])
        unit->cells[map->status_table][map->status_address] = status_word(map, phase);
    const struct channel *channel = map_channel(map, STATUS_POINT);
    if (channel && channel->table >= TABLE_HOLDING && channel->n_words == 1 && !channel->has_bits &&
        !channel->n_values)
        unit->truth.value[STATUS_POINT] = unit->cells[channel->table][channel->address];
    if (map->has_counter && unit->cells[map->counter_table])
        put_registers(&unit->cells[map->counter_table][map->counter_address], map->counter_words,
                      map->counter_order == WORDS_LOW_FIRST ? WORDS_LOW_FIRST : WORDS_HIGH_FIRST,
                      BYTES_HIGH_FIRST, (uint64_t)unit->counter);
}

/** Zero until the unit has started, as all of its registers. */
static void write_settings(struct virtual_unit *unit, int64_t refresh)
{
    for (unsigned i = 0; i < unit->map->n_unit_registers; i++) {
        const struct register_at *at = &unit->map->unit_registers[i];
        if (unit->cells[at->table])
            unit->cells[at->table][at->address] = refresh == NO_REFRESH ? 0 : unit->shown[i];
    }
}

static uint16_t with_bits(uint16_t word, const struct unit_setting *setting, uint16_t number)
{
    const unsigned mask = (unsigned)unit_setting_bits(setting, 0xFFFF) << setting->bit_low;
    return (uint16_t)((word & ~mask) | ((unsigned)number << setting->bit_low & mask));
}

void unit_begin_settings(struct virtual_unit *unit)
{
    const struct map *map = unit->map;
    for (unsigned i = 0; i < map->n_channels; i++) {
        const struct channel *channel = &map->channel[i];
        const struct unit_setting *setting =
            channel->setting > 0 ? &map->unit_settings[channel->setting - 1] : NULL;
        for (unsigned m = 0; setting && m < setting->n_meanings; m++)
            if (setting->meaning[m].unit == channel->unit) {
                unit->meaning[channel->setting - 1] = (uint8_t)m;
                unit->shown[setting->at] =
                    with_bits(unit->shown[setting->at], setting, setting->meaning[m].raw);
                break;
            }
    }
}

void virtual_unit_set_setting(struct virtual_unit *unit, int64_t time_ms, uint16_t number,
                              bool values, bool shown)
{
    const struct map *map = unit->map;
    virtual_unit_step(unit, time_ms);
    for (unsigned k = 0; k < map->n_unit_settings; k++) {
        const struct unit_setting *setting = &map->unit_settings[k];
        for (unsigned m = 0; values && m < setting->n_meanings; m++)
            if (setting->meaning[m].raw == number)
                unit->meaning[k] = (uint8_t)m;
        if (shown)
            unit->shown[setting->at] = with_bits(unit->shown[setting->at], setting, number);
    }
    if (shown && map->has_unit_register && map->n_unit_settings == 0)
        unit->shown[0] = number;
    if (unit->is_filled)
        unit_fill(unit, unit->filled_refresh, unit->filled_phase);
}

void virtual_unit_reset_setting(struct virtual_unit *unit, int64_t time_ms)
{
    virtual_unit_step(unit, time_ms);
    memset(unit->shown, 0, sizeof unit->shown);
    unit_begin_settings(unit);
    if (unit->is_filled)
        unit_fill(unit, unit->filled_refresh, unit->filled_phase);
}

void unit_fill(struct virtual_unit *unit, int64_t refresh, uint8_t phase)
{
    struct well_truth truth = {.phase = WELL_STOPPED};
    if (refresh != NO_REFRESH)
        well_truth_scheduled(unit->options.seed, unit->options.schedule,
                             unit_instant_ms(unit, refresh), &truth);
    unit->is_filled = true;
    unit->filled_refresh = refresh;
    unit->filled_phase = phase;
    for (unsigned point = 0; point < POINT_COUNT; point++)
        unit->truth.value[point] = NAN;
    unit->truth.phase = truth.phase;
    count_refresh(unit, refresh, phase);
    for (unsigned i = 0; i < unit->map->n_channels; i++)
        if (unit->map->channel[i].point != STATUS_POINT || !unit->map->has_status)
            write_channel(unit, &unit->map->channel[i], &truth, phase);
    write_status(unit, phase);
    write_settings(unit, refresh);
}
