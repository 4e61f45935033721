/* SPDX-License-Identifier: Apache-2.0
 *
 * needs.h - the registers that a map needs, in order, and the ranges that are being planned from
 * them (pure).
 */
#ifndef UPHOLE_GATHER_NEEDS_H
#define UPHOLE_GATHER_NEEDS_H

#include "uphole/plan.h"

#define ITEMS_MAX (MAP_CHANNELS_MAX + 2 + UNIT_REGISTERS_MAX)

/** Registers that belong together: a channel, the status word, the refresh counter, the unit
 * register. */
struct item {
    uint8_t table;
    int first, last;
};
/** What the steps share: the map's needs in order, and what must not be touched. `avoid` is
 * borrowed. */
struct needs {
    const struct map *map;
    const struct register_range *avoid;
    unsigned n_avoid;
    unsigned n;
    struct item item[ITEMS_MAX];
};
/** A range while it is being planned: items first_item..last_item, and how far it may grow. */
struct piece {
    uint8_t table;
    bool is_status_again;
    int first_item, last_item;
    int first, last;   /* registers to read */
    int before, after; /* readable registers beside it */
    bool alone;
};
struct pieces {
    unsigned n;
    struct piece piece[SCAN_BLOCKS_MAX + 1];
};

/** Collects and sorts; items that share a register become one, since none may be split. */
void needs_collect(struct needs *needs, const struct map *map);
bool needs_is_item(const struct needs *needs, uint8_t table, int address);
bool needs_is_forbidden(const struct needs *needs, uint8_t table, int address);
/** May be read although nothing needs it there: what the map calls readable, or another channel's
 * registers. */
bool needs_is_readable(const struct needs *needs, uint8_t table, int address);
/** Registers (bits, for tables 1 and 2) that one read of this table may have. */
int needs_largest_read(const struct map *map, uint8_t table);
/** Coils and discrete inputs are counted in bits, sixteen a word of a scan. */
bool table_counts_bits(uint8_t table);
int table_words_for(uint8_t table, int count);

void piece_set(struct piece *piece, const struct needs *needs, int first_item, int last_item);
/**
 * Pads and splits until the answers of one table have pairwise different lengths. `natural` holds
 * the pieces as cut and is split with them; `spread` receives them padded, with `alone` where an
 * equal length is left. Splitting only where `may_split`.
 */
void pieces_spread(struct pieces *natural, struct pieces *spread, const struct needs *needs,
                   bool may_split);

#endif
