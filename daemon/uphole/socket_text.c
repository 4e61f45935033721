/* SPDX-License-Identifier: Apache-2.0
 *
 * socket_text.c - see socket_text.h.
 */
#include "socket_text.h"

#include "uphole/quantity.h"
#include "uphole/stamp.h"

#include <stdarg.h>
#include <stdio.h>
#include <sysexits.h>

void text_add(struct socket_text *text, const char *format, ...)
{
    va_list arguments;
    if (text->cut)
        return;
    va_start(arguments, format);
    const int n = vsnprintf(text->at + text->n, text->room - text->n, format, arguments);
    va_end(arguments);
    if (n < 0 || (size_t)n >= text->room - text->n) {
        text->at[text->n] = '\0';
        text->cut = true;
        return;
    }
    text->n += (size_t)n;
}

void text_add_string(struct socket_text *text, const char *value)
{
    text_add(text, "\"");
    for (; *value != '\0'; value++) {
        const unsigned char c = (unsigned char)*value;
        if (c == '"' || c == '\\')
            text_add(text, "\\%c", c);
        else if (c < 0x20)
            text_add(text, "\\u%04x", c);
        else
            text_add(text, "%c", c);
    }
    text_add(text, "\"");
}

void text_add_number(struct socket_text *text, double value, double resolution)
{
    char number[NUMBER_TEXT_MAX];
    text_add(text, "%s", number_to_text(value, resolution, number) > 0 ? number : "null");
}

void text_add_instant(struct socket_text *text, int64_t utc_ms)
{
    char instant[STAMP_TEXT_MAX];
    if (utc_ms == 0)
        text_add(text, "null");
    else
        text_add(text, "\"%s\"", stamp_to_text(utc_ms, instant));
}

void text_add_since(struct socket_text *text, int64_t since_utc_ms, int64_t now_utc_ms)
{
    char instant[STAMP_TEXT_MAX], span[STAMP_TEXT_MAX];
    if (since_utc_ms == 0)
        return;
    const int64_t ms = now_utc_ms > since_utc_ms ? now_utc_ms - since_utc_ms : 0;
    text_add(text, " since %s (%s)", stamp_to_short_text(since_utc_ms, instant),
             duration_to_text(ms, span));
}

int text_not_understood(struct socket_text *text)
{
    text_add(text, "The order is not understood; the program that gives it may be of another "
                   "version.");
    return EX_USAGE;
}
