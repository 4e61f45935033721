/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_load.c - what earlier runs left: open rows that may still close, and the time without us.
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
#include "ledger.h"
#include "store.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PAIRS_MAX 64

struct run_row {
    uint64_t pos, id;
    char boot_id[37];
    struct stamp began;
    uint32_t plan;
    bool ended;
    char how[24];
};

struct loader {
    struct ledger *ledger;
    struct journal *journal;
    struct run_row run[PAIRS_MAX + 1]; /* newest first; [0] is the current one */
    size_t n_runs;
    struct plan *plan; /* of plan_id */
    uint32_t plan_id;
};

static enum up_rc fail(const struct loader *loader, int rc, struct up_error *error)
{
    return store_fail(&loader->journal->store, rc, "be read for the gap ledger", error);
}

static int prepare(const struct loader *loader, const char *sql, sqlite3_stmt **row)
{
    return sqlite3_prepare_v2(loader->journal->store.db, sql, -1, row, NULL);
}

/* ---- open rows ---- */

static enum up_rc load_next_id(struct loader *loader, struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    int rc = prepare(loader, "SELECT max(id) FROM gap WHERE run = ?", &row);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, loader->ledger->run);
        rc = sqlite3_step(row);
        if (rc == SQLITE_ROW)
            loader->ledger->next_id = column_u64(row, 0) + 1;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? UP_OK : fail(loader, rc, error);
}

/** Scans of the source after the row's last revision: failed ones for a line, heard ones for gauge
 * and channel. */
