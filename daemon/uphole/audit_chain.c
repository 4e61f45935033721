/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_chain.c - the chain of sealed blocks: each is as it was sealed, and names the digest of the
 * one before it. So one value, the newest digest, fixes every scan of every well up to there: who
 * has written it down can tell years later whether the history is still the same.
 *
 * A damaged block that the ledger tells of ends nothing: its digest follows from that of the block
 * before it and from the digest of its content, which is kept apart, and the block behind it says
 * whether that is right.
 */
#include "audit.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define TIES_MAX 3

/** What the next block may name as the digest of the one before it. */
struct tie {
    uint64_t expected; /* its number; 0: the chain begins anywhere */
    size_t n;
    uint8_t value[TIES_MAX][JOURNAL_DIGEST_BYTES];
};

static bool is_tied(const struct tie *tie, const uint8_t digest[static JOURNAL_DIGEST_BYTES])
{
    for (size_t i = 0; i < tie->n; i++)
        if (memcmp(tie->value[i], digest, JOURNAL_DIGEST_BYTES) == 0)
            return true;
    return false;
}

/** The digest of a block that does not hold, from all that it may have followed and held. Where one
 * is as stored, that is it; where none is, what is stored is damaged too, and the next block
 * tells. */
static void tie_past(struct tie *tie, const struct journal_block *block)
{
    struct tie past = {.expected = block->number + 1};
    for (size_t i = 0; i < tie->n && past.n + 2 <= TIES_MAX; i++) {
        if (block->has_content)
            journal_chain_link(tie->value[i], block->content, past.value[past.n++]);
        if (block->has_made)
            journal_chain_link(tie->value[i], block->made, past.value[past.n++]);
    }
    const bool is_stored = is_tied(&past, block->digest);
    *tie = past;
    if (is_stored) {
        tie->n = 1;
        memcpy(tie->value[0], block->digest, JOURNAL_DIGEST_BYTES);
    }
}

static void tie_to(struct tie *tie, const struct journal_block *block)
{
    tie->expected = block->number + 1;
    tie->n = 1;
    memcpy(tie->value[0], block->digest, JOURNAL_DIGEST_BYTES);
}

/** Blocks before this one are not where they should be. */
static enum up_rc check_missing(struct audit *audit, const struct journal_block *block,
                                uint64_t expected, struct up_error *error)
{
    struct journal_chain now;
    const enum up_rc rc = journal_read_chain(audit->reader, &now, error);
    if (rc == UP_OK && now.first != block->number) /* else they were removed just now */
        audit_fault(audit, "sealed blocks %" PRIu64 " to %" PRIu64 " are missing", expected,
                    block->number - 1);
    return rc;
}

/** Retention takes the oldest blocks: what a chain begins with, it names as its anchor. */
static enum up_rc check_block(struct audit *audit, const struct journal_block *block,
                              struct tie *tie, struct up_error *error)
{
    const bool is_next = block->number == tie->expected || tie->expected == 0;
    const bool is_told = !block->holds && audit_is_told(audit, DAMAGE_BLOCK, block->number);
    enum up_rc rc = UP_OK;
    audit->n_blocks++;
    audit->n_sealed += block->holds ? block->rows : 0;
    audit->n_blocks_damaged += is_told;
    if (!is_next)
        rc = check_missing(audit, block, tie->expected, error);
    else if (block->holds && !is_tied(tie, block->before))
        audit_fault(audit,
                    "sealed block %" PRIu64 " (rows %" PRIu64 " to %" PRIu64
                    ") does not follow the block before it: it names another digest",
                    block->number, block->pos_from, block->pos_to);
    if (!block->holds && !is_told)
        audit_fault(audit,
                    "sealed block %" PRIu64 " (rows %" PRIu64 " to %" PRIu64
                    ") is not as it was sealed: its digest does not hold",
                    block->number, block->pos_from, block->pos_to);
    if (block->holds || !is_next)
        tie_to(tie, block);
    else
        tie_past(tie, block);
    return rc;
}

enum up_rc audit_check_chain(struct audit *audit, struct up_error *error)
{
    struct journal_chain *chain = &audit->chain;
    struct tie tie = {.n = 1};
    enum up_rc rc = journal_read_chain(audit->reader, chain, error);
    tie.expected = chain->first == 1 || chain->sealed == 0 ? 1 : 0;
    memcpy(tie.value[0], chain->anchor, JOURNAL_DIGEST_BYTES);
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
        rc = check_block(audit, &block, &tie, error);
        after = block.number;
    }
    const bool is_whole = audit->n_blocks > 0 && tie.expected == chain->sealed + 1;
    if (rc == UP_OK && audit->n_blocks > 0 && !is_whole)
        audit_fault(audit, "sealed blocks %" PRIu64 " to %" PRIu64 " are missing", tie.expected,
                    chain->sealed);
    if (rc == UP_OK && is_whole && !is_tied(&tie, chain->digest))
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
