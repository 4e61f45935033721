/* SPDX-License-Identifier: Apache-2.0
 *
 * core.c - core's life and its step. Committing is core_commit.c, talking over the wall is
 * core_wall.c.
 */
#include "core_inside.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

bool core_make_well(struct core *core, uint16_t index)
{
    struct core_well *well = &core->wells[index];
    uint64_t seq = 0;
    well->plan = &core->options.plan->wells[index];
    well->fold = malloc(fold_bytes());
    well->live = core_live_of(core, well->plan->number);
    if (well->fold == NULL || well->live == NULL)
        return false;
    fold_init(well->fold);
    journal_newest_of_well(core->options.journal, well->plan->number, &well->newest_pos, &seq);
    atomic_store(&well->newest_seq, seq);
    atomic_store(&well->live->seq, seq + 1);
    well->snapshot_due = true;
    return true;
}

static bool make_wells(struct core *core)
{
    const struct plan *plan = core->options.plan;
    core->wells = calloc(plan->n_wells, sizeof *core->wells);
    for (uint16_t i = 0; core->wells != NULL && i < plan->n_wells; i++)
        if (!core_make_well(core, i))
            return false;
    return core->wells != NULL;
}

static int destination_index(const struct plan *plan, const char *name)
{
    for (int i = 0; i < plan->n_destinations; i++)
        if (strcmp(plan->destinations[i].name, name) == 0)
            return i;
    return -1;
}

/** A new destination begins at the newest row, unless it asks for the oldest; a known one where it
 * stood. */
bool core_make_cursors(struct core *core)
{
    const struct plan *plan = core->options.plan;
    if (!resend_make_lanes(core))
        return false;
    for (int d = 0; d < plan->n_destinations; d++) {
        for (int s = 0; s < 2; s++) {
            core->destinations[d].cursor[s] = calloc(plan->n_wells, sizeof(struct core_cursor));
            if (core->destinations[d].cursor[s] == NULL)
                return false;
        }
        /* A table can't acknowledge, so it has no cursor and nothing waits for it. */
        const bool has_place = core_destination_acknowledges(core, (uint16_t)d);
        for (int w = 0; w < plan->n_wells && has_place; w++) {
            struct core_cursor *record = &core->destinations[d].cursor[0][w];
            struct core_cursor *gap = &core->destinations[d].cursor[1][w];
            record->dirty = gap->dirty = true; /* stored, so that what waits can be counted */
            if (plan->destinations[d].from_oldest)
                continue;
            record->pos = core->wells[w].newest_pos;
            record->seq = atomic_load(&core->wells[w].newest_seq);
            gap->pos = journal_newest_pos(core->options.journal);
        }
    }
    const size_t room = CORE_CURSORS_MAX;
    if (core->cursors == NULL)
        core->cursors = calloc(room, sizeof *core->cursors);
    if (core->cursors == NULL)
        return false;
    const size_t n = journal_cursors(core->options.journal, core->cursors, room);
    for (size_t i = 0; i < n; i++) {
        const struct cursor *stored = &core->cursors[i];
        const int d = destination_index(plan, stored->destination);
        const int w = core_well_index(core, stored->well);
        if (d >= 0 && stored->stream == WALL_STREAM_USAGE) {
            core->destinations[d].month = (uint32_t)stored->pos;
            core->destinations[d].month_bytes = stored->seq;
            continue;
        }
        if (d < 0 || w < 0 || stored->stream < STREAM_RECORD || stored->stream > STREAM_ORDER)
            continue;
        if (stored->stream == STREAM_ORDER) {
            resend_take_cursor(core, (uint16_t)d, (uint16_t)w, stored);
            continue;
        }
        struct core_cursor *cursor = &core->destinations[d].cursor[stored->stream - 1][w];
        *cursor = (struct core_cursor){.pos = stored->pos, .seq = stored->seq};
    }
    return true;
}

/**
 * What waited when the last run ended has waited since then: the oldest row that a destination has
 * not accepted is read back, so that a delivery gap goes on over a restart. Its instant is brought
 * to this boot by the UTC labels where the boot is another one.
 */