static int recount(const struct loader *loader, struct ledger_row *row)
{
    static const char SQL[] = "SELECT outcome, count(*) FROM scan WHERE pos > ?1 AND well = ?2 AND "
                              "source = ?3 GROUP BY outcome";
    sqlite3_stmt *found = NULL;
    int rc = prepare(loader, SQL, &found);
    if (rc == SQLITE_OK) {
        bind_u64(found, 1, row->gap.pos);
        sqlite3_bind_int(found, 2, row->gap.well);
        sqlite3_bind_int(found, 3, row->gap.source);
    }
    while (rc == SQLITE_OK && (rc = sqlite3_step(found)) == SQLITE_ROW) {
        const bool heard = outcome_is_heard((uint8_t)sqlite3_column_int(found, 0));
        if (heard != (row->gap.kind == GAP_LINE)) {
            row->gap.scans += (uint32_t)column_u64(found, 1);
            ledger_touch(row, true);
        }
        rc = SQLITE_OK;
    }
    sqlite3_finalize(found);
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

static bool destination_is_known(const struct plan *plan, const char *name)
{
    for (uint16_t i = 0; i < plan->n_destinations; i++)
        if (strcmp(plan->destinations[i].name, name) == 0)
            return true;
    return false;
}

/** A row whose well, source or destination is no longer configured would stay open for ever. */
static bool is_obsolete(const struct loader *loader, const struct gap *gap)
{
    if (gap->all_wells)
        return false;
    if (gap->kind == GAP_DELIVERY)
        return plan_well_by_number(loader->ledger->plan, gap->well) == NULL ||
               !destination_is_known(loader->ledger->plan, gap->destination);
    return ledger_find_source(loader->ledger, gap->well, gap->source) == NULL;
}

static void close_obsolete(struct ledger_row *row, const struct stamp *now)
{
    static const char WHY[] = " It is no longer configured.";
    const size_t length = strlen(row->gap.cause);
    if (length + sizeof WHY <= sizeof row->gap.cause)
        memcpy(row->gap.cause + length, WHY, sizeof WHY);
    ledger_close(row, now, 0);
    row->gap.end_sure = false;
    row->good_scans = LEDGER_FLAP_SCANS;
}

static enum up_rc load_open_rows(struct loader *loader, const struct stamp *now,
                                 struct up_error *error)
{
    static const char SQL[] =
        "SELECT " GAP_SELECT_COLUMNS
        " FROM gap g WHERE g.is_open AND NOT EXISTS (SELECT 1 FROM gap n"
        " WHERE n.run = g.run AND n.id = g.id AND n.revision = g.revision + 1) ORDER BY g.pos";
    sqlite3_stmt *found = NULL;
    struct gap gap;
    int rc = prepare(loader, SQL, &found);
    while (rc == SQLITE_OK && (rc = sqlite3_step(found)) == SQLITE_ROW) {
        rc = SQLITE_OK;
        if (!gap_from_row(found, &gap))
            continue; /* a damaged ledger row can't be continued; readers name it */
        struct ledger_row *row = ledger_adopt(loader->ledger, &gap);
        if (row == NULL)
            continue;
        if (is_obsolete(loader, &gap))
            close_obsolete(row, now);
        else if (gap.kind == GAP_LINE || gap.kind == GAP_GAUGE || gap.kind == GAP_CHANNEL)
            rc = recount(loader, row);
    }
    sqlite3_finalize(found);
    return rc == SQLITE_DONE ? UP_OK : fail(loader, rc, error);
}

/* ---- runs and their plans ---- */

static enum up_rc load_runs(struct loader *loader, struct up_error *error)
{
    static const char SQL[] = "SELECT pos, id, boot, boot_32, began, began_boot_ms, began_clock, "
                              "plan, ended, how FROM run"
                              " ORDER BY pos DESC LIMIT ?";
    sqlite3_stmt *row = NULL;
    int rc = prepare(loader, SQL, &row);
    if (rc == SQLITE_OK)
        sqlite3_bind_int(row, 1, PAIRS_MAX + 1);
    while (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW &&
           loader->n_runs <= PAIRS_MAX) {
        struct run_row *run = &loader->run[loader->n_runs++];
        run->pos = column_u64(row, 0);
        run->id = column_u64(row, 1);
        column_text(row, 2, run->boot_id, sizeof run->boot_id);
        run->began = (struct stamp){.utc_ms = sqlite3_column_int64(row, 4),
                                    .boot_ms = sqlite3_column_int64(row, 5),
                                    .boot = (uint32_t)column_u64(row, 3),
                                    .clock = (uint8_t)sqlite3_column_int(row, 6)};
        run->plan = (uint32_t)column_u64(row, 7);
        run->ended = sqlite3_column_type(row, 8) != SQLITE_NULL;
        column_text(row, 9, run->how, sizeof run->how);
        rc = SQLITE_OK;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_DONE || rc == SQLITE_OK ? UP_OK : fail(loader, rc, error);
}

/** The plan of a run, parsed from the text that the journal keeps. NULL (and UP_OK) where the run
 * had none yet. */
static enum up_rc plan_of(struct loader *loader, uint32_t id, const struct plan **out,
                          struct up_error *error)
{
    *out = id == loader->ledger->plan->id && id != 0 ? loader->ledger->plan
           : loader->plan_id == id                   ? loader->plan
                                                     : NULL;
    if (*out != NULL || id == 0)
        return UP_OK;
    plan_free(loader->plan);
    loader->plan = NULL;
    loader->plan_id = 0;
    struct plan_faults *faults = calloc(1, sizeof *faults);
    sqlite3_stmt *row = NULL;
    int rc =
        faults == NULL ? SQLITE_NOMEM : prepare(loader, "SELECT text FROM plan WHERE id = ?", &row);
    enum up_rc parsed = UP_E_MISSING;
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, id);
        rc = sqlite3_step(row);
    }
    if (rc == SQLITE_ROW)
        parsed = plan_from_text("the journal's plan", sqlite3_column_blob(row, 0),
                                (size_t)sqlite3_column_bytes(row, 0), &loader->plan, faults);
    if (parsed == UP_OK) {
        loader->plan_id = id;
        *out = loader->plan;
    }
    const enum up_rc result =
        parsed == UP_OK ? UP_OK
        : rc != SQLITE_ROW && rc != SQLITE_DONE
            ? fail(loader, rc, error)
            : UP_FAIL(error, UP_E_DISK,
                      "plan %u of the journal can't be read back (%.160s), so the time without "
                      "Uphole can't be counted",
                      id, faults->n > 0 ? faults->fault[0].text : "it is missing");
    sqlite3_finalize(row);
    free(faults);
    return result;
}

