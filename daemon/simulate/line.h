/* SPDX-License-Identifier: Apache-2.0
 *
 * line.h - the inside of a virtual line, shared by its three files: line.c (time and bytes),
 * exchange.c (frames), inject.c (faults).
 */
#ifndef UPHOLE_SIMULATE_LINE_H
#define UPHOLE_SIMULATE_LINE_H

#include "faults.h"
#include "unit.h"

#define OUTGOING_MAX 64
#define OUTGOING_BYTES 640 /* a frame with stray bytes before it */
#define RECEIVED_MAX 1024
#define NEVER INT64_MAX

/** Bytes that leave together, from `due_us` on. */
struct outgoing {
    bool used, is_foreign; /* foreign: of another master's exchange */
    unsigned connection;
    int64_t due_us;
    uint64_t order; /* of being put: equal instants leave in that order */
    size_t n, sent;
    int64_t start_us; /* serial: when the first bit left; NEVER before */
    uint8_t bytes[OUTGOING_BYTES];
};
struct receiving {
    size_t n;
    int64_t first_us, last_us; /* arrival of first and last byte */
    bool collided;
    uint8_t bytes[RECEIVED_MAX];
};
struct rule_state {
    int64_t used_occurrence, next_edge_us, next_foreign_us;
    bool is_on;
    uint64_t drawn; /* how often chance was asked */
};

struct virtual_line {
    const struct simulate_line *options;
    const struct fault_script *script; /* may be NULL */
    uint64_t seed, order, foreign_serial;
    int64_t controller_due_us, controller_next_us; /* of its round, and of its next question */
    uint16_t controller_turn;
    bool queues_foreign;
    int64_t start_us, now_us, free_us /* when the last byte has left */;
    bool is_serial, is_plugged;
    double character_us;
    int64_t quiet_us;
    struct virtual_unit *unit[SIMULATE_UNITS_MAX];
    struct receiving in[SIMULATE_CONNECTIONS_MAX];
    struct outgoing out[OUTGOING_MAX];
    uint8_t last_request[PDU_MAX]; /* of the master, for the second one to imitate */
    uint8_t last_unit_id;
    struct rule_state rule[FAULT_RULES_MAX];
    struct truth_log *log;
    struct virtual_line_counts counts;
};

/** Puts bytes to leave at due_us; a full queue drops them (counted as fault). */
void line_queue(struct virtual_line *line, unsigned connection, int64_t due_us,
                const uint8_t *bytes, size_t n);
/** True when nothing is under way in either direction. */
bool line_is_idle(const struct virtual_line *line, int64_t at_us);
void line_log_to(struct virtual_line *line, struct truth_log *log);
int64_t line_unit_ms(int64_t at_us);
/** As virtual_line_next_us, but bytes under way may wait for each other up to grain_us; the last
 * one never waits. */
int64_t line_wake_us(const struct virtual_line *line, int64_t now_us, int64_t grain_us);

/** Takes the frames that are whole at at_us out of a connection's bytes and queues their answers.
 */
void exchange_take(struct virtual_line *line, unsigned connection, int64_t at_us);
/** When the bytes of a connection will be a frame; NEVER: not by time alone. */
int64_t exchange_ready_us(const struct virtual_line *line, unsigned connection);
/** One foreign request and its answer, as a second master on the pair would cause them. */
void exchange_foreign(struct virtual_line *line, int64_t at_us);
/** The same, of the line's own controller: the question whose turn it is. */
void exchange_controller(struct virtual_line *line, int64_t at_us);
/** Whether bytes are under way, or will be without anything asked meanwhile. */
bool line_has_outgoing(const struct virtual_line *line);

/** A question about to be answered, with what the faults did to it. */
struct exchange {
    unsigned connection;
    uint8_t unit_id;
    uint16_t transaction;
    const uint8_t *request;
    size_t request_n;
    uint8_t pdu[PDU_MAX];
    size_t n; /* 0: no answer */
};
/** Applies the rules that hold, and queues what leaves. */
void inject_and_queue(struct virtual_line *line, struct exchange *exchange, int64_t due_us);
/** Carries out the starts and ends of lasting faults up to now. */
void inject_advance(struct virtual_line *line, int64_t now_us);
int64_t inject_next_us(const struct virtual_line *line);
void inject_begin(struct virtual_line *line);

#endif
