/* SPDX-License-Identifier: Apache-2.0
 *
 * nth_call_shim.c - a preloaded library in which one call fails, once. For tests only.
 *
 *   NTH_CALL=write|sync|open|read|truncate|rename|allocate|malloc   which kind
 *   NTH_AT=n        its n-th call fails; 0: none, they are only counted
 *   NTH_FOR=n       and so many in all (1 by default)
 *   NTH_ERRNO=n     with this (EIO by default; malloc gives NULL)
 *   NTH_PATH=text   only files whose name holds this (not of malloc)
 *   NTH_COUNT=file  how many there were, written at the end
 */
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char *kind, *path_part;
static long at, calls, in_all = 1;
static int why = EIO, ready;

extern void *__libc_malloc(size_t size);
extern void *__libc_calloc(size_t n, size_t size);
extern void *__libc_realloc(void *old, size_t size);

__attribute__((constructor)) static void read_environment(void)
{
    const char *text = getenv("NTH_AT");
    kind = getenv("NTH_CALL");
    path_part = getenv("NTH_PATH");
    at = text == NULL ? 0 : atol(text);
    if ((text = getenv("NTH_FOR")) != NULL)
        in_all = atol(text);
    if ((text = getenv("NTH_ERRNO")) != NULL)
        why = atoi(text);
    ready = kind != NULL;
}

__attribute__((destructor)) static void write_count(void)
{
    char text[24];
    const char *name = getenv("NTH_COUNT");
    const long n = calls;
    ready = 0;
    const int fd = name == NULL ? -1 : open(name, O_WRONLY | O_CREAT | O_TRUNC, 0600);
    if (fd < 0)
        return;
    const int length = snprintf(text, sizeof text, "%ld\n", n);
    (void)!write(fd, text, (size_t)length);
    close(fd);
}

/** True where this call is the one that fails. */
static int fails(const char *which, const char *name)
{
    if (!ready || strcmp(kind, which) != 0 ||
        (name != NULL && path_part != NULL && strstr(name, path_part) == NULL))
        return 0;
    ++calls;
    if (at == 0 || calls < at || calls >= at + in_all)
        return 0;
    errno = why;
    return 1;
}

static int fails_fd(const char *which, int fd)
{
    char link[40], name[512];
    if (!ready || strcmp(kind, which) != 0)
        return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    const ssize_t n = readlink(link, name, sizeof name - 1);
    name[n > 0 ? n : 0] = '\0';
    return fails(which, name);
}

#define REAL(type, name, ...)                                                                      \
    static type (*real)(__VA_ARGS__);                                                              \
    if (real == NULL)                                                                              \
    *(void **)&real = dlsym(RTLD_NEXT, name)

ssize_t pwrite64(int fd, const void *bytes, size_t n, off64_t offset)
{
    REAL(ssize_t, "pwrite64", int, const void *, size_t, off64_t);
    return fails_fd("write", fd) ? -1 : real(fd, bytes, n, offset);
}
ssize_t pread64(int fd, void *bytes, size_t n, off64_t offset)
{
    REAL(ssize_t, "pread64", int, void *, size_t, off64_t);
    return fails_fd("read", fd) ? -1 : real(fd, bytes, n, offset);
}
int fdatasync(int fd)
{
    REAL(int, "fdatasync", int);
    return fails_fd("sync", fd) ? -1 : real(fd);
}
int fsync(int fd)
{
    REAL(int, "fsync", int);
    return fails_fd("sync", fd) ? -1 : real(fd);
}
int ftruncate64(int fd, off64_t length)
{
    REAL(int, "ftruncate64", int, off64_t);
    return fails_fd("truncate", fd) ? -1 : real(fd, length);
}
int fallocate(int fd, int mode, off_t offset, off_t length)
{
    REAL(int, "fallocate", int, int, off_t, off_t);
    return fails_fd("allocate", fd) ? -1 : real(fd, mode, offset, length);
}
int rename(const char *from, const char *to)
{
    REAL(int, "rename", const char *, const char *);
    return fails("rename", from) ? -1 : real(from, to);
}

static int open_it(const char *symbol, const char *name, int flags, mode_t mode)
{
    REAL(int, "open64", const char *, int, ...);
    (void)symbol;
    return fails("open", name) ? -1 : real(name, flags, mode);
}
int open64(const char *name, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    const mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return open_it("open64", name, flags, mode);
}
int open(const char *name, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    const mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return open_it("open", name, flags, mode);
}

#ifndef NTH_NO_MALLOC /* a sanitizer has its own */
void *malloc(size_t size)
{
    return fails("malloc", NULL) ? NULL : __libc_malloc(size);
}
void *calloc(size_t n, size_t size)
{
    return fails("malloc", NULL) ? NULL : __libc_calloc(n, size);
}
void *realloc(void *old, size_t size)
{
    return fails("malloc", NULL) ? NULL : __libc_realloc(old, size);
}
#endif
