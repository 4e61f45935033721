/* SPDX-License-Identifier: Apache-2.0
 *
 * day_words.c - what people are told: events and ledger rows, as the journal holds them.
 */
#include "day_inside.h"

#include "check.h"

#include <sqlite3.h>
#include <stdlib.h>

size_t day_count_events(struct day *day, const char *kind, char text[GAP_CAUSE_MAX])
{
    char path[sizeof day->directory + 32];
    sqlite3 *database = NULL;
    sqlite3_stmt *query = NULL;
    size_t n = 0;
    core_flush(day->core);
    snprintf(path, sizeof path, "%s/" JOURNAL_FILE, day->directory);
    assert_int_equal(sqlite3_open_v2(path, &database, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(database,
                                        "SELECT text FROM event WHERE kind = ? ORDER BY pos", -1,
                                        &query, NULL),
                     SQLITE_OK);
    sqlite3_bind_text(query, 1, kind, -1, SQLITE_STATIC);
    for (; sqlite3_step(query) == SQLITE_ROW; n++)
        if (text != NULL)
            snprintf(text, GAP_CAUSE_MAX, "%s", (const char *)sqlite3_column_text(query, 0));
    sqlite3_finalize(query);
    sqlite3_close(database);
    return n;
}

struct gap day_newest_gap(struct day *day, uint8_t kind)
{
    const size_t room = 4096;
    struct gap *rows = calloc(room, sizeof *rows);
    const size_t n = day_ledger(day, rows, room);
    const struct gap *newest = NULL;
    for (size_t i = 0; i < n; i++)
        if (rows[i].kind == kind &&
            (newest == NULL || rows[i].start.boot_ms >= newest->start.boot_ms))
            newest = &rows[i];
    if (newest == NULL)
        fail_msg("no row of kind %s", gap_kind_name(kind));
    const struct gap found = *newest;
    free(rows);
    return found;
}
