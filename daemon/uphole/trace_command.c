/* SPDX-License-Identifier: Apache-2.0
 *
 * trace_command.c - `uphole trace`: the bytes of a line both ways, from the running daemon's ring
 * or from a file, with what each means beside it.
 *
 * The daemon's answer is read with the strict reader and written again with its comments. Each line
 * is written whole and in order, so that a file that ends early is a trace that ends early.
 */
#include "socket_ask.h"
#include "span.h"
#include "until_stopped.h"

#include "uphole/trace.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <inttypes.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define LOOK_AGAIN_MS 500
#define FOR_MOST_MS INT64_C(86400000)
#define TRACE_WRITTEN_MAX (16u * 1024 * 1024)
#define LAST_LINES_ROOM 256 /* for the comment that says that the file is full, and `end` */

struct tracing {
    struct socket_asked asked;
    const char *line, *into, *explain;
    int64_t for_ms; /* 0: not asked for */
    struct trace_reader reader;
    struct trace_hints hints;
    struct until_stopped until;
    FILE *out;
    size_t written;
    bool full;
    uint64_t next;
    int64_t now_us;
    char text[TRACE_LINE_MAX];
};

/* ---- writing ---- */

static void put(struct tracing *tracing, const char *text, size_t n)
{
    if (tracing->into != NULL && tracing->written + n > TRACE_WRITTEN_MAX - LAST_LINES_ROOM)
        tracing->full = true;
    if (tracing->full)
        return;
    fwrite(text, 1, n, tracing->out);
    tracing->written += n;
}

/** The comment of an event; with the time of day where somebody began something. */
static void describe(struct tracing *tracing, const struct trace_event *event, char *into)
{
    char hint[TRACE_HINT_MAX], instant[STAMP_TEXT_MAX];
    trace_hint(&tracing->hints, event, hint);
    if (event->kind == TRACE_RECEIVED || event->kind == TRACE_TIMEOUT ||
        event->kind == TRACE_FLUSH) {
        memcpy(into, hint, sizeof hint);
        return;
    }
    stamp_to_text(tracing->reader.about.start_utc_ms + event->at_us / 1000, instant);
    snprintf(into, TRACE_HINT_MAX, "%s%s%.*s", instant + 11, hint[0] != '\0' ? " " : "",
             TRACE_HINT_MAX - STAMP_TEXT_MAX, hint); /* from the date on: the time of day */
}

static void put_event(struct tracing *tracing, const struct trace_event *event)
{
    char hint[TRACE_HINT_MAX];
    describe(tracing, event, hint);
    put(tracing, tracing->text, trace_put_event(event, hint, tracing->text));
}

/** Takes lines as they came, and writes them again with their comments. */
static enum up_rc put_lines(struct tracing *tracing, const char *text, struct up_error *error)
{
    for (const char *end; (end = strchr(text, '\n')) != NULL; text = end + 1) {
        struct trace_event event;
        const enum up_rc rc =
            trace_reader_line(&tracing->reader, text, (size_t)(end - text), &event, error);
        if (rc != UP_OK)
            return rc;
        const struct trace_about *about = &tracing->reader.about;
        if (event.kind != TRACE_NONE) {
            put_event(tracing, &event);
        } else if (text[0] != '#' && end > text) { /* comments are made anew */
            tracing->hints.is_rtu =
                about->medium == LINE_MEDIUM_SERIAL || about->framing == LINE_FRAMING_RTU;
            put(tracing, text, (size_t)(end - text) + 1);
        }
    }
    return UP_OK;
}

static int flushed(struct tracing *tracing)
{
    if (fflush(tracing->out) == 0 && !ferror(tracing->out))
        return 0;
    fprintf(stderr, "uphole trace: %s could not be written: %s\n",
            tracing->into != NULL ? tracing->into : "the output",
            tracing->until.is_stopped ? "nobody took it before the stop" : strerror(errno));
    return EX_IOERR;
}

/* ---- asking ---- */

static int ask(struct tracing *tracing, struct up_error *error)
{
    char question[NAME_LENGTH_MAX + 64], *body = NULL;
    size_t length = 0;
    int begins = 0;
    snprintf(question, sizeof question, "trace after %s %" PRIu64, tracing->line, tracing->next);
    int code = socket_ask(&tracing->asked, question, &body, &length, error);
    if (code != 0)
        return code;
    if (sscanf(body, "next %" SCNu64 " now %" SCNd64 "%n", &tracing->next, &tracing->now_us,
               &begins) != 2 ||
        body[begins] != '\n') {
        (void)UP_FAIL(error, UP_E_INPUT,
                      "the running Uphole answers in a way of its own; it may "
                      "be of another version");
        code = EX_UNAVAILABLE;
    } else {
        code = up_exit_code(put_lines(tracing, body + begins + 1, error));
    }
    free(body);
    return code;
}

