/* SPDX-License-Identifier: Apache-2.0
 *
 * by_hand.h - what orders share: who gave it, and, of those over rows (resend, recalculate), words
 * of a line, one sentence as the answer, and when no order can be given.
 */
#ifndef UPHOLE_BY_HAND_H
#define UPHOLE_BY_HAND_H

#include "core.h"

#include "uphole/journal.h"

#include <stdbool.h>
#include <stddef.h>

struct command;

#define BY_HAND_ROLE_MAX 47    /* bytes of who asks; with the name within row_order.by */
#define BY_HAND_REASON_MAX 180 /* with what the order adds within row_order.reason */

/** Where the sentence goes. */
struct answer {
    char *text;
    size_t room;
};
/** Writes the sentence; returns `code`. */
__attribute__((format(printf, 3, 4))) int answer(struct answer *answer, int code,
                                                 const char *format, ...);
/** "technician (jana)", or "jana" where no role was given. What doesn't fit is cut between two
 * characters; the name keeps a third of the room. */
void by_hand_who(const char *role, const char *name, char *into, size_t room);
/** The next word of `*at` into `into`; false: none, or too long. */
bool by_hand_word(const char **at, char *into, size_t room);
/** The well of that id, by its index in the plan; returns 0, or a code and a sentence. */
int by_hand_well(const struct core *core, const char *id, uint16_t *index, struct answer *to);
/** The sentence of an order that the journal did not take. */
int by_hand_not_stored(struct answer *to);
/** Reads `N ROLE` and the blank behind it: N is the length of ROLE, which may be "". False: it is
 * too long, or does not stand there. */
bool by_hand_role(const char **at, char role[static BY_HAND_ROLE_MAX + 1]);
/** Opens the journal for an order's questions; returns 0, or a code and a sentence: the disk
 * refuses, too many orders wait, or it can't be read. The caller closes `reader` in any case. */
int by_hand_open(struct core *core, struct journal_reader **reader, struct answer *to);

/** What stands behind --by and --reason of an order over rows; "": not stated. */
struct by_hand_words {
    const char *by, *reason;
};
/** By the command, before the order is sent: 0, or EX_USAGE and has said what is wrong. Where one
 * must be stated, it may not be "" or blank. */
int by_hand_check(const struct command *command, const struct by_hand_words *words, bool by_must,
                  bool reason_must);

#endif
