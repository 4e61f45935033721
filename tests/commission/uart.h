/* SPDX-License-Identifier: Apache-2.0
 *
 * uart.h - what a receiver makes of characters that were sent at other settings: the sender's bits
 * as levels over time, sampled in the middle of the receiver's bits.
 *
 * Source of the character: Modbus over Serial Line V1.02, 2.5.1 (start bit 0, eight data bits
 * lowest first, parity, stop bit 1; the line rests at 1). A character with a wrong parity bit is
 * handed on as 00 where the driver checks parity (termios(3), INPCK without PARMRK).
 */
#ifndef UPHOLE_TESTS_COMMISSION_UART_H
#define UPHOLE_TESTS_COMMISSION_UART_H

#include "uphole/plan.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct uart_wire {
    const uint8_t *bytes;
    size_t n;
    const struct line_plan *sender;
};

static inline int uart_parity(uint8_t byte, char parity)
{
    int ones = 0;
    for (int i = 0; i < 8; i++)
        ones += byte >> i & 1;
    return parity == 'E' ? ones % 2 : 1 - ones % 2;
}
static inline double uart_bit_us(const struct line_plan *line)
{
    return 1e6 / line->baud;
}
static inline int uart_bits(const struct line_plan *line)
{
    return 9 + (line->parity != 'N') + line->stop_bits;
}
/** Level of the wire at `at_us` from the first start bit on. */
static inline int uart_level(const struct uart_wire *wire, double at_us)
{
    const double bit = at_us / uart_bit_us(wire->sender);
    if (bit < 0)
        return 1;
    const size_t character = (size_t)(bit / uart_bits(wire->sender));
    if (character >= wire->n)
        return 1;
    const int k = (int)(bit - (double)character * uart_bits(wire->sender));
    const uint8_t byte = wire->bytes[character];
    if (k == 0)
        return 0;
    if (k <= 8)
        return byte >> (k - 1) & 1;
    if (k == 9 && wire->sender->parity != 'N')
        return uart_parity(byte, wire->sender->parity);
    return 1;
}
/** What the receiver hands on; at most `room` bytes. */
static inline size_t uart_through(const struct line_plan *sender, const struct line_plan *receiver,
                                  const uint8_t *bytes, size_t n, uint8_t *out, size_t room)
{
    const struct uart_wire wire = {bytes, n, sender};
    const double bit_us = uart_bit_us(receiver), step_us = bit_us / 16;
    const double end_us = (double)n * uart_bits(sender) * uart_bit_us(sender);
    size_t made = 0;
    for (double at_us = 0; at_us < end_us && made < room;) {
        if (uart_level(&wire, at_us) != 0) {
            at_us += step_us;
            continue;
        }
        uint8_t byte = 0;
        for (int i = 0; i < 8; i++)
            byte = (uint8_t)(byte | uart_level(&wire, at_us + (1.5 + i) * bit_us) << i);
        double stop_us = at_us + 9.5 * bit_us;
        bool is_wrong = false;
        if (receiver->parity != 'N') {
            is_wrong = uart_level(&wire, stop_us) != uart_parity(byte, receiver->parity);
            stop_us += bit_us;
        }
        const bool is_broken = uart_level(&wire, stop_us) == 0;
        out[made++] = receiver->parity != 'N' && (is_wrong || is_broken) ? 0 : byte;
        at_us = stop_us;
        while (is_broken && at_us < end_us && uart_level(&wire, at_us) == 0)
            at_us += step_us; /* waits for the line to rest */
    }
    return made;
}

#endif
