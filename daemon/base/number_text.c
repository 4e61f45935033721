/* SPDX-License-Identifier: Apache-2.0
 *
 * number_text.c - a number as text: rounded once, half to even, at the end. Pure, locale-free.
 *
 * A double is M * 2^e with M < 2^53, a resolution R * 10^-k. The whole number nearest to value /
 * resolution is that of M * 10^k * 2^e / R, found in 128-bit whole numbers, so that a tie is a tie
 * of the double itself: 0.25 at 0.1 is "0.2", 0.35 (a little below) is "0.3". At 1e15 and above a
 * double has no digits behind the point worth a resolution; there, and for resolution 0 below 1e-9,
 * an exponent is written, which JSON allows.
 */
#include "uphole/quantity.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef unsigned __int128 wide;

#define DECIMALS_MAX 9
#define MULTIPLE_MAX 1000000
#define PLAIN_MOST 1e15
#define PLAIN_LEAST 1e-9

/** resolution = multiple * 10^-decimals; false where it is not that (0, negative, 1/3). */
static bool resolution_as_decimal(double resolution, unsigned *multiple, int *decimals)
{
    double scaled = resolution, power = 1;
    if (!(resolution > 0) || resolution > MULTIPLE_MAX)
        return false;
    for (int k = 0; k <= DECIMALS_MAX; k++, power *= 10, scaled = resolution * power) {
        double whole = nearbyint(scaled);
        if (whole >= 1 && whole <= MULTIPLE_MAX && fabs(scaled - whole) <= 1e-9 * whole) {
            *multiple = (unsigned)whole;
            *decimals = k;
            return true;
        }
    }
    return false;
}

/** Nearest whole number to magnitude * 10^decimals / multiple, ties to even; magnitude < 1e15. */
static wide steps_of(double magnitude, unsigned multiple, int decimals)
{
    int exponent;
    wide mantissa = (wide)ldexp(frexp(magnitude, &exponent), 53);
    exponent -= 53;
    for (int i = 0; i < decimals; i++)
        mantissa *= 10;                   /* < 2^53 * 2^30 */
    unsigned shift = (unsigned)-exponent; /* 3 or more, since the magnitude is below 2^50 */
    if (shift > 90)
        return 0; /* below 2^-7 of a step */
    wide whole = mantissa / multiple, rest = mantissa % multiple;
    wide mask = ((wide)1 << shift) - 1;
    wide quotient = whole >> shift;
    wide remainder = (whole & mask) * multiple + rest; /* of multiple * 2^shift */
    wide twice = remainder * 2, full = (wide)multiple << shift;
    if (twice > full || (twice == full && (quotient & 1)))
        quotient++;
    return quotient; /* < 10^24 */
}

/** The same in 64 bits, for what nearly every reading is: a step of 1, 0.1, 0.01 or 0.001. False:
 * it is something else. */
static bool quick_steps_of(double magnitude, const struct number_format *format, uint64_t *steps)
{
    static const uint64_t POWERS[] = {1, 10, 100, 1000};
    uint64_t bits;
    if (format->multiple != 1 || format->decimals >= (int)(sizeof POWERS / sizeof POWERS[0]))
        return false;
    memcpy(&bits, &magnitude, sizeof bits);
    const unsigned exponent = (unsigned)(bits >> 52); /* its sign is plus */
    *steps = 0;
    if (exponent < 1075 - 63)
        return true;                        /* M * 1000 < 2^63, so this is below half a step */
    const unsigned shift = 1075 - exponent; /* 3 or more, since the magnitude is below 2^50 */
    const uint64_t mantissa = (bits & ((UINT64_C(1) << 52) - 1)) | UINT64_C(1) << 52;
    const uint64_t scaled = mantissa * POWERS[format->decimals], half = UINT64_C(1) << (shift - 1);
    const uint64_t rest = scaled & ((half << 1) - 1);
    *steps = scaled >> shift;
    if (rest > half || (rest == half && (*steps & 1)))
        ++*steps;
    return true;
}

