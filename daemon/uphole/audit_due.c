/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_due.c - which due times there were, by arithmetic: run's start + n x period of the plan
 * then valid, n = 0, 1, 2, ...
 *
 *  - Another plan within a run: where the period changes, the new grid takes over at the first due
 *    time of the old one that had not ended; rows and counts before the change show which.
 *  - A source that a plan brings is due behind the instant at which the plan took effect.
 *  - An entry's date that is passed: the line notices it within SLACK_MS; due times within that are
 *    either's, and are said as such.
 *  - The time without us belongs to the grid of the run before it: by boot time within a boot, else
 *    by UTC from the run's newest pair of clocks. Where a clock on either side was not set, its
 *    length is not known: undecided, and left out on both sides of the sum.
 *  - The newest run is due up to the last due time that a row or a count shows to have ended: what
 *    the daemon still holds in memory is not yet in the books.
 *  - Where a run began and nothing is written of a source since, the runs before it are due up to
 *    there likewise. A program that a disk refused, or that was killed, takes what it had counted
 *    with it; the next start counts it with its first commit. Until then the stretch is undecided;
 *    a clean stop, a row, a count, or a minute of the new run's rows end that excuse.
 */
#include "audit.h"

#include <string.h>

#define SLACK_MS 3000
#define REMOVED_MS 1000 /* a source that a plan removes is accounted for up to this before it */
#define FIRST_COMMIT_MS 60000 /* until a run has written what it found missing */
#define STOP_MS 20000 /* an orderly stop takes less than this from its last account to its mark */

static const struct run_book *run_of(const struct audit *audit)
{
    return &audit->runs[audit->run];
}

/** Due times before `at_ms` of a run that began at `began_ms`. */
static int64_t dues_before(int64_t began_ms, int64_t period_ms, int64_t at_ms)
{
    return at_ms <= began_ms ? 0 : (at_ms - began_ms + period_ms - 1) / period_ms;
}

static int64_t dues_between(const struct audit *audit, const struct audit_source *source,
                            int64_t period_ms, int64_t from_ms, int64_t to_ms)
{
    const int64_t began_ms = run_of(audit)->began.boot_ms;
    if (period_ms == 0 || audit->run < source->low.run || audit->run > source->high.run)
        return 0;
    if (audit->run == source->low.run && from_ms < source->low.boot_ms)
        from_ms = source->low.boot_ms;
    if (audit->run == source->high.run && to_ms > source->high.boot_ms)
        to_ms = source->high.boot_ms;
    const int64_t n =
        dues_before(began_ms, period_ms, to_ms) - dues_before(began_ms, period_ms, from_ms);
    return n > 0 ? n : 0;
}

/** Counts the due times from where it was counted up to `to_ms`, which is not among them. */
static void count_up_to(struct audit *audit, struct audit_source *source, int64_t to_ms)
{
    const int64_t n = dues_between(audit, source, source->period_ms, source->from_ms, to_ms);
    source->due += n;
    source->refreshes_due += (double)n * source->weight;
    if (to_ms > source->from_ms)
        source->from_ms = to_ms;
}

static const struct source_entry *entry_at(const struct audit *audit,
                                           const struct audit_source *source, int64_t utc_ms)
{
    const struct well_plan *well =
        audit->plan == NULL ? NULL : plan_well_by_number(audit->plan, source->well);
    return well == NULL ? NULL : plan_entry_at(well, source->source, utc_ms);
}

static void take_entry(struct audit *audit, struct audit_source *source,
                       const struct source_entry *entry)
{
    source->period_ms = entry == NULL ? 0 : entry->poll_every_ms;
    if (entry != NULL) /* a source that a plan removed keeps it, for what is told of it later */
        source->weight = entry->refresh_ms > entry->poll_every_ms
                             ? (double)entry->poll_every_ms / (double)entry->refresh_ms
                             : 1;
    const struct map *map = entry == NULL ? NULL : &audit->plan->maps[entry->map];
    for (uint16_t i = 0; map != NULL && i < map->n_channels; i++)
        if (map->channel[i].point < POINT_COUNT && map->channel[i].point != POINT_NONE)
            source->point[map->channel[i].point].is_mapped =
                entry->fitted[map->channel[i].point] != FITTED_NO;
}

