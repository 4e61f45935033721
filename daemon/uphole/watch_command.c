/* SPDX-License-Identifier: Apache-2.0
 *
 * watch_command.c - `uphole watch WELL`: the running daemon's view of a well, live.
 *
 * On a terminal the picture is redrawn in place each second (--every), and only lines that changed
 * are sent, so that it works over a slow link. Where no answer comes the picture goes and the
 * reason stands instead: old values must not look live. Elsewhere it is a line a second, as it is
 * for a terminal where another program is in front.
 */
#include "socket_ask.h"
#include "span.h"
#include "until_stopped.h"

#include <errno.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdio_ext.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sysexits.h>
#include <termios.h>
#include <unistd.h>

#define LINES_MAX 256
#define LINE_BYTES_MAX 512
#define EVERY_MOST_MS 10000 /* what stands there longer would look live */
#define OTHER_SCREEN "\033[?1049h\033[?25l"
#define SAME_SCREEN "\033[?25h\033[?1049l"

struct watch {
    struct socket_asked asked;
    struct until_stopped until;
    FILE *out;
    bool terminal, keys; /* keys: standard input is a terminal too */
    bool has_screen;     /* the terminal shows the picture, and gives its keys */
    struct termios before;
    unsigned rows, columns;
    unsigned n_shown;
    unsigned skip; /* lines behind the first that are scrolled past */
    int every_ms;
    char shown[LINES_MAX][LINE_BYTES_MAX]; /* what stands on the terminal */
};

/** False: the terminal is another program's now. A terminal without jobs is always ours. */
static bool is_in_front(void)
{
    const pid_t front = tcgetpgrp(STDOUT_FILENO);
    return front < 0 || front == getpgrp();
}

static void look_at_size(struct watch *watch)
{
    struct winsize size = {0};
    const bool known = ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_row > 0;
    watch->rows = known ? size.ws_row : 24;
    watch->columns = known && size.ws_col > 0 ? size.ws_col : 80;
    if (watch->rows > LINES_MAX)
        watch->rows = LINES_MAX;
    watch->n_shown = 0; /* everything is sent again */
    fputs("\033[2J", watch->out);
}

/** Takes the terminal, anew where somebody may have had it meanwhile. */
static void enter(struct watch *watch)
{
    watch->has_screen = is_in_front();
    if (!watch->has_screen)
        return;
    fputs(OTHER_SCREEN, watch->out);
    look_at_size(watch);
    if (!watch->keys)
        return;
    struct termios quiet = watch->before;
    quiet.c_lflag &= (tcflag_t) ~(ECHO | ICANON);
    (void)tcsetattr(STDIN_FILENO, TCSANOW, &quiet);
}

/** What the terminal did not take yet is dropped: it may never take it. */
static void leave(struct watch *watch)
{
    if (!watch->has_screen || !is_in_front())
        return;
    watch->has_screen = false;
    if (watch->keys)
        (void)tcsetattr(STDIN_FILENO, TCSANOW, &watch->before);
    __fpurge(watch->out);
    fputs(SAME_SCREEN, watch->out);
    (void)fflush(watch->out);
}

/** Bytes of the first `columns` characters of UTF-8 text, and at most what a shown line holds. */
static size_t fitting(const char *text, size_t length, unsigned columns)
{
    size_t n = 0;
    for (unsigned characters = 0; n < length; n++) {
        if (((unsigned char)text[n] & 0xC0) == 0x80)
            continue;
        if (characters++ == columns)
            break;
    }
    while (n >= LINE_BYTES_MAX || (n > 0 && n < length && ((unsigned char)text[n] & 0xC0) == 0x80))
        n--;
    return n;
}

