/* SPDX-License-Identifier: Apache-2.0
 *
 * view.c - the walk over rows and blocks. See view.h.
 *
 * A step: in one read transaction the next sealed range is looked up, its blocks are unpacked where
 * they aren't yet, and a slice of rows is copied; then, outside of it, rows and blocks are merged
 * by pos up to where both are known. Rows may stand among blocks: what was found damaged is never
 * sealed.
 */
#include "view_inside.h"

#include <stdlib.h>
#include <string.h>

static const char *const VIEW_SQL[V_ALL] = {
    [V_ROWS] = "SELECT " SCAN_SELECT_COLUMNS " FROM scan s LEFT JOIN run r ON r.id = s.run"
               " WHERE s.pos > ?1 AND s.pos <= ?2 ORDER BY s.pos LIMIT ?3",
    [V_ROWS_BACK] = "SELECT " SCAN_SELECT_COLUMNS " FROM scan s LEFT JOIN run r ON r.id = s.run"
                    " WHERE s.pos > ?1 AND s.pos <= ?2 ORDER BY s.pos DESC LIMIT ?3",
    [V_ROW_ENDS] = "SELECT (SELECT min(pos) FROM scan), (SELECT max(pos) FROM scan)",
    [V_RANGE] = "SELECT pos_from, pos_to FROM block INDEXED BY block_of_pos WHERE pos_to > ?1"
                " ORDER BY pos_to LIMIT 1",
    [V_RANGE_OF] = "SELECT pos_from, pos_to FROM block INDEXED BY block_of_well WHERE well = ?2 AND"
                   " pos_to > ?1 ORDER BY pos_to LIMIT 1",
    [V_RANGE_BACK] = "SELECT pos_from, pos_to FROM block INDEXED BY block_of_pos WHERE pos_to <= ?1"
                     " ORDER BY pos_to DESC LIMIT 1",
    [V_RANGE_BACK_OF] = "SELECT pos_from, pos_to FROM block INDEXED BY block_of_well WHERE"
                        " well = ?2 AND pos_to <= ?1 ORDER BY pos_to DESC LIMIT 1",
    [V_BLOCKS] = "SELECT number FROM block INDEXED BY block_of_pos WHERE pos_to = ?1 AND (?2 = 0 OR"
                 " well = ?2) AND (?3 = 0 OR source = ?3)",
    [V_BLOCK] = "SELECT number, pos_from, pos_to, well, source, head, before, digest, data FROM"
                " block WHERE number = ?1",
    [V_BLOCK_ENDS] = "SELECT (SELECT min(pos_from) FROM block), (SELECT max(pos_to) FROM block)",
};

enum up_rc view_open(struct store *store, struct scan_view **out, struct up_error *error)
{
    struct scan_view *view = calloc(1, sizeof *view);
    int rc = view == NULL ? SQLITE_NOMEM : SQLITE_OK;
    if (view != NULL) {
        view->store = store;
        view->packer = sealed_packer_create(false);
        rc = view->packer == NULL ? SQLITE_NOMEM : SQLITE_OK;
        view->has_blocks = store->version >= 2;
    }
    for (size_t i = 0; i < V_ALL && rc == SQLITE_OK; i++)
        if (view->has_blocks || i < V_OF_ROWS)
            rc = sqlite3_prepare_v3(store->db, VIEW_SQL[i], -1, SQLITE_PREPARE_PERSISTENT,
                                    &view->row[i], NULL);
    *out = view;
    if (rc == SQLITE_OK)
        return UP_OK;
    const enum up_rc failed = store_fail(store, rc, "be read as a journal", error);
    view_close(view);
    *out = NULL;
    return failed;
}

void view_close(struct scan_view *view)
{
    if (view == NULL)
        return;
    for (size_t i = 0; i < V_ALL; i++)
        sqlite3_finalize(view->row[i]);
    for (size_t i = 0; i < view->n_kept; i++)
        free(view->kept[i].table);
    sealed_packer_destroy(view->packer);
    free(view);
}

