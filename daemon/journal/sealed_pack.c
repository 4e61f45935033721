/* SPDX-License-Identifier: Apache-2.0
 *
 * sealed_pack.c - a block's head, its data behind a codec byte, and its digest.
 *
 * Zstandard (RFC 8878) over the columns' coding. The residuals are noise: what gains is their
 * entropy coding, not the search for matches, so level 9 with small tables packs as well as large
 * ones and needs a third of a MiB. Whatever would grow is stored plain.
 */
#include "sealed.h"

#include "uphole/wire.h"

#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <sha2.h>
#include <zstd.h>

#define HEAD_VERSION 1
#define LEVEL 9
#define WINDOW_LOG 17
#define TABLE_LOG 12

struct sealed_packer {
    ZSTD_CCtx *compress;
    ZSTD_DCtx *decompress;
    uint8_t raw[SEALED_RAW_MAX];
};

struct sealed_packer *sealed_packer_create(bool packs)
{
    struct sealed_packer *packer = malloc(sizeof *packer); /* its pages come as they are used */
    if (packer == NULL)
        return NULL;
    packer->compress = packs ? ZSTD_createCCtx() : NULL;
    packer->decompress = ZSTD_createDCtx();
    bool good = packer->decompress != NULL && (packer->compress != NULL || !packs);
    const struct {
        ZSTD_cParameter what;
        int value;
    } SETTINGS[] = {{ZSTD_c_compressionLevel, LEVEL}, {ZSTD_c_windowLog, WINDOW_LOG},
                    {ZSTD_c_hashLog, TABLE_LOG},      {ZSTD_c_chainLog, TABLE_LOG},
                    {ZSTD_c_checksumFlag, 0},         {ZSTD_c_contentSizeFlag, 1}};
    for (size_t i = 0; good && packs && i < sizeof SETTINGS / sizeof *SETTINGS; i++)
        good = !ZSTD_isError(
            ZSTD_CCtx_setParameter(packer->compress, SETTINGS[i].what, SETTINGS[i].value));
    if (good)
        return packer;
    sealed_packer_destroy(packer);
    return NULL;
}

void sealed_packer_destroy(struct sealed_packer *packer)
{
    if (packer == NULL)
        return;
    ZSTD_freeCCtx(packer->compress);
    ZSTD_freeDCtx(packer->decompress);
    free(packer);
}

size_t sealed_pack(struct sealed_packer *packer, struct sealed_rows *rows, uint8_t *data,
                   size_t room)
{
    const size_t raw = sealed_rows_code(rows, packer->raw);
    if (room < 2)
        return 0;
    size_t packed = ZSTD_compress2(packer->compress, data + 1, room - 1, packer->raw, raw);
    data[0] = SEALED_HELD_ZSTD;
    if (ZSTD_isError(packed) || packed >= raw) {
        if (raw > room - 1)
            return 0;
        memcpy(data + 1, packer->raw, raw);
        data[0] = SEALED_HELD_PLAIN;
        packed = raw;
    }
    rows->head.raw_length = (uint32_t)raw;
    rows->head.table_length = (uint32_t)rows->table_bytes;
    rows->head.data_length = (uint32_t)(packed + 1);
    return packed + 1;
}

size_t sealed_table_bytes(const struct sealed_head *head)
{
    return offsetof(struct sealed_table, bytes) + head->table_length;
}

bool sealed_unpack(struct sealed_packer *packer, const struct sealed_head *head,
                   const uint8_t *data, size_t length, struct sealed_table *table)
{
    const uint8_t *raw = data + 1;
    if (length != head->data_length || length < 2 || head->raw_length > SEALED_RAW_MAX ||
        head->table_length > SEALED_TABLE_MAX)
        return false;
    if (data[0] == SEALED_ZSTD || data[0] == SEALED_HELD_ZSTD) {
        /* The frame says how long it unpacks; what says otherwise than the head is not unpacked. */
        if (ZSTD_getFrameContentSize(data + 1, length - 1) != head->raw_length ||
            ZSTD_decompressDCtx(packer->decompress, packer->raw, head->raw_length, data + 1,
                                length - 1) != head->raw_length)
            return false;
        raw = packer->raw;
    } else if ((data[0] != SEALED_PLAIN && data[0] != SEALED_HELD_PLAIN) ||
               length - 1 != head->raw_length) {
        return false;
    }
    return sealed_table_read(table, head->table_length, data[0] >= SEALED_HELD_PLAIN, raw,
                             head->raw_length) &&
           table->n == head->rows && table->used == head->table_length;
}

void sealed_content(const uint8_t head[static SEALED_HEAD_BYTES], const uint8_t *data,
                    size_t length, uint8_t content[static SEALED_DIGEST_BYTES])
{
    SHA2_CTX sum;
    SHA256Init(&sum);
    SHA256Update(&sum, head, SEALED_HEAD_BYTES);
    SHA256Update(&sum, data, length);
    SHA256Final(content, &sum);
}

void journal_chain_link(const uint8_t before[static JOURNAL_DIGEST_BYTES],
                        const uint8_t content[static JOURNAL_DIGEST_BYTES],
                        uint8_t digest[static JOURNAL_DIGEST_BYTES])
{
    SHA2_CTX sum;
    SHA256Init(&sum);
    SHA256Update(&sum, before, JOURNAL_DIGEST_BYTES);
    SHA256Update(&sum, content, JOURNAL_DIGEST_BYTES);
    SHA256Final(digest, &sum);
}

