/* SPDX-License-Identifier: Apache-2.0
 *
 * sealed_column.c - one column of numbers to bytes and back. Pure.
 *
 * Each value is predicted from those before it in the column, and what is off is stored:
 *
 *   predictor and number of planes (1 byte), then the planes: the low bytes of all rows, then the
 *   next, as many as the largest residual needs
 *
 * All arithmetic is modulo the column's width, so that every predictor is right for every word:
 * a poor one costs bytes, never a bit. A gauge's noise of a count or two makes the mean of the last
 * values a better guess than the last one; what stands still wants the last one. Which guess is
 * best is tried for each column.
 */
#include "sealed_column.h"

#include <string.h>

enum predictor {
    PREDICT_LAST,
    PREDICT_MEAN_2,
    PREDICT_MEAN_4,
    PREDICT_MEAN_8,
    PREDICT_LINE, /* as much more as the last was more than the one before */
    PREDICTORS
};

/* ---- prediction ---- */

static uint64_t mask_of(unsigned width)
{
    return width == 8 ? UINT64_MAX : (UINT64_C(1) << (8 * width)) - 1;
}

/** The difference a - b within the width, signed. */
static int64_t difference(uint64_t a, uint64_t b, unsigned width)
{
    const uint64_t d = (a - b) & mask_of(width);
    const uint64_t sign = UINT64_C(1) << (8 * width - 1);
    return (int64_t)((d ^ sign) - sign); /* d, less the width's modulus where its sign is set */
}

/** Of the `n` before `at`, as far as there are so many. Inlined, n is a constant: most of packing
 * is this sum and its division. */
static inline uint64_t mean_of_last(const uint64_t *column, size_t at, size_t n, unsigned width)
{
    const uint64_t last = column[at - 1];
    int64_t sum = 0; /* of widths up to 4: can't overflow */
    if (at >= n) {
        for (size_t i = 2; i <= n; i++)
            sum += difference(column[at - i], last, width);
        return last + (uint64_t)(sum / (int64_t)n);
    }
    for (size_t i = 2; i <= at; i++)
        sum += difference(column[at - i], last, width);
    return last + (uint64_t)(sum / (int64_t)at);
}

static inline uint64_t predict(enum predictor predictor, const uint64_t *column, size_t at,
                               unsigned width)
{
    if (at == 0)
        return 0;
    switch (predictor) {
    case PREDICT_MEAN_2:
        return mean_of_last(column, at, 2, width);
    case PREDICT_MEAN_4:
        return mean_of_last(column, at, 4, width);
    case PREDICT_MEAN_8:
        return mean_of_last(column, at, 8, width);
    case PREDICT_LINE:
        return at == 1 ? column[0] : 2 * column[at - 1] - column[at - 2];
    default:
        return column[at - 1];
    }
}

/** Means need sums that can't overflow. */
static bool predictor_fits(unsigned predictor, unsigned width)
{
    return predictor == PREDICT_LAST || predictor == PREDICT_LINE ||
           (predictor < PREDICTORS && width <= 4);
}

/** Small magnitudes of both signs become small numbers. */
static uint64_t fold_sign(int64_t value)
{
    return value < 0 ? ((uint64_t)(-(value + 1)) << 1) | 1 : (uint64_t)value << 1;
}

static int64_t unfold_sign(uint64_t value)
{
    return value & 1 ? -(int64_t)(value >> 1) - 1 : (int64_t)(value >> 1);
}

static unsigned bits_of(uint64_t value)
{
    return value == 0 ? 0 : 64 - (unsigned)__builtin_clzll(value);
}

static uint64_t residuals(enum predictor predictor, const uint64_t *column, size_t n,
                          unsigned width, uint64_t *into)
{
    uint64_t cost = 0;
    for (size_t i = 0; i < n; i++) {
        const uint64_t off =
            fold_sign(difference(column[i], predict(predictor, column, i, width), width));
        cost += bits_of(off);
        if (into != NULL)
            into[i] = off;
    }
    return cost;
}

/* ---- one column to bytes, and back ---- */

