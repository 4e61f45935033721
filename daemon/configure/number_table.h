/* SPDX-License-Identifier: Apache-2.0
 *
 * number_table.h - tables of numbers in a configuration: a CSV file, or the same text written below
 * `key: |`.
 */
#ifndef UPHOLE_CONFIGURE_NUMBER_TABLE_H
#define UPHOLE_CONFIGURE_NUMBER_TABLE_H

#include "rooms.h"

#define TABLE_COLUMNS_MAX 8
#define TABLE_LINE_MAX 512
#define TABLE_FILE_MAX 262144 /* bytes of a table's file; far beyond what its rows need */

struct table_column {
    const char *name, *also; /* as headings name it; `also` may be NULL */
    enum quantity quantity;
    double low, high; /* in the quantity's own unit */
};

struct number_table {
    const char *key; /* of the configuration, for messages */
    unsigned n_columns;
    const struct table_column *column;
    unsigned rows_max;
    bool first_ascends; /* strictly */
    /* results */
    unsigned n_rows;
    bool has[TABLE_COLUMNS_MAX];
    double *cell; /* rows_max x n_columns; NaN in a column that the table doesn't have */
    int *line;    /* of each row, in `file` */
    int text_column;
    char file[PATH_LENGTH_MAX];
};

/**
 * Reads the table that `node` is, or names: a file beside the configuration. The first line heads
 * the columns, each with its unit: `rate [m3/d]` or `rate_m3/d`; `#` begins a remark. Values are
 * brought to the own unit of their quantity. False, with faults at file:line:column, where it is no
 * such table.
 */
bool number_table_read(struct reading_room *room, const struct node *node,
                       struct number_table *table);
/** A fault at a row of it. */
__attribute__((format(printf, 4, 5))) void number_table_fault(struct reading_room *room,
                                                              const struct number_table *table,
                                                              unsigned row, const char *format,
                                                              ...);
void number_table_free(struct number_table *table);

#endif
