/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger.c - the rows themselves: made, found, closed, handed out as revisions, taken back. Pure:
 * no clock, no disk.
 */
#include "ledger.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct ledger *ledger_create(const struct plan *plan, uint64_t run, size_t room)
{
    struct ledger *ledger = calloc(1, sizeof *ledger);
    if (ledger == NULL)
        return NULL;
    ledger->plan = plan;
    ledger->run = run;
    ledger->next_id = 1;
    for (uint16_t w = 0; w < plan->n_wells; w++)
        for (unsigned s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
            ledger->n_sources += plan->wells[w].n_entries[s] > 0;
    ledger->room = room;
    ledger->capacity = room + ledger->n_sources * LEDGER_RESERVE_A_SOURCE +
                       2 * (size_t)plan->n_destinations * plan->n_wells;
    ledger->rows = calloc(ledger->capacity + 1, sizeof *ledger->rows);
    ledger->sources = calloc(ledger->n_sources + 1, sizeof *ledger->sources);
    if (ledger->rows == NULL || ledger->sources == NULL) {
        ledger_destroy(ledger);
        return NULL;
    }
    size_t n = 0;
    for (uint16_t w = 0; w < plan->n_wells; w++)
        for (unsigned s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
            if (plan->wells[w].n_entries[s] > 0)
                ledger->sources[n++] =
                    (struct ledger_source){.well = &plan->wells[w], .source = (uint8_t)s};
    return ledger;
}

void ledger_destroy(struct ledger *ledger)
{
    if (ledger == NULL)
        return;
    free(ledger->rows);
    free(ledger->sources);
    free(ledger);
}

void ledger_set_run(struct ledger *ledger, uint64_t run, const struct stamp *began)
{
    ledger->run = run;
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        if (!row->used || !row->gap.is_open || !gap_kind_counts_never_attempted(row->gap.kind))
            continue;
        const uint64_t *newest = ledger_newest_seq(ledger, row->gap.well);
        ledger_close(row, began, newest == NULL ? 0 : *newest + 1);
    }
}

struct ledger_source *ledger_find_source(struct ledger *ledger, uint16_t well, uint8_t source)
{
    for (size_t i = 0; i < ledger->n_sources; i++)
        if (ledger->sources[i].well->number == well && ledger->sources[i].source == source)
            return &ledger->sources[i];
    return NULL;
}

uint64_t *ledger_newest_seq(struct ledger *ledger, uint16_t well)
{
    for (uint16_t i = 0; i < ledger->plan->n_wells; i++)
        if (ledger->plan->wells[i].number == well)
            return &ledger->newest_seq[i];
    return NULL;
}

void ledger_take_back_seq(struct ledger *ledger, uint16_t well, uint64_t seq)
{
    uint64_t *newest = ledger_newest_seq(ledger, well);
    if (newest != NULL)
        *newest = seq;
}

const struct source_entry *ledger_entry(const struct ledger *ledger, uint16_t well, uint8_t source,
                                        int64_t utc_ms)
{
    const struct well_plan *plan = plan_well_by_number(ledger->plan, well);
    return plan == NULL ? NULL : plan_entry_at(plan, source, utc_ms);
}

int64_t stamp_between_ms(const struct stamp *from, const struct stamp *to)
{
    return from->boot == to->boot ? to->boot_ms - from->boot_ms : to->utc_ms - from->utc_ms;
}

static bool is_of(const struct gap *gap, const struct ledger_key *key)
{
    return gap->kind == key->kind && gap->well == key->well && gap->source == key->source &&
           gap->point == key->point &&
           (key->cause == CAUSE_NONE || gap->cause_code == key->cause) &&
           strcmp(gap->destination, key->destination == NULL ? "" : key->destination) == 0;
}

struct ledger_row *ledger_find_open(struct ledger *ledger, const struct ledger_key *key)
{
    for (size_t i = 0; i < ledger->n; i++)
        if (ledger->rows[i].used && ledger->rows[i].gap.is_open && is_of(&ledger->rows[i].gap, key))
            return &ledger->rows[i];
    return NULL;
}

static bool lingers(const struct ledger_row *row)
{
    const uint8_t kind = row->gap.kind;
    if (row->waits_for_supply)
        return true;
    return (kind == GAP_LINE || kind == GAP_GAUGE || kind == GAP_CHANNEL) &&
           row->good_scans < LEDGER_FLAP_SCANS;
}

struct ledger_row *ledger_find_flapping(struct ledger *ledger, const struct ledger_key *key)
{
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        if (row->used && !row->gap.is_open && lingers(row) && is_of(&row->gap, key))
            return row;
    }
    return NULL;
}

