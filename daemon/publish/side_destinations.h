/* SPDX-License-Identifier: Apache-2.0
 *
 * side_destinations.h - the SCADA side's destinations: each is started in a thread of its own, goes
 * over to a new plan where its stanza is unchanged, and is stopped. Belongs to one thread.
 */
#ifndef UPHOLE_PUBLISH_SIDE_DESTINATIONS_H
#define UPHOLE_PUBLISH_SIDE_DESTINATIONS_H

#include "side.h"

struct mqtt_client;
struct table_thread;

struct destination {
    struct mqtt_client *mqtt;
    struct table_thread *table;
    bool has_failed; /* said once */
    int64_t start_at_ms;
};

/** Zero it to begin. */
struct destinations {
    struct destination at[PLAN_DESTINATIONS_MAX]; /* by index in the plan in force */
    bool is_quiet;
    unsigned n_left_behind; /* clients that hang, with what they hold */
};

/** Starts what isn't started yet; a destination that can't be started doesn't hold up the others,
 * and is tried again every 30 s. */
void destinations_start(struct destinations *destinations, struct side *side, int64_t now_ms);
/**
 * `next` takes the place of `side`: whose stanza is unchanged goes over to it and keeps its
 * connection; the others are ended in order, within a second, and the new ones started. False: too
 * many hang by now, so the process should begin anew.
 */
bool destinations_take_side(struct destinations *destinations, struct side *side,
                            struct side *next);
/** A stop is near: nobody shall connect now only to be cut off. */
void destinations_quiet(struct destinations *destinations);
/** Ends all, within a second. False: a client hangs and still uses its side. */
bool destinations_stop(struct destinations *destinations, const struct up_clock *clock);

#endif
