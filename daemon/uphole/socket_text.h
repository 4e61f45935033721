/* SPDX-License-Identifier: Apache-2.0
 *
 * socket_text.h - an answer that grows in a buffer of fixed size; what does not fit is cut and
 * said.
 */
#ifndef UPHOLE_SOCKET_TEXT_H
#define UPHOLE_SOCKET_TEXT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct socket_text {
    char *at;
    size_t room, n; /* n < room; at[n] is a NUL */
    bool cut;       /* something did not fit */
};

__attribute__((format(printf, 2, 3))) void text_add(struct socket_text *text, const char *format,
                                                    ...);
/** A JSON string with its quotation marks. `value` is UTF-8. */
void text_add_string(struct socket_text *text, const char *value);
/** A JSON number, or null where it is not finite. `resolution` as in number_to_text. */
void text_add_number(struct socket_text *text, double value, double resolution);
/** A JSON string with an instant, or null where it is 0. */
void text_add_instant(struct socket_text *text, int64_t utc_ms);
/** "since 2031-03-01 06:00:05Z (31 min)", or nothing where the instant is 0. */
void text_add_since(struct socket_text *text, int64_t since_utc_ms, int64_t now_utc_ms);
/** Of an order whose arguments are no words of it: says so, and returns the code. */
int text_not_understood(struct socket_text *text);

#endif
