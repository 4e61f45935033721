/* SPDX-License-Identifier: Apache-2.0
 *
 * json.h - JSON into the caller's bytes and out of them: bounded, without allocation, independent
 * of the locale (RFC 8259). Pure.
 *
 * Commas are its own business. Once something did not fit, `full` stays set and nothing more is
 * written; the caller looks once, at the end. A copy of the struct is a place to come back to:
 * assign it back and what was written since is forgotten.
 */
#ifndef UPHOLE_JSON_H
#define UPHOLE_JSON_H

#include "uphole/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct json {
    char *into;
    size_t room, length;
    bool full, comma;
};

/** Starts in `room` bytes at `into`, of which the last is for the NUL. */
void json_begin(struct json *json, char *into, size_t room);
/** Ends with a NUL; returns the length, or 0 (and an empty text) where it did not fit. */
size_t json_end(struct json *json);

void json_open(struct json *json, char bracket);  /* '{' or '[' */
void json_close(struct json *json, char bracket); /* '}' or ']' */
void json_key(struct json *json, const char *name);
/** Text, escaped; bytes that are no valid UTF-8 become U+FFFD. NULL is null. */
void json_text(struct json *json, const char *text);
void json_integer(struct json *json, int64_t value);
void json_unsigned(struct json *json, uint64_t value);
void json_boolean(struct json *json, bool value);
void json_null(struct json *json);
/** Rounded half to even to a multiple of `resolution` (0: as it is); null where it is not finite.
 */
void json_number(struct json *json, double value, double resolution);
/** The n bytes at `text` as one value: JSON that the caller made. */
void json_raw(struct json *json, const char *text, size_t n);
/** As text: 16 hex digits of a run; UTC with milliseconds and Z. */
void json_run(struct json *json, uint64_t run);
void json_time(struct json *json, int64_t utc_ms);
/** A name and its value; json_put_open leaves its array or object to be filled and closed. */
void json_put_text(struct json *json, const char *name, const char *text);
void json_put_unsigned(struct json *json, const char *name, uint64_t value);
void json_put_boolean(struct json *json, const char *name, bool value);
void json_put_number(struct json *json, const char *name, double value, double resolution);
void json_put_run(struct json *json, const char *name, uint64_t run);
void json_put_open(struct json *json, const char *name, char bracket);

/** Length of the well-formed UTF-8 sequence at `at` (Unicode 15, table 3-7), or 0. What is behind it ends with a NUL, which no sequence holds. */
size_t json_utf8_length(const unsigned char *at);

/* ---- reading ---- */

#define JSON_DEPTH_MAX 16
#define JSON_MISSING UINT32_MAX

enum json_kind { JSON_NULL = 1, JSON_BOOLEAN, JSON_NUMBER, JSON_STRING, JSON_ARRAY, JSON_OBJECT };

/** One value. What is in an array or object follows it; of an object a name, then its value. */
struct json_node {
    uint8_t kind;
    uint32_t at, end; /* in the text; of a string what is between its quotation marks */
    uint32_t after;   /* the node behind this one and all that is in it */
};
struct json_doc {
    const char *text; /* borrowed */
    struct json_node *node;
    uint32_t n;
};

/** Reads a whole text into `nodes`; node 0 is its value. UP_E_INPUT (with the byte) where it is no JSON or deeper than JSON_DEPTH_MAX, UP_E_FULL
 *  where it has more values than `room`. */
UP_MUST enum up_rc json_read(struct json_doc *doc, const char *text, size_t length, struct json_node *nodes, size_t room,
                             struct up_error *error);
/** The value of a name (of two that are alike the first), JSON_MISSING where there is none or `node` is no object. All below take JSON_MISSING. */
uint32_t json_member(const struct json_doc *doc, uint32_t node, const char *name);
/** The i-th value of an array, or JSON_MISSING. */
uint32_t json_item(const struct json_doc *doc, uint32_t node, uint32_t i);
/** Walks an array: the first value, then what is behind `item`; JSON_MISSING at the end. */
uint32_t json_first(const struct json_doc *doc, uint32_t node);
uint32_t json_next(const struct json_doc *doc, uint32_t node, uint32_t item);
/** Copies a string, escapes undone. False, and an empty text, where it is none, holds a NUL, or does not fit. */
bool json_get_text(const struct json_doc *doc, uint32_t node, char *into, size_t room);
bool json_is_text(const struct json_doc *doc, uint32_t node, const char *text);
/** False, leaving *out, where it is no number, or one of more than 18 digits. */
bool json_get_number(const struct json_doc *doc, uint32_t node, double *out);
bool json_get_unsigned(const struct json_doc *doc, uint32_t node, uint64_t *out);
bool json_get_boolean(const struct json_doc *doc, uint32_t node, bool *out);

#endif
