/* SPDX-License-Identifier: Apache-2.0
 *
 * convert.c - `uphole convert`: one number from one unit to another, by the table of units that the
 * daemon uses.
 *
 * Kinds never mix: a temperature is not a difference, an acceleration not a velocity, and gauge
 * pressure becomes absolute only with an atmosphere that is stated.
 */
#include "command.h"

#include "uphole/quantity.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

#define WORDS_MAX 12
#define TEXT_MAX 96

/** A unit as written: its text without the reference, and that. */
struct written_unit {
    char text[TEXT_MAX];
    uint8_t reference; /* enum pressure_reference; NONE where none is written */
};
struct asked {
    const char *words[WORDS_MAX]; /* value, unit, unit; a unit may be several words */
    int n_words;
    char atmosphere[TEXT_MAX];
    bool json, list;
};
struct sides {
    struct written_unit from_text, to_text;
    unit_number from, to;
};

/* ---- units ---- */

static bool cut_ending(struct written_unit *unit, const char *ending, uint8_t reference)
{
    size_t length = strlen(unit->text), cut = strlen(ending);
    if (length <= cut || strcmp(unit->text + length - cut, ending) != 0)
        return false;
    unit->text[length - cut] = '\0';
    unit->reference = reference;
    return true;
}

/** Joins words first to end (not included) with spaces and takes the reference off. False: too
 * long. */
static bool join(const struct asked *asked, int first, int end, struct written_unit *unit)
{
    unit->text[0] = '\0';
    unit->reference = REFERENCE_NONE;
    size_t used = 0;
    for (int i = first; i < end; i++) {
        int n = snprintf(unit->text + used, sizeof unit->text - used, "%s%s", i > first ? " " : "",
                         asked->words[i]);
        if (n < 0 || (size_t)n >= sizeof unit->text - used)
            return false;
        used += (size_t)n;
    }
    if (!cut_ending(unit, " gauge", REFERENCE_GAUGE))
        cut_ending(unit, " absolute", REFERENCE_ABSOLUTE);
    return used > 0;
}

static unit_number find(const struct written_unit *unit, enum quantity kind)
{
    return unit_find(unit->text, strlen(unit->text), kind);
}

/** Both units of one kind, the first in the order of kinds. */
static bool find_both(struct sides *sides)
{
    for (int kind = QUANTITY_NONE + 1; kind < QUANTITY_COUNT_OF_KINDS; kind++) {
        sides->from = find(&sides->from_text, (enum quantity)kind);
        sides->to = find(&sides->to_text, (enum quantity)kind);
        if (sides->from != 0 && sides->to != 0)
            return true;
    }
    return false;
}

/** Splits the words behind the value into two units, wherever that gives two of one kind. */
static bool split(const struct asked *asked, struct sides *sides)
{
    for (int middle = 2; middle < asked->n_words; middle++) {
        if (join(asked, 1, middle, &sides->from_text) &&
            join(asked, middle, asked->n_words, &sides->to_text) && find_both(sides))
            return true;
    }
    return false;
}

static int refuse_units(const struct asked *asked)
{
    struct sides sides;
    for (int middle = 2; middle < asked->n_words; middle++) {
        if (!join(asked, 1, middle, &sides.from_text) ||
            !join(asked, middle, asked->n_words, &sides.to_text))
            continue;
        unit_number from = find(&sides.from_text, QUANTITY_NONE),
                    to = find(&sides.to_text, QUANTITY_NONE);
        if (from == 0 || to == 0)
            continue;
        fprintf(
            stderr,
            "uphole: %s is a unit of %s and %s one of %s; these don't convert into each other.\n",
            sides.from_text.text, quantity_name(unit_get(from)->kind), sides.to_text.text,
            quantity_name(unit_get(to)->kind));
        return EX_DATAERR;
    }
    join(asked, 1, 2, &sides.from_text);
    bool is_first = find(&sides.from_text, QUANTITY_NONE) == 0;
    join(asked, is_first ? 1 : 2, is_first ? asked->n_words - 1 : asked->n_words, &sides.from_text);
    fprintf(stderr,
            "uphole: no unit is known as '%s'; case counts, and 'uphole convert --list' shows them "
            "all.\n",
            sides.from_text.text);
    return EX_DATAERR;
}

/* ---- the number ---- */

static void number_text(double value, char into[static NUMBER_TEXT_MAX])
{
    snprintf(into, NUMBER_TEXT_MAX, "%.12g", value + 0.0);
}

