/* SPDX-License-Identifier: Apache-2.0
 *
 * csv.h - reads a CSV file as RFC 4180 has it, record by record, with the line of each.
 *
 * Beyond the RFC: lines end with LF or CRLF, a UTF-8 mark at the start is skipped, empty lines and
 * lines that begin with `#` are no records. Every record has as many fields as the heading.
 */
#ifndef UPHOLE_CSV_H
#define UPHOLE_CSV_H

#include "uphole/error.h"

#include <stdbool.h>
#include <stdio.h>

#define CSV_RECORD_MAX 16384
#define CSV_FIELDS_MAX 256
#define CSV_UNIT_MAX 39

struct csv {
    FILE *file;
    const char *path;         /* borrowed */
    unsigned line, next_line; /* where the record begins; where the file stands */
    size_t columns, n;        /* of the heading (0: not read yet); of the record */
    char *field[CSV_FIELDS_MAX];
    char text[CSV_RECORD_MAX];
};

/** Opens, and reads the heading as the first record. Owned: csv_close in any case (NULL allowed).
 * UP_E_MISSING, UP_E_MEMORY, UP_E_INPUT with file:line. */
UP_MUST enum up_rc csv_open(const char *path, struct csv **out, struct up_error *error);
/** The next record; *more is false behind the last. UP_E_INPUT with file:line. */
UP_MUST enum up_rc csv_next(struct csv *csv, bool *more, struct up_error *error);
/** While the record is the heading: the column of that name, written whole or without the unit in
 * brackets behind it, and that unit ("" where there is none). UP_E_INPUT names the columns. */
UP_MUST enum up_rc csv_column(const struct csv *csv, const char *name, size_t length, size_t *index,
                              char unit[static CSV_UNIT_MAX + 1], struct up_error *error);
void csv_close(struct csv *csv);

#endif
