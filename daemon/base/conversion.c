/* SPDX-License-Identifier: Apache-2.0
 *
 * conversion.c - one step from raw counts to a unit, put together once and exactly.
 *
 *   raw -> raw * s + o (map's unit) -> (. * n1 + a1) / d1 (unit inside the kind) -> (. * d2 - a2) /
 * n2 (unit wanted)
 *
 * is raw * A + B with A = s n1 d2 / (d1 n2) and B = ((o n1 + a1) d2 / d1 - a2) / n2. Both are
 * fractions of 128-bit whole numbers, reduced at each step; over their common denominator they
 * become the three doubles. Where 128 bits do not carry, long double does.
 */
#include "units.h"

#include <math.h>

typedef __int128 wide; /* gcc and clang: on every 64-bit machine */

struct fraction {
    wide numerator, denominator; /* denominator > 0; no common factor */
    bool fits;                   /* false once a product left 128 bits: then only `rough` counts */
    long double rough;
};

static wide wide_abs(wide x)
{
    return x < 0 ? -x : x;
}

static wide wide_gcd(wide a, wide b)
{
    a = wide_abs(a);
    b = wide_abs(b);
    while (b != 0) { /* Euclid: fewer than 190 turns for 127 bits */
        wide rest = a % b;
        a = b;
        b = rest;
    }
    return a;
}

static struct fraction fraction_of(wide numerator, wide denominator)
{
    wide g = wide_gcd(numerator, denominator);
    struct fraction f = {numerator, denominator, true, 0};
    if (g > 1) {
        f.numerator /= g;
        f.denominator /= g;
    }
    f.rough = (long double)f.numerator / (long double)f.denominator;
    return f;
}

static struct fraction times(struct fraction a, struct fraction b)
{
    struct fraction product = {0, 1, false, a.rough * b.rough};
    if (!a.fits || !b.fits)
        return product;
    /* Crosswise, so that the product is as small as it can be and already reduced. */
    wide g = wide_gcd(a.numerator, b.denominator), h = wide_gcd(b.numerator, a.denominator);
    if (g == 0)
        g = 1;
    if (h == 0)
        h = 1;
    product.fits =
        !__builtin_mul_overflow(a.numerator / g, b.numerator / h, &product.numerator) &&
        !__builtin_mul_overflow(a.denominator / h, b.denominator / g, &product.denominator);
    return product;
}

static struct fraction plus(struct fraction a, struct fraction b)
{
    struct fraction sum = {0, 1, false, a.rough + b.rough};
    if (!a.fits || !b.fits)
        return sum;
    wide g = wide_gcd(a.denominator, b.denominator), left, right, numerator, denominator;
    if (__builtin_mul_overflow(a.numerator, b.denominator / g, &left) ||
        __builtin_mul_overflow(b.numerator, a.denominator / g, &right) ||
        __builtin_add_overflow(left, right, &numerator) ||
        __builtin_mul_overflow(a.denominator, b.denominator / g, &denominator))
        return sum;
    return fraction_of(numerator, denominator);
}

static struct fraction from_decimal(struct decimal value)
{
    wide power = 1;
    int exponent = value.exponent < 0 ? -value.exponent : value.exponent;
    struct fraction wrong = {
        0, 1, false, (long double)value.mantissa * powl(10.0L, (long double)value.exponent)};
    if (value.mantissa == 0)
        return fraction_of(0, 1);
    for (int i = 0; i < exponent; i++)
        if (i == 38 || __builtin_mul_overflow(power, (wide)10, &power))
            return wrong;
    if (value.exponent < 0)
        return fraction_of(value.mantissa, power);
    wide whole;
    return __builtin_mul_overflow((wide)value.mantissa, power, &whole) ? wrong
                                                                       : fraction_of(whole, 1);
}

/** The three doubles over the common denominator; rounded where a whole number has more than 53
 * bits. */
