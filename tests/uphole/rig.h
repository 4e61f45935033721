/* SPDX-License-Identifier: Apache-2.0
 *
 * rig.h - what tests of the well side's middle share: one well with a gauge, a journal in a fresh
 * directory, a ring that the test fills in a line's place, a clock that it moves, and the other end
 * of the wall.
 */
#ifndef UPHOLE_TESTS_UPHOLE_RIG_H
#define UPHOLE_TESTS_UPHOLE_RIG_H

#include "../../daemon/uphole/core.h"

struct rig {
    char directory[256];
    struct up_clock clock;
    int64_t now_us;
    int64_t by_look_us; /* how far the clock goes on each time that somebody looks at it */
    struct plan *plan;
    struct journal *journal;
    struct ledger *ledger;
    struct ring *ring;
    struct core *core;
    uint64_t run;
    uint16_t well;
    int wall[2]; /* [0] core's end, [1] the test's */
    unsigned wants;
    struct wall_message *message;
    /* Sums over what was heard at the test's end. */
    unsigned snapshots, mores, states;
    struct snapshot newest;
    struct wall_more more;
    uint64_t largest_journaled_seq, largest_more_seq;
};

/** cmocka fixtures: journal open, run begun, core made, wall set; not yet safe. */
int rig_setup(void **state);
int rig_teardown(void **state);
/** `n` polls that nobody answered, a second apart, each followed by a step of core: one commit
 * each. */
void rig_poll(struct rig *rig, unsigned n);
/** Steps core once a second. */
void rig_step(struct rig *rig, unsigned seconds);
/** Takes all that waits at the test's end of the wall. */
void rig_hear(struct rig *rig);
/** Says over the wall that the MQTT destination accepted up to here; core takes it. */
void rig_accept(struct rig *rig, uint16_t well, uint64_t pos, uint64_t seq);
/** The cursor of the records as core has it. */
struct wall_cursor rig_cursor(struct rig *rig);
/** Scans that the file itself holds, by a reader of its own; *newest its newest seq. */
unsigned rig_stored(struct rig *rig, uint64_t *newest);
/** The database loses its name, and the journal takes no more rows; or gets it back. */
void rig_take_disk(struct rig *rig, bool away);

#endif
