/* SPDX-License-Identifier: Apache-2.0
 *
 * trace_text.c - a trace's head and events as lines of text (pure). docs/trace.md describes them;
 * trace_read.c reads them back.
 */
#include "trace_words.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define HINT_COLUMN 64

const struct trace_word TRACE_WORDS[TRACE_KINDS] = {
    [TRACE_OPEN] = {"open", TRACE_TAKES_NOTHING},
    [TRACE_NOT_OPEN] = {"not_open", TRACE_TAKES_WHY},
    [TRACE_CLOSE] = {"close", TRACE_TAKES_NOTHING},
    [TRACE_SENT] = {"sent", TRACE_TAKES_BYTES},
    [TRACE_NOT_SENT] = {"not_sent", TRACE_TAKES_BYTES | TRACE_TAKES_WHY},
    [TRACE_RECEIVED] = {"received", TRACE_TAKES_BYTES},
    [TRACE_TIMEOUT] = {"timeout", TRACE_TAKES_SPAN},
    [TRACE_FLUSH] = {"flush", TRACE_TAKES_NOTHING},
    [TRACE_GONE] = {"gone", TRACE_TAKES_WHY},
    [TRACE_CUT] = {"cut", TRACE_TAKES_COUNT},
    [TRACE_END] = {"end", TRACE_TAKES_NOTHING},
};

const char *trace_kind_name(uint8_t kind)
{
    return kind > TRACE_NONE && kind < TRACE_KINDS ? TRACE_WORDS[kind].name : "none";
}

static size_t put_span(char *into, size_t room, const char *sign, int64_t us)
{
    return (size_t)snprintf(into, room, "%s%" PRId64 ".%06" PRId64, sign, us / 1000000,
                            us % 1000000);
}

size_t trace_put_head(const struct trace_about *about, char into[static TRACE_LINE_MAX])
{
    const bool is_tcp = about->medium == LINE_MEDIUM_TCP;
    char wire[64] = "tcp mbap", start[STAMP_TEXT_MAX], grid[32];
    if (!is_tcp || about->framing == LINE_FRAMING_RTU)
        snprintf(wire, sizeof wire, "%s rtu %" PRIu32 " %u%c%u", is_tcp ? "tcp" : "serial",
                 about->baud, about->data_bits, about->parity, about->stop_bits);
    const int64_t before_us = -about->grid_us;
    put_span(grid, sizeof grid, before_us > 0 ? "-" : "+", before_us > 0 ? before_us : -before_us);
    return (size_t)snprintf(into, TRACE_LINE_MAX,
                            "uphole-trace %d\nline %s\nwire %s\nplan %s\nrun %" PRIu64
                            "\nstart %s\ngrid %s\nlistens_first %s\nseed %" PRIu32 "\nbegin\n",
                            TRACE_VERSION, about->line, wire, about->plan, about->run,
                            stamp_to_text(about->start_utc_ms, start), grid,
                            about->listens_first ? "yes" : "no", about->seed);
}

static size_t put_bytes(char *into, const uint8_t *bytes, size_t n)
{
    static const char DIGITS[] = "0123456789ABCDEF";
    for (size_t i = 0; i < n; i++) {
        into[3 * i] = ' ';
        into[3 * i + 1] = DIGITS[bytes[i] >> 4];
        into[3 * i + 2] = DIGITS[bytes[i] & 15];
    }
    return 3 * n;
}

/** In quotation marks, printable ASCII; whatever else it holds as \xHH. */
static size_t put_why(char *into, const char *why)
{
    size_t n = 0;
    into[n++] = ' ';
    into[n++] = '"';
    for (size_t i = 0; why[i] != '\0' && i < TRACE_WHY_MAX; i++) {
        const unsigned char c = (unsigned char)why[i];
        if (c < 0x20 || c > 0x7E || c == '"' || c == '\\')
            n += (size_t)snprintf(into + n, 5, "\\x%02X", c);
        else
            into[n++] = (char)c;
    }
    into[n++] = '"';
    return n;
}

/** Worst: time 28, word 9, bytes 3 * 1024, reason 4 * 120 + 3, hint 160 + 4. */
_Static_assert(TRACE_LINE_MAX >= 64 + 3 * TRACE_BYTES_MAX + 4 * TRACE_WHY_MAX + TRACE_HINT_MAX,
               "a line holds any event");

size_t trace_put_event(const struct trace_event *event, const char *hint,
                       char into[static TRACE_LINE_MAX])
{
    const unsigned takes = TRACE_WORDS[event->kind].takes;
    size_t n = put_span(into, TRACE_LINE_MAX, "+", event->at_us);
    n += (size_t)snprintf(into + n, TRACE_LINE_MAX - n, " %s", trace_kind_name(event->kind));
    if (takes & TRACE_TAKES_BYTES)
        n += put_bytes(into + n, event->bytes, event->n);
    if (takes & TRACE_TAKES_WHY)
        n += put_why(into + n, event->why);
    if (takes & TRACE_TAKES_SPAN)
        n += put_span(into + n, TRACE_LINE_MAX - n, " ", event->amount);
    if (takes & TRACE_TAKES_COUNT)
        n += (size_t)snprintf(into + n, TRACE_LINE_MAX - n, " %" PRId64, event->amount);
    if (hint != NULL && hint[0] != '\0') {
        const int pad = n < HINT_COLUMN ? (int)(HINT_COLUMN - n) : 1;
        n += (size_t)snprintf(into + n, TRACE_LINE_MAX - n, "%*s# %.*s", pad, "", TRACE_HINT_MAX,
                              hint);
    }
    into[n++] = '\n';
    into[n] = '\0';
    return n;
}
