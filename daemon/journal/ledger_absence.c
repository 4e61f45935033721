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

#include <stdlib.h>
#include <string.h>

#define CHANGES_MAX                                                                                \
    16 /* of one run that are looked at; older ones matter only where nothing was accounted for    \
          since */

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
    /* A row that began before the next run and counted on in it accounts for all up to that run. */
    static const char LAST_DUE[] =
        "SELECT max(min(due_boot_ms, ?2 - 1)) FROM gap WHERE pos > ?1 AND well = ?3 AND source = "
        "?4 AND kind IN (5, 6, 7, 8) AND due_boot = ?5 AND due_boot_ms >= ?6 AND (due_boot_ms < ?2 "
        "OR (start_boot = ?5 AND start_boot_ms < ?2))";
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

/** A plan as it took effect within a run. */
struct change {
    int64_t boot_ms;
    uint32_t id;
    struct plan *plan; /* owned */
};
struct changes {
    struct change change[CHANGES_MAX]; /* oldest first; the first one counts since the run began */
    size_t n;
};

static void changes_free(struct changes *changes)
{
    for (size_t i = 0; i < changes->n; i++)
        plan_free(changes->change[i].plan);
}

static enum up_rc read_plan(const struct loader *loader, uint32_t id, struct plan **out,
                            struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    struct plan_faults *faults = calloc(1, sizeof *faults);
    enum up_rc rc = UP_E_MISSING;
    int sql = faults == NULL ? SQLITE_NOMEM
                             : loader_prepare(loader, "SELECT text FROM plan WHERE id = ?", &row);
    if (sql == SQLITE_OK) {
        bind_u64(row, 1, id);
        sql = sqlite3_step(row);
    }
    if (sql == SQLITE_ROW)
        rc = plan_from_text("the journal's plan", sqlite3_column_blob(row, 0),
                            (size_t)sqlite3_column_bytes(row, 0), out, faults);
    sqlite3_finalize(row);
    free(faults);
    if (sql != SQLITE_ROW && sql != SQLITE_DONE)
        return loader_fail(loader, sql, error);
    return rc == UP_OK ? UP_OK : UP_FAIL(error, rc, "plan %u of the journal does not read", id);
}

/**
 * The plans of a run in the order in which they took effect; where there were more than CHANGES_MAX
 * the newest of them. None: it had one plan alone, from its begin.
 */
static enum up_rc read_changes(const struct loader *loader, const struct run_row *run,
                               const struct run_row *next, struct changes *out,
                               struct up_error *error)
{
    /* "Plan 0123abcd took effect." What was in force when a run began within the program's life
     * stands before it. */
    static const char SQL[] =
        "SELECT e.boot_ms, p.id, e.pos > ?1 FROM event e JOIN plan p ON substr(p.digest, 1, 8) = "
        "substr(e.text, 6, 8) WHERE e.kind = 'plan' AND e.pos < ?2 AND e.pos >= (SELECT "
        "ifnull(max(pos), 0) FROM event WHERE kind = 'plan' AND pos < ?1 AND NOT EXISTS(SELECT 1 "
        "FROM event s WHERE s.kind = 'plan' AND s.who = 'start' AND s.pos > ?1 AND s.pos < ?2)) "
        "ORDER BY e.pos DESC LIMIT ?3";
    sqlite3_stmt *row = NULL;
    enum up_rc rc = UP_OK;
    out->n = 0;
    int sql = loader_prepare(loader, SQL, &row);
    if (sql == SQLITE_OK) {
        bind_u64(row, 1, run->pos);
        bind_u64(row, 2, next->pos);
        sqlite3_bind_int(row, 3, CHANGES_MAX);
    }
    struct change found[CHANGES_MAX];
    size_t n = 0;
    bool within = true;
    while (sql == SQLITE_OK && within && n < CHANGES_MAX &&
           (sql = sqlite3_step(row)) == SQLITE_ROW) {
        within = sqlite3_column_int(row, 2) != 0;
        found[n++] = (struct change){.boot_ms = sqlite3_column_int64(row, 0),
                                     .id = (uint32_t)column_u64(row, 1)};
        sql = SQLITE_OK;
    }
    sqlite3_finalize(row);
    if (sql != SQLITE_OK && sql != SQLITE_DONE)
        return loader_fail(loader, sql, error);
    for (size_t i = n; rc == UP_OK && n > 1 && i-- > 0;) {
        struct change *change = &out->change[out->n];
        *change = found[i];
        rc = read_plan(loader, change->id, &change->plan, error);
        out->n += rc == UP_OK;
    }
    if (out->n > 0)
        out->change[0].boot_ms = run->began.boot_ms;
    return rc;
}

static int64_t period_in(const struct plan *plan, const char *well_id, uint8_t source,
                         int64_t utc_ms)
{
    const struct well_plan *well = plan_well_by_id(plan, well_id);
    const struct source_entry *entry = well == NULL ? NULL : plan_entry_at(well, source, utc_ms);
    return entry == NULL ? 0 : entry->poll_every_ms;
}

