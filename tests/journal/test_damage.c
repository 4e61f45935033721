/* SPDX-License-Identifier: Apache-2.0
 *
 * test_damage.c - what is damaged is found, told once, and takes nothing else along; and the chain
 * that fixes all sealed history.
 *
 * The planted defect that a test must catch stands above it.
 */
#include "any_scan.h"
#include "support.h"

#include "check.h"

#include "../../daemon/journal/sealed.h"

#include <stdlib.h>

#include <sqlite3.h>

#define SCANS 240

static const struct journal_sealing SOON = {.keep_rows = 30, .block_rows = 40, .range_rows = 60};

static void seal_all(struct rig *rig)
{
    struct up_error error = {0};
    bool more = true;
    for (int i = 0; more; i++) {
        if (journal_seal(rig->journal, &more, &error) != UP_OK)
            fail_msg("seal: %s", error.why);
        assert_true(i < 100000);
    }
}

/** Heron-7's gauge and drive in turn, and every third time heron-8's gauge. */
static void append_some(struct rig *rig, int n)
{
    for (int i = 0; i < n; i++) {
        struct scan scans[2] = {
            rig_scan(rig, 0, i % 2 == 0 ? SOURCE_GAUGE : SOURCE_DRIVE, OUTCOME_ANSWERED),
            rig_scan(rig, 1, SOURCE_GAUGE, OUTCOME_ANSWERED)};
        scans[0].words[1] = (uint16_t)(12000 + i % 7);
        rig_append(rig, scans, i % 3 == 0 ? 2 : 1);
        rig->utc_ms += 10000;
        rig->boot_ms += 10000;
    }
}

static void start_sealed(struct rig *rig)
{
    rig_start(rig, BOOT_A);
    append_some(rig, SCANS);
    journal_set_sealing(rig->journal, &SOON);
    seal_all(rig);
    assert_true(rig_query(rig, "SELECT count(*) FROM block") > 8);
}

static struct journal_reader *open_reader(const struct rig *rig)
{
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    if (journal_reader_open(rig->directory, &reader, &error) != UP_OK)
        fail_msg("reader: %s", error.why);
    return reader;
}

/** Reads all scans of a well; *damages how many things the reader found damaged, *damage the last
 * of them. */
static size_t read_all(const struct rig *rig, int w, size_t *damages, struct journal_damage *damage)
{
    struct journal_reader *reader = open_reader(rig);
    struct scan *got = calloc(JOURNAL_SLICE_MAX, sizeof *got);
    struct up_error error = {0};
    uint64_t after = 0;
    size_t n = 1, all = 0;
    *damages = 0;
    while (n > 0) {
        if (journal_read_scans(reader, rig->wells[w].number, after, JOURNAL_SLICE_MAX, got, &n,
                               &error) != UP_OK)
            fail_msg("scans: %s", error.why);
        for (size_t i = 0; i < n; i++) {
            assert_true(got[i].pos > after);
            after = got[i].pos;
            all++;
        }
        while (journal_reader_damage(reader, damage))
            ++*damages;
    }
    free(got);
    journal_reader_close(reader);
    return all;
}

/** A statement over the journal's file, made by `sql`; end_statement closes both. */
static sqlite3_stmt *statement(const struct rig *rig, const char *sql)
{
    char path[160];
    sqlite3 *db = NULL;
    sqlite3_stmt *row = NULL;
    rig_path(rig, JOURNAL_FILE, path);
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &row, NULL), SQLITE_OK);
    return row;
}

static void end_statement(sqlite3_stmt *row)
{
    sqlite3 *db = sqlite3_db_handle(row);
    sqlite3_finalize(row);
    sqlite3_close(db);
}

/** `sql` with ?1 as these bytes. */
static void change_blob(const struct rig *rig, const char *sql, const uint8_t *data, size_t length)
{
    sqlite3_stmt *row = statement(rig, sql);
    sqlite3_bind_blob(row, 1, data, (int)length, SQLITE_STATIC);
    assert_int_equal(sqlite3_step(row), SQLITE_DONE);
    end_statement(row);
}

