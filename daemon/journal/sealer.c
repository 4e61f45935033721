/* SPDX-License-Identifier: Apache-2.0
 *
 * sealer.c - older scans become sealed blocks, a bounded step at a time.
 *
 *   counting   rows behind the tail, until a well's source has enough of them: that is the range
 *   packing    one block a step: its rows are read, packed, unpacked again and compared bit for bit
 *   storing    one transaction: the range's blocks in, its rows out, the chain's newest digest
 *
 * All wells of a range are sealed together, because their rows stand side by side: so whole pages
 * are freed, which are not written, and a range costs the disk little more than its blocks. Rows
 * never change, so packing needs no transaction of the whole. A row that is damaged is left where
 * it stands.
 */
#include "sealer.h"

#include "uphole/say.h"

#include <stdlib.h>
#include <string.h>

#define WAIT_CALLS 600

#ifndef SEAL_DEFAULTS /* walks run a program that seals soon (tests/history/CMakeLists.txt) */
#define SEAL_DEFAULTS SEAL_KEEP_ROWS, SEAL_BLOCK_ROWS, SEAL_RANGE_ROWS
#endif
static const struct journal_sealing DEFAULTS = {SEAL_DEFAULTS};

static uint32_t within(uint32_t value, uint32_t least, uint32_t most)
{
    return value < least ? least : value > most ? most : value;
}

void journal_set_sealing(struct journal *journal, const struct journal_sealing *sealing)
{
    if (!sealer_prepare(journal))
        return;
    struct journal_sealing *how = &journal->sealer->how;
    *how = sealing != NULL ? *sealing : DEFAULTS;
    how->block_rows = within(how->block_rows, 1, SEALED_ROWS_MAX);
    how->range_rows = within(how->range_rows, 1, SEAL_RANGE_ROWS);
}

bool sealer_prepare(struct journal *journal)
{
    if (journal->sealer != NULL)
        return true;
    struct sealer *sealer = calloc(1, sizeof *sealer);
    if (sealer == NULL)
        return false;
    journal->sealer = sealer;
    sealer->how = DEFAULTS;
    sealer->packer = sealed_packer_create(true);
    sealer->packing = malloc(sizeof *sealer->packing);
    sealer->table = malloc(sizeof *sealer->table);
    sealer->staged = malloc(SEAL_STAGED_MAX);
    if (sealer->packer != NULL && sealer->packing != NULL && sealer->table != NULL &&
        sealer->staged != NULL)
        return true;
    sealer_free(journal);
    return false;
}

void sealer_free(struct journal *journal)
{
    struct sealer *sealer = journal->sealer;
    if (sealer == NULL)
        return;
    sealed_packer_destroy(sealer->packer);
    free(sealer->packing);
    free(sealer->table);
    free(sealer->staged);
    free(sealer);
    journal->sealer = NULL;
}

/* ---- counting ---- */

static int begin_counting(struct journal *journal)
{
    struct sealer *sealer = journal->sealer;
    const int rc = chain_read(&journal->store, &sealer->chain);
    sealer->state = SEAL_COUNTING;
    sealer->run = journal->run;
    sealer->from = sealer->counted = sealer->to = sealer->chain.sealed_to;
    sealer->rows = 0;
    sealer->n_pairs = sealer->pair = sealer->n_blocks = sealer->n_staged = 0;
    if (rc != SQLITE_OK)
        sealer->run = 0; /* read it again next time */
    return rc;
}

/** The pair's count; NULL where there is no room for another pair. */
static struct sealer_pair *pair_of(struct sealer *sealer, uint16_t well, uint8_t source)
{
    for (size_t i = 0; i < sealer->n_pairs; i++)
        if (sealer->pairs[i].well == well && sealer->pairs[i].source == source)
            return &sealer->pairs[i];
    if (sealer->n_pairs == SEAL_PAIRS_MAX)
        return NULL;
    sealer->pairs[sealer->n_pairs] = (struct sealer_pair){.well = well, .source = source};
    return &sealer->pairs[sealer->n_pairs++];
}

static void begin_packing(struct sealer *sealer)
{
    sealer->to = sealer->counted;
    sealer->state = SEAL_PACKING;
    sealer->pair = 0;
    sealer->packed = 0;
}

/** So many more rows at least, before a range can be whole: until they stand there, there is
 * nothing to count, and most seconds of a box pass so. */
