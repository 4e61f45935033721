/* SPDX-License-Identifier: Apache-2.0
 *
 * decimal.c - decimal numbers as written, exactly: mantissa * 10^exponent, without trailing zeros.
 * Pure, locale-free.
 */
#include "uphole/quantity.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#define SIGNIFICANT_MAX 18 /* 10^18 < 2^63 */
#define EXPONENT_MAX 400   /* beyond any double; keeps sums of exponents small */

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/** Takes one digit of the mantissa; leading zeros don't count. */
static bool take_digit(struct decimal *value, int *significant, char c)
{
    if (*significant == 0 && c == '0')
        return true;
    if (++*significant > SIGNIFICANT_MAX)
        return false;
    value->mantissa = value->mantissa * 10 + (c - '0');
    return true;
}

/** `e` and a signed whole number up to the end. */
static bool take_exponent(const char *at, const char *end, int *exponent)
{
    bool negative = at < end && *at == '-';
    if (at < end && (*at == '-' || *at == '+'))
        at++;
    if (at == end)
        return false;
    int value = 0;
    for (; at < end; at++) {
        if (!is_digit(*at))
            return false;
        value = value * 10 + (*at - '0');
        if (value > EXPONENT_MAX)
            return false;
    }
    *exponent += negative ? -value : value;
    return true;
}

bool decimal_from_text(const char *text, size_t length, struct decimal *out)
{
    const char *at = text, *end = text + length;
    struct decimal value = {0, 0};
    int significant = 0, whole = 0, fraction = 0;
    bool negative = at < end && *at == '-';
    if (at < end && (*at == '-' || *at == '+'))
        at++;
    for (; at < end && is_digit(*at); at++, whole++)
        if (!take_digit(&value, &significant, *at))
            return false;
    if (whole == 0)
        return false;
    if (at < end && *at == '.') {
        for (at++; at < end && is_digit(*at); at++, fraction++)
            if (fraction >= EXPONENT_MAX || !take_digit(&value, &significant, *at))
                return false;
        if (fraction == 0)
            return false;
        value.exponent = -fraction;
    }
    if (at < end) {
        if (*at != 'e' && *at != 'E')
            return false;
        if (!take_exponent(at + 1, end, &value.exponent))
            return false;
    }
    while (value.mantissa != 0 && value.mantissa % 10 == 0) {
        value.mantissa /= 10;
        value.exponent++;
    }
    if (value.mantissa == 0)
        value.exponent = 0;
    if (negative)
        value.mantissa = -value.mantissa;
    *out = value;
    return true;
}

double decimal_to_double(struct decimal value)
{
    static const double POWERS[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                    1e8,  1e9,  1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
                                    1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};
    const int64_t exact = INT64_C(1) << 53;
    /* Both sides are exact doubles, so the one division or multiplication is the one rounding. */
    if (value.mantissa >= -exact && value.mantissa <= exact && value.exponent >= -22 &&
        value.exponent <= 22)
        return value.exponent < 0 ? (double)value.mantissa / POWERS[-value.exponent]
                                  : (double)value.mantissa * POWERS[value.exponent];
    char text[40]; /* no decimal point in it, so strtod reads it alike in every locale */
    snprintf(text, sizeof text, "%" PRId64 "e%d", value.mantissa, value.exponent);
    return strtod(text, NULL);
}
