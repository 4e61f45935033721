/* SPDX-License-Identifier: Apache-2.0
 *
 * draft_channels.c - see draft.h. A guess is a comment; a line of the map holds only what was seen,
 * and FILL where a person must decide.
 */
#include "draft.h"

#include "uphole/measure.h"

#include <math.h>

#define FLOAT_LEAST                                                                                \
    0.01 /* gauges serve nothing smaller as float32, as a rule (common practice)                   \
          */
#define FLOAT_MOST 1e6
#define COUNTER_STEP_MOST 100
#define STATE_MOST 255
#define CHANNELS_PRINTED_MAX MAP_CHANNELS_MAX

static uint16_t word_at(const struct register_book *book, unsigned sample, unsigned index)
{
    return book->words[sample][index];
}
static uint16_t newest(const struct register_book *book, unsigned index)
{
    return word_at(book, book->n_samples - 1, index);
}
static bool has_behind(const struct register_book *book, unsigned index)
{
    return index + 1 < book->n && book->at[index + 1].table == book->at[index].table &&
           book->at[index + 1].address == book->at[index].address + 1;
}

/** Each sample a float of a usual size, in this order. */
static bool is_float(const struct register_book *book, unsigned index, enum word_order order)
{
    for (unsigned s = 0; s < book->n_samples; s++) {
        const uint16_t words[2] = {word_at(book, s, index), word_at(book, s, index + 1)};
        double number;
        if (!decode_number(TYPE_F32, order, BYTES_HIGH_FIRST, words, &number) ||
            !isfinite(number) || fabs(number) < FLOAT_LEAST || fabs(number) > FLOAT_MOST)
            return false;
    }
    return true;
}

static bool is_counter(const struct register_book *book, unsigned index)
{
    unsigned grew = 0;
    for (unsigned s = 1; s < book->n_samples; s++) {
        const uint16_t step = (uint16_t)(word_at(book, s, index) - word_at(book, s - 1, index));
        if (step > COUNTER_STEP_MOST)
            return false;
        grew += step > 0;
    }
    return grew > 1;
}

static void look_at_one(const struct register_book *book, unsigned index, struct candidate *out)
{
    const uint16_t word = newest(book, index);
    const bool moves = book_changes(book, (int)index) > 0;
    out->n_words = 1;
    if (moves)
        out->looks = is_counter(book, index) ? LOOKS_COUNTER : LOOKS_NUMBER;
    else if (word == 0)
        out->looks = LOOKS_ZERO;
    else if (word == 0xFFFF || word == 0x8000 || word == 0x7FFF)
        out->looks = LOOKS_MARKER;
    else
        out->looks = word <= STATE_MOST ? LOOKS_STATE : LOOKS_STILL;
}

void draft_look(const struct register_book *book, unsigned index, struct candidate *out)
{
    *out = (struct candidate){.index = index};
    if (has_behind(book, index)) {
        const bool high = is_float(book, index, WORDS_HIGH_FIRST);
        const bool low = is_float(book, index, WORDS_LOW_FIRST);
        out->n_words = 2;
        out->words = low ? WORDS_LOW_FIRST : WORDS_HIGH_FIRST;
        out->looks = LOOKS_FLOAT;
        if (high != low)
            return;
    }
    out->words = WORDS_UNSET;
    look_at_one(book, index, out);
}

/* ---- printing ---- */

static void print_history(FILE *out, const struct register_book *book, unsigned index)
{
    uint16_t least = UINT16_MAX, most = 0;
    for (unsigned s = 0; s < book->n_samples; s++) {
        least = word_at(book, s, index) < least ? word_at(book, s, index) : least;
        most = word_at(book, s, index) > most ? word_at(book, s, index) : most;
    }
    fprintf(out, "raw %u (0x%04X)", newest(book, index), newest(book, index));
    if (least != most)
        fprintf(out, ", %u to %u, changed %u times in %u readings", least, most,
                book_changes(book, (int)index), book->n_samples);
    else
        fprintf(out, ", still");
}

