/* SPDX-License-Identifier: Apache-2.0
 *
 * test_audit_damage.c - the books past damage: what the ledger tells of is counted and said, what
 * it does not explain still fails, and the one value that fixes history is proven past it. Damage
 * is done by SQLite's own hand, in the file that the writer left.
 *
 * Planted defects, each seen to be caught (tests/planted): audit-damage-explains-all,
 * audit-damage-accepted-whole, audit-damage-breaks-chain, audit-damage-ties-anything,
 * backlog-passes-damage.
 */
#include "rig.h"

#include "../../daemon/uphole/audit.h"
#include "../../daemon/uphole/backlog.h"

#include "check.h"

#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>

#define POLLS 170
#define FLIP                                                                                       \
    "UPDATE block SET data = CAST(substr(data, 1, 20) || x'5a' || substr(data, 22) AS BLOB) "      \
    "WHERE number = "

static int64_t run_sql(struct rig *rig, const char *sql)
{
    char path[300];
    sqlite3 *db = NULL;
    sqlite3_stmt *row = NULL;
    int64_t value = 0;
    snprintf(path, sizeof path, "%s/%s", rig->directory, JOURNAL_FILE);
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    if (sqlite3_prepare_v2(db, sql, -1, &row, NULL) != SQLITE_OK)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    if (sqlite3_step(row) == SQLITE_ROW)
        value = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    sqlite3_close(db);
    return value;
}

/** POLLS scans in blocks of 25; the destination has accepted up to `accepted`. */
static void fill(struct rig *rig, uint64_t accepted)
{
    static const struct journal_sealing SOON = {
        .keep_rows = 10, .block_rows = 25, .range_rows = 50};
    struct up_error error = {0};
    bool more = true;
    char sql[80];
    journal_set_sealing(rig->journal, &(struct journal_sealing){10000, 25, 50});
    core_set_safe(rig->core);
    rig_poll(rig, POLLS);
    snprintf(sql, sizeof sql, "SELECT pos FROM scan WHERE seq = %llu",
             (unsigned long long)accepted);
    rig_accept(rig, rig->well, (uint64_t)run_sql(rig, sql), accepted);
    rig_poll(rig, 1);
    journal_set_sealing(rig->journal, &SOON);
    for (int i = 0; more && i < 1000; i++)
        if (journal_seal(rig->journal, &more, &error) != UP_OK)
            fail_msg("%s", error.why);
}

static void note(struct rig *rig, uint8_t kind, uint64_t number)
{
    struct up_error error = {0};
    if (journal_note_damage(rig->journal, kind, number, &error) != UP_OK)
        fail_msg("%s", error.why);
    rig_poll(rig, 3); /* told with a commit */
}

/** The rig's own clock began its day then. */
#define UTC_MS INT64_C(1930118400000)

static struct audit *review(struct rig *rig, int64_t from_s)
{
    struct up_error error = {0};
    struct audit *audit = calloc(1, sizeof *audit);
    assert_non_null(audit);
    audit->asked.directory = rig->directory;
    audit->asked.has_from = from_s > 0;
    audit->asked.from_utc_ms = UTC_MS + from_s * 1000;
    if (audit_review(audit, &error) != UP_OK)
        fail_msg("%s", error.why);
    return audit;
}

static void check_verdict(struct rig *rig, const char *what, uint8_t verdict, const char *says)
{
    struct audit *audit = review(rig, 0);
    char text[AUDIT_TEXT_MAX] = "";
    audit_sentence(audit, text, sizeof text);
    if (audit_verdict(audit) != verdict || (says != NULL && strstr(text, says) == NULL))
        fail_msg("%s: verdict %u, '%s'", what, audit_verdict(audit), text);
    audit_free(audit);
}

/* Planted defects: a damaged row explains every hole (audit-damage-explains-all); what is damaged
 * counts as delivered where the place has passed it (audit-damage-accepted-whole). */