static void unit_text(unit_number id, uint8_t reference, char into[static TEXT_MAX])
{
    const struct unit *unit = unit_get(id);
    bool is_difference =
        unit->kind == QUANTITY_TEMPERATURE_DIFFERENCE && strcmp(unit->name, "K") != 0;
    snprintf(into, TEXT_MAX, "%s%s%s", unit->name, is_difference ? " (difference)" : "",
             reference == REFERENCE_GAUGE      ? " gauge"
             : reference == REFERENCE_ABSOLUTE ? " absolute"
                                               : "");
}

static int refuse_below_vacuum(void)
{
    fputs("uphole: that is below an absolute pressure of 0.\n", stderr);
    return EX_DATAERR;
}

/** Takes the atmosphere off or adds it. A non-zero code was said. */
static int apply_reference(const struct asked *asked, const struct sides *sides, double *own)
{
    uint8_t from = sides->from_text.reference, to = sides->to_text.reference;
    if (from == REFERENCE_NONE && to == REFERENCE_NONE)
        return 0;
    if (unit_get(sides->from)->kind != QUANTITY_PRESSURE) {
        fputs("uphole: only a pressure is gauge or absolute.\n", stderr);
        return EX_DATAERR;
    }
    if (from == REFERENCE_NONE || to == REFERENCE_NONE) {
        fputs("uphole: say gauge or absolute of both pressures, or of neither.\n", stderr);
        return EX_DATAERR;
    }
    if (quantity_is_below_floor(*own, QUANTITY_PRESSURE, from))
        return refuse_below_vacuum();
    if (from != to) {
        double atmosphere;
        unit_number unit;
        if (asked->atmosphere[0] == '\0') {
            fputs("uphole: gauge and absolute differ by the atmosphere of the place; state it, as "
                  "in --atmosphere 101.325 kPa.\n",
                  stderr);
            return EX_DATAERR;
        }
        if (!quantity_from_text(asked->atmosphere, strlen(asked->atmosphere), QUANTITY_PRESSURE,
                                &atmosphere, &unit) ||
            !(atmosphere > 0)) {
            fprintf(stderr,
                    "uphole: '%s' is no atmosphere; expected a pressure above 0 with its unit, as "
                    "in 101.325 kPa.\n",
                    asked->atmosphere);
            return EX_DATAERR;
        }
        *own += from == REFERENCE_GAUGE ? atmosphere : -atmosphere;
        if (to == REFERENCE_ABSOLUTE && *own < 0)
            return refuse_below_vacuum();
    }
    return 0;
}

static int convert(const struct asked *asked)
{
    struct decimal number;
    struct sides sides;
    struct up_error error;
    if (!decimal_from_text(asked->words[0], strlen(asked->words[0]), &number)) {
        fprintf(stderr, "uphole: '%s' is no number; expected one such as 65.535, -40 or 1e-3.\n",
                asked->words[0]);
        return EX_DATAERR;
    }
    if (!split(asked, &sides))
        return refuse_units(asked);
    struct conversion step;
    enum up_rc rc = conversion_make((struct decimal){1, 0}, (struct decimal){0, 0}, sides.from,
                                    sides.to, &step, &error);
    if (rc != UP_OK)
        return command_fail(&error);
    double value = decimal_to_double(number), result = conversion_apply(&step, value);
    if (unit_get(sides.from)->kind == QUANTITY_TEMPERATURE &&
        quantity_is_below_floor(unit_convert(value, sides.from, unit_of_kind(QUANTITY_TEMPERATURE)),
                                QUANTITY_TEMPERATURE, REFERENCE_NONE)) {
        fputs("uphole: that is below absolute zero (-273.15 degC).\n", stderr);
        return EX_DATAERR;
    }
    if (sides.from_text.reference != sides.to_text.reference ||
        sides.from_text.reference != REFERENCE_NONE) {
        unit_number own_unit = unit_of_kind(unit_get(sides.from)->kind);
        double own = unit_convert(value, sides.from, own_unit), before = own;
        int code = apply_reference(asked, &sides, &own);
        if (code != 0)
            return code;
        if (own != before)
            result = unit_convert(own, own_unit, sides.to);
    }
    char text[NUMBER_TEXT_MAX], from[TEXT_MAX], to[TEXT_MAX];
    number_text(result, text);
    unit_text(sides.from, sides.from_text.reference, from);
    unit_text(sides.to, sides.to_text.reference, to);
    if (!isfinite(result)) {
        fputs("uphole: the result is too large for a number.\n", stderr);
        return EX_DATAERR;
    }
    if (asked->json) {
        char typed[NUMBER_TEXT_MAX], full[NUMBER_TEXT_MAX];
        number_to_text(value, 0, typed);
        number_to_text(result, 0, full);
        printf("{\"value\":%s,\"unit\":\"%s\",\"result\":%s,\"to\":\"%s\",\"kind\":\"%s\"}\n",
               typed, from, full, to, quantity_name(unit_get(sides.from)->kind));
    } else {
        printf("%s %s = %s %s\n", asked->words[0], from, text, to);
    }
    return 0;
}

