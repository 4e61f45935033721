/* SPDX-License-Identifier: Apache-2.0
 *
 * core_commit.c - from a batch of scans to one transaction: order, seq, facts, ledger, cursors;
 * then what may be told.
 */
#include "core_inside.h"
#include "hold.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void take_notice(struct core *core, const struct notice *notice)
{
    say(notice->level, "line", "%s", notice->text);
    if (core->n_events == CORE_EVENTS_MAX)
        return;
    struct event *event = &core->events[core->n_events++];
    *event = (struct event){.utc_ms = notice->at.utc_ms, .boot_ms = notice->at.boot_ms};
    snprintf(event->kind, sizeof event->kind, "%s", notice->kind);
    snprintf(event->who, sizeof event->who, "%s", core->options.plan->lines[notice->line].name);
    snprintf(event->text, sizeof event->text, "%s", notice->text);
}

bool core_has_room_for_event(const struct core *core)
{
    return core->n_events < CORE_EVENTS_MAX;
}

bool core_has_room_for_notes(const struct core *core, size_t n)
{
    return n <= CORE_NOTES_MAX - core->n_notes;
}

void core_add_note(struct core *core, const struct gap_note *note)
{
    if (core_has_room_for_notes(core, 1))
        core->notes[core->n_notes++] = *note;
}

void core_add_event(struct core *core, const char *kind, const char *who, const char *text,
                    size_t length)
{
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    if (!core_has_room_for_event(core))
        return;
    struct event *event = &core->events[core->n_events++];
    *event = (struct event){.utc_ms = now.utc_ms, .boot_ms = now.boot_ms};
    snprintf(event->kind, sizeof event->kind, "%s", kind);
    snprintf(event->who, sizeof event->who, "%s", who);
    if (length >= sizeof event->text) {
        length = sizeof event->text - 1;
        while (length > 0 && ((unsigned char)text[length] & 0xC0) == 0x80)
            length--; /* never inside a character */
    }
    memcpy(event->text, text, length);
    event->text[length] = '\0';
}

static uint8_t kind_of_skip(uint8_t cause)
{
    switch (cause) {
    case CAUSE_RING_FULL:
        return GAP_OVERFLOW;
    case CAUSE_PAUSED:
    case CAUSE_SUSPENDED:
        return GAP_PROGRAM;
    default:
        return GAP_SKIPPED;
    }
}

/** What a person's hold says in the ledger; NULL where the line's book holds nothing. */
static const char *sentence_of_skip(const struct core *core, const struct skip *skip)
{
    const struct well_plan *well = plan_well_by_number(core->options.plan, skip->well);
    const struct source_entry *entry =
        well == NULL ? NULL : plan_entry_at(well, skip->source, skip->first_due.utc_ms);
    if (skip->cause != CAUSE_PAUSED || entry == NULL)
        return NULL;
    const struct hold *hold =
        hold_of_line(core->options.holds, core->options.plan->lines[entry->line].name);
    return hold != NULL ? hold->sentence : NULL;
}

void core_take_item(struct core *core, const struct gathered *item)
{
    switch (item->kind) {
    case GATHERED_SCAN:
        core->scans[core->n_scans] = item->scan;
        core->scans[core->n_scans].run = core->options.run;
        core->scans[core->n_scans].plan = core->options.plan->id;
        core->n_scans++;
        break;
    case GATHERED_SKIP:
        ledger_count(core->options.ledger, kind_of_skip(item->skip.cause), item->skip.cause,
                     item->skip.well, item->skip.source, item->skip.count, &item->skip.first_due,
                     &item->skip.last_due, sentence_of_skip(core, &item->skip));
        break;
    case GATHERED_NOTICE:
        take_notice(core, &item->notice);
        break;
    default:
        break;
    }
}

/** By begin time; a tie by well and source, so that equal inputs give equal rows. */
static int by_begun(const void *a, const void *b)
{
    const struct scan *x = a, *y = b;
    if (x->begun.boot_ms != y->begun.boot_ms)
        return x->begun.boot_ms < y->begun.boot_ms ? -1 : 1;
    if (x->well != y->well)
        return x->well < y->well ? -1 : 1;
    return (x->source > y->source) - (x->source < y->source);
}

/** seq as the transaction will give it: the well's next, counted on within the batch. */
static void number_scans(struct core *core)
{
    for (size_t i = 0; i < core->n_scans; i++) {
        uint64_t next = journal_next_seq(core->options.journal, core->scans[i].well);
        for (size_t k = 0; k < i; k++)
            if (core->scans[k].well == core->scans[i].well)
                next++;
        core->scans[i].seq = next;
    }
}