/** Sends the line from its first changed character on, or nothing where it stands already. */
static void show_line(struct watch *watch, unsigned row, const char *text, size_t length)
{
    const size_t n = fitting(text, length, watch->columns);
    char *shown = watch->shown[row];
    size_t same = 0;
    unsigned column = 1;
    if (row < watch->n_shown) {
        while (same < n && shown[same] == text[same])
            same++;
        if (same == n && shown[n] == '\0')
            return;
        while (same > 0 && ((unsigned char)text[same] & 0xC0) == 0x80)
            same--;
    }
    for (size_t i = 0; i < same; i++)
        column += ((unsigned char)text[i] & 0xC0) != 0x80;
    memcpy(shown, text, n);
    shown[n] = '\0';
    fprintf(watch->out, "\033[%u;%uH%s\033[K", row + 1, column, shown + same);
}

static unsigned lines_of(const char *body)
{
    unsigned n = 0;
    for (; *body != '\0'; body++)
        n += *body == '\n';
    return n;
}

/** The first line stays; the others can be scrolled. */
static void show(struct watch *watch, const char *body)
{
    unsigned row = 0, more = 0, n = 0;
    if (watch->skip >= lines_of(body)) /* past the end: from the top again */
        watch->skip = 0;
    for (const char *line = body; *line != '\0'; n++) {
        const size_t length = strcspn(line, "\n");
        const bool scrolled_past = n > 0 && n <= watch->skip;
        if (!scrolled_past && row < watch->rows - 1)
            show_line(watch, row++, line, length);
        else if (!scrolled_past)
            more++;
        line += length + (line[length] == '\n');
    }
    char last[96] = "q ends.";
    if (more > 0)
        snprintf(last, sizeof last, "%u more rows: space shows them. q ends.", more);
    else if (watch->skip > 0)
        snprintf(last, sizeof last, "The last rows; space goes to the top. q ends.");
    show_line(watch, row++, last, strlen(last));
    if (row < watch->n_shown)
        fprintf(watch->out, "\033[%u;1H\033[J", row + 1);
    watch->n_shown = row;
}

/** What signals said of the terminal. */
static void follow_terminal(struct watch *watch)
{
    struct until_stopped *until = &watch->until;
    bool is_new = !watch->has_screen;
    if (until->is_to_pause) {
        leave(watch); /* the shell finds its terminal as it was */
        (void)raise(SIGSTOP);
        (void)until_stopped_look(until);
    }
    is_new = is_new || until->is_to_pause || until->is_continued || until->is_resized;
    until->is_to_pause = until->is_continued = until->is_resized = false;
    if (is_new)
        enter(watch);
}

/** Waits its time, or until something comes; true when it is to end. */
static bool wait_a_while(struct watch *watch)
{
    struct pollfd fds[] = {
        {.fd = watch->until.signal_fd, .events = POLLIN},
        {.fd = watch->keys && watch->has_screen ? STDIN_FILENO : -1, .events = POLLIN}};
    char key = '\0';
    const int ready = poll(fds, 2, watch->every_ms);
    if (ready > 0 && fds[1].revents != 0 && (read(STDIN_FILENO, &key, 1) != 1 || key == 'q'))
        return true;
    if (key == ' ' && watch->rows > 2)
        watch->skip += watch->rows - 2;
    if (until_stopped_look(&watch->until))
        return true;
    if (watch->terminal)
        follow_terminal(watch);
    return false;
}

/** One answer shown or printed; a reason stands in its place. Returns the code of the question. */
static int show_once(struct watch *watch, struct up_error *error)
{
    char *body = NULL, reason[UP_WHY_MAX + 32];
    size_t length = 0;
    const int code = socket_ask(&watch->asked, watch->terminal ? "watch text" : "line text", &body,
                                &length, error);
    if (code != 0)
        snprintf(reason, sizeof reason, "No values: %s.\n", error->why);
    if (watch->terminal)
        show(watch, code == 0 ? body : reason);
    else
        fputs(code == 0 ? body : reason, watch->out);
    free(body);
    return code;
}

