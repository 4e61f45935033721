/* SPDX-License-Identifier: Apache-2.0
 *
 * screen_value.c - what a person types off a screen: number, unit, gauge or absolute (pure).
 *
 * Nothing is guessed that the screen shows: a bare number is refused where the point has a
 * dimension, and so is a comma that may stand between thousands. Screens write units in capitals;
 * these are taken where only one unit of the kind can be meant.
 */
#include "uphole/compare.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/** Copies without blanks at the ends and without control characters; false: too long, or such a
 * character. */
static bool tidy(const char *text, size_t length, char into[static SCREEN_TEXT_MAX])
{
    while (length > 0 && (text[0] == ' ' || text[0] == '\t'))
        text++, length--;
    while (length > 0 && strchr(" \t\r\n", text[length - 1]) != NULL)
        length--;
    if (length >= SCREEN_TEXT_MAX)
        return false;
    for (size_t i = 0; i < length; i++)
        if ((unsigned char)text[i] < 0x20 || text[i] == 0x7F)
            return false;
    memcpy(into, text, length);
    into[length] = '\0';
    return true;
}

static bool says_blank(const char *text)
{
    static const char *const WORDS[] = {"no value", "none", "blank", "not fitted", "n/a", "off"};
    for (size_t i = 0; i < sizeof WORDS / sizeof *WORDS; i++)
        if (strcasecmp(text, WORDS[i]) == 0)
            return true;
    return *text != '\0' && strspn(text, "-_. *") == strlen(text);
}

/* ---- the number ---- */

/** A comma with three digits behind it and one to three before, the first not 0: "1,790" may be
 * either. */
static bool may_be_thousands(const char *number, const char *comma, const char *end)
{
    const char *first = number + (*number == '-' || *number == '+');
    return end - comma == 4 && comma - first >= 1 && comma - first <= 3 && *first != '0';
}

/** Reads digits with at most one point or comma; *end is what follows. The digits, with a point,
 * are put into `into`. */
static enum up_rc take_number(const char *text, struct screen_value *out,
                              char into[static SCREEN_TEXT_MAX], const char **end,
                              struct up_error *error)
{
    const char *at = text, *mark = NULL;
    unsigned marks = 0, digits = 0;
    if (*at == '-' || *at == '+')
        at++;
    for (; is_digit(*at) || ((*at == '.' || *at == ',') && is_digit(at[1])); at++) {
        if (is_digit(*at)) {
            digits++;
            continue;
        }
        mark = at;
        marks++;
    }
    *end = at;
    if (*text == '\0')
        return UP_FAIL(error, UP_E_INPUT,
                       "nothing was typed; type what the screen says, as in 1790 psi");
    if (digits == 0)
        return UP_FAIL(
            error, UP_E_INPUT,
            "'%.40s' doesn't begin with a number; type what the screen says, as in 1790 psi", text);
    if (marks > 1 || (mark != NULL && *mark == ',' && may_be_thousands(text, mark, at)))
        return UP_FAIL(error, UP_E_INPUT,
                       "the comma in '%.40s' may stand between thousands or before decimals; type "
                       "the number without marks between thousands, and with a "
                       "point before decimals",
                       text);
    memcpy(into, text, (size_t)(at - text));
    into[at - text] = '\0';
    if (mark != NULL)
        into[mark - text] = '.';
    const char *plain = into + (*into == '+');
    struct decimal decimal;
    if (!decimal_from_text(plain, strlen(plain), &decimal))
        return UP_FAIL(
            error, UP_E_INPUT,
            "'%.40s' has more digits than a screen shows; type what it says, as in 1790 psi", text);
    out->number = decimal_to_double(decimal);
    out->step = mark == NULL ? 1.0 : decimal_to_double((struct decimal){1, -(int)(at - mark - 1)});
    return UP_OK;
}

/* ---- the unit ---- */

/** By the table and its spellings; else, in any case of letters, where only one unit of the kind is
 * meant. */
static unit_number find_unit(const char *text, size_t length, enum quantity kind)
{
    unit_number found = unit_find(text, length, kind);
    char name[SCREEN_TEXT_MAX];
    if (found != 0 || length >= sizeof name)
        return found;
    memcpy(name, text, length);
    name[length] = '\0';
    for (unit_number id = 1; id < unit_count(); id++) {
        if (unit_get(id)->kind != kind || strcasecmp(unit_get(id)->name, name) != 0)
            continue;
        if (found != 0)
            return 0;
        found = id;
    }
    if (found == 0 && kind == QUANTITY_TEMPERATURE && length >= 5 &&
        strncasecmp(name, "deg", 3) == 0) {
        const char letter = name[length - 1];
        if (strcasecmp(name + 3, " c") == 0 || strcasecmp(name + 3, " f") == 0)
            return unit_find(letter == 'c' || letter == 'C' ? "degC" : "degF", 4, kind);
    }
    return found;
}

