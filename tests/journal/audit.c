/* SPDX-License-Identifier: Apache-2.0
 *
 * audit.c - see audit.h.
 */
#include "audit.h"

#include "uphole/plan.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <sqlite3.h>

#define RUNS_MAX 512

struct run {
    int64_t pos, id, began_utc_ms, began_boot_ms, boot, plan;
    char boot_id[40];
};

struct audit {
    sqlite3 *db;
    struct run run[RUNS_MAX];
    int n_runs;
    char *report;
    size_t room, used;
};

__attribute__((format(printf, 2, 3))) static void complain(struct audit *audit, const char *format,
                                                           ...)
{
    va_list arguments;
    va_start(arguments, format);
    const int n =
        vsnprintf(audit->report + audit->used, audit->room - audit->used, format, arguments);
    va_end(arguments);
    if (n > 0)
        audit->used +=
            (size_t)n < audit->room - audit->used ? (size_t)n : audit->room - audit->used - 1;
}

/** First column of the first row, with up to four numbers bound; `otherwise` where it is null or
 * there is no row. */
static int64_t number(struct audit *audit, const char *sql, int64_t otherwise, int64_t a, int64_t b,
                      int64_t c, int64_t d)
{
    const int64_t bound[] = {a, b, c, d};
    sqlite3_stmt *row = NULL;
    int64_t value = otherwise;
    if (sqlite3_prepare_v2(audit->db, sql, -1, &row, NULL) != SQLITE_OK) {
        complain(audit, "%s: %s\n", sql, sqlite3_errmsg(audit->db));
        return otherwise;
    }
    for (int i = 0; i < 4 && i < sqlite3_bind_parameter_count(row); i++)
        sqlite3_bind_int64(row, i + 1, bound[i]);
    if (sqlite3_step(row) == SQLITE_ROW && sqlite3_column_type(row, 0) != SQLITE_NULL)
        value = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    return value;
}

static void read_runs(struct audit *audit)
{
    sqlite3_stmt *row = NULL;
    sqlite3_prepare_v2(
        audit->db,
        "SELECT pos, id, began, began_boot_ms, boot_32, plan, boot FROM run WHERE plan IS NOT NULL ORDER BY pos", -1, &row,
        NULL);
    while (audit->n_runs < RUNS_MAX && sqlite3_step(row) == SQLITE_ROW) {
        struct run *run = &audit->run[audit->n_runs++];
        run->pos = sqlite3_column_int64(row, 0);
        run->id = sqlite3_column_int64(row, 1);
        run->began_utc_ms = sqlite3_column_int64(row, 2);
        run->began_boot_ms = sqlite3_column_int64(row, 3);
        run->boot = sqlite3_column_int64(row, 4);
        run->plan = sqlite3_column_int64(row, 5);
        snprintf(run->boot_id, sizeof run->boot_id, "%s",
                 (const char *)sqlite3_column_text(row, 6));
    }
    sqlite3_finalize(row);
}

static struct plan *read_plan(struct audit *audit, int64_t id)
{
    struct plan *plan = NULL;
    struct plan_faults *faults = calloc(1, sizeof *faults);
    sqlite3_stmt *row = NULL;
    sqlite3_prepare_v2(audit->db, "SELECT text FROM plan WHERE id = ?", -1, &row, NULL);
    sqlite3_bind_int64(row, 1, id);
    if (faults == NULL || sqlite3_step(row) != SQLITE_ROW ||
        plan_from_text("plan", sqlite3_column_blob(row, 0), (size_t)sqlite3_column_bytes(row, 0),
                       &plan, faults) != UP_OK)
        complain(audit, "plan %lld can't be read: %s\n", (long long)id,
                 faults != NULL && faults->n > 0 ? faults->fault[0].text : "missing");
    sqlite3_finalize(row);
    free(faults);
    return plan;
}

/** Due times of run `i` with this period, up to the next run's first or (the last run) up to the
 * end. */
static int64_t dues(struct audit *audit, int i, int64_t well, int64_t source, int64_t period_ms,
                    int64_t end_boot_ms)
{
    const struct run *run = &audit->run[i];
    if (i + 1 == audit->n_runs)
        return end_boot_ms < run->began_boot_ms
                   ? 0
                   : (end_boot_ms - run->began_boot_ms) / period_ms + 1;
    const struct run *next = &audit->run[i + 1];
    int64_t length_ms = next->began_boot_ms - run->began_boot_ms;
    if (strcmp(run->boot_id, next->boot_id) != 0) {
        /* The label of the run's start by the newest pair of clocks of this source in the run. */
        const int64_t offset_ms =
            number(audit,
                   "SELECT utc_ms - boot_ms FROM scan WHERE pos > ?1 AND pos < ?2 AND well = ?3 "
                   "AND source = ?4 ORDER BY pos DESC",
                   run->began_utc_ms - run->began_boot_ms, run->pos, next->pos, well, source);
        length_ms = next->began_utc_ms - (run->began_boot_ms + offset_ms);
        /* What was asked in the old boot was due in it, whatever the clock says later. */
        const int64_t asked_ms = number(audit,
                                        "SELECT max(boot_ms) FROM scan WHERE pos > ?1 AND pos < ?2 "
                                        "AND well = ?3 AND source = ?4",
                                        run->began_boot_ms - 1, run->pos, next->pos, well, source) -
                                 run->began_boot_ms;
        if (length_ms <= asked_ms)
            length_ms = asked_ms / period_ms * period_ms + 1;
    }
    return length_ms <= 0 ? 0 : (length_ms + period_ms - 1) / period_ms;
}

