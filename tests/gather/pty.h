/* SPDX-License-Identifier: Apache-2.0
 *
 * pty.h - a real pseudo-terminal: the line opens the slave's path, the test speaks as the surface
 * unit on the master.
 */
#ifndef UPHOLE_TESTS_GATHER_PTY_H
#define UPHOLE_TESTS_GATHER_PTY_H

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

struct pty {
    int master;
    int keeper; /* the slave side, held open so that the master doesn't hang up before the line
                   opens it; -1 to let go */
    char path[64];
};

/** -1 where no pseudo-terminal can be had. */
static inline int pty_open(struct pty *pty)
{
    pty->keeper = -1;
    pty->master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (pty->master < 0 || grantpt(pty->master) != 0 || unlockpt(pty->master) != 0 ||
        ptsname_r(pty->master, pty->path, sizeof pty->path) != 0)
        return -1;
    pty->keeper = open(pty->path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    struct termios raw;
    if (pty->keeper < 0 || tcgetattr(pty->keeper, &raw) != 0)
        return -1;
    cfmakeraw(&raw);
    return tcsetattr(pty->keeper, TCSANOW, &raw);
}
static inline void pty_close(struct pty *pty)
{
    if (pty->keeper >= 0)
        close(pty->keeper);
    if (pty->master >= 0)
        close(pty->master);
    pty->keeper = pty->master = -1;
}

#endif
