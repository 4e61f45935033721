/* SPDX-License-Identifier: Apache-2.0
 *
 * port.c - a real port for a line: what serial ports and TCP connections have in common.
 *
 * One thread owns a port. Reading is ours, on the descriptor that libmodbus opened, since the stock
 * reader drops what it doesn't expect and has no deadline for the whole answer.
 */
#include "ports.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

bool function_only_reads(uint8_t function)
{
    return (function >= MODBUS_READ_COILS && function <= MODBUS_READ_INPUT_REGISTERS) ||
           function == MODBUS_READ_FILE_RECORD || function == MODBUS_ENCAPSULATED;
}

bool real_port_is_stopping(const struct real_port *real)
{
    struct pollfd wait = {.fd = real->stop_fd, .events = POLLIN};
    return real->stop_fd >= 0 && poll(&wait, 1, 0) > 0;
}

void real_port_close(void *context)
{
    struct real_port *real = context;
    if (real->fd < 0)
        return;
    modbus_close(real->modbus);
    real->fd = -1;
}

static ssize_t port_gone(const struct real_port *real, int sys_errno, struct up_error *error)
{
    const char *where =
        real->line->medium == LINE_MEDIUM_SERIAL ? real->line->device : real->line->host;
    up_fail(error, UP_E_PORT, sys_errno, __FILE__, __LINE__, "%s is gone (%s)", where,
            sys_errno != 0 ? strerror(sys_errno) : "the other end closed it");
    return -1;
}

/** 1: something to read; 0: the deadline passed; -1: the descriptor is broken. */
static int wait_readable(const struct real_port *real, int64_t deadline_us, short *events)
{
    for (;;) {
        int64_t left_us = deadline_us - clock_boot_us(real->clock);
        if (left_us < 0)
            left_us = 0;
        struct timespec left = {.tv_sec = (time_t)(left_us / 1000000),
                                .tv_nsec = (long)(left_us % 1000000) * 1000};
        struct pollfd wait = {.fd = real->fd, .events = POLLIN};
        int n = ppoll(&wait, 1, &left, NULL);
        if (n < 0 && errno == EINTR)
            continue;
        *events = wait.revents;
        return n;
    }
}

ssize_t real_port_receive(void *context, uint8_t *into, size_t room, int64_t deadline_us,
                          struct up_error *error)
{
    struct real_port *real = context;
    if (real->fd < 0)
        return port_gone(real, EBADF, error);
    for (;;) {
        short events = 0;
        int n = wait_readable(real, deadline_us, &events);
        if (n == 0)
            return 0;
        if (n < 0)
            return port_gone(real, errno, error);
        if (!(events & POLLIN))
            return port_gone(real, 0, error); /* hung up, and nothing left to read */
        ssize_t got = read(real->fd, into, room);
        if (got > 0)
            return got;
        if (got == 0)
            return port_gone(real, 0, error);
        if (errno != EAGAIN && errno != EINTR)
            return port_gone(real, errno, error);
    }
}

struct port *port_for_line(const struct line_plan *line, const struct up_clock *clock, int stop_fd)
{
    struct real_port *real = calloc(1, sizeof *real);
    if (real == NULL)
        return NULL;
    real->line = line;
    real->clock = clock;
    real->stop_fd = stop_fd;
    real->fd = -1;
    real->port.context = real;
    real->port.close = real_port_close;
    real->port.receive = real_port_receive;
    enum up_rc rc = line->medium == LINE_MEDIUM_SERIAL ? rtu_port_make(real) : tcp_port_make(real);
    if (rc != UP_OK) {
        free(real);
        return NULL;
    }
    return &real->port;
}

void port_take_line(struct port *port, const struct line_plan *line)
{
    ((struct real_port *)port->context)->line = line;
}

void gather_modbus_version(char *into, size_t room)
{
    snprintf(into, room, "%u.%u.%u", libmodbus_version_major, libmodbus_version_minor,
             libmodbus_version_micro);
}

void port_free(struct port *port)
{
    if (port == NULL)
        return;
    struct real_port *real = port->context;
    real_port_close(real);
    modbus_free(real->modbus);
    free(real);
}
