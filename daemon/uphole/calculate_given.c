/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_given.c - reads the inputs of a formula: numbers with units, lists, options, and what
 * stands for a missing one.
 */
#include "calculate.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define NUMBER_MAX 63
#define LABEL_LENGTH_MAX 63
#define PATH_MAX_LENGTH 1023

struct reading_context {
    const char *label;
    const struct calculate_pair *pairs;
    size_t n;
    const struct calculate_sets *sets;
    struct calculation *out;
    size_t lists_used;
};

static bool is(const struct calculate_pair *pair, const char *word)
{
    return pair->length == strlen(word) && memcmp(pair->value, word, pair->length) == 0;
}

static bool begins(const struct calculate_pair *pair, const char *word)
{
    return pair->length >= strlen(word) && memcmp(pair->value, word, strlen(word)) == 0;
}

enum up_rc calculate_unit(const char *name, const char *own, const char *text, size_t length,
                          struct formula_unit *out, struct up_error *error)
{
    struct formula_unit itself;
    const bool temperature = strcmp(own, "degC") == 0 || strcmp(own, "degF") == 0;
    if (!formula_unit_parse(own, strlen(own), temperature, &itself)) {
        *out = (struct formula_unit){.factor = 1.0};
        return UP_OK;
    }
    if (length == 0) {
        *out = itself;
        return UP_OK;
    }
    if (!formula_unit_parse(text, length, temperature, out))
        return UP_FAIL(error, UP_E_USAGE,
                       "%s: the unit '%.*s' is not known; a unit of the kind of '%s' was expected",
                       name, (int)(length < 40 ? length : 40), text, own);
    if (!formula_unit_same_dimension(out, &itself))
        return UP_FAIL(error, UP_E_USAGE,
                       "%s: '%.*s' does not measure what '%s' measures; write %s in a unit of that "
                       "kind",
                       name, (int)(length < 40 ? length : 40), text, own, name);
    return UP_OK;
}

const char *calculate_number(const char *text, size_t length, double *out)
{
    char copy[NUMBER_MAX + 1];
    const size_t n = length < NUMBER_MAX ? length : NUMBER_MAX;
    memcpy(copy, text, n);
    copy[n] = '\0';
    if (copy[strspn(copy, "+-")] == '0' && (copy[strspn(copy, "+-") + 1] | 32) == 'x')
        return NULL; /* hexadecimal floats are no numbers of people */
    char *end;
    *out = strtod(copy, &end);
    return end == copy ? NULL : text + (end - copy);
}

static void skip_spaces(const char **at, const char *end)
{
    while (*at < end && **at == ' ')
        (*at)++;
}

static enum up_rc read_scalar(const struct formula_input *input, const struct calculate_pair *pair,
                              double *value, uint8_t *qualifier, bool difference,
                              struct up_error *error)
{
    const char *end = pair->value + pair->length;
    double number;
    const char *at = calculate_number(pair->value, pair->length, &number);
    if (at == NULL)
        return UP_FAIL(error, UP_E_USAGE,
                       "%s: '%.*s' is no number; expected a value with its unit, as in %s=1%s%s",
                       pair->name, (int)(pair->length < 40 ? pair->length : 40), pair->value,
                       pair->name, input->unit[0] != '\0' ? " " : "", input->unit);
    skip_spaces(&at, end);
    struct formula_unit unit;
    const enum up_rc rc =
        calculate_unit(pair->name, input->unit, at, (size_t)(end - at), &unit, error);
    if (rc != UP_OK)
        return rc;
    if (input->absolute && unit.qualifier == QUALIFIER_GAUGE)
        return UP_FAIL(
            error, UP_E_USAGE,
            "%s: this formula needs an absolute pressure; add the local atmosphere first",
            pair->name);
    *value = number * unit.factor + (difference ? 0.0 : unit.offset);
    *qualifier = unit.qualifier;
    return UP_OK;
}

