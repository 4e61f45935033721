/* SPDX-License-Identifier: Apache-2.0
 *
 * quantity.c - names of kinds, and the spellings under which people write units.
 *
 * A name is first folded to ASCII (degree sign, superscripts, ohm, micro, middle dots), then
 * compared with the table's names and with the list of other spellings. Case counts: mPa is not
 * MPa.
 */
#include "units.h"

#include "uphole/quantity.h"

#include <math.h>
#include <string.h>

#define FOLDED_MAX 48

struct kind_name {
    const char *name;
    enum quantity kind;
};

/** First name of a kind is the one for people; '_' and ' ' are the same on the way in. */
static const struct kind_name KIND_NAMES[] = {
    {"none", QUANTITY_NONE},
    {"pressure", QUANTITY_PRESSURE},
    {"temperature", QUANTITY_TEMPERATURE},
    {"temperature difference", QUANTITY_TEMPERATURE_DIFFERENCE},
    {"temp difference", QUANTITY_TEMPERATURE_DIFFERENCE},
    {"acceleration", QUANTITY_ACCELERATION},
    {"velocity", QUANTITY_VELOCITY},
    {"length", QUANTITY_LENGTH},
    {"power", QUANTITY_POWER},
    {"small current", QUANTITY_SMALL_CURRENT},
    {"current", QUANTITY_CURRENT},
    {"voltage", QUANTITY_VOLTAGE},
    {"resistance", QUANTITY_RESISTANCE},
    {"frequency", QUANTITY_FREQUENCY},
    {"pressure rate", QUANTITY_PRESSURE_RATE},
    {"temperature rate", QUANTITY_TEMPERATURE_RATE},
    {"temp rate", QUANTITY_TEMPERATURE_RATE},
    {"duration", QUANTITY_DURATION},
    {"ratio", QUANTITY_RATIO},
    {"count", QUANTITY_COUNT},
    {"state", QUANTITY_STATE},
    {"energy", QUANTITY_ENERGY},
    {"flow", QUANTITY_FLOW},
    {"volume", QUANTITY_VOLUME},
    {"density", QUANTITY_DENSITY},
    {"pressure gradient", QUANTITY_PRESSURE_GRADIENT},
    {"rotation", QUANTITY_ROTATION},
    {"angle", QUANTITY_ANGLE},
    {"viscosity", QUANTITY_VISCOSITY},
    {"kinematic viscosity", QUANTITY_KINEMATIC_VISCOSITY},
    {"productivity", QUANTITY_PRODUCTIVITY},
    {"apparent power", QUANTITY_APPARENT_POWER},
    {"oil gravity", QUANTITY_OIL_GRAVITY},
    {"gas oil ratio", QUANTITY_GAS_OIL_RATIO},
    {"specific energy", QUANTITY_SPECIFIC_ENERGY},
    {"resistance per length", QUANTITY_RESISTANCE_PER_LENGTH},
};
#define KIND_NAME_COUNT (sizeof KIND_NAMES / sizeof KIND_NAMES[0])

const char *quantity_name(enum quantity kind)
{
    for (size_t i = 0; i < KIND_NAME_COUNT; i++)
        if (KIND_NAMES[i].kind == kind)
            return KIND_NAMES[i].name;
    return "unknown";
}

enum quantity quantity_from_name(const char *name, size_t length)
{
    for (size_t i = 0; i < KIND_NAME_COUNT; i++) {
        const char *known = KIND_NAMES[i].name;
        size_t at = 0;
        if (strlen(known) != length)
            continue;
        while (at < length && (name[at] == known[at] || (name[at] == '_' && known[at] == ' ')))
            at++;
        if (at == length)
            return KIND_NAMES[i].kind;
    }
    return QUANTITY_NONE;
}

