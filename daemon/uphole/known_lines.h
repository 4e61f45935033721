/* SPDX-License-Identifier: Apache-2.0
 *
 * known_lines.h - which lines must be listened to before they are asked: another master may be
 * there, and our questions can spoil its answers.
 */
#ifndef UPHOLE_KNOWN_LINES_H
#define UPHOLE_KNOWN_LINES_H

#include "uphole/journal.h"
#include "uphole/plan.h"

/**
 * Fills listen[i] for each line of `plan`: true where the last run's plan had no such stanza
 * (another device, host, speed or frame counts as new), or more than ten minutes passed without us,
 * or how long we were away can't be told. To be called before this run's plan is stored.
 */
void known_lines_judge(const struct plan *plan, const struct last_run *last,
                       const struct stamp *began, bool listen[static PLAN_LINES_MAX]);
/** The same within a run: true where `before` (NULL: nothing) has no such stanza. Pure. */
void known_lines_compare(const struct plan *plan, const struct plan *before,
                         bool listen[static PLAN_LINES_MAX]);

#endif
