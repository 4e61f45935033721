/* SPDX-License-Identifier: Apache-2.0
 *
 * say.h - log lines: one plain sentence an event (points.md: what happened, since when, what to do).
 * Written to standard error, with the `<n>` prefix of sd-daemon(3) where no terminal reads them. Not for pure code.
 */
#ifndef UPHOLE_SAY_H
#define UPHOLE_SAY_H

#include <stddef.h>

enum say_level { SAY_ERROR = 3, SAY_WARNING = 4, SAY_INFO = 6 };

/** One line: `level room: sentence`. A single write(2), so that lines of several threads do not mix. At most 1,024 bytes. */
__attribute__((format(printf, 3, 4))) void say(enum say_level level, const char *room,
                                               const char *format, ...);

/**
 * Copies text from outside (reason strings, identification objects) so that it is safe to show: bytes below 0x20, 0x7F,
 * and anything that is no valid UTF-8 become `\xNN`; the result is cut to `room` bytes with a NUL. Returns its length.
 */
size_t say_escape(char *into, size_t room, const char *text, size_t length);

#endif