/** What UTF-8 sequences are folded to. */
static const struct {
    const char *utf8, *ascii;
} FOLDS[] = {
    {"\xC2\xB0", "deg"},      /* U+00B0 degree sign */
    {"\xC2\xB2", "2"},        /* U+00B2 superscript two */
    {"\xC2\xB3", "3"},        /* U+00B3 superscript three */
    {"\xC2\xB5", "u"},        /* U+00B5 micro sign */
    {"\xCE\xBC", "u"},        /* U+03BC Greek small mu */
    {"\xCE\xA9", "ohm"},      /* U+03A9 Greek capital omega */
    {"\xE2\x84\xA6", "ohm"},  /* U+2126 ohm sign */
    {"\xC2\xB7", "."},        /* U+00B7 middle dot */
    {"\xE2\x8B\x85", "."},    /* U+22C5 dot operator */
    {"\xE2\x84\x83", "degC"}, /* U+2103 */
    {"\xE2\x84\x89", "degF"}, /* U+2109 */
    {"\xC2\xA0", " "},        /* U+00A0 no-break space */
};

/** Folds to ASCII; 0 where the name is empty, too long or holds anything else beyond ASCII. */
static size_t fold(char into[static FOLDED_MAX], const char *name, size_t length)
{
    size_t used = 0, at = 0;
    while (at < length) {
        const char *put = NULL;
        size_t take = 1, n = 1;
        for (size_t i = 0; i < sizeof FOLDS / sizeof FOLDS[0] && put == NULL; i++) {
            size_t bytes = strlen(FOLDS[i].utf8);
            if (length - at >= bytes && memcmp(name + at, FOLDS[i].utf8, bytes) == 0) {
                put = FOLDS[i].ascii;
                take = bytes;
                n = strlen(put);
            }
        }
        if (put == NULL && (unsigned char)name[at] - 0x20u > 0x5Eu)
            return 0;
        if (used + n >= FOLDED_MAX)
            return 0;
        memcpy(into + used, put != NULL ? put : name + at, n);
        used += n;
        at += take;
    }
    into[used] = '\0';
    return used;
}

/** Other spellings, folded, and the row that each means. A kind of NONE: whatever kind the row's
 * name is looked up under. */
static const struct spelling {
    const char *spelling, *name;
    enum quantity kind;
} SPELLINGS[] = {
    {"C", "degC", QUANTITY_NONE},
    {"F", "degF", QUANTITY_NONE},
    {"deg C", "degC", QUANTITY_NONE},
    {"deg F", "degF", QUANTITY_NONE},
    {"degC (difference)", "degC", QUANTITY_TEMPERATURE_DIFFERENCE},
    {"degF (difference)", "degF", QUANTITY_TEMPERATURE_DIFFERENCE},
    {"K (difference)", "K", QUANTITY_TEMPERATURE_DIFFERENCE},
    {"degC difference", "degC", QUANTITY_TEMPERATURE_DIFFERENCE},
    {"degF difference", "degF", QUANTITY_TEMPERATURE_DIFFERENCE},
    {"technical atmosphere", "at", QUANTITY_PRESSURE},
    {"standard atmosphere", "atm", QUANTITY_PRESSURE},
    {"lbf/in2", "psi", QUANTITY_PRESSURE},
    {"kg/cm2", "kgf/cm2", QUANTITY_PRESSURE},
    {"hp (550 ft.lbf/s)", "hp", QUANTITY_POWER},
    {"mechanical hp", "hp", QUANTITY_POWER},
    {"hp (metric)", "metric hp", QUANTITY_POWER},
    {"hp (electric)", "electric hp", QUANTITY_POWER},
    {"hp.h (550 ft.lbf/s)", "hp.h", QUANTITY_ENERGY},
    {"kW.h", "kWh", QUANTITY_ENERGY},
    {"MW.h", "MWh", QUANTITY_ENERGY},
    {"W.h", "Wh", QUANTITY_ENERGY},
    {"kV.A", "kVA", QUANTITY_APPARENT_POWER},
    {"V.A", "VA", QUANTITY_APPARENT_POWER},
    {"MV.A", "MVA", QUANTITY_APPARENT_POWER},
    {"rpm", "r/min", QUANTITY_ROTATION},
    {"rev/min", "r/min", QUANTITY_ROTATION},
    {"r/s", "Hz", QUANTITY_ROTATION},
    {"rev/s", "Hz", QUANTITY_ROTATION},
    {"Hz (rotations per second)", "Hz", QUANTITY_ROTATION},
    {"US survey foot", "US survey ft", QUANTITY_LENGTH},
    {"bbl (42 US gal)", "bbl", QUANTITY_VOLUME},
    {"bbl (42 US gal)/d", "bbl/d", QUANTITY_FLOW},
    {"litre", "L", QUANTITY_VOLUME},
    {"l", "L", QUANTITY_VOLUME},
    {"l/min", "L/min", QUANTITY_FLOW},
    {"l/s", "L/s", QUANTITY_FLOW},
    {"API", "degAPI", QUANTITY_OIL_GRAVITY},
    {"deg API", "degAPI", QUANTITY_OIL_GRAVITY},
    {"sec", "s", QUANTITY_DURATION},
    {"second", "s", QUANTITY_DURATION},
    {"seconds", "s", QUANTITY_DURATION},
    {"minute", "min", QUANTITY_DURATION},
    {"minutes", "min", QUANTITY_DURATION},
    {"hour", "h", QUANTITY_DURATION},
    {"hours", "h", QUANTITY_DURATION},
    {"day", "d", QUANTITY_DURATION},
    {"days", "d", QUANTITY_DURATION},
    {"degree", "deg", QUANTITY_ANGLE},
    {"degrees", "deg", QUANTITY_ANGLE},
    {"percent", "%", QUANTITY_RATIO},
};