/** A word for gauge or absolute behind a unit of pressure: "psig", "bar(a)", "kPa absolute"; its
 * text is what the unit is without it. */
static const struct ending {
    const char *text;
    uint8_t reference;
} ENDINGS[] = {{" gauge", REFERENCE_GAUGE},  {" absolute", REFERENCE_ABSOLUTE},
               {" abs", REFERENCE_ABSOLUTE}, {"(g)", REFERENCE_GAUGE},
               {"(a)", REFERENCE_ABSOLUTE},  {" g", REFERENCE_GAUGE},
               {" a", REFERENCE_ABSOLUTE},   {"g", REFERENCE_GAUGE},
               {"a", REFERENCE_ABSOLUTE}};

static unit_number find_pressure(const char *text, uint8_t *reference)
{
    const size_t length = strlen(text);
    unit_number found = find_unit(text, length, QUANTITY_PRESSURE);
    for (size_t i = 0; found == 0 && i < sizeof ENDINGS / sizeof *ENDINGS; i++) {
        const size_t cut = strlen(ENDINGS[i].text);
        if (length <= cut || strcasecmp(text + length - cut, ENDINGS[i].text) != 0)
            continue;
        size_t left = length - cut;
        while (left > 0 && text[left - 1] == ' ')
            left--;
        found = find_unit(text, left, QUANTITY_PRESSURE);
        if (found != 0)
            *reference = ENDINGS[i].reference;
    }
    return found;
}

static enum up_rc refuse_unit(const char *unit, const struct point *point, struct up_error *error)
{
    const unit_number other = unit_find(unit, strlen(unit), QUANTITY_NONE);
    char known[160] = "";
    size_t used = 0;
    for (unit_number id = 1, shown = 0; id < unit_count() && shown < 8; id++) {
        if (unit_get(id)->kind != point->kind)
            continue;
        const int n = snprintf(known + used, sizeof known - used, "%s%s", used > 0 ? ", " : "",
                               unit_get(id)->name);
        if (n < 0 || (size_t)n >= sizeof known - used)
            break;
        used += (size_t)n, shown++;
    }
    if (unit[0] == '\0')
        return UP_FAIL(
            error, UP_E_INPUT,
            "a unit is missing: type it behind the number as the screen shows it, one of %s",
            known);
    if (other != 0)
        return UP_FAIL(error, UP_E_INPUT, "%s is a unit of %s, and %s is one of %s (%s)",
                       unit_get(other)->name, quantity_name(unit_get(other)->kind),
                       point->trade_name, quantity_name(point->kind), known);
    return UP_FAIL(error, UP_E_INPUT, "no unit of %s is known as '%.24s'; expected one of %s",
                   quantity_name(point->kind), unit, known);
}

enum up_rc screen_value_from_text(const char *text, size_t length, unsigned number,
                                  struct screen_value *out, struct up_error *error)
{
    char typed[SCREEN_TEXT_MAX], digits[SCREEN_TEXT_MAX];
    const char *unit;
    const struct point *point = point_get(number);
    *out = (struct screen_value){.number = NAN};
    if (point == NULL || !tidy(text, length, typed))
        return UP_FAIL(error, UP_E_INPUT,
                       "that is no number with a unit; type what the screen says, as in 1790 psi");
    if (says_blank(typed)) {
        out->is_blank = true;
        snprintf(out->text, sizeof out->text, "no value");
        return UP_OK;
    }
    const enum up_rc rc = take_number(typed, out, digits, &unit, error);
    if (rc != UP_OK)
        return rc;
    unit += strspn(unit, " ");
    out->unit = point->kind == QUANTITY_PRESSURE ? find_pressure(unit, &out->reference)
                                                 : find_unit(unit, strlen(unit), point->kind);
    if (*unit == '\0' && point->kind == QUANTITY_RATIO) /* a bare power factor */
        out->unit = unit_find("1", 1, QUANTITY_RATIO);
    if (out->unit == 0)
        return refuse_unit(unit, point, error);
    snprintf(out->text, sizeof out->text, "%.30s %s%s", digits, unit_get(out->unit)->name,
             out->reference == REFERENCE_GAUGE      ? " gauge"
             : out->reference == REFERENCE_ABSOLUTE ? " absolute"
                                                    : "");
    return UP_OK;
}

double screen_value_inside(const struct screen_value *value, unsigned point, double *step)
{
    const unit_number own = point_unit(point);
    if (step != NULL)
        *step = value->is_blank ? NAN
                                : fabs(unit_convert(value->step, value->unit, own) -
                                       unit_convert(0.0, value->unit, own));
    return value->is_blank ? NAN : unit_convert(value->number, value->unit, own);
}
