/* SPDX-License-Identifier: Apache-2.0
 *
 * line_heard.c - a line that only listens: the exchanges of another master become scans, and not a
 * byte is sent.
 *
 * A due time is served by what is heard in its period; where nothing is, it is a row without data,
 * so that the books balance and the line goes down when the other master stops. There is no
 * back-off: listening costs nothing.
 */
#include "line_inside.h"

#include "heard.h"

#include "uphole/say.h"

#include <stdlib.h>
#include <string.h>

#define SLICE_US 250000 /* longest wait in one step, so that a stop is heard soon */
#define LUMPS_MAX 16    /* of 256 bytes, a step */

/** One source; at the same index as in line->sources. */
struct listening {
    const struct source_entry *entry; /* for which `heard` was made */
    struct heard_source heard;
    uint64_t unused_before, frames_before, doubt_before; /* sums at its last row */
    int64_t pair_us, pause_us; /* its newest pair; the pause before that */
    bool is_slow_told;
};

struct hearing {
    struct overhearer overhearer;
    uint64_t stray_counted, unanswered_counted, faults_counted;
    int64_t opened_us; /* for which opening of the port the overhearer began */
    struct listening source[];
};

bool hearing_make(struct line *line)
{
    if (line->plan->share_line != LINE_LISTENS)
        return true;
    line->hearing = calloc(1, sizeof *line->hearing + line->n * sizeof line->hearing->source[0]);
    if (line->hearing == NULL)
        return false;
    overhear_init(&line->hearing->overhearer, line->plan, line_now_us(line));
    return true;
}

void hearing_free(struct line *line)
{
    free(line->hearing);
    line->hearing = NULL;
}

/* ---- rows ---- */

static struct stamp stamp_before(struct line *line, int64_t boot_us)
{
    struct stamp stamp = line_stamp(line);
    const int64_t back_ms = stamp.boot_ms - boot_us / 1000;
    stamp.boot_ms -= back_ms;
    stamp.utc_ms -= back_ms;
    return stamp;
}

static void begin_row(struct line *line, size_t i, struct gathered *item)
{
    const struct plan *plan = line->options.plan;
    memset(item, 0, sizeof *item);
    item->kind = GATHERED_SCAN;
    item->scan.run = line->options.run;
    item->scan.plan = plan->id;
    item->scan.well = plan->wells[line->sources[i].well].number;
    item->scan.source = line->sources[i].source;
}

static uint64_t frames_of(const struct overhearer *overhearer)
{
    return overhearer->counts.pairs + overhearer->counts.in_doubt + overhearer->counts.unanswered;
}

static void put_row(struct line *line, size_t i, struct gathered *item, int64_t begun_us,
                    int64_t ended_us)
{
    struct listening *at = &line->hearing->source[i];
    item->scan.begun = stamp_before(line, begun_us);
    item->scan.took_ms = (uint32_t)((ended_us - begun_us + 500) / 1000);
    at->unused_before = line->hearing->overhearer.counts.unused_bytes;
    at->frames_before = frames_of(&line->hearing->overhearer);
    at->doubt_before = line->hearing->overhearer.counts.in_doubt;
    line_put(line, item);
}

/** What was heard for a source goes out as a scan. */
static void close_scan(struct line *line, size_t i)
{
    struct gathered item;
    int64_t begun_us, ended_us;
    begin_row(line, i, &item);
    heard_close(&line->hearing->source[i].heard, &item.scan, &begun_us, &ended_us);
    if (begun_us == 0) /* only what was dropped again: its due time was claimed all the same */
        begun_us = ended_us = line->hearing->source[i].heard.end_us - 1000;
    put_row(line, i, &item, begun_us, ended_us);
}

