/* SPDX-License-Identifier: Apache-2.0
 *
 * test_store.c - rows in, rows out: seq and pos, checks, slices, cursors, and what a refused batch
 * leaves behind.
 *
 * The planted defect that a test must catch stands above it.
 */
#include "support.h"

#include "check.h"

#include "../../daemon/journal/store.h"

#include <stdlib.h>

static struct journal_reader *open_reader(const struct rig *rig)
{
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    if (journal_reader_open(rig->directory, &reader, &error) != UP_OK)
        fail_msg("reader: %s", error.why);
    return reader;
}

static void a_new_journal_has_this_schema_and_a_write_ahead_log(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    check_count("user_version", rig_query(rig, "PRAGMA user_version"), JOURNAL_SCHEMA);
    check_count("WAL",
                rig_query(rig, "SELECT count(*) FROM pragma_journal_mode WHERE journal_mode='wal'"),
                1);
    check_count("tables of the design",
                rig_query(rig, "SELECT count(*) FROM sqlite_schema WHERE type='table' AND name IN"
                               " ('plan','run','scan','fact','event','gap','order','cursor')"),
                8);
    check_count("the run is stored before any scan", rig_query(rig, "SELECT count(*) FROM run"), 1);
    check_count("the plan is stored", rig_query(rig, "SELECT count(*) FROM plan"), 1);
    check_count("the plan is the run's", rig_query(rig, "SELECT plan FROM run"),
                (long long)rig->plan->id);
    assert_int_not_equal(rig->wells[0].number, 0);
    assert_int_not_equal(rig->wells[0].number, rig->wells[1].number);
}

/* Planted defect: seq counted over all wells (journal-seq-over-all-wells). */
static void seq_grows_by_one_for_each_well_and_across_runs(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    struct scan scans[3] = {rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED),
                            rig_scan(rig, 1, SOURCE_GAUGE, OUTCOME_SILENT),
                            rig_scan(rig, 0, SOURCE_DRIVE, OUTCOME_ANSWERED)};
    check_count("next", (long long)journal_next_seq(rig->journal, rig->wells[0].number), 1);
    rig_append(rig, scans, 3);
    check_count("first of heron-7", (long long)scans[0].seq, 1);
    check_count("first of heron-8", (long long)scans[1].seq, 1);
    check_count("second of heron-7", (long long)scans[2].seq, 2);
    assert_true(scans[0].pos < scans[1].pos && scans[1].pos < scans[2].pos);
    const uint64_t first_run = rig->run;
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    assert_true(rig->run != first_run && rig->run != 0);
    check_count("next after a restart",
                (long long)journal_next_seq(rig->journal, rig->wells[0].number), 3);
    scans[0] = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    const uint64_t before = scans[2].pos;
    rig_append(rig, scans, 1);
    check_count("seq goes on", (long long)scans[0].seq, 3);
    assert_true(scans[0].pos > before);
}

static void append_of(struct rig *rig, int well, size_t n)
{
    struct scan *scans = calloc(JOURNAL_BATCH_SCANS_MAX, sizeof *scans);
    assert_non_null(scans);
    for (size_t done = 0; done < n;) {
        const size_t some = n - done < JOURNAL_BATCH_SCANS_MAX ? n - done : JOURNAL_BATCH_SCANS_MAX;
        for (size_t i = 0; i < some; i++)
            scans[i] = rig_scan(rig, well, SOURCE_GAUGE, OUTCOME_ANSWERED);
        rig_append(rig, scans, some);
        done += some;
    }
    free(scans);
}

/** A kill just when a mark was made with a row of heron-8, or `more` rows behind it. */
static void kill_at_a_mark(struct rig *rig, size_t more)
{
    const long long marks = rig_query(rig, "SELECT count(*) FROM mark"),
                    mark = rig_query(rig, "SELECT max(pos) FROM mark");
    const long long rest = mark + MARK_EVERY - 1 - (long long)journal_newest_pos(rig->journal);
    assert_true(rest > 0);
    append_of(rig, 0, (size_t)rest);
    check_count("marks", rig_query(rig, "SELECT count(*) FROM mark"), marks);
    append_of(rig, 1, 1);
    check_count("marks", rig_query(rig, "SELECT count(*) FROM mark"), marks + 1);
    append_of(rig, 1, more);
    const uint64_t next = journal_next_seq(rig->journal, rig->wells[1].number);
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    check_count("next after a kill at a mark",
                (long long)journal_next_seq(rig->journal, rig->wells[1].number), (long long)next);
}

