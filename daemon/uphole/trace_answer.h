/* SPDX-License-Identifier: Apache-2.0
 *
 * trace_answer.h - a line's trace as an answer at the local socket. Nothing is asked of the line:
 * what its ring holds is copied and written out.
 *
 * `trace text LINE`: the whole ring, as docs/trace.md describes it, `end` last.
 * `trace after LINE N`: for following. `next NUMBER now US` first, then events from number N on;
 * with N 0 the head comes before them. NUMBER is the N of the next question. An N of a trace that
 * ended, since the line was started anew, is refused with EX_TEMPFAIL.
 */
#ifndef UPHOLE_TRACE_ANSWER_H
#define UPHOLE_TRACE_ANSWER_H

#include "socket_text.h"
#include "status_view.h"

/** `words` is what stands behind `trace `, untrusted. Returns 0 or a code of sysexits.h with a
 * sentence in `text`. */
int trace_answer(const struct status_view *view, const char *words, struct socket_text *text);

#endif
