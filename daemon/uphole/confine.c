/* SPDX-License-Identifier: Apache-2.0
 *
 * confine.c - see confine.h. The list of system calls was learned by tracing a SCADA side that
 * connects by name with TLS, loses its broker and finds it again, serves its table, and stops; to
 * that were added the other ways in which the C library does the same things.
 */
#include "confine.h"

#include "uphole/say.h"

#include <errno.h>
#include <fcntl.h>
#include <sched.h>
#include <seccomp.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <unistd.h>

#if defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define HAS_SANITIZER 1
#endif
#endif
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define HAS_SANITIZER 1
#endif
#ifndef HAS_SANITIZER
#define HAS_SANITIZER 0
#endif

/* ---- Landlock: the numbers of its interface (linux/landlock.h), since older headers lack the
 * newer ones ---- */

#define LL_READ_FILE (UINT64_C(1) << 2)
#define LL_READ_DIR (UINT64_C(1) << 3)
#define LL_VERSION_1 ((UINT64_C(1) << 13) - 1) /* execute, write, read, remove, make */
#define LL_REFER (UINT64_C(1) << 13)           /* version 2 */
#define LL_TRUNCATE (UINT64_C(1) << 14)        /* version 3 */
#define LL_IOCTL_DEV (UINT64_C(1) << 15)       /* version 5 */
#define LL_BIND_TCP (UINT64_C(1) << 0)         /* version 4 */
#define LL_SCOPE_ABSTRACT (UINT64_C(1) << 0)   /* version 6 */
#define LL_SCOPE_SIGNAL (UINT64_C(1) << 1)     /* version 6 */
#define LL_ASK_VERSION 1u
#define LL_RULE_PATH 1
#define LL_RULE_PORT 2

struct ll_rules {
    uint64_t files, network, scope;
};
struct ll_path {
    uint64_t allowed;
    int32_t parent_fd;
} __attribute__((packed));
struct ll_port {
    uint64_t allowed, port;
};

/* What every SCADA side reads: names and name servers, certificates, the modules of the name
 * service, time zones. */
static const char *const READABLE[] = {
    "/etc",
    "/lib",
    "/lib64",
    "/usr/lib",
    "/usr/lib64",
    "/usr/local/lib",
    "/usr/local/share/ca-certificates",
    "/usr/share/ca-certificates",
    "/usr/share/zoneinfo",
    "/run/systemd/resolve",
    "/run/resolvconf",
    "/run/NetworkManager",
    "/dev/null",
    "/dev/urandom",
};

int confine_landlock_version(void)
{
    const long version = syscall(SYS_landlock_create_ruleset, NULL, 0, LL_ASK_VERSION);
    return version > 0 ? (int)version : 0;
}

static struct ll_rules rules_of(int version)
{
    struct ll_rules rules = {.files = LL_VERSION_1};
    rules.files |= version >= 2 ? LL_REFER : 0;
    rules.files |= version >= 3 ? LL_TRUNCATE : 0;
    rules.files |= version >= 5 ? LL_IOCTL_DEV : 0;
    rules.network = version >= 4 ? LL_BIND_TCP : 0;
    rules.scope = version >= 6 ? LL_SCOPE_ABSTRACT | LL_SCOPE_SIGNAL : 0;
    return rules;
}

/** Kernels refuse a longer structure than they know, where the rest isn't zero; so only as long as
 * needed. */
static size_t rules_size(int version)
{
    return version >= 6   ? sizeof(struct ll_rules)
           : version >= 4 ? 2 * sizeof(uint64_t)
                          : sizeof(uint64_t);
}

/** A path that isn't there isn't needed on this box. */
static bool let_read(int rules, const char *path)
{
    const int fd = open(path, O_PATH | O_CLOEXEC);
    if (fd < 0)
        return true;
    struct ll_path rule = {.allowed = LL_READ_FILE | LL_READ_DIR, .parent_fd = fd};
    long rc = syscall(SYS_landlock_add_rule, rules, LL_RULE_PATH, &rule, 0);
    if (rc != 0 && errno == EINVAL) { /* no directory */
        rule.allowed = LL_READ_FILE;
        rc = syscall(SYS_landlock_add_rule, rules, LL_RULE_PATH, &rule, 0);
    }
    close(fd);
    return rc == 0;
}

