/* SPDX-License-Identifier: Apache-2.0
 *
 * line_put.c - the line's end of its ring. What a full ring refuses is counted, a source, and
 * handed over as a skip with the cause "ring full" as soon as there is room: a due time is never
 * lost without a word. Notices may be lost: they are for people, and the log says more.
 */
#include "line_inside.h"

#include <string.h>
#include <unistd.h>

static struct asked_source *source_of(struct line *line, uint16_t well_number, uint8_t source)
{
    for (size_t i = 0; i < line->n; i++)
        if (line->options.plan->wells[line->sources[i].well].number == well_number &&
            line->sources[i].source == source)
            return &line->sources[i];
    return NULL;
}

/** The due time of a scan, as stamp: where its begin stands on the source's grid. */
static struct stamp due_of(const struct line *line, const struct asked_source *source,
                           const struct scan *scan)
{
    const struct turn *turn = &line->turns[source - line->sources];
    struct stamp due = scan->begun;
    const int64_t late_ms = (due.boot_ms - turn->grid_ms) % turn->period_ms;
    due.boot_ms -= late_ms;
    due.utc_ms -= late_ms;
    return due;
}

static void count_refused(struct line *line, const struct gathered *item)
{
    struct skip skip;
    if (item->kind == GATHERED_SCAN)
        skip = (struct skip){.well = item->scan.well, .source = item->scan.source, .count = 1};
    else if (item->kind == GATHERED_SKIP)
        skip = item->skip;
    else
        return;
    struct asked_source *source = source_of(line, skip.well, skip.source);
    if (source == NULL)
        return;
    if (item->kind == GATHERED_SCAN)
        skip.first_due = skip.last_due = due_of(line, source, &item->scan);
    if (source->refused.count == 0) {
        source->refused = skip;
        source->refused.cause = CAUSE_RING_FULL;
        return;
    }
    source->refused.count += skip.count;
    source->refused.last_due = skip.last_due;
}

/** Hands over what was refused before; false while the ring is still full. */
static bool put_refused(struct line *line)
{
    for (size_t i = 0; i < line->n; i++) {
        if (line->sources[i].refused.count == 0)
            continue;
        struct gathered item;
        memset(&item, 0, sizeof item);
        item.kind = GATHERED_SKIP;
        item.skip = line->sources[i].refused;
        if (!ring_put(line->options.ring, &item))
            return false;
        line->sources[i].refused.count = 0;
    }
    return true;
}

void line_put(struct line *line, const struct gathered *item)
{
    static const uint64_t ONE = 1;
    if (!put_refused(line) || !ring_put(line->options.ring, item))
        count_refused(line, item);
    if (line->options.wake_fd >= 0 && write(line->options.wake_fd, &ONE, sizeof ONE) < 0)
        return; /* an eventfd refuses only when its count is full: its reader is awake already */
}

void line_put_rest(struct line *line)
{
    (void)put_refused(line);
}
