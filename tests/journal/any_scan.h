/* SPDX-License-Identifier: Apache-2.0
 *
 * any_scan.h - scans of every kind that a row can hold, by seed: steady and noisy words, random
 * ones, other ranges, exceptions, failures, clocks that step, extreme numbers.
 */
#ifndef UPHOLE_TESTS_JOURNAL_ANY_SCAN_H
#define UPHOLE_TESTS_JOURNAL_ANY_SCAN_H

#include "uphole/journal.h"

struct any_scan {
    uint64_t random;   /* state */
    unsigned wildness; /* 0: what a steady site sees; 100: anything */
    uint16_t level[SCAN_WORDS_MAX];
};
static inline uint64_t any_random(struct any_scan *any)
{
    any->random += UINT64_C(0x9E3779B97F4A7C15); /* splitmix64, by Vigna, public domain */
    uint64_t z = any->random;
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}
static inline uint64_t any_below(struct any_scan *any, uint64_t n)
{
    return any_random(any) % n;
}
static inline bool any_happens(struct any_scan *any, unsigned of_1000)
{
    return any_below(any, 1000) < of_1000;
}

static inline void any_ranges(struct any_scan *any, struct scan *scan)
{
    static const uint16_t COUNT[] = {1, 16, 7, 2};
    const bool other = any_happens(any, 3 * any->wildness);
    scan->n_blocks = (uint16_t)(other ? any_below(any, SCAN_BLOCKS_MAX + 1) : 4);
    for (unsigned i = 0; i < scan->n_blocks; i++) {
        struct block *block = &scan->block[i];
        block->function = (uint8_t)(other ? 1 + any_below(any, 4) : 4);
        block->first = (uint16_t)(other ? any_below(any, 65536) : 100 * i);
        block->count = (uint16_t)(other ? any_below(any, 126) : COUNT[i % 4]);
        block->at = scan->n_words;
        const bool refused = any_happens(any, 5 * any->wildness);
        block->exception =
            (uint8_t)(refused ? (any_happens(any, 500) ? BLOCK_NO_ANSWER : any_below(any, 255) + 1)
                              : 0);
        const unsigned words = block->function <= 2 ? (block->count + 15u) / 16u : block->count;
        if (block->exception != 0)
            continue;
        if (scan->n_words + words > SCAN_WORDS_MAX) {
            block->exception = 4;
            continue;
        }
        for (unsigned w = 0; w < words; w++) {
            uint16_t *level = &any->level[(i * 32 + w) % SCAN_WORDS_MAX];
            if (any_happens(any, 2 + 10 * any->wildness))
                *level = (uint16_t)any_random(any);
            scan->words[scan->n_words++] =
                (uint16_t)(*level + (w % 3 == 0 ? 0 : any_below(any, 4)));
        }
    }
}

/** Run, plan, well, source, begun are the caller's. */
static inline void any_fill(struct any_scan *any, struct scan *scan)
{
    static const uint8_t FAILED[] = {OUTCOME_SILENT, OUTCOME_CUT_SHORT, OUTCOME_BAD_CHECKSUM,
                                     OUTCOME_PORT_GONE};
    scan->n_blocks = scan->n_words = 0;
    scan->stray = any_happens(any, 20) ? (uint32_t)any_random(any) : 0;
    scan->took_ms = any_happens(any, any->wildness) ? (uint32_t)any_random(any)
                                                    : (uint32_t)(80 + any_below(any, 12));
    scan->tries = (uint8_t)(any_happens(any, 20) ? any_random(any) : 4);
    scan->outcome = OUTCOME_ANSWERED;
    if (any_happens(any, 10 + 3 * any->wildness)) {
        scan->outcome = FAILED[any_below(any, 4)];
        return;
    }
    any_ranges(any, scan);
}

#endif
