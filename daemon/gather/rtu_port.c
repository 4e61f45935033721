/* SPDX-License-Identifier: Apache-2.0
 *
 * rtu_port.c - a serial port: libmodbus opens and configures it and sends raw requests; nobody else
 * may have it meanwhile.
 *
 * O_EXCL doesn't lock a device: TIOCEXCL keeps other programs out, flock a second one of us that
 * runs as root.
 */
#include "ports.h"

#include <errno.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <termios.h>

#define RTU_CRC_SIZE 2

/* Speeds that a person may state. libmodbus takes any other number and silently uses 9600. */
static const struct {
    uint32_t baud;
    speed_t speed;
} SPEEDS[] = {
    {300, B300},     {600, B600},       {1200, B1200},     {2400, B2400},
    {4800, B4800},   {9600, B9600},     {19200, B19200},   {38400, B38400},
    {57600, B57600}, {115200, B115200}, {230400, B230400},
};

static bool speed_was_taken(int fd, uint32_t baud)
{
    struct termios now;
    if (tcgetattr(fd, &now) != 0)
        return false;
    for (size_t i = 0; i < sizeof SPEEDS / sizeof SPEEDS[0]; i++)
        if (SPEEDS[i].baud == baud)
            return cfgetospeed(&now) == SPEEDS[i].speed;
    return false;
}

static enum up_rc take_alone(struct real_port *real, struct up_error *error)
{
    const struct line_plan *line = real->line;
    if (flock(real->fd, LOCK_EX | LOCK_NB) != 0)
        return UP_FAIL_ERRNO(
            error, UP_E_LOCKED,
            "%s is held by another program; stop it, or give this line another port", line->device);
    if (ioctl(real->fd, TIOCEXCL) != 0)
        return UP_FAIL_ERRNO(error, UP_E_PORT, "%s can't be kept for this program alone (%s)",
                             line->device, strerror(errno));
    if (!speed_was_taken(real->fd, line->baud))
        return UP_FAIL(error, UP_E_PORT, "%s does not take a speed of %u baud", line->device,
                       line->baud);
    return UP_OK;
}

/** The driver switches the direction (TIOCSRS485), where it can: our own timing would be too late.
 */
static enum up_rc switch_by_driver(struct real_port *real, struct up_error *error)
{
    if (!real->line->rs485_driver ||
        modbus_rtu_set_serial_mode(real->modbus, MODBUS_RTU_RS485) == 0)
        return UP_OK;
    return UP_FAIL_ERRNO(error, UP_E_PORT,
                         "the driver of %s can't switch the direction of RS-485 (%s); set rs485: "
                         "none and use a converter that switches by itself, or another port",
                         real->line->device, strerror(errno));
}

static enum up_rc rtu_open(void *context, struct up_error *error)
{
    struct real_port *real = context;
    if (real_port_is_stopping(real))
        return UP_FAIL(error, UP_E_PORT, "%s is not opened, since a stop was asked for",
                       real->line->device);
    if (modbus_connect(real->modbus) != 0) {
        int why = errno;
        return up_fail(
            error, why == EBUSY ? UP_E_LOCKED : UP_E_PORT, why, __FILE__, __LINE__,
            "%s can't be opened (%s); check that the converter is plugged in and that this "
            "program's user may use it",
            real->line->device, strerror(why));
    }
    real->fd = modbus_get_socket(real->modbus);
    enum up_rc rc = take_alone(real, error);
    if (rc == UP_OK)
        rc = switch_by_driver(real, error);
    if (rc != UP_OK)
        real_port_close(real);
    return rc;
}

static enum up_rc rtu_send(void *context, const uint8_t *bytes, size_t n, struct up_error *error)
{
    struct real_port *real = context;
    if (n < 4 || bytes[0] == 0 || !function_only_reads(bytes[1]))
        return UP_FAIL(error, UP_E_USAGE, "a request that does not only read was stopped");
    if (real->line->share_line == LINE_LISTENS)
        return UP_FAIL(error, UP_E_USAGE, "%s is only listened to: nothing is sent",
                       real->line->device);
    if (real->fd < 0)
        return UP_FAIL(error, UP_E_PORT, "%s is not open", real->line->device);
    /* libmodbus adds the checksum itself, the same as ours. */
    int length = (int)(n - RTU_CRC_SIZE);
    if (modbus_set_slave(real->modbus, bytes[0]) != 0 ||
        modbus_send_raw_request(real->modbus, bytes, length) != (int)n)
        return UP_FAIL_ERRNO(error, UP_E_PORT, "%s does not take bytes any more (%s)",
                             real->line->device, strerror(errno));
    return UP_OK;
}

static void rtu_flush(void *context)
{
    struct real_port *real = context;
    if (real->fd >= 0)
        modbus_flush(real->modbus);
}

static void rtu_close(void *context)
{
    struct real_port *real = context;
    if (real->fd >= 0)
        ioctl(real->fd, TIOCNXCL);
    real_port_close(real);
}

enum up_rc rtu_port_make(struct real_port *real)
{
    const struct line_plan *line = real->line;
    real->port.open = rtu_open;
    real->port.close = rtu_close;
    real->port.send = rtu_send;
    real->port.flush = rtu_flush;
    real->modbus = modbus_new_rtu(line->device, (int)line->baud, line->parity, line->data_bits,
                                  line->stop_bits);
    return real->modbus != NULL ? UP_OK : UP_E_MEMORY;
}
