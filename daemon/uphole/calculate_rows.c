/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_rows.c - runs a table of worked examples: each row's result beside what was expected,
 * so that a site keeps its own examples and anyone can check ours from outside.
 *
 * A row is a line of six cells between `|`: id | quantity | inputs | expected | tolerance | source,
 * with an id such as W-101; every other line is text, but for `data NAME: v v ...`. A row that
 * can't be read is a failed row, never a skipped one.
 */
#include "calculate.h"

#include "uphole/quantity.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LINE_LENGTH_MAX 16384
#define CELLS 6
#define VALUES_MAX 4096
#define PATH_LENGTH 1024

enum cell { CELL_ID = 0, CELL_QUANTITY, CELL_INPUTS, CELL_EXPECTED, CELL_TOLERANCE, CELL_SOURCE };

struct row {
    char *cell[CELLS]; /* trimmed, within the line */
};
struct verdict {
    bool passed;
    char got[96];
};

static char *trim(char *text)
{
    while (*text == ' ' || *text == '\t')
        text++;
    size_t n = strlen(text);
    while (n > 0 && isspace((unsigned char)text[n - 1]))
        text[--n] = '\0';
    return text;
}

/** Letters, a hyphen, digits: a heading or a rule of a table has no such id. */
static bool is_id(const char *text)
{
    const size_t letters = strcspn(text, "-");
    const char *digits = text + letters + 1;
    if (letters == 0 || text[letters] == '\0' || *digits == '\0' ||
        strspn(digits, "0123456789") != strlen(digits))
        return false;
    for (size_t i = 0; i < letters; i++)
        if (!isalpha((unsigned char)text[i]))
            return false;
    return true;
}

/** Splits a table's line. False: it is no row of six cells with an id. */
static bool split_row(char *line, struct row *row)
{
    char *at = trim(line);
    if (*at++ != '|')
        return false;
    for (int i = 0; i < CELLS; i++) {
        char *bar = i < CELLS - 1 ? strchr(at, '|') : strrchr(at, '|');
        if (bar == NULL)
            return false;
        *bar = '\0';
        row->cell[i] = trim(at);
        at = bar + 1;
        if (i == CELL_ID && !is_id(row->cell[CELL_ID]))
            return false;
    }
    return true;
}

/** A remark is a parenthesis behind a space that ends the cell; parentheses of units stay. */
static void cut_remark(char *cell)
{
    const size_t n = strlen(cell);
    int depth = 0;
    if (n == 0 || cell[n - 1] != ')')
        return;
    for (size_t i = n; i-- > 0;) {
        depth += cell[i] == ')' ? 1 : cell[i] == '(' ? -1 : 0;
        if (depth != 0)
            continue;
        /* "J/(kg K)" has no space before its parenthesis */
        if (i > 0 && cell[i - 1] == ' ')
            cell[i - 1] = '\0';
        trim(cell);
        return;
    }
}

static bool split_pairs(char *cell, struct calculate_pair *pairs, size_t *n,
                        struct verdict *verdict)
{
    *n = 0;
    for (char *at = cell; at != NULL;) {
        char *semicolon = strstr(at, "; ");
        if (semicolon != NULL)
            *semicolon = '\0';
        char *word = trim(at), *equals = strchr(word, '=');
        at = semicolon != NULL ? semicolon + 2 : NULL;
        if (equals == NULL || equals == word || equals - word > CALCULATE_NAME_MAX ||
            *n == FORMULA_INPUTS_MAX) {
            snprintf(verdict->got, sizeof verdict->got, "'%.60s' is no input", word);
            return false;
        }
        *equals = '\0';
        memcpy(pairs[*n].name, word, strlen(word) + 1);
        pairs[*n].value = equals + 1;
        pairs[*n].length = strlen(equals + 1);
        (*n)++;
    }
    return true;
}

/** |got - expected| within `rel x` of it, `abs x` in its unit, or equal. */
static bool within(double got, double expected, const char *tolerance, bool *understood)
{
    char *end;
    *understood = true;
    if (strcmp(tolerance, "exact") == 0)
        return got == expected;
    const double size = strtod(tolerance + (strlen(tolerance) > 4 ? 4 : 0), &end);
    *understood = *end == '\0' && size >= 0.0;
    if (strncmp(tolerance, "rel ", 4) == 0)
        return fabs(got - expected) <= size * fabs(expected);
    if (strncmp(tolerance, "abs ", 4) == 0)
        return fabs(got - expected) <= size;
    *understood = false;
    return false;
}

static void judge_none(const char *expected, const struct formula_result *result,
                       struct verdict *verdict)
{
    const char *reason = formula_reason_name((enum formula_reason)result->reason);
    if (result->reason == REASON_NONE)
        snprintf(verdict->got, sizeof verdict->got, "%.13g in SI", result->value);
    else
        snprintf(verdict->got, sizeof verdict->got, "none:%s", reason);
    verdict->passed = result->reason != REASON_NONE && strcmp(expected + 5, reason) == 0;
}

