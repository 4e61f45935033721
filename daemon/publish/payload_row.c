/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_row.c - one row of `record`.
 *
 * A backlog is mostly this: three numbers a point and row. So what holds for all rows of a set is
 * looked up once for a message, and a row is written without a check a byte into room that is
 * enough for any row, then taken over whole or not at all.
 */
#include "payload.h"

#include <math.h>
#include <string.h>

#define HEAD_MAX 512       /* keys, names of the enumerations, time and seq */
#define QUALITY_TEXT_MAX 3 /* 0 to 255 */
#define POINT_ID_MAX 40    /* of a worst input, with its quotes */
#define ROW_TEXT_MAX                                                                               \
    (HEAD_MAX +                                                                                    \
     RECORD_READINGS_MAX * (3 * (NUMBER_TEXT_MAX + 1) + QUALITY_TEXT_MAX + 1 + POINT_ID_MAX + 1))

void payload_columns_of(const struct plan *plan, const struct well_plan *well,
                        const struct unit_choice *units, const struct record *row, bool same_plan,
                        struct payload_columns *out)
{
    out->n = row->n < RECORD_READINGS_MAX ? row->n : RECORD_READINGS_MAX;
    out->with_uncertainty = units->with_uncertainty;
    for (uint16_t i = 0; i < out->n; i++) {
        const unsigned number = row->reading[i].point;
        const struct point *point = point_get(number);
        const struct payload_point how =
            payload_point_of(plan, well, units, number, row->at.utc_ms, same_plan);
        const unit_number own = point_unit(number);
        out->column[i] = (struct payload_column){.format = number_format_of(how.resolution),
                                                 .conversion = unit_conversion(own, how.unit),
                                                 .converts = own != how.unit,
                                                 .reference = how.reference,
                                                 .point = point == NULL ? NULL : point->id,
                                                 .unit = payload_unit_name(how.unit)};
    }
}

/* ---- text into room that is known to be enough ---- */

static char *put(char *at, const char *text)
{
    const size_t n = strlen(text);
    memcpy(at, text, n);
    return at + n;
}

static char *put_bytes(char *at, const char *bytes, size_t n)
{
    memcpy(at, bytes, n); /* of the text itself: they end before `at` */
    return at + n;
}

static char *put_comma(char *at)
{
    *at = ',';
    return at + 1;
}

/** A name of the program's own tables: nothing in it needs an escape. */
static char *put_name(char *at, const char *name)
{
    if (name == NULL)
        return put(at, "null");
    *at++ = '"';
    at = put(at, name);
    *at++ = '"';
    return at;
}

static char *put_unsigned(char *at, uint64_t value)
{
    char reversed[20];
    size_t n = 0;
    do {
        reversed[n++] = (char)('0' + (int)(value % 10));
        value /= 10;
    } while (value != 0);
    while (n > 0)
        *at++ = reversed[--n];
    return at;
}

static char *put_number(char *at, double value, const struct number_format *format)
{
    const size_t n = number_to_text_as(value, format, at);
    return n > 0 ? at + n : put(at, "null");
}

static char *put_head(char *at, const struct record *row)
{
    at = put(at, "{\"source\":");
    at = put_name(at, source_name(row->source));
    at = put(at, ",\"seq\":");
    at = put_unsigned(at, row->seq);
    at = put(at, ",\"revision\":");
    at = put_unsigned(at, row->revision);
    at = put(at, ",\"time\":");
    char time[STAMP_TEXT_MAX];
    at = put_name(at, payload_time_is_known(&row->at) ? stamp_to_text(row->at.utc_ms, time) : NULL);
    at = put(at, ",\"clock\":");
    at = put_name(at, clock_state_name(row->at.clock));
    at = put(at, ",\"outcome\":");
    at = put_name(at, outcome_name(row->outcome));
    return row->heard ? put(at, ",\"heard\":true") : at;
}

/** Where each column ends is where the next one begins, so commas stand behind, and the last one is
 * written over. */
static char *end_list(char *at, uint16_t n)
{
    if (n == 0)
        at++;
    at[-1] = ']';
    return at;
}

