/* SPDX-License-Identifier: Apache-2.0
 *
 * uart.c - what a receiver makes of characters that were sent at other settings (pure).
 *
 *   sender's bits as levels over time ──sampled in the middle of the receiver's bits──▶ bytes
 */
#include "uphole/simulate.h"

struct uart_wire {
    const uint8_t *bytes;
    size_t n;
    const struct line_plan *sender;
};

static int parity_of(uint8_t byte, char parity)
{
    int ones = 0;
    for (int i = 0; i < 8; i++)
        ones += byte >> i & 1;
    return parity == 'E' ? ones % 2 : 1 - ones % 2;
}

static double bit_us_of(const struct line_plan *line)
{
    return 1e6 / line->baud;
}

/* Level of the wire at `at_us` from the first start bit on. */
static int level_at(const struct uart_wire *wire, double at_us)
{
    const int bits = (int)line_bits_per_character(wire->sender);
    const double bit = at_us / bit_us_of(wire->sender);
    if (bit < 0)
        return 1;
    const size_t character = (size_t)(bit / bits);
    if (character >= wire->n)
        return 1;
    const int k = (int)(bit - (double)character * bits);
    const uint8_t byte = wire->bytes[character];
    if (k == 0)
        return 0;
    if (k <= 8)
        return byte >> (k - 1) & 1;
    if (k == 9 && wire->sender->parity != 'N')
        return parity_of(byte, wire->sender->parity);
    return 1;
}

size_t uart_through(const struct line_plan *sender, const struct line_plan *receiver,
                    const uint8_t *bytes, size_t n, uint8_t *out, size_t room)
{
    const struct uart_wire wire = {bytes, n, sender};
    const double bit_us = bit_us_of(receiver), step_us = bit_us / 16;
    const double end_us = (double)n * line_bits_per_character(sender) * bit_us_of(sender);
    size_t made = 0;
    for (double at_us = 0; at_us < end_us && made < room;) {
        if (level_at(&wire, at_us) != 0) {
            at_us += step_us;
            continue;
        }
        uint8_t byte = 0;
        for (int i = 0; i < 8; i++)
            byte = (uint8_t)(byte | level_at(&wire, at_us + (1.5 + i) * bit_us) << i);
        double stop_us = at_us + 9.5 * bit_us;
        bool is_wrong = false;
        if (receiver->parity != 'N') {
            is_wrong = level_at(&wire, stop_us) != parity_of(byte, receiver->parity);
            stop_us += bit_us;
        }
        const bool is_broken = level_at(&wire, stop_us) == 0;
        out[made++] = receiver->parity != 'N' && (is_wrong || is_broken) ? 0 : byte;
        at_us = stop_us;
        while (is_broken && at_us < end_us && level_at(&wire, at_us) == 0)
            at_us += step_us; /* waits for the line to rest */
    }
    return made;
}
