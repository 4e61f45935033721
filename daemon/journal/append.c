/* SPDX-License-Identifier: Apache-2.0
 *
 * append.c - one batch, one transaction, one sync. Committed before seen: numbers in memory move
 * only after the commit.
 *
 * A failed append proves nothing about what is on disk (the page cache may show rows that the disk
 * never took), so the journal is poisoned: it takes nothing more until it was opened again,
 * checkpointed, and a new run has begun.
 *
 * Nothing here allocates: statements are prepared at open, rows are bound from the caller's memory.
 */
#include "retention.h"

#include <string.h>

enum up_rc journal_poison(struct journal *journal, int rc, const char *doing,
                          struct up_error *error)
{
    const enum up_rc failed = store_fail(&journal->store, rc, doing, error);
    if (!sqlite3_get_autocommit(journal->store.db))
        store_done(journal->store.row[W_ROLLBACK]);
    journal->poisoned = true;
    return failed;
}

int journal_put_event(struct journal *journal, const char *kind, const char *who, const char *text)
{
    sqlite3_stmt *row = journal->store.row[W_EVENT];
    bind_u64(row, 1, journal->newest_pos + 1);
    bind_text(row, 2, kind);
    sqlite3_bind_int64(row, 3, journal->clock.utc_us(journal->clock.context) / 1000);
    sqlite3_bind_int64(row, 4, clock_boot_ms(&journal->clock));
    bind_text(row, 5, who);
    bind_text(row, 6, text);
    const int rc = store_done(row);
    if (rc == SQLITE_OK)
        journal->newest_pos++;
    return rc;
}

/** Refuses what would be a programming error, before anything is begun. Gives scans without seq
 * theirs. */
static enum up_rc check_batch(struct journal *journal, struct batch *batch, struct up_error *error)
{
    uint8_t blob[SCAN_BLOB_MAX];
    if (batch->n_scans > JOURNAL_BATCH_SCANS_MAX)
        return UP_FAIL(error, UP_E_USAGE, "a batch holds %zu scans, at most %d are taken",
                       batch->n_scans, JOURNAL_BATCH_SCANS_MAX);
    for (size_t i = 0; i < batch->n_scans; i++) {
        struct scan *scan = &batch->scans[i];
        struct journal_well *well = journal_find_well(journal, scan->well);
        if (well == NULL)
            return UP_FAIL(error, UP_E_USAGE,
                           "scan %zu names well number %u, which has no name in the journal", i,
                           scan->well);
        if (scan->run != journal->run)
            return UP_FAIL(error, UP_E_USAGE, "scan %zu belongs to another run than the journal's",
                           i);
        if (scan->n_blocks > 0 && scan_to_blob(scan, blob) == 0)
            return UP_FAIL(error, UP_E_RANGE, "scan %zu holds a block that lies outside its words",
                           i);
        uint64_t seq = well->seq + 1;
        for (size_t k = 0; k < i; k++)
            seq += batch->scans[k].well == scan->well;
        if (scan->seq != 0 && scan->seq != seq)
            return UP_FAIL(error, UP_E_USAGE,
                           "scan %zu of well %s carries seq %llu, the next is %llu", i, well->id,
                           (unsigned long long)scan->seq, (unsigned long long)seq);
        scan->seq = seq;
    }
    for (size_t i = 0; i < batch->n_facts; i++)
        if (batch->facts[i].pos >= batch->n_scans)
            return UP_FAIL(error, UP_E_USAGE,
                           "fact %zu rides with scan %llu, which is not in the batch", i,
                           (unsigned long long)batch->facts[i].pos);
    for (size_t i = 0; i < batch->n_told_facts; i++)
        if (batch->told_facts[i].pos == 0 || batch->told_facts[i].pos > journal->newest_pos)
            return UP_FAIL(error, UP_E_USAGE, "fact %zu belongs to row %llu, which is not stored",
                           i, (unsigned long long)batch->told_facts[i].pos);
    return UP_OK;
}

static int insert_scans(struct journal *journal, struct batch *batch, uint64_t *pos)
{
    uint8_t blob[SCAN_BLOB_MAX];
    int rc = SQLITE_OK;
    for (size_t i = 0; i < batch->n_scans && rc == SQLITE_OK; i++) {
        struct scan *scan = &batch->scans[i];
        scan->pos = ++*pos;
        scan_bind(journal->store.row[W_SCAN], scan, blob, scan_to_blob(scan, blob));
        rc = store_done(journal->store.row[W_SCAN]);
    }
    return rc;
}

static int insert_fact(struct journal *journal, const struct fact *fact, uint64_t pos)
{
    sqlite3_stmt *row = journal->store.row[W_FACT];
    bind_u64(row, 1, fact->run);
    sqlite3_bind_int(row, 2, fact->well);
    bind_u64(row, 3, pos);
    sqlite3_bind_int(row, 4, fact->source);
    sqlite3_bind_int(row, 5, fact->point);
    sqlite3_bind_int(row, 6, fact->kind);
    sqlite3_bind_double(row, 7, fact->value);
    sqlite3_bind_int64(row, 8, fact->utc_ms);
    sqlite3_bind_int64(row, 9, fact->boot_ms);
    return store_done(row);
}

