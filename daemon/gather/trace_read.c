/* SPDX-License-Identifier: Apache-2.0
 *
 * trace_read.c - reads a trace's text, strictly: each fault is named with file and line (pure, but
 * for the memory of a whole file).
 *
 * A comment runs from `#` to the end of its line; outside the quotation marks of a reason no word
 * holds one. Invariant: what trace_text.c wrote is read back as it was.
 */
#include "trace_words.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/** A line as it is being taken apart. */
struct scanner {
    const char *at, *end;
};

#define FAIL(reader, error, ...) fail((reader), (error), __VA_ARGS__)

__attribute__((format(printf, 3, 4))) static enum up_rc
fail(const struct trace_reader *reader, struct up_error *error, const char *format, ...)
{
    char text[UP_WHY_MAX];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    return UP_FAIL(error, UP_E_INPUT, "%.120s:%u: %s", reader->name, reader->line, text);
}

static bool take(struct scanner *scanner, const char *text)
{
    const size_t n = strlen(text);
    if ((size_t)(scanner->end - scanner->at) < n || memcmp(scanner->at, text, n) != 0)
        return false;
    scanner->at += n;
    return true;
}

static bool is_done(const struct scanner *scanner)
{
    return scanner->at == scanner->end;
}

/** Decimal digits without a leading zero, up to `most`. */
static bool take_number(struct scanner *scanner, uint64_t most, uint64_t *out)
{
    const char *from = scanner->at;
    uint64_t value = 0;
    for (; !is_done(scanner) && *scanner->at >= '0' && *scanner->at <= '9'; scanner->at++) {
        const uint64_t digit = (uint64_t)(*scanner->at - '0');
        if (value > (most - digit) / 10)
            return false;
        value = 10 * value + digit;
    }
    *out = value;
    return scanner->at > from && !(*from == '0' && scanner->at - from > 1);
}

/** Seconds with six decimals, as us; up to some 30 years. */
static bool take_span(struct scanner *scanner, int64_t *us)
{
    uint64_t seconds, fraction = 0;
    if (!take_number(scanner, 1000000000u, &seconds) || !take(scanner, ".") ||
        scanner->end - scanner->at < 6)
        return false;
    for (int i = 0; i < 6; i++, scanner->at++) {
        if (*scanner->at < '0' || *scanner->at > '9')
            return false;
        fraction = 10 * fraction + (uint64_t)(*scanner->at - '0');
    }
    *us = (int64_t)(seconds * 1000000 + fraction);
    return true;
}

/** A word up to the next blank into `into`. */
static bool take_word(struct scanner *scanner, char *into, size_t room)
{
    size_t n = 0;
    while (!is_done(scanner) && *scanner->at != ' ' && *scanner->at != '\0' && n + 1 < room)
        into[n++] = *scanner->at++;
    into[n] = '\0';
    return n > 0 && (is_done(scanner) || *scanner->at == ' ');
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    return c >= 'A' && c <= 'F' ? c - 'A' + 10 : -1;
}

static bool take_hex(struct scanner *scanner, uint8_t *byte)
{
    if (scanner->end - scanner->at < 2)
        return false;
    const int high = hex_digit(scanner->at[0]), low = hex_digit(scanner->at[1]);
    if (high < 0 || low < 0)
        return false;
    *byte = (uint8_t)(high << 4 | low);
    scanner->at += 2;
    return true;
}

/* ---- head ---- */

static bool is_name(const char *text)
{
    return text[strspn(text, "abcdefghijklmnopqrstuvwxyz0123456789-")] == '\0';
}

