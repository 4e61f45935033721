/* SPDX-License-Identifier: Apache-2.0
 *
 * note.c - a person's words on a gap.
 *
 * Notes stand in a table of their own; the row that they are about goes out once more, as its next
 * revision, in the same transaction and with a higher pos. A revision bears the newest note with a
 * lower pos, so that equal ids go on having equal content, and whatever becomes of an open row
 * later bears the note too.
 */
#include "ledger.h"
#include "reader.h"

#include "uphole/wire.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define FOLD_START_MS 120000 /* program rows of several sources start at their own last poll */
#define REVISED_MAX 8

const char NOTE_SCHEMA_SQL[] =
    "CREATE TABLE IF NOT EXISTS note(run INTEGER NOT NULL, id INTEGER NOT NULL, pos INTEGER NOT "
    "NULL, utc_ms INTEGER NOT NULL, planned INTEGER NOT NULL, \"by\" TEXT NOT NULL, text TEXT NOT "
    "NULL, \"check\" INTEGER NOT NULL, PRIMARY KEY(run, id, pos)) WITHOUT ROWID";

static uint32_t note_check(const struct gap_note *note, uint64_t pos)
{
    uint8_t head[33];
    put_u64(head, note->run);
    put_u64(head + 8, note->id);
    put_u64(head + 16, pos);
    put_u64(head + 24, (uint64_t)note->utc_ms);
    head[32] = note->planned;
    uint32_t check = crc32_of(0, head, sizeof head);
    check = crc32_of(check, note->by, strlen(note->by) + 1);
    return crc32_of(check, note->text, strlen(note->text));
}

int note_insert(struct journal *journal, const struct batch *batch, uint64_t *pos)
{
    sqlite3_stmt *row = journal->store.row[W_NOTE];
    int rc = SQLITE_OK;
    for (size_t i = 0; i < batch->n_notes && rc == SQLITE_OK; i++) {
        const struct gap_note *note = &batch->notes[i];
        ++*pos;
        bind_u64(row, 1, note->run);
        bind_u64(row, 2, note->id);
        bind_u64(row, 3, *pos);
        sqlite3_bind_int64(row, 4, note->utc_ms);
        sqlite3_bind_int(row, 5, note->planned);
        bind_text(row, 6, note->by);
        bind_text(row, 7, note->text);
        bind_u64(row, 8, note_check(note, *pos));
        rc = store_done(row);
    }
    return rc;
}

/* ---- reading ---- */

void reader_prepare_notes(struct journal_reader *reader)
{
    static const char SQL[] = "SELECT pos, utc_ms, planned, \"by\", text, \"check\" FROM note"
                              " WHERE run = ?1 AND id = ?2 AND pos < ?3 ORDER BY pos DESC LIMIT 1";
    (void)sqlite3_prepare_v3(reader->store.db, SQL, -1, SQLITE_PREPARE_PERSISTENT,
                             &reader->store.row[R_NOTE], NULL);
}

void reader_note_of(struct journal_reader *reader, struct gap *gap)
{
    sqlite3_stmt *row = reader->store.row[R_NOTE];
    struct gap_note note = {.run = gap->run, .id = gap->id};
    if (row == NULL) /* a journal that no daemon has opened since there are notes */
        return;
    bind_u64(row, 1, gap->run);
    bind_u64(row, 2, gap->id);
    bind_u64(row, 3, gap->pos);
    if (sqlite3_step(row) == SQLITE_ROW) {
        const uint64_t pos = column_u64(row, 0);
        note.utc_ms = sqlite3_column_int64(row, 1);
        note.planned = sqlite3_column_int(row, 2) != 0;
        column_text(row, 3, note.by, sizeof note.by);
        column_text(row, 4, note.text, sizeof note.text);
        if (note_check(&note, pos) == (uint32_t)column_u64(row, 5)) {
            gap->planned = note.planned;
            memcpy(gap->noted_by, note.by, sizeof gap->noted_by);
            memcpy(gap->note, note.text, sizeof gap->note);
        } else {
            snprintf(gap->note, sizeof gap->note,
                     "(A note on this gap is damaged in the journal and not shown.)");
        }
    }
    sqlite3_reset(row);
    sqlite3_clear_bindings(row);
}

/* ---- the rows that a note is about ---- */

struct found {
    struct gap rows[REVISED_MAX];
    size_t n;
};

static bool is_asked(const struct gap *gap, const struct gap_asked *asked)
{
    return gap->run >= asked->run_low && gap->run <= asked->run_high && gap->id == asked->id;
}

static void add_found(struct found *found, const struct gap *gap)
{
    for (size_t i = 0; i < found->n; i++)
        if (found->rows[i].run == gap->run)
            return; /* memory knows it better than the file */
    if (found->n < REVISED_MAX)
        found->rows[found->n++] = *gap;
}

