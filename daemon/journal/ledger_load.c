/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_load.c - what earlier runs left: open rows that may still close, and their runs with the
 * plans under which they polled. The time without us: ledger_absence.c.
 */
#include "ledger_load.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum up_rc loader_fail(const struct loader *loader, int rc, struct up_error *error)
{
    return store_fail(&loader->journal->store, rc, "be read for the gap ledger", error);
}

int loader_prepare(const struct loader *loader, const char *sql, sqlite3_stmt **row)
{
    return sqlite3_prepare_v2(loader->journal->store.db, sql, -1, row, NULL);
}

/* ---- open rows ---- */

static enum up_rc load_next_id(struct loader *loader, struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    int rc = loader_prepare(loader, "SELECT max(id) FROM gap WHERE run = ?", &row);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, loader->ledger->run);
        rc = sqlite3_step(row);
        if (rc == SQLITE_ROW)
            loader->ledger->next_id = column_u64(row, 0) + 1;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? UP_OK : loader_fail(loader, rc, error);
}

/** Polls of the source that were put off after the line row's last revision: their rows go out
 * before the line's, so what stands behind it is not in its count yet. */
static int recount_put_off(const struct loader *loader, struct ledger_row *row)
{
    static const char SQL[] =
        "SELECT sum(g.scans - coalesce((SELECT p.scans FROM gap p WHERE p.run = g.run AND"
        " p.id = g.id AND p.pos < ?1 ORDER BY p.revision DESC LIMIT 1), 0)) FROM gap g"
        " WHERE g.pos > ?1 AND g.kind = ?2 AND g.well = ?3 AND g.source = ?4 AND NOT EXISTS"
        " (SELECT 1 FROM gap n WHERE n.run = g.run AND n.id = g.id AND"
        " n.revision = g.revision + 1)";
    sqlite3_stmt *found = NULL;
    int rc = loader_prepare(loader, SQL, &found);
    if (rc == SQLITE_OK) {
        bind_u64(found, 1, row->gap.pos);
        sqlite3_bind_int(found, 2, GAP_SKIPPED);
        sqlite3_bind_int(found, 3, row->gap.well);
        sqlite3_bind_int(found, 4, row->gap.source);
        rc = sqlite3_step(found);
    }
    if (rc == SQLITE_ROW && sqlite3_column_int64(found, 0) > 0) {
        row->gap.scans += (uint32_t)column_u64(found, 0);
        ledger_touch(row, true);
    }
    sqlite3_finalize(found);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

struct recounted {
    bool of_line;
    uint32_t n;
};

static bool recount_scan(void *context, const struct scan *scan, bool holds)
{
    struct recounted *recounted = context;
    if (holds && outcome_is_heard(scan->outcome) != recounted->of_line)
        recounted->n++;
    return true;
}

static bool recount_block(void *context, const struct sealed_head *head)
{
    struct recounted *recounted = context;
    for (uint8_t i = 0; i < SEALED_OUTCOMES; i++)
        if (outcome_is_heard(i) != recounted->of_line)
            recounted->n += head->by_outcome[i];
    return true;
}

/** Scans of the source after the row's last revision: failed ones for a line, heard ones for gauge
 * and channel. */
static int recount(const struct loader *loader, struct ledger_row *row)
{
    struct recounted recounted = {.of_line = row->gap.kind == GAP_LINE};
    const struct view_want want = {.after = row->gap.pos,
                                   .up_to = INT64_MAX,
                                   .well = row->gap.well,
                                   .source = row->gap.source,
                                   .heads = true};
    struct up_error error = {0};
    view_set_heads(loader->view, recount_block, &recounted);
    if (view_forward(loader->view, &want, recount_scan, &recounted, &error) != UP_OK)
        return SQLITE_IOERR;
    if (recounted.n > 0) {
        row->gap.scans += recounted.n;
        ledger_touch(row, true);
    }
    return SQLITE_OK;
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
    int rc = loader_prepare(loader, SQL, &found);
    while (rc == SQLITE_OK && (rc = sqlite3_step(found)) == SQLITE_ROW) {
        rc = SQLITE_OK;
        if (!gap_from_row(found, &gap))
            continue; /* a damaged ledger row can't be continued; readers name it */
        struct ledger_row *row = ledger_adopt(loader->ledger, &gap);
        if (row == NULL)
            continue;
        if (ledger_is_obsolete(loader->ledger->plan, &gap)) {
            ledger_close_obsolete(row, now);
            row->gap.end_sure = false;
        } else if (gap.kind == GAP_LINE || gap.kind == GAP_GAUGE || gap.kind == GAP_CHANNEL) {
            rc = recount(loader, row);
        }
        if (rc == SQLITE_OK && gap.kind == GAP_LINE && row->gap.is_open)
            rc = recount_put_off(loader, row);
    }
    sqlite3_finalize(found);
    return rc == SQLITE_DONE ? UP_OK : loader_fail(loader, rc, error);
}

/* ---- runs and their plans ---- */

/** A run that ended before it had a plan (power that fails between its row and its plan) had no due
 * times: it is no end of the time without us, and the run before it goes on to the next. */
static enum up_rc load_runs(struct loader *loader, struct up_error *error)
{
    static const char SQL[] = "SELECT pos, id, boot, boot_32, began, began_boot_ms, began_clock, "
                              "plan, ended, how, version, ended_boot_ms, ended_clock FROM run"
                              " WHERE plan IS NOT NULL ORDER BY pos DESC LIMIT ?";
    sqlite3_stmt *row = NULL;
    int rc = loader_prepare(loader, SQL, &row);
    if (rc == SQLITE_OK)
        sqlite3_bind_int(row, 1, LEDGER_PAIRS_MAX + 1);
    while (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW &&
           loader->n_runs <= LEDGER_PAIRS_MAX) {
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
        column_text(row, 10, run->version, sizeof run->version);
        run->last = run->began;
        if (run->ended)
            run->last = (struct stamp){.utc_ms = sqlite3_column_int64(row, 8),
                                       .boot_ms = sqlite3_column_int64(row, 11),
                                       .boot = run->began.boot,
                                       .clock = (uint8_t)sqlite3_column_int(row, 12)};
        rc = SQLITE_OK;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_DONE || rc == SQLITE_OK ? UP_OK : loader_fail(loader, rc, error);
}

enum up_rc loader_plan(struct loader *loader, uint32_t id, const struct plan **out,
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
    int rc = faults == NULL ? SQLITE_NOMEM
                            : loader_prepare(loader, "SELECT text FROM plan WHERE id = ?", &row);
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
            ? loader_fail(loader, rc, error)
            : UP_FAIL(error, UP_E_DISK,
                      "plan %u of the journal can't be read back (%.160s), so the time without "
                      "Uphole can't be counted",
                      id, faults->n > 0 ? faults->fault[0].text : "it is missing");
    sqlite3_finalize(row);
    free(faults);
    return result;
}

/** The newest scan's clocks, so that a step while we were away within this boot is seen. */
static enum up_rc load_offset(struct loader *loader, struct up_error *error)
{
    const struct view_want want = {.up_to = INT64_MAX};
    struct scan *scan = &loader->newest;
    const enum up_rc rc = view_newest(loader->view, &want, scan, error);
    if (rc != UP_OK || scan->pos == 0)
        return rc;
    loader->ledger->has_offset = true;
    loader->ledger->offset_ms = scan->begun.utc_ms - scan->begun.boot_ms;
    loader->ledger->offset_boot_ms = scan->begun.boot_ms;
    loader->ledger->offset_boot = scan->begun.boot;
    return UP_OK;
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
    enum up_rc rc = view_open(&journal->store, &loader->view, error);
    if (rc == UP_OK)
        rc = load_next_id(loader, error);
    if (rc == UP_OK)
        rc = load_open_rows(loader, run_began, error);
    if (rc == UP_OK)
        rc = load_runs(loader, error);
    if (rc == UP_OK)
        rc = loader_put_absences(loader, error);
    if (rc == UP_OK)
        rc = load_offset(loader, error);
    plan_free(loader->plan);
    view_close(loader->view);
    free(loader);
    return rc;
}
