/* SPDX-License-Identifier: Apache-2.0
 *
 * test_sealed.c - sealed blocks: what goes in comes back bit for bit, and whoever reads sees no
 * difference between rows and blocks.
 *
 * The planted defect that a test must catch stands above it.
 */
#include "any_scan.h"
#include "support.h"

#include "check.h"

#include "../../daemon/journal/sealed.h"

#include <stdlib.h>

/* ---- the coding ---- */

static void check_same_scan(const struct scan *got, const struct scan *want)
{
    if (got->pos == want->pos && got->run == want->run && got->seq == want->seq &&
        got->begun.utc_ms == want->begun.utc_ms && got->begun.boot_ms == want->begun.boot_ms &&
        got->begun.boot == want->begun.boot && got->begun.clock == want->begun.clock &&
        got->took_ms == want->took_ms && got->plan == want->plan && got->well == want->well &&
        got->source == want->source && got->outcome == want->outcome && got->tries == want->tries &&
        got->stray == want->stray && got->n_blocks == want->n_blocks &&
        got->n_words == want->n_words &&
        memcmp(got->words, want->words, got->n_words * sizeof *got->words) == 0) {
        for (unsigned i = 0; i < got->n_blocks; i++) {
            const struct block *a = &got->block[i], *b = &want->block[i];
            if (a->function != b->function || a->exception != b->exception ||
                a->first != b->first || a->count != b->count ||
                (block_words(a) > 0 && a->at != b->at))
                fail_msg("scan %llu: range %u differs", (unsigned long long)want->pos, i);
        }
        return;
    }
    fail_msg("scan %llu (seq %llu) is not what it was", (unsigned long long)want->pos,
             (unsigned long long)want->seq);
}

struct bench {
    struct sealed_packer *packer;
    struct sealed_rows *rows;
    struct sealed_table *table;
    struct scan *scans, *one;
    uint8_t *data;
};

static void bench_make(struct bench *bench)
{
    *bench = (struct bench){.packer = sealed_packer_create(true),
                            .rows = malloc(sizeof *bench->rows),
                            .table = malloc(sizeof *bench->table),
                            .scans = calloc(SEALED_ROWS_MAX, sizeof *bench->scans),
                            .one = calloc(1, sizeof *bench->one),
                            .data = malloc(SEALED_DATA_MAX)};
    assert_true(bench->packer && bench->rows && bench->table && bench->scans && bench->one &&
                bench->data);
}

static void bench_free(struct bench *bench)
{
    sealed_packer_destroy(bench->packer);
    free(bench->rows);
    free(bench->table);
    free(bench->scans);
    free(bench->one);
    free(bench->data);
}

/** Packs the first n scans, as far as they fit, and checks what comes back. Returns how many
 * fitted. */
static size_t check_round(struct bench *bench, size_t n)
{
    size_t fitted = 0;
    sealed_rows_clear(bench->rows);
    while (fitted < n && sealed_rows_add(bench->rows, &bench->scans[fitted]))
        fitted++;
    assert_true(fitted > 0);
    const size_t length = sealed_pack(bench->packer, bench->rows, bench->data, SEALED_DATA_MAX);
    assert_int_not_equal(length, 0);
    const struct sealed_head head = bench->rows->head;
    memset(bench->table, 0xA5, sizeof *bench->table);
    assert_true(sealed_unpack(bench->packer, &head, bench->data, length, bench->table));
    for (size_t i = 0; i < fitted; i++) {
        memset(bench->one, 0x5A, sizeof *bench->one);
        sealed_table_scan(bench->table, i, true, bench->one);
        bench->one->well = head.well;
        bench->one->source = head.source;
        check_same_scan(bench->one, &bench->scans[i]);
    }
    check_count("rows of the head", head.rows, (long long)fitted);
    check_count("last seq of the head", (long long)head.last_seq,
                (long long)bench->scans[fitted - 1].seq);
    return fitted;
}

