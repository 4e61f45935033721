/* SPDX-License-Identifier: Apache-2.0
 *
 * quantities.c - numbers with a unit of a kind: one, a range, a rate. A unit of another kind is a
 * fault that names both kinds.
 */
#include "values.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static bool rest_is(const char *rest, size_t n, const char *word)
{
    return strlen(word) == n && memcmp(rest, word, n) == 0;
}

unit_number unit_of_difference(unit_number unit)
{
    return unit_get(unit)->kind == QUANTITY_TEMPERATURE
               ? unit_of_kind(QUANTITY_TEMPERATURE_DIFFERENCE)
               : unit;
}

/* The unit named by `text`, of the kind of `in`; 0 and a fault where it is none. */
static unit_number unit_of_text(struct plan_faults *faults, const struct node *node,
                                const char *name, const char *text, size_t n, enum quantity kind)
{
    char names[160];
    const unit_number unit = unit_find(text, n, kind);
    if (unit)
        return unit;
    units_of_kind(kind, names, sizeof names);
    const unit_number other = unit_find(text, n, QUANTITY_NONE);
    if (n == 0)
        fault_at(faults, node, "`%s: %.60s` has no unit; expected %s", name, node->text, names);
    else if (other)
        fault_at(faults, node, "`%.*s` is a unit of %s, but `%s` is a %s; expected %s",
                 (int)(n < 40 ? n : 40), text, quantity_name(unit_get(other)->kind), name,
                 quantity_name(kind), names);
    else
        fault_at(faults, node, "`%.*s` is no unit that is known here; expected %s",
                 (int)(n < 40 ? n : 40), text, names);
    return 0;
}

static double in_unit(struct decimal number, unit_number from, unit_number to)
{
    struct conversion conversion;
    if (from == to || conversion_make((struct decimal){1, 0}, (struct decimal){0, 0}, from, to,
                                      &conversion, NULL) != UP_OK)
        return decimal_to_double(number);
    return conversion_apply(&conversion, decimal_to_double(number));
}

static void quantity_text(double value, unit_number unit, char into[static DECIMAL_TEXT_MAX])
{
    char number[DECIMAL_TEXT_MAX];
    decimal_to_text(decimal_from_double(value), number);
    (void)snprintf(into, DECIMAL_TEXT_MAX, "%.40s%s%.20s", number, unit != 0 ? " " : "",
                   unit != 0 ? unit_get(unit)->name : "");
}

bool value_quantity(struct plan_faults *faults, const struct node *node, const char *name,
                    unit_number in, double low, double high, const char *suffix, double *value)
{
    struct decimal number;
    const char *rest;
    size_t n;
    if (!value_is_text(faults, node, name, "a number with its unit"))
        return false;
    if (!split_number(node->text, node->length, &number, &rest, &n)) {
        fault_at(faults, node,
                 in != 0 ? "`%s: %.60s` is no number with its unit; expected such as `10 %s`"
                         : "`%s: %.60s` is no number; expected such as `10`%.0s",
                 name, node->text, unit_get(in)->name);
        return false;
    }
    const size_t tail = suffix ? strlen(suffix) + 1 : 0;
    if (suffix && (n <= tail || rest[n - tail] != ' ' ||
                   memcmp(rest + n - tail + 1, suffix, tail - 1) != 0)) {
        fault_at(faults, node,
                 "`%s: %.60s` doesn't say what it counts; expected a number, its unit and `%s`",
                 name, node->text, suffix);
        return false;
    }
    if (in == 0 && n > tail) {
        fault_at(faults, node, "`%s: %.60s` has no unit; expected a number alone", name,
                 node->text);
        return false;
    }
    const unit_number unit =
        in == 0 ? 0 : unit_of_text(faults, node, name, rest, n - tail, unit_get(in)->kind);
    if (in != 0 && !unit)
        return false;
    *value = in_unit(number, unit, in);
    if (*value >= low && *value <= high)
        return true;
    char from[DECIMAL_TEXT_MAX], to[DECIMAL_TEXT_MAX];
    quantity_text(low, in, from);
    quantity_text(high, in, to);
    fault_of_range(faults, node, name, from, to);
    return false;
}