/** The first scan of a well under a plan that measures it otherwise: the fold began anew with it.
 */
static struct fact begun_anew(const struct scan *scan, size_t index)
{
    return (struct fact){.pos = index,
                         .run = scan->run,
                         .well = scan->well,
                         .kind = FACT_BEGUN_ANEW,
                         .utc_ms = scan->begun.utc_ms,
                         .boot_ms = scan->begun.boot_ms};
}

static void measure_one(struct core *core, size_t index)
{
    struct scan *scan = &core->scans[index];
    const int w = core_well_index(core, scan->well);
    if (w < 0)
        return;
    struct core_well *well = &core->wells[w];
    struct fact facts[MEASURE_FACTS_MAX];
    size_t n_facts = 0;
    measure_scan(well->fold, core->options.plan, well->plan, scan, &core->record, facts, &n_facts);
    resend_see_clock(core, &scan->begun);
    if (well->begins_anew && core->n_facts < CORE_FACTS_MAX)
        core->facts[core->n_facts++] = begun_anew(scan, index);
    well->begins_anew = false;
    for (size_t i = 0; i < n_facts && core->n_facts < CORE_FACTS_MAX; i++) {
        facts[i].pos = index;
        core_tell_fact(well, &facts[i]);
        core_tell_setting(core, well, scan, &facts[i]);
        core_tell_confirmation(core, well, scan, &facts[i]);
        core->facts[core->n_facts++] = facts[i];
    }
    core_watch_scan(core, well, scan);
    core_watch_units(core, well, scan, &core->record);
    const struct stamp due = core_due_of(core, scan);
    if (core->refusing)
        ledger_count(core->options.ledger, GAP_DISK, CAUSE_DISK_REFUSED, scan->well, scan->source,
                     1, &due, &due, "The disk refused to store scans.");
    else
        ledger_see_scan(core->options.ledger, scan, &core->record, &due);
    if (scan->source < SOURCE_KINDS && scan->outcome < OUTCOME_COUNT) {
        well->newest_scan[scan->source] = *scan;
        well->outcomes[scan->source][scan->outcome]++;
    }
    well->touched = true;
    core->counts.scans++;
}

static void gather_cursors(struct core *core)
{
    core->n_cursors = 0;
    for (int d = 0; d < core->options.plan->n_destinations; d++) {
        const struct core_destination *to = &core->destinations[d];
        if (!to->month_dirty)
            continue;
        struct cursor *row = &core->cursors[core->n_cursors++];
        *row =
            (struct cursor){.stream = WALL_STREAM_USAGE, .pos = to->month, .seq = to->month_bytes};
        snprintf(row->destination, sizeof row->destination, "%s",
                 core->options.plan->destinations[d].name);
    }
    for (int d = 0; d < core->options.plan->n_destinations; d++)
        for (int s = 0; s < 2; s++)
            for (int w = 0; w < core->options.plan->n_wells; w++) {
                struct core_cursor *cursor = &core->destinations[d].cursor[s][w];
                if (!cursor->dirty)
                    continue;
                struct cursor *row = &core->cursors[core->n_cursors++];
                *row = (struct cursor){.well = core->wells[w].plan->number,
                                       .stream = (uint8_t)(s + 1),
                                       .pos = cursor->pos,
                                       .seq = cursor->seq};
                snprintf(row->destination, sizeof row->destination, "%s",
                         core->options.plan->destinations[d].name);
            }
}

static void cursors_are_stored(struct core *core)
{
    for (int d = 0; d < core->options.plan->n_destinations; d++)
        core->destinations[d].month_dirty = false;
    resend_stored(core);
    for (int d = 0; d < core->options.plan->n_destinations; d++)
        for (int s = 0; s < 2; s++)
            for (int w = 0; w < core->options.plan->n_wells; w++)
                core->destinations[d].cursor[s][w].dirty = false;
}

static void note_newest(struct core *core)
{
    for (size_t i = 0; i < core->n_scans; i++) {
        const struct scan *scan = &core->scans[i];
        const int w = core_well_index(core, scan->well);
        if (w < 0)
            continue;
        struct core_well *well = &core->wells[w];
        if (well->newest_pos < core->scans[0].pos) { /* the well's first of this commit */
            well->batch_begun = scan->begun;
            atomic_store_explicit(&well->live->seq, scan->seq, memory_order_release);
        }
        well->newest_pos = scan->pos;
        atomic_store_explicit(&well->newest_seq, scan->seq, memory_order_release);
    }
    for (size_t i = 0; i < core->n_gaps; i++)
        core_tell_gap(core, &core->gaps[i]);
    for (size_t i = 0; i < core->n_gaps; i++)
        for (int w = 0; w < core->options.plan->n_wells; w++)
            if (core->gaps[i].all_wells || core->gaps[i].well == core->wells[w].plan->number)
                core->wells[w].newest_gap_pos = core->gaps[i].pos;
}

