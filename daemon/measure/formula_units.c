/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_units.c - units of formulas: products of powers of named units, each with its exact
 * factor to SI and its dimension.
 *
 * The table of base/units.c serves points, whose kinds never mix; a formula needs units that no
 * point has (stb/(d psi), scf/stb), so here dimensions decide. A test holds the two tables against
 * each other.
 */
#include "uphole/formula.h"

#include <math.h>
#include <string.h>

#define PSI_PA (0.45359237 * 9.80665 / (0.0254 * 0.0254))
#define BARREL_M3 0.158987294928
#define FOOT_M 0.3048
#define CUBIC_FOOT_M3 (FOOT_M * FOOT_M * FOOT_M)
#define PI 3.14159265358979323846
#define DEPTH_MAX 4 /* parentheses in parentheses */

struct atom {
    const char *name;
    double factor, offset;
    int8_t dimension[FORMULA_BASES]; /* m kg s A K mol */
    uint8_t qualifier;
};

/* Factors: NIST SP 811 (2008) app. B where nothing else is said; barrel 42 US gal, foot 0.3048 m,
 * pound 0.45359237 kg are exact. Darcy: 9.869233e-13 m2, from 1 cP, 1 atm/cm, 1 cm/s. */
/* clang-format off */
static const struct atom ATOMS[] = {
    {"Pa",   1, 0, {-1, 1, -2}, 0}, {"kPa", 1e3, 0, {-1, 1, -2}, 0}, {"MPa", 1e6, 0, {-1, 1, -2}, 0},
    {"bar",  1e5, 0, {-1, 1, -2}, 0}, {"mbar", 1e2, 0, {-1, 1, -2}, 0}, {"atm", 101325, 0, {-1, 1, -2}, 0},
    {"psi",  PSI_PA, 0, {-1, 1, -2}, 0}, {"psia", PSI_PA, 0, {-1, 1, -2}, QUALIFIER_ABSOLUTE},
    {"psig", PSI_PA, 0, {-1, 1, -2}, QUALIFIER_GAUGE}, {"kgf", 9.80665, 0, {1, 1, -2}, 0},
    {"N", 1, 0, {1, 1, -2}, 0}, {"lbf", 0.45359237 * 9.80665, 0, {1, 1, -2}, 0},

    {"m",  1, 0, {1}, 0}, {"km", 1e3, 0, {1}, 0}, {"cm", 1e-2, 0, {1}, 0}, {"mm", 1e-3, 0, {1}, 0},
    {"um", 1e-6, 0, {1}, 0}, {"nm", 1e-9, 0, {1}, 0}, {"ft", FOOT_M, 0, {1}, 0}, {"in", 0.0254, 0, {1}, 0},
    {"L", 1e-3, 0, {3}, 0}, {"bbl", BARREL_M3, 0, {3}, 0}, {"stb", BARREL_M3, 0, {3}, 0},
    {"scf", CUBIC_FOOT_M3, 0, {3}, 0}, {"Mscf", 1e3 * CUBIC_FOOT_M3, 0, {3}, 0}, {"MMscf", 1e6 * CUBIC_FOOT_M3, 0, {3}, 0},
    {"mD", 9.869233e-16, 0, {2}, 0}, {"D", 9.869233e-13, 0, {2}, 0},

    {"kg", 1, 0, {0, 1}, 0}, {"lb", 0.45359237, 0, {0, 1}, 0}, {"mol", 1, 0, {[BASE_MOLE] = 1}, 0},
    {"kmol", 1e3, 0, {[BASE_MOLE] = 1}, 0},

    {"s", 1, 0, {[BASE_SECOND] = 1}, 0}, {"ms", 1e-3, 0, {[BASE_SECOND] = 1}, 0}, {"min", 60, 0, {[BASE_SECOND] = 1}, 0},
    {"h", 3600, 0, {[BASE_SECOND] = 1}, 0}, {"d", 86400, 0, {[BASE_SECOND] = 1}, 0}, {"a", 31557600, 0, {[BASE_SECOND] = 1}, 0},
    {"Hz", 1, 0, {[BASE_SECOND] = -1}, 0}, {"kHz", 1e3, 0, {[BASE_SECOND] = -1}, 0},
    {"rpm", 1.0 / 60, 0, {[BASE_SECOND] = -1}, 0}, {"r", 1, 0, {0}, 0},

    {"K", 1, 0, {[BASE_KELVIN] = 1}, 0}, {"degC", 1, 273.15, {[BASE_KELVIN] = 1}, 0},
    {"degF", 5.0 / 9, 459.67 * 5 / 9, {[BASE_KELVIN] = 1}, 0}, {"degR", 5.0 / 9, 0, {[BASE_KELVIN] = 1}, 0},

    {"A", 1, 0, {[BASE_AMPERE] = 1}, 0}, {"mA", 1e-3, 0, {[BASE_AMPERE] = 1}, 0}, {"uA", 1e-6, 0, {[BASE_AMPERE] = 1}, 0},
    {"V", 1, 0, {2, 1, -3, -1}, 0}, {"kV", 1e3, 0, {2, 1, -3, -1}, 0}, {"mV", 1e-3, 0, {2, 1, -3, -1}, 0},
    {"ohm", 1, 0, {2, 1, -3, -2}, 0}, {"kohm", 1e3, 0, {2, 1, -3, -2}, 0}, {"Mohm", 1e6, 0, {2, 1, -3, -2}, 0},
    {"Gohm", 1e9, 0, {2, 1, -3, -2}, 0},
    {"W", 1, 0, {2, 1, -3}, 0}, {"kW", 1e3, 0, {2, 1, -3}, 0}, {"MW", 1e6, 0, {2, 1, -3}, 0}, {"VA", 1, 0, {2, 1, -3}, 0},
    {"kVA", 1e3, 0, {2, 1, -3}, 0}, {"hp", 550 * FOOT_M * 0.45359237 * 9.80665, 0, {2, 1, -3}, 0},
    {"J", 1, 0, {2, 1, -2}, 0}, {"kJ", 1e3, 0, {2, 1, -2}, 0}, {"kWh", 3.6e6, 0, {2, 1, -2}, 0},

    {"cP", 1e-3, 0, {-1, 1, -1}, 0}, {"cSt", 1e-6, 0, {2, 0, -1}, 0},
    {"g", 9.80665, 0, {1, 0, -2}, 0}, /* standard gravity: an acceleration; masses are written in kg */

    {"deg", PI / 180, 0, {[BASE_ANGLE] = 1}, 0}, {"rad", 1, 0, {[BASE_ANGLE] = 1}, 0}, {"%", 0.01, 0, {0}, 0}, {"degAPI", 1, 0, {0}, 0},
    {"API", 1, 0, {0}, 0}, {"cycle", 1, 0, {0}, 0}, /* a factor of ten on a logarithmic axis */
};
/* clang-format on */