/** A file's name as a table means it: relative to the table's directory. False: too long. */
static bool path_beside(const char *directory, const char *name, size_t length,
                        char path[static PATH_MAX_LENGTH + 1])
{
    const bool beside = directory != NULL && length > 0 && name[0] != '/';
    return length <= PATH_MAX_LENGTH &&
           snprintf(path, PATH_MAX_LENGTH + 1, "%s%s%.*s", beside ? directory : "",
                    beside ? "/" : "", (int)length, name) <= PATH_MAX_LENGTH;
}

/** `NAME=@FILE:COLUMN`. The last colon parts them. */
static enum up_rc read_column(struct reading_context *context, const struct formula_input *input,
                              const struct calculate_pair *pair, struct formula_given *given,
                              struct up_error *error)
{
    char path[PATH_MAX_LENGTH + 1];
    const char *name = pair->value + 1, *end = pair->value + pair->length;
    const char *colon = memrchr(name, ':', pair->length - 1);
    if (colon == NULL || colon == name || colon + 1 == end)
        return UP_FAIL(error, UP_E_USAGE,
                       "%s: expected a column of a CSV file, as in %s=@build-up.csv:%s", pair->name,
                       pair->name, pair->name);
    if (!path_beside(context->sets->directory, name, (size_t)(colon - name), path))
        return UP_FAIL(error, UP_E_USAGE, "%s: the file's name is too long", pair->name);
    struct calculate_column column = {.path = path,
                                      .name = colon + 1,
                                      .name_length = (size_t)(end - colon - 1),
                                      .input = input,
                                      .since_ms = context->sets->since_ms,
                                      .has_since = context->sets->has_since,
                                      .into = context->out->lists + context->lists_used,
                                      .room = context->out->n_lists - context->lists_used};
    const enum up_rc rc = calculate_column_read(&column, error);
    given->list = column.into;
    given->n = column.n;
    context->lists_used += column.n;
    return rc;
}

static enum up_rc read_list(struct reading_context *context, const struct formula_input *input,
                            const struct calculate_pair *pair, struct formula_given *given,
                            struct up_error *error)
{
    const char *at = pair->value + 1, *end = pair->value + pair->length;
    const char *close = memchr(pair->value, ']', pair->length);
    double *into = context->out->lists + context->lists_used;
    size_t n = 0;
    if (pair->length > 1 && pair->value[0] == '@')
        return read_column(context, input, pair, given, error);
    if (pair->length < 2 || pair->value[0] != '[' || close == NULL)
        return UP_FAIL(error, UP_E_USAGE,
                       "%s: expected a list, as in %s=[1,2,3] %s, or a column of a CSV file, as in "
                       "%s=@build-up.csv:%s",
                       pair->name, pair->name, input->unit, pair->name, pair->name);
    for (skip_spaces(&at, close); at < close; skip_spaces(&at, close)) {
        if (context->lists_used + n == context->out->n_lists)
            return UP_FAIL(error, UP_E_USAGE, "%s: more than %d values in all lists", pair->name,
                           CALCULATE_LIST_MAX);
        const char *next = calculate_number(at, (size_t)(close - at), &into[n]);
        if (next == NULL)
            return UP_FAIL(error, UP_E_USAGE, "%s: value %zu of the list is no number", pair->name,
                           n + 1);
        n++;
        at = next;
        skip_spaces(&at, close);
        if (at < close && *at++ != ',')
            return UP_FAIL(error, UP_E_USAGE, "%s: values of a list are parted by commas",
                           pair->name);
    }
    at = close + 1;
    skip_spaces(&at, end);
    struct formula_unit unit;
    const enum up_rc rc =
        calculate_unit(pair->name, input->unit, at, (size_t)(end - at), &unit, error);
    for (size_t i = 0; rc == UP_OK && i < n; i++)
        into[i] = into[i] * unit.factor + unit.offset;
    given->list = into;
    given->n = n;
    context->lists_used += n;
    return rc;
}