bool view_take_damage(struct scan_view *view, struct journal_damage *damage)
{
    if (view->n_damages == 0)
        return false;
    *damage = view->damage[--view->n_damages];
    return true;
}

void view_note_damage(struct scan_view *view, uint8_t kind, uint64_t number)
{
    for (size_t i = 0; i < view->n_damages; i++)
        if (view->damage[i].kind == kind && view->damage[i].number == number)
            return;
    if (view->n_damages < VIEW_DAMAGES_MAX) /* else the next reading finds it again */
        view->damage[view->n_damages++] = (struct journal_damage){.kind = kind, .number = number};
}

int view_end(sqlite3_stmt *row, int rc)
{
    sqlite3_reset(row);
    sqlite3_clear_bindings(row);
    return rc == SQLITE_DONE || rc == SQLITE_ROW ? SQLITE_OK : rc;
}

/* ---- where blocks stand ---- */

static int find_range(struct scan_view *view, enum view_row which, uint64_t pos, uint16_t well,
                      struct sealed_range *range)
{
    sqlite3_stmt *row = view->row[which];
    bind_u64(row, 1, pos);
    if (well != 0)
        sqlite3_bind_int(row, 2, well);
    const int rc = sqlite3_step(row);
    *range = (struct sealed_range){0};
    if (rc == SQLITE_ROW)
        *range = (struct sealed_range){column_u64(row, 0), column_u64(row, 1)};
    return view_end(row, rc);
}

/** The sealed range that holds the first pos above `at`, or comes first behind it; pos_to 0: none.
 */
static int next_range(struct scan_view *view, uint64_t at, uint16_t well,
                      struct sealed_range *range)
{
    *range = (struct sealed_range){0};
    return view->has_blocks ? find_range(view, well != 0 ? V_RANGE_OF : V_RANGE, at, well, range)
                            : SQLITE_OK;
}

/** The sealed range that holds `at`, or comes last before it. */
static int range_before(struct scan_view *view, uint64_t at, uint16_t well,
                        struct sealed_range *range)
{
    int rc = next_range(view, at - 1, well, range);
    if (rc == SQLITE_OK && view->has_blocks && (range->pos_to == 0 || range->pos_from > at))
        rc = find_range(view, well != 0 ? V_RANGE_BACK_OF : V_RANGE_BACK, at - 1, well, range);
    return rc;
}

/* ---- rows ---- */

/** Copies rows in (after, up_to] from the near end, at most a slice. *limit: up to where (down to
 * where) all are known. */
static int load_rows(struct scan_view *view, const struct view_want *want, uint64_t after,
                     uint64_t up_to, bool back, uint64_t *limit)
{
    sqlite3_stmt *row = view->row[back ? V_ROWS_BACK : V_ROWS];
    const size_t room = want->about > 0 && want->about < VIEW_BUFFER ? want->about : VIEW_BUFFER;
    size_t seen = 0;
    int rc = SQLITE_DONE;
    bind_u64(row, 1, after);
    bind_u64(row, 2, up_to);
    sqlite3_bind_int(row, 3, SLICE_ROWS);
    view->n_rows = 0;
    *limit = back ? after : up_to;
    while ((rc = sqlite3_step(row)) == SQLITE_ROW) {
        seen++;
        const bool wanted = (want->well == 0 || sqlite3_column_int(row, 2) == want->well) &&
                            (want->source == 0 || sqlite3_column_int(row, 3) == want->source);
        if (wanted) {
            struct scan *scan = &view->rows[view->n_rows];
            const bool holds = scan_from_row(row, scan);
            const bool has_run = sqlite3_column_type(row, 15) != SQLITE_NULL;
            if (!holds) {
                view_note_damage(view, DAMAGE_ROW, scan->pos);
                scan->n_blocks = 0; /* what it says was read is not to be believed */
            }
            view->holds[view->n_rows] = holds;
            if (want->damaged || (holds && has_run))
                view->n_rows++;
        }
        if (view->n_rows == room || seen == SLICE_ROWS) {
            *limit = back ? column_u64(row, 0) - 1 : column_u64(row, 0);
            break;
        }
    }
    return view_end(row, rc);
}

