/* SPDX-License-Identifier: Apache-2.0
 *
 * power_cut_shim.c - a preloaded library that makes a disk misbehave, for tests only.
 *
 *   SHIM_CUT_AT=n        at the n-th sync the power fails: of all writes that no sync followed, a
 *                        random part is undone (whole, or torn at 512 bytes; one in four survives),
 *                        and the process dies by SIGKILL
 *   SHIM_CUT_AT_WRITE=n  the same at the n-th write, before it
 *   SHIM_SEED=n          which part
 *   SHIM_SHUTDOWN=MOUNT  a cut shuts down the ext4 that is mounted there instead ("no flush": what
 * is not on disk is lost, the file system's own journal included)
 *   SHIM_DIE_AT=n        the process dies at the n-th sync, before it; what it wrote stays in the
 * page cache SHIM_FAIL_SYNC_AT=n  the n-th sync fails with EIO. As kernels do, its pages then count
 * as clean: no later sync writes them, and they are gone after a cut, unless something is written
 * into the same page again The program may ask for its own next sync by shim_fail_sync(1), the one
 *                        after it by 2, and take that back by 0
 *   SHIM_CUT_AFTER=n     a cut at the n-th sync after the failed one
 *   SHIM_NOT_AGAIN=1     what the program writes itself, beside SQLite, is not written: a defect
 * that tests plant SHIM_FULL_FROM=n     from SQLite's n-th write on the disk is full (ENOSPC;
 * what the program writes itself stands there already, and needs no room),
 *   SHIM_FULL_FOR=n      for this many writes (for ever by default)
 *
 * SQLite writes with pwrite64 and syncs with fdatasync or fsync; its shared memory is mapped, and
 * is no part of what survives.
 */
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

#define WRITES_MAX 65536
#define SECTOR 512
#define PAGE 4096

/* A write since the last sync of its file, with what stood there before. */
struct unsynced {
    int fd;
    off64_t offset;
    size_t length, had; /* had: bytes that existed before */
    char *before;
    ino_t inode;
    int lost; /* its sync failed: a piece within one page that no later sync writes */
};

static struct unsynced writes[WRITES_MAX];
static size_t n_writes;
static long syncs, all_writes, new_writes, cut_at, cut_at_write, cut_after, failed_at, die_at,
    fail_at, full_from, full_for, not_again;
static int fails_in, skips_syncs;
static const char *shutdown_mount;
/* Over each write and sync, the kernel's part of a sync included: a cut strikes between them. */
static pthread_mutex_t disk = PTHREAD_MUTEX_INITIALIZER;
static unsigned long long random_state = 88172645463325252ull;

void shim_fail_sync(int from_now);
ssize_t pwrite64(int fd, const void *bytes, size_t length, off64_t offset);
int fdatasync(int fd);
int fsync(int fd);

static unsigned draw(void)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return (unsigned)(random_state >> 33);
}

static long number_of(const char *name, long otherwise)
{
    const char *text = getenv(name);
    return text == NULL ? otherwise : atol(text);
}

__attribute__((constructor)) static void read_environment(void)
{
    cut_at = number_of("SHIM_CUT_AT", 0);
    cut_at_write = number_of("SHIM_CUT_AT_WRITE", 0);
    cut_after = number_of("SHIM_CUT_AFTER", 0);
    die_at = number_of("SHIM_DIE_AT", 0);
    fail_at = number_of("SHIM_FAIL_SYNC_AT", 0);
    full_from = number_of("SHIM_FULL_FROM", 0);
    full_for = number_of("SHIM_FULL_FOR", 1L << 30);
    not_again = number_of("SHIM_NOT_AGAIN", 0);
    shutdown_mount = getenv("SHIM_SHUTDOWN");
    random_state ^= (unsigned long long)number_of("SHIM_SEED", 0) * 0x9E3779B97F4A7C15ull;
}

void shim_fail_sync(int from_now)
{
    pthread_mutex_lock(&disk);
    fails_in = from_now;
    pthread_mutex_unlock(&disk);
}

