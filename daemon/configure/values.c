/* SPDX-License-Identifier: Apache-2.0
 *
 * values.c - scalars to typed values. A quantity always states its unit: a bare number is a fault,
 * never a guess.
 */
#include "values.h"

#include "uphole/stamp.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

size_t number_length(const char *text, size_t length)
{
    size_t i = 0, digits = 0;
    if (i < length && (text[i] == '-' || text[i] == '+'))
        i++;
    for (; i < length && (is_digit(text[i]) || text[i] == '.'); i++)
        digits += is_digit(text[i]) ? 1 : 0;
    if (digits == 0)
        return 0;
    if (i + 1 < length && (text[i] == 'e' || text[i] == 'E')) {
        size_t j = i + 1;
        if (j < length && (text[j] == '-' || text[j] == '+'))
            j++;
        if (j < length && is_digit(text[j])) {
            while (j < length && is_digit(text[j]))
                j++;
            i = j;
        }
    }
    return i;
}

bool whole_from_text(const char *text, size_t length, uint64_t *whole)
{
    uint64_t value = 0;
    const bool hex = length > 2 && text[0] == '0' && (text[1] == 'x' || text[1] == 'X');
    const unsigned base = hex ? 16 : 10;
    size_t i = hex ? 2 : 0;
    if (i == length)
        return false;
    for (; i < length; i++) {
        unsigned digit;
        if (is_digit(text[i]))
            digit = (unsigned)(text[i] - '0');
        else if (hex && text[i] >= 'a' && text[i] <= 'f')
            digit = (unsigned)(text[i] - 'a') + 10;
        else if (hex && text[i] >= 'A' && text[i] <= 'F')
            digit = (unsigned)(text[i] - 'A') + 10;
        else
            return false;
        if (value > (UINT64_MAX - digit) / base)
            return false;
        value = value * base + digit;
    }
    *whole = value;
    return true;
}

bool value_is_text(struct plan_faults *faults, const struct node *node, const char *name,
                   const char *expected)
{
    if (node->kind == NODE_SCALAR && node->length > 0)
        return true;
    fault_at(faults, node, "`%s` holds %s; expected %s", name, node_kind_name(node), expected);
    return false;
}

bool name_is_valid(const char *text, size_t length)
{
    if (length == 0 || length > NAME_LENGTH_MAX)
        return false;
    for (size_t i = 0; i < length; i++)
        if (!is_digit(text[i]) && !(text[i] >= 'a' && text[i] <= 'z') && text[i] != '-')
            return false;
    return true;
}

bool value_name(struct plan_faults *faults, const struct node *node, const char *name,
                char into[static NAME_LENGTH_MAX + 1])
{
    static const char EXPECTED[] = "a name of 1 to 32 characters out of a to z, 0 to 9 and -";
    if (!value_is_text(faults, node, name, EXPECTED))
        return false;
    if (!name_is_valid(node->text, node->length)) {
        fault_at(faults, node,
                 "`%.60s` can't be a name; expected 1 to 32 characters out of a to z, 0 to 9 and -",
                 node->text);
        return false;
    }
    (void)snprintf(into, NAME_LENGTH_MAX + 1, "%s", node->text);
    return true;
}

/* No control characters, no line breaks of any kind (U+0085, U+2028, U+2029), no byte order mark
 * inside. */
static bool text_can_be_shown(const char *text)
{
    static const char *const NEVER[] = {"\xE2\x80\xA8", "\xE2\x80\xA9", "\xEF\xBB\xBF"};
    for (size_t i = 0; i < sizeof NEVER / sizeof NEVER[0]; i++)
        if (strstr(text, NEVER[i]))
            return false;
    for (const unsigned char *at = (const unsigned char *)text; *at; at++)
        if (*at < 0x20 || *at == 0x7F || (at[0] == 0xC2 && at[1] >= 0x80 && at[1] <= 0x9F))
            return false;
    return true;
}

bool value_label(struct plan_faults *faults, const struct node *node, const char *name, char *into,
                 size_t room)
{
    if (!value_is_text(faults, node, name, "a text"))
        return false;
    if (node->length >= room) {
        fault_at(faults, node, "the text of `%s` takes %zu bytes; expected at most %zu", name,
                 node->length, room - 1);
        return false;
    }
    if (!text_can_be_shown(node->text)) {
        fault_at(faults, node,
                 "the text of `%s` holds a line break or a character that can't be shown; expected "
                 "one line of text",
                 name);
        return false;
    }
    (void)snprintf(into, room, "%s", node->text);
    return true;
}

bool value_path(struct plan_faults *faults, const struct node *node, const char *name, char *into,
                size_t room)
{
    if (!value_is_text(faults, node, name, "a path that begins with /"))
        return false;
    if (node->text[0] != '/') {
        fault_at(faults, node, "`%.60s` is no full path; expected a path that begins with /",
                 node->text);
        return false;
    }
    return value_label(faults, node, name, into, room);
}

/* ---- number and unit ---- */

/* Splits "12.5 MPa" into its number and the rest without blanks around it. False where no number
 * stands first. */