/** n scans of one well and source, a period apart. */
static void make_scans(struct bench *bench, struct any_scan *any, size_t n)
{
    struct stamp now = {.utc_ms = UTC_START, .boot_ms = 100000, .boot = 0x0badcafe, .clock = 4};
    uint64_t pos = 7, seq = 1, run = any_random(any);
    memset(bench->scans, 0, n * sizeof *bench->scans);
    for (size_t i = 0; i < n; i++) {
        struct scan *scan = &bench->scans[i];
        if (any_happens(any, any->wildness))
            now.utc_ms = (int64_t)(any_random(any) >> (any_below(any, 63) + 1)) -
                         (int64_t)(any_random(any) >> (any_below(any, 63) + 1));
        if (any_happens(any, any->wildness)) {
            run = any_random(any);
            now.boot = (uint32_t)any_random(any);
            now.boot_ms = any_happens(any, 300) ? INT64_MIN : (int64_t)any_random(any);
        }
        now.clock = any_happens(any, any->wildness) ? (uint8_t)any_random(any) : now.clock;
        scan->pos = pos += 1 + any_below(any, any->wildness > 50 ? 1000000 : 3);
        scan->seq = seq += 1 + any_below(any, 2);
        scan->run = run;
        scan->begun = now;
        scan->plan = any_happens(any, any->wildness) ? (uint32_t)any_random(any) : 3;
        scan->well = 3;
        scan->source = SOURCE_GAUGE;
        any_fill(any, scan);
        now.utc_ms += (int64_t)(28000 + any_below(any, 4));
        now.boot_ms = (int64_t)((uint64_t)now.boot_ms + 28000);
    }
}

/* Planted defects: differences of 16-bit words in 15 bits; the second plane left out where it is
 * small; the mean of the last values rounded otherwise on the way back; layouts told apart by their
 * length alone. */
static void every_bit_of_every_scan_comes_back(void **state)
{
    struct bench bench;
    (void)state;
    bench_make(&bench);
    for (unsigned seed = 1; seed <= 120; seed++) {
        struct any_scan any = {.random = seed, .wildness = (seed * 7) % 101};
        const size_t n = 1 + any_below(&any, seed % 4 == 0 ? SEALED_ROWS_MAX : 200);
        make_scans(&bench, &any, n);
        (void)check_round(&bench, n);
    }
    bench_free(&bench);
}

/** A scan that is as large as a row can be, and unlike the one before. */
static void make_large(struct scan *scan, struct any_scan *any, uint64_t pos)
{
    scan->pos = pos;
    scan->well = 3;
    scan->n_blocks = SCAN_BLOCKS_MAX;
    scan->n_words = SCAN_WORDS_MAX;
    for (unsigned i = 0; i < SCAN_BLOCKS_MAX; i++)
        scan->block[i] = (struct block){.function = 3,
                                        .first = (uint16_t)any_random(any),
                                        .count = SCAN_WORDS_MAX / SCAN_BLOCKS_MAX,
                                        .at = (uint16_t)(i * (SCAN_WORDS_MAX / SCAN_BLOCKS_MAX))};
    for (unsigned i = 0; i < SCAN_WORDS_MAX; i++)
        scan->words[i] = (uint16_t)any_random(any);
}

/* Planted defect: a block takes rows beyond its room. */
static void a_block_that_is_full_takes_no_more_and_holds_what_it_took(void **state)
{
    struct bench bench;
    struct any_scan any = {.random = 99};
    (void)state;
    bench_make(&bench);
    for (size_t i = 0; i < SEALED_ROWS_MAX; i++)
        make_large(&bench.scans[i], &any, i + 1);
    const size_t fitted = check_round(&bench, SEALED_ROWS_MAX);
    assert_in_range(fitted, 100, 300);
    /* Words that can't be packed cost a byte more than their coding, and no more. */
    assert_true(bench.rows->head.data_length <= bench.rows->head.raw_length + 1);
    bench_free(&bench);
}

/* Planted defect: the codec byte is not looked at (sealed-codec-unread). */
static void a_codec_that_is_not_known_is_refused(void **state)
{
    struct bench bench;
    struct any_scan any = {.random = 5, .wildness = 3};
    (void)state;
    bench_make(&bench);
    make_scans(&bench, &any, 50);
    (void)check_round(&bench, 50);
    const struct sealed_head head = bench.rows->head;
    const size_t length = head.data_length;
    check_count("codec", bench.data[0], SEALED_HELD_ZSTD);
    for (unsigned codec = 0; codec < 256; codec++) {
        bench.data[0] = (uint8_t)codec;
        assert_int_equal(sealed_unpack(bench.packer, &head, bench.data, length, bench.table),
                         codec == SEALED_HELD_ZSTD);
    }
    bench_free(&bench);
}

