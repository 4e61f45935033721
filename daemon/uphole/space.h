/* SPDX-License-Identifier: Apache-2.0
 *
 * space.h - how long the journal's space lasts. Pure.
 */
#ifndef UPHOLE_SPACE_H
#define UPHOLE_SPACE_H

#include "uphole/plan.h"

/** What is known of the journal's size at one instant. */
struct space_sample {
    int64_t boot_ms;
    uint64_t bytes, free_bytes; /* pages in use, and the log; what the file system gives, and what
                                   the file holds free */
    bool at_age;                /* age retention takes as much as comes */
};
/** Bytes a day that a plan's scans take at most: rows of about 150 bytes and their words. Our own
 * estimate, measured rows in tests. */
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
