/* SPDX-License-Identifier: Apache-2.0
 *
 * damage.c - what was found damaged, and what is known of it. Each thing is found once, kept until
 * a ledger row tells of it, and told once, whatever restarts lie between.
 *
 * Nothing is repaired and nothing thrown away: a damaged row or block stays as evidence. What it
 * held is bounded by its neighbours: the well's last scan before it and the first after it.
 */
#include "sealer.h"

#include <string.h>

static int note_one(struct journal *journal, const char *sql, uint8_t kind, uint64_t number)
{
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, sql, -1, &row, NULL);
    if (rc == SQLITE_OK) {
        sqlite3_bind_int(row, 1, kind);
        bind_u64(row, 2, number);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    return rc;
}

/* The places of destinations go first: of the two, damage without places may not be what a crash
 * leaves, or what was accepted before would be lost as well. Nobody hands on what lies behind
 * damage before it is noted (backlog.c), so these places were reached by sound scans. */
int damage_found(struct journal *journal, uint8_t kind, uint64_t number)
{
    static const char PLACES[] =
        "INSERT OR IGNORE INTO damage_accepted SELECT ?1, ?2, destination, well, seq FROM cursor "
        "WHERE stream = 1 AND NOT EXISTS(SELECT 1 FROM damage WHERE what = ?1 AND number = ?2)";
    int rc = note_one(journal, PLACES, kind, number);
    if (rc == SQLITE_OK)
        rc = note_one(journal, "INSERT OR IGNORE INTO damage VALUES(?1, ?2, 0)", kind, number);
    journal->all_told = false;
    return rc;
}

int damage_told(struct journal *journal, const struct journal_damage *damage, uint64_t pos)
{
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db,
                                "UPDATE damage SET pos = ?3 WHERE what = ?1 AND number = ?2", -1,
                                &row, NULL);
    if (rc == SQLITE_OK) {
        sqlite3_bind_int(row, 1, damage->kind);
        bind_u64(row, 2, damage->number);
        bind_u64(row, 3, pos);
        rc = store_done(row);
    }
    sqlite3_finalize(row);
    return rc;
}

static int prove_block(struct journal *journal, uint64_t number, struct journal_block *block,
                       bool *found)
{
    struct sealer *sealer = journal->sealer;
    return chain_prove(&journal->store, sealer->packer, sealer->table, number - 1, block, found);
}

