/* SPDX-License-Identifier: Apache-2.0
 *
 * chain.c - sealed blocks one by one: the chain of their digests, and what is damaged.
 *
 * Damage is bounded by what still holds: a block's head has a check of its own, and where that
 * fails too, numbers and ranges of its neighbours say where it stood.
 */
#include "chain.h"

#include <stdlib.h>
#include <string.h>

#define BLOCK_COLUMNS "number, pos_from, pos_to, well, source, head, before, digest"

int chain_read(struct store *store, struct journal_chain *chain)
{
    static const char ENDS[] = "SELECT (SELECT min(number) FROM block), (SELECT max(number) FROM "
                               "block), (SELECT before FROM block ORDER BY number LIMIT 1)";
    static const char NEWEST[] = "SELECT number, digest, pos FROM chain WHERE id = 1";
    sqlite3_stmt *row = NULL;
    memset(chain, 0, sizeof *chain);
    if (store->version < 2)
        return SQLITE_OK;
    int rc = sqlite3_prepare_v2(store->db, ENDS, -1, &row, NULL);
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        chain->first = column_u64(row, 0);
        chain->newest = column_u64(row, 1);
        if (sqlite3_column_bytes(row, 2) == JOURNAL_DIGEST_BYTES)
            memcpy(chain->anchor, sqlite3_column_blob(row, 2), JOURNAL_DIGEST_BYTES);
        rc = SQLITE_OK;
    }
    sqlite3_finalize(row);
    row = NULL;
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(store->db, NEWEST, -1, &row, NULL);
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        chain->sealed = column_u64(row, 0);
        chain->sealed_to = column_u64(row, 2);
        if (sqlite3_column_bytes(row, 1) == JOURNAL_DIGEST_BYTES)
            memcpy(chain->digest, sqlite3_column_blob(row, 1), JOURNAL_DIGEST_BYTES);
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

enum up_rc journal_read_chain(struct journal_reader *reader, struct journal_chain *out,
                              struct up_error *error)
{
    const int rc = chain_read(&reader->store, out);
    return rc == SQLITE_OK ? UP_OK : store_fail(&reader->store, rc, "be read", error);
}

static void describe(const struct view_block *block, struct journal_block *into)
{
    *into = (struct journal_block){.number = block->number,
                                   .pos_from = block->pos_from,
                                   .pos_to = block->pos_to,
                                   .head_holds = block->head_holds};
    memcpy(into->before, block->before, sizeof into->before);
    memcpy(into->digest, block->digest, sizeof into->digest);
    into->well = block->well;
    into->source = block->source;
    if (!block->head_holds)
        return;
    const struct sealed_head *head = &block->head;
    into->pos_from = head->pos_from;
    into->pos_to = head->pos_to;
    into->well = head->well;
    into->source = head->source;
    into->rows = head->rows;
    into->first_pos = head->first_pos;
    into->last_pos = head->last_pos;
    into->first_run = head->first_run;
    into->last_run = head->last_run;
    into->first_seq = head->first_seq;
    into->last_seq = head->last_seq;
    into->first = head->first;
    into->last = head->last;
}

/** What the chain says that the block holds, and what it does hold, as far as either can be read.
 */
static int read_contents(struct store *store, sqlite3_stmt *block_row,
                         const struct view_block *block, struct journal_block *into)
{
    static const char SQL[] = "SELECT content FROM link WHERE number = ?1";
    sqlite3_stmt *row = NULL;
    into->has_made = block->data != NULL && sqlite3_column_bytes(block_row, 5) == SEALED_HEAD_BYTES;
    if (into->has_made)
        sealed_content(sqlite3_column_blob(block_row, 5), block->data, block->length, into->made);
    into->has_content = false;
    if (store->version < 3)
        return SQLITE_OK;
    int rc = sqlite3_prepare_v2(store->db, SQL, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, block->number);
        rc = sqlite3_step(row);
    }
    into->has_content = rc == SQLITE_ROW && sqlite3_column_bytes(row, 0) == JOURNAL_DIGEST_BYTES;
    if (into->has_content)
        memcpy(into->content, sqlite3_column_blob(row, 0), JOURNAL_DIGEST_BYTES);
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE || store_is_damage(rc) ? SQLITE_OK : rc;
}

/** The next block by `sql`, into *block while `row` stands on it. SQLITE_ROW, SQLITE_DONE or what
 * went wrong. */
static int step_to_block(struct store *store, const char *sql, uint64_t after, sqlite3_stmt **row,
                         struct view_block *block, bool *sound)
{
    int rc = sqlite3_prepare_v2(store->db, sql, -1, row, NULL);
    if (rc == SQLITE_OK) {
        bind_u64(*row, 1, after);
        rc = sqlite3_step(*row);
    }
    if (rc == SQLITE_ROW)
        *sound = view_block_of_row(*row, block);
    return rc;
}

/* A block whose pages can't be read (SQLITE_CORRUPT) is as damaged as one whose bytes are wrong;
 * what stands in its first page may still be read. */
int chain_prove(struct store *store, struct sealed_packer *packer, struct sealed_table *table,
                uint64_t after, struct journal_block *into, bool *found)
{
    static const char WHOLE[] =
        "SELECT " BLOCK_COLUMNS ", data FROM block WHERE number > ?1 ORDER BY number LIMIT 1";
    static const char FRONT[] =
        "SELECT " BLOCK_COLUMNS ", NULL FROM block WHERE number > ?1 ORDER BY number LIMIT 1";
    struct view_block block = {0};
    sqlite3_stmt *row = NULL;
    bool sound = false;
    int rc = step_to_block(store, WHOLE, after, &row, &block, &sound);
    if (store_is_damage(rc)) {
        sqlite3_finalize(row);
        row = NULL;
        rc = step_to_block(store, FRONT, after, &row, &block, &sound);
    }
    *found = rc == SQLITE_ROW;
    if (rc == SQLITE_ROW) {
        describe(&block, into);
        const int read = read_contents(store, row, &block, into);
        into->holds = sound && sealed_unpack(packer, &block.head, block.data, block.length, table);
        rc = read == SQLITE_OK ? rc : read;
    }
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

enum up_rc journal_check_chain(struct journal_reader *reader, uint64_t after, size_t n,
                               struct journal_block *into, size_t *got, struct up_error *error)
{
    struct sealed_packer *packer = sealed_packer_create(false);
    struct sealed_table *table = malloc(sizeof *table);
    bool found = packer != NULL && table != NULL && reader->store.version >= 2;
    int rc = packer != NULL && table != NULL ? SQLITE_OK : SQLITE_NOMEM;
    *got = 0;
    while (rc == SQLITE_OK && found && *got < n) {
        rc = chain_prove(&reader->store, packer, table, after, &into[*got], &found);
        if (rc == SQLITE_OK && found)
            after = into[(*got)++].number;
    }
    sealed_packer_destroy(packer);
    free(table);
    return rc == SQLITE_OK ? UP_OK : store_fail(&reader->store, rc, "be read", error);
}
