/* SPDX-License-Identifier: Apache-2.0
 *
 * side.h - the SCADA side's middle: takes the wall's messages apart for the destinations' threads,
 * and sends theirs back.
 *
 * One thread reads the wall and calls side_take; each destination runs in a thread of its own,
 * reads `latest` and the box's state by copy, its records from its inbox, and answers through
 * side_send. All functions but create and take may be called from any thread.
 *
 * A side belongs to one plan, and lives as long as somebody holds it. With a new plan comes a new
 * side; each destination goes over to it when it is between two steps, and lets go of the old one.
 * So nobody ever looks at a reading of one plan with the other, and what a destination still says
 * under the old plan bears the old plan's serial.
 *
 * Wells: messages of the wall carry the journal's number (plan_well_by_number); functions here take
 * the index into plan->wells.
 */
#ifndef UPHOLE_PUBLISH_SIDE_H
#define UPHOLE_PUBLISH_SIDE_H

#include "inbox.h"
#include "live.h"

#include "uphole/plan.h"
#include "uphole/stamp.h"
#include "uphole/wall.h"

struct side;

struct side_options {
    const struct plan *plan; /* borrowed, numbered */
    struct plan *own;        /* freed with the side: `plan` itself, or NULL */
    uint32_t plan_serial;    /* of its messages (wall.h) */
    uint64_t run;
    int wall_fd;                  /* borrowed; -1: side_send fails with UP_E_PORT (tests) */
    const struct up_clock *clock; /* borrowed */
    const char *version;          /* borrowed */
};
/** The caller holds it. On failure `own` stays the caller's. */
struct side *side_create(const struct side_options *options, struct up_error *error);
struct side *side_hold(struct side *side); /* returns it; the caller has to hold it already */
/** The last who held it frees it, with the plan where it owns it. NULL is fine. */
void side_release(struct side *side);

/** Hands one message of the wall to whom it concerns; one that bears another plan's serial concerns
 * nobody. False: the well side asks us to stop. Of numbers only the run is taken; the plan and what
 * only goes back are ignored. */
bool side_take(struct side *side, const struct wall_message *message);

const struct plan *side_plan(const struct side *side);
uint32_t side_plan_serial(const struct side *side);
/** Index of the plan's destination of that name; n_destinations where there is none. */
uint16_t side_destination_named(const struct side *side, const char *name);
const struct up_clock *side_clock(const struct side *side);
const char *side_version(const struct side *side);
uint64_t side_run(const struct side *side);
struct live *side_live(const struct side *side);
/** The inbox of an MQTT destination; NULL for any other. */
struct inbox *side_inbox(const struct side *side, uint16_t destination);
/** Index of a journal's number; plan->n_wells where there is none. */
uint16_t side_well_index(const struct side *side, uint16_t number);

/** Newest snapshot of the well at `well_index`; false: none came yet. */
bool side_snapshot_copy(struct side *side, uint16_t well_index, struct snapshot *out);
/** How often that snapshot was replaced: changes when there is a new one; 0: none. */
uint64_t side_snapshot_count(struct side *side, uint16_t well_index);
/** Newest state of the box; false: none came yet. */
bool side_state_copy(struct side *side, struct wall_state *out);

/** Newest snapshots of all wells and the state are there. */
bool side_is_filled(struct side *side);

/** Sends want, accepted, refused or destination over the wall with this plan's serial, waiting up
 * to 2 s for room. UP_E_PORT: the well side is gone. */
UP_MUST enum up_rc side_send(struct side *side, struct wall_message *message);
/** Tells the well side the state (enum delivery_state) of a destination that isn't MQTT. */
void side_report(struct side *side, uint16_t destination, uint8_t state, const char *reason);
/** The same of a table, with what it turned away: only these members of `away` count. */
void side_report_table(struct side *side, uint16_t destination, uint8_t state, const char *reason,
                       const struct wall_destination *away);

#endif