/** The bytes that `sql` gives. */
static size_t read_blob(const struct rig *rig, const char *sql, uint8_t *data, size_t room)
{
    sqlite3_stmt *row = statement(rig, sql);
    assert_int_equal(sqlite3_step(row), SQLITE_ROW);
    const size_t n = (size_t)sqlite3_column_bytes(row, 0);
    assert_in_range(n, 20, room);
    memcpy(data, sqlite3_column_blob(row, 0), n);
    end_statement(row);
    return n;
}

/** Block 4 of the chain. */
static void change_data(const struct rig *rig, const uint8_t *data, size_t length)
{
    change_blob(rig, "UPDATE block SET data = ?1 WHERE number = 4", data, length);
}

static size_t read_data(const struct rig *rig, uint8_t *data, size_t room)
{
    return read_blob(rig, "SELECT data FROM block WHERE number = 4", data, room);
}

/* Planted defects: the digest is not compared (sealed-digest-unread); a block whose data are not
 * what its head says ends the reading; what the frame says of its length is believed, however long
 * (a bomb). */
static void a_damaged_block_is_stepped_over_and_takes_nothing_along(void **state)
{
    struct rig *rig = *state;
    static uint8_t data[SEALED_DATA_MAX], changed[SEALED_DATA_MAX];
    struct journal_damage damage = {0};
    size_t damages = 0;
    start_sealed(rig);
    const int64_t rows =
        rig_query(rig, "SELECT well FROM block WHERE number = 4") == rig->wells[0].number ? 0 : 1;
    const int w = (int)rows;
    const size_t whole = read_all(rig, w, &damages, &damage);
    check_count("nothing is damaged", (long long)damages, 0);
    const size_t n = read_data(rig, data, sizeof data);
    size_t lost = 0;
    for (int how = 0; how < 6; how++) {
        size_t length = n;
        memcpy(changed, data, n);
        if (how == 0)
            changed[n / 2] ^= 0x10; /* a flipped bit */
        else if (how == 1)
            length = n / 2; /* cut */
        else if (how == 2)
            changed[length++] = 0; /* too long */
        else if (how == 3)
            length = 0;
        else if (how == 4)
            changed[0] = 77; /* an unknown codec */
        else { /* a bomb: a frame that says it unpacks to 16 TiB (RFC 8878, 3.1.1: single segment, 8
                  bytes of content size) */
            static const uint8_t BOMB[] = {SEALED_ZSTD, 0x28, 0xB5, 0x2F, 0xFD, 0xE0, 0, 0, 0,
                                           0,           0,    0x10, 0,    0,    0x03, 0, 0};
            memcpy(changed, BOMB, sizeof BOMB);
            length = sizeof BOMB;
        }
        change_data(rig, changed, length);
        const size_t left = read_all(rig, w, &damages, &damage);
        assert_in_range(left, 1, whole - 5);
        lost = lost == 0 ? whole - left : lost;
        check_count("each time the same scans", (long long)(whole - left), (long long)lost);
        assert_true(damages > 0);
        check_count("a block", damage.kind, DAMAGE_BLOCK);
        check_count("its number", (long long)damage.number, 4);
        check_count("the other well has all of its scans",
                    (long long)read_all(rig, 1 - w, &damages, &damage),
                    (long long)(w == 0 ? SCANS / 3 : SCANS));
    }
    change_data(rig, data, n);
    check_count("whole again", (long long)read_all(rig, w, &damages, &damage), (long long)whole);
}

/** What core does each second: prove, note, tell. Returns how many ledger rows came of it; *row the
 * last. */
static size_t tell_all(struct rig *rig, struct ledger *ledger, int seconds, struct gap *row)
{
    struct up_error error = {0};
    struct journal_damage damage;
    size_t told = 0;
    for (int i = 0; i < seconds; i++) {
        const char *cause = NULL;
        struct gap gaps[8];
        assert_int_equal(journal_prove_next(rig->journal, &error), UP_OK);
        if (!journal_untold_damage(rig->journal, &damage))
            continue;
        assert_true(ledger_damage(ledger, &damage, &cause));
        const struct stamp now = rig_now(rig);
        struct batch batch = {.gaps = gaps, .told = &damage};
        batch.n_gaps = ledger_take_changed(ledger, &now, gaps, 8);
        check_count("one row", (long long)batch.n_gaps, 1);
        if (journal_append(rig->journal, &batch, &error) != UP_OK)
            fail_msg("append: %s", error.why);
        *row = gaps[0];
        told++;
    }
    return told;
}

