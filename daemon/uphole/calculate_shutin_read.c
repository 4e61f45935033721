/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_shutin_read.c - the record of a shut-in out of a CSV file: time since shut-in beside
 * pressure.
 *
 * Rows without a pressure are counted, never filled; times that go back are an error, for then it
 * is not known which row is off.
 */
#include "calculate_shutin.h"
#include "csv.h"

#include "uphole/quality.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

_Static_assert(SHUTIN_UNIT_MAX == CSV_UNIT_MAX, "a record has room for a column's unit");
#define RECORD_ROWS_MAX (CALCULATE_LIST_MAX / 2)

struct reading {
    struct csv *csv;
    size_t time, pressure, quality;
    bool has_quality;
    bool dates; /* else times are numbers, in `unit` */
    struct formula_unit unit;
    int64_t shut_ms;
    double shut_s;
    double before_s; /* time of the row before */
};

static bool is_blank(const char *cell)
{
    return cell[strspn(cell, " \t")] == '\0';
}

/** The column of qualities that an export has beside each value: "intake_pressure quality". */
static void find_quality(const struct shutin_asked *asked, struct reading *reading)
{
    char name[128];
    const char *open = strstr(asked->pressure, " [");
    const size_t length = open != NULL ? (size_t)(open - asked->pressure) : strlen(asked->pressure);
    snprintf(name, sizeof name, "%.*s quality", (int)(length < 100 ? length : 100),
             asked->pressure);
    for (size_t i = 0; i < reading->csv->n; i++)
        if (strcmp(reading->csv->field[i], name) == 0) {
            reading->quality = i;
            reading->has_quality = true;
        }
}

static enum up_rc at_shut(const struct shutin_asked *asked, struct reading *reading,
                          const char *time_unit, struct up_error *error)
{
    double number;
    const size_t length = strlen(asked->shut_at);
    const char *first = reading->csv->field[reading->time];
    reading->dates =
        calculate_cell_time(first, &reading->shut_ms) || (is_blank(first) && time_unit[0] == '\0');
    if (reading->dates) {
        if (calculate_cell_time(asked->shut_at, &reading->shut_ms))
            return UP_OK;
        return UP_FAIL(error, UP_E_USAGE,
                       "--shut-at: '%.40s' is no time; the file has times such as '%.40s'",
                       asked->shut_at, reading->csv->field[reading->time]);
    }
    if (time_unit[0] == '\0')
        return UP_FAIL(error, UP_E_INPUT,
                       "%.200s:%u: '%.40s' is no time as in 2026-03-01T06:00:00Z; a column of "
                       "elapsed times states its unit in the heading, as in 'time [h]'",
                       asked->csv, reading->csv->line, reading->csv->field[reading->time]);
    enum up_rc rc =
        calculate_unit("--time", "h", time_unit, strlen(time_unit), &reading->unit, error);
    if (rc != UP_OK)
        return rc;
    const char *end = asked->shut_at + length;
    const char *at = calculate_number(asked->shut_at, length, &number);
    while (at != NULL && at < end && *at == ' ')
        at++;
    struct formula_unit unit = {0};
    if (at == NULL || at == end || !isfinite(number) ||
        calculate_cell_time(asked->shut_at, &reading->shut_ms))
        return UP_FAIL(
            error, UP_E_USAGE,
            "--shut-at: '%.40s' is no elapsed time; expected one with its unit, as in 0h, "
            "for the file has times in %s",
            asked->shut_at, time_unit);
    rc = calculate_unit("--shut-at", "h", at, (size_t)(end - at), &unit, error);
    reading->shut_s = number * unit.factor;
    return rc;
}

/** Seconds since the shut-in. */
static enum up_rc time_of_row(struct reading *reading, double *s, struct up_error *error)
{
    const char *cell = reading->csv->field[reading->time];
    int64_t utc_ms = 0;
    double number = 0.0;
    if (reading->dates && calculate_cell_time(cell, &utc_ms))
        *s = (double)(utc_ms - reading->shut_ms) / 1e3;
    else if (!reading->dates && calculate_cell_number(cell, &number))
        *s = number * reading->unit.factor - reading->shut_s;
    else
        return UP_FAIL(error, UP_E_INPUT, "%.200s:%u: '%.40s' is no %s", reading->csv->path,
                       reading->csv->line, cell,
                       reading->dates ? "time, as in 2026-03-01T06:00:00Z" : "number");
    if (*s < reading->before_s)
        return UP_FAIL(
            error, UP_E_INPUT,
            "%.200s:%u: the time '%.40s' is before that of the row above; sort the rows, "
            "or find out which clock stepped",
            reading->csv->path, reading->csv->line, cell);
    reading->before_s = *s;
    return UP_OK;
}