static int open_out(struct tracing *tracing)
{
    if (tracing->into == NULL) {
        tracing->out = until_stopped_output(&tracing->until);
        return tracing->out != NULL ? 0 : EX_OSERR;
    }
    const int fd = open(tracing->into, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0640);
    tracing->out = fd >= 0 ? fdopen(fd, "w") : NULL;
    if (tracing->out != NULL)
        return 0;
    fprintf(stderr, "uphole trace: %s can't be made: %s%s\n", tracing->into, strerror(errno),
            errno == EEXIST ? "; nothing is overwritten, choose another name" : "");
    return EX_CANTCREAT;
}

/** Asks again and again until the time is over, a signal, a full file, or no answer. */
static int follow(struct tracing *tracing, const struct up_clock *clock, struct up_error *error)
{
    const int64_t end_us =
        tracing->for_ms > 0 ? clock_boot_us(clock) + tracing->for_ms * 1000 : INT64_MAX;
    int code = flushed(tracing);
    while (code == 0 && !tracing->full && clock_boot_us(clock) < end_us) {
        struct pollfd wait = {.fd = tracing->until.signal_fd, .events = POLLIN};
        const int64_t left_ms = (end_us - clock_boot_us(clock)) / 1000 + 1;
        (void)poll(&wait, 1, left_ms < LOOK_AGAIN_MS ? (int)left_ms : LOOK_AGAIN_MS);
        if (until_stopped_look(&tracing->until))
            break;
        code = ask(tracing, error);
        if (code != 0)
            (void)command_fail(error);
        else
            code = flushed(tracing);
    }
    return code;
}

/** The last line; before it, where the file is full, that it is. */
static void put_end(struct tracing *tracing)
{
    const struct trace_event end = {
        .at_us = tracing->full ? tracing->reader.last_us : tracing->now_us, .kind = TRACE_END};
    const bool full = tracing->full;
    if (full) {
        fprintf(tracing->out,
                "# The file is full (%u MiB): what came later on the line is not in it.\n",
                TRACE_WRITTEN_MAX >> 20);
        fprintf(stderr,
                "uphole trace: %s is full (%u MiB); what came later on the line is not in it\n",
                tracing->into, TRACE_WRITTEN_MAX >> 20);
        tracing->full = false;
        tracing->written = 0;
    }
    put_event(tracing, &end);
    tracing->full = full;
}

/** The first answer, more where it is to go on, and the end. */
static int put_all(struct tracing *tracing)
{
    struct up_error error = {0};
    struct up_clock clock;
    clock_of_system(&clock);
    int code = ask(tracing, &error);
    if (code != 0) {
        (void)command_fail(&error);
        if (tracing->into != NULL)
            unlink(tracing->into); /* ours, and empty but for what did not parse */
    } else if (tracing->for_ms > 0 || (tracing->into == NULL && isatty(STDOUT_FILENO))) {
        code = follow(tracing, &clock, &error);
    }
    if (code == 0) {
        put_end(tracing);
        code = flushed(tracing);
    }
    return code;
}

static int trace_line(struct tracing *tracing)
{
    struct up_error error = {0};
    int code = socket_ask_where(&tracing->asked, &error);
    if (code != 0) {
        (void)command_fail(&error);
        return code;
    }
    if (!until_stopped_open(&tracing->until, false))
        return EX_OSERR;
    code = open_out(tracing);
    if (code == 0) {
        code = put_all(tracing);
        if (fclose(tracing->out) != 0 && code == 0)
            code = EX_IOERR;
    }
    close(tracing->until.signal_fd);
    return code == 0 && tracing->full ? 1 : code;
}

/* ---- a file ---- */

static int explain_text(struct tracing *tracing, char *text, size_t n)
{
    struct up_error error = {0};
    struct trace_file file;
    if (trace_file_read(text, n, tracing->explain, &file, &error) != UP_OK)
        return command_fail(&error);
    const bool cut_short = file.cut_short, ended = file.ended;
    trace_file_free(&file);
    if (cut_short)
        *(strrchr(text, '\n') + 1) = '\0'; /* a head was found: there is one */
    if (put_lines(tracing, text, &error) != UP_OK)
        return command_fail(&error);
    if (!ended)
        fprintf(stderr,
                "uphole trace: %s has no 'end': whoever wrote it was stopped%s. What stands in it "
                "is right.\n",
                tracing->explain, cut_short ? " within its last line, which is left out" : "");
    return 0;
}

