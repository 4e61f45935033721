/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_column.c - a column of a CSV file as the list of a formula.
 *
 * Lists of one formula belong together value by value, so an empty cell is an error here, never
 * left out.
 */
#include "calculate.h"
#include "csv.h"

#include "uphole/stamp.h"

#include <math.h>
#include <string.h>

static const char *trimmed(const char *text, size_t *length)
{
    text += strspn(text, " \t");
    *length = strlen(text);
    while (*length > 0 && (text[*length - 1] == ' ' || text[*length - 1] == '\t'))
        (*length)--;
    return text;
}

bool calculate_cell_number(const char *cell, double *out)
{
    size_t length;
    const char *text = trimmed(cell, &length);
    return calculate_number(text, length, out) == text + length && length > 0 && isfinite(*out);
}

bool calculate_cell_time(const char *cell, int64_t *utc_ms)
{
    size_t length;
    const char *text = trimmed(cell, &length);
    return stamp_from_text(text, length, utc_ms);
}

/** What a column is, once its first cell is read. */
struct reading {
    struct formula_unit unit;
    bool times;
    int64_t origin_ms;
};

static enum up_rc begin(const struct calculate_column *column, const char *cell, const char *unit,
                        struct reading *reading, struct up_error *error)
{
    static const struct formula_unit SECOND = {.factor = 1.0, .dimension = {[BASE_SECOND] = 1}};
    int64_t first_ms;
    reading->times = calculate_cell_time(cell, &first_ms);
    if (!reading->times)
        return calculate_unit(column->input->name, column->input->unit, unit, strlen(unit),
                              &reading->unit, error);
    reading->origin_ms = column->has_since ? column->since_ms : first_ms;
    const enum up_rc rc =
        calculate_unit(column->input->name, column->input->unit, "", 0, &reading->unit, error);
    if (rc == UP_OK && !formula_unit_same_dimension(&reading->unit, &SECOND))
        return UP_FAIL(error, UP_E_USAGE, "%s: the column holds times; expected values in %s",
                       column->input->name, column->input->unit);
    return rc;
}

static enum up_rc read_cell(const struct csv *csv, const char *cell, const struct reading *reading,
                            double *out, struct up_error *error)
{
    int64_t utc_ms;
    if (reading->times && calculate_cell_time(cell, &utc_ms)) {
        *out = (double)(utc_ms - reading->origin_ms) / 1e3;
        return UP_OK;
    }
    if (!reading->times && calculate_cell_number(cell, out)) {
        *out = *out * reading->unit.factor + reading->unit.offset;
        return UP_OK;
    }
    return UP_FAIL(error, UP_E_INPUT,
                   "%.200s:%u: '%.40s' is no %s; correct it or leave the row out", csv->path,
                   csv->line, cell, reading->times ? "time, as in 2026-03-01T06:00:00Z" : "number");
}

enum up_rc calculate_column_read(struct calculate_column *column, struct up_error *error)
{
    struct csv *csv;
    struct reading reading = {0};
    char unit[CSV_UNIT_MAX + 1];
    size_t index = 0;
    bool more = false;
    column->n = 0;
    enum up_rc rc = csv_open(column->path, &csv, error);
    if (rc == UP_OK)
        rc = csv_column(csv, column->name, column->name_length, &index, unit, error);
    if (rc == UP_OK)
        rc = csv_next(csv, &more, error);
    if (rc == UP_OK && more)
        rc = begin(column, csv->field[index], unit, &reading, error);
    while (rc == UP_OK && more) {
        if (column->n == column->room)
            rc = UP_FAIL(error, UP_E_INPUT,
                         "%.200s:%u: more than %d values in all lists; thin the file", column->path,
                         csv->line, CALCULATE_LIST_MAX);
        if (rc == UP_OK)
            rc = read_cell(csv, csv->field[index], &reading, &column->into[column->n], error);
        if (rc == UP_OK) {
            column->n++;
            rc = csv_next(csv, &more, error);
        }
    }
    csv_close(csv);
    return rc;
}