/** The first due time of a grid that began at `began_ms` which is not before `from_ms`. */
static int64_t grid_from(int64_t began_ms, int64_t period_ms, int64_t from_ms)
{
    return from_ms <= began_ms
               ? began_ms
               : began_ms + (from_ms - began_ms + period_ms - 1) / period_ms * period_ms;
}

/**
 * The first due time that nothing in the run accounts for, by the grids of its plans as they took
 * effect: where a period changes, the new grid takes over at the old one's next due time, as the
 * lines do; a source that a plan brings is due behind the instant of the change.
 */
static int64_t first_due_of(const struct run_row *run, const struct changes *changes,
                            const struct tail *tail, const char *well_id, uint8_t source,
                            int64_t period_ms, int64_t utc_ms)
{
    const int64_t began_ms = run->began.boot_ms;
    int64_t last_ms = tail->has_scan ? tail->scan.boot_ms : INT64_MIN;
    if (tail->has_due && tail->due_boot_ms > last_ms)
        last_ms = tail->due_boot_ms;
    size_t i = 0;
    while (i + 1 < changes->n && changes->change[i + 1].boot_ms <= last_ms)
        i++; /* the plan in force at the last account */
    int64_t period =
        changes->n == 0 ? period_ms : period_in(changes->change[i].plan, well_id, source, utc_ms);
    int64_t next_ms = began_ms;
    if (last_ms >= began_ms && period > 0)
        next_ms = began_ms + ((last_ms - began_ms) / period + 1) * period;
    for (i++; i < changes->n; i++) {
        const struct change *change = &changes->change[i];
        const int64_t other = period_in(change->plan, well_id, source, utc_ms);
        if (other > 0 && period == 0)
            next_ms = grid_from(began_ms, other, change->boot_ms + 1);
        else if (other > 0)
            next_ms = grid_from(began_ms, other, next_ms);
        period = other;
    }
    return grid_from(began_ms, period_ms, next_ms);
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
                                 const struct tail *tail, int64_t first_ms, int64_t period_ms)
{
    struct absence absence = {.sure = true};
    const struct stamp *anchor = tail->has_scan ? &tail->scan : &run->began;
    const bool same_boot =
        run->began.boot == next->began.boot && strcmp(run->boot_id, next->boot_id) == 0;
    absence.first =
        (struct stamp){.boot_ms = first_ms, .boot = run->began.boot, .clock = anchor->clock};
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

/** One source between two runs; *settled: nothing was missing. */
static int see_source(struct loader *loader, size_t index, const struct changes *changes,
                      const struct well_plan *well_plan, uint16_t well, uint8_t source, bool put,
                      bool *settled)
{
    const struct run_row *run = &loader->run[index + 1], *next = &loader->run[index];
    const struct source_entry *entry = plan_entry_at(well_plan, source, next->began.utc_ms);
    struct tail tail;
    if (entry == NULL || entry->poll_every_ms == 0 || well == 0)
        return SQLITE_OK;
    const int sql = read_tail(loader, run, next, well, source, &tail);
    if (sql != SQLITE_OK)
        return sql;
    const int64_t first_ms = first_due_of(run, changes, &tail, well_plan->id, source,
                                          entry->poll_every_ms, next->began.utc_ms);
    const struct absence absence = absence_of(run, next, &tail, first_ms, entry->poll_every_ms);
    *settled = *settled && absence.count == 0;
    if (put && (absence.count > 0 || (index == 0 && !absence.sure)))
        put_absence(loader, run, next, well, source, &tail, &absence);
    if (put)
        close_counts(loader, run, well, source, &absence.first, tail.seq);
    return SQLITE_OK;
}

/** One pair of runs; *settled: nothing was missing. With `put` the rows are made, else only looked
 * for. */
static enum up_rc see_pair(struct loader *loader, size_t index, bool put, bool *settled,
                           struct up_error *error)
{
    const struct run_row *run = &loader->run[index + 1], *next = &loader->run[index];
    const struct plan *plan = NULL;
    struct changes changes;
    int sql = SQLITE_OK;
    *settled = true;
    enum up_rc rc = read_changes(loader, run, next, &changes, error);
    if (rc == UP_OK)
        rc = loader_plan(loader, run->plan, &plan, error);
    for (uint16_t w = 0; rc == UP_OK && plan != NULL && w < plan->n_wells; w++) {
        const uint16_t well = journal_well_number(loader->journal, plan->wells[w].id);
        for (uint8_t s = SOURCE_GAUGE; sql == SQLITE_OK && s < SOURCE_KINDS; s++)
            sql = see_source(loader, index, &changes, &plan->wells[w], well, s, put, settled);
        if (sql != SQLITE_OK)
            rc = loader_fail(loader, sql, error);
    }
    changes_free(&changes);
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
