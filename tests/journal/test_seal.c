/* SPDX-License-Identifier: Apache-2.0
 *
 * test_seal.c - sealing within a journal: whoever reads it sees no difference between rows and
 * blocks, across restarts and at any moment of it.
 *
 * The planted defect that a test must catch stands above it.
 */
#include "any_scan.h"
#include "support.h"

#include "check.h"

#include "uphole/journal_books.h"

#include "../../daemon/journal/reader.h"
#include "../../daemon/journal/view_inside.h"

#include <stdlib.h>

#define ROWS 1600
#define WELLS 2

static const struct journal_sealing SOON = {.keep_rows = 40, .block_rows = 60, .range_rows = 500};

struct story {
    struct rig *rig;
    struct any_scan any;
    struct scan *scans; /* all that were appended, in the order of pos */
    size_t n;
};

static void story_begin(struct story *story, struct rig *rig, uint64_t seed, unsigned wildness)
{
    *story = (struct story){.rig = rig, .any = {.random = seed, .wildness = wildness}};
    story->scans = calloc(ROWS + JOURNAL_BATCH_SCANS_MAX, sizeof *story->scans);
    assert_non_null(story->scans);
}

/** A batch of a few scans of all wells and sources, now and then with an event and a ledger row
 * among them. */
static void story_append(struct story *story)
{
    struct rig *rig = story->rig;
    struct any_scan *any = &story->any;
    struct up_error error = {0};
    struct scan *scans = &story->scans[story->n];
    const size_t n = 1 + any_below(any, 6);
    for (size_t i = 0; i < n; i++) {
        const bool second = any_happens(any, 300);
        scans[i] =
            rig_scan(rig, second, !second && any_happens(any, 400) ? SOURCE_DRIVE : SOURCE_GAUGE,
                     OUTCOME_ANSWERED);
        any_fill(any, &scans[i]);
        rig->utc_ms += (int64_t)any_below(any, 4000);
        rig->boot_ms += (int64_t)any_below(any, 4000);
    }
    if (any_happens(any, 10))
        rig->utc_ms += any_happens(any, 500) ? 3600000 : -3600000; /* the clock is set */
    struct event event = {
        .kind = "note", .utc_ms = rig->utc_ms, .boot_ms = rig->boot_ms, .who = "test"};
    struct batch batch = {
        .scans = scans, .n_scans = n, .events = &event, .n_events = any_happens(any, 200)};
    if (journal_append(rig->journal, &batch, &error) != UP_OK)
        fail_msg("append: %s", error.why);
    story->n += n;
}

/** All steps of sealing that there are to do. */
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

static struct journal_reader *open_reader(const struct rig *rig)
{
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    if (journal_reader_open(rig->directory, &reader, &error) != UP_OK)
        fail_msg("reader: %s", error.why);
    return reader;
}

/* ---- every question of a reader, its answers in one number ---- */

static uint64_t mix(uint64_t sum, uint64_t value)
{
    return (sum ^ value) * UINT64_C(0x100000001B3) + (sum >> 29);
}

static uint64_t mix_scan(uint64_t sum, const struct scan *scan)
{
    const uint64_t fields[] = {scan->pos,
                               scan->run,
                               scan->seq,
                               (uint64_t)scan->begun.utc_ms,
                               (uint64_t)scan->begun.boot_ms,
                               scan->begun.boot,
                               scan->begun.clock,
                               scan->took_ms,
                               scan->plan,
                               scan->well,
                               scan->source,
                               scan->outcome,
                               scan->tries,
                               scan->stray,
                               scan->n_blocks,
                               scan->n_words};
    for (size_t i = 0; i < sizeof fields / sizeof *fields; i++)
        sum = mix(sum, fields[i]);
    for (unsigned i = 0; i < scan->n_words; i++)
        sum = mix(sum, scan->words[i]);
    for (unsigned i = 0; i < scan->n_blocks; i++)
        sum = mix(sum, (uint64_t)scan->block[i].function << 40 |
                           (uint64_t)scan->block[i].exception << 32 |
                           (uint32_t)scan->block[i].first << 16 | scan->block[i].count);
    return sum;
}

