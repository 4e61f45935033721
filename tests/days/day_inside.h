/* SPDX-License-Identifier: Apache-2.0
 *
 * day_inside.h - the harness's own state, shared by its files.
 */
#ifndef UPHOLE_TESTS_DAY_INSIDE_H
#define UPHOLE_TESTS_DAY_INSIDE_H

#include "day.h"

#include "../../daemon/uphole/backlog.h"
#include "../../daemon/uphole/confirm.h"
#include "../../daemon/uphole/core.h"
#include "../../daemon/uphole/resend.h"
#include "../../daemon/uphole/retain.h"

#define DAY_ANSWERS_MAX 8
#define DAY_WANTS_MAX 64
#define DAY_RUNS_MAX 256
#define DAY_BOOTS_MAX 16
#define DAY_BOOT_FIRST 0x0DA70001u

/** What a unit's registers held when it was asked: kept as it was, because a later power cycle
 * rewrites what the unit knows of its past. */
struct day_truth {
    int64_t at_ms; /* by the units' time */
    struct well_truth truth;
};

struct day_unit {
    struct virtual_unit *unit;
    struct day_truth *truths; /* ascending by time */
    size_t n_truths, room;
    struct map *map;
    uint16_t line;
    uint8_t unit_id;
};

/** Bytes on their way back to a line: each answer's first byte arrives at `first_us`, the rest a
 * character apart. */
struct day_flight {
    uint8_t bytes[RTU_ADU_MAX + 64];
    size_t n, taken;
    int64_t first_us, per_byte_us;
};

struct day_port {
    struct day *day;
    uint16_t line;
    struct day_flight flights[DAY_ANSWERS_MAX];
    size_t n_flights;
    bool is_open;
};

struct day {
    struct day_options options;
    char directory[256];
    struct up_clock clock;
    int64_t now_us, utc_offset_us;
    int64_t asleep_us, floor_utc_ms;
    int64_t slew_ppm, slew_from_us;        /* how much faster UTC runs since then */
    int64_t units_ahead_ms[DAY_BOOTS_MAX]; /* of the box's clock, a boot */
    size_t boot;                           /* index of the present one */
    struct plan *plan;
    struct journal *journal;
    struct ledger *ledger;
    struct core *core;
    struct retain retain;
    struct backlog *backlog;
    uint64_t run;
    int64_t began_ms[DAY_RUNS_MAX]; /* boot_ms of each start */
    size_t n_runs;
    struct day_unit units[DAY_UNITS_MAX];
    size_t n_units;
    struct day_port port_state[DAY_LINES_MAX];
    struct port ports[DAY_LINES_MAX];
    struct line *lines[DAY_LINES_MAX];
    struct ring *rings[DAY_LINES_MAX];
    int64_t line_next_us[DAY_LINES_MAX];
    /* the receiver */
    int wall[2]; /* [0] core's end, [1] ours */
    bool broker_up;
    struct table_image *image;
    struct wall_want wants[DAY_WANTS_MAX];
    size_t n_wants;
    uint64_t cursor[PLAN_WELLS_MAX][4]; /* by well index and stream */
    uint64_t newest[PLAN_WELLS_MAX][4];
    bool want_out[PLAN_WELLS_MAX][4];
    struct wall_order order[PLAN_WELLS_MAX];
    uint64_t order_seq[PLAN_WELLS_MAX]; /* of its newest row */
    uint64_t last_run[PLAN_WELLS_MAX], last_seq[PLAN_WELLS_MAX], last_pos[PLAN_WELLS_MAX];
    uint32_t plan_serial; /* of the plan in force, at the wall */
    struct wall_message *message;
    struct day_counts counts;
};

struct day_unit *day_find_unit(struct day *day, uint16_t line, uint8_t unit_id);
void day_start(struct day *day);
struct plan *day_read_plan(const struct day *day);
bool day_make_line(struct day *day, uint16_t line, const struct stamp *began,
                   struct up_error *error);
/** The same for a line that starts anew within the run: its due times go on where `starts` say. */
bool day_make_line_anew(struct day *day, uint16_t line, const struct due_start *starts,
                        size_t n_starts, struct up_error *error);
void day_take_want(void *context, const struct wall_want *want);
void day_start_receiver(struct day *day);
void day_stop_receiver(struct day *day);
void day_serve_receiver(struct day *day);
void day_say_destination(struct day *day);
const struct destination_plan *day_destination(const struct day *day, uint8_t medium,
                                               uint16_t *index);

#endif
