/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate.h - inside `uphole calculate`: texts of inputs made into numbers, evaluated, shown.
 */
#ifndef UPHOLE_CALCULATE_H
#define UPHOLE_CALCULATE_H

#include "uphole/error.h"
#include "uphole/formula.h"

#include <stdio.h>

/* Values in all lists of a formula: 72 h of pressures each second, with their times, are half of
 * it. */
#define CALCULATE_LIST_MAX 1048576
#define CALCULATE_NAME_MAX 31
#define CALCULATE_SETS_MAX 64

/** One `name=value` as written; both borrowed from the text they stand in. */
struct calculate_pair {
    char name[CALCULATE_NAME_MAX + 1];
    const char *value;
    size_t length; /* of value */
};
/** Splits `name=value`. False: no name, too long a name, or no `=`. */
bool calculate_split(const char *word, struct calculate_pair *pair);
/** Numbers by name, for `data=NAME`; y has none in a set of one column. */
struct calculate_set {
    char name[CALCULATE_NAME_MAX + 1];
    size_t n;
    double *x, *y; /* owned */
};
struct calculate_sets {
    const char
        *directory; /* where files named by relative paths are; NULL: the working directory */
    bool has_since; /* columns of times count from since_ms, else from their first */
    int64_t since_ms;
    size_t n;
    struct calculate_set set[CALCULATE_SETS_MAX];
};
/** Adds the sets of the NIST Statistical Reference Datasets that worked examples name. */
UP_MUST enum up_rc calculate_sets_built_in(struct calculate_sets *sets, struct up_error *error);
UP_MUST enum up_rc calculate_sets_add(struct calculate_sets *sets, const char *name,
                                      const double *x, const double *y, size_t n,
                                      struct up_error *error);
const struct calculate_set *calculate_set_find(const struct calculate_sets *sets, const char *name,
                                               size_t length);
void calculate_sets_free(struct calculate_sets *sets);

/** A formula with its inputs as numbers. */
struct calculation {
    const struct formula *formula;
    struct formula_given given[FORMULA_INPUTS_MAX];
    const struct calculate_pair *pair[FORMULA_INPUTS_MAX]; /* as written; NULL: not given */
    double u[FORMULA_INPUTS_MAX];                          /* standard uncertainties, SI */
    bool has_u;
    double *lists; /* owned: storage behind given[].list */
    size_t n_lists;
};
/**
 * Finds the form of `label` for these inputs and reads them. A pair `u_NAME` is the standard
 * uncertainty of NAME unless the formula has an input of that name; `data=SET` fills the formula's
 * lists; `NAME=from LABEL` takes the result of another formula of the same inputs. UP_E_USAGE with
 * a sentence that names the input and what was expected. calculation_free in any case.
 */
UP_MUST enum up_rc calculation_make(const char *label, const struct calculate_pair *pairs, size_t n,
                                    const struct calculate_sets *sets, struct calculation *out,
                                    struct up_error *error);
void calculation_free(struct calculation *calculation);

/** A column of a CSV file (RFC 4180, with a heading) made into numbers in SI. */
struct calculate_column {
    const char *path, *name; /* the heading, whole or without its unit in brackets */
    size_t name_length;
    const struct formula_input *input; /* what it is for: its unit holds where none is written */
    bool has_since;
    int64_t since_ms;
    double *into;
    size_t room, n;
};
/**
 * Numbers in the unit that stands in brackets in the heading (`p_ws [psi]`), else in the input's;
 * RFC 3339 times become seconds. UP_E_MISSING; UP_E_INPUT with file:line; UP_E_USAGE where the unit
 * is of another kind.
 */
UP_MUST enum up_rc calculate_column_read(struct calculate_column *column, struct up_error *error);

/** The number, or the RFC 3339 time, of a whole cell. False: it is none. */
bool calculate_cell_number(const char *cell, double *out);
bool calculate_cell_time(const char *cell, int64_t *utc_ms);
/** A number at `text`; its end, or NULL. Never reads beyond `length`. */
const char *calculate_number(const char *text, size_t length, double *out);
/** The symbol's own unit, or the one written, or none where the own one is of no dimension that
 * this program knows (a constant of a fitted power law): then the number is taken as it stands. */
UP_MUST enum up_rc calculate_unit(const char *name, const char *own, const char *text,
                                  size_t length, struct formula_unit *out, struct up_error *error);

/** `uphole calculate shut-in`; argv[0] is "shut-in". Returns the exit code. */
int calculate_shutin(int argc, char **argv);

/**
 * Reads a deviation survey, a CSV of measured depth, inclination and azimuth (m and deg; ft where
 * the heading of the first column ends in `_ft`),
 * `#` lines and one heading allowed, into three columns of at most `room` stations: m, rad, rad.
 * UP_E_MISSING, or UP_E_INPUT with file:line.
 */
UP_MUST enum up_rc calculate_survey_read(const char *path, double *md, double *inclination,
                                         double *azimuth, size_t room, size_t *n,
                                         struct up_error *error);

/** Factor and offset of a result's unit; `text` NULL or "": the formula's own. UP_E_USAGE where it
 * is not of the result's dimension. */
UP_MUST enum up_rc calculate_result_unit(const struct formula *formula, const char *text,
                                         size_t length, struct formula_unit *out,
                                         struct up_error *error);
/** SI to that unit. */
static inline double calculate_shown(double si, const struct formula_unit *unit)
{
    return (si - unit->offset) / unit->factor;
}

/** Prints the working, or one JSON object; `unit` NULL: the formula's own. */
void calculate_show(FILE *stream, const struct calculation *calculation, const char *unit);
void calculate_show_json(FILE *stream, const struct calculation *calculation, const char *unit);
void calculate_list(FILE *stream, bool json);

/** One row of a table, once it was judged. Borrowed for the call. */
struct calculate_row {
    const char *id, *quantity, *expected, *got;
    bool passed;
    const struct calculation *calculation; /* its formula is NULL where the row can't be read */
};
typedef void calculate_row_seen(void *context, const struct calculate_row *row);
/** Runs each row of a table of worked examples. UP_E_MISSING, or UP_E_USAGE where a data set is
 * off. */
UP_MUST enum up_rc calculate_rows_run(const char *path, calculate_row_seen *seen, void *context,
                                      struct up_error *error);

#endif