struct unit_text {
    const char *at, *end;
    bool temperature, alone; /* alone: the whole text is one name without a power */
};

static bool is_letter(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '%';
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool read_whole(struct unit_text *text, int *out)
{
    int value = 0, digits = 0;
    while (text->at < text->end && is_digit(*text->at) && digits++ < 6)
        value = value * 10 + (*text->at++ - '0');
    *out = value;
    return digits > 0;
}

static void multiply(struct formula_unit *into, const struct formula_unit *by, int power)
{
    into->factor *= pow(by->factor, power);
    for (int i = 0; i < FORMULA_BASES; i++)
        into->dimension[i] = (int8_t)(into->dimension[i] + power * by->dimension[i]);
    if (by->qualifier != QUALIFIER_NONE)
        into->qualifier = by->qualifier;
}

static bool read_name(struct unit_text *text, struct formula_unit *out)
{
    const char *begin = text->at;
    while (text->at < text->end && is_letter(*text->at))
        text->at++;
    const size_t length = (size_t)(text->at - begin);
    for (size_t i = 0; i < sizeof ATOMS / sizeof *ATOMS; i++) {
        const struct atom *atom = &ATOMS[i];
        if (strlen(atom->name) != length || memcmp(atom->name, begin, length) != 0)
            continue;
        *out = (struct formula_unit){.factor = atom->factor, .qualifier = atom->qualifier};
        memcpy(out->dimension, atom->dimension, sizeof out->dimension);
        if (text->alone && text->temperature)
            out->offset = atom->offset;
        return true;
    }
    return false;
}

static bool read_product(struct unit_text *text, int depth, struct formula_unit *out);

/** A name, a number or a group, with its power. */
static bool read_factor(struct unit_text *text, int depth, struct formula_unit *out)
{
    int power = 1;
    if (text->at == text->end)
        return false;
    if (*text->at == '(') {
        text->at++;
        if (depth == 0 || !read_product(text, depth - 1, out) || text->at == text->end ||
            *text->at++ != ')')
            return false;
    } else if (is_digit(*text->at)) {
        int number;
        if (!read_whole(text, &number))
            return false;
        *out = (struct formula_unit){.factor = number};
        if (text->at < text->end && is_letter(*text->at)) { /* 30m */
            struct formula_unit unit;
            if (!read_name(text, &unit))
                return false;
            multiply(out, &unit, 1);
        }
        return number > 0;
    } else if (!read_name(text, out)) {
        return false;
    }
    const bool raised = text->at < text->end && *text->at == '^';
    text->at += raised;
    if (raised && (text->at == text->end || !is_digit(*text->at)))
        return false;
    if (text->at < text->end && is_digit(*text->at) && (!read_whole(text, &power) || power > 9))
        return false;
    struct formula_unit whole = {.factor = 1, .offset = out->offset};
    multiply(&whole, out, power);
    *out = whole;
    return true;
}

static bool read_product(struct unit_text *text, int depth, struct formula_unit *out)
{
    struct formula_unit factor;
    if (!read_factor(text, depth, out))
        return false;
    while (text->at < text->end && (*text->at == ' ' || *text->at == '.' || *text->at == '/')) {
        const int power = *text->at++ == '/' ? -1 : 1;
        if (!read_factor(text, depth, &factor))
            return false;
        multiply(out, &factor, power);
    }
    return true;
}

/** Takes a word such as " abs" off the end. */
static uint8_t take_qualifier(const char *text, size_t *length)
{
    static const struct {
        const char *word;
        uint8_t qualifier;
    } WORDS[] = {{" abs", QUALIFIER_ABSOLUTE},
                 {" absolute", QUALIFIER_ABSOLUTE},
                 {" gauge", QUALIFIER_GAUGE},
                 {" rms", QUALIFIER_RMS},
                 {" peak", QUALIFIER_PEAK}};
    for (size_t i = 0; i < sizeof WORDS / sizeof *WORDS; i++) {
        const size_t n = strlen(WORDS[i].word);
        if (*length > n && memcmp(text + *length - n, WORDS[i].word, n) == 0) {
            *length -= n;
            return WORDS[i].qualifier;
        }
    }
    return QUALIFIER_NONE;
}

bool formula_unit_parse(const char *text, size_t length, bool temperature, struct formula_unit *out)
{
    const uint8_t qualifier = take_qualifier(text, &length);
    struct unit_text reader = {.at = text, .end = text + length, .temperature = temperature};
    *out = (struct formula_unit){.factor = 1, .qualifier = qualifier};
    if (length == 0)
        return qualifier == QUALIFIER_NONE;
    reader.alone = true;
    for (size_t i = 0; i < length; i++)
        reader.alone = reader.alone && is_letter(text[i]);
    if (!read_product(&reader, DEPTH_MAX, out) || reader.at != reader.end)
        return false;
    if (qualifier != QUALIFIER_NONE)
        out->qualifier = qualifier;
    return isfinite(out->factor) && out->factor > 0.0;
}

bool formula_unit_same_dimension(const struct formula_unit *a, const struct formula_unit *b)
{
    return memcmp(a->dimension, b->dimension, sizeof a->dimension) == 0;
}