static unit_number find_row(const char *name, enum quantity kind)
{
    for (unit_number id = 1; id < unit_count(); id++) {
        const struct unit *unit = unit_get(id);
        if ((kind == QUANTITY_NONE || unit->kind == kind) && strcmp(unit->name, name) == 0)
            return id;
    }
    return 0;
}

/** As it stands in the table: what the program's own tables ask for. */
static unit_number find_exactly(const char *name, size_t length, enum quantity kind)
{
    const struct unit_row *rows = unit_row_get(0);
    const size_t n = unit_count();
    for (unit_number id = 1; id < n; id++) {
        const struct unit *unit = &rows[id].unit;
        if (unit->kind == kind && strncmp(unit->name, name, length) == 0 &&
            unit->name[length] == '\0')
            return id;
    }
    return 0;
}

unit_number unit_find(const char *name, size_t length, enum quantity kind)
{
    if (kind != QUANTITY_NONE && length > 0) {
        const unit_number exact = find_exactly(name, length, kind);
        if (exact != 0)
            return exact;
    }
    char folded[FOLDED_MAX];
    size_t n = fold(folded, name, length);
    if (n == 0)
        return 0;
    unit_number found = find_row(folded, kind);
    for (size_t i = 0; found == 0 && i < sizeof SPELLINGS / sizeof SPELLINGS[0]; i++) {
        const struct spelling *row = &SPELLINGS[i];
        if (strcmp(row->spelling, folded) != 0)
            continue;
        if (row->kind == QUANTITY_NONE)
            found = find_row(row->name, kind);
        else if (kind == QUANTITY_NONE || kind == row->kind)
            found = find_row(row->name, row->kind);
    }
    return found;
}

double quantity_floor(enum quantity kind, enum pressure_reference reference)
{
    if (kind == QUANTITY_TEMPERATURE)
        return -273.15;
    return kind == QUANTITY_PRESSURE && reference == REFERENCE_ABSOLUTE ? 0.0 : -INFINITY;
}

bool quantity_is_below_floor(double value, enum quantity kind, enum pressure_reference reference)
{
    return value < quantity_floor(kind, reference) - 1e-9;
}