static struct audit_sum *sum_of(struct audit_sum *into, size_t room, int *n, const char *well,
                                uint8_t source)
{
    for (int i = 0; i < *n; i++)
        if (strcmp(into[i].well, well) == 0 && into[i].source == source)
            return &into[i];
    if ((size_t)*n == room)
        return NULL;
    struct audit_sum *sum = &into[(*n)++];
    *sum = (struct audit_sum){.source = source};
    snprintf(sum->well, sizeof sum->well, "%s", well);
    return sum;
}

static void sum_run(struct audit *audit, int i, const struct plan *plan, int64_t end_boot_ms,
                    struct audit_sum *into, size_t room, int *n)
{
    for (uint16_t w = 0; w < plan->n_wells; w++)
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            const int64_t utc_ms =
                i + 1 < audit->n_runs ? audit->run[i + 1].began_utc_ms : INT64_MAX;
            const struct source_entry *entry = plan_entry_at(&plan->wells[w], s, utc_ms);
            struct audit_sum *sum =
                entry == NULL ? NULL : sum_of(into, room, n, plan->wells[w].id, s);
            if (sum == NULL)
                continue;
            char sql[96];
            snprintf(sql, sizeof sql, "SELECT number FROM well WHERE id = '%s'", plan->wells[w].id);
            const int64_t well = number(audit, sql, 0, 0, 0, 0, 0);
            sum->due += dues(audit, i, well, s, entry->poll_every_ms, end_boot_ms);
            sum->rows += number(
                audit, "SELECT count(*) FROM scan WHERE run = ?1 AND well = ?2 AND source = ?3", 0,
                audit->run[i].id, well, s, 0);
        }
}

/** Rows and gaps that can't be right in themselves. */
static void check_tables(struct audit *audit)
{
    static const struct {
        const char *what, *sql;
    } FAULTS[] = {
        {"holes or repeats in a well's seq",
         "SELECT count(*) FROM (SELECT seq - lag(seq) OVER (PARTITION BY well ORDER BY pos) AS "
         "step FROM scan) WHERE step <> 1"},
        {"revisions that are missing",
         "SELECT count(*) FROM (SELECT max(revision) + 1 - count(*) AS missing FROM gap GROUP BY"
         " run, id) WHERE missing <> 0"},
        {"scans of a run that isn't there",
         "SELECT count(*) FROM scan WHERE run NOT IN (SELECT id FROM run)"},
        {"scans of a plan that isn't there",
         "SELECT count(*) FROM scan WHERE plan NOT IN (SELECT id FROM plan)"},
        {"closed rows that end before they start",
         "SELECT count(*) FROM gap WHERE NOT is_open AND end_boot = start_boot AND"
         " end_boot_ms < start_boot_ms"},
    };
    for (size_t i = 0; i < sizeof FAULTS / sizeof *FAULTS; i++) {
        const int64_t n = number(audit, FAULTS[i].sql, -1, 0, 0, 0, 0);
        if (n != 0)
            complain(audit, "%s: %lld\n", FAULTS[i].what, (long long)n);
    }
}

static void sum_never_attempted(struct audit *audit, struct audit_sum *into, int n)
{
    for (int i = 0; i < n; i++) {
        char sql[400];
        snprintf(sql, sizeof sql,
                 "SELECT sum(scans) FROM gap g WHERE kind IN (5, 6, 7, 8) AND source = %u AND well "
                 "= (SELECT number FROM well"
                 " WHERE id = '%s') AND revision = (SELECT max(revision) FROM gap m WHERE m.run = "
                 "g.run AND m.id = g.id)",
                 into[i].source, into[i].well);
        into[i].never_attempted = number(audit, sql, 0, 0, 0, 0, 0);
        if (into[i].due != into[i].rows + into[i].never_attempted)
            complain(audit, "%s source %u: due %lld, rows %lld + never attempted %lld\n",
                     into[i].well, into[i].source, (long long)into[i].due, (long long)into[i].rows,
                     (long long)into[i].never_attempted);
    }
}

int audit_books(const char *directory, int64_t end_boot_ms, struct audit_sum *into, size_t room,
                char *report, size_t report_room)
{
    char path[300];
    struct audit *audit = calloc(1, sizeof *audit);
    int n = -1;
    report[0] = '\0';
    snprintf(path, sizeof path, "%s/journal.sqlite", directory);
    if (audit == NULL ||
        sqlite3_open_v2(path, &audit->db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK) {
        snprintf(report, report_room, "%s can't be opened\n", path);
    } else {
        audit->report = report;
        audit->room = report_room;
        n = 0;
        sqlite3_busy_timeout(audit->db, 2000);
        read_runs(audit);
        for (int i = 0; i < audit->n_runs; i++) {
            struct plan *plan =
                audit->run[i].plan != 0 ? read_plan(audit, audit->run[i].plan) : NULL;
            if (plan != NULL)
                sum_run(audit, i, plan, end_boot_ms, into, room, &n);
            plan_free(plan);
        }
        sum_never_attempted(audit, into, n);
        check_tables(audit);
    }
    if (audit != NULL)
        sqlite3_close(audit->db);
    free(audit);
    return n;
}
