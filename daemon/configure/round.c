/* SPDX-License-Identifier: Apache-2.0
 *
 * round.c - an upper bound of the time in which a line asks each of its sources once.
 *
 * T(N) = (13 + 2N) x bits / baud + 2 x t3.5 + reply delay for each range, the formula of the read
 * plans. The ranges here are coarser than those of a read plan (runs of registers with holes of at
 * most 10), so the sum is a bound; `uphole check` shows both.
 */
#include "rooms.h"

#include <string.h>

#define HOLE_MAX 10u
#define REPLY_DELAY_US 50000 /* generous for a surface unit; common practice, no source */
#define CHANNEL_LAST(channel) ((unsigned)(channel)->address + (channel)->n_words - 1u)

static int64_t exchange_us(const struct line_plan *line, unsigned registers)
{
    if (!line_speaks_rtu(line))
        return REPLY_DELAY_US;
    const int64_t bits = (int64_t)line_bits_per_character(line) * (13 + 2 * (int64_t)registers);
    return (bits * 1000000 + line->baud - 1) / line->baud + 2 * line_quiet_us(line) +
           REPLY_DELAY_US;
}

/* The end of the run that begins at `first`: the highest register reached over holes of at most
 * HOLE_MAX. */
static unsigned run_end(const struct map *map, uint8_t table, unsigned first)
{
    unsigned last = first;
    for (bool grown = true; grown;) {
        grown = false;
        for (int i = 0; i < map->n_channels; i++) {
            const struct channel *channel = &map->channel[i];
            if (channel->table == table && channel->address >= first &&
                channel->address <= last + 1 + HOLE_MAX && CHANNEL_LAST(channel) > last) {
                last = CHANNEL_LAST(channel);
                grown = true;
            }
        }
    }
    return last;
}

static int64_t table_us(const struct map *map, const struct line_plan *line, uint8_t table)
{
    int64_t sum = 0;
    for (unsigned from = 0; from <= 65535;) {
        unsigned first = 65536;
        for (int i = 0; i < map->n_channels; i++)
            if (map->channel[i].table == table && map->channel[i].address >= from &&
                map->channel[i].address < first)
                first = map->channel[i].address;
        if (first == 65536)
            break;
        const unsigned last = run_end(map, table, first);
        for (unsigned left = last - first + 1; left > 0;) {
            const unsigned n = left < map->largest_read ? left : map->largest_read;
            sum += exchange_us(line, n);
            left -= n;
        }
        from = last + 1;
    }
    return sum;
}

static int64_t scan_us(const struct map *map, const struct line_plan *line)
{
    int64_t sum = 0;
    for (uint8_t table = TABLE_COIL; table <= TABLE_INPUT; table++)
        sum += table_us(map, line, table);
    if (map->has_status)
        sum += 2 * exchange_us(line, 1); /* first and last */
    if (map->has_counter)
        sum += exchange_us(line, map->counter_words);
    sum += (int64_t)map->n_unit_registers * exchange_us(line, 1);
    return sum;
}

/* ---- the very least ---- */

static bool is_read_before(const struct map *map, int index, unsigned address)
{
    for (int i = 0; i < index; i++)
        if (map->channel[i].table == map->channel[index].table &&
            map->channel[i].address <= address && CHANNEL_LAST(&map->channel[i]) >= address)
            return true;
    return false;
}

/* The bytes of the channels' own registers, in one exchange a table; no hole, no delay, no second
 * look at the status. */
static int64_t least_us(const struct map *map, const struct line_plan *line)
{
    int64_t sum = 0;
    if (!line_speaks_rtu(line))
        return 0;
    for (uint8_t table = TABLE_HOLDING; table <= TABLE_INPUT; table++) {
        unsigned registers = 0;
        for (int i = 0; i < map->n_channels; i++)
            for (unsigned n = 0; map->channel[i].table == table && n < map->channel[i].n_words; n++)
                registers += is_read_before(map, i, map->channel[i].address + n) ? 0 : 1;
        if (registers > 0)
            sum += exchange_us(line, registers) - REPLY_DELAY_US;
    }
    return sum;
}

/* Sums over all sources of a line, of each the slowest of its dated entries: a round holds at any
 * date. */
static int64_t round_us(const struct plan *plan, uint16_t line,
                        int64_t (*of)(const struct map *map, const struct line_plan *line))
{
    int64_t sum = 0;
    for (int w = 0; w < plan->n_wells; w++)
        for (int s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            int64_t slowest = 0;
            for (int e = 0; e < plan->wells[w].n_entries[s]; e++) {
                const struct source_entry *entry = &plan->wells[w].entries[s][e];
                const int64_t us =
                    entry->line == line ? of(&plan->maps[entry->map], &plan->lines[line]) : 0;
                slowest = us > slowest ? us : slowest;
            }
            sum += slowest;
        }
    return sum;
}

uint32_t round_least_ms(const struct plan *plan, uint16_t line)
{
    return (uint32_t)(round_us(plan, line, least_us) / 1000);
}

uint32_t plan_round_ms(const struct plan *plan, uint16_t line)
{
    /* One unanswered request: its timeout, then the rest, which is never shorter than the timeout.
     */
    return (uint32_t)((round_us(plan, line, scan_us) + 999) / 1000) +
           2 * plan->lines[line].response_timeout_ms;
}
