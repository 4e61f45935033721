/* SPDX-License-Identifier: Apache-2.0
 *
 * number_table.c - see number_table.h.
 *
 * What a cell means is never guessed: a column without a unit, a text between numbers or a row that
 * lacks a cell is a fault that says where it stands.
 */
#include "number_table.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/** Where a text stands, so that a fault finds its line and column. */
struct place {
    const char *file;
    int line, column; /* of the text's first character */
};

struct cells {
    unsigned n;
    struct cell {
        const char *text;
        size_t length;
        int column; /* from 1, within the line */
    } at[TABLE_COLUMNS_MAX];
    bool is_more;
};

struct table_reader {
    struct plan_faults *faults;
    struct number_table *table;
    struct place place;
    unsigned n_cells;                    /* of the heading */
    unsigned column[TABLE_COLUMNS_MAX];  /* of the n-th cell */
    unit_number unit[TABLE_COLUMNS_MAX]; /* of the n-th cell */
    bool is_headed;
    double last;
};

#define FAULT(reader, column_of_it, ...)                                                           \
    fault_in((reader)->faults, (reader)->place.file, (reader)->place.line,                         \
             (reader)->place.column + (column_of_it)-1, __VA_ARGS__)

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r';
}

/** Fields between commas, without blanks around them. */
static void split(const char *line, size_t length, struct cells *cells)
{
    size_t begin = 0;
    *cells = (struct cells){0};
    for (size_t i = 0; i <= length; i++) {
        if (i < length && line[i] != ',')
            continue;
        if (cells->n == TABLE_COLUMNS_MAX) {
            cells->is_more = true;
            return;
        }
        size_t first = begin, last = i;
        while (first < last && is_blank(line[first]))
            first++;
        while (last > first && is_blank(line[last - 1]))
            last--;
        cells->at[cells->n++] = (struct cell){line + first, last - first, (int)first + 1};
        begin = i + 1;
    }
}

static bool same(const char *text, size_t length, const char *name)
{
    return name != NULL && strlen(name) == length && strncasecmp(text, name, length) == 0;
}

/** Parts `rate [m3/d]`, or `rate_m3/d`, into name and unit; the unit's length 0 where it has none.
 */
static size_t name_and_unit(const struct cell *cell, const char **unit, size_t *unit_length)
{
    const char *text = cell->text;
    size_t n = cell->length;
    const char *open = n > 0 && text[n - 1] == ']' ? memchr(text, '[', n) : NULL;
    *unit_length = 0;
    if (open != NULL) {
        *unit = open + 1;
        *unit_length = (size_t)(text + n - 1 - *unit);
        n = (size_t)(open - text);
    } else if ((open = memrchr(text, '_', n)) != NULL) {
        *unit = open + 1;
        *unit_length = (size_t)(text + n - *unit);
        n = (size_t)(open - text);
    }
    while (n > 0 && is_blank(text[n - 1]))
        n--;
    return n;
}

static void expected_columns(const struct number_table *table, char into[static 200])
{
    size_t n = 0;
    into[0] = '\0';
    for (unsigned c = 0; c < table->n_columns && n < 200; c++)
        n += (size_t)snprintf(into + n, 200 - n, "%s`%s [%s]`", c > 0 ? ", " : "",
                              table->column[c].name,
                              unit_get(unit_of_kind(table->column[c].quantity))->name);
}

static unsigned column_named(const struct number_table *table, const char *text, size_t length)
{
    unsigned c = 0;
    while (c < table->n_columns && !same(text, length, table->column[c].name) &&
           !same(text, length, table->column[c].also))
        c++;
    return c;
}

