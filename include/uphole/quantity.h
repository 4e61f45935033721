/* SPDX-License-Identifier: Apache-2.0
 *
 * quantity.h - kinds of quantity, their units, and exact conversion between them.
 *
 * Each kind has one unit inside (that of points.md). A conversion is three doubles, value = (x * multiply + add) / divide,
 * chosen so that they are whole numbers wherever the factors allow: 874 counts of 0.1 degC are (874 * 1 + 0) / 10 = 87.4, rounded once.
 */
#ifndef UPHOLE_QUANTITY_H
#define UPHOLE_QUANTITY_H

#include "uphole/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Kinds never mix: a temperature is not a difference, gauge pressure is not absolute (that is `reference`, beside the kind). */
enum quantity {
    QUANTITY_NONE = 0,
    QUANTITY_PRESSURE,               /* kPa */
    QUANTITY_TEMPERATURE,            /* degC */
    QUANTITY_TEMPERATURE_DIFFERENCE, /* K */
    QUANTITY_ACCELERATION,           /* m/s2 */
    QUANTITY_VELOCITY,               /* mm/s */
    QUANTITY_LENGTH,                 /* m */
    QUANTITY_POWER,                  /* kW */
    QUANTITY_SMALL_CURRENT,          /* mA */
    QUANTITY_CURRENT,                /* A */
    QUANTITY_VOLTAGE,                /* V */
    QUANTITY_RESISTANCE,             /* kohm */
    QUANTITY_FREQUENCY,              /* Hz */
    QUANTITY_PRESSURE_RATE,          /* kPa/h */
    QUANTITY_TEMPERATURE_RATE,       /* K/h */
    QUANTITY_DURATION,               /* s */
    QUANTITY_RATIO,                  /* 1 (a point may publish %) */
    QUANTITY_COUNT,                  /* none */
    QUANTITY_STATE,                  /* none */
    QUANTITY_ENERGY,                 /* kWh */
    QUANTITY_FLOW,                   /* m3/d */
    QUANTITY_VOLUME,                 /* m3 */
    QUANTITY_DENSITY,                /* kg/m3 */
    QUANTITY_PRESSURE_GRADIENT,      /* kPa/m */
    QUANTITY_ROTATION,               /* r/min */
    QUANTITY_ANGLE,                  /* deg */
    QUANTITY_VISCOSITY,              /* mPa.s */
    QUANTITY_KINEMATIC_VISCOSITY,    /* mm2/s */
    QUANTITY_PRODUCTIVITY,           /* m3/(d.bar) */
    QUANTITY_APPARENT_POWER,         /* kVA */
    QUANTITY_OIL_GRAVITY,            /* degAPI (no linear factor; only itself) */
    QUANTITY_GAS_OIL_RATIO,          /* m3/m3 */
    QUANTITY_SPECIFIC_ENERGY,        /* kWh/m3 */
    QUANTITY_RESISTANCE_PER_LENGTH,  /* ohm/km */
    QUANTITY_COUNT_OF_KINDS
};

/** Index into the table of units; 0 is none. (`unit_id` stays free for the unit ids of Modbus.) */
typedef uint16_t unit_number;

enum pressure_reference { REFERENCE_NONE = 0, REFERENCE_ABSOLUTE, REFERENCE_GAUGE, REFERENCE_UNKNOWN };

/** One unit. Factors are exact: value in the kind's own unit = (x * numerator + addend) / denominator. */
struct unit {
    const char *name;     /* ASCII, as configured and published: "kPa", "kgf/cm2", "degF" */
    enum quantity kind;
    const char *ucum;     /* UCUM code, or NULL */
    const char *rec20;    /* UN/ECE Recommendation 20 code, or NULL */
    double numerator, addend, denominator;
    const char *source;   /* of the factor */
};