/* Planted defect: plain data are taken without a look at their length (sealed-plain-length-unread).
 */
static void data_that_are_stored_plain_come_back_too(void **state)
{
    struct bench bench;
    struct any_scan any = {.random = 8, .wildness = 100};
    (void)state;
    bench_make(&bench);
    make_scans(&bench, &any, 40);
    (void)check_round(&bench, 40);
    struct sealed_head head = bench.rows->head;
    bench.data[0] = SEALED_HELD_PLAIN;
    const size_t raw = sealed_rows_code(bench.rows, bench.data + 1);
    head.data_length = (uint32_t)raw + 1;
    assert_true(sealed_unpack(bench.packer, &head, bench.data, raw + 1, bench.table));
    sealed_table_scan(bench.table, 39, true, bench.one);
    bench.one->well = bench.one->source = 0;
    bench.scans[39].well = bench.scans[39].source = 0;
    check_same_scan(bench.one, &bench.scans[39]);
    head.data_length = (uint32_t)raw;
    assert_false(sealed_unpack(bench.packer, &head, bench.data, raw, bench.table));
    bench_free(&bench);
}

/* ---- what stands still ---- */

#define REGISTERS 40

/** A gauge that is polled more often than it refreshes, with a word that moves with every poll and
 * one that is noise; now and then a range is not answered. */
static void make_held(struct bench *bench, struct any_scan *any, size_t n, unsigned polls)
{
    uint16_t words[REGISTERS] = {0};
    make_scans(bench, any, n);
    for (size_t i = 0; i < n; i++) {
        struct scan *scan = &bench->scans[i];
        for (unsigned w = 0; i % polls == 0 && w < REGISTERS; w++)
            if (w % 3 != 0)
                words[w] = (uint16_t)(words[w] + any_below(any, 9));
        words[5] = (uint16_t)i;
        words[17] = (uint16_t)any_random(any);
        memset(scan->block, 0, sizeof scan->block);
        scan->n_blocks = 1;
        scan->block[0] = (struct block){.function = 4, .first = 16, .count = REGISTERS};
        scan->n_words = REGISTERS;
        if (any_happens(any, 20)) {
            scan->block[0].exception = BLOCK_NO_ANSWER;
            scan->n_words = 0;
        }
        memcpy(scan->words, words, scan->n_words * sizeof *words);
    }
}

/* Planted defects: journal-held-shifted, journal-held-whole-layout. */
static void what_stands_still_together_is_coded_once_and_comes_back(void **state)
{
    struct bench bench;
    (void)state;
    bench_make(&bench);
    for (unsigned seed = 1; seed <= 40; seed++) {
        struct any_scan any = {.random = seed, .wildness = 2};
        const unsigned polls = 1 + seed % 5;
        const size_t n = 1 + any_below(&any, seed % 3 == 0 ? SEALED_ROWS_MAX : 90);
        make_held(&bench, &any, n, polls);
        (void)check_round(&bench, n);
        /* Fields take up to 29 bytes a scan here, the two words 4, 38 others a byte each a refresh:
         * 46 at most; with a byte a poll it would be 59 at least. */
        if (polls >= 3 && n >= 60)
            assert_true(bench.rows->head.raw_length < n * 50);
    }
    bench_free(&bench);
}

/* A block of twelve scans that the first coding wrote (before anything was held), byte by byte:
 * made by that program's own sealed_pack of the scans below. Planted defect: journal-held-always.
 */
