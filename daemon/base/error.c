/* SPDX-License-Identifier: Apache-2.0
 *
 * error.c - writes the reason of a failure once, where it is known.
 *
 * The text is made in a local buffer first, so that a caller may pass the error's own `why` as an
 * argument.
 */
#include "uphole/error.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

/** Copies what fits and cuts at the start of a UTF-8 character, never inside one. */
static void copy_cut(char into[static UP_WHY_MAX], const char *text)
{
    size_t length = strlen(text);
    if (length > UP_WHY_MAX - 1) {
        length = UP_WHY_MAX - 1;
        while (length > 0 && ((unsigned char)text[length] & 0xC0) == 0x80)
            length--;
    }
    memmove(into, text, length);
    into[length] = '\0';
}

enum up_rc up_fail(struct up_error *error, enum up_rc rc, int sys_errno, const char *file, int line,
                   const char *format, ...)
{
    if (error == NULL)
        return rc;
    int kept_errno = errno;
    char text[2 * UP_WHY_MAX];
    va_list arguments;
    va_start(arguments, format);
    if (vsnprintf(text, sizeof text, format, arguments) < 0)
        text[0] = '\0';
    va_end(arguments);
    error->rc = rc;
    error->sys_errno = sys_errno;
    error->file = file;
    error->line = line;
    copy_cut(error->why, text);
    errno = kept_errno;
    return rc;
}

void up_error_prefix(struct up_error *error, const char *format, ...)
{
    if (error == NULL)
        return;
    int kept_errno = errno;
    char prefix[UP_WHY_MAX], text[2 * UP_WHY_MAX + 2];
    va_list arguments;
    va_start(arguments, format);
    if (vsnprintf(prefix, sizeof prefix, format, arguments) < 0)
        prefix[0] = '\0';
    va_end(arguments);
    snprintf(text, sizeof text, "%s: %s", prefix, error->why);
    copy_cut(error->why, text);
    errno = kept_errno;
}

static const int EXIT_CODES[] = {
    [UP_OK] = EX_OK,
    [UP_E_USAGE] = EX_USAGE,
    [UP_E_CONFIG] = EX_CONFIG,
    [UP_E_INPUT] = EX_DATAERR,
    [UP_E_RANGE] = EX_DATAERR,
    [UP_E_TIMEOUT] = EX_TEMPFAIL,
    [UP_E_FRAME] = EX_PROTOCOL,
    [UP_E_PORT] = EX_UNAVAILABLE,
    [UP_E_DISK] = EX_IOERR,
    [UP_E_NEWER] = EX_DATAERR,
    [UP_E_LOCKED] = EX_TEMPFAIL,
    [UP_E_MISSING] = EX_NOINPUT,
    [UP_E_FULL] = EX_TEMPFAIL,
    [UP_E_MEMORY] = EX_OSERR,
    [UP_E_FOREIGN] = EX_IOERR,
    [UP_E_SYSTEM] = EX_OSERR,
};
_Static_assert(sizeof EXIT_CODES / sizeof EXIT_CODES[0] == UP_E_SYSTEM + 1, "one exit code a kind");

int up_exit_code(enum up_rc rc)
{
    if ((unsigned)rc >= sizeof EXIT_CODES / sizeof EXIT_CODES[0])
        return EX_SOFTWARE;
    return EXIT_CODES[rc];
}
