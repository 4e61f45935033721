/* SPDX-License-Identifier: Apache-2.0
 *
 * side_harness.h - the SCADA side as its process runs it, in a thread, with the test as its well
 * side.
 */
#ifndef UPHOLE_TESTS_SIDE_HARNESS_H
#define UPHOLE_TESTS_SIDE_HARNESS_H

#include "check.h"
#include "free_port.h"
#include "table_fixture.h"

#include "uphole/publish.h"

#include <pthread.h>

#define WAIT_MS 60000 /* what no healthy machine needs, however busy */

struct run {
    int fds[2]; /* the well side's end, the SCADA side's */
    pthread_t thread;
    int exit_code;
    struct up_clock clock;
    uint16_t port;
    uint32_t serial; /* of the plan that put_out speaks of */
    struct plan *plan;
    struct wall_message message;
};

/** A plan of heron-7 in block 1 (a gauge of map plain, its intake pressure at input 16), or with
 * heron-8 in block 2 before it, and a table on `port`. */
struct plan *side_plan_of(uint16_t port, bool with_another_well);
/** Starts the SCADA side, with a plan of one well, ungreeted. */
void start(struct run *run);
/** Waits for its end. */
void finish(struct run *run, int exit_code);
/** Sends run->message with run->serial. */
void put_out(struct run *run);
void send_plan(struct run *run, const struct plan *plan);
/** Numbers: heron-7 is 7, heron-8 is 8. */
void send_numbers(struct run *run, const struct plan *plan, uint32_t version);
void send_snapshot(struct run *run, uint16_t number, double intake_kpa);
void send_state(struct run *run);
/** All of a start with run->plan. */
void greet(struct run *run);
void nap(void);
int connect_to(uint16_t port);
bool is_refused(uint16_t port);
/** Reads the slot of point 1 of a block; the whole answer. */
void read_slot(int fd, unsigned block, uint8_t answer[static 9 + 8]);
/** Reads until the value there is `high` (its first register) and the quality `quality`. */
void wait_for_slot(int fd, unsigned block, uint16_t high, uint16_t quality);

#endif
