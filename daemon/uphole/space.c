/* SPDX-License-Identifier: Apache-2.0
 *
 * space.c - see space.h.
 */
#include "space.h"

#define DAY_MS 86400000.0
#define TREND_AFTER_MS 3600000
/* Of a sealed scan. A year of registers that change by a count or two with each poll was measured
 * at 0.46 bytes a word, all else included (tests/bench/bench_journal.py); here twice that, since
 * other maps hold words that change more. */
#define SCAN_BYTES 8.0
#define WORD_BYTES 1.0
#define FULL_PART 0.95 /* of at_most: from here on the oldest go */

unsigned space_words_of(const struct read_plan *reads)
{
    unsigned words = 0;
    for (uint16_t i = 0; i < reads->n; i++) {
        const struct read_request *request = &reads->range[i].request;
        words +=
            request->function <= TABLE_DISCRETE ? (request->count + 15u) / 16u : request->count;
    }
    return words;
}

double space_source_bytes_a_day(const struct source_entry *entry, const struct read_plan *reads)
{
    return DAY_MS / entry->poll_every_ms * (SCAN_BYTES + WORD_BYTES * space_words_of(reads));
}

double space_planned_bytes_a_day(const struct plan *plan)
{
    double bytes = 0;
    for (uint16_t w = 0; w < plan->n_wells; w++)
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            const struct well_plan *well = &plan->wells[w];
            struct read_plan reads;
            struct up_error error = {0};
            if (well->n_entries[s] == 0)
                continue;
            const struct source_entry *entry = &well->entries[s][well->n_entries[s] - 1];
            if (read_plan_make(&plan->maps[entry->map], &plan->lines[entry->line], &reads,
                               &error) == UP_OK) /* else nothing of it is read */
                bytes += space_source_bytes_a_day(entry, &reads);
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
