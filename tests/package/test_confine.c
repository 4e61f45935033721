/* SPDX-License-Identifier: Apache-2.0
 *
 * test_confine.c - what a process in the SCADA side's confinement can still do, and what no longer.
 *
 * Each try runs in a child of its own, confined as the daemon does it, and is compared with the
 * same try in a child without confinement: a try that fails there too would prove nothing.
 */
#include "check.h"

#include "../../daemon/uphole/confine.h"

#include <arpa/inet.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/in.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/epoll.h>
#include <sys/eventfd.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/ptrace.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

static char directory[] = "/tmp/uphole-confine-XXXXXX";
static char journal[64], journal_file[80], secrets[64], secret[80], pty[64];
static struct confine_needs needs;

/* ---- a try in a child: 0 it worked, an errno, or 1000 + the signal that ended it ---- */

#define ENDED_BY 1000

static int tried(int (*what)(void), bool confined)
{
    const pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        if (confined)
            confine_scada_side(&needs);
        errno = 0;
        _exit(what() == 0 ? 0 : errno == 0 ? 255 : errno);
    }
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    return WIFSIGNALED(status) ? ENDED_BY + WTERMSIG(status) : WEXITSTATUS(status);
}

static void refused(const char *what, int (*how)(void), int expected)
{
    check_count(what, tried(how, false), 0);
    check_count(what, tried(how, true), expected);
}

static void works(const char *what, int (*how)(void))
{
    check_count(what, tried(how, true), 0);
}

static bool landlock_lacks(int version, const char *what)
{
    if (confine_landlock_version() >= version)
        return false;
    print_message("skipped: %s: this kernel speaks Landlock %d, not %d\n", what,
                  confine_landlock_version(), version);
    return true;
}

/* ---- files and devices ---- */

static int opened(const char *path, int flags)
{
    const int fd = open(path, flags | O_CLOEXEC, 0600);
    return fd >= 0 ? close(fd) : -1;
}
static int write_journal(void)
{
    return opened(journal_file, O_RDWR);
}
static int append_journal(void)
{
    return opened(journal_file, O_WRONLY | O_APPEND);
}
static int read_journal(void)
{
    return opened(journal_file, O_RDONLY);
}
static int make_file(void)
{
    char path[160];
    snprintf(path, sizeof path, "%s/new-%d", journal, (int)getpid());
    return opened(path, O_WRONLY | O_CREAT);
}
static int remove_and_make(void)
{
    char path[160];
    snprintf(path, sizeof path, "%s/dir-%d", journal, (int)getpid());
    return mkdir(path, 0700) == 0 ? rmdir(path) : -1;
}
static int write_secret(void)
{
    return opened(secret, O_WRONLY);
}

/* Planted defect: O_ACCMODE left out of the mask, so that O_RDWR goes through. */
static void the_journal_can_not_be_written(void **state)
{
    (void)state;
    refused("journal for writing", write_journal, EPERM);
    refused("journal for appending", append_journal, EPERM);
    refused("a new file beside it", make_file, EPERM);
    refused("a directory beside it", remove_and_make, EPERM);
    refused("a secret for writing", write_secret, EPERM);
}

/* Planted defect: confine_files not called. */
static void the_journal_can_not_even_be_read(void **state)
{
    (void)state;
    if (!landlock_lacks(1, "reading the journal"))
        refused("journal for reading", read_journal, EACCES);
}

static int open_pty(void)
{
    return opened(pty, O_RDONLY | O_NOCTTY);
}
static int open_ptmx(void)
{
    return opened("/dev/ptmx", O_RDONLY | O_NOCTTY);
}

/* Planted defect: "/dev" among what may be read. */
static void no_device_can_be_opened(void **state)
{
    (void)state;
    if (landlock_lacks(1, "opening devices for reading"))
        return;
    refused("a terminal line", open_pty, EACCES);
    refused("/dev/ptmx", open_ptmx, EACCES);
    DIR *devices = opendir("/dev");
    unsigned n = 0;
    for (const struct dirent *entry; devices != NULL && (entry = readdir(devices)) != NULL;) {
        if (strncmp(entry->d_name, "tty", 3) != 0)
            continue;
        snprintf(pty, sizeof pty, "/dev/%.50s", entry->d_name);
        check_count(pty, tried(open_pty, true), EACCES);
        n++;
    }
    closedir(devices);
    print_message("%u of /dev/tty* refused\n", n);
}

static int controls_terminal(void)
{
    int bits = 0;
    const int fd = 30; /* the open pty, as if it had been handed over */
    return ioctl(fd, TIOCMGET, &bits) == 0 || errno == ENOTTY || errno == EINVAL ? 0 : -1;
}

static void a_device_that_slipped_through_can_not_be_controlled(void **state)
{
    (void)state;
    refused("modem lines", controls_terminal, EPERM);
}

/* ---- other processes ---- */

