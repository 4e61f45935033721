/* SPDX-License-Identifier: Apache-2.0
 *
 * serve.c - puts virtual lines on real ports: pseudo-terminals and TCP listeners, all in one thread
 * around one ppoll.
 *
 * Instants inside the simulator begin at zero when serving begins, so that the well's schedule and
 * the script do too.
 */
#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "line.h"
#include "pair.h"
#include "pty.h"
#include "uphole/say.h"

#define GRAIN_US 2000    /* serial bytes of up to 2 ms leave together */
#define WATCH_US 20000   /* how often a port that nobody holds is looked at */
#define RETRY_US 1000000 /* how often a port that can't be opened is tried again */
#define LONGEST_WAIT_US 1000000
#define FDS_PER_LINE (2 + SIMULATE_CONNECTIONS_MAX)

struct served {
    const struct simulate_line *options;
    struct virtual_line *line;
    struct pair pair;
    struct pty pty;
    int listener;
    uint16_t port; /* as bound */
    int connection[SIMULATE_CONNECTIONS_MAX];
    bool is_up;
    int64_t retry_us;
};
struct server {
    const struct simulate_options *options;
    struct up_clock clock;
    int64_t start_us;
    struct truth_log log;
    struct fault_script *script;
    int stop_fd;
    bool owns_stop_fd;
    int64_t look_us; /* when what goes on beside is to look next */
    uint16_t n;
    struct served served[SIMULATE_LINES_MAX];
};

/* ---- ports ---- */

static enum up_rc listen_at(struct served *served, const struct addrinfo *address,
                            struct up_error *error)
{
    const int on = 1;
    struct sockaddr_storage bound;
    socklen_t size = sizeof bound;
    int fd = socket(address->ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    bool good = fd >= 0 && setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on) == 0 &&
                bind(fd, address->ai_addr, address->ai_addrlen) == 0 &&
                listen(fd, SIMULATE_CONNECTIONS_MAX) == 0 &&
                getsockname(fd, (struct sockaddr *)&bound, &size) == 0;
    if (!good) {
        enum up_rc rc = UP_FAIL_ERRNO(error, UP_E_PORT, "line %s can't listen at %s:%u: %s",
                                      served->options->line.name, served->options->line.host,
                                      served->options->line.port, strerror(errno));
        if (fd >= 0)
            close(fd);
        return rc;
    }
    served->listener = fd;
    served->port = ntohs(bound.ss_family == AF_INET6 ? ((struct sockaddr_in6 *)&bound)->sin6_port
                                                     : ((struct sockaddr_in *)&bound)->sin_port);
    return UP_OK;
}

static enum up_rc open_tcp(struct served *served, struct up_error *error)
{
    char port[8];
    struct addrinfo *found = NULL;
    const struct addrinfo hints = {.ai_socktype = SOCK_STREAM,
                                   .ai_flags = AI_PASSIVE | AI_NUMERICSERV};
    /* A port once found free is kept when the converter comes back. */
    snprintf(port, sizeof port, "%u", served->port ? served->port : served->options->line.port);
    int failed = getaddrinfo(served->options->line.host, port, &hints, &found);
    if (failed)
        return UP_FAIL(error, UP_E_PORT, "line %s: no address for %s: %s",
                       served->options->line.name, served->options->line.host,
                       gai_strerror(failed));
    enum up_rc rc = listen_at(served, found, error);
    freeaddrinfo(found);
    return rc;
}

static void close_connection(struct served *served, unsigned index)
{
    if (served->connection[index] >= 0)
        close(served->connection[index]);
    served->connection[index] = -1;
    virtual_line_forget(served->line, index);
}

static enum up_rc open_port(struct served *served, struct up_error *error)
{
    bool serial = served->options->line.medium == LINE_MEDIUM_SERIAL;
    enum up_rc rc = serial ? pty_open(&served->pty, served->options->line.device, error)
                           : open_tcp(served, error);
    served->is_up = rc == UP_OK;
    return rc;
}

static void close_port(struct served *served)
{
    pty_close(&served->pty);
    if (served->listener >= 0)
        close(served->listener);
    served->listener = -1;
    for (unsigned i = 0; served->line && i < SIMULATE_CONNECTIONS_MAX; i++)
        close_connection(served, i);
    served->is_up = false;
}

/* ---- bytes ---- */

