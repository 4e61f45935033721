/* SPDX-License-Identifier: Apache-2.0
 *
 * journal_books.h - the journal for a reviewer of the books: everything as it stands, damaged or not, up to a pos that was newest when the review
 * began. Readers of journal.h; nothing here counts or judges anything but checks and digests.
 */
#ifndef UPHOLE_JOURNAL_BOOKS_H
#define UPHOLE_JOURNAL_BOOKS_H

#include "uphole/journal.h"

/** Damage that was noted, in the order of kind and number; those behind (after_kind, after_number), at most n. `run` and `id` are of the ledger row that
 *  tells of it; 0: not told yet. */
struct damage_book {
    uint8_t kind;
    uint64_t number, run, id;
};
UP_MUST enum up_rc journal_read_damages(struct journal_reader *reader, uint8_t after_kind, uint64_t after_number, size_t n, struct damage_book *into,
                                        size_t *got, struct up_error *error);
/** Up to which seq destinations had accepted a well's records when it was noted: `pos` of each cursor is 0. At most `room`. */
UP_MUST enum up_rc journal_read_damage_accepted(struct journal_reader *reader, uint8_t kind, uint64_t number, struct cursor *into, size_t room,
                                                size_t *got, struct up_error *error);

/**
 * The chain of sealed blocks. Each block's digest is SHA-256 over the digest of the block before it and the block's content, which is SHA-256 over its
 * head and its data and is kept apart: so a damaged block does not end the proof. Numbers have no holes, and
 * the newest digest fixes every scan that was ever sealed. Retention takes the oldest blocks: the chain then begins at `first`, and `anchor`, the
 * digest of the block before it, is what it must follow.
 */
#define JOURNAL_DIGEST_BYTES 32
struct journal_chain {
    uint64_t first, newest;  /* numbers; 0: no block is there */
    uint64_t sealed;         /* number of the newest block that was ever sealed, there or not */
    uint64_t sealed_to;      /* pos: scans up to here are sealed */
    uint8_t anchor[JOURNAL_DIGEST_BYTES]; /* zeros: the chain begins with block 1 */
    uint8_t digest[JOURNAL_DIGEST_BYTES]; /* of block `sealed` */
};
UP_MUST enum up_rc journal_read_chain(struct journal_reader *reader, struct journal_chain *out, struct up_error *error);
/** A sealed block as it was found. */
struct journal_block {
    uint64_t number, pos_from, pos_to;
    bool holds;      /* digest and head hold, and it unpacks */
    bool head_holds; /* where not, well and source are as far as they can be read, and what follows is unknown: 0 */
    uint16_t well;
    uint8_t source;
    uint32_t rows;
    uint64_t first_pos, last_pos, first_run, last_run, first_seq, last_seq;
    struct stamp first, last;
    uint8_t before[JOURNAL_DIGEST_BYTES], digest[JOURNAL_DIGEST_BYTES]; /* as stored: what the next one must name */
    bool has_content, has_made; /* blocks that schema 2 sealed have no content */
    uint8_t content[JOURNAL_DIGEST_BYTES]; /* as kept apart */
    uint8_t made[JOURNAL_DIGEST_BYTES];    /* of what can be read now; another one: it is damaged */
};
/** The digest of a block with this content that follows `before`. Pure. */
void journal_chain_link(const uint8_t before[static JOURNAL_DIGEST_BYTES], const uint8_t content[static JOURNAL_DIGEST_BYTES],
                        uint8_t digest[static JOURNAL_DIGEST_BYTES]);
/** Blocks with number > after, oldest first, at most n, each proven; a transaction each. Whether each follows the one before, by number and digest, is
 *  the caller's to say. */
UP_MUST enum up_rc journal_check_chain(struct journal_reader *reader, uint64_t after, size_t n, struct journal_block *into, size_t *got,
                                       struct up_error *error);
/** Newest pos of scans, ledger rows, events and runs; 0: an empty journal. */
UP_MUST enum up_rc journal_read_newest_pos(struct journal_reader *reader, uint64_t *pos, struct up_error *error);
struct run_book {
    uint64_t pos, id;
    char boot_id[37];
    struct stamp began, ended; /* `began` is also where its due times start */
    bool has_ended;            /* by a clean stop */
    uint32_t plan;             /* its newest one; 0: it ended before it had any */
};
/** Runs with pos > after, oldest first, at most n. */
UP_MUST enum up_rc journal_read_runs(struct journal_reader *reader, uint64_t after, size_t n, struct run_book *into, size_t *got,
                                     struct up_error *error);
/** A plan took effect: at the start of a run, or within it. `plan` 0: the journal does not hold it. */
struct plan_taken {
    uint64_t pos;
    int64_t utc_ms, boot_ms;
    bool at_start;
    uint32_t plan;
};
UP_MUST enum up_rc journal_read_plans_taken(struct journal_reader *reader, uint64_t after, size_t n, struct plan_taken *into, size_t *got,
                                            struct up_error *error);
/** Scans of all wells with after < pos <= up_to, oldest first, at most n. holds[i]: its check holds; where not, it has no blocks. */
UP_MUST enum up_rc journal_read_rows(struct journal_reader *reader, uint64_t after, uint64_t up_to, size_t n, struct scan *into, bool *holds,
                                     size_t *got, struct up_error *error);
/** A revision of a ledger row, with its note. */
struct revision {
    struct gap gap;
    bool holds;     /* its check */
    bool is_newest; /* up to `up_to` */
    bool follows;   /* the revision before it is there */
};
UP_MUST enum up_rc journal_read_revisions(struct journal_reader *reader, uint64_t after, uint64_t up_to, size_t n, struct revision *into,
                                          size_t *got, struct up_error *error);
/** The first scan in the order of pos whose label is utc_ms or later; pos 0: none. */
UP_MUST enum up_rc journal_first_row_from(struct journal_reader *reader, int64_t utc_ms, uint64_t up_to, uint64_t *pos, uint64_t *run,
                                          int64_t *boot_ms, struct up_error *error);

#endif