/** The entry valid at `utc_ms` is in force by `boot_ms`; since when is known within a little. */
static void pass_dates(struct audit *audit, struct audit_source *source, int64_t utc_ms,
                       int64_t boot_ms)
{
    const struct source_entry *entry = entry_at(audit, source, utc_ms);
    if (entry == NULL || source->period_ms == 0)
        return;
    const int64_t period_ms = entry->poll_every_ms;
    if (period_ms == source->period_ms) {
        take_entry(audit, source, entry);
        return;
    }
    int64_t from_ms = entry->from_utc_ms - (utc_ms - boot_ms), until_ms = from_ms + SLACK_MS;
    if (from_ms < source->row_boot_ms) { /* the clock was set meanwhile: any time since that row */
        from_ms = source->row_boot_ms;
        until_ms = boot_ms;
    }
    from_ms = from_ms < boot_ms ? from_ms : boot_ms;
    until_ms = until_ms < boot_ms ? until_ms : boot_ms;
    source->more += dues_between(audit, source, source->period_ms, from_ms + 1, until_ms + 1);
    source->less += dues_between(audit, source, period_ms, from_ms + 1, until_ms + 1);
    count_up_to(audit, source, from_ms + 1);
    take_entry(audit, source, entry);
}

static void note_undecided(struct audit *audit, const struct audit_undecided *undecided)
{
    if (audit->n_undecided < AUDIT_UNDECIDED_MAX)
        audit->undecided[audit->n_undecided] = *undecided;
    audit->n_undecided++;
}

static void note_unknown_length(struct audit *audit, const struct audit_source *source,
                                int64_t to_utc_ms)
{
    const struct audit_key key = {.run = audit->run, .boot_ms = source->next_ms};
    const struct audit_undecided undecided = {.well = source->well,
                                              .source = source->source,
                                              .from_utc_ms = source->next_ms + source->offset_ms,
                                              .to_utc_ms = to_utc_ms};
    if (audit_is_within(source, &key))
        note_undecided(audit, &undecided);
}

void audit_due_written(struct audit_source *source)
{
    source->due += source->unwritten.due;
    source->refreshes_due += source->unwritten.refreshes_due;
    source->unwritten = (struct audit_unwritten){0};
}

/** A clean stop is marked behind all that was in memory, and a run that goes on has written what it
 * found missing. */
static bool has_written_all(const struct audit *audit)
{
    const struct run_book *run = run_of(audit);
    return run->has_ended || audit->row_boot_ms - run->began.boot_ms > FIRST_COMMIT_MS;
}

static bool is_set(uint8_t clock)
{
    return clock == CLOCK_STATE_SYNCHRONISED || clock == CLOCK_STATE_HOLDOVER;
}

static void count_to_next_run(struct audit *audit, struct audit_source *source,
                              const struct run_book *next)
{
    const struct run_book *run = run_of(audit);
    if (run->began.boot == next->began.boot && strcmp(run->boot_id, next->boot_id) == 0) {
        pass_dates(audit, source, next->began.boot_ms + source->offset_ms, next->began.boot_ms);
        count_up_to(audit, source, next->began.boot_ms);
    } else if (!is_set(source->clock) || !is_set(next->began.clock)) {
        count_up_to(audit, source, source->next_ms);
        note_unknown_length(audit, source, next->began.utc_ms);
    } else { /* what had ended by a row or a count was due, whatever the next clock says */
        const int64_t to_ms = next->began.utc_ms - source->offset_ms;
        pass_dates(audit, source, next->began.utc_ms, to_ms);
        count_up_to(audit, source, to_ms > source->next_ms ? to_ms : source->next_ms);
    }
}

/** The run's due times up to the source's last account, or up to a clean stop, were written. */
static int64_t written_ms(const struct audit *audit, const struct audit_source *source)
{
    const struct run_book *run = run_of(audit);
    const int64_t stopped_ms = run->has_ended ? run->ended.boot_ms - STOP_MS : INT64_MIN;
    return stopped_ms > source->next_ms ? stopped_ms : source->next_ms;
}

static void end_source(struct audit *audit, struct audit_source *source,
                       const struct run_book *next)
{
    if (has_written_all(audit))
        audit_due_written(source);
    if (source->period_ms == 0)
        return;
    const int64_t to_ms = written_ms(audit, source), from_utc_ms = to_ms + source->offset_ms;
    const int64_t written =
        dues_between(audit, source, source->period_ms, source->from_ms, to_ms) + source->due;
    count_to_next_run(audit, source, next);
    struct audit_unwritten *unwritten = &source->unwritten;
    const int64_t due = source->due - written;
    if (due <= 0)
        return;
    if (unwritten->due == 0)
        unwritten->from_utc_ms = from_utc_ms;
    unwritten->to_utc_ms = next->began.utc_ms;
    unwritten->due += due;
    unwritten->refreshes_due += (double)due * source->weight;
    source->due -= due;
    source->refreshes_due -= (double)due * source->weight;
}