/** The disk refused: these scans were read but are not stored. They are counted, shown live with a
 * mark, and never become records. */
static void refused(struct core *core, const struct up_error *error)
{
    core->counts.failed_commits++;
    ledger_put_back(core->options.ledger, core->gaps, core->n_gaps);
    for (int w = 0; w < core->options.plan->n_wells; w++)
        ledger_take_back_seq(core->options.ledger, core->wells[w].plan->number,
                             core_newest_seq(core, (uint16_t)w));
    for (size_t i = 0; i < core->n_scans; i++) {
        const struct stamp due = core_due_of(core, &core->scans[i]);
        ledger_count(core->options.ledger, GAP_DISK, CAUSE_DISK_REFUSED, core->scans[i].well,
                     core->scans[i].source, 1, &due, &due, "The disk refused to store scans.");
    }
    if (!core->refusing)
        say(SAY_ERROR, "journal",
            "%s. Polling goes on and live values are marked not_journaled; nothing is sent as a "
            "record until the disk takes "
            "scans again. Check the space and the state of the disk that holds %s.",
            error->why, core->options.plan->journal.path);
    core->refusing = true;
}

static void after_commit(struct core *core)
{
    for (int w = 0; w < core->options.plan->n_wells; w++) {
        if (core->wells[w].touched)
            core->wells[w].snapshot_due = true;
        core->wells[w].touched = false;
    }
    core->n_scans = core->n_facts = core->n_gaps = 0;
    if (!core->refusing) /* what happened meanwhile is told once the disk takes it */
        core->n_events = core->n_notes = 0;
}

/** A box that sleeps in the middle of a commit has no slow disk. */
static int64_t awake_us(const struct core *core)
{
    return clock_boot_us(core->options.clock) - clock_asleep_us(core->options.clock);
}

static struct batch batch_of(struct core *core)
{
    return (struct batch){.scans = core->scans,
                          .n_scans = core->n_scans,
                          .facts = core->facts,
                          .n_facts = core->n_facts,
                          .told_facts = &core->confirm_fact,
                          .n_told_facts = core->confirm_fact.well != 0 ? 1 : 0,
                          .gaps = core->gaps,
                          .n_gaps = core->n_gaps,
                          .notes = core->notes,
                          .n_notes = core->n_notes,
                          .events = core->events,
                          .n_events = core->n_events,
                          .cursors = core->cursors,
                          .n_cursors = core->n_cursors,
                          .orders = core->resend.waiting,
                          .n_orders = core->resend.n_waiting,
                          .told = core_tidy_telling(core),
                          .removal = core->removal};
}

/** One transaction of what was collected. */
static void store_batch(struct core *core)
{
    struct batch batch = batch_of(core);
    struct up_error error = {0};
    const int64_t begun_us = awake_us(core);
    const bool stored = journal_append(core->options.journal, &batch, &error) == UP_OK;
    const int64_t took_us = awake_us(core) - begun_us;
    core->removal_failed = core->removal != NULL && !stored;
    core->removal = NULL;
    if (!stored) {
        refused(core, &error);
    } else {
        core->counts.commits++;
        if (batch.told != NULL)
            core_tidy_told(core);
        cursors_are_stored(core);
        note_newest(core);
        core->confirm_fact.well = 0;
    }
    after_commit(core);
    if (stored)
        core_disk_stored(core, took_us);
}

void core_commit(struct core *core, bool everything)
{
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    qsort(core->scans, core->n_scans, sizeof *core->scans, by_begun);
    if (!core->refusing)
        number_scans(core);
    for (size_t i = 0; i < core->n_scans; i++)
        measure_one(core, i);
    core_see_deliveries(core, &now);
    if (core->refusing) {
        after_commit(core);
        return;
    }
    core_count_removed(core, &now);
    core_tell_refusals(core, everything);
    core->n_gaps = ledger_take_changed(core->options.ledger, everything ? NULL : &now, core->gaps,
                                       CORE_GAPS_MAX);
    core->more_gaps = core->n_gaps == CORE_GAPS_MAX;
    gather_cursors(core);
    core->n_cursors +=
        resend_cursors(core, &core->cursors[core->n_cursors], CORE_CURSORS_MAX - core->n_cursors);
    resend_make_times(core, now.boot_ms);
    if (core->n_scans + core->n_gaps + core->n_events + core->n_notes + core->resend.n_waiting ==
            0 &&
        core->n_cursors == 0 && core->removal == NULL)
        return;
    store_batch(core);
}
