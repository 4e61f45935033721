/* SPDX-License-Identifier: Apache-2.0
 *
 * day_late.h - late equals live, checked.
 */
#ifndef UPHOLE_TESTS_DAY_LATE_H
#define UPHOLE_TESTS_DAY_LATE_H

#include "day.h"

/** Every record as it was delivered; `record` is the caller's to free. */
struct kept_records {
    struct record *record;
    size_t n, room;
};
/** Matches day_options.record; context is a struct kept_records. */
void keep_record(struct day *day, void *context, const struct record *record, bool live);
/** Reads from `tries` random places, with a fresh backlog now and then and else with the one that
 * stands somewhere else, as after a new SCADA side, and fails where a record differs.
 * Returns how many were compared. */
uint64_t check_late_equals_live(struct day *day, const struct kept_records *kept, unsigned tries,
                                uint64_t seed);
/** Reads one record behind each of those kept from `first` on, each with a fresh backlog, so that
 * the window begins once at every scan. */
uint64_t check_late_one_by_one(struct day *day, const struct kept_records *kept, size_t first);

#endif