static void read_pty(struct served *served, int64_t now_us)
{
    uint8_t bytes[512], heard[PAIR_BYTES_MAX];
    struct line_plan port;
    ssize_t n = read(served->pty.master, bytes, sizeof bytes);
    if (n <= 0) {
        pty_watch(&served->pty);
        return;
    }
    if (!pair_is_faulty(&served->pair)) {
        virtual_line_receive(served->line, now_us, 0, bytes, (size_t)n);
        return;
    }
    pty_settings(&served->pty, &port);
    size_t made = pair_to_units(&served->pair, &port, bytes, (size_t)n, heard, sizeof heard);
    if (made)
        virtual_line_receive(served->line, now_us, 0, heard, made);
    made = pair_answers_question(&served->pair, heard, sizeof heard);
    pty_write(&served->pty, heard, made);
}

static void accept_connection(struct served *served)
{
    const int on = 1;
    int fd = accept4(served->listener, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
    if (fd < 0)
        return;
    (void)setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    for (unsigned i = 0; i < SIMULATE_CONNECTIONS_MAX; i++)
        if (served->connection[i] < 0) {
            served->connection[i] = fd;
            return;
        }
    close(fd);
}

static void read_connection(struct served *served, unsigned index, int64_t now_us)
{
    uint8_t bytes[512];
    ssize_t n = recv(served->connection[index], bytes, sizeof bytes, 0);
    if (n > 0)
        virtual_line_receive(served->line, now_us, index, bytes, (size_t)n);
    else if (n == 0 || (errno != EAGAIN && errno != EINTR))
        close_connection(served, index);
}

static void send_on_pair(struct served *served, const uint8_t *bytes, size_t n)
{
    uint8_t heard[PAIR_BYTES_MAX];
    struct line_plan port;
    if (!pair_is_faulty(&served->pair)) {
        pty_write(&served->pty, bytes, n);
        return;
    }
    pty_settings(&served->pty, &port);
    size_t made = pair_to_port(&served->pair, &port, bytes, n, !line_has_outgoing(served->line),
                               heard, sizeof heard);
    pty_write(&served->pty, heard, made);
}

static void send_due(struct served *served, int64_t now_us)
{
    uint8_t bytes[OUTGOING_BYTES];
    unsigned connection;
    for (size_t n;
         (n = virtual_line_send(served->line, now_us, &connection, bytes, sizeof bytes)) > 0;) {
        if (served->options->line.medium == LINE_MEDIUM_SERIAL)
            send_on_pair(served, bytes, n);
        else if (served->connection[connection] >= 0 &&
                 send(served->connection[connection], bytes, n, MSG_NOSIGNAL) != (ssize_t)n)
            close_connection(served, connection); /* a reader that takes no 300 bytes is gone */
    }
    if (served->options->line.medium == LINE_MEDIUM_SERIAL)
        pty_write(&served->pty, bytes, pair_stray(&served->pair, now_us, bytes));
}

/* ---- one pass ---- */

static int64_t now_of(struct server *server)
{
    int64_t boot_us = clock_boot_us(&server->clock);
    server->log.to_boot_ms = server->start_us / 1000;
    server->log.to_utc_ms =
        (server->clock.utc_us(server->clock.context) - boot_us + server->start_us) / 1000;
    return boot_us - server->start_us;
}

/* Plugs and unplugs as the script has it; returns when to look again. */
static int64_t keep_port(struct served *served, int64_t now_us)
{
    bool plugged = virtual_line_is_plugged(served->line, now_us);
    struct up_error error = {0};
    if (!plugged && served->is_up)
        close_port(served);
    if (plugged && !served->is_up && now_us >= served->retry_us) {
        served->retry_us = now_us + RETRY_US;
        if (open_port(served, &error) != UP_OK)
            say(SAY_WARNING, "simulate", "%s; it is tried again each second", error.why);
    }
    if (!served->is_up)
        return plugged ? served->retry_us : NEVER;
    if (served->pty.master < 0 || served->pty.is_open)
        return NEVER;
    pty_watch(&served->pty);
    if (!served->pty.is_open && served->pty.must_renew && pty_renew(&served->pty, &error) != UP_OK)
        say(SAY_WARNING, "simulate", "%s", error.why);
    return now_us + WATCH_US;
}

static nfds_t put_fds(const struct server *server, struct pollfd *fds)
{
    nfds_t n = 0;
    fds[n++] = (struct pollfd){.fd = server->stop_fd, .events = POLLIN};
    for (unsigned i = 0; i < server->n; i++) {
        const struct served *served = &server->served[i];
        bool hears = served->pty.master >= 0 && served->pty.is_open;
        fds[n++] = (struct pollfd){.fd = hears ? served->pty.master : -1, .events = POLLIN};
        fds[n++] = (struct pollfd){.fd = served->listener, .events = POLLIN};
        for (unsigned c = 0; c < SIMULATE_CONNECTIONS_MAX; c++)
            fds[n++] = (struct pollfd){.fd = served->connection[c], .events = POLLIN};
    }
    const struct simulate_beside *beside = server->options->beside;
    fds[n++] = (struct pollfd){.fd = beside ? beside->input_fd : -1, .events = POLLIN};
    return n;
}

static void take_events(struct server *server, const struct pollfd *fds)
{
    int64_t now_us = now_of(server);
    for (unsigned i = 0; i < server->n; i++) {
        struct served *served = &server->served[i];
        const struct pollfd *own = fds + 1 + i * FDS_PER_LINE;
        if (own[0].revents)
            read_pty(served, now_us);
        for (unsigned c = 0; c < SIMULATE_CONNECTIONS_MAX; c++)
            if (own[2 + c].revents && own[2 + c].fd >= 0 && own[2 + c].fd == served->connection[c])
                read_connection(served, c, now_us);
        if (own[1].revents) /* after those that went, so that their places are free */
            accept_connection(served);
    }
}

/* What goes on beside serving; returns when it is to look again. */
static int64_t look_beside(struct server *server, int64_t now_us)
{
    const struct simulate_beside *beside = server->options->beside;
    struct virtual_line *lines[SIMULATE_LINES_MAX];
    if (!beside || !beside->look || !beside->look_every_ms)
        return NEVER;
    if (now_us < server->look_us)
        return server->look_us;
    for (unsigned i = 0; i < server->n; i++)
        lines[i] = server->served[i].line;
    beside->look(beside->context, line_unit_ms(now_us), lines);
    server->look_us = now_us + (int64_t)beside->look_every_ms * 1000;
    return server->look_us;
}

static bool pass(struct server *server)
{
    struct pollfd fds[2 + SIMULATE_LINES_MAX * FDS_PER_LINE];
    int64_t now_us = now_of(server), next_us = now_us + LONGEST_WAIT_US;
    for (unsigned i = 0; i < server->n; i++) {
        struct served *served = &server->served[i];
        int64_t look_us = keep_port(served, now_us);
        send_due(served, now_us);
        int64_t wake_us = line_wake_us(served->line, now_us, GRAIN_US);
        next_us = look_us < next_us ? look_us : next_us;
        next_us = wake_us < next_us ? wake_us : next_us;
        if (served->pair.stray_next_us < next_us)
            next_us = served->pair.stray_next_us;
    }
    int64_t beside_us = look_beside(server, now_us);
    next_us = beside_us < next_us ? beside_us : next_us;
    nfds_t n = put_fds(server, fds);
    now_us = now_of(server);
    int64_t wait_us = next_us > now_us ? next_us - now_us : 0;
    struct timespec wait = {.tv_sec = wait_us / 1000000, .tv_nsec = wait_us % 1000000 * 1000};
    int ready = ppoll(fds, n, &wait, NULL);
    if (ready > 0 && fds[0].revents)
        return false;
    if (ready > 0)
        take_events(server, fds);
    const struct simulate_beside *beside = server->options->beside;
    if (ready > 0 && fds[n - 1].revents && beside && beside->input &&
        !beside->input(beside->context))
        return false;
    return ready >= 0 || errno == EINTR;
}

/* ---- start and stop ---- */

static void announce(FILE *to, const struct served *served)
{
    if (served->options->line.medium == LINE_MEDIUM_SERIAL)
        fprintf(to, "%s %s -> %s\n", served->options->line.name, served->pty.link,
                served->pty.slave);
    else
        fprintf(to, "%s %s:%u\n", served->options->line.name, served->options->line.host,
                served->port);
}

static enum up_rc open_line(struct server *server, uint16_t index, struct up_error *error)
{
    struct served *served = &server->served[index];
    served->options = &server->options->lines[index];
    served->line =
        virtual_line_create(served->options, server->script, server->options->seed, 0, error);
    if (!served->line)
        return error ? error->rc : UP_E_MEMORY;
    if (server->log.file)
        line_log_to(served->line, &server->log);
    pair_init(&served->pair, served->options);
    enum up_rc rc = open_port(served, error);
    const struct simulate_beside *beside = server->options->beside;
    if (rc == UP_OK && beside && beside->opened)
        beside->opened(beside->context, index, served->port);
    return rc;
}

static enum up_rc open_stop(struct server *server, struct up_error *error)
{
    sigset_t set;
    server->stop_fd = server->options->stop_fd;
    if (server->stop_fd >= 0)
        return UP_OK;
    sigemptyset(&set);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGTERM);
    if (sigprocmask(SIG_BLOCK, &set, NULL) == 0)
        server->stop_fd = signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
    server->owns_stop_fd = server->stop_fd >= 0;
    return server->owns_stop_fd
               ? UP_OK
               : UP_FAIL_ERRNO(error, UP_E_SYSTEM, "signals can't be taken: %s", strerror(errno));
}

