/* SPDX-License-Identifier: Apache-2.0
 *
 * line.c - the machine of one line: each step does one thing and says when it wants the next.
 *
 * A line with `share_line: listen` never asks: line_heard.c.
 *
 *   closed ─▶ listening ─▶ idle ⇄ asking ⇄ resting
 *     ▲          ▲           │
 *     └─ gone    └───────────┴─ another master
 *
 * A hold (hold.c) closes it from any state in which no poll is under way.
 * Invariants: nothing is asked while held, listening, resting or beside another master; at most one
 * question is on the wire; every due time ends as a scan or in a skip.
 */
#include "hold.h"
#include "line_inside.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ENTRIES_EVERY_US 1000000
/* After more than 10 min without us: listen first. */
#define KNOWN_FOR_US (INT64_C(600) * 1000000)
#define IDLE_CHARACTERS                                                                            \
    2048 /* half of what a driver keeps: an idle line is read before that many can have come */
#define IDLE_MOST_US 1000000

int64_t line_now_us(const struct line *line)
{
    return clock_boot_us(line->options.clock);
}
struct stamp line_stamp(struct line *line)
{
    return stamp_take(line->options.clock, &line->watch);
}
int64_t line_rest_us(const struct line *line)
{
    int64_t timeout_us = (int64_t)line->plan->response_timeout_ms * 1000;
    int64_t slowest_us = 2 * line->totals.slowest_answer_us;
    return slowest_us > timeout_us ? slowest_us : timeout_us;
}
bool line_is_scanning(const struct line *line)
{
    return line->poll.source >= 0;
}

/* xorshift32 (Marsaglia 2003): jitter needs no more. */
uint32_t line_random(struct line *line)
{
    uint32_t x = line->random;
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    return line->random = x;
}

void line_tell(struct line *line, uint8_t level, const char *kind, const char *format, ...)
{
    struct gathered item;
    memset(&item, 0, sizeof item);
    item.kind = GATHERED_NOTICE;
    item.notice.level = level;
    item.notice.line = line->options.index;
    item.notice.at = line_stamp(line);
    snprintf(item.notice.kind, sizeof item.notice.kind, "%s", kind);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(item.notice.text, sizeof item.notice.text, format, arguments);
    va_end(arguments);
    line_put(line, &item);
}

/* ---- books ---- */

/** `cut_off` says what ended the turn of a due time that is still open; CAUSE_NONE: it passed. */
static uint8_t skip_cause(const struct line *line, const struct passed *passed, int64_t now_us,
                          uint8_t cut_off)
{
    if (line->wakes)
        return CAUSE_SUSPENDED;
    if (line->is_held)
        return CAUSE_PAUSED;
    if (line->another_master)
        return CAUSE_ANOTHER_MASTER;
    if (line->is_listening)
        return CAUSE_LISTENING;
    if (passed->in_back_off)
        return CAUSE_BACK_OFF;
    if (cut_off != CAUSE_NONE) /* a port that was never tried says nothing */
        return !line->is_open && now_us < line->reopen_at_us ? CAUSE_BACK_OFF : cut_off;
    return line->is_open ? CAUSE_LINE_BUSY : CAUSE_BACK_OFF;
}

static void put_skips(struct line *line, size_t i, int64_t now_us, uint8_t cut_off)
{
    struct passed passed;
    while (turn_pass(&line->turns[i], now_us, cut_off != CAUSE_NONE, &passed)) {
        struct gathered item;
        memset(&item, 0, sizeof item);
        struct stamp now = line_stamp(line);
        item.kind = GATHERED_SKIP;
        item.skip.well = line->options.plan->wells[line->sources[i].well].number;
        item.skip.source = line->sources[i].source;
        item.skip.cause = skip_cause(line, &passed, now_us, cut_off);
        item.skip.count = passed.count;
        item.skip.first_due = item.skip.last_due = now;
        item.skip.first_due.boot_ms = passed.first_due_ms;
        item.skip.first_due.utc_ms = now.utc_ms - (now.boot_ms - passed.first_due_ms);
        item.skip.last_due.boot_ms = passed.last_due_ms;
        item.skip.last_due.utc_ms = now.utc_ms - (now.boot_ms - passed.last_due_ms);
        line_put(line, &item);
    }
}

/** Due times that pass during a source's scan are told behind it: whoever finds the newest account
 * of a source in the journal after a kill takes all before it as accounted for. */
void line_account(struct line *line, int64_t now_us)
{
    for (size_t i = 0; i < line->n; i++)
        if (line->poll.source != (int)i)
            put_skips(line, i, now_us, CAUSE_NONE);
}

void line_account_end(struct line *line, size_t i, int64_t now_us, uint8_t cut_off)
{
    if (line->poll.source == (int)i)
        return;
    put_skips(line, i, now_us, CAUSE_NONE); /* these had their turn, whole periods of it */
    put_skips(line, i, now_us, cut_off);
}

