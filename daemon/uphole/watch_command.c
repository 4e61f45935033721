/* SPDX-License-Identifier: Apache-2.0
 *
 * watch_command.c - `uphole watch WELL`: the running daemon's view of a well, live.
 *
 * On a terminal the picture is redrawn in place each second, and only lines that changed are sent,
 * so that it works over a slow link. Where no answer comes the picture goes and the reason stands
 * instead: old values must not look live. Elsewhere it is a line a second.
 */
#include "socket_ask.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/signalfd.h>
#include <sysexits.h>
#include <termios.h>
#include <unistd.h>

#define LINES_MAX 256
#define LINE_BYTES_MAX 512
#define OTHER_SCREEN "\033[?1049h\033[?25l"
#define SAME_SCREEN "\033[?25h\033[?1049l"

struct watch {
    struct socket_asked asked;
    int signal_fd;
    bool terminal, keys; /* keys: standard input is a terminal too */
    struct termios before;
    unsigned rows, columns;
    unsigned n_shown;
    char shown[LINES_MAX][LINE_BYTES_MAX]; /* what stands on the terminal */
};

static void look_at_size(struct watch *watch)
{
    struct winsize size = {0};
    const bool known = ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_row > 0;
    watch->rows = known ? size.ws_row : 24;
    watch->columns = known && size.ws_col > 0 ? size.ws_col : 80;
    if (watch->rows > LINES_MAX)
        watch->rows = LINES_MAX;
    watch->n_shown = 0; /* everything is sent again */
    fputs("\033[2J", stdout);
}

static void enter(struct watch *watch)
{
    fputs(OTHER_SCREEN, stdout);
    look_at_size(watch);
    watch->keys = isatty(STDIN_FILENO) && tcgetattr(STDIN_FILENO, &watch->before) == 0;
    if (!watch->keys)
        return;
    struct termios quiet = watch->before;
    quiet.c_lflag &= (tcflag_t) ~(ECHO | ICANON);
    (void)tcsetattr(STDIN_FILENO, TCSANOW, &quiet);
}

static void leave(const struct watch *watch)
{
    if (watch->keys)
        (void)tcsetattr(STDIN_FILENO, TCSANOW, &watch->before);
    fputs(SAME_SCREEN, stdout);
    (void)fflush(stdout);
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
    printf("\033[%u;%uH%s\033[K", row + 1, column, shown + same);
}

static void show(struct watch *watch, const char *body)
{
    unsigned row = 0, more = 0;
    for (const char *line = body; *line != '\0';) {
        const size_t length = strcspn(line, "\n");
        if (row < watch->rows - 1)
            show_line(watch, row++, line, length);
        else
            more++;
        line += length + (line[length] == '\n');
    }
    char last[96];
    snprintf(last, sizeof last,
             more > 0 ? "%u more rows; make the window taller. q ends." : "q ends.", more);
    show_line(watch, row++, last, strlen(last));
    if (row < watch->n_shown)
        printf("\033[%u;1H\033[J", row + 1);
    watch->n_shown = row;
    (void)fflush(stdout);
}

/** Waits a second, or until something comes; true when it is to end. */
static bool wait_a_second(struct watch *watch)
{
    struct pollfd fds[] = {{.fd = watch->signal_fd, .events = POLLIN},
                           {.fd = watch->keys ? STDIN_FILENO : -1, .events = POLLIN}};
    struct signalfd_siginfo info;
    if (poll(fds, 2, 1000) <= 0)
        return false;
    char key = '\0';
    if (fds[1].revents != 0 && (read(STDIN_FILENO, &key, 1) != 1 || key == 'q'))
        return true;
    while (read(watch->signal_fd, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo != SIGWINCH && info.ssi_signo != SIGCONT)
            return true;
        if (watch->terminal) {
            fputs(OTHER_SCREEN, stdout);
            look_at_size(watch);
        }
    }
    return false;
}

static int open_signals(void)
{
    sigset_t signals;
    sigemptyset(&signals);
    sigaddset(&signals, SIGINT);
    sigaddset(&signals, SIGTERM);
    sigaddset(&signals, SIGHUP);
    sigaddset(&signals, SIGWINCH);
    sigaddset(&signals, SIGCONT);
    sigprocmask(SIG_BLOCK, &signals, NULL);
    return signalfd(-1, &signals, SFD_CLOEXEC | SFD_NONBLOCK);
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
        fputs(code == 0 ? body : reason, stdout);
    free(body);
    return code;
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
    watch->terminal = isatty(STDOUT_FILENO) && kind != NULL && strcmp(kind, "dumb") != 0;
    watch->signal_fd = open_signals();
    if (watch->signal_fd < 0)
        return EX_OSERR;
    if (watch->terminal)
        enter(watch);
    do {
        (void)show_once(watch, &error);
    } while (fflush(stdout) == 0 && !wait_a_second(watch));
    if (watch->terminal)
        leave(watch);
    close(watch->signal_fd);
    return 0;
}

static int run_watch(int argc, char **argv)
{
    struct watch *watch = calloc(1, sizeof *watch);
    if (watch == NULL)
        return EX_OSERR;
    int code = socket_ask_options(&COMMAND_WATCH, argc, argv, true, false, &watch->asked);
    if (code == 0)
        code = watch_well(watch);
    free(watch);
    return code;
}

const struct command COMMAND_WATCH = {
    .name = "watch",
    .summary = "show a well live: its stages in sentences, and a row for each channel",
    .usage = "watch WELL [--config FILE [--maps DIRECTORY] | --journal DIRECTORY]",
    .help = SOCKET_ASK_HELP
    "\n"
    "Asks the running Uphole once a second, and puts no extra question on the line. On a terminal "
    "it "
    "redraws in place and sends\n"
    "only what changed; q or Ctrl-C ends it. Elsewhere it prints a line a second. Where no answer "
    "comes the values go and the\n"
    "reason stands in their place. Exit code 69: no Uphole runs with this journal.\n"
    "\n"
    "Monitoring only: values can be late, missing or wrong. Never use them for trips, interlocks "
    "or "
    "safety functions.\n",
    .run = run_watch,
};
