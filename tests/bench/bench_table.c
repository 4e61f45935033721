/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_table.c - the table server against the least that answers at all (epoll) and a bare
 * libmodbus loop (select), in the same run: interleaved rounds, medians, ratios. In every second
 * round a further client stops in the middle of a frame, again and again.
 *
 * usage: bench_table [ROUNDS [SECONDS A ROUND]]; prints, asserts nothing: speeds depend on the
 * machine, the ratios less so.
 */
#include "bench_table_servers.h"

#include "uphole/wire.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define CLIENTS 64
#define REGISTERS_A_READ 100
#define ANSWER_BYTES (9 + 2 * REGISTERS_A_READ)
#define ROUNDS_MAX 101
#define SAMPLES_MAX 2000000

struct figures {
    double requests_s, processor_us, p999_ms;
};

struct connection {
    int fd;
    size_t have;
    int64_t sent_ns;
};

static int64_t now_ns(clockid_t clock)
{
    struct timespec time;
    clock_gettime(clock, &time);
    return time.tv_sec * 1000000000LL + time.tv_nsec;
}

static int connect_to(uint16_t port)
{
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0), one = 1;
    struct sockaddr_in to = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    if (fd < 0 || connect(fd, (struct sockaddr *)&to, sizeof to) != 0) {
        perror("bench_table: connect");
        exit(1);
    }
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    return fd;
}

static void ask(struct connection *connection)
{
    static const uint8_t request[] = {0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, REGISTERS_A_READ};
    connection->have = 0;
    connection->sent_ns = now_ns(CLOCK_MONOTONIC);
    if (send(connection->fd, request, sizeof request, MSG_NOSIGNAL) != (ssize_t)sizeof request) {
        perror("bench_table: send");
        exit(1);
    }
}