static enum up_rc read_option(const struct formula_input *input, const struct calculate_pair *pair,
                              struct formula_given *given, struct up_error *error)
{
    const char *choice = input->choices;
    for (int index = 0; choice != NULL && *choice != '\0'; index++) {
        const size_t length = strcspn(choice, "|");
        if (length == pair->length && memcmp(choice, pair->value, length) == 0) {
            given->value = index;
            return UP_OK;
        }
        choice += length + (choice[length] == '|');
    }
    return UP_FAIL(error, UP_E_USAGE, "%s: '%.*s' is no choice; expected one of %s", pair->name,
                   (int)(pair->length < 40 ? pair->length : 40), pair->value, input->choices);
}

/** The result of another formula with the same inputs. It must not ask for a third. */
static enum up_rc read_from(const struct reading_context *context,
                            const struct calculate_pair *pair, struct formula_given *given,
                            struct up_error *error)
{
    char label[LABEL_LENGTH_MAX + 1];
    struct calculate_pair rest[FORMULA_INPUTS_MAX];
    struct calculation other;
    const size_t length = pair->length - strlen("from ");
    if (length > LABEL_LENGTH_MAX)
        return UP_FAIL(error, UP_E_USAGE, "%s: no formula has so long a name", pair->name);
    memcpy(label, pair->value + strlen("from "), length);
    label[length] = '\0';
    size_t n = 0;
    for (size_t i = 0; i < context->n && n < FORMULA_INPUTS_MAX; i++)
        if (!begins(&context->pairs[i], "from "))
            rest[n++] = context->pairs[i];
    const enum up_rc rc = calculation_make(label, rest, n, context->sets, &other, error);
    if (rc == UP_OK) {
        struct formula_result result;
        formula_evaluate(other.formula, other.given, NULL, &result);
        given->value = result.value;
        given->reason = result.reason;
    }
    calculation_free(&other);
    return rc;
}

static enum up_rc read_input(struct reading_context *context, size_t index,
                             const struct calculate_pair *pair, struct up_error *error)
{
    const struct formula_input *input = &context->out->formula->input[index];
    struct formula_given *given = &context->out->given[index];
    given->present = true;
    context->out->pair[index] = pair;
    if (is(pair, "missing"))
        given->reason = REASON_INPUT_MISSING;
    else if (is(pair, "not_fitted"))
        given->reason = REASON_NOT_FITTED;
    else if (is(pair, "input_bad"))
        given->reason = REASON_INPUT_BAD;
    else if (input->take == TAKE_REMARK)
        return UP_OK;
    else if (input->take == TAKE_OPTION)
        return read_option(input, pair, given, error);
    else if (begins(pair, "from "))
        return read_from(context, pair, given, error);
    else if (input->list)
        return read_list(context, input, pair, given, error);
    else
        return read_scalar(input, pair, &given->value, &given->qualifier, false, error);
    return UP_OK;
}

/** `data=SET`: the first list of the formula is its first column, the second its second. */
static enum up_rc read_set(struct reading_context *context, const struct calculate_pair *pair,
                           struct up_error *error)
{
    const struct calculate_set *set = calculate_set_find(context->sets, pair->value, pair->length);
    const double *column[2] = {set != NULL ? set->x : NULL, set != NULL ? set->y : NULL};
    size_t used = 0;
    if (set == NULL)
        return UP_FAIL(error, UP_E_USAGE, "no data set is called '%.*s'",
                       (int)(pair->length < 40 ? pair->length : 40), pair->value);
    for (size_t i = 0; i < context->out->formula->n_inputs; i++) {
        if (!context->out->formula->input[i].list)
            continue;
        if (used == 2 || column[used] == NULL)
            return UP_FAIL(error, UP_E_USAGE, "%s needs more columns than data set %s has",
                           context->label, set->name);
        context->out->given[i] =
            (struct formula_given){.present = true, .list = column[used++], .n = set->n};
        context->out->pair[i] = pair;
    }
    return UP_OK;
}

