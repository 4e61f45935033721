/* SPDX-License-Identifier: Apache-2.0
 *
 * pty.c - a serial port that somebody else can open.
 *
 * The other end is not held open here, so that its closing is seen (POLLHUP). An exclusive lock
 * (TIOCEXCL) outlives its holder as long as the pair lives, unlike that of a real port: it is taken
 * off, and where even that is refused the pair is made anew under the same link.
 */
#include "pty.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

static enum up_rc open_pair(struct pty *pty, struct up_error *error)
{
    struct termios raw;
    pty->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (pty->master < 0)
        return UP_FAIL_ERRNO(error, UP_E_SYSTEM, "no pseudo-terminal can be had: %s",
                             strerror(errno));
    bool good = grantpt(pty->master) == 0 && unlockpt(pty->master) == 0 &&
                ptsname_r(pty->master, pty->slave, sizeof pty->slave) == 0 &&
                tcgetattr(pty->master, &raw) == 0;
    if (good) {
        cfmakeraw(&raw);
        good = tcsetattr(pty->master, TCSANOW, &raw) == 0;
    }
    if (!good) {
        (void)UP_FAIL_ERRNO(error, UP_E_SYSTEM, "a pseudo-terminal can't be set up: %s",
                            strerror(errno));
        close(pty->master);
        pty->master = -1;
        return UP_E_SYSTEM;
    }
    pty->is_open = true;
    pty->must_renew = false;
    return UP_OK;
}

static enum up_rc put_link(const struct pty *pty, struct up_error *error)
{
    struct stat status;
    char beside[PATH_LENGTH_MAX + 32];
    if (lstat(pty->link, &status) == 0 && !S_ISLNK(status.st_mode))
        return UP_FAIL(
            error, UP_E_PORT,
            "%s is there and is no link of a simulator; choose another name for the line",
            pty->link);
    snprintf(beside, sizeof beside, "%s.%ld.new", pty->link, (long)getpid());
    (void)unlink(beside);
    if (symlink(pty->slave, beside) != 0)
        return UP_FAIL_ERRNO(error, UP_E_PORT, "%s can't be made: %s", pty->link, strerror(errno));
    if (rename(beside, pty->link) != 0) {
        enum up_rc rc = UP_FAIL_ERRNO(error, UP_E_PORT, "%s can't be put in place: %s", pty->link,
                                      strerror(errno));
        (void)unlink(beside);
        return rc;
    }
    return UP_OK;
}

enum up_rc pty_open(struct pty *pty, const char *link, struct up_error *error)
{
    *pty = (struct pty){.master = -1};
    snprintf(pty->link, sizeof pty->link, "%s", link);
    enum up_rc rc = open_pair(pty, error);
    if (rc != UP_OK)
        return rc;
    rc = put_link(pty, error);
    if (rc != UP_OK) {
        close(pty->master);
        pty->master = -1;
    }
    return rc;
}

static bool link_is_ours(const struct pty *pty)
{
    char target[sizeof pty->slave];
    ssize_t n = readlink(pty->link, target, sizeof target);
    return n == (ssize_t)strlen(pty->slave) && memcmp(target, pty->slave, (size_t)n) == 0;
}

void pty_close(struct pty *pty)
{
    if (pty->master < 0)
        return;
    if (link_is_ours(pty))
        (void)unlink(pty->link);
    close(pty->master);
    pty->master = -1;
}

enum up_rc pty_renew(struct pty *pty, struct up_error *error)
{
    int before = pty->master;
    enum up_rc rc = open_pair(pty, error);
    if (rc == UP_OK)
        rc = put_link(pty, error);
    if (before >= 0)
        close(before); /* after the link points to the new pair: whoever opens it finds one */
    return rc;
}

/* Takes off what the one who left had set. */
static void clear_behind(struct pty *pty)
{
    int peer = ioctl(pty->master, TIOCGPTPEER, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (peer < 0) {
        pty->must_renew = true;
        return;
    }
    (void)ioctl(peer, TIOCNXCL);
    (void)tcflush(peer, TCIOFLUSH);
    close(peer);
}

void pty_watch(struct pty *pty)
{
    struct pollfd look = {.fd = pty->master, .events = POLLIN};
    if (pty->master < 0 || poll(&look, 1, 0) < 0)
        return;
    bool hung_up = (look.revents & POLLHUP) != 0;
    if (hung_up && pty->is_open)
        clear_behind(pty);
    pty->is_open = !hung_up;
}

static const struct {
    speed_t speed;
    uint32_t baud;
} SPEEDS[] = {
    {B300, 300},     {B600, 600},       {B1200, 1200},     {B2400, 2400},
    {B4800, 4800},   {B9600, 9600},     {B19200, 19200},   {B38400, 38400},
    {B57600, 57600}, {B115200, 115200}, {B230400, 230400},
};

void pty_settings(const struct pty *pty, struct line_plan *out)
{
    struct termios now;
    *out = (struct line_plan){
        .medium = LINE_MEDIUM_SERIAL, .baud = 9600, .data_bits = 8, .stop_bits = 1, .parity = 'N'};
    if (pty->master < 0 || tcgetattr(pty->master, &now) != 0)
        return;
    for (size_t i = 0; i < sizeof SPEEDS / sizeof SPEEDS[0]; i++)
        if (SPEEDS[i].speed == cfgetospeed(&now))
            out->baud = SPEEDS[i].baud;
    if (now.c_iflag & INPCK)
        out->parity = now.c_cflag & PARODD ? 'O' : 'E';
    if (now.c_cflag & CSTOPB)
        out->stop_bits = 2;
}

void pty_write(const struct pty *pty, const uint8_t *bytes, size_t n)
{
    if (pty->master < 0 || !pty->is_open)
        return;
    while (n > 0) {
        ssize_t written = write(pty->master, bytes, n);
        if (written < 0 && errno == EINTR)
            continue;
        if (written <= 0)
            return; /* nobody reads: the bytes are gone, as on a wire */
        bytes += written;
        n -= (size_t)written;
    }
}
