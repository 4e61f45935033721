/* SPDX-License-Identifier: Apache-2.0
 *
 * words.c - one line of a fault script as words, taken from left to right. Numbers never follow the
 * locale.
 */
#include "words.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

bool words_fail(struct reader *reader, const char *format, ...)
{
    char text[UP_WHY_MAX];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    (void)UP_FAIL(reader->error, UP_E_INPUT, "%s:%d: %s", reader->name, reader->line, text);
    return false;
}

const char *words_peek(const struct reader *reader)
{
    return reader->at < reader->n ? reader->words[reader->at] : "";
}
bool words_take(struct reader *reader, const char *word)
{
    if (strcmp(words_peek(reader), word) != 0)
        return false;
    reader->at++;
    return true;
}

bool words_split(struct reader *reader, const char *line, size_t length)
{
    reader->n = reader->at = 0;
    for (size_t i = 0; i < length && line[i] != '#';) {
        if (line[i] == ' ' || line[i] == '\t' || line[i] == '\r') {
            i++;
            continue;
        }
        size_t from = i;
        while (i < length && !strchr(" \t\r#", line[i]) && line[i] != '\0')
            i++;
        if (i < length && line[i] == '\0')
            return words_fail(reader, "a NUL byte; expected plain text");
        if (reader->n == WORDS_MAX)
            return words_fail(reader, "more than %d words; expected one rule a line", WORDS_MAX);
        if (i - from >= WORD_LENGTH_MAX)
            return words_fail(reader, "a word of %zu characters; expected at most %d", i - from,
                              WORD_LENGTH_MAX - 1);
        memcpy(reader->words[reader->n], line + from, i - from);
        reader->words[reader->n++][i - from] = '\0';
    }
    return true;
}

/* A number without sign or exponent, e.g. 30, 1.5, 0x0B; *rest is what follows it. strtod would
 * follow the locale. */
bool words_number(const char *text, double *value, const char **rest)
{
    const char *at = text;
    double number = 0;
    if (at[0] == '0' && (at[1] == 'x' || at[1] == 'X')) {
        char *end;
        *value = (double)strtoul(at, &end, 16);
        *rest = end;
        return end > at + 2;
    }
    if (*at < '0' || *at > '9')
        return false;
    for (; *at >= '0' && *at <= '9' && number < 1e12; at++)
        number = number * 10 + (*at - '0');
    if (at[0] == '.' && at[1] >= '0' && at[1] <= '9') {
        double place = 0.1;
        for (at++; *at >= '0' && *at <= '9'; at++, place /= 10)
            number += place * (*at - '0');
    }
    *value = number;
    *rest = at;
    return true;
}

static double duration_unit_us(const char *text)
{
    static const struct {
        const char *name;
        double us;
    } UNITS[] = {{"ms", 1e3}, {"s", 1e6}, {"min", 60e6}, {"h", 3600e6}, {"d", 86400e6}};
    for (size_t i = 0; i < sizeof UNITS / sizeof UNITS[0]; i++)
        if (strcmp(text, UNITS[i].name) == 0)
            return UNITS[i].us;
    return 0;
}

/* "30 s", "1.5min", and with `range` "150..1300 ms" or "150 ms..1.3 s". */
bool words_take_duration(struct reader *reader, const char *after, bool range, int64_t *low_us,
                         int64_t *high_us)
{
    double low, high;
    const char *rest;
    char units[2][WORD_LENGTH_MAX] = {"", ""};
    char joined[4 * WORD_LENGTH_MAX] = "";
    for (unsigned i = 0; i < 6 && reader->at < reader->n;
         i++) { /* number, unit, and what a range adds, joined again */
        size_t length = strlen(joined);
        const char *word = words_peek(reader);
        bool starts_number = *word >= '0' && *word <= '9';
        if (i > 0 && starts_number && (length < 2 || strcmp(joined + length - 2, "..") != 0))
            break;
        if (i > 0 && !starts_number && !strstr(word, "..") && duration_unit_us(word) <= 0)
            break;
        snprintf(joined + length, sizeof joined - length, "%s", word);
        reader->at++;
    }
    if (!words_number(joined, &low, &rest))
        return words_fail(
            reader, "no duration after '%s'; expected a number with its unit, such as 30 s", after);
    high = low;
    const char *dots = strstr(rest, "..");
    if (dots && range) {
        snprintf(units[0], sizeof units[0], "%.*s", (int)(dots - rest), rest);
        if (!words_number(dots + 2, &high, &rest))
            return words_fail(
                reader, "no second duration after '..'; expected a range such as 150..1300 ms");
    }
    snprintf(units[1], sizeof units[1], "%s", rest);
    double unit = duration_unit_us(units[1]),
           first_unit = units[0][0] ? duration_unit_us(units[0]) : unit;
    if (unit <= 0 || first_unit <= 0)
        return words_fail(
            reader,
            "'%s' after '%s' has no unit of time; expected ms, s, min, h or d, such as 30 s",
            joined, after);
    *low_us = (int64_t)(low * first_unit + 0.5);
    *high_us = (int64_t)(high * unit + 0.5);
    if (*high_us < *low_us)
        return words_fail(reader, "the range '%s' runs backwards; expected the smaller one first",
                          joined);
    if (*high_us > (int64_t)366 * 86400 * 1000000)
        return words_fail(reader, "'%s' is more than 366 d", joined);
    return true;
}

bool words_take_whole(struct reader *reader, const char *after, int64_t low, int64_t high,
                      int64_t *from, int64_t *to)
{
    double first, second;
    const char *rest;
    const char *word = words_peek(reader);
    if (!words_number(word, &first, &rest))
        return words_fail(reader, "no number after '%s'; expected %lld to %lld", after,
                          (long long)low, (long long)high);
    second = first;
    if (to && strncmp(rest, "..", 2) == 0 && !words_number(rest + 2, &second, &rest))
        return words_fail(reader, "no second number in '%s'; expected a range such as 1..4", word);
    if (*rest || first != (double)(int64_t)first || second != (double)(int64_t)second)
        return words_fail(reader, "'%s' after '%s' is no whole number", word, after);
    if (first < (double)low || second > (double)high || second < first)
        return words_fail(reader, "'%s' after '%s' is out of range; expected %lld to %lld", word,
                          after, (long long)low, (long long)high);
    *from = (int64_t)first;
    if (to)
        *to = (int64_t)second;
    reader->at++;
    return true;
}