bool split_number(const char *text, size_t length, struct decimal *number, const char **rest,
                  size_t *rest_length)
{
    const size_t n = number_length(text, length);
    if (n == 0 ||
        !decimal_from_text(text[0] == '+' ? text + 1 : text, text[0] == '+' ? n - 1 : n, number))
        return false;
    size_t at = n;
    while (at < length && text[at] == ' ')
        at++;
    while (length > at && text[length - 1] == ' ')
        length--;
    *rest = text + at;
    *rest_length = length - at;
    return true;
}

static bool rest_is(const char *rest, size_t n, const char *word)
{
    return strlen(word) == n && memcmp(rest, word, n) == 0;
}

static const struct {
    const char *word;
    double ms;
} DURATIONS[] = {
    {"ms", 1},       {"s", 1000},       {"min", 60000},     {"h", 3600000},
    {"d", 86400000}, {"day", 86400000}, {"days", 86400000},
};

void duration_text(uint64_t ms, char into[static DECIMAL_TEXT_MAX])
{
    static const struct {
        uint64_t ms;
        const char *word;
    } FORMS[] = {{86400000, "days"}, {3600000, "h"}, {60000, "min"}, {1000, "s"}};
    for (size_t i = 0; i < sizeof FORMS / sizeof FORMS[0]; i++) {
        if (ms % FORMS[i].ms == 0 && ms / FORMS[i].ms >= (i < 3 ? 2 : 1)) {
            (void)snprintf(into, DECIMAL_TEXT_MAX, "%llu %s",
                           (unsigned long long)(ms / FORMS[i].ms), FORMS[i].word);
            return;
        }
    }
    (void)snprintf(into, DECIMAL_TEXT_MAX, "%llu %s", (unsigned long long)ms, ms == 0 ? "s" : "ms");
}

void fault_of_range(struct plan_faults *faults, const struct node *node, const char *name,
                    const char *low, const char *high)
{
    fault_at(faults, node, "`%s: %.60s` is out of range; expected %s to %s", name, node->text, low,
             high);
}

bool value_duration(struct plan_faults *faults, const struct node *node, const char *name,
                    double low_ms, double high_ms, uint64_t *ms)
{
    struct decimal number;
    const char *rest;
    size_t n;
    if (!value_is_text(faults, node, name, "a duration with its unit, such as `1 s`"))
        return false;
    if (!split_number(node->text, node->length, &number, &rest, &n)) {
        fault_at(faults, node,
                 "`%.60s` is no duration; expected a number with its unit, such as `1 s`",
                 node->text);
        return false;
    }
    if (n == 0) {
        fault_at(faults, node,
                 "`%s: %.60s` has no unit; a duration needs its unit, such as `%.60s s`", name,
                 node->text, node->text);
        return false;
    }
    for (size_t i = 0; i < sizeof DURATIONS / sizeof DURATIONS[0]; i++) {
        if (!rest_is(rest, n, DURATIONS[i].word))
            continue;
        const double value = decimal_to_double(number) * DURATIONS[i].ms;
        if (value >= low_ms && value <= high_ms) {
            *ms = (uint64_t)llround(value);
            return true;
        }
        char low[DECIMAL_TEXT_MAX], high[DECIMAL_TEXT_MAX];
        duration_text((uint64_t)low_ms, low);
        duration_text((uint64_t)high_ms, high);
        fault_of_range(faults, node, name, low, high);
        return false;
    }
    fault_at(faults, node, "`%.*s` is no unit of time; expected ms, s, min, h or days",
             (int)(n < 40 ? n : 40), rest);
    return false;
}

void size_text(uint64_t bytes, char into[static DECIMAL_TEXT_MAX])
{
    if (bytes % 1000000000u == 0)
        (void)snprintf(into, DECIMAL_TEXT_MAX, "%llu GB",
                       (unsigned long long)(bytes / 1000000000u));
    else if (bytes % 1000000u == 0)
        (void)snprintf(into, DECIMAL_TEXT_MAX, "%llu MB", (unsigned long long)(bytes / 1000000u));
    else
        (void)snprintf(into, DECIMAL_TEXT_MAX, "%llu kB", (unsigned long long)(bytes / 1000u));
}

