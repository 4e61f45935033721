/* SPDX-License-Identifier: Apache-2.0
 *
 * replay_json.h - looks into JSON text that somebody else wrote (RFC 8259): without allocation,
 * bounded, nothing is believed. A value is a piece of the text.
 */
#ifndef UPHOLE_REPLAY_JSON_H
#define UPHOLE_REPLAY_JSON_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** One value; n 0: none. Its text was checked by peek_whole. */
struct peek {
    const char *at;
    size_t n;
};

/** True where the n bytes are one JSON value, with white space around it, nested 16 deep at most.
 */
bool peek_whole(const char *text, size_t n, struct peek *out);
/** A member of an object by its name as it stands between the quotation marks; the first such. */
struct peek peek_member(struct peek object, const char *name);
/** The element behind `before` (n 0: the first one) of an array; n 0 behind the last. */
struct peek peek_next(struct peek array, struct peek before);
bool peek_is_null(struct peek value);
bool peek_number(struct peek value, double *out);
bool peek_unsigned(struct peek value, uint64_t *out);
/** A string without escapes that fits, with a NUL; \" and \\ are taken too. */
bool peek_text(struct peek value, char *into, size_t room);
/** The same text. */
bool peek_equal(struct peek a, struct peek b);

#endif