static uint32_t needed(const struct sealer *sealer, uint32_t most)
{
    const uint32_t full = sealer->how.block_rows;
    uint32_t left = most > sealer->rows ? most - sealer->rows : 1;
    left = full < left ? full : left; /* of a pair that wasn't met yet */
    for (size_t i = 0; i < sealer->n_pairs; i++) {
        const uint32_t rows = sealer->pairs[i].rows;
        left = rows + left > full ? (full > rows ? full - rows : 1) : left;
    }
    return left;
}

/** Counts a slice of rows behind the tail. */
static int count(struct journal *journal, bool *more)
{
    static const char SQL[] =
        "SELECT pos, well, source FROM scan WHERE pos > ?1 AND pos <= ?2 ORDER BY pos LIMIT ?3";
    struct sealer *sealer = journal->sealer;
    const uint32_t most = sealer->most_rows > 0 && sealer->most_rows < sealer->how.range_rows
                              ? sealer->most_rows
                              : sealer->how.range_rows;
    const uint64_t newest = journal->newest_pos, keep = sealer->how.keep_rows;
    sqlite3_stmt *row = NULL;
    size_t seen = 0;
    if (newest <= keep || newest - keep < sealer->counted + needed(sealer, most))
        return SQLITE_OK;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, sealer->counted);
        bind_u64(row, 2, newest - keep);
        sqlite3_bind_int(row, 3, SLICE_ROWS);
    }
    while (rc == SQLITE_OK && sealer->state == SEAL_COUNTING &&
           (rc = sqlite3_step(row)) == SQLITE_ROW) {
        rc = SQLITE_OK;
        seen++;
        struct sealer_pair *pair = pair_of(sealer, (uint16_t)sqlite3_column_int(row, 1),
                                           (uint8_t)sqlite3_column_int(row, 2));
        if (pair == NULL || column_u64(row, 0) - sealer->from > UINT32_MAX) {
            begin_packing(sealer);
            break;
        }
        sealer->counted = column_u64(row, 0);
        sealer->row[sealer->rows].behind = (uint32_t)(sealer->counted - sealer->from);
        sealer->row[sealer->rows].pair = (uint16_t)(pair - sealer->pairs);
        pair->rows++;
        sealer->rows++;
        if (pair->rows >= sealer->how.block_rows || sealer->rows >= most)
            begin_packing(sealer);
    }
    sqlite3_finalize(row);
    *more = sealer->state == SEAL_PACKING || seen == SLICE_ROWS;
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

/* ---- packing ---- */

/** A row that may be sealed: its check holds, and its run is known. */
static bool is_sound(sqlite3_stmt *row, struct scan *scan)
{
    return scan_from_row(row, scan) && sqlite3_column_type(row, 15) != SQLITE_NULL;
}

/** Gathers rows of the pair for one block, from sealer->packed on, which it moves. *damaged: a
 * damaged row's pos, where the gathering ended. */
static int gather_rows(struct journal *journal, uint64_t *damaged)
{
    static const char SQL[] = "SELECT " SCAN_SELECT_COLUMNS
                              " FROM scan s LEFT JOIN run r ON r.id = s.run WHERE s.pos = ?1";
    struct sealer *sealer = journal->sealer;
    struct scan *scan = &journal->scratch;
    sqlite3_stmt *row = NULL;
    bool full = false;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    *damaged = 0;
    sealed_rows_clear(sealer->packing);
    while (rc == SQLITE_OK && !full && *damaged == 0 && sealer->packed < sealer->rows) {
        const uint64_t pos = sealer->from + sealer->row[sealer->packed].behind;
        if (sealer->row[sealer->packed].pair == sealer->pair) {
            bind_u64(row, 1, pos);
            rc = sqlite3_step(row);
            if (rc == SQLITE_ROW && !is_sound(row, scan))
                *damaged = pos;
            else if (rc == SQLITE_ROW)
                full = !sealed_rows_add(sealer->packing, scan);
            sqlite3_reset(row); /* bound anew for the next one */
            rc = rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
        }
        if (!full)
            sealer->packed++;
    }
    sqlite3_finalize(row);
    return rc;
}

/** In one read transaction: else each row takes and gives back the lock of the write-ahead log. */
static int gather_at_once(struct journal *journal, uint64_t *damaged)
{
    const int rc = store_run(&journal->store, "BEGIN");
    return rc == SQLITE_OK ? store_end_read(&journal->store, gather_rows(journal, damaged)) : rc;
}

/** True where the block that was just packed gives back what was gathered, each bit of each scan.
 */
