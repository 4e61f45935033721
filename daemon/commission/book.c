/* SPDX-License-Identifier: Apache-2.0
 *
 * book.c - registers as they were read, several times over: columns by address, a row a sample.
 * Pure.
 */
#include "uphole/commission.h"

#include <string.h>

static int compare(const struct seen_register *at, uint8_t table, unsigned address)
{
    if (at->table != table)
        return at->table < table ? -1 : 1;
    return at->address < address ? -1 : at->address > address;
}

/** Where the register stands, or would. */
static unsigned place_of(const struct register_book *book, uint8_t table, unsigned address)
{
    unsigned low = 0, high = book->n;
    while (low < high) {
        const unsigned middle = (low + high) / 2;
        if (compare(&book->at[middle], table, address) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

int book_index(const struct register_book *book, uint8_t table, unsigned address)
{
    const unsigned at = place_of(book, table, address);
    return at < book->n && compare(&book->at[at], table, address) == 0 ? (int)at : -1;
}

/** A column for a register that is new; earlier samples get the word that it has now. */
static void add_column(struct register_book *book, unsigned at, uint8_t table, uint16_t address,
                       uint16_t word)
{
    memmove(&book->at[at + 1], &book->at[at], (book->n - at) * sizeof book->at[0]);
    book->at[at] = (struct seen_register){.table = table, .address = address};
    for (unsigned s = 0; s < book->n_samples; s++) {
        memmove(&book->words[s][at + 1], &book->words[s][at],
                (book->n - at) * sizeof book->words[s][0]);
        book->words[s][at] = word;
    }
    book->n++;
}

static void begin_sample(struct register_book *book, int64_t now_us)
{
    if (book->n_samples == BOOK_SAMPLES_MAX) { /* the oldest goes */
        memmove(book->words[0], book->words[1], (BOOK_SAMPLES_MAX - 1) * sizeof book->words[0]);
        memmove(book->taken_us, book->taken_us + 1,
                (BOOK_SAMPLES_MAX - 1) * sizeof book->taken_us[0]);
        book->n_samples--;
    }
    const unsigned s = book->n_samples++;
    if (s > 0)
        memcpy(book->words[s], book->words[s - 1], sizeof book->words[s]);
    book->taken_us[s] = now_us;
}

bool book_put(struct register_book *book, bool is_new, int64_t now_us, uint8_t table,
              uint16_t first, const uint16_t *words, unsigned n)
{
    if (is_new || book->n_samples == 0)
        begin_sample(book, now_us);
    const unsigned s = book->n_samples - 1;
    for (unsigned i = 0; i < n && first + i <= 65535; i++) {
        const uint16_t address = (uint16_t)(first + i);
        const unsigned at = place_of(book, table, address);
        if (at == book->n || compare(&book->at[at], table, address) != 0) {
            if (book->n == BOOK_REGISTERS_MAX)
                return false;
            add_column(book, at, table, address, words[i]);
        }
        book->words[s][at] = words[i];
    }
    return true;
}

bool book_newest(const struct register_book *book, uint8_t table, unsigned first, unsigned n,
                 uint16_t *words)
{
    for (unsigned i = 0; i < n; i++) {
        const int at = book_index(book, table, first + i);
        if (at < 0)
            return false;
        words[i] = book->words[book->n_samples - 1][at];
    }
    return true;
}

unsigned book_changes(const struct register_book *book, int index)
{
    unsigned changes = 0;
    for (unsigned s = 1; s < book->n_samples; s++)
        changes += book->words[s][index] != book->words[s - 1][index];
    return changes;
}