/** Asks and shows, again and again. Returns 0 once it was told to stop, or an exit code (said). */
static int show_until_stopped(struct watch *watch)
{
    struct up_error error = {0};
    bool is_put = true;
    watch->out = until_stopped_output(&watch->until);
    if (watch->out == NULL)
        return EX_OSERR;
    if (watch->terminal)
        enter(watch);
    do {
        if (watch->has_screen || !watch->terminal)
            (void)show_once(watch, &error);
        is_put = fflush(watch->out) == 0;
    } while (is_put && !wait_a_while(watch));
    leave(watch);
    fclose(watch->out);
    if (is_put || watch->until.is_stopped)
        return 0;
    fputs("uphole: the output could not be written\n", stderr);
    return EX_IOERR;
}

static int watch_well(struct watch *watch)
{
    struct up_error error = {0};
    char *body = NULL;
    size_t length = 0;
    int code = socket_ask_where(&watch->asked, &error);
    if (code == 0) /* what can't begin says why, and leaves the terminal alone */
        code = socket_ask(&watch->asked, "line text", &body, &length, &error);
    free(body);
    if (code != 0) {
        (void)command_fail(&error);
        return code;
    }
    const char *kind = getenv("TERM");
    watch->terminal =
        isatty(STDOUT_FILENO) && kind != NULL && strcmp(kind, "dumb") != 0 && is_in_front();
    watch->keys =
        watch->terminal && isatty(STDIN_FILENO) && tcgetattr(STDIN_FILENO, &watch->before) == 0;
    if (!until_stopped_open(&watch->until, watch->terminal))
        return EX_OSERR;
    code = show_until_stopped(watch);
    close(watch->until.signal_fd);
    return code;
}

static int read_options(struct watch *watch, int argc, char **argv)
{
    static const struct option OPTIONS[] = {
        SOCKET_ASK_OPTIONS, {"every", required_argument, NULL, 'e'}, {NULL, 0, NULL, 0}};
    int64_t every_ms = 1000;
    watch->asked = (struct socket_asked){.config = CONFIG_DEFAULT};
    optind = 1;
    for (int c; (c = command_option(&COMMAND_WATCH, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&watch->asked, c))
            continue;
        if (c == COMMAND_OPTION_BAD)
            return EX_USAGE;
        if (!span_from_text(optarg, &every_ms) || every_ms > EVERY_MOST_MS)
            return command_usage_error(&COMMAND_WATCH, "--every %s: expected 1s to 10s", optarg);
    }
    watch->every_ms = (int)every_ms;
    return socket_ask_well(&COMMAND_WATCH, argc, argv, &watch->asked);
}

static int run_watch(int argc, char **argv)
{
    struct watch *watch = calloc(1, sizeof *watch);
    if (watch == NULL)
        return EX_OSERR;
    int code = read_options(watch, argc, argv);
    if (code == 0)
        code = watch_well(watch);
    free(watch);
    return code;
}

const struct command COMMAND_WATCH = {
    .name = "watch",
    .summary = "show a well live: its stages in sentences, and a row for each channel",
    .usage = "watch WELL [--every SPAN] [--config FILE [--maps DIRECTORY] | --journal DIRECTORY]",
    .help = "  --every SPAN         how often it asks: 1s (the default) to 10s, for a slow "
            "link\n" SOCKET_ASK_HELP "\n"
            "Asks the running Uphole, and puts no extra question on the line. On a terminal it "
            "redraws in "
            "place and sends only what changed;\n"
            "space shows the rows that don't fit, q or Ctrl-C ends it. Elsewhere it prints a line "
            "each time. "
            "Where no answer comes\n"
            "the values go and the reason stands in their place. Exit code 69: no Uphole runs with "
            "this journal.\n"
            "\n"
            "Monitoring only: values can be late, missing or wrong. Never use them for trips, "
            "interlocks "
            "or "
            "safety functions.\n",
    .run = run_watch,
};