static bool head_version(struct scanner *scanner, struct trace_about *about)
{
    (void)about;
    uint64_t version;
    return take_number(scanner, 999, &version) && version == TRACE_VERSION;
}
static bool head_line(struct scanner *scanner, struct trace_about *about)
{
    return take_word(scanner, about->line, sizeof about->line) && is_name(about->line);
}
static bool head_wire(struct scanner *scanner, struct trace_about *about)
{
    if (take(scanner, "tcp mbap")) {
        about->medium = LINE_MEDIUM_TCP;
        about->framing = LINE_FRAMING_TCP;
        return true;
    }
    about->medium = take(scanner, "tcp ") ? LINE_MEDIUM_TCP : LINE_MEDIUM_SERIAL;
    about->framing = about->medium == LINE_MEDIUM_TCP ? LINE_FRAMING_RTU : LINE_FRAMING_TCP;
    uint64_t baud, data, stop;
    if (about->medium == LINE_MEDIUM_SERIAL && !take(scanner, "serial "))
        return false;
    if (!take(scanner, "rtu ") || !take_number(scanner, 10000000, &baud) || baud == 0 ||
        !take(scanner, " ") || !take_number(scanner, 9, &data) || is_done(scanner))
        return false;
    about->parity = *scanner->at++;
    if (memchr("NEO", about->parity, 3) == NULL || !take_number(scanner, 2, &stop))
        return false;
    about->baud = (uint32_t)baud;
    about->data_bits = (uint8_t)data;
    about->stop_bits = (uint8_t)stop;
    return true;
}
static bool head_plan(struct scanner *scanner, struct trace_about *about)
{
    return take_word(scanner, about->plan, sizeof about->plan) && strlen(about->plan) == 64 &&
           about->plan[strspn(about->plan, "0123456789abcdef")] == '\0';
}
static bool head_run(struct scanner *scanner, struct trace_about *about)
{
    return take_number(scanner, UINT64_MAX, &about->run);
}
static bool head_start(struct scanner *scanner, struct trace_about *about)
{
    const char *from = scanner->at;
    scanner->at = scanner->end;
    char text[STAMP_TEXT_MAX]; /* one form only, that of the writer */
    const size_t n = (size_t)(scanner->end - from);
    return stamp_from_text(from, n, &about->start_utc_ms) &&
           strlen(stamp_to_text(about->start_utc_ms, text)) == n && memcmp(text, from, n) == 0;
}
static bool head_grid(struct scanner *scanner, struct trace_about *about)
{
    const bool before = take(scanner, "-");
    if (!before && !take(scanner, "+"))
        return false;
    if (!take_span(scanner, &about->grid_us))
        return false;
    about->grid_us = before ? -about->grid_us : about->grid_us;
    return true;
}
static bool head_listens(struct scanner *scanner, struct trace_about *about)
{
    about->listens_first = take(scanner, "yes");
    return about->listens_first || take(scanner, "no");
}
static bool head_seed(struct scanner *scanner, struct trace_about *about)
{
    uint64_t seed = 0;
    const bool good = take_number(scanner, UINT32_MAX, &seed);
    about->seed = (uint32_t)seed;
    return good;
}
static bool head_begin(struct scanner *scanner, struct trace_about *about)
{
    (void)scanner;
    (void)about;
    return true;
}

static const struct {
    const char *word, *expected;
    bool (*take)(struct scanner *scanner, struct trace_about *about);
} HEAD[] = {
    {"uphole-trace ", "uphole-trace 1", head_version},
    {"line ", "line NAME", head_line},
    {"wire ", "wire serial rtu 9600 8N1, wire tcp rtu 9600 8N1, or wire tcp mbap", head_wire},
    {"plan ", "plan and 64 hex digits", head_plan},
    {"run ", "run NUMBER", head_run},
    {"start ", "start and an instant such as 2031-03-01T06:00:05.120Z", head_start},
    {"grid ", "grid and seconds such as -0.012345", head_grid},
    {"listens_first ", "listens_first yes, or no", head_listens},
    {"seed ", "seed NUMBER", head_seed},
    {"begin", "begin", head_begin},
};
#define HEAD_LINES (sizeof HEAD / sizeof HEAD[0])

static enum up_rc read_head(struct trace_reader *reader, struct scanner *scanner,
                            struct up_error *error)
{
    const unsigned row = reader->head;
    if (!take(scanner, HEAD[row].word) || !HEAD[row].take(scanner, &reader->about) ||
        !is_done(scanner))
        return FAIL(reader, error, "this is no line of a trace's head; expected: %s",
                    HEAD[row].expected);
    reader->head++;
    return UP_OK;
}

/* ---- events ---- */

