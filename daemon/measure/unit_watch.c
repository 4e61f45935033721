/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_watch.c - doubts a channel's unit, scan by scan: physics, and steps by a known ratio.
 *
 * Physics needs no memory. A step is remembered as a fact, because what it says holds until the
 * setting goes back, or the configuration takes it up with a new entry. The setting of a surface
 * unit changes all its pressures, or all its temperatures, at one refresh, which two scans may see:
 * a step of one channel alone is doubted for STEP_WAIT_MS, and then forgotten.
 */
#include "fold_state.h"

#include "unit_physics.h"

#include <math.h>
#include <string.h>

#define STEP_WAIT_MS 60000
#define TUBING_FULL_MS                                                                             \
    (2 * 3600 *                                                                                    \
     1000) /* a pump that has run for so long lifts a full column; common practice, no source */

/** Channels of the scan with a value, as the detector takes them. */
struct watched {
    struct unit_channel channel[UNIT_CHANNELS_MAX];
    size_t n;
};

static bool is_watched(const struct scan_context *context, unsigned index)
{
    const struct channel *channel = &context->map->channel[index];
    if (channel->point == POINT_NONE || channel->point >= POINT_COUNT || channel->unit == 0 ||
        channel->type == TYPE_TEXT || !context->present[channel->point] ||
        !unit_is_judged(channel->point))
        return false;
    return isfinite(context->reading[channel->point].value);
}

static void watch(const struct scan_context *context, struct watched *watched)
{
    watched->n = 0;
    for (unsigned i = 0; i < context->map->n_channels && watched->n < UNIT_CHANNELS_MAX; i++) {
        const struct channel *channel = &context->map->channel[i];
        if (!is_watched(context, i))
            continue;
        watched->channel[watched->n++] =
            (struct unit_channel){.point = channel->point,
                                  .unit = context->unit[i],
                                  .value = context->reading[channel->point].value,
                                  .is_gauge_pressure = channel->reference == REFERENCE_GAUGE,
                                  .has_window = channel->has_expected_range,
                                  .low = channel->expected_low,
                                  .high = channel->expected_high};
    }
}

static void doubt(struct scan_context *context, unsigned point)
{
    struct reading *reading = &context->reading[point];
    reading->quality = quality_first(reading->quality, QUALITY_UNIT_UNCONFIRMED);
}

/* ---- physics ---- */

/** A wellhead pressure that another unit measures, absolute; NaN: none. */
static double head_of(const struct fold *fold, const struct scan_context *context, unsigned point)
{
    uint8_t source;
    const struct channel *channel =
        well_channel(context->plan, context->well, point, context->scan->begun.utc_ms, &source);
    if (channel == 0 || source == context->scan->source)
        return NAN;
    struct input input = input_of_scan(fold, context, point);
    if (quality_class_of(input.quality) != QUALITY_CLASS_GOOD ||
        input.reference == REFERENCE_UNKNOWN)
        return NAN;
    return input.value + (input.reference == REFERENCE_GAUGE ? 101.325 : 0.0);
}

static int running_of(const struct fold *fold, const struct scan_context *context)
{
    const struct pump_memory *pump = &fold->pump;
    if (pump->known == PUMP_UNKNOWN || pump->known_boot == NEVER ||
        context->begun - pump->known_boot > pump_lapse_of(context->plan, context->entry))
        return -1;
    if (pump->known == PUMP_STOPPED)
        return 0;
    return fold->start.boot_ms != NEVER && context->begun - fold->start.boot_ms >= TUBING_FULL_MS
               ? 1
               : -1;
}

static void judge_physics(const struct fold *fold, struct scan_context *context,
                          const struct watched *watched)
{
    const struct well_setting setting = well_setting_at(context->well, context->scan->begun.utc_ms);
    double depth = setting.datum[DATUM_GAUGE_DEPTH];
    struct unit_well well = {.depth_m = isfinite(depth) ? depth : setting.intake_depth_m,
                             .casing_head_kpa = head_of(fold, context, POINT_CASING_HEAD_PRESSURE),
                             .tubing_head_kpa = head_of(fold, context, POINT_TUBING_HEAD_PRESSURE),
                             .running = running_of(fold, context)};
    struct unit_finding found[UNIT_CHANNELS_MAX];
    if (!unit_doubt(watched->channel, watched->n, &well, found))
        return;
    for (size_t i = 0; i < watched->n; i++)
        if (found[i].verdict >= UNIT_DIFFERS)
            doubt(context, found[i].point);
}

/* ---- steps ---- */

/* The fact's value: exact in a double, 48 + 5 bits. */
#define FACT_CHANGES 32.0
_Static_assert(UNIT_CHANGES <= 32, "a fact has five bits for the change");

