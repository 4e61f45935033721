/* SPDX-License-Identifier: Apache-2.0
 *
 * line_port.c - opening a line's port, losing it, and trying again without a busy loop.
 *
 * A serial port that vanished is tried again by itself, at most 8 s apart, so that a converter that
 * is plugged in again is found soon. A TCP connection is opened when a poll is due, after 1, 2, 4
 * .. 60 s; one that had answered before it was closed is opened at once.
 */
#include "line_inside.h"

#include "uphole/say.h"

#define SERIAL_WAIT_MOST_S 8
#define TCP_WAIT_MOST_S 60
#define JITTER_PERCENT 20
#define STEADY_US                                                                                  \
    (10 * INT64_C(1000000)) /* open for so long: the next loss starts from the shortest wait */
#define LISTEN_AGAIN_US                                                                            \
    (600 *                                                                                         \
     INT64_C(1000000)) /* away for more than 10 min: the pair may have another master by now */

static int64_t wait_us(struct line *line)
{
    uint32_t most_s = line->wire.is_tcp ? TCP_WAIT_MOST_S : SERIAL_WAIT_MOST_S;
    uint32_t seconds = 1;
    for (uint32_t n = line->open_failures; n > 1 && seconds < most_s; n--)
        seconds *= 2;
    if (seconds > most_s)
        seconds = most_s;
    int64_t us = (int64_t)seconds * 1000000;
    return us - us / 100 * JITTER_PERCENT / 1024 * (line_random(line) % 1025);
}

int64_t port_next_us(const struct line *line, int64_t now_us)
{
    if (line_is_scanning(line))
        return now_us;                                           /* the second try of a range */
    int64_t passes_us = turn_next_pass_us(line->turns, line->n); /* skips are told as they come */
    if (now_us < line->reopen_at_us)
        return passes_us < line->reopen_at_us ? passes_us : line->reopen_at_us;
    if (!line->wire.is_tcp || turn_choose(line->turns, line->n, now_us) >= 0)
        return now_us;
    return turn_next_us(line->turns, line->n, now_us);
}

static void port_is_open(struct line *line)
{
    int64_t now_us = line_now_us(line);
    line->is_open = true;
    line->was_good = false;
    line->opened_us = line->wire.active_us = now_us;
    line->wire.listener.n = 0;
    if (line->is_lost_told) {
        char for_how_long[STAMP_TEXT_MAX];
        line_tell(line, SAY_INFO, "port_back", "%s is back after %s; asking goes on.",
                  line->plan->name,
                  duration_to_text((now_us - line->lost_us) / 1000, for_how_long));
    }
    line->is_lost_told = false;
    int64_t lost_us = line->lost_us;
    line->lost_us = 0;
    if (!line->wire.is_rtu || line->hearing != NULL)
        return;
    if (line->wire.is_tcp)
        watch_rest(line, now_us); /* a serial device server may hold an answer of the connection
                                     before, or get it only now */
    for (size_t i = 0; i < line->n && !line->wire.is_tcp; i++)
        line->turns[i].not_before_us = 0; /* what was silent on a dead port gets its chance now */
    if (lost_us != 0 && now_us - lost_us > LISTEN_AGAIN_US)
        line->is_listening = line->plan->listen_first_ms > 0;
    line->listen_until_us = now_us + (int64_t)line->plan->listen_first_ms * 1000;
}

static void tell_lost(struct line *line)
{
    if (line->is_lost_told)
        return;
    line->is_lost_told = true;
    line_tell(line, SAY_ERROR, "port_gone", "%s: %s", line->plan->name, line->wire.error.why);
}

/** Polls that are due and can't be asked are rows all the same. */
static void put_unasked(struct line *line, int64_t now_us)
{
    for (size_t i = 0; i < line->n; i++)
        if (turn_is_ready(&line->turns[i], now_us))
            scan_without_port(line, (int)i);
}

bool port_try_open(struct line *line)
{
    const struct port *port = line->options.port;
    if (port->open(port->context, &line->wire.error) == UP_OK) {
        port_is_open(line);
        return true;
    }
    int64_t now_us = line_now_us(line);
    if (line->lost_us == 0)
        line->lost_us = now_us;
    line->open_failures++;
    tell_lost(line);
    if (line_is_scanning(line))
        scan_end(line);
    put_unasked(line, now_us);
    line->reopen_at_us = now_us + wait_us(line);
    return false;
}

void port_lose(struct line *line, bool by_us)
{
    int64_t now_us = line_now_us(line);
    line->options.port->close(line->options.port->context);
    /* A server that takes one client at a time accepts the next one and turns it away. */
    const bool was_turned_away = !by_us && line->wire.is_tcp && line->is_resting && !line->was_good;
    line->is_open = false;
    line->is_resting = false;
    line->reopen_at_us = now_us;
    if (was_turned_away)
        put_unasked(line, now_us);
    if (!by_us)
        line->totals.port_losses++;
    if (line->wire.is_tcp && line->wire.is_rtu && by_us)
        return; /* the connection was sound: the rest after opening paces the next question */
    if (!line->wire.is_tcp) {
        line->lost_us = now_us;
        tell_lost(line);
        if (now_us - line->opened_us > STEADY_US)
            line->open_failures = 0;
    } else if (line->was_good) {
        line->open_failures = 0;
        return;
    }
    line->open_failures++;
    line->reopen_at_us = now_us + wait_us(line);
}