static enum up_rc read_bytes(struct trace_reader *reader, struct scanner *scanner,
                             struct trace_event *event, struct up_error *error)
{
    while (scanner->end - scanner->at >= 2 && scanner->at[0] == ' ' &&
           strchr("\" #", scanner->at[1]) == NULL) {
        if (event->n == TRACE_BYTES_MAX)
            return FAIL(reader, error, "more than %d bytes in one event", TRACE_BYTES_MAX);
        scanner->at++;
        if (!take_hex(scanner, &reader->bytes[event->n]))
            return FAIL(reader, error,
                        "byte %u is none; expected two hex digits, A to F in upper case, and "
                        "single blanks",
                        event->n + 1u);
        event->n++;
    }
    return event->n > 0 ? UP_OK : FAIL(reader, error, "no bytes follow; expected at least one");
}

static bool take_why(struct scanner *scanner, char into[static TRACE_WHY_MAX + 1])
{
    size_t n = 0;
    if (!take(scanner, " \""))
        return false;
    while (!is_done(scanner) && *scanner->at != '"' && n < TRACE_WHY_MAX) {
        uint8_t c = (uint8_t)*scanner->at;
        if (c < 0x20 || c > 0x7E)
            return false;
        if (c != '\\')
            scanner->at++;
        else if (!take(scanner, "\\x") || !take_hex(scanner, &c) || c == 0)
            return false;
        into[n++] = (char)c;
    }
    into[n] = '\0';
    return take(scanner, "\"");
}

static enum up_rc read_arguments(struct trace_reader *reader, struct scanner *scanner,
                                 struct trace_event *event, struct up_error *error)
{
    const unsigned takes = TRACE_WORDS[event->kind].takes;
    uint64_t count = 0;
    if (takes & TRACE_TAKES_BYTES) {
        const enum up_rc rc = read_bytes(reader, scanner, event, error);
        if (rc != UP_OK)
            return rc;
    }
    if ((takes & TRACE_TAKES_WHY) && !take_why(scanner, reader->why))
        return FAIL(reader, error, "expected a reason in quotation marks, at most %d characters",
                    TRACE_WHY_MAX);
    if ((takes & TRACE_TAKES_SPAN) && !(take(scanner, " ") && take_span(scanner, &event->amount)))
        return FAIL(reader, error, "expected seconds with six decimals, such as 1.000000");
    if ((takes & TRACE_TAKES_COUNT) &&
        !(take(scanner, " ") && take_number(scanner, INT64_MAX, &count)))
        return FAIL(reader, error, "expected how many events are missing");
    if (takes & TRACE_TAKES_COUNT)
        event->amount = (int64_t)count;
    while (take(scanner, " "))
        ;
    if (!is_done(scanner) && *scanner->at != '#')
        return FAIL(reader, error,
                    "something stands behind the event; expected a comment or nothing");
    return UP_OK;
}

/** What is shown of untrusted text: without control characters. */
static const char *printable(char *word)
{
    for (char *c = word; *c != '\0'; c++)
        if (*c < 0x20 || *c > 0x7E)
            *c = '?';
    return word;
}

static uint8_t kind_of(const char *word)
{
    for (uint8_t kind = TRACE_NONE + 1; kind < TRACE_KINDS; kind++)
        if (strcmp(TRACE_WORDS[kind].name, word) == 0)
            return kind;
    return TRACE_NONE;
}

static enum up_rc read_event(struct trace_reader *reader, struct scanner *scanner,
                             struct trace_event *event, struct up_error *error)
{
    char word[16];
    if (!take(scanner, "+") || !take_span(scanner, &event->at_us) || !take(scanner, " "))
        return FAIL(reader, error, "this is no event; expected a time such as +12.345678 first");
    if (reader->ended)
        return FAIL(reader, error, "an event stands behind 'end'; expected nothing");
    if (event->at_us < reader->last_us)
        return FAIL(reader, error, "the time is earlier than that of the event before");
    event->kind = take_word(scanner, word, sizeof word) ? kind_of(word) : TRACE_NONE;
    if (event->kind == TRACE_NONE)
        return FAIL(reader, error,
                    "'%s' is no event; expected open, not_open, close, sent, not_sent, received, "
                    "timeout, flush, gone, cut or end",
                    printable(word));
    reader->last_us = event->at_us;
    reader->ended = event->kind == TRACE_END;
    return read_arguments(reader, scanner, event, error);
}