static uint64_t sum_of_wells(struct journal_reader *reader, const struct rig *rig)
{
    struct scan *got = calloc(JOURNAL_SLICE_MAX, sizeof *got);
    struct up_error error = {0};
    uint64_t sum = 0;
    for (int w = 0; w < WELLS; w++) {
        uint64_t after = 0;
        size_t n = 1;
        for (size_t about = 1; n > 0; about = about % 64 + 1) {
            assert_int_equal(
                journal_read_scans(reader, rig->wells[w].number, after, about, got, &n, &error),
                UP_OK);
            for (size_t i = 0; i < n; i++) {
                assert_true(got[i].pos > after);
                after = got[i].pos;
                sum = mix_scan(sum, &got[i]);
            }
        }
    }
    free(got);
    return sum;
}

static uint64_t sum_of_rows(struct journal_reader *reader, size_t *n_rows)
{
    struct scan *got = calloc(JOURNAL_SLICE_MAX, sizeof *got);
    struct up_error error = {0};
    bool holds[JOURNAL_SLICE_MAX];
    uint64_t sum = 0, after = 0, newest = 0;
    size_t n = 1;
    assert_int_equal(journal_read_newest_pos(reader, &newest, &error), UP_OK);
    sum = mix(sum, newest);
    *n_rows = 0;
    while (n > 0) {
        assert_int_equal(
            journal_read_rows(reader, after, newest, JOURNAL_SLICE_MAX, got, holds, &n, &error),
            UP_OK);
        for (size_t i = 0; i < n; i++) {
            assert_true(got[i].pos > after && holds[i]);
            after = got[i].pos;
            sum = mix_scan(sum, &got[i]);
            ++*n_rows;
        }
    }
    free(got);
    return sum;
}

/** By chance, but the same chance each time. */
static uint64_t sum_of_questions(struct journal_reader *reader, const struct story *story)
{
    struct any_scan any = {.random = 4711};
    struct up_error error = {0};
    uint64_t sum = 0;
    for (int i = 0; i < 40; i++) {
        const struct scan *at = &story->scans[any_below(&any, story->n)],
                          *to = &story->scans[any_below(&any, story->n)];
        uint64_t a = 0, b = 0, c = 0;
        int64_t boot_ms = 0;
        struct row_range range;
        assert_int_equal(
            journal_row_before(reader, at->well, at->pos + any_below(&any, 2), &a, &b, &c, &error),
            UP_OK);
        sum = mix(mix(mix(sum, a), b), c);
        assert_int_equal(journal_window_start(reader, at->well, at->pos,
                                              (int64_t)any_below(&any, 900000),
                                              (uint32_t)any_below(&any, 9), &a, &error),
                         UP_OK);
        sum = mix(sum, a);
        assert_int_equal(journal_range_of_seq(reader, at->well, at->seq, to->seq, &range, &error),
                         UP_OK);
        sum = mix(mix(mix(sum, range.from), range.to), range.from_run);
        assert_int_equal(journal_range_of_time(reader, at->well, at->begun.utc_ms, to->begun.utc_ms,
                                               &range, &error),
                         UP_OK);
        sum = mix(mix(mix(mix(sum, range.from), range.to), range.from_seq), range.to_seq);
        assert_int_equal(
            journal_first_row_from(reader, at->begun.utc_ms, to->pos, &a, &b, &boot_ms, &error),
            UP_OK);
        sum = mix(mix(mix(sum, a), b), (uint64_t)boot_ms);
    }
    return sum;
}