static enum up_rc open_all(struct server *server, struct up_error *error)
{
    const struct simulate_options *options = server->options;
    enum up_rc rc = open_stop(server, error);
    if (rc == UP_OK && options->faults_file)
        rc = fault_script_from_file(options->faults_file, &server->script, error);
    if (rc == UP_OK && options->truth_log) {
        server->log.file = fopen(options->truth_log, "ae");
        if (!server->log.file)
            return UP_FAIL_ERRNO(error, UP_E_PORT, "the truth log %s can't be written: %s",
                                 options->truth_log, strerror(errno));
        setvbuf(server->log.file, NULL, _IOLBF, 16384);
    }
    server->start_us = clock_boot_us(&server->clock);
    (void)now_of(server);
    for (uint16_t i = 0; rc == UP_OK && i < server->n; i++)
        rc = open_line(server, i, error);
    return rc;
}

static void close_all(struct server *server)
{
    for (unsigned i = 0; i < server->n; i++) {
        close_port(&server->served[i]);
        virtual_line_destroy(server->served[i].line);
    }
    fault_script_free(server->script);
    if (server->log.file)
        fclose(server->log.file);
    if (server->owns_stop_fd)
        close(server->stop_fd);
}

static void sum_up(FILE *to, const struct served *served)
{
    const struct virtual_line_counts *counts = virtual_line_counts_of(served->line);
    fprintf(to,
            "%s: %llu requests, %llu answers, %llu faults, %llu frames not understood, %llu asked "
            "within t3.5, %llu while sending\n",
            served->options->line.name, (unsigned long long)counts->requests,
            (unsigned long long)counts->answers, (unsigned long long)counts->faults,
            (unsigned long long)counts->bad_frames, (unsigned long long)counts->quiet_violations,
            (unsigned long long)counts->collisions);
    if (counts->foreign_exchanges)
        fprintf(to,
                "%s: another master asked %llu times; %llu of its exchanges were spoiled by a "
                "question in between\n",
                served->options->line.name, (unsigned long long)counts->foreign_exchanges,
                (unsigned long long)counts->foreign_spoiled);
}