static int insert_facts(struct journal *journal, const struct batch *batch)
{
    int rc = SQLITE_OK;
    for (size_t i = 0; i < batch->n_facts && rc == SQLITE_OK; i++)
        rc = insert_fact(journal, &batch->facts[i], batch->scans[batch->facts[i].pos].pos);
    for (size_t i = 0; i < batch->n_told_facts && rc == SQLITE_OK; i++)
        rc = insert_fact(journal, &batch->told_facts[i], batch->told_facts[i].pos);
    return rc;
}

static int insert_gaps_and_events(struct journal *journal, struct batch *batch, uint64_t *pos)
{
    int rc = note_insert(journal, batch, pos);
    for (size_t i = 0; i < batch->n_gaps && rc == SQLITE_OK; i++) {
        batch->gaps[i].pos = ++*pos;
        gap_bind(journal->store.row[W_GAP], &batch->gaps[i]);
        rc = store_done(journal->store.row[W_GAP]);
    }
    if (batch->told != NULL && rc == SQLITE_OK)
        rc = damage_told(journal, batch->told, *pos);
    sqlite3_stmt *row = journal->store.row[W_EVENT];
    for (size_t i = 0; i < batch->n_events && rc == SQLITE_OK; i++) {
        struct event *event = &batch->events[i];
        event->pos = ++*pos;
        bind_u64(row, 1, event->pos);
        bind_text(row, 2, event->kind);
        sqlite3_bind_int64(row, 3, event->utc_ms);
        sqlite3_bind_int64(row, 4, event->boot_ms);
        bind_text(row, 5, event->who);
        bind_text(row, 6, event->text);
        rc = store_done(row);
    }
    return rc;
}

static int insert_orders(struct journal *journal, struct batch *batch, uint64_t *pos)
{
    char range[ORDER_RANGE_MAX];
    int rc = SQLITE_OK;
    for (size_t i = 0; i < batch->n_orders && rc == SQLITE_OK; i++) {
        struct row_order *order = &batch->orders[i];
        order->pos = ++*pos;
        if (order->kind == ORDER_TIMES || order->kind == ORDER_RECALCULATE)
            order->as_of = order->pos;
        order_bind(journal->store.row[W_ORDER], order, range);
        rc = store_done(journal->store.row[W_ORDER]);
    }
    return rc;
}

static int put_cursors(struct journal *journal, const struct batch *batch)
{
    sqlite3_stmt *row = journal->store.row[W_CURSOR];
    int rc = SQLITE_OK;
    for (size_t i = 0; i < batch->n_cursors && rc == SQLITE_OK; i++) {
        const struct cursor *cursor = &batch->cursors[i];
        bind_text(row, 1, cursor->destination);
        sqlite3_bind_int(row, 2, cursor->well);
        sqlite3_bind_int(row, 3, cursor->stream);
        bind_u64(row, 4, cursor->pos);
        bind_u64(row, 5, cursor->seq);
        rc = store_done(row);
    }
    return rc;
}

static void widen(const struct batch *batch, int64_t *from_utc_ms, int64_t *to_utc_ms)
{
    for (size_t i = 0; i < batch->n_scans; i++) {
        const int64_t utc_ms = batch->scans[i].begun.utc_ms;
        *from_utc_ms = utc_ms < *from_utc_ms ? utc_ms : *from_utc_ms;
        *to_utc_ms = utc_ms > *to_utc_ms ? utc_ms : *to_utc_ms;
    }
}

/** Newest seq and pos of a well as they will be after the batch. */
static void newest_after(const struct journal_well *well, const struct batch *batch, uint64_t *seq,
                         uint64_t *pos)
{
    *seq = well->seq;
    *pos = well->pos;
    for (size_t i = 0; i < batch->n_scans; i++)
        if (batch->scans[i].well == well->number) {
            *seq = batch->scans[i].seq;
            *pos = batch->scans[i].pos;
        }
}

/** Sums up the rows since the last mark: where each well stands, and the times that they cover. */
static int put_mark(struct journal *journal, const struct batch *batch, uint64_t pos)
{
    int64_t from_utc_ms = journal->mark_from_utc_ms, to_utc_ms = journal->mark_to_utc_ms;
    widen(batch, &from_utc_ms, &to_utc_ms);
    bind_u64(journal->store.row[W_MARK], 1, pos);
    sqlite3_bind_int64(journal->store.row[W_MARK], 2, from_utc_ms);
    sqlite3_bind_int64(journal->store.row[W_MARK], 3, to_utc_ms);
    int rc = store_done(journal->store.row[W_MARK]);
    for (size_t i = 0; i < journal->n_wells && rc == SQLITE_OK; i++) {
        uint64_t seq, scan_pos;
        newest_after(&journal->wells[i], batch, &seq, &scan_pos);
        sqlite3_bind_int(journal->store.row[W_WELL_MARK], 1, journal->wells[i].number);
        bind_u64(journal->store.row[W_WELL_MARK], 2, seq);
        bind_u64(journal->store.row[W_WELL_MARK], 3, scan_pos);
        rc = store_done(journal->store.row[W_WELL_MARK]);
    }
    return rc;
}

