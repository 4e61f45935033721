/* SPDX-License-Identifier: Apache-2.0
 *
 * draft.h - candidates of channels, told from how registers stand and change (pure but for
 * printing).
 */
#ifndef UPHOLE_COMMISSION_DRAFT_H
#define UPHOLE_COMMISSION_DRAFT_H

#include "uphole/commission.h"

enum looks_like {
    LOOKS_ZERO = 1, /* always 0: unused, or a sensor that isn't fitted */
    LOOKS_MARKER,   /* always FFFF, 8000 or 7FFF */
    LOOKS_COUNTER,  /* grew by little, never fell */
    LOOKS_STATE,    /* small and still */
    LOOKS_FLOAT,    /* two registers: finite, of a size that gauges have, in one order only */
    LOOKS_LONG,     /* two registers: the high one is 0 and still, the low one moves */
    LOOKS_NUMBER,   /* one register that moves */
    LOOKS_STILL     /* one register that didn't */
};
struct candidate {
    unsigned index; /* of the book; of a pair the first */
    uint8_t looks;  /* enum looks_like */
    uint8_t words;  /* of pairs: enum word_order */
    unsigned n_words;
};
/** What stands at `index` of the book, by itself or with the register behind it. */
void draft_look(const struct register_book *book, unsigned index, struct candidate *out);
void draft_print_channels(FILE *out, const struct register_book *book);

#endif