static bool let_all(int rules, const struct confine_needs *needs, int version)
{
    bool good = true;
    for (size_t i = 0; i < sizeof READABLE / sizeof READABLE[0]; i++)
        good = good && let_read(rules, READABLE[i]);
    for (size_t i = 0; i < needs->n_paths; i++)
        good = good && let_read(rules, needs->path[i]);
    const char *credentials = getenv("CREDENTIALS_DIRECTORY");
    if (credentials != NULL && credentials[0] == '/')
        good = good && let_read(rules, credentials);
    for (size_t i = 0; i < needs->n_ports && version >= 4; i++) {
        const struct ll_port rule = {.allowed = LL_BIND_TCP, .port = needs->port[i]};
        good = good && syscall(SYS_landlock_add_rule, rules, LL_RULE_PORT, &rule, 0) == 0;
    }
    return good;
}

static bool confine_files(const struct confine_needs *needs)
{
    const int version = confine_landlock_version();
    if (version == 0)
        return false;
    const struct ll_rules wanted = rules_of(version);
    const long rules = syscall(SYS_landlock_create_ruleset, &wanted, rules_size(version), 0);
    if (rules < 0)
        return false;
    const bool good = let_all((int)rules, needs, version) &&
                      syscall(SYS_landlock_restrict_self, (int)rules, 0) == 0;
    close((int)rules);
    return good;
}

/* ---- seccomp ---- */

/* clang-format off */
/* Allowed whatever their arguments. Names that an architecture lacks are passed over. */
static const char *const ALLOWED[] = {
    /* bytes and descriptors */
    "read", "write", "readv", "writev", "pread64", "lseek", "close", "close_range", "dup", "dup2", "dup3", "pipe", "pipe2",
    "eventfd2", "poll", "ppoll", "ppoll_time64", "select", "_newselect", "pselect6", "pselect6_time64", "epoll_create1",
    "epoll_ctl", "epoll_wait", "epoll_pwait", "epoll_pwait2", "fadvise64",
    /* files, to be looked at: opening stands below, and Landlock says where */
    "fstat", "fstat64", "stat", "stat64", "lstat", "lstat64", "newfstatat", "fstatat64", "statx", "statfs", "fstatfs", "access",
    "faccessat", "faccessat2", "readlink", "readlinkat", "getdents64", "getcwd",
    /* network: which families stands below */
    "connect", "bind", "listen", "accept", "accept4", "shutdown", "recv", "recvfrom", "recvmsg", "recvmmsg", "send", "sendto",
    "sendmsg", "sendmmsg", "getsockname", "getpeername", "getsockopt", "setsockopt",
    /* memory and threads */
    "brk", "munmap", "mremap", "madvise", "futex", "futex_time64", "set_robust_list", "rseq", "set_tid_address", "sched_yield",
    "sched_getaffinity", "gettid", "getpid", "getppid", "getcpu", "membarrier", "exit", "exit_group", "restart_syscall",
    /* signals of its own */
    "rt_sigaction", "rt_sigprocmask", "rt_sigreturn", "sigreturn", "sigaltstack", "rt_sigtimedwait",
    /* time, chance, who am I */
    "clock_gettime", "clock_gettime64", "clock_getres", "clock_getres_time64", "clock_nanosleep", "clock_nanosleep_time64",
    "nanosleep", "gettimeofday", "time", "getrandom", "uname", "sysinfo", "getrusage", "getuid", "geteuid", "getgid", "getegid",
    "getuid32", "geteuid32", "getgid32", "getegid32", "getrlimit", "ugetrlimit",
};

/* Nothing that this process is made of calls these: whoever does has taken it over. */
static const char *const NEVER[] = {
    "execve", "execveat", "fork", "vfork", "ptrace", "process_vm_readv", "process_vm_writev", "pidfd_getfd", "open_by_handle_at",
    "mount", "umount2", "move_mount", "pivot_root", "chroot", "unshare", "setns", "bpf", "perf_event_open", "userfaultfd",
    "init_module", "finit_module", "delete_module", "kexec_load", "kexec_file_load", "reboot", "iopl", "ioperm",
};
/* clang-format on */

/* Allowed where its argument number `argument` compares so. */
struct ruled {
    const char *name;
    unsigned argument;
    enum scmp_compare compare;
    scmp_datum_t a, b; /* MASKED_EQ: mask and value; else value */
};

static bool add_names(scmp_filter_ctx filter, uint32_t action, const char *const *names, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        const int number = seccomp_syscall_resolve_name(names[i]);
        if (number == __NR_SCMP_ERROR)
            continue;
        if (seccomp_rule_add(filter, action, number, 0) < 0)
            return false;
    }
    return true;
}