size_t unit_count(void); /* ids run from 1 to unit_count() - 1 */
const struct unit *unit_get(unit_number id); /* id 0 or beyond: the unit "none" of QUANTITY_NONE */
/**
 * Finds a unit by its name or a spelling of it (`°C`, `kgf/cm²`, `MΩ`, `µA`, `psi`, `F`). `kind` QUANTITY_NONE takes any kind, the first
 * in table order; else only units of that kind (so `degF` of TEMPERATURE_DIFFERENCE is the difference). `°F (difference)` names the
 * difference outright. Returns 0 where nothing matches.
 */
unit_number unit_find(const char *name, size_t length, enum quantity kind);
unit_number unit_of_kind(enum quantity kind); /* the one unit inside */
/**
 * The lowest value that exists, in the kind's own unit: -273.15 degC, since the kelvin is counted from absolute zero (SI Brochure 9, 2.3.1), and
 * 0 kPa of an absolute pressure, which is counted from a vacuum. Minus infinity where there is none.
 */
double quantity_floor(enum quantity kind, enum pressure_reference reference);
/** True where the value is lower, by more than the rounding of a conversion. */
bool quantity_is_below_floor(double value, enum quantity kind, enum pressure_reference reference);
const char *quantity_name(enum quantity kind); /* "pressure", "temperature difference", ... */
enum quantity quantity_from_name(const char *name, size_t length); /* names of points.md's kinds: "temp_difference" too */
/** OPC UA UnitId of a Rec 20 code: its ASCII characters as a big-endian number. Source: OPC 10000-8. -1 where there is no code. */
int32_t unit_opc_ua_id(unit_number id);

/** An exact decimal: mantissa * 10^exponent. */
struct decimal {
    int64_t mantissa;
    int exponent;
};
/** Reads `-273.15`, `0.001`, `1e-3`, `12_345` is refused. Whole text, at most 18 significant digits. */
bool decimal_from_text(const char *text, size_t length, struct decimal *out);
double decimal_to_double(struct decimal value); /* correctly rounded */

/** value = (x * multiply + add) / divide. {1, 0, 1} is identity. */
struct conversion {
    double multiply, add, divide;
};
/**
 * Combines raw counts -> map's unit (raw * scale + offset) -> unit `to` into one step, in exact arithmetic as far as 128 bits carry.
 * UP_E_RANGE where the units are not of one kind or the scale is zero. Source of factors: the unit table.
 */
UP_MUST enum up_rc conversion_make(struct decimal scale, struct decimal offset, unit_number from,
                                   unit_number to, struct conversion *out, struct up_error *error);
static inline double conversion_apply(const struct conversion *conversion, double x)
{
    return (x * conversion->multiply + conversion->add) / conversion->divide;
}
/** Converts one number between two units of one kind; NaN where they are not. */
double unit_convert(double value, unit_number from, unit_number to);
/** The same as a step that many numbers take: conversion_apply of it is unit_convert, to the bit. */
struct conversion unit_conversion(unit_number from, unit_number to);

/** Rounds half to even to a multiple of `resolution` (0.1, 1, ...), as text with the decimals of the resolution ("1000.0" at 0.1, "12345" at
 *  1): no negative zero, locale-free. Resolution 0: the fewest digits that read back as the same double. An exponent ("1e+15", as JSON
 *  allows) only from magnitude 1e15 on, and at resolution 0 below 1e-9. Returns the length; 0 and "" for a number that is not finite. */
#define NUMBER_TEXT_MAX 40
size_t number_to_text(double value, double resolution, char into[static NUMBER_TEXT_MAX]);
/** A resolution looked at once, for many numbers: the same text as number_to_text, sooner. */
struct number_format {
    double resolution;
    unsigned multiple; /* resolution = multiple * 10^-decimals, */
    int decimals;
    bool is_fixed;     /* where it is that */
};
struct number_format number_format_of(double resolution);
size_t number_to_text_as(double value, const struct number_format *format, char into[static NUMBER_TEXT_MAX]);

/** A number with its unit, as configured: "28 s", "0 to 60 MPa" is two. Finds number and unit; false where it is not one. */
bool quantity_from_text(const char *text, size_t length, enum quantity kind, double *in_own_unit,
                        unit_number *unit);

#endif
