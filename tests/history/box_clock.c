/* SPDX-License-Identifier: Apache-2.0
 *
 * box_clock.c - a preloaded library that gives one process a box's clock and boot of its own, for
 * tests only.
 *
 *   BOX_CLOCK=FILE   24 bytes, mapped: int64 offset of the UTC clock in us, int64 1 where the clock
 *                    is synchronised, int64 unused; may be changed while the process runs
 *   BOX_BOOT=FILE    read instead of the kernel's boot id
 *
 * Only the UTC clock moves; boot and running time stay the machine's. The file is mapped before the
 * process is confined, and its children inherit the environment.
 */
#include <dlfcn.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

struct box {
    volatile int64_t offset_us, synchronised, unused;
};
static const struct box MACHINE;
static const struct box *box = &MACHINE;

int open64(const char *path, int flags, ...);

__attribute__((constructor)) static void map_clock(void)
{
    const char *path = getenv("BOX_CLOCK");
    const int fd = path == NULL ? -1 : open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0)
        return;
    void *mapped = mmap(NULL, sizeof *box, PROT_READ, MAP_SHARED, fd, 0);
    if (mapped != MAP_FAILED)
        box = mapped;
    close(fd);
}

int clock_gettime(clockid_t id, struct timespec *now)
{
    static int (*real)(clockid_t, struct timespec *);
    if (real == NULL)
        *(void **)&real = dlsym(RTLD_NEXT, "clock_gettime");
    const int rc = real(id, now);
    if (rc != 0 || (id != CLOCK_REALTIME && id != CLOCK_REALTIME_COARSE))
        return rc;
    const int64_t us = (int64_t)now->tv_sec * 1000000 + now->tv_nsec / 1000 + box->offset_us;
    now->tv_sec = us / 1000000;
    now->tv_nsec = us % 1000000 * 1000;
    return 0;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone)
{
    struct timespec at;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &at);
    now->tv_sec = at.tv_sec;
    now->tv_usec = at.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *into)
{
    struct timespec at;
    clock_gettime(CLOCK_REALTIME, &at);
    if (into != NULL)
        *into = at.tv_sec;
    return at.tv_sec;
}

int adjtimex(struct timex *state)
{
    memset(state, 0, sizeof *state);
    state->status = box->synchronised ? 0 : STA_UNSYNC;
    return box->synchronised ? TIME_OK : TIME_ERROR;
}

static const char *path_of(const char *path)
{
    const char *ours = getenv("BOX_BOOT");
    return ours != NULL && strcmp(path, "/proc/sys/kernel/random/boot_id") == 0 ? ours : path;
}

int open(const char *path, int flags, ...)
{
    static int (*real)(const char *, int, ...);
    if (real == NULL)
        *(void **)&real = dlsym(RTLD_NEXT, "open");
    va_list more;
    va_start(more, flags);
    const mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return real(path_of(path), flags, mode);
}

int open64(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    const mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return open(path, flags, mode);
}