/* ---- steps ---- */

/** One read transaction: the sealed range, its blocks, a slice of rows. (*low, *high] is what is
 * known by it. */
static int load_step(struct scan_view *view, const struct view_want *want, uint64_t *low,
                     uint64_t *high, bool back)
{
    struct sealed_range range;
    uint64_t limit = 0;
    int rc = store_run(view->store, "BEGIN");
    if (rc != SQLITE_OK)
        return rc;
    rc = back ? range_before(view, *high, want->well, &range)
              : next_range(view, *low, want->well, &range);
    const bool is_far = range.pos_to == 0 || (back ? range.pos_to <= *low : range.pos_from > *high);
    view->range_to = 0;
    if (rc == SQLITE_OK && !is_far) {
        /* Within the range, or the rows between here and it. */
        if (back && range.pos_to < *high)
            *low = range.pos_to;
        else if (!back && range.pos_from > *low + 1)
            *high = range.pos_from - 1;
        else {
            if (back)
                *low = range.pos_from - 1 > *low ? range.pos_from - 1 : *low;
            else
                *high = range.pos_to < *high ? range.pos_to : *high;
            view->range_to = range.pos_to;
            rc = view_load_blocks(view, range.pos_to, want);
        }
    }
    if (rc == SQLITE_OK)
        rc = load_rows(view, want, *low, *high, back, &limit);
    if (rc == SQLITE_OK && back)
        *low = limit;
    else if (rc == SQLITE_OK)
        *high = limit;
    return store_end_read(view->store, rc);
}

/** First row of a table whose pos is above `after`. */
static size_t row_above(const struct sealed_table *table, uint64_t after)
{
    size_t low = 0, high = table->n;
    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        if (sealed_table_get(table, FIELD_POS, middle) > after)
            high = middle;
        else
            low = middle + 1;
    }
    return low;
}

/** Makes the streams of the range under way stand at their first row of (low, high], or their last
 * where the walk goes back. */
static void begin_streams(struct scan_view *view, const struct view_want *want, uint64_t low,
                          uint64_t high, bool back)
{
    view->n_streams = 0;
    for (size_t i = 0; i < view->n_kept && view->range_to != 0; i++) {
        const struct kept_block *kept = &view->kept[i];
        if (kept->pos_to != view->range_to || kept->is_done ||
            (want->well != 0 && kept->well != want->well) ||
            (want->source != 0 && kept->source != want->source))
            continue;
        struct stream_of_block *stream = &view->streams[view->n_streams];
        const size_t from = row_above(kept->table, low), to = row_above(kept->table, high);
        if (from == to)
            continue;
        *stream =
            (struct stream_of_block){.block = kept, .row = back ? to - 1 : from, .left = to - from};
        stream->pos = sealed_table_get(kept->table, FIELD_POS, stream->row);
        view->n_streams++;
    }
}

static struct stream_of_block *nearest_stream(struct scan_view *view, bool back)
{
    struct stream_of_block *nearest = NULL;
    for (size_t i = 0; i < view->n_streams; i++) {
        struct stream_of_block *stream = &view->streams[i];
        if (stream->left > 0 &&
            (nearest == NULL || (back ? stream->pos > nearest->pos : stream->pos < nearest->pos)))
            nearest = stream;
    }
    return nearest;
}

static void next_of_stream(struct stream_of_block *stream, bool back)
{
    stream->left--;
    if (stream->left == 0)
        return;
    stream->row = back ? stream->row - 1 : stream->row + 1;
    stream->pos = sealed_table_get(stream->block->table, FIELD_POS, stream->row);
}

