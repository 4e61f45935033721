/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_drain_write.c - see bench_drain_write.h.
 *
 * The file holds, in this machine's byte order: number of names, then each (length 4, text); then
 * messages: lengths of topic, head and whole text (4 each; 0: the text isn't given), number of rows
 * (4), topic with NUL, head, whole text; then its rows: UTC ms (8), seq (8), points (2), names of
 * source, clock and outcome (1 each), decimals (1 a point), quality (1 a point), value (8 a point),
 * age (4 a point), length of what stands behind (2), that text.
 *
 * A message's head is copied, as is what names worst inputs: the publisher that this is for has
 * nothing but numbers to write.
 */
#include "bench_drain_write.h"

#include "uphole/quantity.h"
#include "uphole/stamp.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define NAMES_MAX 64
#define DECIMALS_MAX 10

struct written {
    const char *topic, *head, *text, *rows;
    uint32_t head_length, text_length, n_rows;
};
struct drain_rows {
    char *name[NAMES_MAX];
    size_t n;
    struct written *message;
    struct number_format format[DECIMALS_MAX];
};
struct row {
    int64_t utc_ms;
    uint64_t seq;
    uint16_t n, behind_length;
    const uint8_t *source, *clock, *outcome, *decimals, *qualities;
    const char *values, *ages, *behind;
};

static void fail(const char *what)
{
    fprintf(stderr, "bench_drain_peer: %s\n", what);
    exit(1);
}

static const char *take(const char **at, void *into, size_t n)
{
    memcpy(into, *at, n);
    *at += n;
    return *at;
}

static const char *take_row(const char *at, struct row *row)
{
    take(&at, &row->utc_ms, 8);
    take(&at, &row->seq, 8);
    take(&at, &row->n, 2);
    row->source = (const uint8_t *)at++;
    row->clock = (const uint8_t *)at++;
    row->outcome = (const uint8_t *)at++;
    row->decimals = (const uint8_t *)at;
    row->qualities = row->decimals + row->n;
    row->values = (const char *)(row->qualities + row->n);
    row->ages = row->values + 8 * (size_t)row->n;
    at = row->ages + 4 * (size_t)row->n;
    take(&at, &row->behind_length, 2);
    row->behind = at;
    return at + row->behind_length;
}

/* ---- text ---- */

static char *put(char *at, const char *text)
{
    const size_t n = strlen(text);
    memcpy(at, text, n);
    return at + n;
}

static char *put_number(const struct drain_rows *rows, bool with_printf, unsigned decimals,
                        double value, char *at)
{
    if (isnan(value))
        return put(at, "null");
    if (with_printf)
        return at + snprintf(at, NUMBER_TEXT_MAX, "%.*f", (int)decimals, value);
    return at + number_to_text_as(value, &rows->format[decimals], at);
}

static char *put_time(bool with_printf, int64_t utc_ms, char *at)
{
    if (!with_printf)
        return at + strlen(stamp_to_text(utc_ms, at));
    const time_t s = (time_t)(utc_ms / 1000);
    struct tm tm;
    gmtime_r(&s, &tm);
    return at + snprintf(at, STAMP_TEXT_MAX, "%04d-%02d-%02dT%02d:%02d:%02d.%03dZ",
                         tm.tm_year + 1900, tm.tm_mon + 1, tm.tm_mday, tm.tm_hour, tm.tm_min,
                         tm.tm_sec, (int)(utc_ms % 1000));
}

static char *put_row(const struct drain_rows *rows, bool with_printf, const struct row *row,
                     char *at)
{
    double value;
    float age;
    at = put(put(at, "{\"source\":\""), rows->name[*row->source]);
    at += snprintf(at, 64, "\",\"seq\":%" PRIu64 ",\"revision\":0,\"time\":\"", row->seq);
    at = put(put(put_time(with_printf, row->utc_ms, at), "\",\"clock\":\""),
             rows->name[*row->clock]);
    at = put(put(put(at, "\",\"outcome\":\""), rows->name[*row->outcome]), "\",\"values\":[");
    for (uint16_t i = 0; i < row->n; i++) {
        memcpy(&value, row->values + 8 * (size_t)i, sizeof value);
        at = put_number(rows, with_printf, row->decimals[i], value, at);
        *at++ = ',';
    }
    at = put(at - (row->n > 0), "],\"qualities\":[");
    for (uint16_t i = 0; i < row->n; i++) {
        at = put_number(rows, with_printf, 0, row->qualities[i], at);
        *at++ = ',';
    }
    at = put(at - (row->n > 0), "],\"age_s\":[");
    for (uint16_t i = 0; i < row->n; i++) {
        memcpy(&age, row->ages + 4 * (size_t)i, sizeof age);
        at = put_number(rows, with_printf, 1, (double)age, at);
        *at++ = ',';
    }
    at = put(at - (row->n > 0), "]");
    memcpy(at, row->behind, row->behind_length);
    at += row->behind_length;
    *at++ = '}';
    return at;
}

size_t drain_rows_write(const struct drain_rows *rows, size_t i, bool with_printf,
                        char into[static DRAIN_MESSAGE_MAX])
{
    const struct written *message = &rows->message[i];
    char *at = into;
    const char *from = message->rows;
    memcpy(at, message->head, message->head_length);
    at += message->head_length;
    for (uint32_t k = 0; k < message->n_rows; k++) {
        struct row row;
        from = take_row(from, &row);
        at = put_row(rows, with_printf, &row, at);
        *at++ = ',';
    }
    at = put(at - 1, "]}");
    return (size_t)(at - into);
}

char *drain_rows_topic(const struct drain_rows *rows, size_t i)
{
    return (char *)(uintptr_t)rows->message[i].topic;
}

/* ---- reading ---- */

static char *whole_file(const char *path, size_t *length)
{
    FILE *file = fopen(path, "rb");
    if (file == NULL || fseek(file, 0, SEEK_END) != 0)
        fail("the file can't be read");
    const long size = ftell(file);
    char *bytes = size > 0 ? malloc((size_t)size) : NULL;
    rewind(file);
    if (bytes == NULL || fread(bytes, 1, (size_t)size, file) != (size_t)size)
        fail("the file can't be read");
    fclose(file);
    *length = (size_t)size;
    return bytes;
}

static const char *take_message(struct drain_rows *rows, const char *at)
{
    uint32_t topic_length;
    rows->message = realloc(rows->message, (rows->n + 1) * sizeof *rows->message);
    if (rows->message == NULL)
        fail("no memory");
    struct written *message = &rows->message[rows->n++];
    take(&at, &topic_length, 4);
    take(&at, &message->head_length, 4);
    take(&at, &message->text_length, 4);
    take(&at, &message->n_rows, 4);
    message->topic = at;
    message->head = at + topic_length + 1;
    message->text = message->head + message->head_length;
    message->rows = at = message->text + message->text_length;
    for (uint32_t k = 0; k < message->n_rows; k++) {
        struct row row;
        at = take_row(at, &row);
    }
    return at;
}

/** What is written must be what was published, else the comparison says nothing. */
static void check(const struct drain_rows *rows)
{
    static char text[DRAIN_MESSAGE_MAX];
    for (size_t i = 0; i < rows->n; i++)
        for (unsigned how = 0; how < 2 && rows->message[i].text_length > 0; how++)
            if (drain_rows_write(rows, i, how == 0, text) != rows->message[i].text_length ||
                memcmp(text, rows->message[i].text, rows->message[i].text_length) != 0)
                fail("the text that is written is not the text that was published");
}

size_t drain_rows_read(const char *path, struct drain_rows **out)
{
    static struct drain_rows rows;
    size_t length = 0;
    const char *at = whole_file(path, &length), *end = at + length;
    uint32_t names = 0, n = 0;
    take(&at, &names, 4);
    for (uint32_t i = 0; i < names && i < NAMES_MAX; i++) {
        take(&at, &n, 4);
        rows.name[i] = strndup(at, n);
        at += n;
    }
    for (unsigned d = 0; d < DECIMALS_MAX; d++)
        rows.format[d] = number_format_of(pow(10.0, -(double)d));
    while (at < end)
        at = take_message(&rows, at);
    check(&rows);
    *out = &rows;
    return rows.n;
}
