/* SPDX-License-Identifier: Apache-2.0
 *
 * replay_json.c - see replay_json.h. A text is checked once, whole; what looks into it afterwards
 * need not check again.
 */
#include "replay_json.h"

#include <stdlib.h>
#include <string.h>

#define DEPTH_MAX 16
#define NUMBER_MAX 48

static const char *skip_space(const char *at, const char *end)
{
    while (at < end && (*at == ' ' || *at == '\t' || *at == '\n' || *at == '\r'))
        at++;
    return at;
}

/** Behind the string that begins at `at`; NULL: it is none. */
static const char *skip_string(const char *at, const char *end)
{
    if (at >= end || *at != '"')
        return NULL;
    for (at++; at < end; at++) {
        if (*at == '"')
            return at + 1;
        if ((unsigned char)*at < 0x20)
            return NULL;
        if (*at != '\\')
            continue;
        at++;
        if (at >= end || strchr("\"\\/bfnrtu", *at) == NULL || *at == '\0')
            return NULL;
        for (int i = 0; *at == 'u' && i < 4; i++)
            if (end - at <= i + 1 || strchr("0123456789abcdefABCDEF", at[i + 1]) == NULL ||
                at[i + 1] == '\0')
                return NULL;
    }
    return NULL;
}

static const char *skip_digits(const char *at, const char *end)
{
    const char *first = at;
    while (at < end && *at >= '0' && *at <= '9')
        at++;
    return at > first ? at : NULL;
}

static const char *skip_number(const char *at, const char *end)
{
    if (at < end && *at == '-')
        at++;
    const bool zero = at < end && *at == '0';
    const char *whole = skip_digits(at, end);
    if (whole == NULL || (zero && whole > at + 1))
        return NULL;
    at = whole;
    if (at < end && *at == '.' && (at = skip_digits(at + 1, end)) == NULL)
        return NULL;
    if (at < end && (*at == 'e' || *at == 'E')) {
        at++;
        if (at < end && (*at == '+' || *at == '-'))
            at++;
        at = skip_digits(at, end);
    }
    return at;
}

static const char *skip_value(const char *at, const char *end, int depth);

static const char *skip_list(const char *at, const char *end, int depth)
{
    const char close = *at == '{' ? '}' : ']';
    at = skip_space(at + 1, end);
    if (at < end && *at == close)
        return at + 1;
    while (at != NULL && at < end) { /* each turn takes a value */
        if (close == '}') {
            at = skip_string(at, end);
            at = at == NULL ? NULL : skip_space(at, end);
            if (at == NULL || at >= end || *at != ':')
                return NULL;
            at = skip_space(at + 1, end);
        }
        at = skip_value(at, end, depth + 1);
        at = at == NULL ? NULL : skip_space(at, end);
        if (at == NULL || at >= end)
            return NULL;
        if (*at == close)
            return at + 1;
        if (*at != ',')
            return NULL;
        at = skip_space(at + 1, end);
    }
    return NULL;
}

static const char *skip_value(const char *at, const char *end, int depth)
{
    static const char *const WORDS[] = {"true", "false", "null"};
    if (at >= end || depth > DEPTH_MAX)
        return NULL;
    if (*at == '{' || *at == '[')
        return skip_list(at, end, depth);
    if (*at == '"')
        return skip_string(at, end);
    for (size_t i = 0; i < 3; i++)
        if ((size_t)(end - at) >= strlen(WORDS[i]) && memcmp(at, WORDS[i], strlen(WORDS[i])) == 0)
            return at + strlen(WORDS[i]);
    return skip_number(at, end);
}

bool peek_whole(const char *text, size_t n, struct peek *out)
{
    const char *end = text + n, *at = skip_space(text, end);
    const char *behind = skip_value(at, end, 0);
    *out = (struct peek){0};
    if (behind == NULL || skip_space(behind, end) != end)
        return false;
    *out = (struct peek){.at = at, .n = (size_t)(behind - at)};
    return true;
}

struct peek peek_member(struct peek object, const char *name)
{
    const char *at = object.at, *end = object.at + object.n;
    const size_t length = strlen(name);
    if (object.n < 2 || *at != '{')
        return (struct peek){0};
    at = skip_space(at + 1, end);
    while (at < end && *at == '"') { /* each turn takes a member */
        const char *key = at + 1, *behind = skip_string(at, end);
        const char *value = skip_space(skip_space(behind, end) + 1, end);
        at = skip_value(value, end, 0);
        if ((size_t)(behind - key - 1) == length && memcmp(key, name, length) == 0)
            return (struct peek){.at = value, .n = (size_t)(at - value)};
        at = skip_space(at, end);
        if (at < end && *at == ',')
            at = skip_space(at + 1, end);
    }
    return (struct peek){0};
}

struct peek peek_next(struct peek array, struct peek before)
{
    const char *end = array.at + array.n;
    if (array.n < 2 || *array.at != '[')
        return (struct peek){0};
    const char *at = skip_space(before.n == 0 ? array.at + 1 : before.at + before.n, end);
    if (before.n > 0 && at < end && *at == ',')
        at = skip_space(at + 1, end);
    if (at >= end || *at == ']')
        return (struct peek){0};
    return (struct peek){.at = at, .n = (size_t)(skip_value(at, end, 0) - at)};
}

bool peek_is_null(struct peek value)
{
    return value.n == 4 && memcmp(value.at, "null", 4) == 0;
}

static bool copy_number(struct peek value, char into[static NUMBER_MAX])
{
    if (value.n == 0 || value.n >= NUMBER_MAX || strchr("-0123456789", *value.at) == NULL)
        return false;
    memcpy(into, value.at, value.n);
    into[value.n] = '\0';
    return true;
}

bool peek_number(struct peek value, double *out)
{
    char text[NUMBER_MAX];
    if (!copy_number(value, text))
        return false;
    *out = strtod(text, NULL); /* no locale is ever set */
    return true;
}

bool peek_unsigned(struct peek value, uint64_t *out)
{
    char text[NUMBER_MAX];
    if (!copy_number(value, text) || strlen(text) > 19 ||
        strspn(text, "0123456789") != strlen(text))
        return false;
    *out = strtoull(text, NULL, 10);
    return true;
}

bool peek_text(struct peek value, char *into, size_t room)
{
    size_t n = 0;
    if (value.n < 2 || *value.at != '"')
        return false;
    for (size_t i = 1; i + 1 < value.n; i++) {
        if (value.at[i] == '\\' && (value.at[i + 1] == '"' || value.at[i + 1] == '\\'))
            i++;
        else if (value.at[i] == '\\')
            return false;
        if (n + 1 >= room)
            return false;
        into[n++] = value.at[i];
    }
    into[n] = '\0';
    return true;
}

bool peek_equal(struct peek a, struct peek b)
{
    return a.n == b.n && (a.n == 0 || memcmp(a.at, b.at, a.n) == 0);
}
