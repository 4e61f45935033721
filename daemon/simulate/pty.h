/* SPDX-License-Identifier: Apache-2.0
 *
 * pty.h - a serial port that somebody else can open: a pseudo-terminal under a name of ours.
 */
#ifndef UPHOLE_SIMULATE_PTY_H
#define UPHOLE_SIMULATE_PTY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "uphole/error.h"
#include "uphole/plan.h"

struct pty {
    int master;                 /* -1: closed */
    char link[PATH_LENGTH_MAX]; /* the name that others open */
    char slave[64];
    bool is_open;    /* somebody holds the other end, or nobody has come yet */
    bool must_renew; /* left behind locked by somebody who is gone */
};

/**
 * Opens a pseudo-terminal in raw mode and lets `link` point to it, replacing only another symbolic
 * link, in one step. A file, directory or device under that name is refused (UP_E_PORT).
 */
UP_MUST enum up_rc pty_open(struct pty *pty, const char *link, struct up_error *error);
/** Closes it; removes the link where it is still ours. Safe when closed. */
void pty_close(struct pty *pty);
/** Looks whether the other end is held; after somebody has gone, what he left (lock, unread bytes)
 * is cleared. */
void pty_watch(struct pty *pty);
/** Makes it anew under the same link, where pty_watch asked for it. */
UP_MUST enum up_rc pty_renew(struct pty *pty, struct up_error *error);
/**
 * Speed and parity that the other end has set. A pseudo-terminal carries neither, but remembers
 * them; the kernel takes PARENB off, so parity is known by its being checked (INPCK). 8 data bits.
 */
void pty_settings(const struct pty *pty, struct line_plan *out);
/** Writes what the other end takes; with nobody there bytes fall off the wire. */
void pty_write(const struct pty *pty, const uint8_t *bytes, size_t n);

#endif
