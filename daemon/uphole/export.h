/* SPDX-License-Identifier: Apache-2.0
 *
 * export.h - what the parts of `uphole export` share.
 *
 * Rows are walked in slices and never held: export_walk.c brings them in order, with the ledger's
 * rows between them; export_fold.c measures them as live delivery did; export_csv.c, export_raw.c
 * write them. A CSV needs its columns first, so it is walked twice over the same range of rows.
 */
#ifndef UPHOLE_EXPORT_H
#define UPHOLE_EXPORT_H

#include "backlog_inside.h"
#include "socket_ask.h"

#include "uphole/publish.h"

#include <stdio.h>

#define EXPORT_REFERENCES 4 /* enum pressure_reference */
#define EXPORT_REVISED 2 /* folds: of a recalculation and of a clock that was set may alternate */
#define REVISION_NEWEST UINT32_MAX

struct export_asked {
    struct socket_asked where;
    const char *well, *into, *destination;
    bool has_from, has_units, raw, ndjson, us;
    uint32_t revision; /* rows are told in their newest one that is not above it */
    int64_t from_utc_ms, to_utc_ms, now_utc_ms;
};

/** A CSV that is being written: the first cell of a row has no comma before it. */
struct csv {
    FILE *file;
    bool is_begun;
};

/** What is known of a scan beside its words: its time as known by now. */
struct export_scan {
    const struct scan *scan;
    struct stamp at;             /* corrected where it was corrected */
    uint32_t revision;           /* the row's newest one */
    const char *by;              /* by what a row of a revision above 0 came to be; else NULL */
    const struct record *record; /* NULL: not measured */
    const struct plan *plan;     /* under which it was measured, numbered; of a measured row */
    uint32_t plan_digest;
    uint64_t as_of; /* pos of the order that made the revision; 0: none did */
};

struct export
{
    struct export_asked asked;
    struct backlog *backlog;       /* its reader, and its way of folding */
    struct journal_reader *reader; /* the backlog's */
    struct plan *plan;             /* of the newest row of the interval */
    uint16_t well;
    struct unit_choice units;
    struct row_range range;
    uint64_t as_of; /* pos of the newest order that counts */
    struct kept_fold as_read, as_revised[EXPORT_REVISED];
    size_t newest_fold;   /* of as_revised */
    struct row_view view; /* of the rows where the walk stands, */
    uint32_t viewed;      /* read for this revision */
    uint64_t before;      /* pos of the well's row before the present one; 0: not known */
    char by[sizeof((struct row_order *)0)->by];
    struct record revised; /* the present row, of a revision above 0 */
    struct scan *scans;    /* JOURNAL_SLICE_MAX */
    struct gap *gaps;      /* JOURNAL_SLICE_MAX */
    struct gap last_gap;
    size_t n_gaps, next_gap;
    bool gaps_begun, gaps_ended;
    uint32_t digest_of, digest; /* a plan's id and the first 32 bits of its digest; raw rows */
    /* Columns of a CSV, found by the first walk. */
    bool collecting;
    bool column[POINT_COUNT][EXPORT_REFERENCES];
    const char *unit[POINT_COUNT], *reference[EXPORT_REFERENCES];
    uint16_t n_blocks;
    uint64_t n_scans, n_gap_rows; /* written, or found */
    FILE *file;
    char *line; /* PAYLOAD_MAX */
    /** Takes each row of the walk, instead of the export's own writers; then no gap is told. */
    enum up_rc (*put)(struct export * export, const struct export_scan *row,
                      struct up_error *error);
    void *context; /* of `put` */
};

/* ---- export.c: by any command over a well's interval; 0, or EX_USAGE (said) ---- */

/** One of --from 'f', --to 't', --units 'u', --as 'a', with its value in optarg. */
int export_take_option(const struct command *command, int option, struct export_asked *asked);
/** Behind the options: one well, a beginning, and what fits together. */
int export_read_well(const struct command *command, int argc, char **argv,
                     struct export_asked *asked);

/* ---- export_open.c ---- */

/** Finds what `asked` names; the caller closes it in any case. */
UP_MUST enum up_rc export_open(struct export *export, struct up_error *error);
void export_close(struct export *export);

/* ---- export_fold.c ---- */

/** Sets numbers of all wells of `plan` as the journal has them. */
void export_number_wells(struct journal_reader *reader, struct plan *plan);
/** The plan `id` of the journal, numbered; the caller frees it. */
UP_MUST enum up_rc export_read_plan(struct journal_reader *reader, uint32_t id, struct plan **out,
                                    struct up_error *error);
/** Time, revision and maker of the row, in its newest revision that is not above `revision`. */
UP_MUST enum up_rc export_look(struct export *export, struct export_scan *row, uint32_t revision,
                               struct up_error *error);
/** The plan `id`, its wells numbered; until the next fold. NULL: it can't be read. */
const struct plan *export_plan_of(struct export *export, uint32_t id);
/** Measures a scan that export_look has looked at. */
UP_MUST enum up_rc export_fold(struct export *export, struct export_scan *row,
                               struct up_error *error);

/* ---- export_walk.c ---- */

/** Walks the interval once: finds columns (export->collecting) or writes. */
UP_MUST enum up_rc export_walk(struct export *export, struct up_error *error);
/** True where a row of that time belongs to the interval: it lies in it, or nobody knows it. */
bool export_is_asked_for(const struct export *export, const struct stamp *at);
/** True where the box knew the time: else a time stamp would be a guess. */
bool export_time_is_known(const struct stamp *at);

/* ---- export_csv.c, export_raw.c ---- */

void csv_text(struct csv *csv, const char *text); /* guarded; NULL or "": an empty cell */
__attribute__((format(printf, 2, 3))) void csv_number(struct csv *csv, const char *format, ...);
void csv_empty(struct csv *csv, unsigned n);
void csv_end(struct csv *csv);

void export_collect(struct export *export, const struct export_scan *row);
void export_csv_header(struct export *export);
UP_MUST enum up_rc export_csv_scan(struct export *export, const struct export_scan *row,
                                   struct up_error *error);
void export_csv_gap(struct export *export, const struct gap *gap);
void export_raw_header(struct csv *csv, unsigned n_blocks);
void export_raw_cells(struct csv *csv, const struct export_scan *row, unsigned n_blocks);
/** Cells of the raw columns, to leave them empty. */
unsigned export_raw_columns(unsigned n_blocks);
UP_MUST enum up_rc export_ndjson_scan(struct export *export, const struct export_scan *row,
                                      struct up_error *error);
UP_MUST enum up_rc export_ndjson_gap(struct export *export, const struct gap *gap,
                                     struct up_error *error);

#endif
