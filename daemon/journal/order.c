/* SPDX-License-Identifier: Apache-2.0
 *
 * order.c - orders as rows, and what the writer asks of them; and the one rule by which a row gets
 * another time.
 *
 * `range` is text of fixed shape, so that a person can read it in the file. It ends in a CRC-32
 * over all that the row says: a row that fails it is never obeyed.
 */
#include "store.h"

#include "uphole/wire.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>

#define TIMES_TOLERANCE_MS 1000 /* a label nearer than this to the corrected time stays */

bool order_corrects(const struct row_order *order, const struct scan *scan, struct stamp *at)
{
    if (order->kind != ORDER_TIMES || scan->pos < order->from || scan->pos > order->to ||
        scan->begun.boot != order->set.boot)
        return false;
    struct stamp corrected = scan->begun;
    corrected.utc_ms = order->set.utc_ms - (order->set.boot_ms - scan->begun.boot_ms);
    corrected.clock = order->set.clock;
    const bool off = llabs(corrected.utc_ms - scan->begun.utc_ms) > TIMES_TOLERANCE_MS;
    if (scan->begun.clock != CLOCK_STATE_NEVER_SET &&
        (scan->begun.clock != CLOCK_STATE_UNSYNCHRONISED || !off))
        return false;
    *at = corrected;
    return true;
}

const struct row_order *row_view_maker(const struct row_view *view, const struct scan *scan,
                                       struct stamp *at)
{
    const struct row_order *times = view->times.pos != 0 ? &view->times : NULL;
    const struct row_order *maker = view->recalculated.pos != 0 ? &view->recalculated : NULL;
    *at = scan->begun;
    if (times != NULL && order_corrects(times, scan, at) &&
        (maker == NULL || times->pos > maker->pos))
        maker = times;
    return maker;
}

static uint32_t order_check(const struct row_order *order, const char *range, size_t length)
{
    uint8_t head[17];
    put_u64(head, order->pos);
    put_u32(head + 8, order->revision);
    head[12] = order->kind;
    put_u32(head + 13, order->plan);
    uint32_t check = crc32_of(0, head, order->kind == ORDER_RECALCULATE ? 17 : 13);
    check = crc32_of(check, range, length);
    check = crc32_of(check, order->reason, strlen(order->reason) + 1);
    return crc32_of(check, order->by, strlen(order->by));
}

void order_bind(sqlite3_stmt *row, const struct row_order *order,
                char range[static ORDER_RANGE_MAX])
{
    const int length =
        snprintf(range, ORDER_RANGE_MAX,
                 "destination=%s well=%u rows=%" PRIu64 "..%" PRIu64 " seqs=%" PRIu64 "..%" PRIu64
                 " times=%" PRIu64 " boot=%" PRIx32 " set=%" PRId64 "/%" PRId64 "/%u",
                 order->destination[0] != '\0' ? order->destination : "*", order->well, order->from,
                 order->to, order->from_seq, order->to_seq, order->as_of, order->set.boot,
                 order->set.utc_ms, order->set.boot_ms, order->set.clock);
    snprintf(range + length, ORDER_RANGE_MAX - (size_t)length, " check=%08" PRIx32,
             order_check(order, range, (size_t)length));
    bind_u64(row, 1, order->pos);
    sqlite3_bind_int(row, 2, order->kind);
    bind_text(row, 3, range);
    bind_u64(row, 4, order->revision);
    bind_text(row, 5, order->reason);
    bind_text(row, 6, order->by);
    if (order->kind == ORDER_RECALCULATE)
        bind_u64(row, 7, order->plan);
}

bool order_from_row(sqlite3_stmt *row, struct row_order *order)
{
    char range[ORDER_RANGE_MAX];
    unsigned well = 0, clock = 0;
    uint32_t check = 0;
    *order = (struct row_order){.pos = column_u64(row, 0),
                                .kind = (uint8_t)sqlite3_column_int(row, 1),
                                .revision = (uint32_t)column_u64(row, 3),
                                .plan = (uint32_t)column_u64(row, 6)};
    column_text(row, 2, range, sizeof range);
    column_text(row, 4, order->reason, sizeof order->reason);
    column_text(row, 5, order->by, sizeof order->by);
    char *end = strstr(range, " check=");
    if (end == NULL || sscanf(end, " check=%8" SCNx32, &check) != 1 ||
        check != order_check(order, range, (size_t)(end - range)))
        return false;
    const int n = sscanf(
        range,
        "destination=%32s well=%u rows=%" SCNu64 "..%" SCNu64 " seqs=%" SCNu64 "..%" SCNu64
        " times=%" SCNu64 " boot=%" SCNx32 " set=%" SCNd64 "/%" SCNd64 "/%u",
        order->destination, &well, &order->from, &order->to, &order->from_seq, &order->to_seq,
        &order->as_of, &order->set.boot, &order->set.utc_ms, &order->set.boot_ms, &clock);
    if (strcmp(order->destination, "*") == 0)
        order->destination[0] = '\0';
    order->well = (uint16_t)well;
    order->set.clock = (uint8_t)clock;
    return n == 11 && order->kind >= ORDER_RESEND && order->kind <= ORDER_RECALCULATE;
}