static const char *words_of(uint8_t looks)
{
    static const char *const WORDS[] = {
        [LOOKS_ZERO] = "always 0: unused, or a sensor that isn't fitted",
        [LOOKS_MARKER] = "as marker of a sensor that isn't fitted?",
        [LOOKS_COUNTER] = "counts upwards: a refresh_counter?",
        [LOOKS_STATE] = "small and still: a status, a unit setting, or a slow value?",
        [LOOKS_FLOAT] = "float32 by its bits",
        [LOOKS_NUMBER] = "moves as a measured value does",
        [LOOKS_STILL] = "a setting, or a slow value?"};
    return WORDS[looks] != NULL ? WORDS[looks] : "";
}

static void print_one(FILE *out, const struct register_book *book,
                      const struct candidate *candidate)
{
    const struct seen_register *at = &book->at[candidate->index];
    const char *table = at->table == TABLE_INPUT ? "input" : "holding";
    char orders[220];
    fprintf(out, "  # %s %u: ", table, at->address);
    print_history(out, book, candidate->index);
    fprintf(out, "; %s\n", words_of(candidate->looks));
    if (candidate->looks == LOOKS_FLOAT) {
        const uint16_t words[2] = {newest(book, candidate->index),
                                   newest(book, candidate->index + 1)};
        decodings_to_text(words, orders, sizeof orders);
        fprintf(out, "  #   %s\n", orders);
        fprintf(out, "  FILL-point: {%s: %u, type: f32, words: %s, unit: FILL}\n", table,
                at->address, candidate->words == WORDS_LOW_FIRST ? "low-first" : "high-first");
        return;
    }
    if (candidate->looks == LOOKS_NUMBER || candidate->looks == LOOKS_STILL)
        fprintf(out,
                "  FILL-point: {%s: %u, type: FILL, scale: FILL, unit: FILL}   # u16 %u, s16 %d; x "
                "0.1 = %g, x 0.01 = %g, x 0.001 = %g\n",
                table, at->address, newest(book, candidate->index),
                (int16_t)newest(book, candidate->index), newest(book, candidate->index) / 10.0,
                newest(book, candidate->index) / 100.0, newest(book, candidate->index) / 1000.0);
    else if (candidate->looks == LOOKS_MARKER)
        fprintf(
            out,
            "  FILL-point: {%s: %u, type: FILL, scale: FILL, unit: FILL, not_fitted: [0x%04X]}\n",
            table, at->address, newest(book, candidate->index));
}

/** Zeros stand in one line a run, since units pad with them. */
static unsigned print_zeros(FILE *out, const struct register_book *book, unsigned index)
{
    unsigned last = index;
    struct candidate candidate;
    while (last + 1 < book->n && has_behind(book, last)) {
        draft_look(book, last + 1, &candidate);
        if (candidate.looks != LOOKS_ZERO)
            break;
        last++;
    }
    fprintf(out, "  # %s %u to %u: %s\n",
            book->at[index].table == TABLE_INPUT ? "input" : "holding", book->at[index].address,
            book->at[last].address, words_of(LOOKS_ZERO));
    return last + 1;
}

void draft_print_channels(FILE *out, const struct register_book *book)
{
    unsigned printed = 0;
    for (unsigned i = 0; book->n_samples > 0 && i < book->n && printed < CHANNELS_PRINTED_MAX;) {
        struct candidate candidate;
        draft_look(book, i, &candidate);
        if (candidate.looks == LOOKS_ZERO) {
            i = print_zeros(out, book, i);
            continue;
        }
        print_one(out, book, &candidate);
        printed++;
        i += candidate.n_words;
    }
    if (printed == CHANNELS_PRINTED_MAX)
        fprintf(out, "  # More registers answer; a map takes %d channels.\n", MAP_CHANNELS_MAX);
}