static int explain(struct tracing *tracing)
{
    FILE *file = fopen(tracing->explain, "re");
    char *text = malloc(TRACE_FILE_MAX + 2u);
    int code = EX_OSERR;
    if (file == NULL) {
        fprintf(stderr, "uphole trace: %s can't be read: %s\n", tracing->explain, strerror(errno));
        code = EX_NOINPUT;
    } else if (text != NULL) {
        const size_t n = fread(text, 1, TRACE_FILE_MAX + 1u, file);
        text[n] = '\0';
        if (strlen(text) < n) { /* a disk that lost power leaves zeros */
            fprintf(stderr, "uphole trace: %s holds a zero byte; a trace is text\n",
                    tracing->explain);
            code = EX_DATAERR;
        } else {
            code = explain_text(tracing, text, n);
        }
    }
    if (file != NULL)
        fclose(file);
    free(text);
    return code;
}

/* ---- command line ---- */

static int take_options(int argc, char **argv, struct tracing *tracing)
{
    static const struct option OPTIONS[] = {
        SOCKET_ASK_OPTIONS,
        {"for", required_argument, NULL, 'f'},
        {"into", required_argument, NULL, 'i'},
        {"explain", required_argument, NULL, 'e'},
        {NULL, 0, NULL, 0},
    };
    optind = 1;
    for (int c; (c = command_option(&COMMAND_TRACE, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&tracing->asked, c))
            continue;
        if (c == 'i')
            tracing->into = optarg;
        else if (c == 'e')
            tracing->explain = optarg;
        else if (c != 'f')
            return EX_USAGE;
        else if (!span_from_text(optarg, &tracing->for_ms) || tracing->for_ms > FOR_MOST_MS)
            return command_usage_error(
                &COMMAND_TRACE, "'%s' behind --for; expected a span up to a day, such as 60s",
                optarg);
    }
    if (tracing->explain != NULL && (optind < argc || tracing->into != NULL || tracing->for_ms > 0))
        return command_usage_error(&COMMAND_TRACE,
                                   "--explain reads a file and takes nothing beside it");
    if (tracing->explain != NULL)
        return 0;
    if (optind == argc)
        return command_usage_error(&COMMAND_TRACE,
                                   "which line? Name it, as in 'uphole trace pad-line'");
    tracing->line = argv[optind++];
    if (strlen(tracing->line) > NAME_LENGTH_MAX || strpbrk(tracing->line, " \n") != NULL)
        return command_usage_error(&COMMAND_TRACE, "that is no name of a line");
    if (optind < argc)
        return command_usage_error(&COMMAND_TRACE, "'%s' is one word too many", argv[optind]);
    return 0;
}

static int run_trace(int argc, char **argv)
{
    struct tracing *tracing = calloc(1, sizeof *tracing);
    if (tracing == NULL)
        return EX_OSERR;
    tracing->asked.config = CONFIG_DEFAULT;
    tracing->out = stdout;
    int code = take_options(argc, argv, tracing);
    trace_reader_begin(&tracing->reader,
                       tracing->explain != NULL ? tracing->explain : "the answer");
    if (code == 0)
        code = tracing->explain != NULL ? explain(tracing) : trace_line(tracing);
    free(tracing);
    return code;
}

const struct command COMMAND_TRACE = {
    .name = "trace",
    .summary = "show the bytes of a line both ways, with times and what they mean",
    .usage = "trace LINE [--for SPAN] [--into FILE] [--config FILE [--maps DIRECTORY] | --journal "
             "DIRECTORY] | trace --explain FILE",
    .help = "  --for SPAN           go on for so long, such as 60s or 10min; a day at most\n"
            "  --into FILE          write into a new file, of 16 MiB at most\n"
            "  --explain FILE       show a trace that was written before; nobody is asked\n"
            "" SOCKET_ASK_HELP "\n"
            "The running Uphole keeps the newest 32 KiB of each line's bytes, some ten minutes of "
            "one gauge. This shows them, and sends no byte on the\n"
            "line. On a terminal it goes on live until Ctrl-C. A file can be sent to whoever looks "
            "into a fault; it holds registers and times,\n"
            "no names of wells and no secrets. Exit code 1: the file is full before the time was "
            "over; 69: no Uphole runs with this journal.\n"
            "\n"
            "Monitoring only; not a protection system.\n",
    .run = run_trace,
};