static int run_program(void)
{
    execl("/bin/true", "true", (char *)NULL);
    return -1;
}
static int make_process(void)
{
    const pid_t child = fork();
    if (child == 0)
        _exit(0);
    return child > 0 ? 0 : -1;
}
static int trace_parent(void)
{
    return ptrace(PTRACE_TRACEME, 0, NULL, NULL) == 0 ? 0 : -1;
}
static int signal_parent(void)
{
    return kill(getppid(), 0);
}

/* Planted defect: clone allowed whatever its flags. */
static void no_program_runs_and_no_process_is_touched(void **state)
{
    (void)state;
    refused("running a program", run_program, ENDED_BY + SIGSYS);
    refused("another process", make_process, EPERM);
    refused("tracing", trace_parent, ENDED_BY + SIGSYS);
    refused("a signal to the well side", signal_parent, EPERM);
}

static int writable_code(void)
{
    void *at =
        mmap(NULL, 4096, PROT_READ | PROT_WRITE | PROT_EXEC, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    return at == MAP_FAILED ? -1 : 0;
}
static int code_of_data(void)
{
    void *at = mmap(NULL, 4096, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    return mprotect(at, 4096, PROT_READ | PROT_EXEC);
}
static int raise_limit(void)
{
    const struct rlimit limit = {10, 10};
    return setrlimit(RLIMIT_NOFILE, &limit);
}

static void data_does_not_become_code(void **state)
{
    (void)state;
    refused("writable code", writable_code, EPERM);
    refused("data made code", code_of_data, EPERM);
    refused("limits", raise_limit, EPERM);
}

/* ---- sockets ---- */

static int local_socket(void)
{
    const int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    return fd >= 0 ? close(fd) : -1;
}
static int datagram_pair(void)
{
    int pair[2];
    return socketpair(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0, pair);
}
static int netlink_socket(void)
{
    const int fd = socket(AF_NETLINK, SOCK_RAW, 0);
    return fd >= 0 ? close(fd) : -1;
}

static int bind_to(uint16_t port)
{
    const struct sockaddr_in at = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr = {htonl(INADDR_LOOPBACK)}};
    const int fd = socket(AF_INET, SOCK_STREAM, 0), on = 1;
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    return bind(fd, (const struct sockaddr *)&at, sizeof at) == 0 ? listen(fd, 1) : -1;
}
static int bind_elsewhere(void)
{
    return bind_to(0);
}
static int bind_to_the_plans_port(void)
{
    return bind_to(needs.port[0]);
}

static void no_local_socket_leads_back_to_the_daemon(void **state)
{
    (void)state;
    refused("a local socket", local_socket, EPERM);
    refused("a pair that could be connected anew", datagram_pair, EPERM);
    refused("routing", netlink_socket, EPERM);
}

/* Planted defect: network left 0 in rules_of. */
static void it_listens_only_where_the_plan_says(void **state)
{
    (void)state;
    works("the plan's port", bind_to_the_plans_port);
    if (!landlock_lacks(4, "listening elsewhere"))
        refused("another port", bind_elsewhere, EACCES);
}

/* ---- what it must still do ---- */

static int read_secret(void)
{
    char text[16] = "";
    const int fd = open(secret, O_RDONLY | O_CLOEXEC);
    return fd >= 0 && read(fd, text, sizeof text - 1) == 6 ? close(fd) : -1;
}
/* Replaced as an operator does it: a new file renamed over the old one, by a process outside. */
static int read_secret_replaced(void)
{
    char text[16] = "";
    usleep(300000); /* the parent's rename falls into it */
    const int fd = open(secret, O_RDONLY | O_CLOEXEC);
    return fd >= 0 && read(fd, text, sizeof text - 1) == 6 && text[0] == 'o' ? close(fd) : -1;
}
static int read_certificates(void)
{
    DIR *at = opendir("/etc/ssl/certs");
    if (at == NULL)
        return errno == ENOENT ? 0 : -1;
    for (const struct dirent *entry; (entry = readdir(at)) != NULL;) {
        char path[400];
        snprintf(path, sizeof path, "/etc/ssl/certs/%s", entry->d_name);
        if (entry->d_name[0] != '.' && opened(path, O_RDONLY) != 0)
            return errno == ENOENT ? 0 : -1; /* a link without its file */
    }
    return closedir(at);
}
static int look_up(void)
{
    const struct addrinfo hints = {.ai_socktype = SOCK_STREAM};
    struct addrinfo *found = NULL;
    if (getaddrinfo("localhost", "1883", &hints, &found) != 0)
        return -1;
    freeaddrinfo(found);
    return 0;
}
static void *thread(void *context)
{
    *(int *)context = 1;
    return NULL;
}
static int threads_and_waiting(void)
{
    pthread_t other;
    int done = 0, pair[2];
    uint64_t count = 1;
    struct epoll_event event = {.events = EPOLLIN};
    if (pthread_create(&other, NULL, thread, &done) != 0 || pthread_join(other, NULL) != 0)
        return -1;
    const int epoll = epoll_create1(EPOLL_CLOEXEC), woken = eventfd(0, EFD_CLOEXEC);
    if (epoll_ctl(epoll, EPOLL_CTL_ADD, woken, &event) != 0 ||
        write(woken, &count, sizeof count) != sizeof count ||
        epoll_wait(epoll, &event, 1, 1000) != 1)
        return -1;
    if (socketpair(AF_UNIX, SOCK_STREAM, 0, pair) != 0)
        return -1;
    return done == 1 && !isatty(pair[0]) ? 0 : -1;
}

static void it_still_does_its_work(void **state)
{
    (void)state;
    works("a secret", read_secret);
    works("certificates", read_certificates);
    works("a name", look_up);
    works("threads and waiting", threads_and_waiting);
}

/* Planted defect: only the file, not its directory, among what may be read. */
static void a_secret_that_was_replaced_is_read_again(void **state)
{
    char other[96];
    (void)state;
    snprintf(other, sizeof other, "%s.new", secret);
    const pid_t child = fork();
    if (child == 0) {
        confine_scada_side(&needs);
        _exit(read_secret_replaced() == 0 ? 0 : 1);
    }
    usleep(100000);
    const int fd = open(other, O_WRONLY | O_CREAT | O_TRUNC, 0600);
    assert_int_equal(write(fd, "other\n", 6), 6);
    close(fd);
    assert_int_equal(rename(other, secret), 0);
    int status = 0;
    waitpid(child, &status, 0);
    check_count("read", status, 0);
}

/* ---- the ground ---- */

static void write_file(const char *path, const char *text)
{
    const int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    close(fd);
}

static int lay_ground(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(directory));
    snprintf(journal, sizeof journal, "%s/journal", directory);
    snprintf(journal_file, sizeof journal_file, "%s/journal.sqlite", journal);
    snprintf(secrets, sizeof secrets, "%s/secrets", directory);
    snprintf(secret, sizeof secret, "%s/broker.pass", secrets);
    assert_int_equal(mkdir(journal, 0750), 0);
    assert_int_equal(mkdir(secrets, 0750), 0);
    write_file(journal_file, "rows");
    write_file(secret, "secret");
    const int master = posix_openpt(O_RDWR | O_NOCTTY);
    assert_true(master >= 0 && grantpt(master) == 0 && unlockpt(master) == 0);
    snprintf(pty, sizeof pty, "%s", ptsname(master));
    assert_int_equal(dup2(master, 30), 30);
    struct destination_plan to[] = {{.medium = DESTINATION_MQTT},
                                    {.medium = DESTINATION_MODBUS_TCP}};
    struct plan plan = {.destinations = to, .n_destinations = 2};
    snprintf(to[0].password_file, sizeof to[0].password_file, "%s", secret);
    snprintf(plan.journal.path, sizeof plan.journal.path, "%s", journal);
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr = {htonl(INADDR_LOOPBACK)}};
    socklen_t n = sizeof at;
    const int fd = socket(AF_INET, SOCK_STREAM, 0);
    assert_int_equal(bind(fd, (struct sockaddr *)&at, n), 0);
    assert_int_equal(getsockname(fd, (struct sockaddr *)&at, &n), 0);
    close(fd);
    to[1].port = ntohs(at.sin_port);
    confine_needs_of(&plan, &needs);
    return 0;
}

