/* SPDX-License-Identifier: Apache-2.0
 *
 * json.c - a small JSON generator into the caller's bytes (RFC 8259).
 *
 * Numbers come from number_to_text, which knows no locale and never writes NaN, infinity or an
 * exponent.
 */
#include "uphole/json.h"

#include "uphole/quantity.h"
#include "uphole/stamp.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

static void put_bytes(struct json *json, const char *bytes, size_t n)
{
    if (json->full || n >= json->room - json->length) {
        json->full = true;
        return;
    }
    memcpy(json->into + json->length, bytes, n);
    json->length += n;
}

static void put_value(struct json *json, const char *bytes, size_t n)
{
    if (json->comma)
        put_bytes(json, ",", 1);
    put_bytes(json, bytes, n);
    json->comma = true;
}

void json_begin(struct json *json, char *into, size_t room)
{
    *json = (struct json){.into = into, .room = room, .full = room == 0};
}

size_t json_end(struct json *json)
{
    if (json->room == 0)
        return 0;
    if (json->full)
        json->length = 0;
    json->into[json->length] = '\0';
    return json->length;
}

void json_open(struct json *json, char bracket)
{
    put_value(json, &bracket, 1);
    json->comma = false;
}

void json_close(struct json *json, char bracket)
{
    put_bytes(json, &bracket, 1);
    json->comma = true;
}

size_t json_utf8_length(const unsigned char *at)
{
    if (at[0] < 0x80)
        return 1;
    if (at[0] >= 0xC2 && at[0] <= 0xDF)
        return (at[1] & 0xC0) == 0x80 ? 2 : 0;
    if (at[0] >= 0xE0 && at[0] <= 0xEF) {
        unsigned low = at[0] == 0xE0 ? 0xA0 : 0x80, high = at[0] == 0xED ? 0x9F : 0xBF;
        return at[1] >= low && at[1] <= high && (at[2] & 0xC0) == 0x80 ? 3 : 0;
    }
    if (at[0] >= 0xF0 && at[0] <= 0xF4) {
        unsigned low = at[0] == 0xF0 ? 0x90 : 0x80, high = at[0] == 0xF4 ? 0x8F : 0xBF;
        if (at[1] < low || at[1] > high || (at[2] & 0xC0) != 0x80)
            return 0;
        return (at[3] & 0xC0) == 0x80 ? 4 : 0;
    }
    return 0;
}

static void put_escaped(struct json *json, const char *text)
{
    const unsigned char *at = (const unsigned char *)text;
    while (*at != '\0' && !json->full) {
        size_t n = 0;
        while (at[n] >= 0x20 && at[n] < 0x7F && at[n] != '"' && at[n] != '\\')
            n++; /* nearly all text: as it stands, in one piece */
        if (n > 0) {
            put_bytes(json, (const char *)at, n);
            at += n;
            continue;
        }
        n = json_utf8_length(at);
        char escape[8];
        if (n == 0) {
            put_bytes(json, "\\ufffd", 6);
            at++;
        } else if (*at == '"' || *at == '\\') {
            escape[0] = '\\';
            escape[1] = (char)*at++;
            put_bytes(json, escape, 2);
        } else if (*at < 0x20 || *at == 0x7F) {
            snprintf(escape, sizeof escape, "\\u%04x", *at++);
            put_bytes(json, escape, 6);
        } else {
            put_bytes(json, (const char *)at, n);
            at += n;
        }
    }
}

void json_text(struct json *json, const char *text)
{
    if (text == NULL) {
        json_null(json);
        return;
    }
    put_value(json, "\"", 1);
    put_escaped(json, text);
    put_bytes(json, "\"", 1);
}

void json_key(struct json *json, const char *name)
{
    json_text(json, name);
    put_bytes(json, ":", 1);
    json->comma = false;
}

void json_integer(struct json *json, int64_t value)
{
    char text[32];
    int n = snprintf(text, sizeof text, "%" PRId64, value);
    put_value(json, text, (size_t)n);
}

void json_unsigned(struct json *json, uint64_t value)
{
    char text[32];
    int n = snprintf(text, sizeof text, "%" PRIu64, value);
    put_value(json, text, (size_t)n);
}

void json_boolean(struct json *json, bool value)
{
    if (value)
        put_value(json, "true", 4);
    else
        put_value(json, "false", 5);
}

void json_null(struct json *json)
{
    put_value(json, "null", 4);
}

void json_number(struct json *json, double value, double resolution)
{
    char text[NUMBER_TEXT_MAX];
    size_t n = number_to_text(value, resolution, text);
    if (n > 0)
        put_value(json, text, n);
    else
        json_null(json);
}

void json_raw(struct json *json, const char *text, size_t n)
{
    put_value(json, text, n);
}

void json_run(struct json *json, uint64_t run)
{
    char text[24];
    snprintf(text, sizeof text, "%016" PRIx64, run);
    json_text(json, text);
}

void json_time(struct json *json, int64_t utc_ms)
{
    char text[STAMP_TEXT_MAX];
    json_text(json, stamp_to_text(utc_ms, text));
}

void json_put_text(struct json *json, const char *name, const char *text)
{
    json_key(json, name);
    json_text(json, text);
}

void json_put_unsigned(struct json *json, const char *name, uint64_t value)
{
    json_key(json, name);
    json_unsigned(json, value);
}

void json_put_boolean(struct json *json, const char *name, bool value)
{
    json_key(json, name);
    json_boolean(json, value);
}

void json_put_number(struct json *json, const char *name, double value, double resolution)
{
    json_key(json, name);
    json_number(json, value, resolution);
}

void json_put_run(struct json *json, const char *name, uint64_t run)
{
    json_key(json, name);
    json_run(json, run);
}

void json_put_open(struct json *json, const char *name, char bracket)
{
    json_key(json, name);
    json_open(json, bracket);
}
