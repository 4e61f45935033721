/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_watch.h - what unit_watch.c (steps by a known ratio) and unit_follow.c (steps of channels
 * whose unit a register says) share; private to measure.
 */
#ifndef UPHOLE_UNIT_WATCH_H
#define UPHOLE_UNIT_WATCH_H

#include "fold_state.h"

#define STEP_WAIT_MS 60000

/** Channels of the scan with a value, as the detector takes them. */
struct watched {
    struct unit_channel channel[UNIT_CHANNELS_MAX];
    uint8_t index[UNIT_CHANNELS_MAX]; /* of the map's channel */
    size_t n;
};

/** Marks the reading 65. */
void watch_doubt(struct scan_context *context, unsigned point);
/** The fact of this scan itself: a fold that begins later has loaded it. NULL: none. */
const struct unit_held *watch_held_by(const struct unit_memory *memory,
                                      const struct scan_context *context);
/** What the group's registers held before this scan, by the plan in force; *is_of_run: as a fact of
 * this run. */
uint8_t watch_change_before(const struct unit_memory *memory, const struct scan_context *context,
                            bool *is_of_run);
bool watch_is_often(const struct unit_memory *memory, const struct scan_context *context);
/** What the registers of the group hold from this scan on; makes it a fact of this run. */
uint8_t watch_hold(struct unit_memory *memory, const struct scan_context *context, unsigned group,
                   uint8_t change, struct fact *facts, size_t *n_facts);
void watch_note_step(struct fold *fold, const struct scan_context *context,
                     const struct unit_channel *channel, uint8_t held);

/* unit_follow.c */
/** The same for the channels of a group whose unit the setting (index) says; the others are left
 * alone. */
void follow_setting(struct fold *fold, struct scan_context *context, const struct watched *watched,
                    unsigned group, unsigned setting, struct fact *facts, size_t *n_facts);

#endif