/** `survey=FILE`: lists MD, I and A. */
static enum up_rc read_survey(struct reading_context *context, const struct calculate_pair *pair,
                              struct up_error *error)
{
    static const char *const NAMES[3] = {"MD", "I", "A"};
    const size_t room = (context->out->n_lists - context->lists_used) / 3;
    double *column[3];
    char path[PATH_MAX_LENGTH + 1];
    size_t n = 0;
    if (!path_beside(context->sets->directory, pair->value, pair->length, path))
        return UP_FAIL(error, UP_E_USAGE, "survey: the file's name is too long");
    if (context->out->lists == NULL)
        return UP_FAIL(error, UP_E_USAGE, "%s takes no survey", context->label);
    for (size_t i = 0; i < 3; i++)
        column[i] = context->out->lists + context->lists_used + i * room;
    const enum up_rc rc =
        calculate_survey_read(path, column[0], column[1], column[2], room, &n, error);
    for (size_t i = 0; rc == UP_OK && i < 3; i++) {
        const size_t index = formula_input_index(context->out->formula, NAMES[i]);
        if (index == context->out->formula->n_inputs || !context->out->formula->input[index].list)
            return UP_FAIL(error, UP_E_USAGE, "%s takes no survey", context->label);
        context->out->given[index] =
            (struct formula_given){.present = true, .list = column[i], .n = n};
        context->out->pair[index] = pair;
    }
    context->lists_used = context->out->n_lists; /* a survey takes what room is left */
    return rc;
}

static const struct calculate_pair *pair_named(const struct calculate_pair *pairs, size_t n,
                                               const char *name)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(pairs[i].name, name) == 0)
            return &pairs[i];
    return NULL;
}

/** Names that stand for lists: a data set, a survey's file. */
static bool is_table(const char *name)
{
    return strcmp(name, "data") == 0 || strcmp(name, "survey") == 0;
}

static bool is_uncertainty(const struct calculate_pair *pairs, size_t n, const char *name)
{
    return strncmp(name, "u_", 2) == 0 && pair_named(pairs, n, name + 2) != NULL;
}

/** The form that takes all names, those of uncertainties as inputs first, then beside it. */
static const struct formula *find_form(const char *label, const struct calculate_pair *pairs,
                                       size_t n, bool *beside)
{
    const char *names[FORMULA_INPUTS_MAX];
    for (int pass = 0; pass < 2; pass++) {
        size_t used = 0;
        for (size_t i = 0; i < n; i++) {
            const bool set = is_table(pairs[i].name);
            if (!set && !(pass == 1 && is_uncertainty(pairs, n, pairs[i].name)))
                names[used++] = pairs[i].name;
            if (!set)
                continue;
            const struct formula *first = formula_by_label(label);
            for (size_t k = 0; first != NULL && k < first->n_inputs; k++)
                if (first->input[k].list && used < FORMULA_INPUTS_MAX)
                    names[used++] = first->input[k].name;
        }
        const struct formula *found = formula_find(label, names, used);
        *beside = pass == 1;
        if (found != NULL)
            return found;
    }
    return NULL;
}

static enum up_rc no_form(const char *label, const struct calculate_pair *pairs, size_t n,
                          struct up_error *error)
{
    const struct formula *formula = formula_by_label(label);
    if (formula == NULL)
        return UP_FAIL(error, UP_E_USAGE,
                       "no quantity is called '%.40s'; 'uphole calculate --list' shows them all",
                       label);
    for (size_t i = 0; i < n; i++)
        if (formula_input_index(formula, pairs[i].name) == formula->n_inputs &&
            !is_table(pairs[i].name) && !is_uncertainty(pairs, n, pairs[i].name))
            return UP_FAIL(error, UP_E_USAGE,
                           "%s has no input '%s'; 'uphole calculate --list' shows its inputs",
                           label, pairs[i].name);
    for (size_t i = 0; i < formula->n_inputs; i++)
        if (!formula->input[i].optional && formula->input[i].take <= TAKE_CONFIGURED &&
            pair_named(pairs, n, formula->input[i].name) == NULL)
            return UP_FAIL(error, UP_E_USAGE, "%s needs %s (%s); write %s=VALUE, or %s=missing",
                           label, formula->input[i].name, formula->input[i].about,
                           formula->input[i].name, formula->input[i].name);
    return UP_FAIL(error, UP_E_USAGE, "%s has no form with these inputs", label);
}

