/* SPDX-License-Identifier: Apache-2.0
 *
 * replay.h - what the parts of `uphole replay` share. Rows come by the export's walk and fold
 * (export.h), so that what is printed is what was sent.
 */
#ifndef UPHOLE_REPLAY_H
#define UPHOLE_REPLAY_H

#include "export.h"

#define REPLAY_ROWS_MAX 64
#define REPLAY_SEQS_MAX 67108864 /* of an interval that is compared: two bits each */

struct replay_asked {
    const char *compare;
    enum sent_as sent;
    unsigned rows; /* of a message, at most */
    bool json;
};

struct replay {
    struct export export;
    struct replay_asked asked;
    /* replay.c: rows that go out in one message */
    struct record *waiting; /* REPLAY_ROWS_MAX */
    size_t n_waiting;
    char by[sizeof((struct row_order *)0)->by];
};

/* ---- replay_compare.c ---- */

/** Compares with what another build printed, or a captured stream. Returns the exit code. */
int replay_compare(struct replay *replay, struct up_error *error);

#endif