static int list_units(void)
{
    for (int kind = QUANTITY_NONE + 1; kind < QUANTITY_COUNT_OF_KINDS; kind++) {
        bool is_first = true;
        for (unit_number id = 1; id < unit_count(); id++) {
            if (unit_get(id)->kind != (enum quantity)kind)
                continue;
            char name[TEXT_MAX];
            unit_text(id, REFERENCE_NONE, name);
            if (is_first)
                printf("%-22s  %s", quantity_name((enum quantity)kind), name);
            else
                printf(", %s", name);
            is_first = false;
        }
        if (!is_first)
            putchar('\n');
    }
    puts("\nThe first unit of a kind is the one that Uphole keeps inside.");
    return 0;
}

/* ---- the command line: by hand, since a value may begin with a minus ---- */

static bool is_value(const char *text)
{
    return text[0] != '-' || (text[1] >= '0' && text[1] <= '9') || text[1] == '.';
}

/** `--atmosphere 101.325 kPa` is two words where it isn't quoted. Returns how many it took; 0: none
 * that is a pressure. */
static int take_atmosphere(struct asked *asked, int argc, char **argv, int at)
{
    double kpa;
    unit_number unit;
    for (int n = 1; n <= 2 && at + n <= argc; n++) {
        snprintf(asked->atmosphere, sizeof asked->atmosphere, n == 1 ? "%s" : "%s %s", argv[at],
                 n == 1 ? "" : argv[at + 1]);
        if (quantity_from_text(asked->atmosphere, strlen(asked->atmosphere), QUANTITY_PRESSURE,
                               &kpa, &unit))
            return n;
    }
    return at < argc ? 1 : 0;
}

static int read_arguments(struct asked *asked, int argc, char **argv)
{
    bool options_end = false;
    for (int i = 1; i < argc; i++) {
        if (options_end || is_value(argv[i])) {
            if (asked->n_words == WORDS_MAX)
                return command_usage_error(&COMMAND_CONVERT,
                                           "too many words; expected VALUE UNIT TO");
            asked->words[asked->n_words++] = argv[i];
        } else if (strcmp(argv[i], "--") == 0) {
            options_end = true;
        } else if (strcmp(argv[i], "--json") == 0) {
            asked->json = true;
        } else if (strcmp(argv[i], "--list") == 0) {
            asked->list = true;
        } else if (strcmp(argv[i], "--atmosphere") == 0) {
            int taken = take_atmosphere(asked, argc, argv, i + 1);
            if (taken == 0)
                return command_usage_error(&COMMAND_CONVERT,
                                           "--atmosphere needs a pressure, as in 101.325 kPa");
            i += taken;
        } else {
            return command_usage_error(&COMMAND_CONVERT, "option '%s' is not known", argv[i]);
        }
    }
    if (asked->list ? asked->n_words > 0 : asked->n_words < 3)
        return command_usage_error(&COMMAND_CONVERT, asked->list ? "--list takes nothing else"
                                                                 : "expected VALUE UNIT TO");
    return 0;
}

static int run_convert(int argc, char **argv)
{
    struct asked asked = {0};
    int code = read_arguments(&asked, argc, argv);
    if (code != 0)
        return code;
    return asked.list ? list_units() : convert(&asked);
}

const struct command COMMAND_CONVERT = {
    .name = "convert",
    .summary = "convert a number from one unit to another",
    .usage = "convert VALUE UNIT TO [--atmosphere PRESSURE] [--json] | convert --list",
    .help = "  --atmosphere PRESSURE  of the place, as in 101.325 kPa; needed from gauge to "
            "absolute and back\n"
            "  --json                 the result as an object, with all digits\n"
            "  --list                 all units, by kind\n"
            "\n"
            "  uphole convert 65.535 MPa psi\n"
            "  uphole convert 9 '°F (difference)' K\n"
            "  uphole convert 100 psi gauge kPa absolute --atmosphere 101.325 kPa\n"
            "\n"
            "Units may be written as °C, kgf/cm² or MΩ as well as degC, kgf/cm2 or Mohm. Case "
            "counts: mPa is\n"
            "not MPa. A difference of temperatures, an acceleration beside a velocity, gauge "
            "beside absolute\n"
            "pressure are kinds of their own and never mix.\n",
    .run = run_convert,
};
