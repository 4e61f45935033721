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

static size_t fixed_text(double value, unsigned multiple, int decimals, char *into)
{
    wide all = steps_of(fabs(value), multiple, decimals) * multiple;
    char reversed[NUMBER_TEXT_MAX];
    size_t n = 0, used = 0;
    if (signbit(value) && all != 0)
        into[used++] = '-';
    for (int place = 0; place <= decimals || all != 0; place++) {
        if (place == decimals && decimals > 0)
            reversed[n++] = '.';
        reversed[n++] = (char)('0' + (int)(all % 10));
        all /= 10;
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

size_t number_to_text(double value, double resolution, char into[static NUMBER_TEXT_MAX])
{
    unsigned multiple;
    int decimals;
    into[0] = '\0';
    if (!isfinite(value))
        return 0;
    if (value == 0 && !(resolution > 0)) {
        memcpy(into, "0", 2);
        return 1;
    }
    if (fabs(value) < PLAIN_MOST && resolution_as_decimal(resolution, &multiple, &decimals))
        return fixed_text(value, multiple, decimals, into);
    return shortest_text(value, into);
}
