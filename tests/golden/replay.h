/* SPDX-License-Identifier: Apache-2.0
 *
 * replay.h - a port that plays a recorded trace in lock-step: the real line machine asks again what
 * it asked then, and hears what it heard.
 *
 * The clock is the trace's. It moves where the line waits, and to the recorded instant at each
 * event; so times are those of the recording. What the line does must be what it did: another
 * request, another call, or one that comes more than REPLAY_TOLERANCE_US apart from the recorded
 * instant ends the replay with the line of the trace.
 */
#ifndef UPHOLE_TESTS_REPLAY_H
#define UPHOLE_TESTS_REPLAY_H

#include "uphole/trace.h"

#define REPLAY_BOOT_US (INT64_C(1000) * 1000000) /* CLOCK_BOOTTIME at the trace's time zero */
#define REPLAY_TOLERANCE_US 100000 /* so late a busy machine may have been in the recording */
#define REPLAY_RING_SLOTS 4096

struct replay_result {
    bool failed;
    char failure[600]; /* "file:line: what" */
};
/**
 * Plays `file` to the line of `plan` that it names; the plan's wells bear their journal numbers.
 * Each item that the line hands over goes to `item`, in order, up to the last recorded instant.
 * `name` is the trace's for messages.
 */
void replay_run(const struct trace_file *file, const char *name, const struct plan *plan,
                void (*item)(void *context, const struct gathered *item), void *context,
                struct replay_result *result);

#endif
