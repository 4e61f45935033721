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
/** Opens the journal for an order's questions; returns 0, or a code and a sentence: the disk
 * refuses, too many orders wait, or it can't be read. The caller closes `reader` in any case. */
int by_hand_open(struct core *core, struct journal_reader **reader, struct answer *to);

#endif