static bool prove(struct sealer *sealer, const uint8_t *data, size_t length)
{
    const struct sealed_rows *rows = sealer->packing;
    if (!sealed_unpack(sealer->packer, &rows->head, data, length, sealer->table))
        return false;
    for (size_t i = 0; i < rows->n; i++)
        if (!sealed_table_is(sealer->table, i, rows))
            return false;
    return true;
}

/** The range is too large for what is staged: half of it, from the beginning. */
static void begin_smaller(struct sealer *sealer)
{
    const uint32_t half = sealer->rows / 2;
    sealer->state = SEAL_COUNTING;
    sealer->counted = sealer->to = sealer->from;
    sealer->most_rows = half > 0 ? half : 1;
    sealer->rows = 0;
    sealer->n_pairs = sealer->n_blocks = sealer->n_staged = 0;
}

/** Packs what was gathered and proves it. */
static void stage(struct sealer *sealer)
{
    struct sealed_head *head = &sealer->packing->head;
    uint8_t *data = sealer->staged + sealer->n_staged;
    const size_t length = sealer->n_blocks == SEAL_BLOCKS_MAX
                              ? 0
                              : sealed_pack(sealer->packer, sealer->packing, data,
                                            SEAL_STAGED_MAX - sealer->n_staged);
    if (length == 0) {
        begin_smaller(sealer);
        return;
    }
    head->number = sealer->chain.sealed + sealer->n_blocks + 1;
    head->pos_from = sealer->from + 1;
    head->pos_to = sealer->to;
    if (!prove(sealer, data, length)) {
        say(SAY_ERROR, "journal",
            "A block of scans did not unpack to what was packed, so nothing is sealed: scans stay "
            "as they are, and take more space. Report this with a support file.");
        sealer->is_off = true;
    }
    sealer->block[sealer->n_blocks++] =
        (struct staged_block){.head = *head, .at = sealer->n_staged};
    sealer->n_staged += length;
}

/** One block of one pair. */
static int pack(struct journal *journal, bool *more)
{
    struct sealer *sealer = journal->sealer;
    uint64_t damaged = 0;
    *more = true;
    int rc = gather_at_once(journal, &damaged);
    if (rc == SQLITE_OK && damaged != 0)
        rc = damage_found(journal, DAMAGE_ROW, damaged);
    if (rc == SQLITE_OK && sealer->packing->n > 0)
        stage(sealer);
    if (rc != SQLITE_OK || sealer->state != SEAL_PACKING || sealer->packed < sealer->rows)
        return rc;
    sealer->packed = 0;
    if (++sealer->pair == sealer->n_pairs)
        sealer->state = SEAL_STORING;
    return SQLITE_OK;
}

/* ---- storing ---- */

static int insert_blocks(struct journal *journal)
{
    static const char LINK[] = "INSERT INTO link VALUES(?,?)";
    static const char SQL[] = "INSERT INTO block VALUES(?,?,?,?,?,?,?,?,?)";
    struct sealer *sealer = journal->sealer;
    uint8_t before[SEALED_DIGEST_BYTES], digest[SEALED_DIGEST_BYTES], head[SEALED_HEAD_BYTES],
        content[SEALED_DIGEST_BYTES];
    sqlite3_stmt *row = NULL, *link = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(journal->store.db, LINK, -1, &link, NULL);
    memcpy(before, sealer->chain.digest, sizeof before);
    for (size_t i = 0; i < sealer->n_blocks && rc == SQLITE_OK; i++) {
        const struct staged_block *block = &sealer->block[i];
        const uint8_t *data = sealer->staged + block->at;
        sealed_head_write(&block->head, head);
        sealed_content(head, data, block->head.data_length, content);
        journal_chain_link(before, content, digest);
        bind_u64(row, 1, block->head.number);
        bind_u64(row, 2, block->head.pos_from);
        bind_u64(row, 3, block->head.pos_to);
        sqlite3_bind_int(row, 4, block->head.well);
        sqlite3_bind_int(row, 5, block->head.source);
        sqlite3_bind_blob(row, 6, head, sizeof head, SQLITE_STATIC);
        sqlite3_bind_blob(row, 7, before, sizeof before, SQLITE_STATIC);
        sqlite3_bind_blob(row, 8, digest, sizeof digest, SQLITE_STATIC);
        sqlite3_bind_blob(row, 9, data, (int)block->head.data_length, SQLITE_STATIC);
        bind_u64(link, 1, block->head.number);
        sqlite3_bind_blob(link, 2, content, sizeof content, SQLITE_STATIC);
        rc = store_done(row);
        if (rc == SQLITE_OK)
            rc = store_done(link);
        memcpy(before, digest, sizeof before);
    }
    sqlite3_finalize(row);
    sqlite3_finalize(link);
    memcpy(sealer->chain.digest, before, sizeof before);
    sealer->chain.sealed += sealer->n_blocks;
    return rc;
}