bool sealed_digest_holds(const uint8_t before[static SEALED_DIGEST_BYTES],
                         const uint8_t head[static SEALED_HEAD_BYTES], const uint8_t *data,
                         size_t length, const uint8_t digest[static SEALED_DIGEST_BYTES])
{
    uint8_t content[SEALED_DIGEST_BYTES], made[SEALED_DIGEST_BYTES];
    SHA2_CTX sum;
    sealed_content(head, data, length, content);
    journal_chain_link(before, content, made);
    if (memcmp(made, digest, sizeof made) == 0)
        return true;
    SHA256Init(&sum);
    SHA256Update(&sum, before, SEALED_DIGEST_BYTES);
    SHA256Update(&sum, head, SEALED_HEAD_BYTES);
    SHA256Update(&sum, data, length);
    SHA256Final(made, &sum);
    return memcmp(made, digest, sizeof made) == 0;
}

/* ---- the head ---- */

static uint8_t *write_stamp(uint8_t *at, const struct stamp *stamp)
{
    put_u64(at, (uint64_t)stamp->utc_ms);
    put_u64(at + 8, (uint64_t)stamp->boot_ms);
    put_u32(at + 16, stamp->boot);
    at[20] = stamp->clock;
    return at + 21;
}

static const uint8_t *read_stamp(const uint8_t *at, struct stamp *stamp)
{
    *stamp = (struct stamp){.utc_ms = (int64_t)get_u64(at),
                            .boot_ms = (int64_t)get_u64(at + 8),
                            .boot = get_u32(at + 16),
                            .clock = at[20]};
    return at + 21;
}

/* The 64-bit fields of a head in the order of its bytes. */
#define WIDE_FIELDS 11
static void wide_fields(struct sealed_head *head, uint64_t *into[static WIDE_FIELDS])
{
    into[0] = &head->number, into[1] = &head->pos_from, into[2] = &head->pos_to;
    into[3] = &head->first_pos, into[4] = &head->last_pos, into[5] = &head->first_run;
    into[6] = &head->last_run, into[7] = &head->first_seq, into[8] = &head->last_seq;
    into[9] = (uint64_t *)&head->from_utc_ms, into[10] = (uint64_t *)&head->to_utc_ms;
}

void sealed_head_write(const struct sealed_head *head, uint8_t bytes[static SEALED_HEAD_BYTES])
{
    struct sealed_head copy = *head;
    uint64_t *wide[WIDE_FIELDS];
    uint8_t *at = bytes;
    *at++ = HEAD_VERSION;
    wide_fields(&copy, wide);
    for (size_t i = 0; i < WIDE_FIELDS; i++, at += 8)
        put_u64(at, *wide[i]);
    at = write_stamp(write_stamp(at, &head->first), &head->last);
    put_u32(at, head->data_length);
    put_u32(at + 4, head->raw_length);
    put_u32(at + 8, head->table_length);
    put_u16(at + 12, head->well);
    put_u16(at + 14, head->rows);
    at[16] = head->source;
    at += 17;
    for (unsigned i = 0; i < SEALED_OUTCOMES; i++, at += 2)
        put_u16(at, head->by_outcome[i]);
    put_u32(at, crc32_of(0, bytes, (size_t)(at - bytes)));
}

static bool head_can_be(const struct sealed_head *head)
{
    size_t rows = 0;
    for (unsigned i = 0; i < SEALED_OUTCOMES; i++)
        rows += head->by_outcome[i];
    return head->rows > 0 && head->rows <= SEALED_ROWS_MAX && rows == head->rows &&
           head->pos_from <= head->first_pos && head->first_pos <= head->last_pos &&
           head->last_pos <= head->pos_to && head->raw_length <= SEALED_RAW_MAX &&
           head->table_length <= SEALED_TABLE_MAX && head->data_length <= SEALED_DATA_MAX;
}

bool sealed_head_read(const uint8_t *bytes, size_t length, struct sealed_head *head)
{
    uint64_t *wide[WIDE_FIELDS];
    memset(head, 0, sizeof *head);
    if (bytes == NULL || length != SEALED_HEAD_BYTES || bytes[0] != HEAD_VERSION ||
        crc32_of(0, bytes, SEALED_HEAD_BYTES - 4) != get_u32(bytes + SEALED_HEAD_BYTES - 4))
        return false;
    const uint8_t *at = bytes + 1;
    wide_fields(head, wide);
    for (size_t i = 0; i < WIDE_FIELDS; i++, at += 8)
        *wide[i] = get_u64(at);
    at = read_stamp(read_stamp(at, &head->first), &head->last);
    head->data_length = get_u32(at);
    head->raw_length = get_u32(at + 4);
    head->table_length = get_u32(at + 8);
    head->well = get_u16(at + 12);
    head->rows = get_u16(at + 14);
    head->source = at[16];
    at += 17;
    for (unsigned i = 0; i < SEALED_OUTCOMES; i++, at += 2)
        head->by_outcome[i] = get_u16(at);
    return head_can_be(head);
}
