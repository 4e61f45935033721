/* SPDX-License-Identifier: Apache-2.0
 *
 * lengths.c - answers that can't be mistaken for each other: pairwise different lengths within a
 * table (pure).
 *
 * RTU has no transaction number: an answer that comes late is told from the next one by unit,
 * function and length alone. So each range of a unit and function gets a length of its own, by
 * padding into registers that may be read, else by one more cut.
 */
#include "needs.h"

#include <string.h>

#define LENGTH_MAX 250 /* registers, or eights of bits */

/** The bytes of an answer tell lengths apart: registers one by one, bits eight by eight. */
static int length_of(uint8_t table, int count)
{
    return table_counts_bits(table) ? (count + 7) / 8 : count;
}
static int count_for(uint8_t table, int length, int at_least)
{
    int count = table_counts_bits(table) ? 8 * (length - 1) + 1 : length;
    return count > at_least ? count : at_least;
}
static int longest_length(const struct piece *piece, const struct map *map)
{
    int count = piece->last - piece->first + 1;
    int grown = count + piece->before + piece->after;
    int limit = needs_largest_read(map, piece->table);
    return length_of(piece->table, grown < limit ? grown : limit > count ? limit : count);
}

static void measure_margins(struct piece *piece, const struct needs *needs)
{
    int room = needs_largest_read(needs->map, piece->table) - (piece->last - piece->first + 1);
    piece->before = piece->after = 0;
    while (piece->after < room &&
           needs_is_readable(needs, piece->table, piece->last + piece->after + 1))
        piece->after++;
    while (piece->before < room &&
           needs_is_readable(needs, piece->table, piece->first - piece->before - 1))
        piece->before++;
}

static void grow(struct piece *piece, int count)
{
    int more = count - (piece->last - piece->first + 1);
    int after = more < piece->after ? more : piece->after;
    piece->last += after;
    piece->first -= more - after;
}

/** Of the pieces of a table that wait for a length and may have `length`, the one whose margin ends
 * first. NULL: none. */
static struct piece *next_for_length(struct pieces *pieces, const struct map *map, uint8_t table,
                                     int length, const bool *is_done)
{
    struct piece *chosen = NULL;
    for (unsigned i = 0; i < pieces->n; i++) {
        struct piece *piece = &pieces->piece[i];
        if (piece->table != table || is_done[i] ||
            length_of(table, piece->last - piece->first + 1) > length ||
            longest_length(piece, map) < length)
            continue;
        if (chosen == NULL || longest_length(piece, map) < longest_length(chosen, map))
            chosen = piece;
    }
    return chosen;
}

/**
 * Each length goes to the piece that could use it for the shortest time (earliest deadline first:
 * if any assignment of different lengths exists, this finds one). Pieces that are left keep their
 * length, and whoever has an equal one stands alone. Returns how many stand alone.
 */
static unsigned spread_lengths(struct pieces *pieces, const struct needs *needs)
{
    bool is_done[SCAN_BLOCKS_MAX + 1] = {false};
    for (unsigned i = 0; i < pieces->n; i++)
        measure_margins(&pieces->piece[i], needs);
    for (uint8_t table = TABLE_COIL; table <= TABLE_INPUT; table++) {
        for (int length = 1; length <= LENGTH_MAX; length++) {
            struct piece *piece = next_for_length(pieces, needs->map, table, length, is_done);
            if (piece == NULL)
                continue;
            is_done[piece - pieces->piece] = true;
            grow(piece, count_for(table, length, piece->last - piece->first + 1));
        }
    }
    unsigned alone = 0;
    for (unsigned i = 0; i < pieces->n; i++) {
        struct piece *a = &pieces->piece[i];
        a->alone = false;
        for (unsigned j = 0; j < pieces->n; j++) {
            const struct piece *b = &pieces->piece[j];
            a->alone = a->alone || (i != j && a->table == b->table &&
                                    length_of(a->table, a->last - a->first + 1) ==
                                        length_of(b->table, b->last - b->first + 1));
        }
        alone += a->alone;
    }
    return alone;
}

/** Cuts piece `index` before item `item`, in a copy. */
static struct pieces pieces_split(const struct pieces *from, const struct needs *needs,
                                  unsigned index, int item)
{
    struct pieces out = *from;
    memmove(&out.piece[index + 1], &out.piece[index], (out.n - index) * sizeof out.piece[0]);
    out.n++;
    piece_set(&out.piece[index], needs, from->piece[index].first_item, item - 1);
    piece_set(&out.piece[index + 1], needs, item, from->piece[index].last_item);
    return out;
}

/* Where padding can't make all lengths different, tries one more cut; the first that leaves the
 * fewest standing alone is kept. */
void pieces_spread(struct pieces *natural, struct pieces *spread, const struct needs *needs,
                   bool may_split)
{
    *spread = *natural;
    unsigned alone = spread_lengths(spread, needs);
    while (may_split && alone > 0 && natural->n < SCAN_BLOCKS_MAX) {
        unsigned least = alone;
        struct pieces best_natural, best_spread;
        for (unsigned i = 0; i < natural->n; i++) {
            const struct piece *piece = &natural->piece[i];
            if (piece->is_status_again)
                continue;
            for (int item = piece->first_item + 1; item <= piece->last_item; item++) {
                struct pieces cut_in_two = pieces_split(natural, needs, i, item);
                struct pieces tried = cut_in_two;
                unsigned left = spread_lengths(&tried, needs);
                if (left >= least)
                    continue;
                least = left;
                best_natural = cut_in_two;
                best_spread = tried;
            }
        }
        if (least == alone)
            return;
        alone = least;
        *natural = best_natural;
        *spread = best_spread;
    }
}