static int find_stored(struct journal *journal, const struct gap_asked *asked, struct found *found)
{
    static const char SQL[] =
        "SELECT " GAP_SELECT_COLUMNS " FROM gap g WHERE g.run BETWEEN ?1 AND ?2 AND g.id = ?3"
        " AND NOT EXISTS (SELECT 1 FROM gap n WHERE n.run = g.run AND n.id = g.id"
        " AND n.revision > g.revision) LIMIT ?4";
    sqlite3_stmt *row = NULL;
    struct gap gap;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, asked->run_low);
        bind_u64(row, 2, asked->run_high);
        bind_u64(row, 3, asked->id);
        sqlite3_bind_int(row, 4, REVISED_MAX);
        while ((rc = sqlite3_step(row)) == SQLITE_ROW)
            if (gap_from_row(row, &gap))
                add_found(found, &gap);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

/** The row in memory, or taken in from the file; NULL where there is no room. */
static struct ledger_row *row_in_memory(struct ledger *ledger, const struct gap *gap)
{
    for (size_t i = 0; i < ledger->n; i++)
        if (ledger->rows[i].used && ledger->rows[i].gap.run == gap->run &&
            ledger->rows[i].gap.id == gap->id)
            return &ledger->rows[i];
    struct ledger_row *row = ledger_adopt(ledger, gap);
    if (row != NULL)
        row->good_scans = LEDGER_FLAP_SCANS; /* what follows is another gap */
    return row;
}

/** Of one outage of the program every source has a row; they are shown as one, and noted as one. */
static bool is_same_outage(const struct gap *a, const struct gap *b)
{
    const int64_t apart_ms = a->start.utc_ms - b->start.utc_ms;
    return a->kind == GAP_PROGRAM && b->kind == GAP_PROGRAM && a->run == b->run && a->id != b->id &&
           a->is_open == b->is_open && a->end.utc_ms == b->end.utc_ms &&
           apart_ms <= FOLD_START_MS && apart_ms >= -FOLD_START_MS &&
           strcmp(a->cause, b->cause) == 0;
}

static int renew_outage(struct ledger *ledger, struct journal *journal, const struct gap *of,
                        uint64_t *ids, size_t room, size_t *n)
{
    static const char SQL[] =
        "SELECT " GAP_SELECT_COLUMNS " FROM gap g WHERE g.run = ?1 AND g.kind = ?2"
        " AND NOT EXISTS (SELECT 1 FROM gap n WHERE n.run = g.run AND n.id = g.id"
        " AND n.revision > g.revision)";
    sqlite3_stmt *row = NULL;
    struct gap gap;
    if (of->kind != GAP_PROGRAM)
        return SQLITE_OK;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, of->run);
        sqlite3_bind_int(row, 2, GAP_PROGRAM);
        while ((rc = sqlite3_step(row)) == SQLITE_ROW && *n < room) {
            if (!gap_from_row(row, &gap) || !is_same_outage(of, &gap))
                continue;
            struct ledger_row *also = row_in_memory(ledger, &gap);
            if (also == NULL)
                continue;
            ledger_touch(also, true);
            ids[(*n)++] = gap.id;
        }
    }
    sqlite3_finalize(row);
    return rc == SQLITE_DONE || rc == SQLITE_ROW ? SQLITE_OK : rc;
}

enum up_rc ledger_renew(struct ledger *ledger, struct journal *journal,
                        const struct gap_asked *asked, struct gap *of, uint64_t *ids, size_t room,
                        size_t *n, struct up_error *error)
{
    struct found found = {.n = 0};
    *n = 0;
    for (size_t i = 0; i < ledger->n; i++)
        if (ledger->rows[i].used && is_asked(&ledger->rows[i].gap, asked))
            add_found(&found, &ledger->rows[i].gap);
    int rc = find_stored(journal, asked, &found);
    if (rc != SQLITE_OK)
        return store_fail(&journal->store, rc, "be read for the gap", error);
    if (found.n == 0)
        return UP_FAIL(error, UP_E_MISSING, "there is no such gap; 'uphole gaps' lists them");
    if (found.n > 1)
        return UP_FAIL(error, UP_E_USAGE,
                       "more than one run begins like that: %016" PRIx64 " and %016" PRIx64
                       "; type more of it",
                       found.rows[0].run, found.rows[1].run);
    struct ledger_row *row = row_in_memory(ledger, &found.rows[0]);
    if (row == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "too many gaps are open; try again later");
    ledger_touch(row, true);
    *of = row->gap;
    ids[(*n)++] = row->gap.id;
    rc = renew_outage(ledger, journal, of, ids, room, n);
    return rc == SQLITE_OK ? UP_OK : store_fail(&journal->store, rc, "be read for the gap", error);
}