/* ---- lines and files ---- */

void trace_reader_begin(struct trace_reader *reader, const char *name)
{
    memset(reader, 0, sizeof *reader);
    reader->name = name;
}

bool trace_reader_has_head(const struct trace_reader *reader)
{
    return reader->head == HEAD_LINES;
}

enum up_rc trace_reader_line(struct trace_reader *reader, const char *text, size_t n,
                             struct trace_event *event, struct up_error *error)
{
    struct scanner scanner = {.at = text, .end = text + n};
    *event = (struct trace_event){.bytes = reader->bytes, .why = reader->why};
    reader->why[0] = '\0';
    reader->line++;
    if (n >= TRACE_LINE_MAX)
        return FAIL(reader, error, "the line has %zu characters, and %d is the most", n,
                    TRACE_LINE_MAX - 1);
    if (n == 0 || text[0] == '#')
        return UP_OK;
    if (!trace_reader_has_head(reader))
        return read_head(reader, &scanner, error);
    return read_event(reader, &scanner, event, error);
}

static enum up_rc make_room(struct trace_file *file, const char *text, size_t n,
                            struct up_error *error)
{
    size_t lines = 1;
    for (const char *at = text; (at = memchr(at, '\n', (size_t)(text + n - at))) != NULL; at++)
        lines++;
    file->events = calloc(lines, sizeof file->events[0]);
    file->lines = calloc(lines, sizeof file->lines[0]);
    file->store = malloc(n + lines); /* two characters a byte, one a reason's, its NUL */
    if (file->events != NULL && file->lines != NULL && file->store != NULL)
        return UP_OK;
    trace_file_free(file);
    return UP_FAIL(error, UP_E_MEMORY, "no memory for a trace of %zu lines", lines);
}

/** Moves bytes and reason of a read event from the reader to the file's store. */
static size_t keep(struct trace_file *file, size_t used, struct trace_event *event)
{
    const size_t n_why = strlen(event->why) + 1;
    memcpy(file->store + used, event->bytes, event->n);
    event->bytes = file->store + used;
    used += event->n;
    memcpy(file->store + used, event->why, n_why);
    event->why = (const char *)file->store + used;
    return used + n_why;
}

enum up_rc trace_file_read(const char *text, size_t n, const char *name, struct trace_file *out,
                           struct up_error *error)
{
    struct trace_reader reader;
    size_t used = 0;
    memset(out, 0, sizeof *out);
    if (n > TRACE_FILE_MAX)
        return UP_FAIL(error, UP_E_INPUT, "%.120s has %zu bytes, and %u is the most of a trace",
                       name, n, TRACE_FILE_MAX);
    enum up_rc rc = make_room(out, text, n, error);
    if (rc != UP_OK)
        return rc;
    trace_reader_begin(&reader, name);
    for (const char *at = text, *end = text + n; at < end && rc == UP_OK;) {
        const char *line_end = memchr(at, '\n', (size_t)(end - at));
        if (line_end == NULL) {
            out->cut_short = true;
            break;
        }
        struct trace_event event;
        rc = trace_reader_line(&reader, at, (size_t)(line_end - at), &event, error);
        at = line_end + 1;
        if (rc != UP_OK || event.kind == TRACE_NONE)
            continue;
        used = keep(out, used, &event);
        out->lines[out->n] = reader.line;
        out->events[out->n++] = event;
    }
    if (rc == UP_OK && !trace_reader_has_head(&reader))
        rc = UP_FAIL(error, UP_E_INPUT, "%.120s ends within its head; expected: %s", name,
                     HEAD[reader.head].expected);
    out->about = reader.about;
    out->ended = reader.ended;
    if (rc != UP_OK)
        trace_file_free(out);
    return rc;
}

void trace_file_free(struct trace_file *file)
{
    free(file->events);
    free(file->lines);
    free(file->store);
    memset(file, 0, sizeof *file);
}