/** After a suspend: what had passed before it keeps its cause, the rest was slept through. The
 * line was without us like in any other absence, so after a long one it is listened to first. */
static void wake(struct line *line, int64_t now_us)
{
    const int64_t slept_us = sleep_watch_step(&line->sleep, clock_asleep_us(line->options.clock));
    if (slept_us == 0)
        return;
    if (line_is_scanning(line))
        scan_end_told(line, now_us - slept_us); /* its other half would be of another time */
    if (line->is_open) { /* an answer from before, or on its way, answers nothing any more */
        line->options.port->flush(line->options.port->context);
        watch_rest(line, now_us);
    }
    line_account(line, now_us - slept_us);
    line->wakes = true;
    line_account(line, now_us);
    line->wakes = false;
    if (slept_us > KNOWN_FOR_US && line->wire.is_rtu && line->plan->listen_first_ms > 0) {
        line->is_listening = true;
        line->listen_until_us = now_us + (int64_t)line->plan->listen_first_ms * 1000;
    }
}

/* ---- entries ---- */

/** Takes the entry that is valid now; a changed one starts at the next grid time. */
static void refresh_entry(struct line *line, size_t i, int64_t now_us, int64_t utc_ms)
{
    struct asked_source *source = &line->sources[i];
    const struct plan *plan = line->options.plan;
    const struct source_entry *entry =
        plan_entry_at(&plan->wells[source->well], source->source, utc_ms);
    if (entry == source->entry || entry == NULL || line->poll.source == (int)i)
        return;
    bool is_first = source->entry == NULL;
    if (!is_first) {
        hearing_close_scan(line, i);
        line_account_end(line, i, now_us, CAUSE_ENTRY_ENDED);
    }
    source->entry = entry;
    source->n_avoid = 0;
    int64_t grid_ms = line->options.grid_start_us / 1000;
    turn_init(&line->turns[i], grid_ms, entry->poll_every_ms,
              is_first ? line_first_due_from_ms(line, i) : now_us / 1000 + 1, entry->down_after);
    line->turns[i].is_active =
        entry->line == line->options.index &&
        read_plan_make(&plan->maps[entry->map], line->plan, &source->reads, NULL) == UP_OK;
}

static void refresh_entries(struct line *line, int64_t now_us)
{
    line->entries_checked_us = now_us;
    int64_t utc_ms = line->options.clock->utc_us(line->options.clock->context) / 1000;
    for (size_t i = 0; i < line->n; i++)
        refresh_entry(line, i, now_us, utc_ms);
}

/** While nobody is asked, once a second is enough. */
static void refresh_entries_at_times(struct line *line, int64_t now_us)
{
    if (line->entries_checked_us == INT64_MIN ||
        now_us - line->entries_checked_us >= ENTRIES_EVERY_US)
        refresh_entries(line, now_us);
}

static bool is_of_line(const struct well_plan *well, unsigned source, uint16_t line)
{
    for (unsigned i = 0; i < well->n_entries[source]; i++)
        if (well->entries[source][i].line == line)
            return true;
    return false;
}

/** Counts the sources of the line, and fills them in where there is room for them. */
static size_t find_sources(const struct plan *plan, uint16_t index, struct asked_source *into)
{
    size_t n = 0;
    for (unsigned w = 0; w < plan->n_wells; w++)
        for (unsigned s = SOURCE_NONE + 1; s < SOURCE_KINDS; s++) {
            if (!is_of_line(&plan->wells[w], s, index))
                continue;
            if (into != NULL)
                into[n] = (struct asked_source){.well = (uint16_t)w, .source = (uint8_t)s};
            n++;
        }
    return n;
}

static enum up_rc check_read_plans(const struct line *line, struct up_error *error)
{
    const struct plan *plan = line->options.plan;
    for (size_t i = 0; i < line->n; i++) {
        const struct well_plan *well = &plan->wells[line->sources[i].well];
        for (unsigned e = 0; e < well->n_entries[line->sources[i].source]; e++) {
            const struct source_entry *entry = &well->entries[line->sources[i].source][e];
            struct read_plan reads;
            if (entry->line != line->options.index)
                continue;
            enum up_rc rc = read_plan_make(&plan->maps[entry->map], line->plan, &reads, error);
            if (rc != UP_OK)
                return rc;
        }
    }
    return UP_OK;
}

/* ---- life ---- */

