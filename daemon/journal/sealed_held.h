/* SPDX-License-Identifier: Apache-2.0
 *
 * sealed_held.h - columns of words that stand still together, for sealed_columns.c.
 */
#ifndef UPHOLE_JOURNAL_SEALED_HELD_H
#define UPHOLE_JOURNAL_SEALED_HELD_H

#include "sealed_column.h"

/** Of one layout's scans: which of them hold something new, and of which words that is said. */
struct held {
    uint16_t kept; /* scans with something new, the first among them; 0: nothing stands still */
    uint8_t row[(SEALED_ROWS_MAX + 7) / 8], word[(SCAN_WORDS_MAX + 7) / 8]; /* bits, lowest first */
};
static inline bool held_bit(const uint8_t *bits, size_t i)
{
    return (bits[i / 8] >> (i % 8) & 1) != 0;
}

/** Looks at scan `place[i]` of `rows`, i below n, of one layout of so many words. */
void held_choose(const struct sealed_rows *rows, const uint16_t *place, size_t n, unsigned words,
                 struct held *held);
/** Its coding; at most 1 + (n + 7) / 8 + (words + 7) / 8 bytes. Returns where `raw` ends then. */
uint8_t *held_code(const struct held *held, size_t n, unsigned words, uint8_t *raw);
/** False where the input ends, or is none of n scans. */
bool held_read(struct input *input, size_t n, unsigned words, struct held *held);
/** A column of 16-bit words of n scans, of which only the kept ones were coded. */
bool held_column_read(struct input *input, const struct held *held, size_t n, uint8_t *into);

#endif
