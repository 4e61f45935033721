/* SPDX-License-Identifier: Apache-2.0
 *
 * view_blocks.c - sealed blocks for the walk: proven, unpacked, and kept while it is within their
 * range.
 */
#include "view_inside.h"

#include <stdlib.h>
#include <string.h>

bool view_block_of_row(sqlite3_stmt *row, struct view_block *block)
{
    block->number = column_u64(row, 0);
    block->pos_from = column_u64(row, 1);
    block->pos_to = column_u64(row, 2);
    block->well = (uint16_t)sqlite3_column_int(row, 3);
    block->source = (uint8_t)sqlite3_column_int(row, 4);
    const uint8_t *head = sqlite3_column_blob(row, 5);
    block->head_holds = sealed_head_read(head, (size_t)sqlite3_column_bytes(row, 5), &block->head);
    const uint8_t *before = sqlite3_column_blob(row, 6), *own = sqlite3_column_blob(row, 7);
    const bool has_digests = before != NULL && own != NULL &&
                             sqlite3_column_bytes(row, 6) == SEALED_DIGEST_BYTES &&
                             sqlite3_column_bytes(row, 7) == SEALED_DIGEST_BYTES;
    memset(block->before, 0, sizeof block->before);
    memset(block->digest, 0, sizeof block->digest);
    if (has_digests) {
        memcpy(block->before, before, sizeof block->before);
        memcpy(block->digest, own, sizeof block->digest);
    }
    block->data = sqlite3_column_blob(row, 8);
    block->length = (size_t)sqlite3_column_bytes(row, 8);
    if (!has_digests || !block->head_holds || block->data == NULL ||
        block->head.number != block->number || block->head.pos_from != block->pos_from ||
        block->head.pos_to != block->pos_to || block->head.well != block->well ||
        block->head.source != block->source)
        return false;
    return sealed_digest_holds(block->before, head, block->data, block->length, block->digest);
}

static struct kept_block *find_kept(struct scan_view *view, uint64_t number)
{
    for (size_t i = 0; i < view->n_kept; i++)
        if (view->kept[i].number == number)
            return &view->kept[i];
    return NULL;
}

/** May make room for a block of `well`: what is of another range, and will not be asked for again.
 * Walks of several wells take turns, and none of them is done with its range when another one is; a
 * walk over all wells is done with a range when it is. */
static bool may_go(const struct kept_block *kept, uint64_t pos_to, uint16_t well,
                   const struct view_want *want)
{
    return kept->pos_to != pos_to && (kept->pos_to == 0 || want->well == 0 || kept->well == well);
}

/** The one of a range under way elsewhere whose walk stands still the longest. */
static struct kept_block *oldest_of_others(struct scan_view *view, uint64_t pos_to)
{
    struct kept_block *oldest = NULL;
    for (size_t i = 0; i < view->n_kept; i++)
        if (view->kept[i].pos_to != pos_to && (oldest == NULL || view->kept[i].used < oldest->used))
            oldest = &view->kept[i];
    return oldest;
}

/** A place for a block of the range under way: that of one of another range, or a new one. */
static struct kept_block *place_for(struct scan_view *view, uint64_t pos_to, uint16_t well,
                                    const struct view_want *want, size_t bytes)
{
    struct kept_block *place = NULL;
    for (size_t i = 0; i < view->n_kept; i++)
        if (may_go(&view->kept[i], pos_to, well, want) &&
            (place == NULL || view->kept[i].bytes >= bytes))
            place = &view->kept[i];
    if (place == NULL && view->n_kept == VIEW_BLOCKS_MAX)
        place = oldest_of_others(view, pos_to);
    if (place == NULL && view->n_kept == VIEW_BLOCKS_MAX)
        return NULL;
    if (place == NULL)
        place = &view->kept[view->n_kept++];
    if (place->bytes < bytes) {
        free(place->table);
        place->table = malloc(bytes);
        place->bytes = place->table == NULL ? 0 : bytes;
    }
    place->number = 0;
    place->pos_to = 0;
    place->is_done = false;
    return place->table == NULL && bytes > 0 ? NULL : place;
}

/** Unpacks a block. SQLITE_OK also where it is damaged and stepped over. */
static int keep_block(struct scan_view *view, sqlite3_stmt *row, const struct view_want *want)
{
    struct view_block block;
    if (!view_block_of_row(row, &block)) {
        view_note_damage(view, DAMAGE_BLOCK, block.number);
        return SQLITE_OK;
    }
    const bool is_done = view->visit_head != NULL && block.head.first_pos > want->after &&
                         block.head.last_pos <= want->up_to &&
                         view->visit_head(view->head_context, &block.head);
    struct kept_block *place = place_for(view, block.pos_to, block.well, want,
                                         is_done ? 0 : sealed_table_bytes(&block.head));
    if (place == NULL)
        return SQLITE_NOMEM;
    place->is_done = is_done;
    view->n_unpacked += is_done ? 0 : 1;
    if (!is_done &&
        !sealed_unpack(view->packer, &block.head, block.data, block.length, place->table)) {
        view_note_damage(view, DAMAGE_BLOCK, block.number);
        return SQLITE_OK;
    }
    place->number = block.number;
    place->used = ++view->n_used;
    place->pos_to = block.pos_to;
    place->well = block.well;
    place->source = block.source;
    return SQLITE_OK;
}

/** Reads a block unless it is kept. Pages of it that can't be read damage it alone. */
static int load_block(struct scan_view *view, uint64_t number, const struct view_want *want)
{
    sqlite3_stmt *row = view->row[V_BLOCK];
    struct kept_block *kept = find_kept(view, number);
    if (kept != NULL) {
        kept->used = ++view->n_used;
        return SQLITE_OK;
    }
    bind_u64(row, 1, number);
    int rc = sqlite3_step(row);
    if (rc == SQLITE_ROW)
        rc = keep_block(view, row, want);
    rc = view_end(row, rc);
    if (!store_is_damage(rc))
        return rc;
    view_note_damage(view, DAMAGE_BLOCK, number);
    return SQLITE_OK;
}

int view_load_blocks(struct scan_view *view, uint64_t pos_to, const struct view_want *want)
{
    sqlite3_stmt *row = view->row[V_BLOCKS];
    int rc = SQLITE_OK;
    bind_u64(row, 1, pos_to);
    sqlite3_bind_int(row, 2, want->well);
    sqlite3_bind_int(row, 3, want->source);
    while (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW)
        rc = load_block(view, column_u64(row, 0), want);
    return view_end(row, rc);
}