static ssize_t real_write(int fd, const void *bytes, size_t length, off64_t offset)
{
    static ssize_t (*real)(int, const void *, size_t, off64_t);
    if (real == NULL)
        *(void **)&real = dlsym(RTLD_NEXT, "pwrite64");
    return real(fd, bytes, length, offset);
}

static ino_t inode_of(int fd)
{
    struct stat file;
    return fstat(fd, &file) == 0 ? file.st_ino : 0;
}

/** A page that never reached the disk: what stood there before, or a hole. */
static void undo_lost(const struct unsynced *piece)
{
    static const char zeros[PAGE];
    struct stat file;
    (void)!real_write(piece->fd, piece->before, piece->had, piece->offset);
    if (piece->had < piece->length && fstat(piece->fd, &file) == 0 &&
        file.st_size > piece->offset + (off64_t)piece->had)
        (void)!real_write(piece->fd, zeros, piece->length - piece->had,
                          piece->offset + (off64_t)piece->had);
}

/** Undoes one write, from `from` of its bytes on; shortens the file where the write had made it
 * longer. */
static void undo(const struct unsynced *write, size_t from)
{
    struct stat file;
    if (from < write->had)
        (void)!real_write(write->fd, write->before + from, write->had - from,
                          write->offset + (off64_t)from);
    const off64_t keep = write->offset + (off64_t)(write->had > from ? write->had : from);
    const off64_t end = write->offset + (off64_t)write->length;
    if (write->had < write->length && fstat(write->fd, &file) == 0 && file.st_size <= end &&
        file.st_size > keep && ftruncate(write->fd, keep) != 0)
        _exit(99);
}

