/* SPDX-License-Identifier: Apache-2.0
 *
 * ports.h - what a serial port and a TCP connection share: a libmodbus context that opened them,
 * and reading with a deadline.
 */
#ifndef UPHOLE_GATHER_PORTS_H
#define UPHOLE_GATHER_PORTS_H

#include "uphole/gather.h"

#include <modbus/modbus.h>

struct real_port {
    struct port port; /* port.context is this struct */
    const struct line_plan *line;
    const struct up_clock *clock;
    int stop_fd;
    int fd; /* of the open context, or -1 */
    modbus_t *modbus;
};

/** Waits for bytes until the deadline and reads them; -1 where the other end of the wire is gone.
 */
ssize_t real_port_receive(void *context, uint8_t *into, size_t room, int64_t deadline_us,
                          struct up_error *error);
void real_port_close(void *context);
/** True once a stop was asked for: nothing new is opened. */
bool real_port_is_stopping(const struct real_port *real);
/** Only functions that read may pass: 1 to 4, 0x14, 0x2B. */
bool function_only_reads(uint8_t function);

enum up_rc rtu_port_make(struct real_port *real);
enum up_rc tcp_port_make(struct real_port *real);

#endif