static void a_block_of_the_first_coding_still_reads(void **state)
{
    static const uint8_t DATA[] = {
        0x02, 0x28, 0xB5, 0x2F, 0xFD, 0x60, 0x48, 0x00, 0x9D, 0x03, 0x00, 0x74, 0x04, 0x00,
        0x0C, 0x00, 0x01, 0x00, 0x01, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x0B,
        0xAD, 0xCA, 0xFE, 0x01, 0x04, 0x00, 0x10, 0x00, 0x03, 0x00, 0x14, 0x14, 0x02, 0x00,
        0x14, 0xC8, 0x64, 0x00, 0xC0, 0xEE, 0xDA, 0xAE, 0x00, 0xFA, 0x82, 0x03, 0x60, 0xC0,
        0x00, 0xE0, 0xAB, 0x21, 0x68, 0x02, 0x02, 0x03, 0x00, 0x01, 0x00, 0x10, 0x06, 0x00,
        0x10, 0x08, 0x10, 0x02, 0x20, 0x10, 0x00, 0x00, 0x02, 0x27, 0x22, 0x14, 0x00, 0x0E,
        0x14, 0x20, 0x10, 0x03, 0x9A, 0xDD, 0x70, 0x4F, 0x18, 0x97, 0xC8, 0x99, 0x10, 0x0F,
        0x80, 0x96, 0xD8, 0xC5, 0xDC, 0x31, 0x8C, 0xD0, 0xB3, 0x82, 0x11, 0x6F, 0x83, 0x6F,
        0x6C, 0x58, 0x23, 0xCD, 0x9D, 0x8D, 0x7F, 0x63, 0xF6, 0x80, 0x06, 0x57, 0x74, 0x27,
    };
    struct bench bench;
    (void)state;
    bench_make(&bench);
    const struct sealed_head head = {
        .rows = 12, .data_length = sizeof DATA, .raw_length = 328, .table_length = 684};
    assert_true(sealed_unpack(bench.packer, &head, DATA, sizeof DATA, bench.table));
    for (unsigned i = 0; i < 12; i++) {
        struct scan want = {
            .pos = 10 + i,
            .run = 0x1122334455667788,
            .seq = 100 + i,
            .begun = {.utc_ms = INT64_C(1930543200000) + 28000 * (int64_t)i,
                      .boot_ms = 100000 + 28000 * (int64_t)i,
                      .boot = 0x0badcafe,
                      .clock = 4},
            .took_ms = 180 + i % 3,
            .plan = 3,
            .outcome = OUTCOME_ANSWERED,
            .tries = 1,
            .n_blocks = 1,
            .n_words = 3,
            .block = {{.function = 4, .first = 16, .count = 3}},
            .words = {(uint16_t)(5000 + i / 3), 17, (uint16_t)(i * 7)},
        };
        sealed_table_scan(bench.table, i, true, bench.one);
        bench.one->well = bench.one->source = 0;
        check_same_scan(bench.one, &want);
    }
    bench_free(&bench);
}

/* Planted defects: the head's check covers only a part of it (sealed-head-check-in-part); the
 * length is not looked at. */
static void each_flipped_bit_of_a_head_is_seen(void **state)
{
    struct bench bench;
    struct any_scan any = {.random = 6, .wildness = 3};
    struct sealed_head head, back;
    uint8_t bytes[SEALED_HEAD_BYTES];
    (void)state;
    bench_make(&bench);
    make_scans(&bench, &any, 50);
    (void)check_round(&bench, 50);
    head = bench.rows->head;
    head.number = 12;
    head.pos_from = 1;
    head.pos_to = head.last_pos + 5;
    sealed_head_write(&head, bytes);
    assert_true(sealed_head_read(bytes, sizeof bytes, &back));
    check_count("number", (long long)back.number, 12);
    check_count("first", back.first.utc_ms, head.first.utc_ms);
    check_count("last", back.last.boot_ms, head.last.boot_ms);
    check_count("answered", back.by_outcome[OUTCOME_ANSWERED], head.by_outcome[OUTCOME_ANSWERED]);
    for (size_t bit = 0; bit < 8 * sizeof bytes; bit++) {
        bytes[bit / 8] ^= (uint8_t)(1u << (bit % 8));
        assert_false(sealed_head_read(bytes, sizeof bytes, &back));
        bytes[bit / 8] ^= (uint8_t)(1u << (bit % 8));
    }
    assert_false(sealed_head_read(bytes, sizeof bytes - 1, &back));
    assert_false(sealed_head_read(NULL, 0, &back));
    bench_free(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_bit_of_every_scan_comes_back),
        cmocka_unit_test(a_block_that_is_full_takes_no_more_and_holds_what_it_took),
        cmocka_unit_test(a_codec_that_is_not_known_is_refused),
        cmocka_unit_test(data_that_are_stored_plain_come_back_too),
        cmocka_unit_test(what_stands_still_together_is_coded_once_and_comes_back),
        cmocka_unit_test(a_block_of_the_first_coding_still_reads),
        cmocka_unit_test(each_flipped_bit_of_a_head_is_seen),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
