/* SPDX-License-Identifier: Apache-2.0
 *
 * faults.c - the fault script: one rule a line, plain words, each error with file:line.
 * docs/simulator.md is its description.
 *
 *   [at D] [every D] [for D] [random P %] [line NAME] [unit N] [function N] [register N[..N]]  KIND
 * [ARGUMENT]
 */
#include "faults.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "words.h"

#define SCRIPT_BYTES_MAX 65536

enum argument { ARGUMENT_NONE, ARGUMENT_DURATION, ARGUMENT_BYTES, ARGUMENT_CODE, ARGUMENT_UNIT };

static const struct kind_row {
    const char *name;
    uint8_t argument;
    bool required;
    int64_t low, high; /* limits of the argument */
    int64_t default_low, default_high;
    const char *example;
} KINDS[FAULT_KINDS] = {
    /* clang-format off */
    [FAULT_LATE]           = {"late",           ARGUMENT_DURATION, true,  0, 60000000, 0, 0,           "late 800 ms, or late 150..1300 ms"},
    [FAULT_DUPLICATE]      = {"duplicate",      ARGUMENT_NONE,     false, 0, 0, 0, 0,                  "duplicate"},
    [FAULT_TRUNCATED]      = {"truncated",      ARGUMENT_BYTES,    true,  1, 255, 0, 0,                "truncated 3 bytes"},
    [FAULT_FOREIGN_UNIT]   = {"foreign_unit",   ARGUMENT_UNIT,     false, 1, 247, 0, 0,                "foreign_unit, or foreign_unit 9"},
    [FAULT_WRONG_FUNCTION] = {"wrong_function", ARGUMENT_NONE,     false, 0, 0, 0, 0,                  "wrong_function"},
    [FAULT_BAD_CHECKSUM]   = {"bad_checksum",   ARGUMENT_NONE,     false, 0, 0, 0, 0,                  "bad_checksum"},
    [FAULT_SILENCE]        = {"silence",        ARGUMENT_NONE,     false, 0, 0, 0, 0,                  "silence"},
    [FAULT_EXCEPTION]      = {"exception",      ARGUMENT_CODE,     true,  1, 255, 0, 0,                "exception 0x02"},
    [FAULT_STRAY]          = {"stray",          ARGUMENT_BYTES,    true,  1, 64, 0, 0,                 "stray 3 bytes"},
    [FAULT_GAUGE_LOST]     = {"gauge_lost",     ARGUMENT_NONE,     false, 0, 0, 0, 0,                  "gauge_lost"},
    [FAULT_POWER_CYCLE]    = {"power_cycle",    ARGUMENT_NONE,     false, 0, 0, 0, 0,                  "power_cycle"},
    [FAULT_UNIT_SETTING]   = {"unit_setting",   ARGUMENT_CODE,     true,  0, 65535, 0, 0,              "unit_setting 1"},
    [FAULT_UNIT_VALUES]    = {"unit_values",    ARGUMENT_CODE,     true,  0, 65535, 0, 0,              "unit_values 1"},
    [FAULT_UNIT_SHOWN]     = {"unit_shown",     ARGUMENT_CODE,     true,  0, 65535, 0, 0,              "unit_shown 1"},
    [FAULT_CONVERTER_GONE] = {"converter_gone", ARGUMENT_NONE,     false, 0, 0, 0, 0,                  "converter_gone"},
    [FAULT_SECOND_MASTER]  = {"second_master",  ARGUMENT_DURATION, true,  10000, 3600000000, 0, 0,     "second_master every 500 ms"},
    /* clang-format on */
};

const char *fault_kind_name(uint8_t kind)
{
    return kind < FAULT_KINDS && KINDS[kind].name ? KINDS[kind].name : "none";
}

/* ---- one rule ---- */

static bool take_share(struct reader *reader, double *probability)
{
    double percent;
    const char *rest;
    const char *word = words_peek(reader);
    if (!words_number(word, &percent, &rest) || percent > 100 || percent <= 0)
        return words_fail(reader, "'%s' after 'random'; expected a share such as 5 %%", word);
    reader->at++;
    if (strcmp(rest, "%") != 0 && !(*rest == '\0' && words_take(reader, "%")))
        return words_fail(reader, "the share after 'random' has no %%; expected such as 5 %%");
    *probability = percent / 100;
    return true;
}