enum up_rc simulate_serve(const struct simulate_options *options, struct up_error *error)
{
    if (options->n_lines == 0 || options->n_lines > SIMULATE_LINES_MAX)
        return UP_FAIL(error, UP_E_USAGE, "%u lines to simulate; expected 1 to %d",
                       options->n_lines, SIMULATE_LINES_MAX);
    struct server *server = calloc(1, sizeof *server);
    if (!server)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the simulator");
    server->options = options;
    server->n = options->n_lines;
    server->stop_fd = -1;
    clock_of_system(&server->clock);
    for (unsigned i = 0; i < SIMULATE_LINES_MAX; i++) {
        server->served[i].pty.master = server->served[i].listener = -1;
        for (unsigned c = 0; c < SIMULATE_CONNECTIONS_MAX; c++)
            server->served[i].connection[c] = -1;
    }
    FILE *to = options->announce;
    enum up_rc rc = open_all(server, error);
    if (rc == UP_OK && to) {
        for (unsigned i = 0; i < server->n; i++)
            announce(to, &server->served[i]);
        fputs("ready\n", to);
        fflush(to);
    }
    while (rc == UP_OK && pass(server))
        ;
    for (unsigned i = 0; rc == UP_OK && to && i < server->n; i++)
        sum_up(to, &server->served[i]);
    if (to)
        fflush(to);
    close_all(server);
    free(server);
    return rc;
}