/* Planted defect: the walk at open starts above the mark by one (journal-tail-short), or the mark
 * keeps the seq of before the batch (journal-mark-before-batch). */
static void seq_follows_from_the_rows_across_many_marks(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    struct scan *scans = calloc(JOURNAL_BATCH_SCANS_MAX, sizeof *scans);
    assert_non_null(scans);
    for (int batch = 0; batch < 40; batch++) {
        for (int i = 0; i < JOURNAL_BATCH_SCANS_MAX; i++)
            scans[i] = rig_scan(rig, batch < 3 ? i % 2 : 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
        rig->boot_ms += 1000;
        rig->utc_ms += 1000;
        rig_append(rig, scans, JOURNAL_BATCH_SCANS_MAX);
    }
    free(scans);
    check_count("marks", rig_query(rig, "SELECT count(*) FROM mark"), 2);
    const uint64_t next[2] = {journal_next_seq(rig->journal, rig->wells[0].number),
                              journal_next_seq(rig->journal, rig->wells[1].number)};
    check_count("heron-8", (long long)next[1], 3 * 128 + 1);
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    for (int well = 0; well < 2; well++)
        check_count("next after a restart",
                    (long long)journal_next_seq(rig->journal, rig->wells[well].number),
                    (long long)next[well]);
    uint64_t pos = 0, seq = 0;
    struct journal_reader *reader = open_reader(rig);
    struct up_error error = {0};
    assert_int_equal(journal_read_newest(reader, rig->wells[1].number, &pos, &seq, &error), UP_OK);
    check_count("a reader says the same of a well that is older than the mark", (long long)seq,
                3 * 128);
    int64_t from = 0, to = 0;
    assert_true(journal_span(reader, &from, &to));
    check_count("from", from, UTC_START);
    check_count("to", to, UTC_START + 39 * 1000);
    uint64_t by_outcome[OUTCOME_COUNT];
    assert_int_equal(journal_count_scans(reader, rig->wells[0].number, SOURCE_GAUGE,
                                         UTC_START + 2000, UTC_START + 19000, by_outcome, &error),
                     UP_OK);
    check_count("counted in an interval", (long long)by_outcome[OUTCOME_ANSWERED], 128 + 17 * 256);
    journal_reader_close(reader);
    kill_at_a_mark(rig, 0);
    kill_at_a_mark(rig, 1);
}

static void check_same(const struct scan *got, const struct scan *want)
{
    check_count("pos", (long long)got->pos, (long long)want->pos);
    check_count("seq", (long long)got->seq, (long long)want->seq);
    assert_true(got->run == want->run && got->well == want->well && got->source == want->source);
    assert_memory_equal(&got->begun.utc_ms, &want->begun.utc_ms, sizeof(int64_t));
    check_count("boot_ms", got->begun.boot_ms, want->begun.boot_ms);
    check_count("boot", got->begun.boot, want->begun.boot);
    check_count("clock", got->begun.clock, want->begun.clock);
    assert_true(got->took_ms == want->took_ms && got->plan == want->plan &&
                got->outcome == want->outcome);
    assert_true(got->tries == want->tries && got->stray == want->stray);
    check_count("blocks", got->n_blocks, want->n_blocks);
    check_count("words", got->n_words, want->n_words);
    for (int i = 0; i < want->n_blocks; i++) {
        assert_true(got->block[i].function == want->block[i].function &&
                    got->block[i].first == want->block[i].first);
        assert_true(got->block[i].count == want->block[i].count &&
                    got->block[i].exception == want->block[i].exception);
    }
    assert_memory_equal(got->words, want->words, want->n_words * sizeof *want->words);
}

static void a_scan_reads_back_as_it_was_with_bits_exceptions_and_the_largest_size(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    struct scan scans[4] = {rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_PARTIAL),
                            rig_scan(rig, 0, SOURCE_DRIVE, OUTCOME_SILENT),
                            rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED),
                            rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_NONE)};
    scans[0].block[1].exception = 2;
    scans[0].n_words = 1;
    scans[2].n_blocks = 4; /* 17 bits take two words; 508 registers fill the rest */
    scans[2].block[0] = (struct block){.function = 2, .first = 3, .count = 17, .at = 0};
    for (unsigned i = 1; i < 4; i++)
        scans[2].block[i] = (struct block){.function = 3,
                                           .first = 1000,
                                           .count = (uint16_t)(i < 3 ? 170 : 170),
                                           .at = (uint16_t)(2 + (i - 1) * 170)};
    scans[2].n_words = 512;
    for (unsigned i = 0; i < 512; i++)
        scans[2].words[i] = (uint16_t)(i * 127);
    scans[3].n_blocks = 0;
    rig_append(rig, scans, 4);
    struct journal_reader *reader = open_reader(rig);
    struct scan *got = calloc(JOURNAL_SLICE_MAX, sizeof *got);
    size_t n = 0;
    struct up_error error = {0};
    assert_int_equal(
        journal_read_scans(reader, rig->wells[0].number, 0, JOURNAL_SLICE_MAX, got, &n, &error),
        UP_OK);
    check_count("scans", (long long)n, 4);
    for (int i = 0; i < 4; i++)
        check_same(&got[i], &scans[i]);
    free(got);
    journal_reader_close(reader);
}

