/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_inside.h - a virtual unit's memory, shared by its three files: unit.c (time, events,
 * answers), unit_registers.c (what the registers hold), truth.c (what the log says).
 */
#ifndef UPHOLE_SIMULATE_UNIT_INSIDE_H
#define UPHOLE_SIMULATE_UNIT_INSIDE_H

#include "unit.h"

#define NO_REFRESH (-1)
#define STATUS_POINT 15u

enum gauge_phase { GAUGE_PHASE_STARTING = 1, GAUGE_PHASE_LIVE, GAUGE_PHASE_LOST };

struct virtual_unit {
    struct map *map; /* own copy */
    struct virtual_unit_options options;
    int64_t refresh_ms, powered_at_ms,
        gauge_since_ms; /* gauge_since: the instant from which the gauge has been there */
    bool gauge_present, alive;
    int64_t counter, counted_refresh; /* counter's value, and the refresh it was last counted at */
    bool is_filled;
    int64_t filled_refresh; /* what the registers hold now */
    uint8_t filled_phase;
    struct well_truth truth;          /* as encoded */
    uint16_t *cells[TABLE_INPUT + 1]; /* one word a register, or a coil */
    uint32_t n_cells[TABLE_INPUT + 1];
    uint8_t meaning[UNIT_SETTINGS_MAX]; /* of the map's settings: what the values are in, */
    uint16_t shown[UNIT_REGISTERS_MAX]; /* and what the registers show */
    struct truth_log *log, own_log;
    char line[NAME_LENGTH_MAX + 1];
};

/** Instant of refresh 0, and of any refresh, on the unit's time. */
int64_t unit_first_refresh_ms(const struct virtual_unit *unit);
int64_t unit_instant_ms(const struct virtual_unit *unit, int64_t refresh);
/** The setting with which a unit is made: that for which the map's channels state their scale. */
void unit_begin_settings(struct virtual_unit *unit);
/** Makes all registers anew for a refresh (NO_REFRESH: not one yet). */
void unit_fill(struct virtual_unit *unit, int64_t refresh, uint8_t phase);
/** Writes what the registers hold now to the unit's log, which must be there. */
void unit_log_refresh(const struct virtual_unit *unit);

#endif
