/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_absence.c - the time without us: due times between two runs that nobody accounted for, and
 * why, as far as the two runs' rows prove it.
 *
 *   R began ──┬───┬───┬───┬─ ... ─┬───┬───┬───┬──▶ N began: its first due time, no longer R's
 *             scans and counts    └ never attempted ┘
 *             (R's grid: R began + n x period)
 *
 * A due time of R is accounted for by a scan row or by the last due time of a row of polls never
 * attempted. All after that, up to N's first, were never attempted: one row a well and source, with
 * R's ending as its cause. Within one boot the sum is exact; across boots UTC is the only measure,
 * and where that was not set the end is marked as unsure.
 *
 * Where N itself was killed before it could store those rows, they are found missing at the next
 * start: the walk goes back over pairs of runs until a pair has nothing to add.
 */
#include "ledger_load.h"

#include <string.h>

/** What the journal says of one source in one run. */
struct tail {
    bool has_scan, has_due;
    struct stamp scan;   /* begun of its last scan in the run */
    uint32_t plan;       /* under which that was taken */
    int64_t due_boot_ms; /* last due time of its polls never attempted */
    uint64_t seq;        /* of the well's newest scan before the next run */
};

static int read_last_due(const struct loader *loader, const struct run_row *run,
                         const struct run_row *next, uint16_t well, uint8_t source,
                         struct tail *tail)
{
    static const char LAST_DUE[] =
        "SELECT max(due_boot_ms) FROM gap WHERE pos > ?1 AND well = ?3 AND source = ?4 AND kind IN"
        " (5, 6, 7, 8) AND due_boot = ?5 AND due_boot_ms >= ?6 AND due_boot_ms < ?2";
    const bool same_boot =
        run->began.boot == next->began.boot && strcmp(run->boot_id, next->boot_id) == 0;
    sqlite3_stmt *row = NULL;
    int rc = loader_prepare(loader, LAST_DUE, &row);
    if (rc != SQLITE_OK)
        return rc;
    bind_u64(row, 1, run->pos);
    sqlite3_bind_int64(row, 2, same_boot ? next->began.boot_ms : INT64_MAX);
    sqlite3_bind_int(row, 3, well);
    sqlite3_bind_int(row, 4, source);
    bind_u64(row, 5, run->began.boot);
    sqlite3_bind_int64(row, 6, run->began.boot_ms);
    rc = sqlite3_step(row);
    if (rc == SQLITE_ROW && sqlite3_column_type(row, 0) != SQLITE_NULL) {
        tail->has_due = true;
        tail->due_boot_ms = sqlite3_column_int64(row, 0);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

static int read_tail(struct loader *loader, const struct run_row *run, const struct run_row *next,
                     uint16_t well, uint8_t source, struct tail *tail)
{
    struct view_want want = {.after = run->pos, .up_to = next->pos - 1, .well = well};
    struct scan *scan = &loader->newest;
    struct up_error error = {0};
    memset(tail, 0, sizeof *tail);
    if (view_newest(loader->view, &want, scan, &error) != UP_OK)
        return SQLITE_IOERR;
    tail->seq = scan->pos != 0 ? scan->seq : 0;
    want.source = source;
    if (view_newest(loader->view, &want, scan, &error) != UP_OK)
        return SQLITE_IOERR;
    if (scan->pos != 0) {
        tail->has_scan = true;
        tail->plan = scan->plan;
        tail->scan = scan->begun;
        tail->scan.boot = run->began.boot;
    }
    return read_last_due(loader, run, next, well, source, tail);
}

/**
 * A plan that was taken within the run: when it counts for this source. What was due before had
 * ended by then, but for the due time that was open; a source that the plan brought was not due
 * before. Where its last scan was taken under the run's last plan, nothing is to be looked for. The
 * plan of the start counts since the run began, however long it took to be stored.
 */
static int read_plan_taken(const struct loader *loader, const struct run_row *run,
                           const struct run_row *next, const struct tail *tail, int64_t *boot_ms)
{
    sqlite3_stmt *row = NULL;
    *boot_ms = run->began.boot_ms;
    if (tail->has_scan && tail->plan == run->plan)
        return SQLITE_OK;
    int rc = loader_prepare(loader,
                            "SELECT max(boot_ms) FROM event WHERE pos > ? AND pos < ? AND kind = "
                            "'plan' AND who <> 'start'",
                            &row);
    if (rc != SQLITE_OK)
        return rc;
    bind_u64(row, 1, run->pos);
    bind_u64(row, 2, next->pos);
    rc = sqlite3_step(row);
    if (rc == SQLITE_ROW && sqlite3_column_int64(row, 0) > *boot_ms)
        *boot_ms = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

/** Due times of a source between two runs that nobody accounted for. */
struct absence {
    struct stamp first,
        last; /* due times, on the old grid; UTC by the run's newest pair of clocks */
    uint32_t count;
    bool sure; /* the end: exact within a boot, else as good as the clocks */
};

static bool clock_is_trusted(uint8_t clock)
{
    return clock == CLOCK_STATE_SYNCHRONISED || clock == CLOCK_STATE_HOLDOVER;
}

static struct absence absence_of(const struct run_row *run, const struct run_row *next,
                                 const struct tail *tail, int64_t taken_boot_ms, int64_t period_ms)
{
    struct absence absence = {.sure = true};
    const struct stamp *anchor = tail->has_scan ? &tail->scan : &run->began;
    const bool same_boot =
        run->began.boot == next->began.boot && strcmp(run->boot_id, next->boot_id) == 0;
    int64_t n = (taken_boot_ms - run->began.boot_ms) / period_ms;
    if (tail->has_scan && tail->scan.boot_ms >= run->began.boot_ms &&
        (tail->scan.boot_ms - run->began.boot_ms) / period_ms + 1 > n)
        n = (tail->scan.boot_ms - run->began.boot_ms) / period_ms + 1;
    if (tail->has_due && (tail->due_boot_ms - run->began.boot_ms) / period_ms + 1 > n)
        n = (tail->due_boot_ms - run->began.boot_ms) / period_ms + 1;
    absence.first = (struct stamp){.boot_ms = run->began.boot_ms + n * period_ms,
                                   .boot = run->began.boot,
                                   .clock = anchor->clock};
    absence.first.utc_ms = absence.first.boot_ms + anchor->utc_ms - anchor->boot_ms;
    const int64_t away_ms = same_boot ? next->began.boot_ms - absence.first.boot_ms
                                      : next->began.utc_ms - absence.first.utc_ms;
    if (!same_boot)
        absence.sure = clock_is_trusted(next->began.clock) && clock_is_trusted(anchor->clock);
    const int64_t count = away_ms <= 0 ? 0 : (away_ms + period_ms - 1) / period_ms;
    absence.count = count > UINT32_MAX ? UINT32_MAX : (uint32_t)count;
    absence.last = absence.first;
    absence.last.boot_ms += (absence.count > 0 ? (int64_t)absence.count - 1 : 0) * period_ms;
    absence.last.utc_ms += absence.last.boot_ms - absence.first.boot_ms;
    absence.last.clock = 0;
    return absence;
}

/** What the two runs' rows prove, and no more. */
static struct program_evidence evidence_of(const struct run_row *run, const struct run_row *next,
                                           bool sure)
{
    const bool booted = strcmp(run->boot_id, next->boot_id) != 0;
    const bool another = run->version[0] != '\0' && next->version[0] != '\0' &&
                         strcmp(run->version, next->version) != 0;
    struct program_evidence evidence = {.how = run->how,
                                        .version = run->version,
                                        .after = next->version,
                                        .booted = booted,
                                        .to_boot_ms = -1,
                                        .unsure = !sure,
                                        .never_set = run->last.clock == CLOCK_STATE_NEVER_SET ||
                                                     next->began.clock == CLOCK_STATE_NEVER_SET};
    if (run->ended)
        evidence.cause = another ? CAUSE_UPGRADED : booted ? CAUSE_REBOOTED : CAUSE_STOPPED;
    else
        evidence.cause = booted ? CAUSE_POWER_OR_RESET : CAUSE_KILLED;
    const int64_t off_ms = next->began.utc_ms - next->began.boot_ms - run->last.utc_ms;
    if (booted && off_ms >= 0 && clock_is_trusted(next->began.clock) &&
        clock_is_trusted(run->last.clock))
        evidence.to_boot_ms = off_ms;
    return evidence;
}

/** The row of the pair before, where this one goes on without a break (a program that is killed
 * again and again). */
static struct ledger_row *continued(struct ledger *ledger, const struct ledger_key *key,
                                    const struct stamp *first)
{
    for (size_t i = 0; i < ledger->n; i++) {
        struct ledger_row *row = &ledger->rows[i];
        if (row->used && row->gap.kind == key->kind && row->gap.cause_code == key->cause &&
            row->gap.well == key->well && row->gap.source == key->source &&
            row->gap.run == ledger->run && row->next_revision == 0 &&
            row->gap.end.boot == first->boot && row->gap.end.boot_ms == first->boot_ms)
            return row;
    }
    return NULL;
}

static void put_absence(struct loader *loader, const struct run_row *run,
                        const struct run_row *next, uint16_t well, uint8_t source,
                        const struct tail *tail, const struct absence *absence)
{
    const struct program_evidence evidence = evidence_of(run, next, absence->sure);
    const struct ledger_key key = {
        .kind = GAP_PROGRAM, .cause = evidence.cause, .well = well, .source = source};
    struct ledger_row *row = continued(loader->ledger, &key, &absence->first);
    if (row == NULL) {
        row = ledger_new_row(loader->ledger, &key, &absence->first);
        if (row == NULL)
            return; /* said by the oldest program row */
        row->gap.before_seq = tail->seq;
    }
    ledger_say_program(row->gap.cause, &evidence);
    row->waits_for_supply = key.cause == CAUSE_POWER_OR_RESET && next == &loader->run[0];
    ledger_close(row, &next->began, row->gap.before_seq + 1); /* seq has no holes */
    row->gap.scans += absence->count;
    row->gap.last_due = absence->last;
    row->gap.end_sure = absence->sure;
}

/** Rows of polls never attempted that an earlier run left open end where the time without us
 * begins. */
static void close_counts(struct loader *loader, const struct run_row *run, uint16_t well,
                         uint8_t source, const struct stamp *end, uint64_t seq)
{
    for (size_t i = 0; i < loader->ledger->n; i++) {
        struct ledger_row *row = &loader->ledger->rows[i];
        if (row->used && row->gap.is_open && row->gap.well == well && row->gap.source == source &&
            row->gap.run != loader->ledger->run && gap_kind_counts_never_attempted(row->gap.kind) &&
            row->gap.start.boot == run->began.boot)
            ledger_close(row, end, seq + 1);
    }
}

/** One pair of runs; *settled: nothing was missing. With `put` the rows are made, else only looked
 * for. */
static enum up_rc see_pair(struct loader *loader, size_t index, bool put, bool *settled,
                           struct up_error *error)
{
    const struct run_row *run = &loader->run[index + 1], *next = &loader->run[index];
    const struct plan *plan = NULL;
    *settled = true;
    enum up_rc rc = loader_plan(loader, run->plan, &plan, error);
    for (uint16_t w = 0; rc == UP_OK && plan != NULL && w < plan->n_wells; w++) {
        const uint16_t well = journal_well_number(loader->journal, plan->wells[w].id);
        for (unsigned s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            const struct source_entry *entry =
                plan_entry_at(&plan->wells[w], (uint8_t)s, next->began.utc_ms);
            struct tail tail;
            if (entry == NULL || entry->poll_every_ms == 0 || well == 0)
                continue;
            int64_t taken_boot_ms = 0;
            int sql = read_tail(loader, run, next, well, (uint8_t)s, &tail);
            if (sql == SQLITE_OK)
                sql = read_plan_taken(loader, run, next, &tail, &taken_boot_ms);
            if (sql != SQLITE_OK)
                return loader_fail(loader, sql, error);
            const struct absence absence =
                absence_of(run, next, &tail, taken_boot_ms, entry->poll_every_ms);
            *settled = *settled && absence.count == 0;
            if (put && (absence.count > 0 || (index == 0 && !absence.sure)))
                put_absence(loader, run, next, well, (uint8_t)s, &tail, &absence);
            if (put)
                close_counts(loader, run, well, (uint8_t)s, &absence.first, tail.seq);
        }
    }
    return rc;
}

/** The newest scan of each run that was not stopped: until then it ran for certain. */
static enum up_rc load_last_instants(struct loader *loader, struct up_error *error)
{
    for (size_t i = 1; i < loader->n_runs; i++) {
        struct run_row *run = &loader->run[i];
        const struct view_want want = {.after = run->pos, .up_to = loader->run[i - 1].pos - 1};
        if (run->ended)
            continue;
        const enum up_rc rc = view_newest(loader->view, &want, &loader->newest, error);
        if (rc != UP_OK)
            return rc;
        if (loader->newest.pos != 0) {
            run->last = loader->newest.begun;
            run->last.boot = run->began.boot;
        }
    }
    return UP_OK;
}

static enum up_rc see_pairs(struct loader *loader, struct up_error *error)
{
    const size_t pairs = loader->n_runs > 0 ? loader->n_runs - 1 : 0;
    size_t oldest = 0;
    bool settled = pairs == 0;
    enum up_rc rc = UP_OK;
    while (rc == UP_OK && !settled && oldest < pairs) { /* back, until a pair has nothing to add */
        rc = see_pair(loader, oldest, false, &settled, error);
        if (!settled)
            oldest++;
    }
    if (oldest == 0 && pairs > 0)
        oldest = 1; /* the newest pair may still have open counts to close */
    for (size_t i = oldest; rc == UP_OK && i-- > 0;) /* and forth, oldest first */
        rc = see_pair(loader, i, true, &settled, error);
    return rc;
}

enum up_rc loader_put_absences(struct loader *loader, struct up_error *error)
{
    const enum up_rc rc = load_last_instants(loader, error);
    return rc == UP_OK ? see_pairs(loader, error) : rc;
}