static void forget(struct ledger *ledger, struct ledger_row *row)
{
    if (row->gap.kind == GAP_CHANNEL) {
        struct ledger_source *source = ledger_find_source(ledger, row->gap.well, row->gap.source);
        if (source != NULL && source->channels_open > 0)
            source->channels_open--;
    }
    memset(row, 0, sizeof *row);
    ledger->used--;
}

static bool keeps_the_books(uint8_t kind)
{
    return gap_kind_counts_never_attempted(kind) || kind == GAP_DELIVERY || kind == GAP_REMOVED;
}

static struct ledger_row *free_slot(struct ledger *ledger, uint8_t kind)
{
    if (ledger->used >= (keeps_the_books(kind) ? ledger->capacity : ledger->room))
        return NULL;
    for (size_t i = 0; i < ledger->capacity; i++)
        if (!ledger->rows[i].used) {
            ledger->n = i + 1 > ledger->n ? i + 1 : ledger->n;
            return &ledger->rows[i];
        }
    return NULL;
}

/** Where there is no room for another row, the oldest of its kind says that there were more. */
static void say_full(struct ledger *ledger, uint8_t kind)
{
    static const char MORE[] =
        " Later gaps of this kind are not listed one by one: too many are open.";
    struct ledger_row *oldest = NULL;
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        if (row->used && row->gap.kind == kind && (oldest == NULL || row->gap.id < oldest->gap.id))
            oldest = row;
    }
    if (oldest == NULL || strstr(oldest->gap.cause, MORE + 1) != NULL)
        return;
    const size_t length = strlen(oldest->gap.cause);
    snprintf(oldest->gap.cause + length, sizeof oldest->gap.cause - length, "%s", MORE);
    ledger_touch(oldest, true);
}

static struct ledger_row *take_slot(struct ledger *ledger, uint8_t kind, uint16_t well,
                                    uint8_t source)
{
    struct ledger_row *row = free_slot(ledger, kind);
    if (row == NULL) {
        say_full(ledger, kind);
        return NULL;
    }
    memset(row, 0, sizeof *row);
    row->used = true;
    row->count_every_ms = LEDGER_COUNT_EVERY_MS;
    ledger->used++;
    struct ledger_source *of =
        kind == GAP_CHANNEL ? ledger_find_source(ledger, well, source) : NULL;
    if (of != NULL)
        of->channels_open++;
    return row;
}

struct ledger_row *ledger_new_row(struct ledger *ledger, const struct ledger_key *key,
                                  const struct stamp *start)
{
    struct ledger_row *row = take_slot(ledger, key->kind, key->well, key->source);
    if (row == NULL)
        return NULL;
    const uint64_t *seq = ledger_newest_seq(ledger, key->well);
    row->gap = (struct gap){.run = ledger->run,
                            .id = ledger->next_id++,
                            .kind = key->kind,
                            .cause_code = key->cause,
                            .well = key->well,
                            .source = key->source,
                            .point = key->point,
                            .start = *start,
                            .start_sure = true,
                            .is_open = true,
                            .before_seq = seq == NULL ? 0 : *seq,
                            .lost = key->kind != GAP_DELIVERY && key->kind != GAP_CLOCK};
    if (key->destination != NULL)
        snprintf(row->gap.destination, sizeof row->gap.destination, "%s", key->destination);
    ledger_touch(row, true);
    return row;
}

