/* SPDX-License-Identifier: Apache-2.0
 *
 * window.c - how long the memories of a fold last, and how far before a wanted scan a fold must
 * therefore begin.
 *
 * Every limit here is used twice: by the rule that forgets, and by fold_window_of, which adds up
 * what a chain of rules can look back on.
 */
#include "fold_state.h"

static int64_t larger(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

int64_t lapse_of(const struct source_entry *entry)
{
    return larger(LAPSE_MIN_MS, 3 * (int64_t)entry->poll_every_ms);
}

int64_t round_of(const struct plan *plan, const struct source_entry *entry)
{
    int64_t sum = 2 * (int64_t)entry->poll_every_ms + entry->refresh_ms;
    if (!entry->stale_limit_stated && entry->stale_limit_ms >= sum)
        return entry->stale_limit_ms -
               sum; /* the default limit is this sum plus one round of the line */
    uint32_t timeout =
        entry->line < plan->n_lines ? plan->lines[entry->line].response_timeout_ms : 1000;
    return 2 * (int64_t)timeout + 1000;
}

int64_t starting_of(const struct plan *plan, const struct source_entry *entry)
{
    return (int64_t)plan->maps[entry->map].first_data_ms + entry->refresh_ms +
           entry->poll_every_ms + round_of(plan, entry);
}

int64_t freeze_of(const struct source_entry *entry)
{
    return (int64_t)entry->freeze_after * entry->refresh_ms;
}

int64_t still_of(const struct source_entry *entry)
{
    return larger(freeze_of(entry), entry->stale_limit_ms);
}

int64_t step_look_back_of(const struct source_entry *entry)
{
    return STEP_LOOK_BACK_REFRESHES * larger(entry->refresh_ms, entry->poll_every_ms);
}

int64_t pump_lapse_of(const struct plan *plan, const struct source_entry *entry)
{
    return lapse_of(entry) + starting_of(plan, entry);
}

int64_t rate_step_of(const struct source_entry *entry)
{
    int64_t step = larger(entry->refresh_ms, entry->poll_every_ms);
    return step > 0 ? step : 1;
}

static bool has_windows(const struct well_plan *well)
{
    for (unsigned i = 0; i < well->n_data; i++)
        if (isfinite(well->data[i].statistics_coverage_ratio))
            return true;
    return false;
}

static bool has_settings(const struct plan *plan, const struct well_plan *well)
{
    for (unsigned source = SOURCE_GAUGE; source < SOURCE_KINDS; source++)
        for (unsigned i = 0; i < well->n_entries[source]; i++)
            if (well->entries[source][i].map < plan->n_maps &&
                plan->maps[well->entries[source][i].map].n_unit_settings > 0)
                return true;
    return false;
}

struct fold_window fold_window_of(const struct plan *plan, const struct well_plan *well)
{
    int64_t gap = LAPSE_MIN_MS, longest = CLOCK_STEADY_MS + CLOCK_COMPARE_MS, series = 0;
    for (unsigned source = SOURCE_GAUGE; source < SOURCE_KINDS; source++) {
        for (unsigned i = 0; i < well->n_entries[source]; i++) {
            const struct source_entry *entry = &well->entries[source][i];
            if (entry->map >= plan->n_maps)
                continue;
            int64_t lapse = lapse_of(entry), refresh = entry->refresh_ms;
            gap = larger(gap, lapse);
            longest = larger(longest, 2 * lapse + refresh);              /* agreed */
            longest = larger(longest, lapse + starting_of(plan, entry)); /* starting, then silent */
            longest = larger(longest, lapse + larger(still_of(entry), freeze_of(entry)));
            longest = larger(longest, lapse + 2 * step_look_back_of(entry) + refresh);
            series = larger(series, pump_lapse_of(plan, entry));
            series = larger(series, RATE_BINS * rate_step_of(entry));
            if (has_windows(well))
                series = larger(series, windows_reach_ms(lapse) + entry->stale_limit_ms);
        }
    }
    /* A derived point also reads another source's newest record, which is at most a lapse old; one
     * lapse more for the first scan to come. Rates and the state of the pump look back on readings,
     * each of which must have settled. */
    /* The unit-setting register may have been read a lapse before the values that it governs. */
    if (has_settings(plan, well))
        longest += gap;
    return (struct fold_window){.ms = longest + 2 * gap + series, .scans = ERROR_RATIO_SCANS + 1};
}

/* ---- which gauge is it ---- */

uint64_t signature_mix(uint64_t hash, uint64_t value)
{
    hash = (hash ^ value) * UINT64_C(0x9E3779B97F4A7C15);
    return hash ^ hash >> 29;
}

uint64_t signature_mix_text(uint64_t hash, const char *text)
{
    for (; *text != '\0'; text++)
        hash = signature_mix(hash, (uint8_t)*text);
    return signature_mix(hash, 0);
}

uint64_t signature_mix_channel(uint64_t hash, const struct channel *channel)
{
    hash = signature_mix(hash, (uint64_t)channel->point << 32 | (uint64_t)channel->table << 24 |
                         (uint64_t)channel->type << 16 | (uint64_t)channel->words << 8 |
                         channel->bytes);
    hash = signature_mix(hash, (uint64_t)channel->address << 32 | (uint64_t)channel->n_words << 16 |
                         (uint64_t)channel->bit_low << 8 | channel->bit_high);
    hash = signature_mix(hash, (uint64_t)channel->scale.mantissa);
    hash = signature_mix(hash, (uint64_t)(int64_t)channel->scale.exponent);
    hash = signature_mix(hash, (uint64_t)channel->offset.mantissa);
    hash = signature_mix(hash, (uint64_t)(int64_t)channel->offset.exponent);
    return signature_mix(hash, (uint64_t)channel->setting << 32 | (uint64_t)channel->unit << 8 |
                                   channel->reference);
}

/** What the unit-setting register means; nothing where it means nothing. */
static uint64_t mix_settings(uint64_t hash, const struct map *map)
{
    for (unsigned k = 0; k < map->n_unit_settings; k++) {
        const struct unit_setting *setting = &map->unit_settings[k];
        const struct register_at *at = &map->unit_registers[setting->at];
        hash = signature_mix(hash, (uint64_t)setting->kind << 40 | (uint64_t)at->table << 32 |
                                       (uint64_t)at->address << 16 |
                                       (uint64_t)setting->bit_low << 8 | setting->bit_high);
        for (unsigned i = 0; i < setting->n_meanings; i++) {
            const struct unit_meaning *meaning = &setting->meaning[i];
            hash = signature_mix(hash, (uint64_t)meaning->raw << 24 |
                                           (uint64_t)meaning->unit << 8 | meaning->has_scale);
            hash = signature_mix(hash, (uint64_t)meaning->scale.mantissa);
            hash = signature_mix(hash, (uint64_t)(int64_t)meaning->scale.exponent);
        }
    }
    return hash;
}

uint64_t units_signature_of(const struct plan *plan, const struct source_entry *entry)
{
    const struct map *map = &plan->maps[entry->map];
    uint64_t hash = signature_mix(UINT64_C(0xCBF29CE484222325), (uint64_t)entry->from_utc_ms);
    hash = signature_mix_text(hash, entry->serial_number);
    for (unsigned i = 0; i < map->n_channels && i < MAP_CHANNELS_MAX; i++)
        hash = signature_mix_channel(hash, &map->channel[i]);
    return mix_settings(hash, map) >> 16;
}

uint64_t signature_of(const struct plan *plan, const struct source_entry *entry)
{
    const struct map *map = &plan->maps[entry->map];
    uint64_t hash = signature_mix(UINT64_C(0xCBF29CE484222325), (uint64_t)entry->from_utc_ms);
    hash = signature_mix(hash, (uint64_t)entry->unit_id << 32 | entry->poll_every_ms);
    hash = signature_mix(hash, entry->refresh_ms);
    hash = signature_mix_text(hash, entry->serial_number);
    hash = signature_mix_text(hash, map->name);
    hash = signature_mix(hash, (uint64_t)map->has_status << 24 | (uint64_t)map->status_table << 16 |
                         map->status_address);
    hash = signature_mix(hash, (uint64_t)map->has_counter << 40 | (uint64_t)map->counter_words << 32 |
                         (uint64_t)map->counter_order << 24 | (uint64_t)map->counter_table << 16 |
                         map->counter_address);
    for (unsigned i = 0; i < map->n_channels && i < MAP_CHANNELS_MAX; i++)
        hash = signature_mix_channel(hash, &map->channel[i]);
    return mix_settings(hash, map);
}

const struct source_entry *entry_at(const struct plan *plan, const struct well_plan *well,
                                    uint8_t source, int64_t utc_ms)
{
    if (source == SOURCE_NONE || source >= SOURCE_KINDS || well->n_entries[source] == 0)
        return 0;
    const struct source_entry *entry = plan_entry_at(well, source, utc_ms);
    return entry != 0 && entry->map < plan->n_maps ? entry : 0;
}
