/* SPDX-License-Identifier: Apache-2.0
 *
 * tcp_port.c - a TCP connection to a surface unit or a converter: libmodbus resolves and connects,
 * frames and reading are ours.
 *
 * libmodbus bounds its connect by the response time-out of the context, and waits with select(): a
 * descriptor of FD_SETSIZE or more would end the process, so none is opened there.
 */
#include "ports.h"

#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

#define CONNECT_LEAST_MS 1000
#define CONNECT_MOST_MS 5000
#define KEEP_ALIVE_IDLE_S 30
#define KEEP_ALIVE_EVERY_S 10
#define KEEP_ALIVE_TRIES 3
#define FLUSH_LUMPS_MAX 64

static bool descriptors_fit_select(void)
{
    int next = open("/dev/null", O_RDONLY | O_CLOEXEC);
    if (next < 0)
        return false;
    close(next);
    return next < FD_SETSIZE - 8;
}

static void keep_alive(int fd)
{
    static const struct {
        int level, name, value;
    } OPTIONS[] = {
        {SOL_SOCKET, SO_KEEPALIVE, 1},
        {IPPROTO_TCP, TCP_KEEPIDLE, KEEP_ALIVE_IDLE_S},
        {IPPROTO_TCP, TCP_KEEPINTVL, KEEP_ALIVE_EVERY_S},
        {IPPROTO_TCP, TCP_KEEPCNT, KEEP_ALIVE_TRIES},
        {IPPROTO_TCP, TCP_NODELAY, 1},
    };
    for (size_t i = 0; i < sizeof OPTIONS / sizeof OPTIONS[0];
         i++) /* wishes: without them a dead peer is found by the time-out */
        (void)setsockopt(fd, OPTIONS[i].level, OPTIONS[i].name, &OPTIONS[i].value, sizeof(int));
}

static enum up_rc tcp_open(void *context, struct up_error *error)
{
    struct real_port *real = context;
    const struct line_plan *line = real->line;
    if (real_port_is_stopping(real))
        return UP_FAIL(error, UP_E_PORT, "%s is not asked, since a stop was asked for", line->host);
    if (!descriptors_fit_select())
        return UP_FAIL(error, UP_E_FULL, "too many files are open to connect to %s", line->host);
    uint32_t bound_ms = line->response_timeout_ms < CONNECT_LEAST_MS  ? CONNECT_LEAST_MS
                        : line->response_timeout_ms > CONNECT_MOST_MS ? CONNECT_MOST_MS
                                                                      : line->response_timeout_ms;
    modbus_set_response_timeout(real->modbus, bound_ms / 1000, bound_ms % 1000 * 1000);
    errno = 0;
    if (modbus_connect(real->modbus) != 0) {
        int why = errno;
        return up_fail(
            error, UP_E_PORT, why, __FILE__, __LINE__,
            "%s port %u does not take a connection (%s); check its address, its power and the "
            "network between",
            line->host, line->port, why == ECONNREFUSED ? "refused" : modbus_strerror(why));
    }
    real->fd = modbus_get_socket(real->modbus);
    keep_alive(real->fd);
    return UP_OK;
}

static enum up_rc tcp_send(void *context, const uint8_t *bytes, size_t n, struct up_error *error)
{
    struct real_port *real = context;
    bool is_rtu = line_speaks_rtu(real->line);
    size_t at = is_rtu ? 1 : MBAP_SIZE; /* of the function */
    if (n <= at || !function_only_reads(bytes[at]) || (is_rtu && bytes[0] == 0))
        return UP_FAIL(error, UP_E_USAGE, "a request that does not only read was stopped");
    if (real->line->share_line == LINE_LISTENS)
        return UP_FAIL(error, UP_E_USAGE, "%s is only listened to: nothing is sent",
                       real->line->host);
    if (real->fd < 0)
        return UP_FAIL(error, UP_E_PORT, "%s is not connected", real->line->host);
    ssize_t sent = send(real->fd, bytes, n, MSG_NOSIGNAL | MSG_DONTWAIT);
    if (sent != (ssize_t)n)
        return UP_FAIL_ERRNO(error, UP_E_PORT, "%s closed the connection (%s)", real->line->host,
                             sent < 0 ? strerror(errno) : "it takes no more bytes");
    return UP_OK;
}

static void tcp_flush(void *context)
{
    struct real_port *real = context;
    uint8_t dropped[TCP_ADU_MAX];
    for (int lump = 0; real->fd >= 0 && lump < FLUSH_LUMPS_MAX; lump++)
        if (recv(real->fd, dropped, sizeof dropped, MSG_DONTWAIT) <= 0)
            return;
}

enum up_rc tcp_port_make(struct real_port *real)
{
    char service[8];
    snprintf(service, sizeof service, "%u", real->line->port);
    real->port.open = tcp_open;
    real->port.send = tcp_send;
    real->port.flush = tcp_flush;
    real->modbus = modbus_new_tcp_pi(real->line->host, service);
    return real->modbus != NULL ? UP_OK : UP_E_MEMORY;
}