static void what_the_ledger_explains_is_counted_and_the_rest_still_fails(void **state)
{
    struct rig *rig = *state;
    fill(rig, 60);
    check_verdict(rig, "whole", BOOKS_HOLD, NULL);
    run_sql(rig, FLIP "2"); /* seq 26 to 50 */
    check_verdict(rig, "before it is told", BOOKS_DO_NOT_HOLD, NULL);
    note(rig, DAMAGE_BLOCK, 2);
    run_sql(rig, FLIP "3"); /* seq 51 to 75 */
    note(rig, DAMAGE_BLOCK, 3);
    check_verdict(rig, "two blocks, one hole", BOOKS_HOLD, NULL);
    struct audit *audit = review(rig, 0);
    check_count("damaged", audit->sources[0].damaged, 50);
    check_count("rows and damaged", audit->sources[0].rows + 50, audit->sources[0].due);
    check_count("one destination", (long long)audit->n_places, 1);
    check_count("accepted", audit->places[0].accepted, 60);
    check_count("damaged before it was accepted", audit->places[0].damaged, 15);
    check_count("rows", audit->places[0].rows, audit->sources[0].due);
    check_count("told of both", (long long)audit->n_damages_within, 2);
    audit_free(audit);
    /* The destination goes on behind the damage: those 15 stay what they are. */
    char sql[120];
    snprintf(sql, sizeof sql,
             "UPDATE cursor SET seq = 165, pos = (SELECT pos FROM scan WHERE seq "
             "= 165) WHERE stream = 1");
    run_sql(rig, sql);
    audit = review(rig, 0);
    check_count("accepted by then", audit->places[0].accepted, 150);
    check_count("still not accepted", audit->places[0].damaged, 15);
    check_count("holds", audit_verdict(audit), BOOKS_HOLD);
    audit_free(audit);
    /* Asked for from within the damage: it is not cut. */
    for (int64_t from_s = 30; from_s < 90; from_s += 15) {
        audit = review(rig, from_s);
        check_count("holds from within", audit_verdict(audit), BOOKS_HOLD);
        audit_free(audit);
    }
    run_sql(rig, "DELETE FROM scan WHERE seq = 168");
    check_verdict(rig, "a row that nobody told of", BOOKS_DO_NOT_HOLD, ": 1 missing");
}

/* Planted defect: the row's own word for its well is believed (damage.c, bound_row). */
static void a_damaged_row_is_a_hole_of_the_well_that_misses_it(void **state)
{
    static const char *const CHANGES[] = {
        "UPDATE scan SET took_ms = took_ms + 1 WHERE seq = 165",
        "UPDATE scan SET seq = 9999 WHERE seq = 167",
        "UPDATE scan SET words = x'00' WHERE seq = 168", /* beside the one before */
        "UPDATE scan SET well = 7 WHERE seq = 163",
    };
    struct rig *rig = *state;
    char sql[200];
    fill(rig, 164);
    for (size_t i = 0; i < sizeof CHANGES / sizeof *CHANGES; i++) {
        snprintf(sql, sizeof sql, "SELECT pos FROM scan WHERE seq = %d",
                 (const int[]){165, 167, 168, 163}[i]);
        const uint64_t pos = (uint64_t)run_sql(rig, sql);
        run_sql(rig, CHANGES[i]);
        check_verdict(rig, CHANGES[i], BOOKS_DO_NOT_HOLD, NULL);
        note(rig, DAMAGE_ROW, pos);
        check_verdict(rig, CHANGES[i], BOOKS_HOLD, NULL);
    }
    struct audit *audit = review(rig, 0);
    check_count("damaged", audit->sources[0].damaged, 4);
    check_count("of these not accepted before", audit->places[0].damaged, 3);
    audit_free(audit);
}

/* Planted defects: a damaged block ends the chain (audit-damage-breaks-chain); whatever stands
 * before damage is taken for what stood there (audit-damage-ties-anything). */
