/* SPDX-License-Identifier: Apache-2.0
 *
 * sealed_held.c - what stands still together is coded once. Pure.
 *
 *   0, or 1 and then: a bit a scan (it holds something new), a bit a word (its column is coded over
 *   those scans alone, and stands still in the others)
 *
 * A gauge refreshes more slowly than it is polled, so most polls find all its registers as they
 * were. Each column by itself can say "no change" only a byte a scan, which compression then has to
 * find again in every column; here all columns that change seldom share one row of bits. A word
 * that moves with every poll (a heartbeat) is left out of it, and costs what it did.
 */
#include "sealed_held.h"

#include <string.h>

#define SELDOM 2 /* a column is among them where it changes in at most one scan of so many */

static uint16_t word_of(const struct sealed_rows *rows, const uint16_t *place, size_t i, unsigned w)
{
    return rows->words[rows->words_at[place[i]] + w];
}

static void set_bit(uint8_t *bits, size_t i)
{
    bits[i / 8] = (uint8_t)(bits[i / 8] | 1u << (i % 8));
}

void held_choose(const struct sealed_rows *rows, const uint16_t *place, size_t n, unsigned words,
                 struct held *held)
{
    uint16_t changes[SCAN_WORDS_MAX] = {0};
    memset(held, 0, sizeof *held);
    for (size_t i = 1; i < n; i++)
        for (unsigned w = 0; w < words; w++)
            changes[w] = (uint16_t)(changes[w] +
                                    (word_of(rows, place, i, w) != word_of(rows, place, i - 1, w)));
    for (unsigned w = 0; w < words; w++)
        if (changes[w] * (size_t)SELDOM <= n)
            set_bit(held->word, w);
    for (size_t i = 0; i < n; i++) {
        bool is_new = i == 0;
        for (unsigned w = 0; w < words && !is_new; w++)
            is_new = held_bit(held->word, w) &&
                     word_of(rows, place, i, w) != word_of(rows, place, i - 1, w);
        if (!is_new)
            continue;
        set_bit(held->row, i);
        held->kept++;
    }
    if (held->kept == n || words == 0)
        held->kept = 0;
}

uint8_t *held_code(const struct held *held, size_t n, unsigned words, uint8_t *raw)
{
    *raw++ = held->kept > 0;
    if (held->kept == 0)
        return raw;
    memcpy(raw, held->row, (n + 7) / 8);
    raw += (n + 7) / 8;
    memcpy(raw, held->word, (words + 7) / 8);
    return raw + (words + 7) / 8;
}

static bool is_clear_from(const uint8_t *bits, size_t i)
{
    return i % 8 == 0 || bits[i / 8] >> (i % 8) == 0;
}

bool held_read(struct input *input, size_t n, unsigned words, struct held *held)
{
    const uint8_t *any = input_take(input, 1);
    memset(held, 0, sizeof *held);
    if (any == NULL || *any > 1)
        return false;
    if (*any == 0)
        return true;
    const uint8_t *row = input_take(input, (n + 7) / 8);
    const uint8_t *word = input_take(input, (words + 7) / 8);
    if (row == NULL || word == NULL || n == 0 || !held_bit(row, 0) || !is_clear_from(row, n) ||
        !is_clear_from(word, words))
        return false;
    memcpy(held->row, row, (n + 7) / 8);
    memcpy(held->word, word, (words + 7) / 8);
    for (size_t i = 0; i < n; i++)
        held->kept = (uint16_t)(held->kept + held_bit(row, i));
    return true;
}

bool held_column_read(struct input *input, const struct held *held, size_t n, uint8_t *into)
{
    uint16_t kept[SEALED_ROWS_MAX];
    if (!column_read(input, held->kept, sizeof *kept, (uint8_t *)kept))
        return false;
    size_t at = 0;
    for (size_t i = 0; i < n; i++) { /* the first one is kept */
        at += held_bit(held->row, i);
        memcpy(into + i * sizeof *kept, &kept[at - 1], sizeof *kept);
    }
    return true;
}
