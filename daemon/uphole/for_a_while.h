/* SPDX-License-Identifier: Apache-2.0
 *
 * for_a_while.h - what orders share that last for a time and end by themselves (hold and release,
 * pause and resume): both ends of `NAME MS ROLE`, and who it was.
 */
#ifndef UPHOLE_FOR_A_WHILE_H
#define UPHOLE_FOR_A_WHILE_H

#include "order.h"
#include "socket_ask.h"

#include "uphole/plan.h"

/* ---- the order's end ---- */

/** `NAME MS ROLE`, or `NAME ROLE` without a time; the role may hold blanks or be missing. */
struct while_words {
    char name[NAME_LENGTH_MAX + 2]; /* one more, so that a name too long is none */
    int64_t ms;
    const char *role;
};
bool while_read_words(const char *arguments, bool has_time, struct while_words *words);

/* ---- the command's end ---- */

/** What is told from another thing of its kind. */
struct while_kind {
    const char *thing, *example; /* "line", "pad-line" */
    const char *spans;           /* what --for takes, in words */
    int64_t usual_ms, least_ms, most_ms;
};
struct while_asked {
    struct socket_asked asked;
    const char *name, *by;
    int64_t ms;
};
/** Reads the options; `takes_time`: --for is one. Returns 0 or an exit code (said). */
int while_read_options(const struct command *command, int argc, char **argv,
                       const struct while_kind *kind, bool takes_time, struct while_asked *out);
/** Gives the order of the command's name, prints the answer; returns the exit code. */
int while_give(const struct command *command, struct while_asked *given, bool takes_time);

#endif