static uint64_t sum_of_counts(struct journal_reader *reader, const struct story *story)
{
    struct any_scan any = {.random = 815};
    struct up_error error = {0};
    struct scan_count counts[8];
    uint64_t sum = 0, by_outcome[OUTCOME_COUNT], pos = 0, seq = 0;
    int64_t from = 0, to = 0;
    for (int i = 0; i < 20; i++) {
        const struct scan *a = &story->scans[any_below(&any, story->n)],
                          *b = &story->scans[any_below(&any, story->n)];
        size_t got = 0;
        assert_int_equal(
            journal_count_all(reader, a->begun.utc_ms, b->begun.utc_ms, counts, 8, &got, &error),
            UP_OK);
        uint64_t all = 0;
        for (size_t k = 0; k < got; k++)
            for (unsigned o = 0; o < OUTCOME_COUNT; o++)
                all +=
                    counts[k].by_outcome[o] * (counts[k].well * 100u + counts[k].source * 10u + o);
        sum = mix(sum, all);
        assert_int_equal(journal_count_scans(reader, a->well, a->source, a->begun.utc_ms,
                                             b->begun.utc_ms, by_outcome, &error),
                         UP_OK);
        for (unsigned o = 0; o < OUTCOME_COUNT; o++)
            sum = mix(sum, by_outcome[o]);
        assert_int_equal(journal_read_newest(reader, a->well, &pos, &seq, &error), UP_OK);
        sum = mix(mix(sum, pos), seq);
    }
    assert_true(journal_span(reader, &from, &to));
    return mix(mix(sum, (uint64_t)from), (uint64_t)to);
}

struct answers {
    uint64_t wells, rows, questions, counts;
    size_t n_rows;
};

static struct answers ask_all(const struct story *story)
{
    struct journal_reader *reader = open_reader(story->rig);
    struct answers answers;
    answers.wells = sum_of_wells(reader, story->rig);
    answers.rows = sum_of_rows(reader, &answers.n_rows);
    answers.questions = sum_of_questions(reader, story);
    answers.counts = sum_of_counts(reader, story);
    struct journal_damage damage;
    assert_false(journal_reader_damage(reader, &damage));
    journal_reader_close(reader);
    return answers;
}

static void check_answers(const char *when, const struct answers *got, const struct answers *want)
{
    if (got->n_rows != want->n_rows)
        fail_msg("%s: %zu rows, expected %zu", when, got->n_rows, want->n_rows);
    if (got->wells != want->wells)
        fail_msg("%s: scans of a well differ", when);
    if (got->rows != want->rows)
        fail_msg("%s: scans of all wells differ", when);
    if (got->questions != want->questions)
        fail_msg("%s: rows before, windows or ranges differ", when);
    if (got->counts != want->counts)
        fail_msg("%s: counts, newest or span differ", when);
}

/* Planted defects: blocks of several wells are read one after another and not in the order of pos;
 * a walk back leaves out the first row of a block (journal-walk-back-short); a range that a slice
 * ends within is begun anew; a block's count is taken though it crosses the interval
 * (journal-count-of-a-crossing-block). */
static void a_reader_sees_no_difference_between_rows_and_blocks(void **state)
{
    struct rig *rig = *state;
    for (unsigned seed = 1; seed <= 2; seed++) {
        struct story story;
        rig_start(rig, BOOT_A);
        story_begin(&story, rig, seed, seed == 1 ? 2 : 40);
        while (story.n < ROWS / 2)
            story_append(&story);
        const struct answers before = ask_all(&story);
        const int64_t rows = rig_query(rig, "SELECT count(*) FROM scan");
        journal_set_sealing(rig->journal, &SOON);
        seal_all(rig);
        const int64_t left = rig_query(rig, "SELECT count(*) FROM scan");
        assert_in_range(left, 10, rows / 2);
        assert_true(rig_query(rig, "SELECT count(*) FROM block") > 10);
        const struct answers after = ask_all(&story);
        check_answers("sealed", &after, &before);
        free(story.scans);
        rig_kill(rig);
        char command[160];
        snprintf(command, sizeof command, "rm -f '%s'/journal.sqlite*", rig->directory);
        assert_int_equal(system(command), 0);
    }
}

