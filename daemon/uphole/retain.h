/* SPDX-License-Identifier: Apache-2.0
 *
 * retain.h - which of the oldest rows go, and when: by age (`keep`), by size (`at_most`), and where
 * the disk gives no more. One small step a pass of core's thread.
 */
#ifndef UPHOLE_RETAIN_H
#define UPHOLE_RETAIN_H

#include "core.h"
#include "retain_age.h"

/** Why rows go. */
enum retain_reason { RETAIN_NONE = 0, RETAIN_AGE, RETAIN_SIZE, RETAIN_DISK, RETAIN_REASONS };

struct retain_options {
    const struct plan *plan; /* in force */
    const struct up_clock *clock;
    struct clock_watch *watch;
    struct journal *journal;
    struct core *core;
};

struct retain {
    uint8_t step;   /* enum retain_step */
    uint8_t reason; /* of the stretch under way */
    int64_t next_us, next_tidy_us;
    struct journal_reader *reader; /* while floors are looked for */
    struct scan *slice;
    struct removal_next next;
    struct removal removal;
    struct row_floor floors[PLAN_WELLS_MAX];
    uint16_t well; /* the next one whose floor is looked for */
    char why[GAP_CAUSE_MAX];
    /* what is said once, and shown by status */
    uint8_t held_by_interval; /* 1 + index into the plan's retain; 0: by none */
    struct retain_age age;
    int64_t ran_next_us; /* when running time is asked next, of scans that bear no time to go by */
    bool needs_room;      /* and can't have it: the interval stands in the way */
    const char *held_for; /* destination for which rows older than `keep` are kept; NULL: none */
    int64_t told_day[RETAIN_REASONS];
    uint8_t filled_percent; /* of the room; at the newest look */
    uint8_t warned_at;      /* percent: what goes next was not accepted, and it was said; 0: no */
    uint64_t removed_all; /* in this process */
    int64_t removed_to_utc_ms;
};

void retain_open(struct retain *retain);
void retain_close(struct retain *retain);
/** Never waits; does at most one slice. Not while the journal refuses or is not safe. */
void retain_step(struct retain *retain, const struct retain_options *options);
/** How far behind what goes the lead-in of any well may reach: those rows are not sent any more
 * either. */
int64_t retain_longest_lead_ms(const struct plan *plan);
/** retain_warn.c: says so before scans go that a destination has not accepted. `retain->next` is
 * what goes next. */
void retain_warn(struct retain *retain, const struct retain_options *options);
/** Before core's plan changes. */
void retain_abandon(struct retain *retain);

#endif