/* ---- the time without us ---- */

/** What the journal says of one source in one run. */
struct tail {
    bool has_scan, has_due;
    struct stamp scan;   /* begun of its last scan in the run */
    int64_t due_boot_ms; /* last due time of its polls never attempted */
    uint64_t seq;        /* of the well's newest scan before the next run */
};

static int read_tail(const struct loader *loader, const struct run_row *run,
                     const struct run_row *next, uint16_t well, uint8_t source, struct tail *tail)
{
    static const char LAST_SCAN[] =
        "SELECT utc_ms, boot_ms, clock FROM scan WHERE pos > ?1 AND pos < ?2 AND well = ?3"
        " AND source = ?4 ORDER BY pos DESC LIMIT 1";
    static const char LAST_SEQ[] =
        "SELECT seq FROM scan WHERE pos > ?1 AND pos < ?2 AND well = ?3 ORDER BY pos DESC LIMIT 1";
    static const char LAST_DUE[] =
        "SELECT max(due_boot_ms) FROM gap WHERE pos > ?1 AND well = ?3 AND source = ?4 AND kind IN"
        " (5, 6, 7, 8) AND due_boot = ?5 AND due_boot_ms >= ?6 AND due_boot_ms < ?2";
    const char *const SQL[] = {LAST_SCAN, LAST_SEQ, LAST_DUE};
    memset(tail, 0, sizeof *tail);
    const bool same_boot =
        run->began.boot == next->began.boot && strcmp(run->boot_id, next->boot_id) == 0;
    for (int i = 0; i < 3; i++) {
        sqlite3_stmt *row = NULL;
        int rc = prepare(loader, SQL[i], &row);
        if (rc != SQLITE_OK)
            return rc;
        bind_u64(row, 1, run->pos);
        if (i < 2)
            bind_u64(row, 2, next->pos);
        else
            sqlite3_bind_int64(row, 2, same_boot ? next->began.boot_ms : INT64_MAX);
        sqlite3_bind_int(row, 3, well);
        if (i != 1)
            sqlite3_bind_int(row, 4, source);
        if (i == 2) {
            bind_u64(row, 5, run->began.boot);
            sqlite3_bind_int64(row, 6, run->began.boot_ms);
        }
        rc = sqlite3_step(row);
        if (rc == SQLITE_ROW && i == 0) {
            tail->has_scan = true;
            tail->scan = (struct stamp){.utc_ms = sqlite3_column_int64(row, 0),
                                        .boot_ms = sqlite3_column_int64(row, 1),
                                        .boot = run->began.boot,
                                        .clock = (uint8_t)sqlite3_column_int(row, 2)};
        } else if (rc == SQLITE_ROW && i == 1) {
            tail->seq = column_u64(row, 0);
        } else if (rc == SQLITE_ROW && sqlite3_column_type(row, 0) != SQLITE_NULL) {
            tail->has_due = true;
            tail->due_boot_ms = sqlite3_column_int64(row, 0);
        }
        sqlite3_finalize(row);
        if (rc != SQLITE_ROW && rc != SQLITE_DONE)
            return rc;
    }
    return SQLITE_OK;
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
                                 const struct tail *tail, int64_t period_ms)
{
    struct absence absence = {.sure = true};
    const struct stamp *anchor = tail->has_scan ? &tail->scan : &run->began;
    const bool same_boot =
        run->began.boot == next->began.boot && strcmp(run->boot_id, next->boot_id) == 0;
    int64_t n = 0;
    if (tail->has_scan && tail->scan.boot_ms >= run->began.boot_ms)
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

static uint8_t cause_of(const struct run_row *run, const struct run_row *next)
{
    if (run->ended)
        return CAUSE_STOPPED;
    return strcmp(run->boot_id, next->boot_id) == 0 ? CAUSE_KILLED : CAUSE_POWER_OR_RESET;
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
    const struct ledger_key key = {
        .kind = GAP_PROGRAM, .cause = cause_of(run, next), .well = well, .source = source};
    struct ledger_row *row = continued(loader->ledger, &key, &absence->first);
    if (row == NULL) {
        row = ledger_new_row(loader->ledger, &key, &absence->first);
        if (row == NULL)
            return; /* said by the oldest program row */
        row->gap.before_seq = tail->seq;
    }
    ledger_say_program(row->gap.cause, key.cause, run->how, !absence->sure);
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
    enum up_rc rc = plan_of(loader, run->plan, &plan, error);
    for (uint16_t w = 0; rc == UP_OK && plan != NULL && w < plan->n_wells; w++) {
        const uint16_t well = journal_well_number(loader->journal, plan->wells[w].id);
        for (unsigned s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            const struct source_entry *entry =
                plan_entry_at(&plan->wells[w], (uint8_t)s, next->began.utc_ms);
            struct tail tail;
            if (entry == NULL || entry->poll_every_ms == 0 || well == 0)
                continue;
            const int sql = read_tail(loader, run, next, well, (uint8_t)s, &tail);
            if (sql != SQLITE_OK)
                return fail(loader, sql, error);
            const struct absence absence = absence_of(run, next, &tail, entry->poll_every_ms);
            *settled = *settled && absence.count == 0;
            if (put && (absence.count > 0 || (index == 0 && !absence.sure)))
                put_absence(loader, run, next, well, (uint8_t)s, &tail, &absence);
            if (put)
                close_counts(loader, run, well, (uint8_t)s, &absence.first, tail.seq);
        }
    }
    return rc;
}

static enum up_rc load_absences(struct loader *loader, struct up_error *error)
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

/** The newest scan's clocks, so that a step while we were away within this boot is seen. */
static enum up_rc load_offset(struct loader *loader, struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    int rc = prepare(loader,
                     "SELECT s.utc_ms, s.boot_ms, r.boot_32 FROM scan s JOIN run r ON r.id = s.run "
                     "ORDER BY s.pos DESC LIMIT 1",
                     &row);
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        loader->ledger->has_offset = true;
        loader->ledger->offset_ms = sqlite3_column_int64(row, 0) - sqlite3_column_int64(row, 1);
        loader->ledger->offset_boot_ms = sqlite3_column_int64(row, 1);
        loader->ledger->offset_boot = (uint32_t)column_u64(row, 2);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? UP_OK : fail(loader, rc, error);
}

enum up_rc ledger_load(struct ledger *ledger, struct journal *journal,
                       const struct stamp *run_began, struct up_error *error)
{
    struct loader *loader = calloc(1, sizeof *loader);
    if (loader == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory to load the gap ledger");
    loader->ledger = ledger;
    loader->journal = journal;
    for (uint16_t w = 0; w < ledger->plan->n_wells; w++) {
        uint64_t pos = 0;
        journal_newest_of_well(journal, ledger->plan->wells[w].number, &pos,
                               &ledger->newest_seq[w]);
    }
    enum up_rc rc = load_next_id(loader, error);
    if (rc == UP_OK)
        rc = load_open_rows(loader, run_began, error);
    if (rc == UP_OK)
        rc = load_runs(loader, error);
    if (rc == UP_OK)
        rc = load_absences(loader, error);
    if (rc == UP_OK)
        rc = load_offset(loader, error);
    plan_free(loader->plan);
    free(loader);
    return rc;
}