static bool take_filter(struct reader *reader, struct fault_rule *rule, bool *known)
{
    int64_t number, to;
    *known = true;
    if (words_take(reader, "line")) {
        if (!*words_peek(reader) || strlen(words_peek(reader)) > NAME_LENGTH_MAX)
            return words_fail(reader,
                              "no line's name after 'line'; expected a name of the configuration");
        snprintf(rule->line, sizeof rule->line, "%.*s", NAME_LENGTH_MAX, words_peek(reader));
        reader->at++;
    } else if (words_take(reader, "unit")) {
        if (!words_take_whole(reader, "unit", 0, 255, &number, NULL))
            return false;
        rule->unit = (int32_t)number;
    } else if (words_take(reader, "function")) {
        if (!words_take_whole(reader, "function", 1, 127, &number, NULL))
            return false;
        rule->function = (int32_t)number;
    } else if (words_take(reader, "register")) {
        if (!words_take_whole(reader, "register", 0, 65535, &number, &to))
            return false;
        rule->first_register = (int32_t)number;
        rule->last_register = (int32_t)to;
    } else {
        *known = false;
    }
    return true;
}

static bool take_when(struct reader *reader, struct fault_rule *rule, bool *known)
{
    int64_t low, high;
    *known = true;
    if (words_take(reader, "at")) {
        rule->has_time = true;
        return words_take_duration(reader, "at", false, &rule->at_us, &high);
    }
    if (words_take(reader, "every")) {
        if (!words_take_duration(reader, "every", false, &low, &high))
            return false;
        if (low < 1000)
            return words_fail(reader, "'every' is shorter than 1 ms");
        if (!rule->has_time)
            rule->at_us = low;
        rule->has_time = true;
        rule->every_us = low;
        return true;
    }
    if (words_take(reader, "for"))
        return words_take_duration(reader, "for", false, &rule->for_us, &high);
    if (words_take(reader, "random"))
        return take_share(reader, &rule->probability);
    if (words_take(reader, "always"))
        return true;
    return take_filter(reader, rule, known);
}

static bool take_argument(struct reader *reader, struct fault_rule *rule)
{
    const struct kind_row *kind = &KINDS[rule->kind];
    if (rule->kind == FAULT_SECOND_MASTER)
        (void)words_take(reader, "every");
    rule->low = kind->default_low;
    rule->high = kind->default_high;
    if (reader->at == reader->n || kind->argument == ARGUMENT_NONE) {
        if (kind->required)
            return words_fail(reader, "'%s' needs an argument; expected such as: %s", kind->name,
                              kind->example);
        return true;
    }
    if (kind->argument == ARGUMENT_DURATION) {
        if (!words_take_duration(reader, kind->name, true, &rule->low, &rule->high))
            return false;
        if (rule->low < kind->low || rule->high > kind->high)
            return words_fail(
                reader, "the duration after '%s' is out of range; expected %lld ms to %lld s",
                kind->name, (long long)(kind->low / 1000), (long long)(kind->high / 1000000));
        return true;
    }
    if (!words_take_whole(reader, kind->name, kind->low, kind->high, &rule->low, &rule->high))
        return false;
    if (kind->argument == ARGUMENT_BYTES && !words_take(reader, "bytes"))
        (void)words_take(reader, "byte");
    return true;
}

static bool check_rule(struct reader *reader, const struct fault_rule *rule)
{
    const char *name = KINDS[rule->kind].name;
    bool is_state = rule->kind >= FAULT_FIRST_STATE;
    if (reader->at < reader->n)
        return words_fail(
            reader, "'%s' after '%s' is not understood; expected the end of the line, such as: %s",
            words_peek(reader), name, KINDS[rule->kind].example);
    if (rule->every_us && rule->for_us >= rule->every_us)
        return words_fail(reader,
                          "'for' is not shorter than 'every'; leave out both to have it always");
    if (is_state && rule->probability < 1)
        return words_fail(
            reader,
            "'random' is for faults of single answers; '%s' lasts, so give it 'at' or 'every'",
            name);
    if (is_state && (rule->function != ANY || rule->first_register != ANY))
        return words_fail(
            reader, "'%s' is no fault of a read; 'function' and 'register' can't stand with it",
            name);
    if (is_state && rule->every_us && rule->for_us < 0 && rule->kind != FAULT_POWER_CYCLE)
        return words_fail(reader, "'%s' with 'every' needs 'for', or it would never end", name);
    if (rule->for_us >= 0 && !rule->has_time)
        return words_fail(reader, "'for' without 'at' or 'every'; say when it begins");
    return true;
}