static char *put_worst_inputs(char *at, const struct record *row, uint16_t n)
{
    at = put(at, ",\"worst_inputs\":[");
    for (uint16_t i = 0; i < n; i++) {
        const struct point *worst = point_get(row->reading[i].worst_input);
        at = put_name(at, worst == NULL ? NULL : worst->id);
        *at++ = ',';
    }
    return end_list(at, n);
}

/** Two digits are what an uncertainty is known to. */
static double two_digits(double u)
{
    static const double STEPS[] = {1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4,
                                   1e-3, 0.01, 0.1,  1.0,  10.0, 100.0};
    size_t i = 0;
    while (i + 1 < sizeof STEPS / sizeof *STEPS && u >= 99.5 * STEPS[i])
        i++;
    return STEPS[i];
}

/** In the unit of the value, without its zero point; null where it is not known. */
static char *put_uncertainties(char *at, const struct payload_columns *columns,
                               const struct record *row, const double *values, uint16_t n)
{
    at = put(at, ",\"standard_uncertainties\":[");
    for (uint16_t i = 0; i < n; i++) {
        const struct payload_column *column = &columns->column[i];
        double u = row->reading[i].u;
        if (column->converts)
            u = fabs(u * column->conversion.multiply / column->conversion.divide);
        const struct number_format format = number_format_of(two_digits(u));
        at = put_number(at, u > 0.0 && isfinite(values[i]) ? u : (double)NAN, &format);
        *at++ = ',';
    }
    return end_list(at, n);
}

/** Most readings are as good as the one before, and those of one answer as old: what is the same is
 * copied, with its comma. */
static char *put_qualities(char *at, const uint8_t *qualities, uint16_t n)
{
    const char *before = at = put(at, ",\"qualities\":[");
    for (uint16_t i = 0; i < n; i++) {
        const char *own = at;
        if (i > 0 && qualities[i] == qualities[i - 1])
            at = put_bytes(at, before, (size_t)(own - before));
        else
            at = put_comma(put_unsigned(at, qualities[i]));
        before = own;
    }
    return end_list(at, n);
}

static char *put_ages(char *at, const struct record *row, const double *values, uint16_t n)
{
    static const struct number_format AGE = {
        .resolution = AGE_RESOLUTION_S, .multiple = 1, .decimals = 1, .is_fixed = true};
    const char *before = at = put(at, ",\"age_s\":[");
    float age_before = NAN;
    for (uint16_t i = 0; i < n; i++) {
        const float age = isfinite(values[i]) ? row->reading[i].age_s : NAN;
        const char *own = at;
        if (age == age_before)
            at = put_bytes(at, before, (size_t)(own - before));
        else
            at = put_comma(put_number(at, (double)age, &AGE));
        before = own;
        age_before = age;
    }
    return end_list(at, n);
}

static char *put_readings(char *at, const struct payload_columns *columns, const struct record *row)
{
    double values[RECORD_READINGS_MAX];
    uint8_t qualities[RECORD_READINGS_MAX];
    const uint16_t n = row->n < columns->n ? row->n : columns->n;
    bool names_input = false;
    at = put(at, ",\"values\":[");
    for (uint16_t i = 0; i < n; i++) {
        const struct payload_column *column = &columns->column[i];
        const struct reading *reading = &row->reading[i];
        values[i] = reading->value;
        qualities[i] = payload_quality(reading->quality, false, &values[i]);
        names_input = names_input || point_get(reading->worst_input) != NULL;
        const double sent =
            column->converts ? conversion_apply(&column->conversion, values[i]) : values[i];
        at = put_number(at, sent, &column->format);
        *at++ = ',';
    }
    at = put_qualities(end_list(at, n), qualities, n);
    at = put_ages(at, row, values, n);
    if (columns->with_uncertainty)
        at = put_uncertainties(at, columns, row, values, n);
    return names_input ? put_worst_inputs(at, row, n) : at;
}

void payload_put_row(struct json *json, const struct payload_columns *columns,
                     const struct record *row)
{
    char text[ROW_TEXT_MAX];
    char *at = put_readings(put_head(text, row), columns, row);
    *at++ = '}';
    json_raw(json, text, (size_t)(at - text));
}
