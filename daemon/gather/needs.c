/* SPDX-License-Identifier: Apache-2.0
 *
 * needs.c - what a map needs read, and what may be read beside it (pure).
 *
 * Invariant: items are sorted by table and address and share no register.
 */
#include "needs.h"

#include <stdlib.h>

#define REGISTERS_MAX 125 /* Modbus Application Protocol V1.1b3, 6.3 and 6.4 */
#define BITS_MAX 2000     /* the same, 6.1 and 6.2 */

static void needs_add(struct needs *needs, uint8_t table, int first, int count)
{
    needs->item[needs->n++] =
        (struct item){.table = table, .first = first, .last = first + (count > 0 ? count : 1) - 1};
}

static int compare_items(const void *a, const void *b)
{
    const struct item *one = a, *other = b;
    if (one->table != other->table)
        return one->table < other->table ? -1 : 1;
    return one->first != other->first ? (one->first < other->first ? -1 : 1)
                                      : (one->last > other->last) - (one->last < other->last);
}

void needs_collect(struct needs *needs, const struct map *map)
{
    needs->map = map;
    needs->n = 0;
    for (unsigned i = 0; i < map->n_channels; i++)
        needs_add(needs, map->channel[i].table, map->channel[i].address, map->channel[i].n_words);
    if (map->has_status)
        needs_add(needs, map->status_table, map->status_address, 1);
    if (map->has_counter)
        needs_add(needs, map->counter_table, map->counter_address, map->counter_words);
    for (unsigned i = 0; i < map->n_unit_registers; i++)
        needs_add(needs, map->unit_registers[i].table, map->unit_registers[i].address, 1);
    if (needs->n == 0)
        return;
    qsort(needs->item, needs->n, sizeof needs->item[0], compare_items);
    unsigned kept = 0;
    for (unsigned i = 1; i < needs->n; i++) {
        struct item *last = &needs->item[kept];
        if (needs->item[i].table != last->table || needs->item[i].first > last->last)
            needs->item[++kept] = needs->item[i];
        else if (needs->item[i].last > last->last)
            last->last = needs->item[i].last;
    }
    needs->n = kept + 1;
}

static bool ranges_hold(const struct register_range *ranges, unsigned n, uint8_t table, int address)
{
    for (unsigned i = 0; i < n; i++)
        if (ranges[i].table == table && address >= ranges[i].first && address <= ranges[i].last)
            return true;
    return false;
}
bool needs_is_item(const struct needs *needs, uint8_t table, int address)
{
    for (unsigned i = 0; i < needs->n; i++)
        if (needs->item[i].table == table && address >= needs->item[i].first &&
            address <= needs->item[i].last)
            return true;
    return false;
}
bool needs_is_forbidden(const struct needs *needs, uint8_t table, int address)
{
    return ranges_hold(needs->map->never, needs->map->n_never, table, address) ||
           (ranges_hold(needs->avoid, needs->n_avoid, table, address) &&
            !needs_is_item(needs, table, address));
}
/** May be read although nothing needs it there: what the map calls readable, or another channel's
 * registers. */
bool needs_is_readable(const struct needs *needs, uint8_t table, int address)
{
    return address >= 0 && address <= 65535 && !needs_is_forbidden(needs, table, address) &&
           (needs_is_item(needs, table, address) ||
            ranges_hold(needs->map->readable, needs->map->n_readable, table, address));
}

bool table_counts_bits(uint8_t table)
{
    return table <= TABLE_DISCRETE;
}
int needs_largest_read(const struct map *map, uint8_t table)
{
    int registers = map->largest_read > 0 && map->largest_read < REGISTERS_MAX ? map->largest_read
                                                                               : REGISTERS_MAX;
    return table_counts_bits(table) ? (registers * 16 < BITS_MAX ? registers * 16 : BITS_MAX)
                                    : registers;
}
int table_words_for(uint8_t table, int count)
{
    return table_counts_bits(table) ? (count + 15) / 16 : count;
}

void piece_set(struct piece *piece, const struct needs *needs, int first_item, int last_item)
{
    *piece = (struct piece){.table = needs->item[first_item].table,
                            .first_item = first_item,
                            .last_item = last_item,
                            .first = needs->item[first_item].first,
                            .last = needs->item[last_item].last};
}
