/* SPDX-License-Identifier: Apache-2.0
 *
 * trace_words.h - the words of a trace's text and what follows each; for its writer and its reader.
 */
#ifndef UPHOLE_GATHER_TRACE_WORDS_H
#define UPHOLE_GATHER_TRACE_WORDS_H

#include "uphole/trace.h"

enum {
    TRACE_TAKES_NOTHING = 0,
    TRACE_TAKES_BYTES = 1, /* one or more, two upper-case hex digits each */
    TRACE_TAKES_WHY = 2,   /* a text in quotation marks, behind bytes if there are any */
    TRACE_TAKES_SPAN = 4,  /* seconds with six decimals */
    TRACE_TAKES_COUNT = 8
};
struct trace_word {
    const char *name;
    unsigned takes;
};
extern const struct trace_word TRACE_WORDS[TRACE_KINDS];

#endif