static void judge(const struct row *row, const struct calculation *calculation,
                  struct verdict *verdict)
{
    struct formula_result result;
    struct formula_unit unit;
    struct up_error error = {0};
    char *text = row->cell[CELL_EXPECTED], *rest;
    bool understood;
    formula_evaluate(calculation->formula, calculation->given, NULL, &result);
    if (strncmp(text, "none:", 5) == 0) {
        judge_none(text, &result, verdict);
        return;
    }
    const double expected = strtod(text, &rest);
    const bool number = rest != text;
    rest = trim(rest);
    if (!number ||
        calculate_result_unit(calculation->formula, rest, strlen(rest), &unit, &error) != UP_OK) {
        snprintf(verdict->got, sizeof verdict->got, "%.90s",
                 number ? error.why : "what is expected is no number and no none:REASON");
        return;
    }
    if (result.reason != REASON_NONE) {
        snprintf(verdict->got, sizeof verdict->got, "none:%s",
                 formula_reason_name((enum formula_reason)result.reason));
        return;
    }
    const double got = calculate_shown(result.value, &unit);
    verdict->passed = within(got, expected, row->cell[CELL_TOLERANCE], &understood);
    snprintf(verdict->got, sizeof verdict->got, "%.13g%s%.40s%s", got, *rest != '\0' ? " " : "",
             rest, understood ? "" : "; the tolerance is not understood");
}

/** Reads and judges a row; `calculation` stays for whoever looks at it. */
static void run_row(const struct row *row, const struct calculate_sets *sets,
                    struct calculate_pair pairs[static FORMULA_INPUTS_MAX],
                    struct calculation *calculation, struct verdict *verdict)
{
    struct up_error error = {0};
    size_t n;
    *verdict = (struct verdict){0};
    *calculation = (struct calculation){0};
    cut_remark(row->cell[CELL_INPUTS]);
    cut_remark(row->cell[CELL_EXPECTED]);
    if (!split_pairs(row->cell[CELL_INPUTS], pairs, &n, verdict))
        return;
    if (calculation_make(row->cell[CELL_QUANTITY], pairs, n, sets, calculation, &error) == UP_OK) {
        judge(row, calculation, verdict);
        return;
    }
    snprintf(verdict->got, sizeof verdict->got, "%.90s", error.why);
    calculation->formula = NULL;
}

/** `data NAME: v v ...`, perhaps behind a list's mark and in backquotes. False: no such line. */
static bool read_data(char *line, struct calculate_sets *sets, struct up_error *error)
{
    static const char WORD[] = "data ";
    char *at = line + strspn(line, "-*` \t");
    if (strncmp(at, WORD, strlen(WORD)) != 0)
        return false;
    at += strlen(WORD);
    char *colon = strchr(at, ':');
    if (colon == NULL || colon - at > CALCULATE_NAME_MAX || memchr(at, ' ', (size_t)(colon - at)))
        return false;
    *colon = '\0';
    double *values = malloc(VALUES_MAX * sizeof *values);
    size_t n = 0;
    char *next = colon + 1;
    while (values != NULL && n < VALUES_MAX) {
        char *end;
        values[n] = strtod(next, &end);
        if (end == next)
            break;
        n++;
        next = end + strspn(end, ", `");
    }
    const bool named = values != NULL && n > 0 && *trim(next) == '\0';
    if (named && calculate_sets_add(sets, at, values, NULL, n, error) != UP_OK)
        n = 0;
    free(values);
    return named;
}

/** First pass: data sets may stand anywhere. */
static enum up_rc read_sets(FILE *file, struct calculate_sets *sets, char *line,
                            struct up_error *error)
{
    enum up_rc rc = calculate_sets_built_in(sets, error);
    while (rc == UP_OK && fgets(line, LINE_LENGTH_MAX, file) != NULL) {
        struct up_error why = {0};
        if (read_data(line, sets, &why) && why.rc != UP_OK) {
            *error = why;
            rc = why.rc;
        }
    }
    rewind(file);
    return rc;
}

static enum up_rc run_file(FILE *file, char *line, const struct calculate_sets *sets,
                           calculate_row_seen *seen, void *context)
{
    while (fgets(line, LINE_LENGTH_MAX, file) != NULL) {
        struct row row;
        struct verdict verdict;
        struct calculate_pair pairs[FORMULA_INPUTS_MAX];
        struct calculation calculation;
        if (!split_row(line, &row))
            continue;
        run_row(&row, sets, pairs, &calculation, &verdict);
        const struct calculate_row out = {.id = row.cell[CELL_ID],
                                          .quantity = row.cell[CELL_QUANTITY],
                                          .expected = row.cell[CELL_EXPECTED],
                                          .got = verdict.got,
                                          .passed = verdict.passed,
                                          .calculation = &calculation};
        seen(context, &out);
        calculation_free(&calculation);
    }
    return UP_OK;
}

/** The directory of a table, for the files that its rows name. */
static const char *directory_of(const char *path, char into[static PATH_LENGTH])
{
    const char *slash = strrchr(path, '/');
    if (slash == NULL || (size_t)(slash - path) >= PATH_LENGTH)
        return NULL;
    memcpy(into, path, (size_t)(slash - path));
    into[slash - path] = '\0';
    return into;
}

enum up_rc calculate_rows_run(const char *path, calculate_row_seen *seen, void *context,
                              struct up_error *error)
{
    char directory[PATH_LENGTH];
    struct calculate_sets sets = {.directory = directory_of(path, directory)};
    FILE *file = fopen(path, "re");
    if (file == NULL)
        return UP_FAIL_ERRNO(error, UP_E_MISSING, "%.200s can't be read: %s", path,
                             strerror(errno));
    char *line = malloc(LINE_LENGTH_MAX);
    enum up_rc rc = line != NULL ? read_sets(file, &sets, line, error)
                                 : UP_FAIL(error, UP_E_MEMORY, "no memory to read %.200s", path);
    if (rc == UP_OK)
        rc = run_file(file, line, &sets, seen, context);
    fclose(file);
    free(line);
    calculate_sets_free(&sets);
    return rc;
}