/* ---- what the writer's side asks; by statements of the moment, since orders are rare ---- */

static bool concerns(const struct row_order *order, const char *destination, uint16_t well)
{
    return order->from <= order->to && (order->well == 0 || order->well == well) &&
           (order->destination[0] == '\0' || strcmp(order->destination, destination) == 0);
}

enum up_rc journal_next_order(struct journal *journal, uint64_t after, const char *destination,
                              uint16_t well, struct row_order *out, struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    bool found = false;
    int rc =
        sqlite3_prepare_v2(journal->store.db,
                           "SELECT " ORDER_SELECT_COLUMNS " FROM \"order\" WHERE pos > ?1 ORDER BY "
                           "pos",
                           -1, &row, NULL);
    if (rc == SQLITE_OK)
        bind_u64(row, 1, after);
    while (rc == SQLITE_OK && !found && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        found = order_from_row(row, out) && concerns(out, destination, well);
        rc = SQLITE_OK;
    }
    sqlite3_finalize(row);
    if (!found)
        *out = (struct row_order){0};
    return rc == SQLITE_OK || rc == SQLITE_DONE ? UP_OK
                                                : store_fail(&journal->store, rc, "be read", error);
}

enum up_rc journal_newest_times(struct journal *journal, struct row_order *out,
                                struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    *out = (struct row_order){0};
    int rc = sqlite3_prepare_v2(journal->store.db,
                                "SELECT " ORDER_SELECT_COLUMNS
                                " FROM \"order\" WHERE kind = 2 ORDER BY pos DESC LIMIT 1",
                                -1, &row, NULL);
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW && !order_from_row(row, out))
        *out = (struct row_order){0};
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE
               ? UP_OK
               : store_fail(&journal->store, rc, "be read", error);
}

void journal_draw_revisions(struct journal *journal)
{
    journal->draws_revisions = true;
}

/** What a new revision is above 1, or above one more than the newest. */
static uint32_t drawn_step(const struct journal *journal)
{
    uint16_t drawn = 0;
    if (!journal->draws_revisions || getrandom(&drawn, sizeof drawn, 0) != (ssize_t)sizeof drawn)
        return 0;
    return drawn;
}

/* Orders made in one commit can't see each other: whoever makes one that revises rows sees to it
 * that it rides alone. */
enum up_rc journal_next_revision(struct journal *journal, uint16_t well, uint64_t from, uint64_t to,
                                 uint32_t *revision, struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    struct row_order order;
    *revision = 1;
    int rc = sqlite3_prepare_v2(journal->store.db,
                                "SELECT " ORDER_SELECT_COLUMNS
                                " FROM \"order\" WHERE kind IN (2, 3) AND pos > ?1",
                                -1, &row, NULL);
    if (rc == SQLITE_OK)
        bind_u64(row, 1, from);
    while (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        if (order_from_row(row, &order) && order.from <= to && order.to >= from &&
            order.from <= order.to && (order.well == 0 || well == 0 || order.well == well) &&
            order.revision >= *revision)
            *revision = order.revision + 1;
        rc = SQLITE_OK;
    }
    sqlite3_finalize(row);
    const uint32_t step = drawn_step(journal);
    *revision += *revision <= UINT32_MAX - REVISION_STEP_MAX ? step : 0;
    return rc == SQLITE_OK || rc == SQLITE_DONE ? UP_OK
                                                : store_fail(&journal->store, rc, "be read", error);
}

enum up_rc journal_boot_begins(struct journal *journal, struct boot_begin *out,
                               struct up_error *error)
{
    sqlite3_stmt *row = NULL;
    *out = (struct boot_begin){0};
    int rc = sqlite3_prepare_v2(
        journal->store.db,
        "SELECT pos, id, began_clock FROM run WHERE boot = ?1 ORDER BY pos LIMIT 1", -1, &row,
        NULL);
    if (rc == SQLITE_OK)
        bind_text(row, 1, journal->boot_id);
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW)
        *out = (struct boot_begin){.pos = column_u64(row, 0),
                                   .run = column_u64(row, 1),
                                   .clock = (uint8_t)sqlite3_column_int(row, 2)};
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE
               ? UP_OK
               : store_fail(&journal->store, rc, "be read", error);
}
