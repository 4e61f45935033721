/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_table_servers.c - the table server, and its two baselines.
 */
#include "bench_table_servers.h"

#include "../../daemon/publish/server.h"
#include "../publish/table_fixture.h"

#include "uphole/wire.h"

#include <arpa/inet.h>
#include <modbus.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

static void announce(int announce_fd, uint16_t port)
{
    if (write(announce_fd, &port, sizeof port) != (ssize_t)sizeof port)
        _exit(1);
    close(announce_fd);
}

void serve_uphole(int announce_fd)
{
    struct up_clock clock;
    clock_of_system(&clock);
    struct plan *plan = fixture_plan();
    plan->destinations->clients = BENCH_CLIENTS_MAX;
    plan->destinations->clients_per_address = BENCH_CLIENTS_MAX;
    struct live *live = live_create(plan);
    const struct table_server_options options = {
        .plan = plan, .destination = plan->destinations, .live = live, .clock = &clock};
    struct up_error error = {0};
    struct table_server *server = live != NULL ? table_server_open(&options, &error) : NULL;
    if (server == NULL || table_server_listen(server, &error) != UP_OK)
        _exit(1);
    for (uint16_t well = 7; well <= 8; well++) {
        struct snapshot snapshot = fixture_snapshot(well);
        live_put_snapshot(live, &snapshot);
    }
    announce(announce_fd, table_server_port(server));
    for (;;)
        table_server_step(server, 1000);
}

static int listen_anywhere(uint16_t *port)
{
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0), one = 1;
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof at;
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    if (fd < 0 || bind(fd, (struct sockaddr *)&at, sizeof at) != 0 || listen(fd, 128) != 0 ||
        getsockname(fd, (struct sockaddr *)&at, &length) != 0)
        _exit(1);
    *port = ntohs(at.sin_port);
    return fd;
}

/** Bytes of one connection of the minimal server. */
struct minimal {
    int fd;
    size_t n;
    uint8_t in[260];
};

static void minimal_answer(struct minimal *connection, const uint8_t *registers)
{
    ssize_t got = recv(connection->fd, connection->in + connection->n,
                       sizeof connection->in - connection->n, MSG_DONTWAIT);
    if (got <= 0) {
        close(connection->fd);
        free(connection);
        return;
    }
    connection->n += (size_t)got;
    if (connection->n < 12)
        return;
    const uint8_t *in = connection->in;
    uint16_t first = get_u16(in + 8), count = get_u16(in + 10);
    uint8_t out[260];
    connection->n = 0;
    if (count > 125 || first + count > BENCH_REGISTERS)
        return;
    memcpy(out, in, 8);
    put_u16(out + 4, (uint16_t)(3 + 2 * count));
    out[8] = (uint8_t)(2 * count);
    memcpy(out + 9, registers + (size_t)2 * first, (size_t)2 * count);
    (void)!send(connection->fd, out, 9 + (size_t)2 * count, MSG_NOSIGNAL | MSG_DONTWAIT);
}

void serve_minimal(int announce_fd)
{
    uint16_t port;
    int listener = listen_anywhere(&port), epoll_fd = epoll_create1(EPOLL_CLOEXEC);
    uint8_t *registers = calloc(BENCH_REGISTERS, 2);
    struct epoll_event event = {.events = EPOLLIN, .data.ptr = NULL}, events[64];
    if (epoll_fd < 0 || registers == NULL ||
        epoll_ctl(epoll_fd, EPOLL_CTL_ADD, listener, &event) != 0)
        _exit(1);
    announce(announce_fd, port);
    for (;;) {
        int n = epoll_wait(epoll_fd, events, 64, -1);
        for (int i = 0; i < n; i++) {
            if (events[i].data.ptr != NULL) {
                minimal_answer(events[i].data.ptr, registers);
                continue;
            }
            struct minimal *connection = calloc(1, sizeof *connection);
            if (connection == NULL)
                _exit(1);
            connection->fd = accept4(listener, NULL, NULL, SOCK_CLOEXEC);
            event.data.ptr = connection;
            if (connection->fd < 0 ||
                epoll_ctl(epoll_fd, EPOLL_CTL_ADD, connection->fd, &event) != 0)
                _exit(1);
        }
    }
}

void serve_libmodbus(int announce_fd)
{
    uint16_t port;
    int listener = listen_anywhere(&port), highest = listener;
    modbus_t *modbus = modbus_new_tcp("127.0.0.1", port);
    modbus_mapping_t *mapping = modbus_mapping_new(0, 0, BENCH_REGISTERS, BENCH_REGISTERS);
    if (modbus == NULL || mapping == NULL)
        _exit(1);
    fd_set all, ready;
    FD_ZERO(&all);
    FD_SET(listener, &all);
    announce(announce_fd, port);
    for (;;) {
        ready = all;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0)
            _exit(1);
        for (int fd = 0; fd <= highest; fd++) {
            uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
            if (!FD_ISSET(fd, &ready))
                continue;
            if (fd == listener) {
                int client = accept(listener, NULL, NULL);
                if (client < 0)
                    continue;
                FD_SET(client, &all);
                highest = client > highest ? client : highest;
                continue;
            }
            modbus_set_socket(modbus, fd);
            int n = modbus_receive(modbus, query);
            if (n > 0) {
                modbus_reply(modbus, query, n, mapping);
            } else if (n < 0) {
                close(fd);
                FD_CLR(fd, &all);
            }
        }
    }
}
