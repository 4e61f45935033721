/* SPDX-License-Identifier: Apache-2.0
 *
 * texts.c - words for messages: lists of names, the name that was probably meant, numbers as exact
 * text.
 */
#include "values.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define WORD_MAX 40

void join_names(char *into, size_t room, const char *(*name_of)(const void *context, int i),
                const void *context)
{
    size_t used = 0;
    into[0] = 0;
    for (int i = 0; name_of(context, i); i++) {
        const bool is_last = name_of(context, i + 1) == NULL;
        const char *joint = i == 0 ? "" : is_last ? " or " : ", ";
        /* Room for ", ..." must be left. */
        if (used + strlen(joint) + strlen(name_of(context, i)) + (is_last ? 1 : 6) > room) {
            (void)snprintf(into + used, room - used, ", ...");
            return;
        }
        used += (size_t)snprintf(into + used, room - used, "%s%s", joint, name_of(context, i));
    }
}

struct units_of {
    enum quantity kind;
};

static const char *unit_name_at(const void *context, int i)
{
    const struct units_of *of = context;
    for (size_t id = 1; id < unit_count(); id++)
        if (unit_get((unit_number)id)->kind == of->kind && i-- == 0)
            return unit_get((unit_number)id)->name;
    return NULL;
}

void units_of_kind(enum quantity kind, char *into, size_t room)
{
    const struct units_of of = {kind};
    join_names(into, room, unit_name_at, &of);
}

/* Edits from `a` to `b`: letters added, dropped, changed, or two neighbours swapped. Optimal string
 * alignment; from memory. */
static int edits(const char *a, const char *b)
{
    const size_t n = strlen(a), m = strlen(b);
    int row[3][WORD_MAX + 1];
    if (n > WORD_MAX || m > WORD_MAX)
        return WORD_MAX;
    for (size_t j = 0; j <= m; j++)
        row[1][j] = (int)j;
    for (size_t i = 1; i <= n; i++) {
        int *now = row[(i + 1) % 3];
        const int *before = row[i % 3], *two_before = row[(i + 2) % 3];
        now[0] = (int)i;
        for (size_t j = 1; j <= m; j++) {
            int best = before[j - 1] + (a[i - 1] == b[j - 1] ? 0 : 1);
            if (before[j] + 1 < best)
                best = before[j] + 1;
            if (now[j - 1] + 1 < best)
                best = now[j - 1] + 1;
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] &&
                two_before[j - 2] + 1 < best)
                best = two_before[j - 2] + 1;
            now[j] = best;
        }
    }
    return row[(n + 1) % 3][m];
}

const char *suggest(const char *text, const char *(*name_of)(const void *context, int i),
                    const void *context)
{
    const size_t length = strlen(text);
    int least = length <= 3 ? 2 : length <= 8 ? 3 : 4; /* fewer edits than this are a slip */
    const char *best = NULL;
    const char *name;
    for (int i = 0; (name = name_of(context, i)) != NULL; i++) {
        const int distance = edits(text, name);
        if (distance < least) {
            least = distance;
            best = name;
        }
    }
    return best;
}

/* ---- numbers ---- */

void decimal_to_text(struct decimal value, char into[static DECIMAL_TEXT_MAX])
{
    char digits[24];
    uint64_t magnitude =
        value.mantissa < 0 ? 0 - (uint64_t)value.mantissa : (uint64_t)value.mantissa;
    while (magnitude != 0 && magnitude % 10 == 0) { /* 10e-1 and 1 are one text */
        magnitude /= 10;
        value.exponent++;
    }
    int n = snprintf(digits, sizeof digits, "%llu", (unsigned long long)magnitude);
    const char *sign = value.mantissa < 0 ? "-" : "";
    const int point = n + value.exponent; /* digits before the decimal point */
    if (magnitude == 0) {
        (void)snprintf(into, DECIMAL_TEXT_MAX, "0");
    } else if (point > 24 || point < -24) {
        (void)snprintf(into, DECIMAL_TEXT_MAX, "%s%se%d", sign, digits, value.exponent);
    } else if (value.exponent >= 0) {
        (void)snprintf(into, DECIMAL_TEXT_MAX, "%s%s%.*s", sign, digits, value.exponent,
                       "000000000000000000000000");
    } else if (point > 0) {
        (void)snprintf(into, DECIMAL_TEXT_MAX, "%s%.*s.%s", sign, point, digits, digits + point);
    } else {
        (void)snprintf(into, DECIMAL_TEXT_MAX, "%s0.%.*s%s", sign, -point,
                       "000000000000000000000000", digits);
    }
}

struct decimal decimal_from_double(double value)
{
    struct decimal decimal = {0, 0};
    if (!isfinite(value) || value == 0)
        return decimal;
    for (int digits = 1; digits <= 17; digits++) {
        char text[40];
        (void)snprintf(text, sizeof text, "%.*e", digits - 1, value);
        int64_t mantissa = 0;
        int exponent = 0;
        const char *at = text;
        /* Whatever stands for the decimal point is skipped: no locale matters. */
        for (; *at && *at != 'e'; at++)
            if (*at >= '0' && *at <= '9')
                mantissa = mantissa * 10 + (*at - '0');
        (void)sscanf(at, "e%d", &exponent);
        decimal.mantissa = value < 0 ? -mantissa : mantissa;
        decimal.exponent = exponent - (digits - 1);
        if (decimal_to_double(decimal) == value)
            return decimal;
    }
    return decimal;
}
