/* SPDX-License-Identifier: Apache-2.0
 *
 * space.h - how long the journal's space lasts. Pure.
 */
#ifndef UPHOLE_SPACE_H
#define UPHOLE_SPACE_H

#include "uphole/gather.h"
#include "uphole/plan.h"

/** What is known of the journal's size at one instant. */
struct space_sample {
    int64_t boot_ms;
    uint64_t bytes, free_bytes; /* pages in use, and the log; what the file system gives, and what
                                   the file holds free */
    bool at_age;                /* age retention takes as much as comes */
};
/** Words of one scan, as the journal keeps them. */
unsigned space_words_of(const struct read_plan *reads);
/** Bytes a day that a source's scans, or all of a plan's, take once they are sealed: 8 bytes and one
 * a word, about twice what was measured. */
double space_source_bytes_a_day(const struct source_entry *entry, const struct read_plan *reads);
double space_planned_bytes_a_day(const struct plan *plan);
/**
 * Days until the smaller of at_most and the file system is used up, so that the oldest scans go
 * whatever their age; at the rate seen between the two samples when they lie an hour or more apart,
 * else at the planned rate. At most 65535: also where age retention takes as much as comes. 0 when
 * nothing is left.
 */
uint16_t space_days_left(const struct plan *plan, const struct space_sample *first,
                         const struct space_sample *now);

#endif