/** The range's rows go, but for damaged ones. As many as were sealed, or nothing is. */
static int remove_rows(struct journal *journal, bool *all)
{
    static const char SQL[] = "DELETE FROM scan WHERE pos > ?1 AND pos <= ?2 AND NOT EXISTS "
                              "(SELECT 1 FROM damage d WHERE "
                              "d.what = 1 AND d.number = scan.pos)";
    const struct sealer *sealer = journal->sealer;
    sqlite3_stmt *row = NULL;
    size_t sealed = 0;
    for (size_t i = 0; i < sealer->n_blocks; i++)
        sealed += sealer->block[i].head.rows;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, sealer->from);
        bind_u64(row, 2, sealer->to);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    *all = (size_t)sqlite3_changes(journal->store.db) == sealed;
    return rc;
}

static int put_chain(struct journal *journal)
{
    const struct sealer *sealer = journal->sealer;
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(
        journal->store.db, "INSERT OR REPLACE INTO chain VALUES(1, ?1, ?2, ?3)", -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, sealer->chain.sealed);
        sqlite3_bind_blob(row, 2, sealer->chain.digest, SEALED_DIGEST_BYTES, SQLITE_STATIC);
        bind_u64(row, 3, sealer->to);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    return rc;
}

static int store_range(struct journal *journal)
{
    struct sealer *sealer = journal->sealer;
    const bool mark =
        journal->mark_pos < sealer->to; /* rows above the mark are walked at a start */
    bool all = true;
    int rc = reserve_before_commit(journal);
    if (rc == SQLITE_OK)
        rc = store_done(journal->store.row[W_BEGIN]);
    if (rc == SQLITE_OK)
        rc = remove_rows(journal, &all); /* first: the blocks take pages that it frees */
    if (rc == SQLITE_OK && all)
        rc = insert_blocks(journal);
    if (rc == SQLITE_OK)
        rc = put_chain(journal);
    if (rc == SQLITE_OK && mark)
        rc = journal_put_mark(journal);
    if (rc == SQLITE_OK && all)
        rc = store_done(journal->store.row[W_COMMIT]);
    if (rc == SQLITE_OK && all) {
        if (mark)
            journal_marked(journal);
        sealer->most_rows = 0;
        reserve_after_commit(journal);
        return SQLITE_OK;
    }
    if (!sqlite3_get_autocommit(journal->store.db))
        store_done(journal->store.row[W_ROLLBACK]);
    if (rc == SQLITE_OK) {
        say(SAY_ERROR, "journal",
            "More or fewer rows would have gone than were sealed, so nothing is sealed: scans stay "
            "as they are, and take more space. Report this with a support file.");
        sealer->is_off = true;
    }
    return rc;
}

static int step(struct journal *journal, bool *more)
{
    struct sealer *sealer = journal->sealer;
    switch (sealer->state) {
    case SEAL_COUNTING:
        return count(journal, more);
    case SEAL_PACKING:
        return pack(journal, more);
    default: {
        const int rc = store_range(journal);
        *more = rc == SQLITE_OK;
        sealer->run = 0; /* the next range */
        return rc;
    }
    }
}

enum up_rc journal_seal(struct journal *journal, bool *more, struct up_error *error)
{
    *more = false;
    if (!sealer_prepare(journal))
        return UP_FAIL(error, UP_E_MEMORY, "no memory to seal older scans");
    struct sealer *sealer = journal->sealer;
    if (journal->poisoned || journal->run == 0 || sealer->is_off || journal_has_moved(journal))
        return UP_OK; /* what is to be said of it the next append says */
    if (sealer->wait > 0) {
        sealer->wait--;
        return UP_OK;
    }
    int rc = sealer->run == journal->run ? SQLITE_OK : begin_counting(journal);
    if (rc == SQLITE_OK)
        rc = step(journal, more);
    if (rc == SQLITE_OK)
        return UP_OK;
    sealer->run = 0;
    *more = false;
    if ((rc & 0xFF) == SQLITE_FULL) {
        sealer->wait = WAIT_CALLS; /* the append that needs the space says so */
        return UP_OK;
    }
    return journal_poison(journal, rc, "seal older scans", error);
}