enum up_rc shutin_record_make(struct shutin_record *record, struct up_error *error)
{
    record->dt = malloc(RECORD_ROWS_MAX * sizeof *record->dt);
    record->p = malloc(RECORD_ROWS_MAX * sizeof *record->p);
    return record->dt != NULL && record->p != NULL
               ? UP_OK
               : UP_FAIL(error, UP_E_MEMORY, "no memory for the record of a shut-in");
}

enum up_rc shutin_record_add(struct shutin_record *record, double s, double pa, const char *from,
                             struct up_error *error)
{
    if (s <= 0.0) {
        record->before++;
        record->has_flowing = true;
        record->flowing = pa;
        record->flowing_age_s = 0.0 - s;
        return UP_OK;
    }
    if (record->n == RECORD_ROWS_MAX)
        return UP_FAIL(error, UP_E_INPUT,
                       "%.200s: more than %d samples after the shut-in; thin the file, or end the "
                       "window earlier",
                       from, RECORD_ROWS_MAX);
    record->dt[record->n] = s;
    record->p[record->n++] = pa;
    return UP_OK;
}

static enum up_rc take_row(struct reading *reading, struct shutin_record *record,
                           struct up_error *error)
{
    const char *cell = reading->csv->field[reading->pressure];
    double s = 0.0, pressure = 0.0, quality = 0.0;
    if (is_blank(cell) || is_blank(reading->csv->field[reading->time])) {
        record->empty++;
        return UP_OK;
    }
    const enum up_rc rc = time_of_row(reading, &s, error);
    if (rc != UP_OK)
        return rc;
    if (reading->has_quality &&
        !(calculate_cell_number(reading->csv->field[reading->quality], &quality) &&
          quality >= QUALITY_GOOD)) {
        record->unsure++;
        return UP_OK;
    }
    if (!calculate_cell_number(cell, &pressure))
        return UP_FAIL(error, UP_E_INPUT,
                       "%.200s:%u: '%.40s' is no pressure; correct it, or leave the cell empty",
                       reading->csv->path, reading->csv->line, cell);
    pressure = pressure * record->in_unit.factor + record->in_unit.offset;
    return shutin_record_add(record, s, pressure, reading->csv->path, error);
}

static enum up_rc begin(const struct shutin_asked *asked, struct reading *reading,
                        struct shutin_record *record, bool *more, struct up_error *error)
{
    char time_unit[CSV_UNIT_MAX + 1];
    enum up_rc rc = csv_open(asked->csv, &reading->csv, error);
    if (rc == UP_OK)
        rc = csv_column(reading->csv, asked->time, strlen(asked->time), &reading->time, time_unit,
                        error);
    if (rc == UP_OK)
        rc = csv_column(reading->csv, asked->pressure, strlen(asked->pressure), &reading->pressure,
                        record->unit, error);
    if (rc == UP_OK && record->unit[0] == '\0')
        return UP_FAIL(
            error, UP_E_INPUT,
            "%.200s:%u: the heading of pressure states no unit; write it in brackets, as "
            "in 'shut_in_pressure [psi]'",
            asked->csv, reading->csv->line);
    if (rc == UP_OK)
        rc = calculate_unit("--pressure", "Pa", record->unit, strlen(record->unit),
                            &record->in_unit, error);
    if (rc == UP_OK) {
        find_quality(asked, reading);
        rc = csv_next(reading->csv, more, error);
    }
    if (rc == UP_OK && *more)
        rc = at_shut(asked, reading, time_unit, error);
    return rc;
}

enum up_rc shutin_record_read(const struct shutin_asked *asked, struct shutin_record *record,
                              struct up_error *error)
{
    struct reading reading = {.before_s = -INFINITY};
    bool more = false;
    enum up_rc rc = shutin_record_make(record, error);
    if (rc == UP_OK)
        rc = begin(asked, &reading, record, &more, error);
    while (rc == UP_OK && more) {
        rc = take_row(&reading, record, error);
        if (rc == UP_OK)
            rc = csv_next(reading.csv, &more, error);
    }
    csv_close(reading.csv);
    if (rc == UP_OK && record->n == 0)
        return UP_FAIL(error, UP_E_INPUT,
                       "%.200s: no row with a pressure after the shut-in at %.40s", asked->csv,
                       asked->shut_at);
    return rc;
}

void shutin_record_free(struct shutin_record *record)
{
    free(record->dt);
    free(record->p);
    record->dt = record->p = NULL;
}
