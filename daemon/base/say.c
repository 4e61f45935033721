/* SPDX-License-Identifier: Apache-2.0
 *
 * say.c - log lines to standard error, one write(2) a line.
 *
 * A line can't be forged: whatever the sentence holds, control characters in it become blanks, so
 * one call is one line.
 */
#include "uphole/say.h"

#include <errno.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define LINE_MAX_BYTES 1024

static const char *level_name(enum say_level level)
{
    return level <= SAY_ERROR ? "error" : level <= SAY_WARNING ? "warning" : "info";
}

void say(enum say_level level, const char *room, const char *format, ...)
{
    int kept_errno = errno;
    char line[LINE_MAX_BYTES];
    char mark[8] = "";
    if (!isatty(STDERR_FILENO))
        snprintf(mark, sizeof mark, "<%d>", (int)level);
    int head = snprintf(line, sizeof line, "%s%s %s: ", mark, level_name(level), room);
    size_t used = head < 0 ? 0 : (size_t)head;
    if (used > sizeof line - 2)
        used = sizeof line - 2;
    va_list arguments;
    va_start(arguments, format);
    int body = vsnprintf(line + used, sizeof line - 1 - used, format, arguments);
    va_end(arguments);
    size_t end = body < 0 ? used : used + (size_t)body;
    if (end > sizeof line - 2) {
        end = sizeof line - 2;
        while (end > used && ((unsigned char)line[end] & 0xC0) == 0x80)
            end--;
    }
    for (size_t i = 0; i < end; i++)
        if ((unsigned char)line[i] < 0x20 || line[i] == 0x7F)
            line[i] = ' ';
    line[end++] = '\n';
    ssize_t written = write(STDERR_FILENO, line, end);
    (void)written; /* there is nowhere left to report that standard error is gone */
    errno = kept_errno;
}

/**
 * Length of the valid UTF-8 character at `text` (RFC 3629: no overlong form, no surrogate, at most
 * U+10FFFF), 0 where there is none; `code` receives the character.
 */
static size_t utf8_length(const unsigned char *text, size_t length, uint32_t *code)
{
    static const struct {
        unsigned char mask, lead;
        uint32_t least;
    } FORMS[] = {{0x80, 0x00, 0}, {0xE0, 0xC0, 0x80}, {0xF0, 0xE0, 0x800}, {0xF8, 0xF0, 0x10000}};
    for (size_t n = 0; n < 4; n++) {
        if ((text[0] & FORMS[n].mask) != FORMS[n].lead)
            continue;
        if (n >= length)
            return 0;
        uint32_t c = text[0] & (unsigned char)~FORMS[n].mask;
        for (size_t i = 1; i <= n; i++) {
            if ((text[i] & 0xC0) != 0x80)
                return 0;
            c = c << 6 | (text[i] & 0x3F);
        }
        *code = c;
        return c < FORMS[n].least || (c >= 0xD800 && c <= 0xDFFF) || c > 0x10FFFF ? 0 : n + 1;
    }
    return 0;
}

/** Controls (C0, DEL, C1), line separators and marks that turn the writing direction: a terminal
 * would obey them. */
static bool is_unsafe(uint32_t code)
{
    return code < 0x20 || (code >= 0x7F && code <= 0x9F) || (code >= 0x200E && code <= 0x200F) ||
           (code >= 0x2028 && code <= 0x202E) || (code >= 0x2066 && code <= 0x2069);
}

size_t say_escape(char *into, size_t room, const char *text, size_t length)
{
    static const char HEX[] = "0123456789abcdef";
    const unsigned char *bytes = (const unsigned char *)text;
    size_t used = 0, at = 0;
    if (room == 0)
        return 0;
    while (at < length) {
        uint32_t code = 0;
        size_t n = utf8_length(bytes + at, length - at, &code);
        bool as_is = n > 0 && !is_unsafe(code);
        size_t take = n > 0 ? n : 1;
        size_t need = as_is ? n : 4 * take;
        if (used + need > room - 1)
            break;
        for (size_t i = 0; i < take; i++) {
            unsigned char byte = bytes[at + i];
            if (as_is) {
                into[used++] = (char)byte;
                continue;
            }
            into[used++] = '\\';
            into[used++] = 'x';
            into[used++] = HEX[byte >> 4];
            into[used++] = HEX[byte & 15];
        }
        at += take;
    }
    into[used] = '\0';
    return used;
}