/** Hands on what is known of (low, high]; false where the visitor has enough. */
static bool merge(struct scan_view *view, const struct view_want *want, uint64_t low, uint64_t high,
                  bool back, view_visit visit, void *context)
{
    size_t row = 0;
    begin_streams(view, want, low, high, back);
    for (;;) {
        struct stream_of_block *stream = nearest_stream(view, back);
        const struct scan *next = row < view->n_rows ? &view->rows[row] : NULL;
        if (stream == NULL && next == NULL)
            return true;
        if (stream == NULL ||
            (next != NULL && (back ? next->pos >= stream->pos : next->pos <= stream->pos))) {
            if (stream != NULL && next->pos == stream->pos)
                next_of_stream(stream, back); /* the same scan twice: the row stands for both */
            row++;
            if (!visit(context, next, view->holds[row - 1]))
                return false;
            continue;
        }
        struct scan *scan = &view->unpacked;
        sealed_table_scan(stream->block->table, stream->row, !want->heads, scan);
        scan->well = stream->block->well;
        scan->source = stream->block->source;
        next_of_stream(stream, back);
        if (!visit(context, scan, true))
            return false;
    }
}

static enum up_rc walk(struct scan_view *view, const struct view_want *want, bool back,
                       view_visit visit, void *context, struct up_error *error)
{
    const uint64_t end = want->up_to < INT64_MAX ? want->up_to : INT64_MAX;
    uint64_t low = want->after, high = end;
    bool more = true;
    while (more && low < high) { /* bounded: each step moves the near end */
        const uint64_t from = low, to = high;
        const int rc = load_step(view, want, &low, &high, back);
        if (rc != SQLITE_OK)
            return store_fail(view->store, rc, "be read", error);
        more = merge(view, want, low, high, back, visit, context);
        if (back) {
            high = low;
            low = from;
        } else {
            low = high;
            high = to;
        }
    }
    return UP_OK;
}

enum up_rc view_forward(struct scan_view *view, const struct view_want *want, view_visit visit,
                        void *context, struct up_error *error)
{
    const enum up_rc rc = walk(view, want, false, visit, context, error);
    view->visit_head = NULL;
    for (size_t i = 0; i < view->n_kept; i++)
        if (view->kept[i].is_done)
            view->kept[i].number = view->kept[i].pos_to = 0;
    return rc;
}

enum up_rc view_backward(struct scan_view *view, const struct view_want *want, view_visit visit,
                         void *context, struct up_error *error)
{
    view->visit_head = NULL;
    return walk(view, want, true, visit, context, error);
}

void view_set_heads(struct scan_view *view, view_visit_head visit, void *context)
{
    view->visit_head = visit;
    view->head_context = context;
}

static bool take_first(void *context, const struct scan *scan, bool holds)
{
    *(struct scan *)context = *scan;
    (void)holds;
    return false;
}

enum up_rc view_newest(struct scan_view *view, const struct view_want *want, struct scan *scan,
                       struct up_error *error)
{
    struct view_want one = *want;
    one.about = 1;
    one.heads = true;
    scan->pos = 0;
    return view_backward(view, &one, take_first, scan, error);
}

static int add_ends(sqlite3_stmt *row, uint64_t *oldest, uint64_t *newest)
{
    const int rc = sqlite3_step(row);
    if (rc == SQLITE_ROW && sqlite3_column_type(row, 0) != SQLITE_NULL) {
        const uint64_t from = column_u64(row, 0), to = column_u64(row, 1);
        *oldest = *oldest == 0 || from < *oldest ? from : *oldest;
        *newest = to > *newest ? to : *newest;
    }
    return view_end(row, rc);
}

enum up_rc view_ends(struct scan_view *view, uint64_t *oldest, uint64_t *newest,
                     struct up_error *error)
{
    *oldest = *newest = 0;
    int rc = add_ends(view->row[V_ROW_ENDS], oldest, newest);
    if (rc == SQLITE_OK && view->has_blocks)
        rc = add_ends(view->row[V_BLOCK_ENDS], oldest, newest);
    return rc == SQLITE_OK ? UP_OK : store_fail(view->store, rc, "be read", error);
}
