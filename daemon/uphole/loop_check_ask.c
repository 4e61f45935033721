/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_ask.c - the keyboard and the screen of `uphole loop-check`. While a person thinks,
 * what the broker sends is taken.
 */
#include "loop_check.h"

#include <errno.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define COLUMNS 100
#define SLICE_MS 1000

volatile sig_atomic_t loop_is_stopped;

int64_t loop_utc_ms(const struct loop_check *check)
{
    return check->clock.utc_us(check->clock.context) / 1000;
}

void loop_say(int indent, const char *format, ...)
{
    char text[1600];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    for (const char *at = text; *at != '\0';) {
        const size_t room = (size_t)(COLUMNS - indent);
        size_t n = strlen(at);
        if (n > room) {
            n = room;
            while (n > 0 && at[n] != ' ')
                n--;
            if (n == 0)
                n = room;
        }
        printf("%*s%.*s\n", indent, "", (int)n, at);
        at += n;
        while (*at == ' ')
            at++;
    }
    fflush(stdout);
}

void loop_clean(char *text)
{
    for (unsigned char *at = (unsigned char *)text; *at != '\0';) {
        const size_t n = json_utf8_length(at);
        if (n == 0)
            *at = '?';
        else if (n == 1 && (*at < 0x20 || *at == 0x7F))
            *at = ' ';
        at += n > 0 ? n : 1;
    }
}

/** A whole line of what was typed, if there is one; the rest stays. */
static bool take_line(struct loop_check *check, char into[static LOOP_LINE_MAX])
{
    const char *end = memchr(check->input, '\n', check->input_n);
    if (end == NULL && check->input_n < sizeof check->input && !check->input_ended)
        return false;
    size_t n = end != NULL ? (size_t)(end - check->input) : check->input_n;
    if (end == NULL && n == 0)
        return false;
    const size_t used = end != NULL ? n + 1 : n;
    size_t from = 0;
    while (from < n && (check->input[from] == ' ' || check->input[from] == '\t'))
        from++;
    while (n > from && strchr(" \t\r", check->input[n - 1]) != NULL)
        n--;
    snprintf(into, LOOP_LINE_MAX, "%.*s", (int)(n - from), check->input + from);
    loop_clean(into);
    check->input_n -= used;
    memmove(check->input, check->input + used, check->input_n);
    return true;
}

enum asked_end loop_ask(struct loop_check *check, const char *prompt,
                        char into[static LOOP_LINE_MAX])
{
    printf("%s", prompt);
    fflush(stdout);
    for (;;) {
        if (loop_is_stopped)
            return ASKED_STOP;
        if (take_line(check, into))
            return ASKED_LINE;
        if (check->input_ended)
            return ASKED_STOP;
        struct pollfd wait[] = {{.fd = STDIN_FILENO, .events = POLLIN},
                                {.fd = hear_fd(check), .events = POLLIN}};
        const int ready = poll(wait, 2, SLICE_MS);
        if (ready < 0)
            continue; /* a signal */
        hear_step(check, 0);
        if (wait[0].revents == 0)
            continue;
        const ssize_t got =
            read(STDIN_FILENO, check->input + check->input_n, sizeof check->input - check->input_n);
        if (got > 0)
            check->input_n += (size_t)got;
        else if (got == 0 || errno != EINTR)
            check->input_ended = true;
    }
}

bool loop_wait(struct loop_check *check, int64_t ms)
{
    const int64_t until_ms = clock_boot_ms(&check->clock) + ms;
    while (!loop_is_stopped) {
        const int64_t left_ms = until_ms - clock_boot_ms(&check->clock);
        if (left_ms <= 0)
            return true;
        struct pollfd wait = {.fd = hear_fd(check), .events = POLLIN};
        (void)poll(&wait, 1, left_ms < SLICE_MS ? (int)left_ms : SLICE_MS);
        hear_step(check, 0);
    }
    return false;
}