/* Planted defects: no check of the checksum (journal-check-ignored); a checksum over the words only
 * (journal-check-of-words-only). */
static void a_row_whose_bits_changed_is_stepped_over_and_noted_by_its_number(void **state)
{
    static const char *const CHANGES[] = {
        "UPDATE scan SET words = x'04000000010000020400100002003039FFFE' WHERE seq = 2",
        "UPDATE scan SET utc_ms = utc_ms + 1 WHERE seq = 2",
        "UPDATE scan SET outcome = 2 WHERE seq = 2", "UPDATE scan SET plan = 2 WHERE seq = 2",
        "UPDATE scan SET words = x'04' WHERE seq = 2"};
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    struct scan scans[3] = {rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED),
                            rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED),
                            rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED)};
    rig_append(rig, scans, 3);
    struct scan *got = calloc(JOURNAL_SLICE_MAX, sizeof *got);
    for (size_t i = 0; i < sizeof CHANGES / sizeof *CHANGES; i++) {
        struct journal_reader *reader = open_reader(rig);
        struct journal_damage damage = {0};
        struct up_error error = {0};
        size_t n = 0;
        rig_execute(rig, "CREATE TABLE kept AS SELECT * FROM scan");
        rig_execute(rig, CHANGES[i]);
        assert_int_equal(
            journal_read_scans(reader, rig->wells[0].number, 0, JOURNAL_SLICE_MAX, got, &n, &error),
            UP_OK);
        check_count("the sound rows around it came", (long long)n, 2);
        check_count("the first", (long long)got[0].seq, 1);
        check_count("the third", (long long)got[1].seq, 3);
        assert_true(journal_reader_damage(reader, &damage));
        check_count("a row", damage.kind, DAMAGE_ROW);
        check_count("its pos", (long long)damage.number, (long long)scans[1].pos);
        assert_false(journal_reader_damage(reader, &damage));
        rig_execute(rig, "DELETE FROM scan; INSERT INTO scan SELECT * FROM kept; DROP TABLE kept");
        journal_reader_close(reader);
    }
    free(got);
}