/** A row as it stands; *found false: there is none of that pos. */
static int read_row(struct journal *journal, uint64_t pos, struct scan *scan, bool *found,
                    bool *holds)
{
    static const char SQL[] = "SELECT " SCAN_SELECT_COLUMNS
                              " FROM scan s LEFT JOIN run r ON r.id = s.run WHERE s.pos = ?1";
    sqlite3_stmt *row = NULL;
    int rc = sqlite3_prepare_v2(journal->store.db, SQL, -1, &row, NULL);
    *found = *holds = false;
    if (rc == SQLITE_OK) {
        bind_u64(row, 1, pos);
        rc = sqlite3_step(row);
        *found = rc == SQLITE_ROW;
    }
    if (*found)
        *holds = scan_from_row(row, scan) && sqlite3_column_type(row, 15) != SQLITE_NULL;
    sqlite3_finalize(row);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

enum up_rc journal_note_damage(struct journal *journal, uint8_t kind, uint64_t number,
                               struct up_error *error)
{
    struct journal_block block = {0};
    bool found = false, holds = true;
    int rc = SQLITE_OK;
    if (journal->poisoned || number == 0)
        return UP_OK; /* who found it finds it again */
    if (!sealer_prepare(journal))
        return UP_FAIL(error, UP_E_MEMORY, "no memory to look at damage");
    if (kind == DAMAGE_ROW) {
        rc = read_row(journal, number, &journal->scratch, &found, &holds);
    } else if (kind == DAMAGE_BLOCK) {
        rc = prove_block(journal, number, &block, &found);
        holds = block.holds;
        found = found && block.number == number;
    }
    if (rc == SQLITE_OK && found && !holds)
        rc = damage_found(journal, kind, number);
    return rc == SQLITE_OK ? UP_OK : journal_poison(journal, rc, "note damage", error);
}

enum up_rc journal_prove_next(struct journal *journal, struct up_error *error)
{
    struct journal_block block = {0};
    bool found = false;
    if (journal->poisoned)
        return UP_OK;
    if (!sealer_prepare(journal))
        return UP_FAIL(error, UP_E_MEMORY, "no memory to prove sealed blocks");
    int rc = prove_block(journal, journal->proven + 1, &block, &found);
    journal->proven = found ? block.number : 0;
    if (rc == SQLITE_OK && found && !block.holds)
        rc = damage_found(journal, DAMAGE_BLOCK, block.number);
    return rc == SQLITE_OK ? UP_OK : journal_poison(journal, rc, "prove a sealed block", error);
}

/* ---- what is known of it ---- */

static bool count_scans(void *context, const struct scan *scan, bool holds)
{
    (void)scan;
    (void)holds;
    ++*(uint64_t *)context;
    return true;
}

static bool take_scan(void *context, const struct scan *scan, bool holds)
{
    (void)holds;
    *(struct scan *)context = *scan;
    return false;
}

/** Bounds the damage by the well's scans before and after it. *missing: of the well's seqs between
 * these. */
static enum up_rc bound(struct journal *journal, struct journal_damage *damage, uint64_t *missing,
                        struct up_error *error)
{
    struct scan before = {0}, after = {0};
    uint64_t between = 0;
    struct scan_view *view = NULL;
    enum up_rc rc = view_open(&journal->store, &view, error);
    const struct view_want below = {.up_to = damage->pos_from - 1, .well = damage->well},
                           above = {.after = damage->pos_to,
                                    .up_to = INT64_MAX,
                                    .well = damage->well,
                                    .heads = true,
                                    .about = 1},
                           among = {.after = damage->pos_from - 1,
                                    .up_to = damage->pos_to,
                                    .well = damage->well,
                                    .heads = true};
    if (rc == UP_OK)
        rc = view_newest(view, &below, &before, error);
    if (rc == UP_OK)
        rc = view_forward(view, &above, take_scan, &after, error);
    if (rc == UP_OK)
        rc = view_forward(view, &among, count_scans, &between, error);
    view_close(view);
    if (rc != UP_OK)
        return rc;
    *missing = after.seq > before.seq + between + 1 ? after.seq - before.seq - 1 - between : 0;
    if (damage->scans == 0)
        damage->scans = (uint32_t)*missing;
    if (damage->before_seq == 0 && damage->after_seq == 0) {
        damage->before_seq = before.seq;
        damage->after_seq = after.seq;
        damage->run = before.run != 0 ? before.run : after.run;
    }
    if (damage->first.utc_ms == 0) {
        damage->first = before.pos != 0 ? before.begun : after.begun;
        damage->last = after.pos != 0 ? after.begun : before.begun;
    }
    return UP_OK;
}

static void know_block(const struct journal_block *block, struct journal_damage *damage)
{
    damage->pos_from = block->pos_from;
    damage->pos_to = block->pos_to;
    damage->well = block->well;
    damage->source = block->source < SOURCE_KINDS ? block->source : 0;
    if (!block->head_holds)
        return;
    damage->run = block->first_run;
    damage->before_seq = block->first_seq - 1;
    damage->after_seq = block->last_seq + 1;
    damage->first = block->first;
    damage->last = block->last;
    damage->scans = block->rows;
}

/** A damaged row is a scan, of whichever well has a hole in its seq there: the row's own word for
 * it may be what is damaged. */
static enum up_rc bound_row(struct journal *journal, struct journal_damage *damage,
                            struct up_error *error)
{
    const struct journal_damage blank = *damage;
    uint64_t missing = 0;
    enum up_rc rc = UP_OK;
    damage->scans = 1;
    if (damage->well != 0)
        rc = bound(journal, damage, &missing, error);
    for (uint16_t well = 1; rc == UP_OK && missing == 0; well++) {
        if (journal_find_well(journal, well) == NULL)
            break;
        struct journal_damage other = blank;
        other.well = well;
        other.scans = 1;
        rc = bound(journal, &other, &missing, error);
        if (missing > 0)
            *damage = other;
    }
    return rc;
}

static enum up_rc know(struct journal *journal, struct journal_damage *damage, bool *is_there,
                       struct up_error *error)
{
    struct journal_block block = {0};
    struct scan *scan = &journal->scratch;
    bool holds = false;
    int rc;
    if (damage->kind == DAMAGE_ROW) {
        rc = read_row(journal, damage->number, scan, is_there, &holds);
        damage->pos_from = damage->pos_to = damage->number;
        damage->well = *is_there ? scan->well : 0;
        damage->source = *is_there && scan->source < SOURCE_KINDS ? scan->source : 0;
    } else {
        rc = prove_block(journal, damage->number, &block, is_there);
        *is_there = *is_there && block.number == damage->number;
        know_block(&block, damage);
    }
    if (rc != SQLITE_OK)
        return store_fail(&journal->store, rc, "be read", error);
    if (journal_find_well(journal, damage->well) == NULL)
        damage->well = 0;
    uint64_t missing = 0;
    if (!*is_there || damage->pos_from == 0)
        return UP_OK;
    if (damage->kind == DAMAGE_ROW)
        return bound_row(journal, damage, error);
    return damage->well != 0 ? bound(journal, damage, &missing, error) : UP_OK;
}

bool journal_untold_damage(struct journal *journal, struct journal_damage *damage)
{
    sqlite3_stmt *row = NULL;
    struct up_error error = {0};
    bool is_there = false;
    *damage = (struct journal_damage){0};
    if (journal->all_told || journal->poisoned || !sealer_prepare(journal))
        return false;
    int rc = sqlite3_prepare_v2(
        journal->store.db, "SELECT what, number FROM damage WHERE pos = 0 LIMIT 1", -1, &row, NULL);
    if (rc == SQLITE_OK && (rc = sqlite3_step(row)) == SQLITE_ROW) {
        damage->kind = (uint8_t)sqlite3_column_int(row, 0);
        damage->number = column_u64(row, 1);
    }
    sqlite3_finalize(row);
    journal->all_told = rc == SQLITE_DONE;
    return rc == SQLITE_ROW && know(journal, damage, &is_there, &error) == UP_OK;
}
