/* SPDX-License-Identifier: Apache-2.0
 *
 * space.c - see space.h.
 */
#include "space.h"

#define DAY_MS 86400000.0
#define TREND_AFTER_MS 3600000
#define ROW_BYTES 150.0
#define FULL_PART 0.95 /* of at_most: from here on the oldest go */

double space_planned_bytes_a_day(const struct plan *plan)
{
    double bytes = 0;
    for (uint16_t w = 0; w < plan->n_wells; w++)
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            const struct well_plan *well = &plan->wells[w];
            if (well->n_entries[s] == 0)
                continue;
            const struct source_entry *entry = &well->entries[s][well->n_entries[s] - 1];
            const struct map *map = &plan->maps[entry->map];
            double words = 8;
            for (uint16_t c = 0; c < map->n_channels; c++)
                words += map->channel[c].n_words;
            bytes += DAY_MS / entry->poll_every_ms * (ROW_BYTES + 2 * words);
        }
    return bytes;
}

uint16_t space_days_left(const struct plan *plan, const struct space_sample *first,
                         const struct space_sample *now)
{
    double a_day = space_planned_bytes_a_day(plan);
    const int64_t seen_ms = now->boot_ms - first->boot_ms;
    if (seen_ms >= TREND_AFTER_MS && now->bytes > first->bytes)
        a_day = (double)(now->bytes - first->bytes) * DAY_MS / (double)seen_ms;
    else if (now->at_age)
        a_day = 0;
    double left = (double)now->free_bytes;
    const double allowed = FULL_PART * (double)plan->journal.at_most_bytes - (double)now->bytes;
    if (plan->journal.at_most_bytes > 0 && allowed < left)
        left = allowed;
    if (left <= 0)
        return 0;
    const double days = a_day > 0 ? left / a_day : 65535;
    return days >= 65535 ? 65535 : (uint16_t)days;
}