static void slices_are_whole_in_order_and_end(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    struct scan *scans = calloc(JOURNAL_BATCH_SCANS_MAX, sizeof *scans);
    struct scan *got = calloc(JOURNAL_SLICE_MAX, sizeof *got);
    for (int batch = 0; batch < 12;
         batch++) { /* heron-8 only once each batch: its rows lie further apart than one slice */
        for (int i = 0; i < JOURNAL_BATCH_SCANS_MAX; i++)
            scans[i] = rig_scan(rig, i == 17 && batch % 6 == 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
        rig_append(rig, scans, JOURNAL_BATCH_SCANS_MAX);
    }
    struct journal_reader *reader = open_reader(rig);
    struct up_error error = {0};
    uint64_t after = 0, seq = 0;
    size_t n = 0, slices = 0;
    do {
        assert_int_equal(
            journal_read_scans(reader, rig->wells[0].number, after, 999, got, &n, &error), UP_OK);
        assert_true(n <= JOURNAL_SLICE_MAX);
        for (size_t i = 0; i < n; i++) {
            check_count("seq", (long long)got[i].seq, (long long)++seq);
            assert_true(got[i].pos > after);
            after = got[i].pos;
        }
        slices++;
    } while (n > 0 && slices < 1000);
    check_count("rows of heron-7", (long long)seq, 12 * 256 - 2);
    assert_int_equal(journal_read_scans(reader, rig->wells[1].number, 0, 64, got, &n, &error),
                     UP_OK);
    check_count("rows of heron-8, across empty slices", (long long)n, 2);
    assert_int_equal(journal_read_scans(reader, 77, 0, 64, got, &n, &error), UP_OK);
    check_count("rows of nobody", (long long)n, 0);
    journal_reader_close(reader);
    free(got);
    free(scans);
}

/* Planted defects: the window crosses into the run before (journal-window-over-runs); the window
 * ends by time though a slow source lacks scans (journal-window-by-time-alone). */
static void a_window_starts_in_the_same_run_early_enough_for_each_source(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    struct scan scans[64];
    for (int i = 0; i < 20; i++)
        scans[i] = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    rig_append(rig, scans, 20);
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    for (int i = 0; i < 60; i++) { /* the drive is read once in six */
        scans[i] = rig_scan(rig, 0, i % 6 == 0 ? SOURCE_DRIVE : SOURCE_GAUGE, OUTCOME_ANSWERED);
        rig->boot_ms += 10000;
        rig->utc_ms += 10000;
    }
    rig_append(rig, scans, 60);
    struct journal_reader *reader = open_reader(rig);
    struct up_error error = {0};
    uint64_t begin = 0;
    const uint16_t well = rig->wells[0].number;
    assert_int_equal(journal_window_start(reader, well, scans[59].pos, 100000, 1, &begin, &error),
                     UP_OK);
    check_count("100 s back", (long long)begin, (long long)scans[49].pos - 1);
    assert_int_equal(journal_window_start(reader, well, scans[59].pos, 100000, 5, &begin, &error),
                     UP_OK);
    check_count("five scans of the drive", (long long)begin, (long long)scans[30].pos - 1);
    assert_int_equal(journal_window_start(reader, well, scans[3].pos, 3600000, 5, &begin, &error),
                     UP_OK);
    check_count("not beyond the run", (long long)begin, (long long)scans[0].pos - 1);
    uint64_t run = 0, seq = 0, at = 0;
    assert_int_equal(journal_row_before(reader, well, scans[0].pos, &run, &seq, &at, &error),
                     UP_OK);
    check_count("the row before stands in the run before", (long long)seq, 20);
    assert_true(run != rig->run && run != 0);
    assert_int_equal(journal_row_before(reader, well, 3, &run, &seq, &at, &error), UP_OK);
    check_count("a well's first row has none before", (long long)at, 0);
    journal_reader_close(reader);
}

static void facts_ride_with_their_scans(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    rig_start(rig, BOOT_A);
    const uint16_t wells[2] = {rig->wells[0].number, rig->wells[1].number};
    struct scan scans[2] = {rig_scan(rig, 1, SOURCE_GAUGE, OUTCOME_ANSWERED),
                            rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED)};
    struct fact facts[3];
    for (int i = 0; i < 3; i++) /* two of heron-7, which is the second scan; one of heron-8 */
        facts[i] = (struct fact){.pos = i < 2,
                                 .run = rig->run,
                                 .well = wells[i / 2],
                                 .source = SOURCE_GAUGE,
                                 .point = (uint16_t)(i == 0),
                                 .kind = i == 0 ? FACT_SEEN_GOOD : FACT_GAUGE_AGREED,
                                 .value = i + 0.5};
    struct batch batch = {.scans = scans, .n_scans = 2, .facts = facts, .n_facts = 3};
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_OK);
    check_count("a fact's pos is its scan's", (long long)facts[0].pos, (long long)scans[1].pos);
    const struct {
        const char *what;
        uint64_t run, up_to;
        size_t n;
    } ASKED[] = {{"of heron-7", rig->run, scans[1].pos, 2},
                 {"not before their scan", rig->run, scans[1].pos - 1, 0},
                 {"not of another run", rig->run + 1, scans[1].pos, 0}};
    struct journal_reader *reader = open_reader(rig);
    struct fact got[8];
    for (size_t i = 0; i < sizeof ASKED / sizeof *ASKED; i++) {
        size_t n = 0;
        assert_int_equal(
            journal_read_facts(reader, wells[0], ASKED[i].run, ASKED[i].up_to, got, 8, &n, &error),
            UP_OK);
        check_count(ASKED[i].what, (long long)n, (long long)ASKED[i].n);
    }
    journal_reader_close(reader);
}

