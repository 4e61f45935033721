/* SPDX-License-Identifier: Apache-2.0
 *
 * well_pump.c - is the pump running, and since when?
 *
 * A start is a fact of the run, journaled with the scan that showed it, because no window reaches
 * back over months. A start counts as seen only where the pump was heard stopped shortly before:
 * else it ran already when it was first heard, and its time is a lower bound (74). What was not
 * heard for longer than pump_lapse_of may have stopped and started meanwhile.
 */
#include "fold_state.h"

enum pump_state pump_state_of(unsigned point, uint8_t quality, double value)
{
    if (quality_class_of(quality) == QUALITY_CLASS_BAD || !isfinite(value))
        return PUMP_UNKNOWN;
    if (point == POINT_DRIVE_FREQUENCY)
        return value != 0.0 ? PUMP_RUNNING : PUMP_STOPPED;
    /* drive_run_state: 0 unknown, 1 stopped, 2 running, 3 tripped (points.c) */
    if (value == 2.0)
        return PUMP_RUNNING;
    return value == 1.0 || value == 3.0 ? PUMP_STOPPED : PUMP_UNKNOWN;
}

void pump_take(struct fold *fold, const struct scan_context *context, enum pump_state state,
               struct fact *facts, size_t *n_facts)
{
    struct pump_memory *memory = &fold->pump;
    struct pump_start *start = &fold->start;
    memory->source = context->scan->source;
    if (memory->seen_boot == NEVER)
        memory->seen_boot = context->begun;
    if (state == PUMP_UNKNOWN)
        return;
    /* Nothing known, though this fold has listened for long: a fold that listened longer has
     * forgotten what it knew. */
    int64_t heard = memory->known != PUMP_UNKNOWN ? memory->known_boot : memory->seen_boot;
    bool is_lost =
        memory->is_new || context->begun - heard > pump_lapse_of(context->plan, context->entry);
    bool was_stopped = !is_lost && memory->known == PUMP_STOPPED;
    memory->known = (uint8_t)state;
    memory->known_boot = context->begun;
    if (state != PUMP_RUNNING) {
        memory->is_new = false;
        return;
    }
    memory->is_new = false;
    if (!was_stopped && !is_lost && start->boot_ms != NEVER)
        return;
    if (start->boot_ms >= context->begun)
        return; /* loaded: this scan's own, or a later one */
    if (fact_push(facts, n_facts, context->scan, POINT_RUN_TIME, FACT_PUMP_STARTED,
                  was_stopped ? 1.0 : 0.0))
        *start = (struct pump_start){context->begun, was_stopped};
}

uint8_t pump_run_time(const struct fold *fold, const struct scan_context *context,
                      enum pump_state state, double *hours)
{
    *hours = NAN;
    if (state == PUMP_STOPPED)
        return QUALITY_PUMP_STOPPED;
    int64_t start = fold->start.boot_ms;
    if (state == PUMP_UNKNOWN || start == NEVER || start > context->end)
        return QUALITY_INPUT_BAD;
    *hours = (double)(context->end - start) / 3600000.0;
    return fold->start.is_seen ? QUALITY_GOOD : QUALITY_LIMITED;
}
