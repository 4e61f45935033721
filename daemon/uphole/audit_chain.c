/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_chain.c - the chain of sealed blocks: each is as it was sealed, and names the digest of the
 * one before it. So one value, the newest digest, fixes every scan of every well up to there: who
 * has written it down can tell years later whether the history is still the same.
 */
#include "audit.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

/** Retention takes the oldest blocks: what a chain begins with, it names as its anchor. */
static enum up_rc check_block(struct audit *audit, const struct journal_block *block,
                              uint64_t *expected, uint8_t before[static JOURNAL_DIGEST_BYTES],
                              struct up_error *error)
{
    struct journal_chain now;
    audit->n_blocks++;
    audit->n_sealed += block->rows;
    if (block->number != *expected && *expected != 0) {
        const enum up_rc rc = journal_read_chain(audit->reader, &now, error);
        if (rc != UP_OK)
            return rc;
        if (now.first != block->number) /* else the blocks before were removed just now */
            audit_fault(audit, "sealed blocks %" PRIu64 " to %" PRIu64 " are missing", *expected,
                        block->number - 1);
    } else if (*expected != 0 && memcmp(block->before, before, JOURNAL_DIGEST_BYTES) != 0) {
        audit_fault(audit,
                    "sealed block %" PRIu64 " (rows %" PRIu64 " to %" PRIu64
                    ") does not follow the block before it: it names another digest",
                    block->number, block->pos_from, block->pos_to);
    }
    if (!block->holds)
        audit_fault(audit,
                    "sealed block %" PRIu64 " (rows %" PRIu64 " to %" PRIu64
                    ") is not as it was sealed: its digest does not hold",
                    block->number, block->pos_from, block->pos_to);
    memcpy(before, block->digest, JOURNAL_DIGEST_BYTES);
    *expected = block->number + 1;
    return UP_OK;
}

enum up_rc audit_check_chain(struct audit *audit, struct up_error *error)
{
    struct journal_chain *chain = &audit->chain;
    uint8_t before[JOURNAL_DIGEST_BYTES];
    enum up_rc rc = journal_read_chain(audit->reader, chain, error);
    uint64_t expected = chain->first == 1 || chain->sealed == 0 ? 1 : 0; /* 0: begins anywhere */
    memcpy(before, chain->anchor, sizeof before);
    if (rc != UP_OK || chain->sealed == 0 || audit->asked.no_chain)
        return rc;
    for (uint64_t after = 0; rc == UP_OK && after < chain->sealed;) {
        struct journal_block block;
        size_t got = 0;
        rc = audit_go_on(audit, error);
        if (rc == UP_OK)
            rc = journal_check_chain(audit->reader, after, 1, &block, &got, error);
        if (rc != UP_OK || got == 0 || block.number > chain->sealed)
            break;
        rc = check_block(audit, &block, &expected, before, error);
        after = block.number;
    }
    const bool is_whole = audit->n_blocks > 0 && expected == chain->sealed + 1;
    if (rc == UP_OK && audit->n_blocks > 0 && !is_whole)
        audit_fault(audit, "sealed blocks %" PRIu64 " to %" PRIu64 " are missing", expected,
                    chain->sealed);
    if (rc == UP_OK && is_whole && memcmp(before, chain->digest, sizeof before) != 0)
        audit_fault(audit, "the newest sealed block is not the one that the journal names: its "
                           "digest is another");
    return rc;
}

const char *audit_digest_text(const struct audit *audit,
                              char into[static 2 * JOURNAL_DIGEST_BYTES + 1])
{
    for (size_t i = 0; i < JOURNAL_DIGEST_BYTES; i++)
        snprintf(into + 2 * i, 3, "%02x", audit->chain.digest[i]);
    return into;
}