static void cursors_and_events_ride_with_an_append(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    rig_start(rig, BOOT_A);
    struct cursor read[4],
        cursor = {
            .destination = "plant-broker", .well = 1, .stream = STREAM_RECORD, .pos = 7, .seq = 3};
    struct event event = {
        .kind = "note", .utc_ms = 5, .boot_ms = 6, .who = "test", .text = "A word."};
    struct batch batch = {.events = &event, .n_events = 1, .cursors = &cursor, .n_cursors = 1};
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_OK);
    cursor.pos = 9;
    batch = (struct batch){.cursors = &cursor, .n_cursors = 1};
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_OK);
    check_count("one cursor", (long long)journal_cursors(rig->journal, read, 4), 1);
    check_count("moved", (long long)read[0].pos, 9);
    check_text("destination", read[0].destination, "plant-broker");
    struct journal_reader *reader = open_reader(rig);
    check_count("of a reader", (long long)journal_read_cursors(reader, read, 4), 1);
    journal_reader_close(reader);
    check_count("event", rig_query(rig, "SELECT count(*) FROM event WHERE text='A word.'"), 1);
}

static void a_plan_reads_back_and_keeps_its_number(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    const uint32_t id = rig->plan->id;
    struct up_error error = {0};
    const struct stamp now = rig_now(rig);
    const char first = rig->plan->digest[0];
    rig->plan->digest[0] = 'x';
    assert_int_equal(journal_put_plan(rig->journal, rig->plan, &now, "reload", &error), UP_OK);
    assert_int_not_equal(rig->plan->id, id);
    rig->plan->digest[0] = first;
    assert_int_equal(journal_put_plan(rig->journal, rig->plan, &now, "reload", &error), UP_OK);
    check_count("the old plan again", rig->plan->id, id);
    struct journal_reader *reader = open_reader(rig);
    char *text = NULL, digest[65], name[NAME_LENGTH_MAX + 1];
    size_t length = 0;
    assert_int_equal(journal_read_plan(reader, id, &text, &length, digest, &error), UP_OK);
    check_text("text", text, rig->plan->text);
    check_text("digest", digest, rig->plan->digest);
    free(text);
    assert_int_equal(journal_read_plan(reader, 99, &text, &length, digest, &error), UP_E_MISSING);
    check_count("newest plan", journal_read_newest_plan(reader), id);
    assert_true(journal_read_well_id(reader, rig->wells[1].number, name));
    check_text("name", name, "heron-8");
    assert_false(journal_read_well_id(reader, 99, name));
    journal_reader_close(reader);
}

/* Planted defect: no check of blocks (journal-blocks-unchecked), so that a read beyond words[]
 * reaches the disk. */
static void a_batch_that_can_not_be_right_is_refused_and_nothing_of_it_is_kept(void **state)
{
    struct rig *rig = *state;
    rig_start(rig, BOOT_A);
    struct up_error error = {0};
    struct scan scans[2] = {rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED),
                            rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED)};
    struct batch batch = {.scans = scans, .n_scans = 2};
    scans[1].block[1].at = 511;
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_E_RANGE);
    scans[1] = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    scans[1].run++;
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_E_USAGE);
    scans[1].run--;
    scans[1].seq = 7;
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_E_USAGE);
    scans[1].well = 99;
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_E_USAGE);
    check_count("nothing is kept", rig_query(rig, "SELECT count(*) FROM scan"), 0);
    scans[1] = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
    assert_int_equal(journal_append(rig->journal, &batch, &error), UP_OK);
    check_count("and the seqs are as if nothing had been", (long long)scans[1].seq, 2);
}

int main(void)
{
#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)
    const struct CMUnitTest tests[] = {
        RIG_TEST(a_new_journal_has_this_schema_and_a_write_ahead_log),
        RIG_TEST(seq_grows_by_one_for_each_well_and_across_runs),
        RIG_TEST(seq_follows_from_the_rows_across_many_marks),
        RIG_TEST(a_scan_reads_back_as_it_was_with_bits_exceptions_and_the_largest_size),
        RIG_TEST(a_row_whose_bits_changed_is_stepped_over_and_noted_by_its_number),
        RIG_TEST(slices_are_whole_in_order_and_end),
        RIG_TEST(a_window_starts_in_the_same_run_early_enough_for_each_source),
        RIG_TEST(facts_ride_with_their_scans),
        RIG_TEST(cursors_and_events_ride_with_an_append),
        RIG_TEST(a_plan_reads_back_and_keeps_its_number),
        RIG_TEST(a_batch_that_can_not_be_right_is_refused_and_nothing_of_it_is_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