static int clear_ground(void **state)
{
    (void)state;
    unlink(secret);
    DIR *at = opendir(journal);
    for (const struct dirent *entry; at != NULL && (entry = readdir(at)) != NULL;) {
        char path[400];
        snprintf(path, sizeof path, "%s/%s", journal, entry->d_name);
        if (entry->d_name[0] != '.')
            unlink(path);
    }
    closedir(at);
    rmdir(journal);
    rmdir(secrets);
    return rmdir(directory);
}

int main(void)
{
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
    puts("skipped: a build with sanitizers isn't confined");
    return 77;
#elif defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
    puts("skipped: a build with sanitizers isn't confined");
    return 77;
#endif
#endif
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_journal_can_not_be_written),
        cmocka_unit_test(the_journal_can_not_even_be_read),
        cmocka_unit_test(a_device_that_slipped_through_can_not_be_controlled),
        cmocka_unit_test(no_device_can_be_opened),
        cmocka_unit_test(no_program_runs_and_no_process_is_touched),
        cmocka_unit_test(data_does_not_become_code),
        cmocka_unit_test(no_local_socket_leads_back_to_the_daemon),
        cmocka_unit_test(it_listens_only_where_the_plan_says),
        cmocka_unit_test(it_still_does_its_work),
        cmocka_unit_test(a_secret_that_was_replaced_is_read_again),
    };
    return cmocka_run_group_tests(tests, lay_ground, clear_ground);
}