bool value_range(struct plan_faults *faults, const struct node *node, const char *name,
                 unit_number in, double *low, double *high)
{
    struct decimal first, second;
    const char *rest, *unit_text;
    size_t n, unit_length;
    if (!value_is_text(faults, node, name, "two numbers and their unit, such as `0 to 60 MPa`"))
        return false;
    bool good = split_number(node->text, node->length, &first, &rest, &n);
    good = good && n > 3 && memcmp(rest, "to ", 3) == 0;
    good = good && split_number(rest + 3, n - 3, &second, &unit_text, &unit_length);
    if (!good) {
        fault_at(
            faults, node,
            "`%s: %.60s` is no range; expected two numbers and their unit, such as `0 to 60%s%s`",
            name, node->text, in ? " " : "", in ? unit_get(in)->name : "");
        return false;
    }
    unit_number unit = 0;
    if (in) {
        unit = unit_of_text(faults, node, name, unit_text, unit_length, unit_get(in)->kind);
        if (!unit)
            return false;
    } else if (unit_length > 0) {
        fault_at(faults, node, "`%s: %.60s`: this point has no unit; expected two numbers alone",
                 name, node->text);
        return false;
    }
    *low = in_unit(first, unit, in);
    *high = in_unit(second, unit, in);
    if (!isfinite(*low) || !isfinite(*high)) {
        fault_at(faults, node, "`%s: %.60s` is beyond all measure", name, node->text);
        return false;
    }
    if (*low < *high)
        return true;
    fault_at(faults, node, "`%s: %.60s` ends before it begins; expected the lower number first",
             name, node->text);
    return false;
}

bool value_rate(struct plan_faults *faults, const struct node *node, const char *name,
                unit_number in, double *per_s)
{
    static const struct {
        const char *word;
        double s;
    } PER[] = {{"s", 1}, {"min", 60}, {"h", 3600}, {"d", 86400}};
    const unit_number difference = unit_of_difference(in);
    struct decimal number;
    const char *rest;
    size_t n;
    if (!value_is_text(faults, node, name, "a rate with its unit, such as `0.3 MPa/min`"))
        return false;
    if (split_number(node->text, node->length, &number, &rest, &n)) {
        const char *slash = memrchr(rest, '/', n);
        for (size_t i = 0; slash && i < sizeof PER / sizeof PER[0]; i++) {
            const size_t unit_length = (size_t)(slash - rest);
            if (!rest_is(slash + 1, n - unit_length - 1, PER[i].word))
                continue;
            unit_number unit = 0;
            if (in && !(unit = unit_of_text(faults, node, name, rest, unit_length,
                                            unit_get(difference)->kind)))
                return false;
            *per_s = in_unit(number, unit, difference) / PER[i].s;
            if (*per_s > 0 && isfinite(*per_s))
                return true;
        }
    }
    fault_at(faults, node,
             "`%s: %.60s` is no rate; expected a number above 0 with its unit a s, min or h, such "
             "as `10 %s/min`",
             name, node->text, unit_get(difference)->name);
    return false;
}

bool value_span(struct plan_faults *faults, const struct node *node, const char *name,
                const char **low, size_t *low_length, const char **high, size_t *high_length)
{
    uint64_t first, second;
    if (!value_is_text(faults, node, name, "one whole number, or two such as `0 to 63`"))
        return false;
    const char *text = node->text;
    const char *to = strstr(text, " to ");
    *low = text;
    *low_length = to ? (size_t)(to - text) : node->length;
    *high = to ? to + 4 : text;
    *high_length = to ? strlen(*high) : node->length;
    if (whole_from_text(*low, *low_length, &first) &&
        whole_from_text(*high, *high_length, &second)) {
        if (first <= second)
            return true;
        fault_at(faults, node, "`%s: %.60s` ends before it begins; expected the lower number first",
                 name, text);
        return false;
    }
    fault_at(faults, node, "`%s: %.60s`; expected one whole number, or two such as `0 to 63`", name,
             text);
    return false;
}
