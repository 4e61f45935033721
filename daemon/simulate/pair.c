/* SPDX-License-Identifier: Apache-2.0
 *
 * pair.c - what the two wires and the converter make of bytes (pure).
 *
 * A receiver at other settings samples levels, so it needs the whole frame before it can be said
 * what it hears; a good pair hands each byte on at once.
 */
#include "pair.h"

#include <string.h>

#define STRAY_EVERY_US 3700000 /* invented: often enough to be noticed while somebody listens */

void pair_init(struct pair *pair, const struct simulate_line *options)
{
    *pair = (struct pair){.options = options, .stray_next_us = INT64_MAX};
    if (options->pair.no_bias)
        pair->stray_next_us = STRAY_EVERY_US / 4;
}

bool pair_is_faulty(const struct pair *pair)
{
    const struct simulate_pair *wires = &pair->options->pair;
    return wires->by_settings || wires->swapped || wires->no_bias;
}

static bool differs(const struct pair *pair, const struct line_plan *port)
{
    const struct line_plan *line = &pair->options->line;
    return pair->options->pair.by_settings &&
           (port->baud != line->baud || port->parity != line->parity);
}

static size_t through(const struct pair *pair, const struct line_plan *sender,
                      const struct line_plan *receiver, const struct line_plan *port,
                      const uint8_t *bytes, size_t n, uint8_t *into, size_t room)
{
    size_t made = n < room ? n : room;
    if (differs(pair, port))
        made = uart_through(sender, receiver, bytes, n, into, room);
    else
        memcpy(into, bytes, made);
    for (size_t i = 0; pair->options->pair.swapped && i < made; i++)
        into[i] = (uint8_t)~into[i];
    return made;
}

size_t pair_to_units(const struct pair *pair, const struct line_plan *port, const uint8_t *bytes,
                     size_t n, uint8_t *into, size_t room)
{
    return through(pair, port, &pair->options->line, port, bytes, n, into, room);
}

size_t pair_answers_question(const struct pair *pair, uint8_t *into, size_t room)
{
    if (!pair->options->pair.swapped || room < 2)
        return 0;
    into[0] = into[1] = 0; /* the level turns when the converter lets go of the pair */
    return 2;
}

size_t pair_to_port(struct pair *pair, const struct line_plan *port, const uint8_t *bytes, size_t n,
                    bool ends, uint8_t *into, size_t room)
{
    const bool waits = pair->options->pair.swapped || differs(pair, port);
    size_t made = 0;
    if (n > 0 && !pair->is_in_frame && pair->options->pair.no_bias && pair->frames++ % 2 == 0) {
        into[made++] = 0xFF;
        into[made++] = 0x00;
    }
    pair->is_in_frame = !ends;
    if (!waits) {
        const size_t fits = n < room - made ? n : room - made;
        memcpy(into + made, bytes, fits);
        return made + fits;
    }
    const size_t fits = n < PAIR_BYTES_MAX - pair->n_held ? n : PAIR_BYTES_MAX - pair->n_held;
    memcpy(pair->held + pair->n_held, bytes, fits);
    pair->n_held += fits;
    if (!ends || pair->n_held == 0)
        return 0;
    made = through(pair, &pair->options->line, port, port, pair->held, pair->n_held, into, room);
    pair->n_held = 0;
    if (pair->options->pair.swapped && made < room)
        into[made++] = 0;
    return made;
}

size_t pair_stray(struct pair *pair, int64_t now_us, uint8_t *into)
{
    if (now_us < pair->stray_next_us)
        return 0;
    pair->stray_next_us = now_us + STRAY_EVERY_US;
    into[0] = pair->strays++ % 3 == 0 ? 0x00 : 0xFF;
    return 1;
}