enum up_rc core_find_waiting(struct core *core, struct up_error *error)
{
    const struct plan *plan = core->options.plan;
    struct journal_reader *reader = NULL;
    enum up_rc rc = journal_reader_open(plan->journal.path, &reader, error);
    if (rc != UP_OK)
        return rc;
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    for (uint16_t d = 0; d < plan->n_destinations && rc == UP_OK; d++)
        for (uint16_t w = 0; w < plan->n_wells && rc == UP_OK; w++) {
            struct core_cursor *cursor = &core->destinations[d].cursor[0][w];
            size_t got = 0;
            if (!core_destination_acknowledges(core, d) || core_waiting(core, d, w) == 0 ||
                cursor->waiting_since.boot_ms != 0)
                continue;
            rc = journal_read_scans(reader, core->wells[w].plan->number, cursor->pos, 1,
                                    core->scans, &got, error);
            if (rc != UP_OK || got == 0)
                continue;
            cursor->waiting_since = core->scans[0].begun;
            if (cursor->waiting_since.boot != now.boot) {
                cursor->waiting_since.boot_ms =
                    now.boot_ms - (now.utc_ms - cursor->waiting_since.utc_ms);
                cursor->waiting_since.boot = now.boot;
            }
            if (cursor->waiting_since.boot_ms == 0 || cursor->waiting_since.boot_ms > now.boot_ms)
                cursor->waiting_since.boot_ms = now.boot_ms;
        }
    journal_reader_close(reader);
    return rc;
}

/** A unit setting that was changed under an earlier run is doubted in this one too. */
static enum up_rc load_doubts(struct core *core, struct up_error *error)
{
    struct journal_reader *reader = NULL;
    struct fact facts[8]; /* two groups of each source */
    enum up_rc rc = journal_reader_open(core->options.plan->journal.path, &reader, error);
    if (rc != UP_OK)
        return rc;
    for (uint16_t w = 0; w < core->options.plan->n_wells && rc == UP_OK; w++) {
        size_t got = 0;
        rc = journal_read_unit_steps(reader, core->wells[w].plan->number, facts,
                                     sizeof facts / sizeof *facts, &got, error);
        for (size_t i = 0; i < got; i++)
            fold_load_fact(core->wells[w].fold, &facts[i]);
    }
    journal_reader_close(reader);
    return rc;
}

