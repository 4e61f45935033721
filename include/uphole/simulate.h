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

/** What the well does, over and over: `days` is steady for 30 h, then draws down, is shut in and starts again within 48 h (the default). */
enum well_schedule {
    WELL_SCHEDULE_DAYS = 0,
    WELL_SCHEDULE_BRISK, /* the same story in 6 min: faster than a map's max_rate may allow */
    WELL_SCHEDULE_SWING, /* 6 % more speed and back, every 3 min */
    WELL_SCHEDULE_STEADY,
    WELL_SCHEDULES
};
const char *well_schedule_name(uint8_t schedule); /* "days", "brisk", "swing", "steady" */
void well_truth_scheduled(uint64_t seed, uint8_t schedule, int64_t time_ms, struct well_truth *out);

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
    uint8_t schedule;         /* enum well_schedule */
    bool not_fitted[POINT_COUNT]; /* further sensors that the well doesn't have */
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
/**
 * The unit setting on the unit's own screen, as a number of the map's unit_register: the values go over to what it means, the register shows it, or
 * both. A kind for which the map gives the number no meaning keeps its unit. Settings outlast a power cycle.
 */
void virtual_unit_set_setting(struct virtual_unit *unit, int64_t time_ms, uint16_t number, bool values, bool shown);
/** As it was made: the units that the map's channels state. */
void virtual_unit_reset_setting(struct virtual_unit *unit, int64_t time_ms);

/* ---- a line of units (pure): bytes and instants in, bytes and instants out; what is served, and what a harness steps ---- */

#define SIMULATE_UNITS_MAX 16
#define SIMULATE_LINES_MAX 8
#define SIMULATE_CONNECTIONS_MAX 16 /* of a TCP line; a serial line has connection 0 */

#define SIMULATE_CONTROLLER_QUESTIONS_MAX 4

/** What pair and converter do to the bytes between a serial port and the units. */
struct simulate_pair {
    bool by_settings; /* whoever opened the port at other settings than the line's is heard as garbage, and hears garbage */
    bool swapped;     /* the two wires: every bit turned both ways, and a stray 00 behind each run of bytes */
    bool no_bias;     /* stray FF and 00 before answers, and now and then in silence */
};
/** Another master on a serial line: its questions in a row, each `every_ms`, whenever the line is quiet. */
struct simulate_controller {
    uint32_t every_ms; /* 0: there is none */
    uint8_t unit_id;
    uint16_t n_questions;
    struct read_request question[SIMULATE_CONTROLLER_QUESTIONS_MAX];
};

struct simulate_line {
    struct line_plan line;    /* serial: a pty is opened and linked at line.device; tcp: a listener at host:port (port 0: a free one) */
    uint16_t n_units;
    struct virtual_unit_options units[SIMULATE_UNITS_MAX];
    uint32_t reply_delay_us;  /* between the end of a request (with its t3.5) and the answer's first byte */
    uint8_t missing_exception; /* tcp: how the converter answers for a unit that isn't there, 0A or 0B; 0 means 0B */
    struct simulate_pair pair;
    struct simulate_controller controller;
};

/**
 * What a receiver makes of characters that were sent at other settings: the sender's bits as levels over time, sampled in the middle of the
 * receiver's bits. At most `room` bytes; returns how many. Pure. Source of the character: Modbus over Serial Line V1.02, 2.5.1 (start bit 0, eight
 * data bits lowest first, parity, stop bit 1; the line rests at 1). A character with a wrong parity bit, or a broken one where parity is checked, is
 * handed on as 00 (termios(3), INPCK without PARMRK).
 */
size_t uart_through(const struct line_plan *sender, const struct line_plan *receiver, const uint8_t *bytes, size_t n, uint8_t *out, size_t room);

struct fault_script; /* opaque; read once, shared by all lines */
/** Parses docs/simulator.md's script. `name` stands in messages (file:line). UP_E_INPUT; UP_E_MISSING where a file can't be read. */
UP_MUST enum up_rc fault_script_from_text(const char *name, const char *text, size_t length, struct fault_script **out, struct up_error *error);
UP_MUST enum up_rc fault_script_from_file(const char *path, struct fault_script **out, struct up_error *error);
void fault_script_free(struct fault_script *script);

struct virtual_line_counts {
    uint64_t requests, answers, faults, bad_frames, other_units, collisions /* asked while the line was sending */,
        quiet_violations /* asked within t3.5 of an answer's end */, foreign_exchanges, foreign_spoiled /* asked into one of them */;
};

struct virtual_line; /* opaque */
/** `options` and `script` (may be NULL) are borrowed. Times of the script count from `start_us`; instants are the caller's, us, and never go back. */
struct virtual_line *virtual_line_create(const struct simulate_line *options, const struct fault_script *script, uint64_t seed,
                                         int64_t start_us, struct up_error *error);
void virtual_line_destroy(struct virtual_line *line);
/** Bytes from the master. On a serial line they take their characters' time from the first one on. */
void virtual_line_receive(struct virtual_line *line, int64_t now_us, unsigned connection, const uint8_t *bytes, size_t n);
/** Drops what a connection still holds. */
void virtual_line_forget(struct virtual_line *line, unsigned connection);
/** The next instant at which something is to be done; INT64_MAX: nothing until bytes come. */
int64_t virtual_line_next_us(const struct virtual_line *line);
/** Bytes that have left by now_us (a serial byte: when its last bit has), at most `room` of one connection; 0: none. */
size_t virtual_line_send(struct virtual_line *line, int64_t now_us, unsigned *connection, uint8_t *into, size_t room);
/** False while the script holds the converter unplugged. */
bool virtual_line_is_plugged(struct virtual_line *line, int64_t now_us);
struct virtual_unit *virtual_line_unit(struct virtual_line *line, unsigned index);
const struct virtual_line_counts *virtual_line_counts_of(const struct virtual_line *line);

/* ---- serving (I/O) ---- */

/** What goes on beside serving, in its thread: none of it may wait. Each function may be NULL. */
struct simulate_beside {
    void *context;
    void (*opened)(void *context, uint16_t line, uint16_t port); /* a port is there: the TCP port it listens at, 0 of a serial line */
    uint32_t look_every_ms;                                      /* 0: never */
    void (*look)(void *context, int64_t now_ms, struct virtual_line *const *lines);
    int input_fd;                                                /* -1: none */
    bool (*input)(void *context);                                /* something is to be read there; false: stop serving */
};

struct simulate_options {
    const struct simulate_beside *beside; /* may be NULL */
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