static enum up_rc read_uncertainty(struct reading_context *context,
                                   const struct calculate_pair *pair, struct up_error *error)
{
    const struct formula *formula = context->out->formula;
    const size_t index = formula_input_index(formula, pair->name + 2);
    if (index == formula->n_inputs || formula->input[index].list ||
        formula->input[index].take >= TAKE_OPTION)
        return UP_FAIL(error, UP_E_USAGE, "%s: no single number is called %s", pair->name,
                       pair->name + 2);
    uint8_t qualifier;
    const enum up_rc rc =
        read_scalar(&formula->input[index], pair, &context->out->u[index], &qualifier, true, error);
    if (rc == UP_OK && !(context->out->u[index] >= 0.0))
        return UP_FAIL(error, UP_E_USAGE, "%s: an uncertainty is not negative", pair->name);
    context->out->has_u = true;
    return rc;
}

static bool takes_lists(const struct formula *formula)
{
    for (size_t i = 0; i < formula->n_inputs; i++)
        if (formula->input[i].list)
            return true;
    return false;
}

enum up_rc calculation_make(const char *label, const struct calculate_pair *pairs, size_t n,
                            const struct calculate_sets *sets, struct calculation *out,
                            struct up_error *error)
{
    struct reading_context context = {
        .label = label, .pairs = pairs, .n = n, .sets = sets, .out = out};
    *out = (struct calculation){0};
    bool beside = false;
    if (n > FORMULA_INPUTS_MAX)
        return UP_FAIL(error, UP_E_USAGE, "more than %d inputs", FORMULA_INPUTS_MAX);
    for (size_t i = 0; i < n; i++)
        if (pair_named(pairs, i, pairs[i].name) != NULL)
            return UP_FAIL(error, UP_E_USAGE, "%s is given twice", pairs[i].name);
    out->formula = find_form(label, pairs, n, &beside);
    if (out->formula == NULL)
        return no_form(label, pairs, n, error);
    if (takes_lists(out->formula)) {
        out->lists = malloc(CALCULATE_LIST_MAX * sizeof *out->lists);
        if (out->lists == NULL)
            return UP_FAIL(error, UP_E_MEMORY, "no memory for the inputs");
        out->n_lists = CALCULATE_LIST_MAX;
    }
    for (size_t i = 0; i < n; i++) {
        const size_t index = formula_input_index(out->formula, pairs[i].name);
        enum up_rc rc;
        if (index < out->formula->n_inputs)
            rc = read_input(&context, index, &pairs[i], error);
        else if (strcmp(pairs[i].name, "data") == 0)
            rc = read_set(&context, &pairs[i], error);
        else if (strcmp(pairs[i].name, "survey") == 0)
            rc = read_survey(&context, &pairs[i], error);
        else
            rc = read_uncertainty(&context, &pairs[i], error);
        if (rc != UP_OK)
            return rc;
    }
    return UP_OK;
}

void calculation_free(struct calculation *calculation)
{
    free(calculation->lists);
    calculation->lists = NULL;
}

enum up_rc calculate_result_unit(const struct formula *formula, const char *text, size_t length,
                                 struct formula_unit *out, struct up_error *error)
{
    return calculate_unit("the result", formula->unit, text, text != NULL ? length : 0, out, error);
}
