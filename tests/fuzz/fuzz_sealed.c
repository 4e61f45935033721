/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_sealed.c - whatever stands in a sealed block is refused or unpacked within its bounds; and
 * what a block is made of comes back.
 *
 * First byte 0: the rest is a block's head and data as they might be found on a damaged disk. 1:
 * the rest is the coding behind the codec byte, with a head that fits. 2: the rest are the words,
 * outcomes and times of scans, which are packed and must come back. Planted defects that it must
 * catch: a column read beyond the end; a layout that a row names and that isn't there.
 */
#include "../../daemon/journal/sealed.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n);

static void expect(bool holds)
{
    if (!holds)
        abort();
}

static void look_at_all(const struct sealed_table *table, size_t rows)
{
    static struct scan scan;
    for (size_t i = 0; i < rows; i++) {
        sealed_table_scan(table, i, true, &scan);
        expect(scan.n_words <= SCAN_WORDS_MAX && scan.n_blocks <= SCAN_BLOCKS_MAX);
        uint8_t blob[SCAN_BLOB_MAX];
        expect(scan.n_blocks == 0 || scan_to_blob(&scan, blob) > 0);
    }
}

/** Memory of exactly the size that the head asks for: what is written beyond it is seen. */
static void unpack(struct sealed_packer *packer, const struct sealed_head *head,
                   const uint8_t *data, size_t length)
{
    struct sealed_table *table = malloc(sealed_table_bytes(head));
    uint8_t *copy = malloc(length > 0 ? length : 1);
    if (table != NULL && copy != NULL) {
        if (length > 0)
            memcpy(copy, data, length);
        if (sealed_unpack(packer, head, copy, length, table))
            look_at_all(table, head->rows);
    }
    free(table);
    free(copy);
}

static void pack_and_compare(struct sealed_packer *packer, struct sealed_rows *rows,
                             const uint8_t *bytes, size_t n)
{
    static struct scan scans[64], scan;
    static uint8_t data[SEALED_DATA_MAX];
    size_t count = 0;
    sealed_rows_clear(rows);
    while (n >= 12 && count < 64) {
        struct scan *one = &scans[count];
        *one = (struct scan){
            .pos = count + 1, .seq = bytes[0], .run = bytes[1] & 3, .well = 1, .source = 1};
        memcpy(&one->begun.utc_ms, bytes, 8);
        one->begun.boot_ms = -one->begun.utc_ms / 3;
        one->begun.boot = bytes[1] & 3;
        one->outcome = bytes[8];
        one->took_ms = (uint32_t)bytes[9] << (bytes[10] & 15);
        const unsigned words = bytes[11] % 40;
        if (n < 12 + 2u * words)
            break;
        one->n_blocks = 1;
        one->block[0] = (struct block){.function = 3,
                                       .first = bytes[10],
                                       .count = (uint16_t)words,
                                       .exception = words == 0 ? 2 : 0};
        one->n_words = (uint16_t)words;
        memcpy(one->words, bytes + 12, 2u * words);
        bytes += 12 + 2u * words;
        n -= 12 + 2u * words;
        if (!sealed_rows_add(rows, one))
            break;
        count++;
    }
    if (count == 0)
        return;
    const size_t length = sealed_pack(packer, rows, data, sizeof data);
    const struct sealed_head head = rows->head;
    struct sealed_table *table = malloc(sealed_table_bytes(&head));
    expect(length > 0 && table != NULL && sealed_unpack(packer, &head, data, length, table));
    for (size_t i = 0; i < count; i++) {
        scan = (struct scan){.well = 1, .source = 1};
        sealed_table_scan(table, i, true, &scan);
        expect(scan.pos == scans[i].pos && scan.seq == scans[i].seq && scan.run == scans[i].run &&
               scan.begun.utc_ms == scans[i].begun.utc_ms &&
               scan.begun.boot_ms == scans[i].begun.boot_ms &&
               scan.begun.boot == scans[i].begun.boot && scan.outcome == scans[i].outcome &&
               scan.took_ms == scans[i].took_ms && scan.n_words == scans[i].n_words &&
               memcmp(scan.words, scans[i].words, 2u * scan.n_words) == 0);
    }
    free(table);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n)
{
    static struct sealed_packer *packer;
    static struct sealed_rows *rows;
    struct sealed_head head = {0};
    if (packer == NULL) {
        packer = sealed_packer_create(true);
        rows = malloc(sizeof *rows);
        expect(packer != NULL && rows != NULL);
    }
    if (n < 1)
        return 0;
    if (bytes[0] == 0 && n > 1 + SEALED_HEAD_BYTES &&
        sealed_head_read(bytes + 1, SEALED_HEAD_BYTES, &head)) {
        unpack(packer, &head, bytes + 1 + SEALED_HEAD_BYTES, n - 1 - SEALED_HEAD_BYTES);
    } else if (bytes[0] == 1 && n > 4 && n < SEALED_RAW_MAX) {
        struct sealed_table *table = malloc(sizeof *table);
        expect(table != NULL);
        if (sealed_table_read(table, SEALED_TABLE_MAX, (bytes[1] & 1) != 0, bytes + 3, n - 3))
            look_at_all(table, table->n);
        free(table);
    } else if (bytes[0] == 2) {
        pack_and_compare(packer, rows, bytes + 1, n - 1);
    }
    return 0;
}