/* Planted defects: the row is told again each time that somebody reads (damage-told-each-time); its
 * bounds are those of the whole range, and not the block's; it is forgotten with a restart before
 * it was told. */
static void a_damaged_block_is_told_once_and_bounded(void **state)
{
    struct rig *rig = *state;
    static uint8_t data[SEALED_DATA_MAX];
    struct up_error error = {0};
    struct gap row = {0};
    start_sealed(rig);
    const int64_t well = rig_query(rig, "SELECT well FROM block WHERE number = 4");
    const size_t n = read_data(rig, data, sizeof data);
    data[n / 2] ^= 1;
    change_data(rig, data, n);
    assert_int_equal(journal_note_damage(rig->journal, DAMAGE_BLOCK, 4, &error), UP_OK);
    assert_int_equal(journal_note_damage(rig->journal, DAMAGE_BLOCK, 5, &error),
                     UP_OK); /* is whole */
    rig_kill(rig);
    rig_start(rig, BOOT_A); /* before anybody told of it */
    struct ledger *ledger = ledger_create(rig->plan, rig->run, 100);
    assert_non_null(ledger);
    check_count("told once", (long long)tell_all(rig, ledger, 60, &row), 1);
    check_count("kind", row.kind, GAP_DAMAGED);
    check_count("cause", row.cause_code, CAUSE_DAMAGED);
    check_count("well", row.well, well);
    assert_false(row.is_open);
    assert_true(row.lost && row.scans > 0 && row.source > 0);
    assert_true(row.after_seq > row.before_seq + row.scans); /* other sources' seq stand between */
    assert_true(row.start.utc_ms >= UTC_START && row.end.utc_ms > row.start.utc_ms);
    assert_non_null(strstr(row.cause, "Sealed block 4"));
    char sql[200];
    snprintf(sql, sizeof sql,
             "SELECT count(*) FROM damage WHERE what = 2 AND number = 4 AND pos = %llu",
             (unsigned long long)row.pos);
    check_count("kept as told", rig_query(rig, sql), 1);
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    const struct stamp began = rig_now(rig);
    ledger_set_run(ledger, rig->run, &began);
    check_count("and never again", (long long)tell_all(rig, ledger, 60, &row), 0);
    ledger_destroy(ledger);
}

/* Planted defect: where the head is damaged too, its numbers are believed. */
static void a_block_with_a_damaged_head_is_bounded_by_its_neighbours(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    struct journal_damage damage = {0};
    start_sealed(rig);
    const int64_t from = rig_query(rig, "SELECT pos_from FROM block WHERE number = 4"),
                  to = rig_query(rig, "SELECT pos_to FROM block WHERE number = 4"),
                  well = rig_query(rig, "SELECT well FROM block WHERE number = 4");
    rig_execute(rig, "UPDATE block SET head = zeroblob(184) WHERE number = 4");
    assert_int_equal(journal_note_damage(rig->journal, DAMAGE_BLOCK, 4, &error), UP_OK);
    assert_true(journal_untold_damage(rig->journal, &damage));
    check_count("from", (long long)damage.pos_from, from);
    check_count("to", (long long)damage.pos_to, to);
    check_count("well", damage.well, well);
    assert_true(damage.scans > 5 && damage.scans < 41);
    assert_true(damage.after_seq > damage.before_seq + damage.scans - 1);
    assert_true(damage.first.utc_ms > 0 && damage.last.utc_ms > damage.first.utc_ms);
}

/* Planted defects: a damaged row goes with its range (sealed-row-lost); it is sealed as if it were
 * sound (sealed-damaged-row-as-sound); sealing ends at it for ever. */