struct line *line_create(const struct line_options *options, struct up_error *error)
{
    struct line *line = calloc(1, sizeof *line);
    size_t n = find_sources(options->plan, options->index, NULL);
    if (line != NULL) {
        line->sources = calloc(n + 1, sizeof line->sources[0]);
        line->turns = calloc(n + 1, sizeof line->turns[0]);
    }
    if (line == NULL || line->sources == NULL || line->turns == NULL) {
        line_destroy(line);
        up_fail(error, UP_E_MEMORY, 0, __FILE__, __LINE__, "no memory for a line with %zu sources",
                n);
        return NULL;
    }
    line->options = *options;
    line->plan = &options->plan->lines[options->index];
    line->n = find_sources(options->plan, options->index, line->sources);
    line->watch.floor_utc_ms = options->floor_utc_ms;
    line->sleep.seen_us = clock_asleep_us(options->clock);
    line->random = options->seed != 0 ? options->seed : 1;
    line->poll.source = -1;
    line->entries_checked_us = INT64_MIN;
    wire_init(&line->wire, line->plan, options->clock, options->port);
    if (!hearing_make(line)) {
        line_destroy(line);
        up_fail(error, UP_E_MEMORY, 0, __FILE__, __LINE__, "no memory for a line that listens");
        return NULL;
    }
    if (check_read_plans(line, error) != UP_OK) {
        line_destroy(line);
        return NULL;
    }
    int64_t now_us = line_now_us(line);
    line->totals.since_us = now_us;
    refresh_entries(line, now_us);
    line->options.starts = NULL; /* the caller's */
    line->options.n_starts = 0;
    line->is_listening = options->listen_first && line->wire.is_rtu && line->hearing == NULL &&
                         line->plan->listen_first_ms > 0;
    line->listen_until_us = now_us + (int64_t)line->plan->listen_first_ms * 1000;
    line->hold_until_us = options->hold_until_us;
    return line;
}

void line_destroy(struct line *line)
{
    if (line == NULL)
        return;
    hearing_free(line);
    free(line->sources);
    free(line->turns);
    free(line);
}

void line_finish(struct line *line)
{
    if (line_is_scanning(line))
        scan_end(line);
    hearing_expire(line, line_now_us(line));
    for (size_t i = 0; i < line->n; i++)
        hearing_close_scan(line, i);
    for (size_t i = 0; i < line->n; i++)
        line_account_end(line, i, line_now_us(line), CAUSE_STOPPED);
    line->options.port->close(line->options.port->context);
    line->is_open = false;
}

/* ---- steps ---- */

/** Reads what an idle pair says, so that nothing overflows unheard, and says when to look again. */
static int64_t step_idle(struct line *line, int64_t now_us)
{
    int64_t next_us = turn_next_us(line->turns, line->n, now_us);
    if (!line->wire.is_rtu)
        return next_us;
    ssize_t n = wire_drain(&line->wire);
    if (n < 0) {
        port_lose(line, false);
        return line_now_us(line);
    }
    if (n > 0)
        watch_stray(line, (uint32_t)n);
    int64_t look_us =
        INT64_C(1000000) * line_bits_per_character(line->plan) * IDLE_CHARACTERS / line->plan->baud;
    look_us = now_us + (look_us < IDLE_MOST_US ? look_us : IDLE_MOST_US);
    return look_us < next_us ? look_us : next_us;
}

static int64_t step_ask(struct line *line, int64_t now_us)
{
    if (!line_is_scanning(line)) {
        int chosen = turn_choose(line->turns, line->n, now_us);
        if (chosen >= 0) { /* an entry whose date has just come is taken before anybody is asked */
            refresh_entries(line, now_us);
            chosen = turn_choose(line->turns, line->n, now_us);
        }
        if (chosen < 0)
            return step_idle(line, now_us);
        if (scan_must_rest(line, &line->sources[chosen].reads.range[0]))
            return now_us;
        scan_begin(line, chosen);
        if (!line_is_scanning(line))
            return now_us;
    }
    scan_ask(line);
    int64_t after_us = line_now_us(line);
    line->totals.busy_us += after_us - now_us;
    return line->pause_until_us > after_us ? line->pause_until_us : after_us;
}

int64_t line_step(struct line *line)
{
    int64_t now_us = line_now_us(line);
    line_put_rest(line);
    hearing_expire(line, now_us);
    wake(line, now_us);
    line_account(line, now_us);
    refresh_entries_at_times(line, now_us);
    if (hold_rules(line, now_us))
        return hold_next_us(line);
    if (!line->is_open) {
        int64_t next_us = port_next_us(line, now_us);
        if (next_us > now_us)
            return next_us;
        port_try_open(line);
        return line_now_us(line);
    }
    if (line->hearing != NULL)
        return hearing_step(line);
    if (line->is_resting) {
        watch_step_rest(line);
        int64_t after_us = line_now_us(line);
        line->totals.busy_us += after_us - now_us;
        return after_us;
    }
    if (line->is_listening || line->another_master) {
        watch_step_listen(line);
        return line_now_us(line);
    }
    if (now_us < line->pause_until_us)
        return line->pause_until_us;
    return step_ask(line, now_us);
}

const struct line_counts *line_counts_of(const struct line *line, uint16_t well_index,
                                         uint8_t source)
{
    for (size_t i = 0; i < line->n; i++)
        if (line->sources[i].well == well_index && line->sources[i].source == source)
            return &line->sources[i].counts;
    return NULL;
}
const struct line_counts *line_totals(const struct line *line)
{
    return &line->totals;
}
