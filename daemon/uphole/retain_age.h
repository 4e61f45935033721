/* SPDX-License-Identifier: Apache-2.0
 *
 * retain_age.h - the time by which scans get old.
 */
#ifndef UPHOLE_RETAIN_AGE_H
#define UPHOLE_RETAIN_AGE_H

#include "uphole/journal.h"

/** Zero: nothing is known yet; it is read from the journal. */
struct retain_age {
    bool is_read, is_known;
    int64_t offset_ms; /* age time - boot_ms */
    /* the wall clock is ahead of it, and not believed yet */
    int64_t ahead_offset_ms, ahead_since_ms; /* boot_ms; INT64_MIN: it is not */
    bool told;
    int64_t next_note_ms;
};

/**
 * *utc_ms: by which a scan's age counts now. False: there is no such time (the clock is neither
 * synchronised nor in holdover). Notes it in the journal, once an hour and where another time is
 * believed.
 */
bool retain_age_now(struct retain_age *age, struct journal *journal, const struct up_clock *clock,
                    struct clock_watch *watch, int64_t *utc_ms);
/** How far the wall clock is ahead and not believed, ms; 0: it is not. */
int64_t retain_age_ahead_ms(const struct retain_age *age);

#endif