struct ledger_row *ledger_adopt(struct ledger *ledger, const struct gap *gap)
{
    struct ledger_row *row = take_slot(ledger, gap->kind, gap->well, gap->source);
    if (row == NULL)
        return NULL;
    row->gap = *gap;
    row->next_revision = gap->revision + 1;
    return row;
}

void ledger_touch(struct ledger_row *row, bool urgent)
{
    row->changed = true;
    row->urgent = row->urgent || urgent;
    if (urgent)
        row->count_every_ms = LEDGER_COUNT_EVERY_MS;
}

void ledger_close(struct ledger_row *row, const struct stamp *end, uint64_t after_seq)
{
    row->gap.is_open = false;
    row->gap.end = *end;
    row->gap.end_sure = true;
    row->gap.after_seq = after_seq;
    row->good_scans = 0;
    ledger_touch(row, true);
}

/* ---- handing out ---- */

/** Gauge readings that are missing: the time for which the counted polls stand over the refresh, so
 * that rows agree with each other; never more than the whole gap holds. */
static void count_refreshes(const struct ledger *ledger, struct gap *gap, const struct stamp *now)
{
    const struct stamp *until = gap->is_open ? now : &gap->end;
    const struct source_entry *entry =
        ledger_entry(ledger, gap->well, gap->source, gap->start.utc_ms);
    if (entry == NULL || entry->refresh_ms == 0 || gap->kind == GAP_DELIVERY ||
        gap->kind == GAP_CLOCK)
        return;
    const int64_t counted_ms = (int64_t)gap->scans * entry->poll_every_ms;
    const int64_t whole_ms = until == NULL ? counted_ms : stamp_between_ms(&gap->start, until);
    const int64_t ms = gap->scans > 0 && counted_ms < whole_ms ? counted_ms : whole_ms;
    const int64_t refreshes = ms <= 0 ? 0 : ms / entry->refresh_ms;
    gap->refreshes_about = refreshes > UINT32_MAX ? UINT32_MAX : (uint32_t)refreshes;
}

static bool is_due(const struct ledger_row *row, const struct stamp *now)
{
    return row->used && row->changed &&
           (row->urgent || now == NULL || now->boot_ms - row->taken_boot_ms >= row->count_every_ms);
}

static void take(struct ledger *ledger, struct ledger_row *row, const struct stamp *now,
                 struct gap *into)
{
    const uint8_t kind = row->gap.kind;
    count_refreshes(ledger, &row->gap, now);
    row->gap.revision = row->next_revision++;
    row->gap.pos = 0;
    *into = row->gap;
    /* An outage of days would else be thousands of revisions that say the same. */
    if (!row->urgent && (kind == GAP_DELIVERY || kind == GAP_LINE || kind == GAP_REFUSED))
        row->count_every_ms = 2 * row->count_every_ms < LEDGER_COUNT_MOST_MS
                                  ? 2 * row->count_every_ms
                                  : LEDGER_COUNT_MOST_MS;
    row->changed = row->urgent = false;
    if (now != NULL)
        row->taken_boot_ms = now->boot_ms;
}

/** What a line row is about to say counts the polls put off meanwhile: their own rows go out with
 * it, and first, so that whoever loads both knows which polls the line row holds. */
static void hurry_counts_of_lines(struct ledger *ledger, const struct stamp *now)
{
    for (size_t i = 0; i < ledger->n; i++) {
        const struct ledger_row *line = &ledger->rows[i];
        if (line->gap.kind != GAP_LINE || !is_due(line, now))
            continue;
        for (size_t k = 0; k < ledger->n; k++) {
            struct ledger_row *row = &ledger->rows[k];
            if (row->used && row->changed && row->gap.kind == GAP_SKIPPED &&
                row->gap.well == line->gap.well && row->gap.source == line->gap.source)
                row->urgent = true;
        }
    }
}