void audit_due_run_ends(struct audit *audit, const struct run_book *next)
{
    for (size_t i = 0; i < audit->n_sources && audit->run < audit->n_runs; i++)
        end_source(audit, &audit->sources[i], next);
}

void audit_due_run_begins(struct audit *audit, size_t run)
{
    const struct run_book *next = &audit->runs[run];
    audit->run = run;
    audit->row_boot_ms = next->began.boot_ms;
    for (size_t i = 0; i < audit->n_sources; i++) {
        struct audit_source *source = &audit->sources[i];
        source->from_ms = source->next_ms = source->row_boot_ms = next->began.boot_ms;
        source->offset_ms = next->began.utc_ms - next->began.boot_ms;
        source->clock = next->began.clock;
        take_entry(audit, source, entry_at(audit, source, next->began.utc_ms));
    }
}

void audit_due_plan(struct audit *audit, const struct plan_taken *taken)
{
    for (size_t i = 0; i < audit->n_sources; i++) {
        struct audit_source *source = &audit->sources[i];
        const struct source_entry *entry = entry_at(audit, source, taken->utc_ms);
        if (entry != NULL && source->period_ms == 0) {
            const int64_t began_ms = run_of(audit)->began.boot_ms, period_ms = entry->poll_every_ms;
            source->next_ms =
                began_ms + dues_before(began_ms, period_ms, taken->boot_ms + 1) * period_ms;
            source->from_ms = source->next_ms;
        } else if (entry == NULL && source->period_ms > 0) {
            const int64_t least_ms = taken->boot_ms - REMOVED_MS;
            count_up_to(audit, source, least_ms > source->next_ms ? least_ms : source->next_ms);
        } else if (entry != NULL && entry->poll_every_ms != source->period_ms) {
            const int64_t began_ms = run_of(audit)->began.boot_ms, period_ms = entry->poll_every_ms;
            count_up_to(audit, source, source->next_ms);
            source->next_ms =
                began_ms + dues_before(began_ms, period_ms, source->next_ms) * period_ms;
            source->from_ms = source->next_ms; /* the first one that the new grid holds */
        }
        take_entry(audit, source, entry);
    }
}

int64_t audit_due_row(struct audit *audit, struct audit_source *source, const struct scan *scan)
{
    const int64_t began_ms = run_of(audit)->began.boot_ms;
    int64_t due_ms = scan->begun.boot_ms;
    pass_dates(audit, source, scan->begun.utc_ms, scan->begun.boot_ms);
    if (source->period_ms > 0) {
        due_ms = began_ms + (due_ms - began_ms) / source->period_ms * source->period_ms;
        if (due_ms + source->period_ms > source->next_ms)
            source->next_ms = due_ms + source->period_ms;
    }
    source->row_boot_ms = scan->begun.boot_ms;
    source->offset_ms = scan->begun.utc_ms - scan->begun.boot_ms;
    source->clock = scan->begun.clock;
    return due_ms;
}

void audit_due_counted(struct audit *audit, struct audit_source *source, int64_t last_ms)
{
    if (source->period_ms == 0 || last_ms < run_of(audit)->began.boot_ms)
        return;
    if (last_ms + source->period_ms > source->next_ms)
        source->next_ms = last_ms + source->period_ms;
}

void audit_due_end(struct audit *audit)
{
    if (audit->run >= audit->n_runs)
        return;
    for (size_t i = 0; i < audit->n_sources; i++) {
        struct audit_source *source = &audit->sources[i];
        if (source->period_ms > 0)
            count_up_to(audit, source, written_ms(audit, source));
        if (has_written_all(audit))
            audit_due_written(source);
        const struct audit_undecided undecided = {.well = source->well,
                                                  .source = source->source,
                                                  .is_unwritten = true,
                                                  .from_utc_ms = source->unwritten.from_utc_ms,
                                                  .to_utc_ms = source->unwritten.to_utc_ms};
        if (source->unwritten.due > 0)
            note_undecided(audit, &undecided);
    }
}