static const struct group_row {
    uint8_t kind;   /* enum quantity */
    uint16_t point; /* that its facts bear */
} GROUPS[UNIT_GROUPS] = {
    [UNIT_GROUP_PRESSURE] = {QUANTITY_PRESSURE, POINT_INTAKE_PRESSURE},
    [UNIT_GROUP_TEMPERATURE] = {QUANTITY_TEMPERATURE, POINT_INTAKE_TEMPERATURE},
};

void unit_load_fact(struct fold *fold, const struct fact *fact)
{
    double whole = floor(fact->value), change = (fact->value - whole) * FACT_CHANGES;
    if (fact->source >= SOURCE_KINDS || !(whole >= 0.0 && change < UNIT_CHANGES) ||
        (fold->run != 0 && fact->run != fold->run))
        return;
    for (unsigned g = 0; g < UNIT_GROUPS; g++)
        if (GROUPS[g].point == fact->point)
            fold->unit[fact->source][g] = (struct unit_memory){.held = (uint8_t)change,
                                                               .signature = (uint64_t)whole,
                                                               .run = fact->run,
                                                               .boot_ms = fact->boot_ms};
}

/** Makes it a fact of this run. */
static void hold(struct unit_memory *memory, const struct scan_context *context, unsigned group,
                 uint8_t change, struct fact *facts, size_t *n_facts)
{
    uint64_t signature = units_signature_of(context->plan, context->entry);
    if (fact_push(facts, n_facts, context->scan, GROUPS[group].point, FACT_UNIT_STEPPED,
                  (double)signature + (double)change / FACT_CHANGES))
        *memory = (struct unit_memory){.held = change,
                                       .signature = signature,
                                       .run = context->scan->run,
                                       .boot_ms = context->begun};
}

static bool is_of(const struct watched *watched, size_t i, unsigned group)
{
    return unit_get(watched->channel[i].unit)->kind == GROUPS[group].kind;
}

static void note_step(struct fold *fold, const struct scan_context *context,
                      const struct unit_channel *channel, uint8_t held)
{
    const struct point_state *before = &fold->point[channel->point];
    struct unit_step *step = &fold->unit_step[channel->point];
    if (step->is_stepping && context->begun - step->boot_ms > STEP_WAIT_MS)
        step->is_stepping = false;
    if (!before->has_record || before->source != context->scan->source ||
        !isfinite(before->record_value) ||
        context->begun - before->record_end_boot > context->lapse_ms)
        return;
    bool back;
    uint8_t change = unit_step_of(before->record_value, channel->value, channel->unit, held, &back);
    if (change == UNIT_AS_CONFIGURED && !back)
        return;
    *step = (struct unit_step){.is_stepping = true, .to = change, .boot_ms = context->begun};
}

/** All channels of the group that have a value step to the same. */
static bool is_agreed(const struct fold *fold, const struct watched *watched, unsigned group,
                      uint8_t *to)
{
    bool any = false;
    for (size_t i = 0; i < watched->n; i++) {
        const struct unit_step *step = &fold->unit_step[watched->channel[i].point];
        if (!is_of(watched, i, group))
            continue;
        if (!step->is_stepping || (any && step->to != *to))
            return false;
        *to = step->to;
        any = true;
    }
    return any;
}

static void judge_steps(struct fold *fold, struct scan_context *context,
                        const struct watched *watched, unsigned group, struct fact *facts,
                        size_t *n_facts)
{
    struct unit_memory *memory = &fold->unit[context->scan->source][group];
    if (memory->held != UNIT_AS_CONFIGURED &&
        memory->signature != units_signature_of(context->plan, context->entry))
        memory->held = UNIT_AS_CONFIGURED; /* the site has taken it up since */
    /* A loaded fact of a later scan, or of this one: its step is not to be found again. */
    bool is_known = memory->run == context->scan->run && memory->boot_ms >= context->begun;
    uint8_t to = UNIT_AS_CONFIGURED;
    for (size_t i = 0; i < watched->n && !is_known; i++)
        if (is_of(watched, i, group))
            note_step(fold, context, &watched->channel[i], memory->held);
    bool agreed = !is_known && is_agreed(fold, watched, group, &to);
    if (agreed || (memory->held != UNIT_AS_CONFIGURED && memory->run != context->scan->run))
        hold(memory, context, group, agreed ? to : memory->held, facts, n_facts);
    for (size_t i = 0; i < watched->n; i++) {
        struct unit_step *step = &fold->unit_step[watched->channel[i].point];
        if (!is_of(watched, i, group))
            continue;
        if (agreed)
            step->is_stepping = false;
        if (memory->held != UNIT_AS_CONFIGURED || step->is_stepping)
            doubt(context, watched->channel[i].point);
    }
}

void judge_units(struct fold *fold, struct scan_context *context, struct fact *facts,
                 size_t *n_facts)
{
    struct watched watched;
    watch(context, &watched);
    for (unsigned group = 0; group < UNIT_GROUPS && watched.n > 0; group++)
        judge_steps(fold, context, &watched, group, facts, n_facts);
    if (watched.n > 0)
        judge_physics(fold, context, &watched);
}