static bool add_ruled(scmp_filter_ctx filter)
{
    const scmp_datum_t writes = O_ACCMODE | O_CREAT | O_TRUNC;
    const struct ruled rows[] = {
        {"openat", 2, SCMP_CMP_MASKED_EQ, writes, O_RDONLY},
        {"open", 1, SCMP_CMP_MASKED_EQ, writes, O_RDONLY},
        /* No local sockets but its own pairs: the daemon's commands are served on one, and our user
         * is its owner. Names that only a local service knows (mDNS) aren't found. */
        {"socket", 0, SCMP_CMP_EQ, AF_INET, 0},
        {"socket", 0, SCMP_CMP_EQ, AF_INET6, 0},
        /* A pair of datagram sockets could be connected anew. */
        {"socketpair", 1, SCMP_CMP_MASKED_EQ, 0xF, SOCK_STREAM},
        /* Threads, no processes. */
        {"clone", 0, SCMP_CMP_MASKED_EQ, CLONE_THREAD, CLONE_THREAD},
        /* Memory is never writable and executable; modules of the name service are loaded. */
        {"mmap", 2, SCMP_CMP_MASKED_EQ, PROT_EXEC, 0},
        {"mmap", 2, SCMP_CMP_MASKED_EQ, PROT_WRITE, 0},
        {"mmap2", 2, SCMP_CMP_MASKED_EQ, PROT_EXEC, 0},
        {"mmap2", 2, SCMP_CMP_MASKED_EQ, PROT_WRITE, 0},
        {"mprotect", 2, SCMP_CMP_MASKED_EQ, PROT_EXEC, 0},
        {"ioctl", 1, SCMP_CMP_EQ, TCGETS, 0}, /* is standard error a terminal? */
        {"ioctl", 1, SCMP_CMP_EQ, FIONREAD, 0},
        {"ioctl", 1, SCMP_CMP_EQ, FIONBIO, 0},
        {"fcntl", 1, SCMP_CMP_EQ, F_GETFD, 0},
        {"fcntl", 1, SCMP_CMP_EQ, F_SETFD, 0},
        {"fcntl", 1, SCMP_CMP_EQ, F_GETFL, 0},
        {"fcntl", 1, SCMP_CMP_EQ, F_SETFL, 0},
        {"fcntl", 1, SCMP_CMP_EQ, F_DUPFD, 0},
        {"fcntl", 1, SCMP_CMP_EQ, F_DUPFD_CLOEXEC, 0},
        {"fcntl64", 1, SCMP_CMP_LE, F_SETFL, 0},
        {"fcntl64", 1, SCMP_CMP_EQ, F_DUPFD_CLOEXEC, 0},
        {"prctl", 0, SCMP_CMP_EQ, PR_SET_NAME, 0},
        {"prctl", 0, SCMP_CMP_EQ, PR_SET_TIMERSLACK, 0},
        {"prlimit64", 2, SCMP_CMP_EQ, 0, 0}, /* reads limits, sets none */
        {"tgkill", 0, SCMP_CMP_EQ, (scmp_datum_t)getpid(), 0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const int number = seccomp_syscall_resolve_name(rows[i].name);
        if (number == __NR_SCMP_ERROR)
            continue;
        const struct scmp_arg_cmp when = {.arg = rows[i].argument,
                                          .op = rows[i].compare,
                                          .datum_a = rows[i].a,
                                          .datum_b = rows[i].b};
        if (seccomp_rule_add_array(filter, SCMP_ACT_ALLOW, number, 1, &when) < 0)
            return false;
    }
    /* Its flags lie in memory, where a filter can't look; the C library then takes clone. */
    return seccomp_rule_add(filter, SCMP_ACT_ERRNO(ENOSYS), SCMP_SYS(clone3), 0) == 0;
}

static bool confine_calls(void)
{
    scmp_filter_ctx filter = seccomp_init(SCMP_ACT_ERRNO(EPERM));
    if (filter == NULL)
        return false;
    const bool good =
        add_names(filter, SCMP_ACT_ALLOW, ALLOWED, sizeof ALLOWED / sizeof ALLOWED[0]) &&
        add_names(filter, SCMP_ACT_KILL_PROCESS, NEVER, sizeof NEVER / sizeof NEVER[0]) &&
        add_ruled(filter) && seccomp_load(filter) == 0;
    seccomp_release(filter);
    return good;
}

void confine_scada_side(const struct confine_needs *needs)
{
    if (HAS_SANITIZER) {
        say(SAY_INFO, "uphole", "The SCADA side isn't confined in a build with sanitizers.");
        return;
    }
    if (prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0 || !confine_files(needs))
        say(SAY_WARNING, "uphole",
            "This kernel can't keep the SCADA side from reading files that it doesn't need "
            "(Landlock is missing or switched off). It still can't write any, and holds no line "
            "and no database.");
    if (!confine_calls())
        say(SAY_WARNING, "uphole",
            "This kernel can't restrict the system calls of the SCADA side (seccomp is missing). "
            "It still holds no line and no database.");
}
