/* SPDX-License-Identifier: Apache-2.0
 *
 * reader.h - a read-only connection and its statements; shared by reader.c and reader_gaps.c.
 */
#ifndef UPHOLE_JOURNAL_READER_H
#define UPHOLE_JOURNAL_READER_H

#include "view.h"

enum reader_row {
    R_FACTS,     /* the newest of each kind but those of hours */
    R_HOURS,     /* facts of hours, the newest first */
    R_STEPS,     /* newest facts of changed unit settings, of any run */
    R_CONFIRMED, /* newest facts of confirmed units, of any well and run */
    R_SETTINGS,  /* the same of unit-setting registers */
    R_OUTSIDE,   /* facts that a fold can't make by itself, within a range of pos */
    R_ANEW,      /* newest row within a range of pos with which a well's measuring began anew */
    R_GAPS,      /* every revision after a pos */
    R_LEDGER,    /* newest revisions that touch an interval */
    R_LEDGER_OF, /* the same of a well, behind a key that no revision moves */
    R_PLAN,
    R_NEWEST_PLAN,
    R_WELL,
    R_WELL_NEWEST,
    R_CURSORS,
    R_MARKS,
    R_ORDER,       /* by pos */
    R_TIMES_AFTER, /* the oldest times orders above a pos */
    R_MAKERS,      /* orders that give rows another content, above a pos and up to another */
    R_MAKERS_BACK, /* the same, newest first */
    R_PLAN_LIKE,   /* plans whose digest begins so, newest first */
    R_EVENTS,      /* after a pos, within an interval */
    R_EVENTS_OF,   /* of a kind, newest first */
    R_ROWS,
    R_NOTE = R_ROWS, /* prepared apart: journals made before have no notes, */
    R_FLOOR,         /* or nothing that says what was removed */
    R_ALL
};

struct journal_reader {
    struct store store;
    struct scan_view *view; /* of scans, in rows and sealed blocks alike */
};

/** Range of pos that one chunk of the sparse index covers: up to its mark, or to the newest scan
 * after the last mark (then with the widest times). */
struct chunk {
    uint64_t after, to;
    int64_t from_utc_ms, to_utc_ms;
};
enum up_rc reader_next_chunk(struct journal_reader *reader, uint64_t newest, struct chunk *chunk,
                             struct up_error *error);
/** First column of the statement's first row, 0 where there is none. */
enum up_rc reader_u64(struct journal_reader *reader, enum reader_row which, uint64_t *value,
                      struct up_error *error);
enum up_rc reader_end(struct journal_reader *reader, sqlite3_stmt *row, int rc,
                      struct up_error *error);
/** note.c: prepares R_NOTE where there is such a table. */
void reader_prepare_notes(struct journal_reader *reader);
/** Fills note, noted_by and planned of a gap as they stood at its pos. */
void reader_note_of(struct journal_reader *reader, struct gap *gap);

#endif