/** Source of the request: ext4's EXT4_IOC_SHUTDOWN, _IOR('X', 125, __u32), flag 2. */
static void shut_down(void)
{
    const uint32_t no_flush = 2;
    const int directory = open(shutdown_mount, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (directory < 0 || ioctl(directory, _IOR('X', 125, uint32_t), &no_flush) != 0)
        _exit(97);
    kill(getpid(), SIGKILL);
}

static void cut_power(void)
{
    if (shutdown_mount != NULL)
        shut_down();
    for (size_t i = n_writes; i-- > 0;) {
        if (writes[i].length > 0 && writes[i].lost) {
            undo_lost(&writes[i]);
            continue;
        }
        const unsigned fate = draw() % 4;
        if (writes[i].length == 0 || fate == 0)
            continue; /* synced since, or this one had reached the disk */
        const size_t sectors = writes[i].length / SECTOR;
        undo(&writes[i], fate == 1 && sectors > 0 ? draw() % (sectors + 1) * SECTOR : 0);
    }
    kill(getpid(), SIGKILL);
}

static struct unsynced *new_write(void)
{
    return n_writes < WRITES_MAX ? &writes[n_writes++] : NULL;
}

/** A sync failed: what was to be synced falls apart into pages that no later sync will write. */
static void lose_writes(ino_t inode)
{
    const size_t n = n_writes;
    for (size_t i = 0; i < n; i++) {
        const struct unsynced whole = writes[i];
        if (whole.length == 0 || whole.lost || whole.inode != inode)
            continue;
        writes[i].length = 0;
        for (size_t at = 0, piece; at < whole.length; at += piece) {
            const size_t to_page_end = PAGE - (size_t)((whole.offset + (off64_t)at) % PAGE);
            struct unsynced *lost = new_write();
            piece = whole.length - at < to_page_end ? whole.length - at : to_page_end;
            if (lost == NULL || (lost->before = calloc(1, piece)) == NULL)
                _exit(98);
            lost->fd = whole.fd;
            lost->offset = whole.offset + (off64_t)at;
            lost->length = piece;
            lost->had = whole.had <= at ? 0 : whole.had - at < piece ? whole.had - at : piece;
            for (size_t k = 0; k < lost->had; k++)
                lost->before[k] = whole.before[at + k];
            lost->inode = inode;
            lost->lost = 1;
        }
        free(whole.before);
    }
}

/** Pages that are written into again are dirty again: the next sync takes them along whole. */
static void find_again(ino_t inode, off64_t offset, size_t length)
{
    for (size_t i = 0; i < n_writes; i++)
        if (writes[i].length > 0 && writes[i].lost && writes[i].inode == inode &&
            writes[i].offset / PAGE >= offset / PAGE &&
            writes[i].offset / PAGE <= (offset + (off64_t)length - 1) / PAGE)
            writes[i].lost = 0;
}

/** What every sync does first; true where it must fail. */
static int before_sync(int fd)
{
    const ino_t inode = inode_of(fd);
    syncs++;
    if (syncs == cut_at || (cut_after != 0 && failed_at != 0 && syncs == failed_at + cut_after))
        cut_power();
    if (syncs == die_at)
        kill(getpid(), SIGKILL);
    if (syncs == fail_at || (fails_in > 0 && --fails_in == 0)) {
        failed_at = syncs;
        lose_writes(inode);
        return 1;
    }
    for (size_t i = 0; i < n_writes; i++)
        if (writes[i].length != 0 && !writes[i].lost && writes[i].inode == inode) {
            free(writes[i].before);
            writes[i].length = 0;
        }
    while (n_writes > 0 && writes[n_writes - 1].length == 0)
        n_writes--;
    return 0;
}

/** `in_place`: what stands there already is written again, for which a full disk has room. */
static ssize_t write_one(int fd, const void *bytes, size_t length, off64_t offset, int in_place)
{
    skips_syncs = 0;
    all_writes++;
    if (all_writes == cut_at_write)
        cut_power();
    new_writes += !in_place;
    if (!in_place && full_from != 0 && new_writes >= full_from &&
        new_writes < full_from + full_for) {
        errno = ENOSPC;
        return -1;
    }
    const int undoes = cut_at + cut_at_write + cut_after != 0 && shutdown_mount == NULL;
    struct unsynced *write = undoes && length > 0 ? new_write() : NULL;
    if (write != NULL) {
        write->lost = 0;
        write->before = malloc(length);
        const ssize_t had = write->before == NULL ? -1 : pread64(fd, write->before, length, offset);
        write->fd = fd;
        write->offset = offset;
        write->length = length;
        write->had = had > 0 ? (size_t)had : 0;
        write->inode = inode_of(fd);
        find_again(write->inode, offset, length);
    }
    return real_write(fd, bytes, length, offset);
}

static ssize_t write_locked(int fd, const void *bytes, size_t length, off64_t offset, int in_place)
{
    pthread_mutex_lock(&disk);
    const ssize_t written = write_one(fd, bytes, length, offset, in_place);
    const int why = errno;
    pthread_mutex_unlock(&disk);
    errno = why;
    return written;
}

ssize_t pwrite64(int fd, const void *bytes, size_t length, off64_t offset)
{
    return write_locked(fd, bytes, length, offset, 0);
}

/* Our own calls; SQLite's are by the long name. */
ssize_t pwrite(int fd, const void *bytes, size_t length, off_t offset)
{
    if (!not_again)
        return write_locked(fd, bytes, length, offset, 1);
    skips_syncs = 1;
    return (ssize_t)length;
}

static int sync_one(int fd, int (*real)(int))
{
    pthread_mutex_lock(&disk);
    int rc = skips_syncs ? 0 : -1, why = EIO;
    if (!skips_syncs && !before_sync(fd)) {
        rc = real(fd);
        why = errno;
    }
    pthread_mutex_unlock(&disk);
    errno = why;
    return rc;
}

int fdatasync(int fd)
{
    static int (*real)(int);
    if (real == NULL)
        *(void **)&real = dlsym(RTLD_NEXT, "fdatasync");
    return sync_one(fd, real);
}

int fsync(int fd)
{
    static int (*real)(int);
    if (real == NULL)
        *(void **)&real = dlsym(RTLD_NEXT, "fsync");
    return sync_one(fd, real);
}