static bool heading_cell(struct table_reader *reader, const struct cell *cell, unsigned index)
{
    const struct number_table *table = reader->table;
    const char *unit = "";
    size_t unit_length;
    size_t length = name_and_unit(cell, &unit, &unit_length);
    unsigned c = column_named(table, cell->text, length);
    if (c == table->n_columns &&
        (c = column_named(table, cell->text, cell->length)) < table->n_columns)
        unit_length = 0; /* `stage_head`: the name itself holds the mark */
    char names[200];
    if (c == table->n_columns) {
        expected_columns(table, names);
        FAULT(reader, cell->column, "`%.*s` is no column of `%s`; expected %s",
              (int)(cell->length < 40 ? cell->length : 40), cell->text, table->key, names);
        return false;
    }
    const struct table_column *column = &table->column[c];
    const unit_number found = unit_find(unit, unit_length, column->quantity);
    if (found == 0) {
        units_of_kind(column->quantity, names, 160);
        FAULT(reader, cell->column,
              "column `%s` states no unit that is known here; expected such as "
              "`%s [%s]`, of %s",
              column->name, column->name, unit_get(unit_of_kind(column->quantity))->name, names);
        return false;
    }
    if (reader->table->has[c]) {
        FAULT(reader, cell->column, "column `%s` stands twice", column->name);
        return false;
    }
    reader->table->has[c] = true;
    reader->column[index] = c;
    reader->unit[index] = found;
    return true;
}

static bool heading(struct table_reader *reader, const struct cells *cells)
{
    bool good = true;
    if (cells->n == 1 && memchr(cells->at[0].text, ';', cells->at[0].length) != NULL) {
        FAULT(reader, cells->at[0].column,
              "cells are parted by `;`; expected commas between them, and points in numbers");
        return false;
    }
    reader->is_headed = true;
    reader->n_cells = cells->n;
    for (unsigned i = 0; i < cells->n; i++)
        good = heading_cell(reader, &cells->at[i], i) && good;
    return good;
}

static bool number_cell(struct table_reader *reader, const struct cell *cell, unsigned index,
                        double *value)
{
    const struct table_column *column = &reader->table->column[reader->column[index]];
    struct decimal number;
    const unit_number own = unit_of_kind(column->quantity);
    if (!decimal_from_text(cell->text, cell->length, &number)) {
        FAULT(reader, cell->column,
              "`%.*s` is no number; expected one with a decimal point, cells "
              "parted by commas",
              (int)(cell->length < 40 ? cell->length : 40), cell->text);
        return false;
    }
    *value = reader->unit[index] == own
                 ? decimal_to_double(number)
                 : unit_convert(decimal_to_double(number), reader->unit[index], own);
    if (*value >= column->low && *value <= column->high)
        return true;
    FAULT(reader, cell->column, "`%s` of %.*s is out of range; expected %g to %g %s", column->name,
          (int)(cell->length < 40 ? cell->length : 40), cell->text, column->low, column->high,
          unit_get(own)->name);
    return false;
}

static bool row(struct table_reader *reader, const struct cells *cells)
{
    struct number_table *table = reader->table;
    double *into = table->cell + (size_t)table->n_rows * table->n_columns;
    if (cells->n != reader->n_cells) {
        FAULT(reader, 1, "%u cells where the heading has %u", cells->n, reader->n_cells);
        return false;
    }
    if (table->n_rows == table->rows_max) {
        FAULT(reader, 1, "more than %u rows; thin the table out", table->rows_max);
        return false;
    }
    for (unsigned c = 0; c < table->n_columns; c++)
        into[c] = NAN;
    for (unsigned i = 0; i < cells->n; i++)
        if (!number_cell(reader, &cells->at[i], i, &into[reader->column[i]]))
            return false;
    if (table->first_ascends && table->n_rows > 0 && !(into[0] > reader->last)) {
        FAULT(reader, 1,
              "`%s` is not greater than in the row before; expected rows in ascending "
              "order",
              table->column[0].name);
        return false;
    }
    reader->last = into[0];
    table->line[table->n_rows++] = reader->place.line;
    return true;
}

static bool line(struct table_reader *reader, const char *text, size_t length)
{
    struct cells cells;
    size_t first = 0;
    while (first < length && is_blank(text[first]))
        first++;
    if (first == length || text[first] == '#')
        return true;
    if (length > TABLE_LINE_MAX) {
        FAULT(reader, 1, "a line of more than %d characters; is this a table?", TABLE_LINE_MAX);
        return false;
    }
    split(text, length, &cells);
    if (cells.is_more) {
        FAULT(reader, 1, "more than %d cells in a line", TABLE_COLUMNS_MAX);
        return false;
    }
    return reader->is_headed ? row(reader, &cells) : heading(reader, &cells);
}