int journal_put_mark(struct journal *journal)
{
    static const struct batch NOTHING;
    return put_mark(journal, &NOTHING, journal->newest_pos);
}

void journal_marked(struct journal *journal)
{
    journal->mark_pos = journal->newest_pos;
    journal->mark_from_utc_ms = INT64_MAX;
    journal->mark_to_utc_ms = INT64_MIN;
}

/** The batch is on disk: memory follows. */
static void note_committed(struct journal *journal, struct batch *batch, uint64_t pos, bool marked)
{
    for (size_t i = 0; i < batch->n_facts; i++)
        batch->facts[i].pos = batch->scans[batch->facts[i].pos].pos;
    for (size_t i = 0; i < journal->n_wells; i++)
        newest_after(&journal->wells[i], batch, &journal->wells[i].seq, &journal->wells[i].pos);
    journal->newest_pos = pos;
    if (marked)
        journal_marked(journal);
    else
        widen(batch, &journal->mark_from_utc_ms, &journal->mark_to_utc_ms);
    if (journal->wal_inode == 0)
        journal_note_inodes(journal);
}

static void take_back(struct batch *batch)
{
    for (size_t i = 0; i < batch->n_scans; i++)
        batch->scans[i].pos = batch->scans[i].seq = 0;
    for (size_t i = 0; i < batch->n_gaps; i++)
        batch->gaps[i].pos = 0;
    for (size_t i = 0; i < batch->n_events; i++)
        batch->events[i].pos = 0;
    for (size_t i = 0; i < batch->n_orders; i++)
        batch->orders[i].pos = 0;
}

enum up_rc journal_append(struct journal *journal, struct batch *batch, struct up_error *error)
{
    if (journal->poisoned || journal->run == 0) {
        take_back(batch);
        return UP_FAIL(
            error, UP_E_DISK,
            "the journal %s refused rows before: it must be opened again, and a run begun",
            journal->path);
    }
    if (journal_has_moved(journal)) {
        take_back(batch);
        journal->poisoned = true;
        return UP_FAIL(
            error, UP_E_DISK,
            "the journal %s was removed or replaced while in use: nothing more is written into it",
            journal->path);
    }
    enum up_rc checked = journal_settle_doubt(journal, error);
    if (checked == UP_OK)
        checked = check_batch(journal, batch, error);
    if (checked != UP_OK) {
        take_back(batch);
        return checked;
    }
    uint64_t pos = journal->newest_pos;
    int rc = reserve_before_commit(journal);
    if (rc == SQLITE_OK)
        rc = store_done(journal->store.row[W_BEGIN]);
    if (rc == SQLITE_OK)
        rc = insert_scans(journal, batch, &pos);
    if (rc == SQLITE_OK)
        rc = insert_facts(journal, batch);
    if (rc == SQLITE_OK)
        rc = insert_gaps_and_events(journal, batch, &pos);
    if (rc == SQLITE_OK)
        rc = insert_orders(journal, batch, &pos);
    if (rc == SQLITE_OK)
        rc = put_cursors(journal, batch);
    if (rc == SQLITE_OK)
        rc = retention_remove(journal, batch->removal);
    const bool marked = pos - journal->mark_pos >= MARK_EVERY;
    if (rc == SQLITE_OK && marked)
        rc = put_mark(journal, batch, pos);
    if (rc == SQLITE_OK)
        rc = store_done(journal->store.row[W_COMMIT]);
    if (rc != SQLITE_OK) {
        take_back(batch);
        return journal_poison(journal, rc, "store a batch of scans", error);
    }
    note_committed(journal, batch, pos, marked);
    reserve_after_commit(journal);
    outside_keep(journal);
    return UP_OK;
}

uint64_t journal_next_seq(struct journal *journal, uint16_t well)
{
    const struct journal_well *row = journal_find_well(journal, well);
    return row == NULL ? 1 : row->seq + 1;
}

uint64_t journal_newest_pos(const struct journal *journal)
{
    return journal->newest_pos;
}

void journal_newest_of_well(const struct journal *journal, uint16_t well, uint64_t *pos,
                            uint64_t *seq)
{
    *pos = *seq = 0;
    for (size_t i = 0; i < journal->n_wells; i++)
        if (journal->wells[i].number == well) {
            *pos = journal->wells[i].pos;
            *seq = journal->wells[i].seq;
        }
}

size_t journal_cursors(struct journal *journal, struct cursor *into, size_t room)
{
    sqlite3_stmt *row = NULL;
    if (sqlite3_prepare_v2(journal->store.db, CURSORS_SQL, -1, &row, NULL) != SQLITE_OK)
        return 0;
    const size_t n = cursors_from_rows(row, into, room);
    sqlite3_finalize(row);
    return n;
}