/** A due time in whose period nothing was heard that tells of this source. */
static void put_nothing(struct line *line, size_t i, int64_t due_us, int64_t end_us)
{
    const struct listening *at = &line->hearing->source[i];
    const struct overhearer *overhearer = &line->hearing->overhearer;
    const uint64_t unused = overhearer->counts.unused_bytes - at->unused_before;
    struct gathered item;
    begin_row(line, i, &item);
    item.scan.stray = unused > UINT32_MAX ? UINT32_MAX : (uint32_t)unused;
    item.scan.outcome = overhearer->counts.in_doubt > at->doubt_before ? OUTCOME_WRONG_REPLY
                        : unused > 0 && frames_of(overhearer) == at->frames_before
                            ? OUTCOME_BAD_CHECKSUM
                            : OUTCOME_SILENT;
    turn_claim(&line->turns[i], due_us / 1000, ++line->served);
    put_row(line, i, &item, due_us, end_us);
    LINE_COUNT(line, &line->sources[i], silent);
}

/* ---- pairs ---- */

static void open_scan(struct line *line, size_t i, const struct heard_pair *pair)
{
    struct heard_source *heard = &line->hearing->source[i].heard;
    struct turn *turn = &line->turns[i];
    const int64_t due_us = turn_due_ms(turn, turn->next) * 1000;
    const int64_t end_us = turn_due_ms(turn, turn->next + 1) * 1000;
    if (pair->asked_us < due_us || pair->asked_us >= end_us || !heard_concerns(heard, pair))
        return;
    turn_claim(turn, pair->asked_us / 1000, ++line->served);
    heard_open(heard, end_us);
    heard_take(heard, pair);
}

/** Closes what is whole, and begins the next scan with what came after its period. */
static void close_if_whole(struct line *line, size_t i, int64_t now_us)
{
    struct heard_source *heard = &line->hearing->source[i].heard;
    if (!heard_is_whole(heard, now_us))
        return;
    close_scan(line, i);
    if (heard->has_late)
        open_scan(line, i, &heard->late);
}

static void note_pause(struct line *line, size_t i, int64_t now_us)
{
    struct listening *at = &line->hearing->source[i];
    const int64_t pause_us = at->pair_us != 0 ? now_us - at->pair_us : 0;
    const bool is_slow = pause_us > at->heard.period_us && at->pause_us > at->heard.period_us;
    at->pair_us = now_us;
    at->pause_us = pause_us > at->heard.period_us / 2 ? pause_us : at->pause_us;
    if (!is_slow || at->is_slow_told)
        return;
    char how_often[STAMP_TEXT_MAX];
    at->is_slow_told = true;
    line_tell(line, SAY_WARNING, "slow_master",
              "The other master on %s reads unit id %u only each %s. Set poll_every of this entry "
              "to that or more, else due times between stay without data.",
              line->plan->name, line->sources[i].entry->unit_id,
              duration_to_text(pause_us / 1000, how_often));
}

static void take_pair(struct line *line, const struct heard_pair *pair)
{
    line->was_good = true; /* the port is, whatever its next loss */
    line->open_failures = 0;
    for (size_t i = 0; i < line->n; i++) {
        struct heard_source *heard = &line->hearing->source[i].heard;
        struct turn *turn = &line->turns[i];
        if (!turn->is_active || line->sources[i].entry->unit_id != pair->unit_id ||
            !heard_concerns(heard, pair))
            continue;
        LINE_COUNT(line, &line->sources[i], answers);
        if (pair->exception != 0)
            LINE_COUNT(line, &line->sources[i], exceptions[pair->exception]);
        note_pause(line, i, pair->answered_us);
        const bool was_open = heard->is_open;
        heard_take(heard, pair);
        if (!was_open)
            open_scan(line, i, pair);
        close_if_whole(line, i, pair->answered_us);
    }
}

/* ---- steps ---- */

void hearing_close_scan(struct line *line, size_t i)
{
    if (line->hearing != NULL && line->hearing->source[i].heard.is_open)
        close_scan(line, i);
}

void hearing_entries_moved(struct line *line)
{
    for (size_t i = 0; line->hearing != NULL && i < line->n; i++)
        if (line->hearing->source[i].entry != NULL)
            line->hearing->source[i].entry = line->sources[i].entry;
}