static struct conversion over_one_denominator(struct fraction a, struct fraction b)
{
    if (a.fits && b.fits) {
        wide g = wide_gcd(a.denominator, b.denominator), multiply, add, divide;
        if (!__builtin_mul_overflow(a.numerator, b.denominator / g, &multiply) &&
            !__builtin_mul_overflow(b.numerator, a.denominator / g, &add) &&
            !__builtin_mul_overflow(a.denominator, b.denominator / g, &divide))
            return (struct conversion){(double)multiply, (double)add, (double)divide};
    }
    return (struct conversion){(double)a.rough, (double)b.rough, 1};
}

/** The unit inside a kind has factor 1 by rule of the table, so converting through it loses
 * nothing. */
enum up_rc conversion_make(struct decimal scale, struct decimal offset, unit_number from,
                           unit_number to, struct conversion *out, struct up_error *error)
{
    const struct unit_row *source = unit_row_get(from), *target = unit_row_get(to);
    if (source->unit.kind != target->unit.kind)
        return UP_FAIL(error, UP_E_RANGE,
                       "%s is a unit of %s and %s a unit of %s; they do not convert",
                       source->unit.name, quantity_name(source->unit.kind), target->unit.name,
                       quantity_name(target->unit.kind));
    if (scale.mantissa == 0)
        return UP_FAIL(error, UP_E_RANGE,
                       "a scale of 0 makes every reading the same; expected a number other than 0");
    struct fraction in = fraction_of((wide)source->numerator, (wide)source->denominator);
    struct fraction in_add = fraction_of(source->addend, (wide)source->denominator);
    struct fraction back = fraction_of((wide)target->denominator, (wide)target->numerator);
    struct fraction back_add = fraction_of(-(wide)target->addend, (wide)target->numerator);
    struct fraction a = times(times(from_decimal(scale), in), back);
    struct fraction b = plus(times(plus(times(from_decimal(offset), in), in_add), back), back_add);
    struct conversion made = over_one_denominator(a, b);
    if (!isfinite(made.multiply) || !isfinite(made.add) || !isfinite(made.divide) ||
        made.multiply == 0 || made.divide == 0)
        return UP_FAIL(error, UP_E_RANGE,
                       "the scale or offset is too large or too small to compute with");
    *out = made;
    return UP_OK;
}

struct conversion unit_conversion(unit_number from, unit_number to)
{
    static const struct conversion IDENTITY = {1, 0, 1};
    if (from == to)
        return IDENTITY;
    const struct unit *source = unit_get(from), *target = unit_get(to);
    if (source->kind != target->kind)
        return (struct conversion){(double)NAN, 0, 1};
    /* The products are whole numbers, and exact but for units whose factors have more than 26
     * digits in all. */
    return (struct conversion){.multiply = source->numerator * target->denominator,
                               .add = source->addend * target->denominator -
                                      target->addend * source->denominator,
                               .divide = source->denominator * target->numerator};
}

double unit_convert(double value, unit_number from, unit_number to)
{
    const struct conversion step = unit_conversion(from, to);
    return from == to ? value : conversion_apply(&step, value);
}

bool quantity_from_text(const char *text, size_t length, enum quantity kind, double *in_own_unit,
                        unit_number *unit)
{
    size_t n = 0;
    while (n < length && (text[n] == '+' || text[n] == '-' || text[n] == '.' ||
                          (text[n] >= '0' && text[n] <= '9') ||
                          ((text[n] == 'e' || text[n] == 'E') && n + 1 < length &&
                           (text[n + 1] == '-' || text[n + 1] == '+' ||
                            (text[n + 1] >= '0' && text[n + 1] <= '9')))))
        n++;
    struct decimal number;
    if (!decimal_from_text(text, n, &number))
        return false;
    while (n < length && text[n] == ' ')
        n++;
    unit_number found = unit_find(text + n, length - n, kind);
    if (found == 0)
        return false;
    struct conversion step;
    bool is_zero = number.mantissa == 0;
    struct decimal one = {1, 0}, zero = {0, 0};
    if (conversion_make(is_zero ? one : number, zero, found, unit_of_kind(unit_get(found)->kind),
                        &step, NULL) != UP_OK)
        return false;
    *in_own_unit = conversion_apply(&step, is_zero ? 0.0 : 1.0);
    *unit = found;
    return true;
}