static size_t fixed_text(double value, const struct number_format *format, char *into)
{
    char reversed[NUMBER_TEXT_MAX];
    size_t n = 0, used = 0;
    int place = 0;
    uint64_t low;
    if (!quick_steps_of(fabs(value), format, &low)) {
        wide all = steps_of(fabs(value), format->multiple, format->decimals) * format->multiple;
        for (; all > UINT64_MAX; place++) { /* 10^24 at most: rare, and slow */
            if (place == format->decimals && place > 0)
                reversed[n++] = '.';
            reversed[n++] = (char)('0' + (int)(all % 10));
            all /= 10;
        }
        low = (uint64_t)all;
    }
    if (signbit(value) && (low != 0 || place > 0))
        into[used++] = '-';
    for (; place <= format->decimals || low != 0; place++) {
        if (place == format->decimals && place > 0)
            reversed[n++] = '.';
        reversed[n++] = (char)('0' + (int)(low % 10));
        low /= 10;
    }
    while (n > 0)
        into[used++] = reversed[--n];
    into[used] = '\0';
    return used;
}

/** The fewest of 15 to 17 significant digits that read back as the same double: digits without a
 * point, and the exponent of the first. */
static int shortest_digits(double magnitude, char digits[static 20])
{
    char text[40] = "";
    for (int n = 15; n <= 17; n++) {
        snprintf(text, sizeof text, "%.*e", n - 1, magnitude);
        if (strtod(text, NULL) == magnitude) /* same locale writes and reads */
            break;
    }
    size_t used = 0;
    const char *at = text;
    for (; *at != '\0' && *at != 'e'; at++)
        if (*at >= '0' && *at <= '9' && used < 17) /* skips the point, whatever the locale's is */
            digits[used++] = *at;
    while (used > 1 && digits[used - 1] == '0')
        used--;
    digits[used] = '\0';
    return *at == 'e' ? (int)strtol(at + 1, NULL, 10) : 0;
}

static size_t shortest_text(double value, char *into)
{
    char digits[20];
    double magnitude = fabs(value);
    int exponent = shortest_digits(magnitude, digits);
    int n = (int)strlen(digits);
    const char *sign = value < 0 ? "-" : "";
    int length;
    if (magnitude >= PLAIN_MOST || magnitude < PLAIN_LEAST)
        length = snprintf(into, NUMBER_TEXT_MAX, "%s%c%s%se%+d", sign, digits[0], n > 1 ? "." : "",
                          digits + 1, exponent);
    else if (exponent < 0)
        length =
            snprintf(into, NUMBER_TEXT_MAX, "%s0.%.*s%s", sign, -exponent - 1, "000000000", digits);
    else if (n > exponent + 1)
        length = snprintf(into, NUMBER_TEXT_MAX, "%s%.*s.%s", sign, exponent + 1, digits,
                          digits + exponent + 1);
    else
        length = snprintf(into, NUMBER_TEXT_MAX, "%s%s%.*s", sign, digits, exponent + 1 - n,
                          "000000000000000");
    return length < 0 ? 0 : (size_t)length;
}

struct number_format number_format_of(double resolution)
{
    struct number_format format = {.resolution = resolution};
    format.is_fixed = resolution_as_decimal(resolution, &format.multiple, &format.decimals);
    return format;
}

size_t number_to_text_as(double value, const struct number_format *format,
                         char into[static NUMBER_TEXT_MAX])
{
    into[0] = '\0';
    if (!isfinite(value))
        return 0;
    if (value == 0 && !(format->resolution > 0)) {
        memcpy(into, "0", 2);
        return 1;
    }
    if (format->is_fixed && fabs(value) < PLAIN_MOST)
        return fixed_text(value, format, into);
    return shortest_text(value, into);
}

size_t number_to_text(double value, double resolution, char into[static NUMBER_TEXT_MAX])
{
    const struct number_format format = number_format_of(resolution);
    return number_to_text_as(value, &format, into);
}
