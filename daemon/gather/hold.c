/* SPDX-License-Identifier: Apache-2.0
 *
 * hold.c - see hold.h.
 */
#include "hold.h"

#include "uphole/say.h"

void line_hold(struct line *line, int64_t until_us)
{
    line->hold_until_us = until_us;
}

bool line_is_held(const struct line *line)
{
    return line->is_held;
}

static void begin(struct line *line, int64_t now_us)
{
    line->options.port->close(line->options.port->context);
    line->is_open = line->is_resting = false;
    /* What another master does meanwhile is not heard: it is looked for anew afterwards. */
    line->is_listening = line->is_listening || line->another_master;
    line->another_master = line->is_master_told = false;
    if (line->opened_us == 0) /* started anew while held: for how long, only the book knows */
        line->is_listening = line->wire.is_rtu && line->plan->listen_first_ms > 0;
    if (line->lost_us == 0)
        line->lost_us = now_us; /* away from now on, for listening afterwards */
    line->is_held = true;
    line->held_since_us = now_us;
}

static void end(struct line *line, int64_t now_us)
{
    char how_long[STAMP_TEXT_MAX];
    line->is_held = false;
    line->reopen_at_us = now_us;
    line->open_failures = 0;
    line_tell(line, SAY_INFO, "hold_over",
              "%s was held for %s; polling goes on. Make sure that whoever used the line has left "
              "it.",
              line->plan->name, duration_to_text((now_us - line->held_since_us) / 1000, how_long));
}

bool hold_rules(struct line *line, int64_t now_us)
{
    const bool wanted = line->hold_until_us > now_us;
    if (wanted && !line->is_held && !line_is_scanning(line))
        begin(line, now_us);
    else if (!wanted && line->is_held)
        end(line, now_us);
    return line->is_held;
}

int64_t hold_next_us(const struct line *line)
{
    const int64_t passes_us = turn_next_pass_us(line->turns, line->n);
    return passes_us < line->hold_until_us ? passes_us : line->hold_until_us;
}
