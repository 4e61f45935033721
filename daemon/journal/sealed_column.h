/* SPDX-License-Identifier: Apache-2.0
 *
 * sealed_column.h - the coding of one column, for sealed_columns.c.
 */
#ifndef UPHOLE_JOURNAL_SEALED_COLUMN_H
#define UPHOLE_JOURNAL_SEALED_COLUMN_H

#include "sealed.h"

/** Codes column[0..n) of `width` bytes a value (1, 2, 4, 8), with scratch for n residuals; at most
 * 1 + n * width bytes. Returns where `raw` ends then. */
uint8_t *column_code(const uint64_t *column, uint64_t *residual, size_t n, unsigned width,
                     uint8_t *raw);

/** What is left to be read. */
struct input {
    const uint8_t *at, *end;
};
/** The next n bytes; NULL where there are fewer. */
const uint8_t *input_take(struct input *input, size_t n);
/** n values (at most SEALED_ROWS_MAX) into `into`, `width` bytes each. False where the input ends
 * or is no column. */
bool column_read(struct input *input, size_t n, unsigned width, uint8_t *into);
/** A value that column_read put there. */
uint64_t column_fetch(const uint8_t *at, unsigned width);

#endif
