/* SPDX-License-Identifier: Apache-2.0
 *
 * side_process.c - see side_process.h. Descriptors are closed by number, so that nothing opened
 * without close-on-exec slips through.
 */
#include "side_process.h"

#include "command.h"
#include "confine.h"

#include "uphole/wall.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

/** In the child, between fork and exec: only async-signal-safe calls. */
static void become_side(int wall, char *const *arguments)
{
    sigset_t none;
    sigemptyset(&none);
    sigprocmask(SIG_SETMASK, &none, NULL);
    prctl(PR_SET_PDEATHSIG,
          SIGTERM); /* a killed well side takes its SCADA side along; the wall's end does so too */
    const int null = open("/dev/null", O_RDONLY);
    if (null < 0 || dup2(null, STDIN_FILENO) < 0)
        _exit(127);
    const int kept =
        dup2(wall, WALL_FD); /* clears close-on-exec, unless it already is that number */
    if (kept < 0 || fcntl(WALL_FD, F_SETFD, 0) < 0 || close_range(WALL_FD + 1, ~0U, 0) < 0)
        _exit(127);
    execv("/proc/self/exe", arguments);
    _exit(127);
}

enum up_rc side_process_start(const struct plan *plan, pid_t *pid, int *wall_fd,
                              struct up_error *error)
{
    struct confine_needs needs;
    struct confine_arguments may;
    confine_needs_of(plan, &needs);
    confine_to_arguments(&needs, &may);
    const char *arguments[2 + CONFINE_ARGUMENTS_MAX + 1] = {"uphole", SCADA_SIDE_ARGUMENT};
    memcpy(&arguments[2], may.text, may.n * sizeof may.text[0]);
    arguments[2 + may.n] = NULL;
    int fds[2];
    if (wall_pair(fds) < 0)
        return UP_FAIL_ERRNO(error, UP_E_SYSTEM, "the wall to the SCADA side could not be made: %s",
                             strerror(errno));
    const pid_t child = fork();
    if (child < 0) {
        close(fds[0]);
        close(fds[1]);
        return UP_FAIL_ERRNO(error, UP_E_SYSTEM, "the SCADA side could not be started: %s",
                             strerror(errno));
    }
    if (child == 0)
        become_side(fds[1], (char *const *)arguments); /* execv changes none of them */
    close(fds[1]);
    *pid = child;
    *wall_fd = fds[0];
    return UP_OK;
}

void side_process_ending(int status, char *into, size_t room)
{
    if (WIFSIGNALED(status))
        snprintf(into, room, "was ended by signal %d", WTERMSIG(status));
    else if (WEXITSTATUS(status) == 127)
        snprintf(into, room, "could not be run");
    else
        snprintf(into, room, "ended with code %d", WEXITSTATUS(status));
}