/* As backlogs of several wells are drained. Planted defect: journal-view-one-range. */
static void wells_that_take_turns_unpack_each_block_once(void **state)
{
    struct rig *rig = *state;
    struct story story;
    struct up_error error = {0};
    struct scan *got = calloc(JOURNAL_SLICE_MAX, sizeof *got);
    uint64_t after[WELLS] = {0}, next[WELLS] = {0};
    size_t n = 1, rows = 0;
    rig_start(rig, BOOT_A);
    story_begin(&story, rig, 11, 2);
    while (story.n < 1400)
        story_append(&story);
    journal_set_sealing(rig->journal, &SOON);
    seal_all(rig);
    struct journal_reader *reader = open_reader(rig);
    while (n > 0) {
        n = 0;
        for (int w = 0; w < WELLS; w++) { /* each at its own pace: they part by whole ranges */
            const uint16_t well = rig->wells[w].number;
            size_t found = 0;
            assert_int_equal(
                journal_read_scans(reader, well, after[w], w == 0 ? 9 : 6, got, &found, &error),
                UP_OK);
            for (size_t i = 0; i < found; i++) {
                while (story.scans[next[w]].well != well)
                    next[w]++;
                assert_int_equal(mix_scan(0, &got[i]), mix_scan(0, &story.scans[next[w]++]));
                after[w] = got[i].pos;
            }
            rows += found;
            n += found;
        }
    }
    check_count("rows", (long long)rows, (long long)story.n);
    check_count("unpacked", (long long)reader->view->n_unpacked,
                rig_query(rig, "SELECT count(*) FROM block"));
    assert_true(rig_query(rig, "SELECT count(DISTINCT pos_to) FROM block") >= 5);
    journal_reader_close(reader);
    free(got);
    free(story.scans);
}

/** Seals all it can just when the reader, which has looked where blocks stand, asks for rows. */
static int seal_before_rows(unsigned what, void *context, void *statement, void *text)
{
    struct up_error error = {0};
    bool more = true;
    (void)what, (void)statement;
    if (strstr(text, "FROM scan s") != NULL)
        while (more)
            assert_int_equal(journal_seal(context, &more, &error), UP_OK);
    return 0;
}

/* Planted defect: journal-slice-without-transaction (a slice's rows are read in one transaction and
 * its blocks in another, so that what is sealed between is missed, or comes twice). */
static void scans_that_are_sealed_under_a_reader_come_once(void **state)
{
    struct rig *rig = *state;
    struct story story;
    struct up_error error = {0};
    struct scan *got = calloc(JOURNAL_SLICE_MAX, sizeof *got);
    bool holds[JOURNAL_SLICE_MAX], more = true;
    rig_start(rig, BOOT_A);
    story_begin(&story, rig, 7, 2);
    while (story.n < 1000)
        story_append(&story);
    journal_set_sealing(rig->journal, &SOON);
    struct journal_reader *reader = open_reader(rig);
    uint64_t after = 0;
    size_t n = 1, rows = 0;
    while (n > 0) {
        sqlite3_trace_v2(reader->store.db, rows > 200 ? SQLITE_TRACE_STMT : 0, seal_before_rows,
                         rig->journal);
        assert_int_equal(journal_read_rows(reader, after, INT64_MAX, 7, got, holds, &n, &error),
                         UP_OK);
        for (size_t i = 0; i < n; i++) {
            check_count("pos", (long long)got[i].pos, (long long)story.scans[rows].pos);
            after = got[i].pos;
            rows++;
        }
        for (int i = 0; i < 2 && rows > 300; i++)
            assert_int_equal(journal_seal(rig->journal, &more, &error), UP_OK);
    }
    check_count("rows", (long long)rows, (long long)story.n);
    assert_true(rig_query(rig, "SELECT count(*) FROM block") > 10);
    journal_reader_close(reader);
    free(got);
    free(story.scans);
}

