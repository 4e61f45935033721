/* SPDX-License-Identifier: Apache-2.0
 *
 * note.h - a person's words on a gap: what the command and the order check alike.
 */
#ifndef UPHOLE_NOTE_H
#define UPHOLE_NOTE_H

#include "uphole/journal.h"

#define NOTE_ROWS_MAX 400 /* rows of one outage: a source each */

/** Why role or text can't stand in the ledger, as a clause without full stop; NULL: they can. */
const char *note_trouble(const char *role, const char *text);
/** `475f99:3`: the beginning of a run's number, 4 to 16 hexadecimal digits, and the row's id. */
bool note_read_gap(const char *text, size_t length, struct gap_asked *asked);

#endif