static bool read_text(struct table_reader *reader, const char *text, size_t length)
{
    (void)snprintf(reader->table->file, sizeof reader->table->file, "%s", reader->place.file);
    reader->table->text_column = reader->place.column;
    if (length >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0) { /* a mark of some spreadsheets */
        text += 3;
        length -= 3;
    }
    while (length > 0) {
        const char *end = memchr(text, '\n', length);
        const size_t n = end != NULL ? (size_t)(end - text) : length;
        if (!line(reader, text, n))
            return false;
        const size_t taken = n + (end != NULL ? 1 : 0);
        text += taken;
        length -= taken;
        reader->place.line++;
    }
    if (!reader->is_headed || reader->table->n_rows < 2) {
        char names[200];
        expected_columns(reader->table, names);
        fault_in(reader->faults, reader->place.file,
                 reader->place.line > 1 ? reader->place.line - 1 : 1, 1,
                 "`%s` holds %u row%s; expected a heading such as %s, and two rows at least",
                 reader->table->key, reader->table->n_rows, reader->table->n_rows == 1 ? "" : "s",
                 names);
        return false;
    }
    return true;
}

/** The file that `node` names, beside the configuration. */
static bool read_beside(struct table_reader *reader, const struct reading_room *room,
                        const struct node *node)
{
    char path[PATH_LENGTH_MAX];
    const char *slash = strrchr(room->file, '/');
    const int directory = slash != NULL && node->text[0] != '/' ? (int)(slash - room->file) + 1 : 0;
    size_t length = 0;
    bool missing;
    if (!room->look_at_files) {
        fault_at(room->faults, node,
                 "`%s` names a file where only the table itself can stand: "
                 "write it below `%s: |`",
                 reader->table->key, reader->table->key);
        return false;
    }
    if (snprintf(path, sizeof path, "%.*s%s", directory, room->file, node->text) >=
        (int)sizeof path) {
        fault_at(room->faults, node, "the path of `%s` is longer than %d bytes", reader->table->key,
                 PATH_LENGTH_MAX - 1);
        return false;
    }
    if (access(path, R_OK) != 0) {
        fault_at(room->faults, node,
                 "`%s` names %.120s, which can't be read: %s; expected a file beside the "
                 "configuration, or its full path",
                 reader->table->key, path, strerror(errno));
        return false;
    }
    const int before = room->faults->n + room->faults->more;
    char *text = file_read(room->faults, path, &length, &missing);
    if (text == NULL)
        return false;
    reader->place = (struct place){path, 1, 1};
    bool good = length <= TABLE_FILE_MAX;
    if (!good)
        fault_in(room->faults, path, 0, 0, "larger than %d KiB; is this a table?",
                 TABLE_FILE_MAX / 1024);
    good = good && read_text(reader, text, length);
    free(text);
    return good && room->faults->n + room->faults->more == before;
}

bool number_table_read(struct reading_room *room, const struct node *node,
                       struct number_table *table)
{
    struct table_reader reader = {.faults = room->faults, .table = table};
    if (!value_is_text(room->faults, node, table->key, "a CSV file, or the table itself"))
        return false;
    table->cell = calloc((size_t)table->rows_max * table->n_columns, sizeof *table->cell);
    table->line = calloc(table->rows_max, sizeof *table->line);
    if (table->cell == NULL || table->line == NULL)
        return false;
    if (memchr(node->text, '\n', node->length) == NULL)
        return read_beside(&reader, room, node);
    /* Below `key: |` the text begins in the next line, by custom two blanks further in. */
    reader.place =
        (struct place){node->file, node->line + 1, node->key != NULL ? node->key->column + 2 : 1};
    return read_text(&reader, node->text, node->length);
}

void number_table_fault(struct reading_room *room, const struct number_table *table, unsigned row,
                        const char *format, ...)
{
    char text[UP_WHY_MAX];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    fault_in(room->faults, table->file, table->line[row], table->text_column, "%s", text);
}

void number_table_free(struct number_table *table)
{
    free(table->cell);
    free(table->line);
}