static void a_damaged_row_is_never_sealed_and_never_removed(void **state)
{
    struct rig *rig = *state;
    struct gap row = {0};
    struct journal_damage damage = {0};
    size_t damages = 0;
    rig_start(rig, BOOT_A);
    append_some(rig, SCANS);
    rig_execute(rig, "UPDATE scan SET utc_ms = utc_ms + 1 WHERE well = 1 AND seq IN (20, 21, 100)");
    journal_set_sealing(rig->journal, &SOON);
    seal_all(rig);
    check_count("the damaged rows stand",
                rig_query(rig, "SELECT count(*) FROM scan WHERE well = 1 AND seq IN (20, 21, 100)"),
                3);
    check_count(
        "with the tail's",
        rig_query(rig, "SELECT count(*) FROM scan WHERE pos > (SELECT max(pos_to) FROM block)"),
        rig_query(rig, "SELECT count(*) FROM scan") - 3);
    check_count("all others come", (long long)read_all(rig, 0, &damages, &damage), SCANS - 3);
    check_count("of heron-8 too", (long long)read_all(rig, 1, &damages, &damage), SCANS / 3);
    struct ledger *ledger = ledger_create(rig->plan, rig->run, 100);
    assert_non_null(ledger);
    check_count("each is told", (long long)tell_all(rig, ledger, 60, &row), 3);
    check_count("well", row.well, rig->wells[0].number);
    check_count("one scan", row.scans, 1);
    check_count("between its neighbours", (long long)(row.after_seq - row.before_seq), 2);
    ledger_destroy(ledger);
}

/* ---- the chain ---- */

struct verdict {
    struct journal_chain chain;
    size_t blocks, damaged,
        broken; /* broken: does not follow the one before, or the newest is not the chain's */
};

static struct verdict judge(const struct rig *rig)
{
    struct journal_reader *reader = open_reader(rig);
    struct journal_block blocks[3];
    struct up_error error = {0};
    struct verdict verdict = {0};
    uint8_t before[JOURNAL_DIGEST_BYTES];
    size_t n = 1;
    assert_int_equal(journal_read_chain(reader, &verdict.chain, &error), UP_OK);
    memcpy(before, verdict.chain.anchor, sizeof before);
    uint64_t number = verdict.chain.first - 1;
    while (n > 0) {
        assert_int_equal(journal_check_chain(reader, number, 3, blocks, &n, &error), UP_OK);
        for (size_t i = 0; i < n; i++) {
            verdict.blocks++;
            verdict.damaged += !blocks[i].holds;
            verdict.broken += blocks[i].number != number + 1 ||
                              memcmp(before, blocks[i].before, sizeof before) != 0;
            number = blocks[i].number;
            memcpy(before, blocks[i].digest, sizeof before);
        }
    }
    verdict.broken +=
        number != verdict.chain.sealed || memcmp(before, verdict.chain.digest, sizeof before) != 0;
    journal_reader_close(reader);
    return verdict;
}

/** Block 6 gets a head that says something else, with a check of its own that is right. */
static void forge_head(const struct rig *rig)
{
    struct sealed_head head;
    uint8_t bytes[SEALED_HEAD_BYTES];
    assert_int_equal(read_blob(rig, "SELECT head FROM block WHERE number = 6", bytes, sizeof bytes),
                     SEALED_HEAD_BYTES);
    assert_true(sealed_head_read(bytes, SEALED_HEAD_BYTES, &head));
    head.last_seq++;
    sealed_head_write(&head, bytes);
    change_blob(rig, "UPDATE block SET head = ?1 WHERE number = 6", bytes, sizeof bytes);
}

/* Planted defects: the digest leaves out the head (sealed-digest-without-head), or the digest
 * before (sealed-digest-without-before); numbers have holes after a restart. */