/** The source's changed row of polls never attempted whose last due time is the oldest. */
static struct ledger_row *oldest_count(struct ledger *ledger, uint16_t well, uint8_t source)
{
    struct ledger_row *oldest = NULL;
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        if (row->used && row->changed && gap_kind_counts_never_attempted(row->gap.kind) &&
            row->gap.well == well && row->gap.source == source &&
            (oldest == NULL || stamp_between_ms(&row->gap.last_due, &oldest->gap.last_due) > 0))
            oldest = row;
    }
    return oldest;
}

/** Where one count of a source goes out all of them do, the oldest due times first: the next start
 * takes what it finds of a source for a prefix, and would never look for an older count. */
static size_t take_counts(struct ledger *ledger, const struct stamp *now, struct gap *into,
                          size_t room)
{
    size_t n = 0;
    for (size_t i = 0; i < ledger->n; i++) {
        const struct gap *gap = &ledger->rows[i].gap;
        struct ledger_row *row = NULL;
        if (!gap_kind_counts_never_attempted(gap->kind) || !is_due(&ledger->rows[i], now))
            continue;
        const uint16_t well = gap->well;
        const uint8_t source = gap->source;
        while (n < room && (row = oldest_count(ledger, well, source)) != NULL)
            take(ledger, row, now, &into[n++]);
    }
    return n;
}

size_t ledger_take_changed(struct ledger *ledger, const struct stamp *now, struct gap *into,
                           size_t room)
{
    hurry_counts_of_lines(ledger, now);
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        if (row->used && !row->gap.is_open && !row->changed && !lingers(row))
            forget(ledger, row); /* handed out before, and not taken back */
    }
    size_t n = take_counts(ledger, now, into, room);
    for (int lines = 0; lines < 2; lines++)
        for (size_t i = 0; i < ledger->n && n < room; i++) {
            struct ledger_row *row = &ledger->rows[i];
            if ((row->gap.kind == GAP_LINE) == (lines == 1) && is_due(row, now))
                take(ledger, row, now, &into[n++]);
        }
    return n;
}

void ledger_settle_supply(struct ledger *ledger, uint16_t well, const char *sentence)
{
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        if (!row->used || !row->waits_for_supply || (well != 0 && row->gap.well != well))
            continue;
        row->waits_for_supply = false;
        if (sentence == NULL)
            continue;
        ledger_add_sentence(row->gap.cause, sentence);
        ledger_touch(row, true);
    }
}

void ledger_put_back(struct ledger *ledger, const struct gap *rows, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        struct ledger_row *row = NULL;
        for (size_t k = 0; k < ledger->n && row == NULL; k++)
            if (ledger->rows[k].used && ledger->rows[k].gap.run == rows[i].run &&
                ledger->rows[k].gap.id == rows[i].id)
                row = &ledger->rows[k];
        if (row == NULL)
            row = ledger_adopt(ledger, &rows[i]);
        if (row == NULL)
            continue;                          /* no room: said by ledger_adopt */
        row->next_revision = rows[i].revision; /* that revision does not exist */
        ledger_touch(row, true);
    }
}

size_t ledger_open_of_well(const struct ledger *ledger, uint16_t well)
{
    size_t n = 0;
    for (size_t i = 0; i < ledger->n; i++) {
        const struct ledger_row *row = &ledger->rows[i];
        n += row->used && row->gap.is_open && (row->gap.well == well || row->gap.all_wells);
    }
    return n;
}

const struct gap *ledger_open_row(const struct ledger *ledger, size_t index)
{
    for (size_t i = 0; i < ledger->n; i++)
        if (ledger->rows[i].used && ledger->rows[i].gap.is_open && index-- == 0)
            return &ledger->rows[i].gap;
    return NULL;
}
