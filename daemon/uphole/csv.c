/* SPDX-License-Identifier: Apache-2.0
 *
 * csv.c - see csv.h. What the RFC does not allow is an error with its line, never guessed at.
 */
#include "csv.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define LISTED_MAX 120 /* characters of headings in a message */

static int next_byte(struct csv *csv)
{
    const int c = getc(csv->file);
    csv->next_line += c == '\n';
    return c;
}

static int peek_byte(struct csv *csv)
{
    return ungetc(getc(csv->file), csv->file);
}

static void skip_line(struct csv *csv)
{
    int c;
    while ((c = next_byte(csv)) != EOF && c != '\n') {
    }
}

static enum up_rc off(const struct csv *csv, const char *what, struct up_error *error)
{
    return UP_FAIL(error, UP_E_INPUT, "%.200s:%u: %s", csv->path, csv->line, what);
}

static enum up_rc put(struct csv *csv, size_t *used, int c, struct up_error *error)
{
    if (*used + 1 >= CSV_RECORD_MAX)
        return off(csv, "the record is longer than 16 KiB; a quote may lack its end", error);
    csv->text[(*used)++] = (char)c;
    return UP_OK;
}

/** One field, and what parts it from the next: ',', '\n' or EOF. */
static enum up_rc read_field(struct csv *csv, size_t *used, int *end, struct up_error *error)
{
    enum up_rc rc = UP_OK;
    bool quoted = false, closed = false;
    csv->field[csv->n++] = csv->text + *used;
    for (bool first = true; rc == UP_OK; first = false) {
        int c = next_byte(csv);
        if (c == '\r' && peek_byte(csv) == '\n' && !(quoted && !closed))
            c = next_byte(csv);
        if (c == '\0')
            return off(csv, "a byte of no text; is this a CSV file?", error);
        if (quoted && !closed) {
            if (c == EOF)
                return off(csv, "a quote lacks its end", error);
            if (c == '"' && peek_byte(csv) == '"')
                rc = put(csv, used, next_byte(csv), error);
            else if (c == '"')
                closed = true;
            else
                rc = put(csv, used, c, error);
        } else if (c == ',' || c == '\n' || c == EOF) {
            *end = c;
            return put(csv, used, '\0', error);
        } else if (closed) {
            return off(csv, "text behind a closing quote; a quote within a field is written twice",
                       error);
        } else if (c == '"' && first) {
            quoted = true;
        } else if (c == '"') {
            return off(csv, "a quote within a field that does not begin with one", error);
        } else {
            rc = put(csv, used, c, error);
        }
    }
    return rc;
}

enum up_rc csv_next(struct csv *csv, bool *more, struct up_error *error)
{
    size_t used = 0;
    int c;
    while ((c = peek_byte(csv)) == '#' || c == '\n' || c == '\r')
        skip_line(csv);
    csv->line = csv->next_line;
    csv->n = 0;
    *more = c != EOF;
    for (int end = ','; *more && end == ',';) {
        if (csv->n == CSV_FIELDS_MAX)
            return off(csv, "more than 256 fields", error);
        const enum up_rc rc = read_field(csv, &used, &end, error);
        if (rc != UP_OK)
            return rc;
    }
    if (ferror(csv->file))
        return UP_FAIL_ERRNO(error, UP_E_INPUT, "%.200s can't be read: %s", csv->path,
                             strerror(errno));
    if (*more && csv->columns != 0 && csv->n != csv->columns)
        return UP_FAIL(error, UP_E_INPUT, "%.200s:%u: %zu fields where the heading has %zu",
                       csv->path, csv->line, csv->n, csv->columns);
    return UP_OK;
}

enum up_rc csv_open(const char *path, struct csv **out, struct up_error *error)
{
    bool more = false;
    struct csv *csv = calloc(1, sizeof *csv);
    *out = csv;
    if (csv == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory to read %.200s", path);
    csv->path = path;
    csv->next_line = 1;
    csv->file = fopen(path, "re");
    if (csv->file == NULL)
        return UP_FAIL_ERRNO(error, UP_E_MISSING, "%.200s can't be read: %s", path,
                             strerror(errno));
    if (peek_byte(csv) == 0xEF) {
        char mark[3];
        if (fread(mark, 1, sizeof mark, csv->file) != sizeof mark ||
            memcmp(mark, "\xEF\xBB\xBF", sizeof mark) != 0)
            rewind(csv->file);
    }
    const enum up_rc rc = csv_next(csv, &more, error);
    if (rc == UP_OK && !more)
        return UP_FAIL(error, UP_E_INPUT, "%.200s is empty; expected a heading and rows", path);
    csv->columns = csv->n;
    return rc;
}

/** Parts "p_ws [psi]" into its name and its unit. */
static size_t name_of(const char *heading, const char **unit, size_t *unit_length)
{
    size_t n = strlen(heading);
    while (n > 0 && heading[n - 1] == ' ')
        n--;
    const char *open = n > 0 && heading[n - 1] == ']' ? memrchr(heading, '[', n) : NULL;
    *unit_length = open != NULL ? (size_t)(heading + n - 1 - open - 1) : 0;
    *unit = open != NULL ? open + 1 : heading + n;
    if (open != NULL)
        n = (size_t)(open - heading);
    while (n > 0 && heading[n - 1] == ' ')
        n--;
    return n;
}

static enum up_rc no_column(const struct csv *csv, const char *name, size_t length,
                            struct up_error *error)
{
    char listed[LISTED_MAX + 1] = "";
    size_t n = 0;
    for (size_t i = 0; i < csv->n && n < LISTED_MAX; i++)
        n += (size_t)snprintf(listed + n, sizeof listed - n, "%s%s", i > 0 ? ", " : "",
                              csv->field[i]);
    return UP_FAIL(error, UP_E_INPUT,
                   "%.150s:%u: no column is called '%.*s'; the columns are: %s%s", csv->path,
                   csv->line, (int)(length < 60 ? length : 60), name, listed,
                   n > LISTED_MAX ? " ..." : "");
}

enum up_rc csv_column(const struct csv *csv, const char *name, size_t length, size_t *index,
                      char unit[static CSV_UNIT_MAX + 1], struct up_error *error)
{
    size_t found = 0;
    for (size_t i = 0; i < csv->n; i++) {
        const char *heading = csv->field[i] + strspn(csv->field[i], " "), *text;
        size_t unit_length;
        const size_t n = name_of(heading, &text, &unit_length);
        if (!(n == length && memcmp(heading, name, n) == 0) &&
            !(strlen(heading) == length && memcmp(heading, name, length) == 0))
            continue;
        if (unit_length > CSV_UNIT_MAX)
            return off(csv, "a unit of more than 39 characters in the heading", error);
        memcpy(unit, text, unit_length);
        unit[unit_length] = '\0';
        *index = i;
        found++;
    }
    if (found == 0)
        return no_column(csv, name, length, error);
    if (found > 1)
        return UP_FAIL(error, UP_E_INPUT,
                       "%.200s:%u: %zu columns are called '%.*s'; write the whole heading",
                       csv->path, csv->line, found, (int)(length < 60 ? length : 60), name);
    return UP_OK;
}

void csv_close(struct csv *csv)
{
    if (csv != NULL && csv->file != NULL)
        fclose(csv->file);
    free(csv);
}
