/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_load.h - shared by ledger_load.c and ledger_absence.c only: the runs of the journal,
 * newest first.
 */
#ifndef UPHOLE_JOURNAL_LEDGER_LOAD_H
#define UPHOLE_JOURNAL_LEDGER_LOAD_H

#include "ledger.h"
#include "view.h"

#define LEDGER_PAIRS_MAX 64

struct run_row {
    uint64_t pos, id;
    char boot_id[37];
    struct stamp began;
    uint32_t plan;
    bool ended;
    char how[24], version[24];
    struct stamp last; /* its end, or its last scan; else its begin */
};

struct loader {
    struct ledger *ledger;
    struct journal *journal;
    struct run_row run[LEDGER_PAIRS_MAX + 1]; /* newest first; [0] is the current one */
    size_t n_runs;
    struct scan_view *view; /* of scans */
    struct scan newest;
    struct plan *plan; /* of plan_id */
    uint32_t plan_id;
};

enum up_rc loader_fail(const struct loader *loader, int rc, struct up_error *error);
int loader_prepare(const struct loader *loader, const char *sql, sqlite3_stmt **row);
/** The plan of a run, parsed from the text that the journal keeps. NULL (and UP_OK) where the run
 * had none yet. */
enum up_rc loader_plan(struct loader *loader, uint32_t id, const struct plan **out,
                       struct up_error *error);
/** Program rows for the due times between runs that nobody accounted for (ledger_absence.c). */
enum up_rc loader_put_absences(struct loader *loader, struct up_error *error);

#endif