uint8_t *column_code(const uint64_t *column, uint64_t *residual, size_t n, unsigned width,
                     uint8_t *raw)
{
    enum predictor best = PREDICT_LAST;
    uint64_t least = UINT64_MAX, all = 0;
    for (unsigned p = 0; p < PREDICTORS; p++) {
        if (!predictor_fits(p, width))
            continue;
        const uint64_t cost = residuals((enum predictor)p, column, n, width, NULL);
        if (cost < least) {
            least = cost;
            best = (enum predictor)p;
        }
        if (cost == 0)
            break;
    }
    (void)residuals(best, column, n, width, residual);
    for (size_t i = 0; i < n; i++)
        all |= residual[i];
    const unsigned planes = (bits_of(all) + 7) / 8;
    *raw++ = (uint8_t)(best | planes << 4);
    for (unsigned plane = 0; plane < planes; plane++)
        for (size_t i = 0; i < n; i++)
            *raw++ = (uint8_t)(residual[i] >> (8 * plane) & 0xFF);
    return raw;
}

const uint8_t *input_take(struct input *input, size_t n)
{
    if ((size_t)(input->end - input->at) < n)
        return NULL;
    const uint8_t *at = input->at;
    input->at += n;
    return at;
}

uint64_t column_fetch(const uint8_t *at, unsigned width)
{
    uint64_t value;
    uint32_t narrow;
    uint16_t word;
    switch (width) {
    case 1:
        return *at;
    case 2:
        memcpy(&word, at, 2);
        return word;
    case 4:
        memcpy(&narrow, at, 4);
        return narrow;
    default:
        memcpy(&value, at, 8);
        return value;
    }
}

/** What the planes hold, a residual a value. */
static void join_planes(const uint8_t *plane, unsigned planes, size_t n, uint64_t *residual)
{
    for (size_t i = 0; i < n; i++)
        residual[i] = planes > 0 ? plane[i] : 0;
    for (unsigned p = 1; p < planes; p++)
        for (size_t i = 0; i < n; i++)
            residual[i] |= (uint64_t)plane[p * n + i] << (8 * p);
}

/** Residuals become the values, in their place: each needs only those before it. What stands still
 * is most of a journal, and the last value is its best guess, so that is quick. */
static void add_predictions(enum predictor predictor, uint64_t *column, size_t n, unsigned width)
{
    const uint64_t mask = mask_of(width);
    uint64_t last = 0;
    if (predictor == PREDICT_LAST) {
        for (size_t i = 0; i < n; i++)
            column[i] = last = (last + (uint64_t)unfold_sign(column[i])) & mask;
        return;
    }
    for (size_t i = 0; i < n; i++)
        column[i] =
            (predict(predictor, column, i, width) + (uint64_t)unfold_sign(column[i])) & mask;
}

static void put_all(uint8_t *into, const uint64_t *column, size_t n, unsigned width)
{
    switch (width) {
    case 1:
        for (size_t i = 0; i < n; i++)
            into[i] = (uint8_t)column[i];
        break;
    case 2:
        for (size_t i = 0; i < n; i++, into += 2)
            memcpy(into, &(uint16_t){(uint16_t)column[i]}, 2);
        break;
    case 4:
        for (size_t i = 0; i < n; i++, into += 4)
            memcpy(into, &(uint32_t){(uint32_t)column[i]}, 4);
        break;
    default:
        memcpy(into, column, n * sizeof *column);
    }
}

bool column_read(struct input *input, size_t n, unsigned width, uint8_t *into)
{
    uint64_t column[SEALED_ROWS_MAX];
    const uint8_t *how = input_take(input, 1);
    if (how == NULL || (unsigned)(*how >> 4) > width || !predictor_fits(*how & 0x0F, width))
        return false;
    const unsigned planes = *how >> 4;
    const uint8_t *plane = input_take(input, planes * n);
    if (plane == NULL)
        return false;
    join_planes(plane, planes, n, column);
    add_predictions((enum predictor)(*how & 0x0F), column, n, width);
    put_all(into, column, n, width);
    return true;
}
