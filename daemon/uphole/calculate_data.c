/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_data.c - data sets that worked examples name: those of the NIST Statistical Reference
 * Datasets (StRD), and a table's own.
 */
#include "calculate.h"

#include <stdlib.h>
#include <string.h>

/* clang-format off */
/* NIST StRD, univariate: NumAcc1; Michelso, the speed of light. */
static const double NUMACC1[] = {10000001, 10000003, 10000002};
static const double MICHELSO[] = {
    299.85, 299.74, 299.90, 300.07, 299.93, 299.85, 299.95, 299.98, 299.98, 299.88, 300.00, 299.98, 299.93, 299.65, 299.76, 299.81, 300.00, 300.00, 299.96, 299.96,
    299.96, 299.94, 299.96, 299.94, 299.88, 299.80, 299.85, 299.88, 299.90, 299.84, 299.83, 299.79, 299.81, 299.88, 299.88, 299.83, 299.80, 299.79, 299.76, 299.80,
    299.88, 299.88, 299.88, 299.86, 299.72, 299.72, 299.62, 299.86, 299.97, 299.95, 299.88, 299.91, 299.85, 299.87, 299.84, 299.84, 299.85, 299.84, 299.84, 299.84,
    299.89, 299.81, 299.81, 299.82, 299.80, 299.77, 299.76, 299.74, 299.75, 299.76, 299.91, 299.92, 299.89, 299.86, 299.88, 299.72, 299.84, 299.85, 299.85, 299.78,
    299.89, 299.84, 299.78, 299.81, 299.76, 299.81, 299.79, 299.81, 299.82, 299.85, 299.87, 299.87, 299.81, 299.74, 299.81, 299.94, 299.95, 299.80, 299.81, 299.87,
};
/* NIST StRD, linear regression: Norris, ozone monitors. */
static const double NORRIS_X[] = {
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6,
    556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5};
static const double NORRIS_Y[] = {
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
    557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2};
/* clang-format on */

/** NumAcc2 to 4: a first value, then 500 pairs. Generated so by NIST. */
static const struct {
    const char *name;
    double first, low, high;
} PAIRED[] = {{"NumAcc2", 1.2, 1.1, 1.3},
              {"NumAcc3", 1000000.2, 1000000.1, 1000000.3},
              {"NumAcc4", 10000000.2, 10000000.1, 10000000.3}};
#define PAIRED_VALUES 1001
#define LENGTH(array) (sizeof(array) / sizeof *(array))

enum up_rc calculate_sets_add(struct calculate_sets *sets, const char *name, const double *x,
                              const double *y, size_t n, struct up_error *error)
{
    if (sets->n == CALCULATE_SETS_MAX)
        return UP_FAIL(error, UP_E_USAGE, "more than %d data sets", CALCULATE_SETS_MAX);
    if (calculate_set_find(sets, name, strlen(name)) != NULL)
        return UP_FAIL(error, UP_E_USAGE, "the data set %s is given twice", name);
    struct calculate_set *set = &sets->set[sets->n];
    if (strlen(name) > CALCULATE_NAME_MAX)
        return UP_FAIL(error, UP_E_USAGE, "a data set's name has at most %d characters",
                       CALCULATE_NAME_MAX);
    *set = (struct calculate_set){.n = n, .x = malloc((n + 1) * sizeof *set->x)};
    if (y != NULL)
        set->y = malloc((n + 1) * sizeof *set->y);
    if (set->x == NULL || (y != NULL && set->y == NULL)) {
        free(set->x);
        free(set->y);
        return UP_FAIL(error, UP_E_MEMORY, "no memory for data set %s", name);
    }
    memcpy(set->name, name, strlen(name) + 1);
    memcpy(set->x, x, n * sizeof *x);
    if (y != NULL)
        memcpy(set->y, y, n * sizeof *y);
    sets->n++;
    return UP_OK;
}

enum up_rc calculate_sets_built_in(struct calculate_sets *sets, struct up_error *error)
{
    double values[PAIRED_VALUES];
    enum up_rc rc = calculate_sets_add(sets, "NumAcc1", NUMACC1, NULL, LENGTH(NUMACC1), error);
    for (size_t s = 0; rc == UP_OK && s < LENGTH(PAIRED); s++) {
        values[0] = PAIRED[s].first;
        for (size_t i = 1; i < PAIRED_VALUES; i++)
            values[i] = i % 2 == 1 ? PAIRED[s].low : PAIRED[s].high;
        rc = calculate_sets_add(sets, PAIRED[s].name, values, NULL, PAIRED_VALUES, error);
    }
    if (rc == UP_OK)
        rc = calculate_sets_add(sets, "Michelso", MICHELSO, NULL, LENGTH(MICHELSO), error);
    if (rc == UP_OK)
        rc = calculate_sets_add(sets, "Norris", NORRIS_X, NORRIS_Y, LENGTH(NORRIS_X), error);
    return rc;
}

const struct calculate_set *calculate_set_find(const struct calculate_sets *sets, const char *name,
                                               size_t length)
{
    for (size_t i = 0; i < sets->n; i++)
        if (strlen(sets->set[i].name) == length && memcmp(sets->set[i].name, name, length) == 0)
            return &sets->set[i];
    return NULL;
}

void calculate_sets_free(struct calculate_sets *sets)
{
    for (size_t i = 0; i < sets->n; i++) {
        free(sets->set[i].x);
        free(sets->set[i].y);
    }
    sets->n = 0;
}