static void one_value_is_proven_past_the_damage(void **state)
{
    static const struct {
        const char *what, *sql;
        uint8_t verdict;
        const char *says;
    } ROWS[] = {
        {"its digest as well", "UPDATE block SET digest = zeroblob(32) WHERE number = 3",
         BOOKS_HOLD, NULL},
        {"its head and all",
         "UPDATE block SET head = x'00', data = x'00', before = x'00', digest = x'00' WHERE number "
         "= 3",
         BOOKS_HOLD, NULL},
        {"the content that was kept of it",
         "UPDATE link SET content = zeroblob(32) WHERE number = 3", BOOKS_DO_NOT_HOLD,
         "sealed block 4 "},
        {"another block before it",
         "UPDATE link SET content = (SELECT content FROM link WHERE "
         "number = 1) WHERE number = 3",
         BOOKS_DO_NOT_HOLD, "sealed block 4 "},
        {"one before is gone", "DELETE FROM block WHERE number = 2", BOOKS_DO_NOT_HOLD, "missing"},
    };
    struct rig *rig = *state;
    char before[2 * JOURNAL_DIGEST_BYTES + 1], after[2 * JOURNAL_DIGEST_BYTES + 1];
    fill(rig, 20);
    struct audit *audit = review(rig, 0);
    audit_digest_text(audit, before);
    check_count("proven", (long long)audit->n_blocks, 6);
    audit_free(audit);
    run_sql(rig, FLIP "3");
    note(rig, DAMAGE_BLOCK, 3);
    audit = review(rig, 0);
    check_text("the same value", audit_digest_text(audit, after), before);
    check_count("one is damaged", (long long)audit->n_blocks_damaged, 1);
    check_count("all others are proven", (long long)audit->n_sealed, 125);
    check_count("holds", audit_verdict(audit), BOOKS_HOLD);
    audit_free(audit);
    run_sql(rig, "CREATE TABLE kept_block AS SELECT * FROM block");
    run_sql(rig, "CREATE TABLE kept_link AS SELECT * FROM link");
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        run_sql(rig, ROWS[i].sql);
        check_verdict(rig, ROWS[i].what, ROWS[i].verdict, ROWS[i].says);
        run_sql(rig, "DELETE FROM block");
        run_sql(rig, "INSERT INTO block SELECT * FROM kept_block");
        run_sql(rig, "DELETE FROM link");
        run_sql(rig, "INSERT INTO link SELECT * FROM kept_link");
    }
    check_verdict(rig, "put back", BOOKS_HOLD, NULL);
    /* A history made anew before the damage: every block holds by itself and names the one before,
     * up to the damaged one, whose place in the chain can't be made up. */
    run_sql(rig, "UPDATE block SET before = (SELECT digest FROM block WHERE number = 1) WHERE "
                 "number = 3");
    run_sql(rig, "DELETE FROM block WHERE number = 2");
    run_sql(rig, "UPDATE block SET number = 2 WHERE number = 3");
    check_verdict(rig, "moved up", BOOKS_DO_NOT_HOLD, NULL);
}

/* ---- nothing behind damage is handed on before it is noted ---- */

struct heard {
    unsigned records, ends;
    uint64_t first_seq, last_seq;
    unsigned damages;
};

static bool hear(void *context, const struct wall_message *message)
{
    struct heard *heard = context;
    if (message->kind == WALL_END_OF_WANT)
        heard->ends++;
    if (message->kind != WALL_RECORD)
        return true;
    heard->first_seq = heard->records == 0 ? message->record.record.seq : heard->first_seq;
    heard->last_seq = message->record.record.seq;
    heard->records++;
    return true;
}

static void hear_damage(void *context, const struct journal_damage *damage)
{
    check_count("a block", damage->kind, DAMAGE_BLOCK);
    ((struct heard *)context)->damages++;
}

static uint64_t live_from(void *context, uint16_t well)
{
    (void)context;
    (void)well;
    return UINT64_MAX;
}

/* Planted defect: backlog-passes-damage. A place that has passed damage before it was noted would
 * count what it never got as accepted. */
static void a_backlog_waits_before_damage_that_nobody_has_noted(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    struct backlog *backlog = NULL;
    struct heard heard = {0};
    fill(rig, 20);
    run_sql(rig, FLIP "2"); /* seq 26 to 50 */
    const struct backlog_options options = {.plan = rig->plan,
                                            .journal_directory = rig->directory,
                                            .live_seq = live_from,
                                            .send = hear,
                                            .damaged = hear_damage,
                                            .context = &heard};
    if (backlog_open(&options, &backlog, &error) != UP_OK)
        fail_msg("%s", error.why);
    struct wall_want want = {
        .well = rig->well, .stream = STREAM_RECORD, .after = rig_cursor(rig).pos, .n = 16};
    assert_int_equal(backlog_serve(backlog, &want, &error), UP_OK);
    check_count("up to the damage", (long long)heard.last_seq, 25);
    check_count("and told of it", heard.damages, 1);
    heard = (struct heard){0};
    want.after = (uint64_t)run_sql(rig, "SELECT max(pos_to) FROM block WHERE number = 1");
    assert_int_equal(backlog_serve(backlog, &want, &error), UP_OK);
    check_count("nothing behind it", heard.records, 0);
    check_count("an end all the same", heard.ends, 1);
    note(rig, DAMAGE_BLOCK, 2);
    assert_int_equal(backlog_serve(backlog, &want, &error), UP_OK);
    check_count("once it is noted", (long long)heard.first_seq, 51);
    backlog_close(backlog);
}

#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        RIG_TEST(what_the_ledger_explains_is_counted_and_the_rest_still_fails),
        RIG_TEST(a_damaged_row_is_a_hole_of_the_well_that_misses_it),
        RIG_TEST(one_value_is_proven_past_the_damage),
        RIG_TEST(a_backlog_waits_before_damage_that_nobody_has_noted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
