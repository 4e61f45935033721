/* SPDX-License-Identifier: Apache-2.0
 *
 * port_errors.c - what the serial driver counted of broken characters: evidence on a wire that a
 * program sees nothing else of.
 */
#include "ports.h"

#include <linux/serial.h>
#include <string.h>
#include <sys/ioctl.h>

bool port_errors(const struct port *port, struct line_errors *out)
{
    const struct real_port *real = port->context;
    struct serial_icounter_struct counts;
    memset(&counts, 0, sizeof counts);
    if (real->fd < 0 || real->line->medium != LINE_MEDIUM_SERIAL ||
        ioctl(real->fd, TIOCGICOUNT, &counts) != 0)
        return false;
    *out = (struct line_errors){.framing = (uint32_t)counts.frame,
                                .parity = (uint32_t)counts.parity,
                                .overruns = (uint32_t)counts.overrun,
                                .breaks = (uint32_t)counts.brk};
    return true;
}
