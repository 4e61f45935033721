/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_world.h - a model of everything around one destination's delivery: a journal, a client
 * library that keeps what was not answered and sends it again after a reconnect, and a broker that
 * accepts, refuses, finds no subscriber, or goes away. It checks as it goes: no row is handed over
 * while the library holds it, none arrives before the one ahead of it, no cursor passes one that
 * was not delivered.
 */
#ifndef UPHOLE_TESTS_DELIVER_WORLD_H
#define UPHOLE_TESTS_DELIVER_WORLD_H

#include "../../daemon/publish/deliver.h"

#define WELLS 3
#define LANES (WELLS * 2)
#define ROWS_MAX 4000
#define WAITING_MAX 4
#define HELD_MAX 64

struct row {
    uint64_t pos;
    bool delivered;
};
struct held {
    uint16_t mid, lane;
    size_t first, n; /* rows of the lane */
    bool at_broker;  /* sent in this connection */
};
struct world {
    struct deliver *deliver;
    uint32_t random;
    int64_t now_ms;
    bool connected;
    uint16_t window;
    uint64_t next_pos;
    size_t n_rows[LANES];
    struct row rows[LANES][ROWS_MAX];
    uint64_t told_pos[LANES]; /* cursor as the well side heard it */
    bool refused_lane[LANES], refused_any[LANES];
    uint8_t code[LANES];
    uint16_t next_mid;
    size_t n_held;
    struct held held[HELD_MAX];
    size_t duplicates, messages, largest, refusals_told, recoveries_told;
    size_t ahead;     /* wants while rows were at hand */
    size_t n_waiting; /* wants that the well side has not served yet, in order */
    uint16_t waiting_well[WAITING_MAX];
    struct wall_want waiting[WAITING_MAX];
    uint32_t step_ms, row_bytes; /* at most: of a step's time, of a row's size */
};

void world_add_row(struct world *world, uint16_t lane);
void world_serve(struct world *world, uint16_t well, const struct wall_want *want);
void world_hand_over(struct world *world, const struct deliver_message *message);
void world_step(struct world *world);
void world_reconnect(struct world *world);
struct world *world_create(uint32_t seed);
void world_let_all_end_well(struct world *world);
/** Returns how often rows were asked for while others were at hand. */
size_t world_run(uint32_t seed, bool with_refusals, bool with_crashes);

#endif
