/* SPDX-License-Identifier: Apache-2.0
 *
 * simulate.h - what would a surface unit answer? A virtual unit and an invented well, paced and with scripted faults, deterministic by seed.
 *
 * The unit itself is pure: time is an argument. `simulate_serve` puts units on a real pty or TCP port; the lock-step harness calls the unit.
 */
#ifndef UPHOLE_SIMULATE_H
#define UPHOLE_SIMULATE_H

#include "uphole/pdu.h"
#include "uphole/plan.h"

/* ---- the well (pure) ---- */

enum well_phase { WELL_STOPPED = 0, WELL_START_UP, WELL_STEADY, WELL_DRAW_DOWN, WELL_SHUT_IN };

/** The truth at one instant: every point of points 1 to 33 and 47 to 52 in its own unit (NaN: this well has no such sensor). Invented. */
struct well_truth {
    double value[POINT_COUNT];
    uint8_t phase;
};
/** Physically coherent: hydrostatics, build-up and draw-down, temperature by load, noise of a count or two by seed. Same seed and time, same truth. */
void well_truth_at(uint64_t seed, int64_t time_ms, struct well_truth *out);

/* ---- a unit (pure but for its own memory) ---- */

struct virtual_unit; /* opaque */
struct virtual_unit_options {
    const struct map *map;
    uint8_t unit_id;
    uint64_t seed;
    uint32_t refresh_ms;      /* 0: the map's */
    bool no_discharge;        /* discharge sensors not fitted: markers in their registers */
    int64_t powered_at_ms;    /* first data first_data later */
    const char *truth_log;    /* NDJSON file of every refresh, or NULL */
};
struct virtual_unit *virtual_unit_create(const struct virtual_unit_options *options, struct up_error *error);
void virtual_unit_destroy(struct virtual_unit *unit);
/** Answer PDU to a request PDU at time_ms; 0: no answer. Registers hold the last refresh at or before time_ms; what is not mapped reads 0. */
size_t virtual_unit_answer(struct virtual_unit *unit, int64_t time_ms, const uint8_t *request, size_t n, uint8_t answer[static PDU_MAX]);
/** The truth that its registers hold at time_ms (after register rounding: `encoded`), for checks; NaN where not fitted or not yet there. */
void virtual_unit_truth(struct virtual_unit *unit, int64_t time_ms, struct well_truth *encoded);
/** Events by hand, as a fault script does: the gauge is lost or back; power is cycled; whole unit dead or alive. */
void virtual_unit_set_gauge(struct virtual_unit *unit, int64_t time_ms, bool present);
void virtual_unit_power_cycle(struct virtual_unit *unit, int64_t time_ms);
void virtual_unit_set_alive(struct virtual_unit *unit, bool alive);

/* ---- serving (I/O) ---- */

#define SIMULATE_UNITS_MAX 16
#define SIMULATE_LINES_MAX 8

struct simulate_line {
    struct line_plan line;    /* serial: a pty is opened and linked at line.device; tcp: a listener at host:port (port 0: a free one) */
    uint16_t n_units;
    struct virtual_unit_options units[SIMULATE_UNITS_MAX];
};
struct simulate_options {
    uint16_t n_lines;
    struct simulate_line lines[SIMULATE_LINES_MAX];
    const char *faults_file;  /* script, or NULL; docs/simulator.md */
    const char *truth_log;
    uint64_t seed;
    int stop_fd;              /* readable: stop; or -1 (then SIGINT and SIGTERM stop it) */
    void *announce;           /* FILE: one line a port, "pad-line /tmp/x -> /dev/pts/3", then "ready" */
};
/** Serves until told to stop. Paced at each line's speed. Removes its links at the end. */
UP_MUST enum up_rc simulate_serve(const struct simulate_options *options, struct up_error *error);

#endif
