/* SPDX-License-Identifier: Apache-2.0
 *
 * json.h - a small JSON generator into the caller's bytes: bounded, without allocation, independent
 * of the locale (RFC 8259).
 *
 * Commas are its own business. Once something did not fit, `full` stays set and nothing more is
 * written; the caller looks once, at the end. A copy of the struct is a place to come back to:
 * assign it back and what was written since is forgotten.
 */
#ifndef UPHOLE_PUBLISH_JSON_H
#define UPHOLE_PUBLISH_JSON_H

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

#endif