/** Another entry, or the first: what it needs is looked for from now on. */
static void refresh_source(struct line *line, size_t i, int64_t now_us)
{
    struct listening *at = &line->hearing->source[i];
    const struct source_entry *entry = line->sources[i].entry;
    if (at->entry == entry || entry == NULL)
        return;
    hearing_close_scan(line, i);
    memset(at, 0, sizeof *at);
    at->entry = entry;
    heard_init(&at->heard, &line->options.plan->maps[entry->map], entry->poll_every_ms, now_us);
    at->unused_before = line->hearing->overhearer.counts.unused_bytes;
    at->frames_before = frames_of(&line->hearing->overhearer);
}

static void expire_source(struct line *line, size_t i, int64_t now_us)
{
    struct heard_source *heard = &line->hearing->source[i].heard;
    struct turn *turn = &line->turns[i];
    if (heard->is_open && (!line->is_open || now_us >= heard_deadline_us(heard, now_us))) {
        close_scan(line, i);
        if (heard->has_late && line->is_open)
            open_scan(line, i, &heard->late);
    }
    const int64_t due_us = turn_due_ms(turn, turn->next) * 1000;
    const int64_t end_us = turn_due_ms(turn, turn->next + 1) * 1000;
    if (line->is_open && turn->is_active && !heard->is_open && now_us >= end_us)
        put_nothing(line, i, due_us, end_us);
}

void hearing_expire(struct line *line, int64_t now_us)
{
    for (size_t i = 0; line->hearing != NULL && i < line->n; i++) {
        refresh_source(line, i, now_us);
        if (line->hearing->source[i].entry != NULL)
            expire_source(line, i, now_us);
    }
}

static int64_t next_deadline_us(const struct line *line, int64_t now_us)
{
    int64_t next_us = now_us + SLICE_US;
    for (size_t i = 0; i < line->n; i++) {
        const struct heard_source *heard = &line->hearing->source[i].heard;
        const int64_t us = heard->is_open
                               ? heard_deadline_us(heard, now_us)
                               : turn_due_ms(&line->turns[i], line->turns[i].next + 1) * 1000;
        if (line->turns[i].is_active && us > now_us && us < next_us)
            next_us = us;
    }
    return next_us;
}

/** The line's own sums follow those of the overhearer. */
static void count(struct line *line)
{
    struct hearing *hearing = line->hearing;
    const struct overhear_counts *counts = &hearing->overhearer.counts;
    line->totals.stray_bytes += counts->unused_bytes - hearing->stray_counted;
    line->totals.silent += counts->unanswered - hearing->unanswered_counted;
    line->totals.bad_checksum += counts->faults - hearing->faults_counted;
    hearing->stray_counted = counts->unused_bytes;
    hearing->unanswered_counted = counts->unanswered;
    hearing->faults_counted = counts->faults;
}

int64_t hearing_step(struct line *line)
{
    struct hearing *hearing = line->hearing;
    const int64_t now_us = line_now_us(line);
    struct heard_pair pair;
    if (hearing->opened_us != line->opened_us) {
        hearing->opened_us = line->opened_us;
        overhear_begin_again(&hearing->overhearer, now_us);
    }
    for (unsigned lump = 0; lump < LUMPS_MAX; lump++) {
        uint8_t bytes[RTU_ADU_MAX];
        const int64_t until_us = lump == 0 ? next_deadline_us(line, now_us) : now_us;
        const ssize_t n = line->wire.port->receive(line->wire.port->context, bytes, sizeof bytes,
                                                   until_us, &line->wire.error);
        if (n < 0) {
            port_lose(line, false);
            break;
        }
        if (n == 0)
            break;
        line->wire.active_us = line_now_us(line);
        overhear_take(&hearing->overhearer, bytes, (size_t)n, line->wire.active_us);
        while (overhear_next(&hearing->overhearer, &pair))
            take_pair(line, &pair);
    }
    count(line);
    return line_now_us(line);
}