static void one_value_fixes_all_sealed_history(void **state)
{
    static const struct {
        const char *what, *sql;
        size_t damaged, broken;
    } CHANGES[] = {
        {"a block is gone", "DELETE FROM block WHERE number = 5", 0, 1},
        {"the newest is gone", "DELETE FROM block WHERE number = (SELECT max(number) FROM block)",
         0, 1},
        {"two change places",
         "UPDATE block SET number = -1 WHERE number = 3; UPDATE block SET number = 3 WHERE number "
         "= 4; "
         "UPDATE block SET number = 4 WHERE number = -1",
         2, 3},
        {"another well", "UPDATE block SET well = 3 - well WHERE number = 6", 1, 0},
        {"another place", "UPDATE block SET pos_to = pos_to + 1 WHERE number = 6", 1, 0},
        {"another head",
         "UPDATE block SET head = (SELECT head FROM block WHERE number = 7) WHERE number = 6", 1,
         0},
        {"other data",
         "UPDATE block SET data = (SELECT data FROM block WHERE number = 7) WHERE number = 6", 1,
         0},
        {"another past", "UPDATE block SET before = zeroblob(32) WHERE number = 6", 1, 1},
        {"another digest", "UPDATE block SET digest = zeroblob(32) WHERE number = 6", 1, 1},
        {"a forged head", NULL, 1, 0},
    };
    struct rig *rig = *state;
    start_sealed(rig);
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    append_some(rig, 60);
    journal_set_sealing(rig->journal, &SOON);
    seal_all(rig);
    const struct verdict whole = judge(rig);
    check_count("begins", (long long)whole.chain.first, 1);
    check_count("blocks", (long long)whole.blocks, (long long)whole.chain.sealed);
    check_count("damaged", (long long)whole.damaged, 0);
    check_count("broken", (long long)whole.broken, 0);
    for (size_t i = 0; i < sizeof CHANGES / sizeof *CHANGES; i++) {
        rig_execute(rig, "CREATE TABLE kept AS SELECT * FROM block");
        if (CHANGES[i].sql != NULL)
            rig_execute(rig, CHANGES[i].sql);
        else
            forge_head(rig);
        const struct verdict verdict = judge(rig);
        if (verdict.damaged != CHANGES[i].damaged || verdict.broken < CHANGES[i].broken)
            fail_msg("%s: %zu damaged, %zu broken", CHANGES[i].what, verdict.damaged,
                     verdict.broken);
        rig_execute(rig,
                    "DELETE FROM block; INSERT INTO block SELECT * FROM kept; DROP TABLE kept");
    }
    check_count("restored", (long long)judge(rig).broken, 0);
}

/* Planted defect: the chain begins anew where no block is left (sealed-chain-anew). */
static void the_chain_holds_from_its_first_kept_block_and_goes_on_when_none_is_left(void **state)
{
    struct rig *rig = *state;
    start_sealed(rig);
    const struct verdict whole = judge(rig);
    rig_execute(rig, "DELETE FROM block WHERE number < 5");
    const struct verdict kept = judge(rig);
    check_count("begins", (long long)kept.chain.first, 5);
    check_count("broken", (long long)kept.broken, 0);
    check_count("one digest, whatever was removed",
                memcmp(kept.chain.digest, whole.chain.digest, 32), 0);
    rig_execute(rig, "DELETE FROM block");
    check_count("none", (long long)judge(rig).chain.first, 0);
    rig_kill(rig); /* it knows nothing of them but what the file says */
    rig_start(rig, BOOT_A);
    journal_set_sealing(rig->journal, &SOON);
    append_some(rig, 120);
    seal_all(rig);
    const struct verdict after = judge(rig);
    check_count("goes on", (long long)after.chain.first, (long long)whole.chain.sealed + 1);
    check_count("from what was", memcmp(after.chain.anchor, whole.chain.digest, 32), 0);
    check_count("broken", (long long)after.broken, 0);
}

#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        RIG_TEST(a_damaged_block_is_stepped_over_and_takes_nothing_along),
        RIG_TEST(a_damaged_block_is_told_once_and_bounded),
        RIG_TEST(a_block_with_a_damaged_head_is_bounded_by_its_neighbours),
        RIG_TEST(a_damaged_row_is_never_sealed_and_never_removed),
        RIG_TEST(one_value_fixes_all_sealed_history),
        RIG_TEST(the_chain_holds_from_its_first_kept_block_and_goes_on_when_none_is_left),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
