/* SPDX-License-Identifier: Apache-2.0
 *
 * until_stopped.c - see until_stopped.h.
 */
#include "until_stopped.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stddef.h>
#include <sys/signalfd.h>
#include <unistd.h>

/* What is written at once where there is room for anything: a pipe takes so much then without
 * waiting, and a terminal nearly always. */
#define PIECE_BYTES 512

bool until_stopped_open(struct until_stopped *until, bool has_screen)
{
    static const int STOPS[] = {SIGINT, SIGTERM, SIGHUP}, SCREEN[] = {SIGWINCH, SIGCONT, SIGTSTP};
    sigset_t taken, blocked;
    sigemptyset(&taken);
    for (unsigned i = 0; i < sizeof STOPS / sizeof *STOPS; i++)
        sigaddset(&taken, STOPS[i]);
    for (unsigned i = 0; has_screen && i < sizeof SCREEN / sizeof *SCREEN; i++)
        sigaddset(&taken, SCREEN[i]);
    blocked = taken;
    if (has_screen)
        sigaddset(&blocked, SIGTTOU);
    *until = (struct until_stopped){.signal_fd = -1};
    if (sigprocmask(SIG_BLOCK, &blocked, NULL) == 0)
        until->signal_fd = signalfd(-1, &taken, SFD_CLOEXEC | SFD_NONBLOCK);
    return until->signal_fd >= 0;
}

bool until_stopped_look(struct until_stopped *until)
{
    struct signalfd_siginfo info;
    while (read(until->signal_fd, &info, sizeof info) == (ssize_t)sizeof info)
        switch (info.ssi_signo) {
        case SIGWINCH:
            until->is_resized = true;
            break;
        case SIGCONT:
            until->is_continued = true;
            break;
        case SIGTSTP:
            until->is_to_pause = true;
            break;
        default:
            until->is_stopped = true;
        }
    return until->is_stopped;
}

/** One piece, when there is room for it; 0: none was taken before the stop, or it failed. */
static size_t put_piece(struct until_stopped *until, const char *text, size_t n)
{
    for (;;) {
        struct pollfd waits[] = {{.fd = STDOUT_FILENO, .events = POLLOUT},
                                 {.fd = until->signal_fd, .events = POLLIN}};
        const int ready = poll(waits, 2, until->is_stopped ? 0 : -1);
        if (ready < 0 && errno != EINTR)
            return 0;
        if (ready > 0 && waits[0].revents != 0) {
            const ssize_t put = write(STDOUT_FILENO, text, n < PIECE_BYTES ? n : PIECE_BYTES);
            if (put > 0 || errno != EINTR)
                return put > 0 ? (size_t)put : 0;
        } else if (until_stopped_look(until) && ready <= 0) {
            errno = EINTR;
            return 0;
        }
    }
}

/** As a cookie's write: fewer than `n` bytes are an error of the stream. */
static ssize_t put(void *context, const char *text, size_t n)
{
    size_t done = 0;
    for (size_t put = 1; done < n && put > 0; done += put)
        put = put_piece(context, text + done, n - done);
    return (ssize_t)done;
}

FILE *until_stopped_output(struct until_stopped *until)
{
    return fopencookie(until, "w", (cookie_io_functions_t){.write = put});
}