enum up_rc core_create(const struct core_options *options, struct core **out,
                       struct up_error *error)
{
    struct core *core = calloc(1, sizeof *core);
    if (core == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the core of the well side");
    core->options = *options;
    core->watch.floor_utc_ms = options->floor_utc_ms;
    core->wall = -1;
    pthread_mutex_init(&core->tidy.lock, NULL);
    core->scans = calloc(JOURNAL_BATCH_SCANS_MAX, sizeof *core->scans);
    core->notes = calloc(CORE_NOTES_MAX, sizeof *core->notes);
    core->confirm_book = calloc(CONFIRM_BOOK_MAX, sizeof *core->confirm_book);
    if (core->scans == NULL || core->notes == NULL || core->confirm_book == NULL ||
        !make_wells(core) || !core_make_cursors(core)) {
        core_destroy(core);
        return UP_FAIL(error, UP_E_MEMORY, "no memory for %u wells", options->plan->n_wells);
    }
    resend_times_open(core);
    enum up_rc rc = core_find_waiting(core, error);
    if (rc == UP_OK)
        rc = load_doubts(core, error);
    if (rc == UP_OK)
        rc = core_load_confirmations(core, error);
    if (rc != UP_OK) {
        core_destroy(core);
        return rc;
    }
    const int64_t now_us = clock_boot_us(options->clock);
    core->next_commit_us = now_us + COMMIT_EVERY_US;
    core->next_state_us = now_us;
    core->next_snapshots_us = now_us;
    core_watch_start(core);
    *out = core;
    return UP_OK;
}

void core_destroy(struct core *core)
{
    if (core == NULL)
        return;
    for (int i = 0; core->wells != NULL && i < core->options.plan->n_wells; i++)
        free(core->wells[i].fold);
    for (int d = 0; d < PLAN_DESTINATIONS_MAX; d++)
        for (int s = 0; s < 2; s++)
            free(core->destinations[d].cursor[s]);
    resend_close(core);
    free(core->wells);
    free(core->cursors);
    free(core->scans);
    free(core->notes);
    free(core->confirm_book);
    pthread_mutex_destroy(&core->tidy.lock);
    free(core);
}

int core_well_index(const struct core *core, uint16_t number)
{
    for (int i = 0; i < core->options.plan->n_wells; i++)
        if (core->options.plan->wells[i].number == number)
            return i;
    return -1;
}

struct stamp core_due_of(const struct core *core, const struct scan *scan)
{
    struct stamp due = scan->begun;
    const struct well_plan *well = plan_well_by_number(core->options.plan, scan->well);
    const struct source_entry *entry =
        well == NULL ? NULL : plan_entry_at(well, scan->source, scan->begun.utc_ms);
    if (entry == NULL || entry->poll_every_ms == 0)
        return due;
    const int64_t grid_ms = core->options.grid_start_us / 1000;
    const int64_t late_ms = (scan->begun.boot_ms - grid_ms) % (int64_t)entry->poll_every_ms;
    if (scan->begun.boot_ms >= grid_ms) {
        due.boot_ms -= late_ms;
        due.utc_ms -= late_ms;
    }
    return due;
}

/** Takes what the lines have, round robin, until the batch or the rings are done. */
static void drain_rings(struct core *core)
{
    struct gathered item;
    bool any = true;
    while (any && core->n_scans < JOURNAL_BATCH_SCANS_MAX) {
        any = false;
        for (size_t i = 0; i < core->options.n_rings && core->n_scans < JOURNAL_BATCH_SCANS_MAX;
             i++) {
            if (!ring_get(core->options.rings[i], &item))
                continue;
            if (item.kind == GATHERED_NOTICE)
                item.notice.line = (uint16_t)i; /* its index in the plan that core holds */
            core_take_item(core, &item);
            any = true;
        }
    }
}

static void look_at_space(struct core *core, int64_t now_us)
{
    if (now_us < core->next_space_us)
        return;
    core->next_space_us = now_us + SPACE_EVERY_US;
    struct space_sample now = {.boot_ms = now_us / 1000};
    journal_sizes(core->options.journal, &now.bytes, &now.free_bytes);
    now.at_age = core->at_age;
    if (core->space_first.boot_ms == 0)
        core->space_first = now;
    core->space_now = now;
    core->days_left = space_days_left(core->options.plan, &core->space_first, &now);
    core_disk_look(core);
}

static void every_second(struct core *core, int64_t now_us)
{
    if (now_us < core->next_state_us)
        return;
    core->heartbeat++;
    core->wall_silence_s += core->wall >= 0;
    look_at_space(core, now_us);
    core_send_state(core);
    core->next_state_us += 1000000;
    if (core->next_state_us <=
        now_us) /* the box slept or was suspended: do not catch up beat by beat */
        core->next_state_us = now_us + 1000000;
}

int64_t core_step(struct core *core)
{
    const int64_t now_us = clock_boot_us(core->options.clock);
    drain_rings(core);
    core_watch_step(core);
    if (now_us >= core->next_commit_us || core->n_scans == JOURNAL_BATCH_SCANS_MAX) {
        core_commit(core, false);
        core->next_commit_us = now_us + COMMIT_EVERY_US;
    }
    (void)core_serve_wall(core);
    resend_step(core, now_us);
    every_second(core, now_us);
    core_tidy_step(core, now_us);
    if (now_us >= core->next_snapshots_us) {
        for (int i = 0; i < core->options.plan->n_wells; i++)
            core->wells[i].snapshot_due = true;
        core->next_snapshots_us = now_us + SNAPSHOT_EVERY_US;
    }
    core_send_snapshots(core);
    const int64_t next =
        core->next_commit_us < core->next_state_us ? core->next_commit_us : core->next_state_us;
    return next < core->next_snapshots_us ? next : core->next_snapshots_us;
}

void core_flush(struct core *core)
{
    /* Bounded: rings hold at most a fixed number of items, and the lines have stopped. */
    for (int pass = 0; pass < 64; pass++) {
        drain_rings(core);
        const bool whole = core->n_scans == JOURNAL_BATCH_SCANS_MAX;
        core_commit(core, true);
        if (!whole && (!core->more_gaps || core->refusing))
            return;
    }
}

void core_serve_rest(struct core *core)
{
    (void)core_serve_wall(core);
}

bool core_serve_between(struct core *core)
{
    return core_serve_wall(core);
}

void core_set_safe(struct core *core)
{
    core->safe = true;
    for (int i = 0; i < core->options.plan->n_wells; i++)
        core->wells[i].snapshot_due = true;
}

void core_set_wall(struct core *core, int fd)
{
    const bool is_same_side = fd >= 0 && core->side_goes_on;
    core->side_goes_on = false;
    core->wall = fd;
    core->wall_up = fd >= 0;
    core->wall_silence_s = 0;
    resend_wall_changed(core);
    core->next_state_us = clock_boot_us(core->options.clock);
    for (int i = 0; i < core->options.plan->n_wells; i++)
        core->wells[i].snapshot_due = true;
    for (uint16_t d = 0; d < core->options.plan->n_destinations; d++) {
        if (is_same_side && core->destinations[d].state != DELIVERY_UNKNOWN)
            continue; /* its connection goes on, and so does what is known of it */
        core->destinations[d].state = DELIVERY_UNKNOWN;
        core->destinations[d].since = stamp_take(core->options.clock, &core->watch);
        core->destinations[d].reason[0] = '\0';
        core->destinations[d].cause = fd >= 0 ? CAUSE_UNREACHABLE : CAUSE_SCADA_SIDE_DOWN;
        core_forget_refusals(core, d);
    }
}

uint32_t core_wall_silence_s(const struct core *core)
{
    return core->wall >= 0 ? core->wall_silence_s : 0;
}

bool core_wall_is_up(const struct core *core)
{
    return core->wall >= 0;
}

bool core_journal_refuses(const struct core *core)
{
    return core->refusing;
}

void core_refuse(struct core *core)
{
    core_set_safe(core);
    core->refusing = true;
}

void core_begin_anew(struct core *core, uint16_t well_index)
{
    struct core_well *well = &core->wells[well_index];
    fold_begin_anew(well->fold);
    well->begins_anew = true;
    well->snapshot_due = true;
}

uint64_t core_run(const struct core *core)
{
    return core->options.run;
}

void core_new_run(struct core *core, uint64_t run, const struct stamp *began)
{
    core->options.run = run;
    ledger_set_run(core->options.ledger, run, began);
    core->options.grid_start_us = began->boot_ms * 1000;
    core->refusing = false;
    for (int i = 0; i < core->options.plan->n_wells; i++) {
        fold_begin_anew(core->wells[i].fold);
        core->wells[i].snapshot_due = true;
    }
    say(SAY_INFO, "journal", "The journal takes scans again.");
}

size_t core_cursors(const struct core *core, struct wall_cursor *into, size_t room)
{
    size_t n = 0;
    for (uint16_t d = 0; d < core->options.plan->n_destinations && n < room; d++)
        into[n++] = (struct wall_cursor){.destination = d,
                                         .stream = WALL_STREAM_USAGE,
                                         .pos = core->destinations[d].month,
                                         .seq = core->destinations[d].month_bytes};
    for (uint16_t d = 0; d < core->options.plan->n_destinations; d++)
        for (uint8_t s = 0; s < 2; s++)
            for (uint16_t w = 0; w < core->options.plan->n_wells && n < room; w++) {
                const struct core_cursor *cursor = &core->destinations[d].cursor[s][w];
                into[n++] = (struct wall_cursor){.destination = d,
                                                 .well = core->wells[w].plan->number,
                                                 .stream = (uint8_t)(s + 1),
                                                 .pos = cursor->pos,
                                                 .seq = cursor->seq};
            }
    return n;
}

uint64_t core_newest_seq(const struct core *core, uint16_t well_index)
{
    return atomic_load_explicit(&core->wells[well_index].newest_seq, memory_order_acquire);
}

/** Slots are given once and never move, so that another thread may look while wells are added. */
struct core_live *core_live_of(struct core *core, uint16_t number)
{
    for (int i = 0; i < PLAN_WELLS_MAX; i++) {
        struct core_live *live = &core->live[i];
        const uint_fast16_t held = atomic_load_explicit(&live->number, memory_order_acquire);
        if (held == number)
            return live;
        if (held != 0)
            continue;
        atomic_store_explicit(&live->number, number, memory_order_release);
        return live;
    }
    return NULL;
}

uint64_t core_live_seq(const struct core *core, uint16_t number)
{
    for (int i = 0; i < PLAN_WELLS_MAX; i++)
        if (atomic_load_explicit(&core->live[i].number, memory_order_acquire) == number)
            return atomic_load_explicit(&core->live[i].seq, memory_order_acquire);
    return UINT64_MAX; /* nothing of this well is live */
}

const struct core_counts *core_counts_of(const struct core *core)
{
    return &core->counts;
}

const struct snapshot *core_snapshot(const struct core *core, uint16_t well_index)
{
    return &core->wells[well_index].snapshot;
}

void core_set_books(struct core *core, const struct wall_books *books)
{
    memset(&core->books, 0, sizeof core->books);
    core->books.verdict = books->verdict;
    core->books.at_utc_ms = books->at_utc_ms;
    core->books.from_utc_ms = books->from_utc_ms;
    core->books.due = books->due;
    core->books.rows = books->rows;
    core->books.never = books->never;
}

const struct wall_books *core_books(const struct core *core)
{
    return &core->books;
}