bool value_size(struct plan_faults *faults, const struct node *node, const char *name, double low,
                double high, uint64_t *bytes)
{
    static const struct {
        const char *word;
        double bytes;
    } SIZES[] = {{"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}};
    struct decimal number;
    const char *rest;
    size_t n;
    if (!value_is_text(faults, node, name, "a size with its unit, such as `2 GB`"))
        return false;
    if (!split_number(node->text, node->length, &number, &rest, &n) || n == 0) {
        fault_at(faults, node, "`%s: %.60s` has no unit; a size needs its unit, such as `2 GB`",
                 name, node->text);
        return false;
    }
    for (size_t i = 0; i < sizeof SIZES / sizeof SIZES[0]; i++) {
        if (!rest_is(rest, n, SIZES[i].word))
            continue;
        const double value = decimal_to_double(number) * SIZES[i].bytes;
        if (value >= low && value <= high) {
            *bytes = (uint64_t)llround(value / 1000) * 1000;
            return true;
        }
        char from[DECIMAL_TEXT_MAX], to[DECIMAL_TEXT_MAX];
        size_text((uint64_t)low, from);
        size_text((uint64_t)high, to);
        fault_of_range(faults, node, name, from, to);
        return false;
    }
    fault_at(faults, node, "`%.*s` is no unit of size; expected MB or GB", (int)(n < 40 ? n : 40),
             rest);
    return false;
}

/* `1 register` as well as `60 registers`. */
static bool is_suffix(const char *text, const char *suffix, uint64_t whole)
{
    const size_t n = suffix ? strlen(suffix) : 0;
    return strcmp(text, suffix ? suffix : "") == 0 ||
           (whole == 1 && n > 1 && suffix[n - 1] == 's' && strlen(text) == n - 1 &&
            strncmp(text, suffix, n - 1) == 0);
}

bool value_whole(struct plan_faults *faults, const struct node *node, const char *name, double low,
                 double high, const char *suffix, uint64_t *whole)
{
    char expected[80], from[DECIMAL_TEXT_MAX], to[DECIMAL_TEXT_MAX];
    (void)snprintf(expected, sizeof expected,
                   suffix ? "a whole number and `%s`" : "a whole number%s", suffix ? suffix : "");
    if (!value_is_text(faults, node, name, expected))
        return false;
    size_t n = 0;
    while (n < node->length && node->text[n] != ' ')
        n++;
    const char *rest = node->text + n + strspn(node->text + n, " ");
    const bool is_number = whole_from_text(node->text, n, whole);
    if (is_number && suffix && rest[0] == 0) {
        fault_at(faults, node, "`%s: %.60s` has no unit; expected `%.*s %s`", name, node->text,
                 (int)(n < 40 ? n : 40), node->text, suffix);
        return false;
    }
    if (!is_number || !is_suffix(rest, suffix, *whole)) {
        fault_at(faults, node, "`%s: %.60s`; expected %s", name, node->text, expected);
        return false;
    }
    if ((double)*whole >= low && (double)*whole <= high)
        return true;
    (void)snprintf(from, sizeof from, "%.0f", low);
    (void)snprintf(to, sizeof to, "%.0f", high);
    fault_of_range(faults, node, name, from, to);
    return false;
}

bool value_yes_no(struct plan_faults *faults, const struct node *node, const char *name, bool *yes)
{
    if (!value_is_text(faults, node, name, "yes or no"))
        return false;
    if (node_is(node, "yes") || node_is(node, "no")) {
        *yes = node->text[0] == 'y';
        return true;
    }
    const bool like_yes = node_is(node, "true") || node_is(node, "on") || node_is(node, "Yes");
    const bool like_no = node_is(node, "false") || node_is(node, "off") || node_is(node, "No");
    fault_at(faults, node, "`%s: %.60s`; expected yes or no%s%s", name, node->text,
             like_yes || like_no ? "; did you mean " : "",
             like_yes  ? "yes"
             : like_no ? "no"
                       : "");
    return false;
}

bool value_instant(struct plan_faults *faults, const struct node *node, const char *name,
                   int64_t *utc_ms)
{
    static const char EXPECTED[] = "a time with its offset, such as 2031-01-10T08:00:00Z";
    if (!value_is_text(faults, node, name, EXPECTED))
        return false;
    if (stamp_from_text(node->text, node->length, utc_ms))
        return true;
    fault_at(faults, node,
             "`%s: %.60s` is no time with an offset; expected %s or 2031-01-10T10:00:00+02:00",
             name, node->text, EXPECTED + strlen("a time with its offset, such as "));
    return false;
}

bool value_decimal(struct plan_faults *faults, const struct node *node, const char *name,
                   struct decimal *value)
{
    if (!value_is_text(faults, node, name, "a number"))
        return false;
    if (number_length(node->text, node->length) == node->length &&
        decimal_from_text(node->text, node->length, value))
        return true;
    fault_at(faults, node,
             "`%s: %.60s` is no number; expected a number such as 0.001 or -273.15, without a unit",
             name, node->text);
    return false;
}

/* ---- choices ---- */

static const char *choice_name_at(const void *context, int i)
{
    const struct choice *choices = context;
    return choices[i].name;
}

const char *choice_name(const struct choice *choices, int value)
{
    for (; choices->name; choices++)
        if (choices->value == value)
            return choices->name;
    return "";
}

bool value_choice(struct plan_faults *faults, const struct node *node, const char *name,
                  const struct choice *choices, int *value)
{
    char names[160];
    join_names(names, sizeof names, choice_name_at, choices);
    if (!value_is_text(faults, node, name, names))
        return false;
    for (const struct choice *at = choices; at->name; at++) {
        if (strcmp(at->name, node->text) == 0) {
            *value = at->value;
            return true;
        }
    }
    const char *close = suggest(node->text, choice_name_at, choices);
    fault_at(faults, node, "`%s: %.60s`; expected %s%s%s%s", name, node->text, names,
             close ? "; did you mean `" : "", close ? close : "", close ? "`" : "");
    return false;
}