static bool parse_rule(struct reader *reader, struct fault_rule *rule)
{
    *rule = (struct fault_rule){.for_us = ANY,
                                .probability = 1,
                                .unit = ANY,
                                .function = ANY,
                                .first_register = ANY,
                                .last_register = ANY,
                                .script_line = reader->line};
    bool known = true;
    while (known && reader->at < reader->n)
        if (!take_when(reader, rule, &known))
            return false;
    for (uint8_t kind = 1; kind < FAULT_KINDS; kind++)
        if (words_take(reader, KINDS[kind].name)) {
            rule->kind = kind;
            return take_argument(reader, rule) && check_rule(reader, rule);
        }
    if (reader->at == reader->n)
        return words_fail(reader, "no fault is named; expected one of late, duplicate, truncated, "
                                  "foreign_unit, wrong_function, "
                                  "bad_checksum, silence, exception, stray, gauge_lost, "
                                  "power_cycle, converter_gone, second_master");
    return words_fail(
        reader,
        "'%s' is no fault and no condition; expected e.g.: at 30 s for 10 s line pad-line silence",
        words_peek(reader));
}

enum up_rc fault_script_from_text(const char *name, const char *text, size_t length,
                                  struct fault_script **out, struct up_error *error)
{
    *out = NULL;
    if (length > SCRIPT_BYTES_MAX)
        return UP_FAIL(error, UP_E_INPUT, "%s: more than %d bytes; expected a short script", name,
                       SCRIPT_BYTES_MAX);
    struct fault_script *script = calloc(1, sizeof *script);
    if (!script)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the fault script");
    struct reader reader = {.name = name, .error = error};
    for (size_t at = 0; at < length;) {
        const char *end = memchr(text + at, '\n', length - at);
        size_t line_length = end ? (size_t)(end - (text + at)) : length - at;
        reader.line++;
        bool good = words_split(&reader, text + at, line_length);
        if (good && reader.n) {
            good = script->n < FAULT_RULES_MAX
                       ? parse_rule(&reader, &script->rule[script->n++])
                       : words_fail(&reader, "more than %d rules", FAULT_RULES_MAX);
        }
        if (!good) {
            free(script);
            return UP_E_INPUT;
        }
        at += line_length + 1;
    }
    *out = script;
    return UP_OK;
}

enum up_rc fault_script_from_file(const char *path, struct fault_script **out,
                                  struct up_error *error)
{
    *out = NULL;
    FILE *file = fopen(path, "re");
    if (!file)
        return UP_FAIL_ERRNO(error, UP_E_MISSING, "the fault script %s can't be read: %s", path,
                             strerror(errno));
    char *text = malloc(SCRIPT_BYTES_MAX + 2);
    if (!text) {
        fclose(file);
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the fault script");
    }
    size_t length = fread(text, 1, SCRIPT_BYTES_MAX + 1, file);
    bool failed = ferror(file) != 0;
    fclose(file);
    enum up_rc rc = failed ? UP_FAIL(error, UP_E_MISSING, "the fault script %s can't be read", path)
                           : fault_script_from_text(path, text, length, out, error);
    free(text);
    return rc;
}

void fault_script_free(struct fault_script *script)
{
    free(script);
}

/* ---- when a rule holds ---- */

bool fault_rule_holds(const struct fault_rule *rule, int64_t since_us, int64_t *occurrence)
{
    *occurrence = 0;
    if (!rule->has_time)
        return true;
    if (since_us < rule->at_us)
        return false;
    int64_t into = since_us - rule->at_us;
    if (rule->every_us) {
        *occurrence = into / rule->every_us;
        into %= rule->every_us;
    }
    return rule->for_us < 0 || into < rule->for_us;
}

int64_t fault_rule_next_edge(const struct fault_rule *rule, int64_t since_us)
{
    if (!rule->has_time)
        return INT64_MAX;
    if (since_us < rule->at_us)
        return rule->at_us;
    int64_t into = since_us - rule->at_us, base = rule->at_us;
    if (rule->every_us) {
        base += into / rule->every_us * rule->every_us;
        into %= rule->every_us;
    }
    if (rule->for_us >= 0 && into < rule->for_us)
        return base + rule->for_us;
    return rule->every_us ? base + rule->every_us : INT64_MAX;
}
