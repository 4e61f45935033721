/* SPDX-License-Identifier: Apache-2.0
 *
 * until_stopped.h - for a command that goes on until it is stopped: it ends by the first signal,
 * wherever it waits, also where nobody takes its output (a reader that stands still, a terminal
 * that was told to stop).
 *
 * The signals are blocked and come as data, so that none gets lost between a look and a wait.
 */
#ifndef UPHOLE_UNTIL_STOPPED_H
#define UPHOLE_UNTIL_STOPPED_H

#include <stdbool.h>
#include <stdio.h>

/** What came so far; the screen's three are the command's to clear. */
struct until_stopped {
    int signal_fd; /* to wait at, beside what else the command waits for */
    bool is_stopped;
    bool is_resized, is_continued, is_to_pause; /* of a screen alone */
};

/**
 * Takes SIGINT, SIGTERM and SIGHUP from here on; with `has_screen` also the terminal's new size,
 * Ctrl-Z and going on (and nothing stops it for touching its terminal from the background).
 * False: no signals can be taken. For the process's life; the caller closes signal_fd.
 */
bool until_stopped_open(struct until_stopped *until, bool has_screen);
/** Takes what came, without waiting; true when the command is to end. */
bool until_stopped_look(struct until_stopped *until);
/**
 * Standard output as a stream, which fails where a stop comes while nobody takes what is written;
 * after a stop it writes what is taken at once. NULL: no memory. The caller closes it, before
 * `until` goes; standard output stays open.
 */
FILE *until_stopped_output(struct until_stopped *until);

#endif