/* Planted defects: newest pos and a well's seq are taken from rows alone, though all of them are
 * sealed (journal-seq-of-rows-alone); the sealing begins at 0 again after a restart; a run's last
 * instant is looked for in rows alone. */
static void a_restart_finds_its_place_though_every_scan_is_sealed(void **state)
{
    static const struct journal_sealing ALL = {.keep_rows = 0, .block_rows = 1, .range_rows = 1000};
    struct rig *rig = *state;
    struct story story;
    rig_start(rig, BOOT_A);
    story_begin(&story, rig, 3, 2);
    while (story.n < 400)
        story_append(&story);
    journal_set_sealing(rig->journal, &ALL);
    seal_all(rig);
    check_count("no row is left", rig_query(rig, "SELECT count(*) FROM scan"), 0);
    const struct scan *last = &story.scans[story.n - 1];
    const uint64_t newest = journal_newest_pos(rig->journal),
                   next = journal_next_seq(rig->journal, rig->wells[0].number);
    const struct answers before = ask_all(&story);
    rig_kill(rig);
    rig_start(rig, BOOT_A);
    check_count("newest pos, and those of the new run and its plan",
                (long long)journal_newest_pos(rig->journal), (long long)newest + 2);
    check_count("next seq", (long long)journal_next_seq(rig->journal, rig->wells[0].number),
                (long long)next);
    check_count("last instant", journal_last_run(rig->journal)->last.utc_ms, last->begun.utc_ms);
    journal_set_sealing(rig->journal, &ALL);
    const int64_t blocks = rig_query(rig, "SELECT count(*) FROM block");
    seal_all(rig);
    check_count("nothing is sealed twice", rig_query(rig, "SELECT count(*) FROM block"), blocks);
    while (story.n < 420)
        story_append(&story);
    seal_all(rig);
    const struct answers after = ask_all(&story);
    check_count("rows", (long long)after.n_rows, (long long)story.n);
    (void)before;
    free(story.scans);
}

/* Planted defect: one step packs all wells, or stores and packs. */
static void a_step_is_bounded(void **state)
{
    struct rig *rig = *state;
    struct story story;
    struct up_error error = {0};
    bool more = true;
    int64_t blocks = 0, stored = 0, quiet = 0;
    rig_start(rig, BOOT_A);
    story_begin(&story, rig, 11, 2);
    while (story.n < 1200)
        story_append(&story);
    journal_set_sealing(rig->journal, &SOON);
    while (more) {
        assert_int_equal(journal_seal(rig->journal, &more, &error), UP_OK);
        const int64_t now = rig_query(rig, "SELECT count(*) FROM block");
        assert_in_range(now - blocks, 0,
                        3 + 500 / 60); /* of one range: 3 pairs, and what did not fit in one */
        stored += now > blocks;
        quiet += now == blocks;
        blocks = now;
    }
    assert_true(stored > 5 && quiet > 2 * stored);
    check_count(
        "ranges do not overlap",
        rig_query(
            rig, "SELECT count(*) FROM block a JOIN block b ON a.number < b.number AND a.pos_to <> "
                 "b.pos_to AND a.pos_to >= b.pos_from"),
        0);
    free(story.scans);
}

#define RIG_TEST(name) cmocka_unit_test_setup_teardown(name, rig_setup, rig_teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        RIG_TEST(a_reader_sees_no_difference_between_rows_and_blocks),
        RIG_TEST(scans_that_are_sealed_under_a_reader_come_once),
        RIG_TEST(wells_that_take_turns_unpack_each_block_once),
        RIG_TEST(a_restart_finds_its_place_though_every_scan_is_sealed),
        RIG_TEST(a_step_is_bounded),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
