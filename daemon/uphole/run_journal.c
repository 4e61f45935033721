/* SPDX-License-Identifier: Apache-2.0
 *
 * run_journal.c - opening the journal, its check beside polling, and what follows when the disk
 * refused.
 */
#include "known_lines.h"
#include "run_inside.h"

#include "uphole/say.h"

#include <stdio.h>
#include <unistd.h>

#define OPEN_GAPS_MAX 2048
#define JOURNAL_RETRY_US 5000000
#define LINES_STOP_US 15000000
#define RESERVE_STEP_US 1000000 /* while it is being filled */
#define RESERVE_LOOK_US 10000000

/** A number for this machine's own id (machine-id(5)), which is not to be handed on as it stands;
 * 0: it has none. */
static uint32_t machine_number(void)
{
    char id[33] = "";
    uint32_t number = 2166136261u; /* FNV-1a */
    FILE *file = fopen("/etc/machine-id", "re");
    if (file == NULL)
        return 0;
    const bool known = fgets(id, sizeof id, file) != NULL && id[0] != '\n';
    fclose(file);
    for (const char *c = id; known && *c != '\0'; c++)
        number = (number ^ (uint8_t)*c) * 16777619u;
    return known ? number : 0;
}

enum up_rc run_open_journal(struct well_side *side, struct up_error *error)
{
    enum up_rc rc =
        journal_open(side->plan->journal.path, &side->clock, side->boot_id, &side->journal, error);
    if (rc != UP_OK)
        return rc;
    journal_know_box(side->journal, side->plan->box, machine_number());
    journal_draw_revisions(side->journal);
    const struct last_run *last = journal_last_run(side->journal);
    side->watch.floor_utc_ms = stamp_build_utc_ms();
    if (last->floor_utc_ms > side->watch.floor_utc_ms)
        side->watch.floor_utc_ms = last->floor_utc_ms;
    side->began = stamp_take(&side->clock, &side->watch);
    known_lines_judge(side->plan, last, &side->began, side->listen);
    rc = journal_begin_run(side->journal, &side->began, &side->run, error);
    if (rc == UP_OK)
        rc = journal_put_plan(side->journal, side->plan, &side->began, "start", error);
    if (rc != UP_OK)
        return rc;
    side->ledger = ledger_create(side->plan, side->run, OPEN_GAPS_MAX);
    if (side->ledger == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the gap ledger");
    return ledger_load(side->ledger, side->journal, &side->began, error);
}

static void *check_journal(void *context)
{
    struct well_side *side = context;
    const enum up_rc rc = journal_make_safe(side->journal, &side->check_error);
    atomic_store(&side->checked, rc == UP_OK ? 1 : -1);
    const uint64_t one = 1;
    (void)!write(side->wake_fd, &one, sizeof one);
    return NULL;
}

enum up_rc run_start_check(struct well_side *side, struct up_error *error)
{
    if (pthread_create(&side->checker, NULL, check_journal, side) != 0)
        return UP_FAIL(error, UP_E_SYSTEM, "the journal's check could not be started");
    side->checking = true;
    return UP_OK;
}

static void end_check(struct well_side *side)
{
    const int checked = atomic_load(&side->checked);
    if (!side->checking || checked == 0)
        return;
    pthread_join(side->checker, NULL);
    side->checking = false;
    if (checked > 0) {
        side->safe = true;
        core_set_safe(side->core);
        backlog_thread_set_safe(side->backlog);
        return;
    }
    say(SAY_ERROR, "journal",
        "%s. Nothing is published until the journal's check succeeds; it is tried again.",
        side->check_error.why);
    side->journal_retry_us = clock_boot_us(&side->clock) + JOURNAL_RETRY_US;
}

static void check_again(struct well_side *side)
{
    if (side->safe || side->checking || side->stand_in.is_used ||
        clock_boot_us(&side->clock) < side->journal_retry_us)
        return;
    atomic_store(&side->checked, 0);
    side->check_error = (struct up_error){0};
    side->checking = pthread_create(&side->checker, NULL, check_journal, side) == 0;
    if (!side->checking)
        side->journal_retry_us = clock_boot_us(&side->clock) + JOURNAL_RETRY_US;
}

/** Lines end one after the other: what fell due between a line's end and the new run's begin was
 * asked by nobody. */
static void count_until(struct well_side *side, const struct stamp *began)
{
    for (size_t i = 0; i < side->reload.n_starts; i++) {
        const struct due_start *start = &side->reload.starts[i];
        const struct well_plan *well = plan_well_by_number(side->plan, start->well);
        const struct source_entry *entry =
            well == NULL ? NULL : plan_entry_at(well, start->source, began->utc_ms);
        const int64_t passed_ms = began->boot_ms - start->from_ms;
        if (entry == NULL || entry->poll_every_ms == 0 || passed_ms <= 0)
            continue;
        const int64_t period_ms = entry->poll_every_ms, more = (passed_ms - 1) / period_ms;
        struct stamp first = *began, last = *began;
        first.boot_ms -= passed_ms;
        first.utc_ms -= passed_ms;
        last.boot_ms -= passed_ms - more * period_ms;
        last.utc_ms -= passed_ms - more * period_ms;
        ledger_count(side->ledger, GAP_DISK, CAUSE_DISK_REFUSED, start->well, start->source,
                     (uint32_t)more + 1, &first, &last, "The disk refused to store scans.");
    }
}

static bool takes_rows_again(struct well_side *side)
{
    struct up_error error = {0};
    return journal_reopen(side->journal, &error) == UP_OK &&
           journal_checkpoint(side->journal, &error) == UP_OK;
}

/** Another run, from which on all is due. False: the disk refuses again. */
static bool begin_again(struct well_side *side, const struct stamp *began)
{
    struct up_error error = {0};
    uint64_t run = 0;
    if (journal_begin_run(side->journal, began, &run, &error) != UP_OK)
        return false;
    side->began = *began;
    side->run = run;
    count_until(side, began);
    side->reload.n_starts = 0;
    core_new_run(side->core, run, began);
    return true;
}

/** The disk refused: once it takes rows again a new run begins, because what was written around the
 * failure proves nothing. */
static void recover_journal(struct well_side *side)
{
    const int64_t now_us = clock_boot_us(&side->clock);
    if (side->stand_in.is_used) {
        run_try_own_journal(side);
        return;
    }
    if (!core_journal_refuses(side->core) || side->checking || now_us < side->journal_retry_us)
        return;
    if (side->reload.step == RELOAD_LEAVING)
        return; /* lines are on their way out: the reload ends first, and is refused */
    side->journal_retry_us = now_us + JOURNAL_RETRY_US;
    if (!takes_rows_again(side))
        return;
    if (journal_is_another(side->journal)) {
        say(SAY_WARNING, "journal",
            "Another journal stands in the place of the one that was written. Uphole begins anew "
            "with "
            "it, as after a start.");
        side->begins_anew = true;
        return;
    }
    run_stop_lines(side, LINES_STOP_US); /* they account for their dues up to now */
    core_flush(side->core);
    for (uint16_t i = 0; i < side->plan->n_lines; i++)
        if (side->ring_is_left[i]) {
            run_drop_ring(side, i);
            side->rings[i] = ring_create(RUN_RING_SLOTS, sizeof(struct gathered));
        }
    const struct stamp began = stamp_take(&side->clock, &side->watch);
    const bool has_begun = begin_again(side, &began);
    /* Else the run goes on by its own due times: books know no other. */
    side->lines_from_ms = has_begun ? 0 : began.boot_ms + 1;
    struct up_error error = {0};
    if (run_start_lines(side, true, &error) != UP_OK)
        say(SAY_ERROR, "uphole", "%s", error.why);
    side->lines_from_ms = 0;
    side->reload.n_starts = 0;
    if (has_begun)
        run_side_new_run(side);
}

/** Polling and the check come first: the reserve is filled beside them, a part a second. */
static void keep_reserve(struct well_side *side)
{
    const int64_t now_us = clock_boot_us(&side->clock);
    struct up_error error = {0};
    bool more = false;
    if (!side->safe || core_journal_refuses(side->core) || now_us < side->reserve_next_us)
        return;
    journal_set_room(side->journal, side->plan->journal.at_most_bytes);
    if (journal_keep_reserve(side->journal, &more, &error) != UP_OK)
        say(SAY_WARNING, "journal", "%s", error.why); /* the next commit hears of it */
    side->reserve_next_us = now_us + (more ? RESERVE_STEP_US : RESERVE_LOOK_US);
}

/** The oldest rows go before the disk is full, a slice a pass. */
static void keep_room(struct well_side *side)
{
    const struct retain_options options = {.plan = side->plan,
                                           .clock = &side->clock,
                                           .watch = &side->watch,
                                           .journal = side->journal,
                                           .core = side->core};
    if (side->safe && !core_journal_refuses(side->core))
        retain_step(&side->retain, &options);
}

void run_keep_journal(struct well_side *side)
{
    end_check(side);
    check_again(side);
    recover_journal(side);
    keep_reserve(side);
    keep_room(side);
}

void run_try_journal_once_more(struct well_side *side)
{
    if (!core_journal_refuses(side->core) || side->stand_in.is_used || side->begins_anew)
        return;
    if (!takes_rows_again(side) || journal_is_another(side->journal))
        return; /* the end of the run says so */
    const struct stamp began = stamp_take(&side->clock, &side->watch);
    if (begin_again(side, &began))
        core_flush(side->core);
}

void run_cancel_check(struct well_side *side)
{
    if (side->checking) {
        journal_cancel_check(side->journal); /* of a large journal it may take minutes */
        pthread_join(side->checker, NULL);
    }
    side->checking = false;
}