static int by_size(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/** True when an answer was whole; its time is appended to `samples`. */
static bool take(struct connection *connection, double *samples, size_t *n)
{
    uint8_t answer[ANSWER_BYTES];
    ssize_t got = recv(connection->fd, answer, sizeof answer - connection->have, MSG_DONTWAIT);
    if (got <= 0) {
        if (got < 0 && errno == EAGAIN)
            return false;
        fprintf(stderr, "bench_table: a server closed an honest connection\n");
        exit(1);
    }
    connection->have += (size_t)got;
    if (connection->have < ANSWER_BYTES)
        return false;
    if (*n < SAMPLES_MAX)
        samples[(*n)++] = (double)(now_ns(CLOCK_MONOTONIC) - connection->sent_ns) / 1e6;
    return true;
}

/** Keeps one connection in mid-frame; opens another when the server has closed it. */
static void stall(int *fd, uint16_t port)
{
    uint8_t byte;
    if (*fd >= 0 && (recv(*fd, &byte, 1, MSG_DONTWAIT) >= 0 || errno != EAGAIN)) {
        close(*fd);
        *fd = -1;
    }
    if (*fd < 0) {
        *fd = connect_to(port);
        (void)!send(*fd, "\0\1\0\0\0", 5, MSG_NOSIGNAL);
    }
}

static struct figures run_round(const struct contender *contender, double seconds, bool stalls,
                                double *samples)
{
    struct connection connection[CLIENTS];
    struct epoll_event event = {.events = EPOLLIN}, events[CLIENTS];
    int epoll_fd = epoll_create1(EPOLL_CLOEXEC), stalled = -1;
    clockid_t processor;
    if (epoll_fd < 0 || clock_getcpuclockid(contender->pid, &processor) != 0)
        exit(1);
    for (unsigned c = 0; c < CLIENTS; c++) {
        connection[c].fd = connect_to(contender->port);
        event.data.ptr = &connection[c];
        epoll_ctl(epoll_fd, EPOLL_CTL_ADD, connection[c].fd, &event);
    }
    size_t n = 0;
    int64_t spent_ns = now_ns(processor), begun_ns = now_ns(CLOCK_MONOTONIC), at_ns = begun_ns;
    int64_t end_ns = begun_ns + (int64_t)(seconds * 1e9), stall_ns = begun_ns;
    for (unsigned c = 0; c < CLIENTS; c++)
        ask(&connection[c]);
    while (at_ns < end_ns) {
        if (stalls && at_ns >= stall_ns) {
            stall(&stalled, contender->port);
            stall_ns = at_ns + 20000000;
        }
        int ready = epoll_wait(epoll_fd, events, CLIENTS, 20);
        for (int i = 0; i < ready; i++) {
            if (take(events[i].data.ptr, samples, &n))
                ask(events[i].data.ptr);
        }
        at_ns = now_ns(CLOCK_MONOTONIC);
    }
    spent_ns = now_ns(processor) - spent_ns;
    size_t whole = n;
    for (unsigned c = 0; c < CLIENTS;
         c++) { /* those still waiting have waited at least this long */
        if (n < SAMPLES_MAX)
            samples[n++] = (double)(at_ns - connection[c].sent_ns) / 1e6;
        close(connection[c].fd);
    }
    if (stalled >= 0)
        close(stalled);
    close(epoll_fd);
    qsort(samples, n, sizeof *samples, by_size);
    return (struct figures){.requests_s = (double)whole / ((double)(at_ns - begun_ns) / 1e9),
                            .processor_us =
                                (double)spent_ns / 1e3 / (double)(whole > 0 ? whole : 1),
                            .p999_ms = samples[(size_t)((double)(n - 1) * 0.999)]};
}

static void start(struct contender *contender)
{
    int fds[2];
    if (pipe(fds) != 0)
        exit(1);
    contender->pid = fork();
    if (contender->pid < 0)
        exit(1);
    if (contender->pid == 0) {
        close(fds[0]);
        contender->serve(fds[1]);
        _exit(0);
    }
    close(fds[1]);
    if (read(fds[0], &contender->port, sizeof contender->port) != sizeof contender->port) {
        fprintf(stderr, "bench_table: %s doesn't serve\n", contender->name);
        exit(1);
    }
    close(fds[0]);
}

static double median(double *values, unsigned n)
{
    qsort(values, n, sizeof *values, by_size);
    return values[n / 2];
}

static struct figures medians(const struct figures *rounds, unsigned n)
{
    double values[3][ROUNDS_MAX];
    for (unsigned r = 0; r < n; r++) {
        values[0][r] = rounds[r].requests_s;
        values[1][r] = rounds[r].processor_us;
        values[2][r] = rounds[r].p999_ms;
    }
    return (struct figures){median(values[0], n), median(values[1], n), median(values[2], n)};
}

int main(int argc, char **argv)
{
    unsigned rounds = argc > 1 ? (unsigned)strtoul(argv[1], NULL, 10) : 7;
    double seconds = argc > 2 ? strtod(argv[2], NULL) : 1.0;
    if (rounds < 1 || rounds > ROUNDS_MAX || !(seconds > 0 && seconds <= 60))
        return 64;
    struct contender contenders[] = {{.name = "uphole", .serve = serve_uphole},
                                     {.name = "minimal epoll", .serve = serve_minimal},
                                     {.name = "libmodbus select", .serve = serve_libmodbus}};
    enum { N = sizeof contenders / sizeof *contenders };
    static struct figures figures[N][2][ROUNDS_MAX]; /* contender, stalled or not, round */
    double *samples = malloc(SAMPLES_MAX * sizeof *samples);
    if (samples == NULL)
        return 1;
    for (unsigned c = 0; c < N; c++)
        start(&contenders[c]);
    for (unsigned r = 0; r < rounds; r++) {
        for (unsigned i = 0; i < N; i++) {
            unsigned c = (r + i) % N; /* nobody is always first */
            for (int stalls = 0; stalls < 2; stalls++)
                figures[c][stalls][r] = run_round(&contenders[c], seconds, stalls == 1, samples);
        }
    }
    for (unsigned c = 0; c < N; c++) {
        kill(contenders[c].pid, SIGKILL);
        waitpid(contenders[c].pid, NULL, 0);
    }
    printf("table server: %d clients, reads of %d registers, %u interleaved rounds of %.1f s, "
           "medians\n",
           CLIENTS, REGISTERS_A_READ, rounds, seconds);
    printf("%-18s %12s %22s %10s %26s\n", "", "requests/s", "processor us/request", "p99.9 ms",
           "p99.9 ms, one stalls");
    struct figures plain[N], stalled[N];
    for (unsigned c = 0; c < N; c++) {
        plain[c] = medians(figures[c][0], rounds);
        stalled[c] = medians(figures[c][1], rounds);
        printf("%-18s %12.0f %22.2f %10.2f %26.2f\n", contenders[c].name, plain[c].requests_s,
               plain[c].processor_us, plain[c].p999_ms, stalled[c].p999_ms);
    }
    printf("requests/s, uphole to minimal: %.3f (goal >= 0.9); to libmodbus: %.3f\n",
           plain[0].requests_s / plain[1].requests_s, plain[0].requests_s / plain[2].requests_s);
    printf("processor time a request, uphole to minimal: %.3f (goal <= 1.15); to libmodbus: %.3f\n",
           plain[0].processor_us / plain[1].processor_us,
           plain[0].processor_us / plain[2].processor_us);
    printf("p99.9 with a client that stalls in mid-frame, to without: uphole %.2f (goal <= 2), "
           "minimal "
           "%.2f, libmodbus %.2f\n",
           stalled[0].p999_ms / plain[0].p999_ms, stalled[1].p999_ms / plain[1].p999_ms,
           stalled[2].p999_ms / plain[2].p999_ms);
    free(samples);
    return 0;
}
