/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_watch.c - doubts a channel's unit, scan by scan: physics, and steps by a known ratio.
 *
 * Physics needs no memory. A step is remembered as a fact, because what it says holds until the
 * setting goes back, or the configuration takes it up with a new entry. The setting of a surface
 * unit changes all its pressures, or all its temperatures, at one refresh, which two scans may see:
 * a step of one channel alone is doubted for STEP_WAIT_MS, and then forgotten.
 */
#include "unit_watch.h"

#include "unit_physics.h"

#include <math.h>
#include <string.h>

#define TUBING_FULL_MS                                                                             \
    (2 * 3600 *                                                                                    \
     1000) /* a pump that has run for so long lifts a full column; common practice, no source */

static bool is_watched(const struct scan_context *context, unsigned index)
{
    const struct channel *channel = &context->map->channel[index];
    if (channel->point == POINT_NONE || channel->point >= POINT_COUNT || channel->unit == 0 ||
        channel->type == TYPE_TEXT || !context->present[channel->point] ||
        (!unit_is_judged(channel->point) && channel->setting == 0))
        return false;
    double value = context->reading[channel->point].value;
    bool is_pressure = unit_get(channel->unit)->kind == QUANTITY_PRESSURE;
    return isfinite(value) && (!is_pressure || value > 0.0); /* of no pressure no ratio tells */
}

static void watch(const struct scan_context *context, struct watched *watched)
{
    watched->n = 0;
    for (unsigned i = 0; i < context->map->n_channels && watched->n < UNIT_CHANNELS_MAX; i++) {
        const struct channel *channel = &context->map->channel[i];
        if (!is_watched(context, i))
            continue;
        watched->index[watched->n] = (uint8_t)i;
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

void watch_doubt(struct scan_context *context, unsigned point)
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
    struct input input = input_of_fold(fold, context, point, source);
    input_describe(&input, point, channel);
    if (quality_class_of(input.quality) != QUALITY_CLASS_GOOD ||
        input.reference == REFERENCE_UNKNOWN)
        return NAN;
    return input.value + (input.reference == REFERENCE_GAUGE ? ATMOSPHERE_KPA : 0.0);
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

static struct unit_well well_for_units(const struct fold *fold, const struct scan_context *context)
{
    const struct well_setting *setting = context->setting;
    double depth = setting->datum[DATUM_GAUGE_DEPTH];
    return (struct unit_well){.depth_m = isfinite(depth) ? depth : setting->intake_depth_m,
                              .casing_head_kpa = head_of(fold, context, POINT_CASING_HEAD_PRESSURE),
                              .tubing_head_kpa = head_of(fold, context, POINT_TUBING_HEAD_PRESSURE),
                              .running = running_of(fold, context)};
}

static void judge_physics(const struct fold *fold, struct scan_context *context,
                          const struct watched *watched)
{
    const struct unit_well well = well_for_units(fold, context);
    struct unit_finding found[UNIT_CHANNELS_MAX];
    if (!unit_is_doubted(watched->channel, watched->n, &well, found))
        return;
    for (size_t i = 0; i < watched->n; i++)
        if (found[i].verdict >= UNIT_DIFFERS)
            watch_doubt(context, found[i].point);
}

/* ---- steps ---- */

/* The fact's value: exact in a double, 48 + 5 bits. */
#define FACT_CHANGES 32.0
_Static_assert(UNIT_CHANGES <= UNIT_AS_MEANING && UNIT_AS_MEANING + UNIT_MEANINGS_MAX <= 32, "a fact has five bits for the change");
_Static_assert(FACT_UNIT_STEPPED_LAST - FACT_UNIT_STEPPED + 1 == UNIT_HELD_MAX,
               "a kind of fact for each");

static const struct group_row {
    uint8_t kind;   /* enum quantity */
    uint16_t point; /* that its facts bear */
} GROUPS[UNIT_GROUPS] = {
    [UNIT_GROUP_PRESSURE] = {QUANTITY_PRESSURE, POINT_INTAKE_PRESSURE},
    [UNIT_GROUP_TEMPERATURE] = {QUANTITY_TEMPERATURE, POINT_INTAKE_TEMPERATURE},
};

void unit_forget_run(struct unit_memory *memory)
{
    if (memory->n == 0)
        return;
    memory->held[0] = memory->held[memory->n - 1];
    memory->held[0].run = 0;
    memory->n = 1;
}

int unit_make_room(void *rows, size_t row_size, uint8_t *n, unsigned most, unsigned at)
{
    unsigned char *bytes = rows;
    if (*n < most) {
        memmove(bytes + (at + 1) * row_size, bytes + at * row_size, (*n - at) * row_size);
        (*n)++;
        return (int)at;
    }
    if (at > 0)
        memmove(bytes, bytes + row_size, (at - 1) * row_size);
    return (int)at - 1;
}

/** In the order of boot time; of an earlier run only the newest stays, first. */
static void remember_held(struct unit_memory *memory, const struct unit_held *held)
{
    if (memory->n > 0 && memory->held[memory->n - 1].run != held->run)
        unit_forget_run(memory);
    unsigned at = memory->n;
    while (at > 0 && memory->held[at - 1].run == held->run &&
           memory->held[at - 1].boot_ms >= held->boot_ms)
        at--;
    if (at < memory->n && memory->held[at].run == held->run &&
        memory->held[at].boot_ms == held->boot_ms)
        return;
    const int place =
        unit_make_room(memory->held, sizeof memory->held[0], &memory->n, UNIT_HELD_MAX, at);
    if (place >= 0)
        memory->held[place] = *held;
}

void unit_load_fact(struct fold *fold, const struct fact *fact)
{
    double whole = floor(fact->value), change = (fact->value - whole) * FACT_CHANGES;
    const bool is_known = change < UNIT_CHANGES || change >= UNIT_AS_MEANING;
    if (fact->source >= SOURCE_KINDS || !(whole >= 0.0 && change < FACT_CHANGES && is_known) ||
        (fold->run != 0 && fact->run != fold->run))
        return;
    for (unsigned g = 0; g < UNIT_GROUPS; g++)
        if (GROUPS[g].point == fact->point)
            remember_held(&fold->unit[fact->source][g],
                          &(struct unit_held){.change = (uint8_t)change,
                                              .signature = (uint64_t)whole,
                                              .run = fact->run,
                                              .boot_ms = fact->boot_ms,
                                              .turn = (uint8_t)(fact->kind - FACT_UNIT_STEPPED)});
}

/** The newest of before this scan; NULL: the setting was never seen to change. */
static const struct unit_held *held_before(const struct unit_memory *memory,
                                           const struct scan_context *context)
{
    for (unsigned i = memory->n; i-- > 0;)
        if (memory->held[i].run != context->scan->run || memory->held[i].boot_ms < context->begun)
            return &memory->held[i];
    return 0;
}

/** That of this scan itself: a fold that begins later has loaded it. */
const struct unit_held *watch_held_by(const struct unit_memory *memory,
                                       const struct scan_context *context)
{
    for (unsigned i = memory->n; i-- > 0;)
        if (memory->held[i].run == context->scan->run && memory->held[i].boot_ms == context->begun)
            return &memory->held[i];
    return 0;
}

bool watch_is_often(const struct unit_memory *memory, const struct scan_context *context)
{
    if (memory->n < UNIT_OFTEN)
        return false;
    unsigned n = 0;
    int64_t from = context->begun - fold_window_of(context->plan, context->well).ms;
    for (unsigned i = 0; i < memory->n; i++)
        n += memory->held[i].run == context->scan->run &&
             memory->held[i].boot_ms < context->begun && memory->held[i].boot_ms >= from;
    return n >= UNIT_OFTEN;
}

/** What the registers of the group hold from this scan on; `held` by now. Makes it a fact of this
 * run where it isn't one. */
uint8_t watch_hold(struct unit_memory *memory, const struct scan_context *context, unsigned group,
                    uint8_t change, struct fact *facts, size_t *n_facts)
{
    const struct unit_held *newest = memory->n > 0 ? &memory->held[memory->n - 1] : 0;
    struct unit_held held = {.change = change,
                             .run = context->scan->run,
                             .boot_ms = context->begun,
                             .turn = newest != 0 && newest->run == context->scan->run
                                         ? (uint8_t)((newest->turn + 1) % UNIT_HELD_MAX)
                                         : 0,
                             .signature = units_signature_of(context->plan, context->entry)};
    if (fact_push(facts, n_facts, context->scan, GROUPS[group].point,
                  (uint8_t)(FACT_UNIT_STEPPED + held.turn),
                  (double)held.signature + (double)change / FACT_CHANGES))
        remember_held(memory, &held);
    return change;
}

static bool is_of_kind(const struct watched *watched, size_t i, unsigned group)
{
    return unit_get(watched->channel[i].unit)->kind == GROUPS[group].kind;
}

/** The setting of the map that says the unit of this kind, from 1; 0: none does. */
static unsigned setting_of_group(const struct map *map, unsigned group)
{
    for (unsigned k = 0; k < map->n_unit_settings; k++)
        if (map->unit_settings[k].kind == GROUPS[group].kind)
            return k + 1;
    return 0;
}

/** Of the group, but for channels whose unit a register says: those are unit_follow.c's. */
static bool is_of(const struct scan_context *context, const struct watched *watched, size_t i,
                  unsigned group)
{
    return is_of_kind(watched, i, group) &&
           context->map->channel[watched->index[i]].setting == 0;
}

void watch_note_step(struct fold *fold, const struct scan_context *context,
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
static bool is_agreed(const struct fold *fold, const struct scan_context *context,
                      const struct watched *watched, unsigned group, uint8_t *to)
{
    bool any = false;
    for (size_t i = 0; i < watched->n; i++) {
        const struct unit_step *step = &fold->unit_step[watched->channel[i].point];
        if (!is_of(context, watched, i, group))
            continue;
        if (!step->is_stepping || (any && step->to != *to))
            return false;
        *to = step->to;
        any = true;
    }
    return any;
}

/** What the group's registers held before this scan, by the plan in force; *is_of_run: as a fact of
 * this run. */
uint8_t watch_change_before(const struct unit_memory *memory, const struct scan_context *context,
                             bool *is_of_run)
{
    const struct unit_held *before = held_before(memory, context);
    *is_of_run = before == 0 || before->run == context->scan->run;
    if (before == 0 || before->change == UNIT_AS_CONFIGURED ||
        before->signature != units_signature_of(context->plan, context->entry)) {
        *is_of_run = true; /* nothing to be made again: the site has taken it up since */
        return UNIT_AS_CONFIGURED;
    }
    return before->change;
}

/** Channels that the register of their kind doesn't concern: each is doubted for a minute. */
static void judge_alone(struct fold *fold, struct scan_context *context,
                        const struct watched *watched, unsigned group)
{
    for (size_t i = 0; i < watched->n; i++) {
        if (!is_of(context, watched, i, group))
            continue;
        watch_note_step(fold, context, &watched->channel[i], UNIT_AS_CONFIGURED);
        if (fold->unit_step[watched->channel[i].point].is_stepping)
            watch_doubt(context, watched->channel[i].point);
    }
}

static void judge_steps(struct fold *fold, struct scan_context *context,
                        const struct watched *watched, unsigned group, struct fact *facts,
                        size_t *n_facts)
{
    struct unit_memory *memory = &fold->unit[context->scan->source][group];
    const unsigned setting = setting_of_group(context->map, group);
    bool is_of_run, often = watch_is_often(memory, context);
    uint8_t held = watch_change_before(memory, context, &is_of_run), to = UNIT_AS_CONFIGURED;
    if (setting > 0) {
        follow_setting(fold, context, watched, group, setting - 1, facts, n_facts);
        judge_alone(fold, context, watched, group);
        return;
    }
    for (size_t i = 0; i < watched->n; i++)
        if (is_of(context, watched, i, group))
            watch_note_step(fold, context, &watched->channel[i], held);
    bool agreed = is_agreed(fold, context, watched, group, &to);
    const struct unit_held *known = watch_held_by(memory, context);
    if (known != 0) /* this scan's own: a late fold can't find again what came from an earlier run */
        held = known->change;
    else if ((agreed && !often) || !is_of_run)
        held = watch_hold(memory, context, group, agreed ? to : held, facts, n_facts);
    for (size_t i = 0; i < watched->n; i++) {
        struct unit_step *step = &fold->unit_step[watched->channel[i].point];
        if (!is_of(context, watched, i, group))
            continue;
        if (agreed)
            step->is_stepping = false;
        if (held != UNIT_AS_CONFIGURED || step->is_stepping || often)
            watch_doubt(context, watched->channel[i].point);
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

/* ---- as it stands now, for people ---- */

static void say_setting(const struct scan_context *context, unsigned index,
                        const struct fold *fold, struct unit_doubt_now *row)
{
    const struct channel *channel = &context->map->channel[index];
    const struct setting_now *now = setting_of_channel(context, channel);
    row->unit = context->unit[index];
    row->setting = now != 0 ? now->state : SETTING_NONE;
    if (row->held < UNIT_AS_MEANING)
        return;
    const unsigned meaning = row->held - UNIT_AS_MEANING;
    struct conversion conversion;
    const bool is_other = now != 0 && now->state == SETTING_KNOWN && now->meaning != meaning &&
                          meaning < context->map->unit_settings[channel->setting - 1].n_meanings;
    if (is_other &&
        unit_meaning_conversion(
            channel, &context->map->unit_settings[channel->setting - 1].meaning[meaning],
            &conversion))
        row->as_before =
            conversion_apply(&conversion, fold->setting_number[channel->point].number);
    else
        row->held = UNIT_AS_CONFIGURED;
}

size_t measure_units(const struct fold *fold, const struct plan *plan, const struct well_plan *well,
                     const struct stamp *now, struct unit_doubt_now into[static UNIT_DOUBTS_MAX])
{
    size_t n = 0;
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS && fold->run != 0; source++) {
        const struct well_setting setting = well_setting_at(well, now->utc_ms);
        const struct scan scan = {
            .run = fold->run, .source = source, .begun = *now, .well = well->number};
        struct scan_context context = {.plan = plan,
                                       .well = well,
                                       .scan = &scan,
                                       .setting = &setting,
                                       .entry = entry_at(plan, well, source, now->utc_ms)};
        if (context.entry == 0)
            continue;
        context.map = &plan->maps[context.entry->map];
        context.begun = context.end = now->boot_ms;
        context.lapse_ms = lapse_of(context.entry);
        for (unsigned i = 0; i < context.map->n_channels; i++) {
            const struct channel *channel = &context.map->channel[i];
            const struct point_state *state = &fold->point[channel->point];
            context.present[channel->point] = state->has_record && state->source == source;
            context.reading[channel->point] =
                reading_of(channel->point, state->record_quality, 0, state->record_value, 0.0);
        }
        setting_look(fold, &context, false);
        struct watched watched;
        watch(&context, &watched);
        struct unit_finding found[UNIT_CHANNELS_MAX];
        const struct unit_well physics = well_for_units(fold, &context);
        unit_doubt(watched.channel, watched.n, &physics, found);
        for (size_t i = 0; i < watched.n; i++) {
            bool is_of_run;
            struct unit_doubt_now *row = &into[n++];
            *row = (struct unit_doubt_now){.finding = found[i],
                                           .published = watched.channel[i].value,
                                           .is_stated =
                                               context.entry->confirmed_units[found[i].point] ||
                                               confirm_holds(fold, found[i].point)};
            for (unsigned g = 0; g < UNIT_GROUPS; g++)
                if (is_of_kind(&watched, i, g))
                    row->held = watch_change_before(&fold->unit[source][g], &context, &is_of_run);
            say_setting(&context, watched.index[i], fold, row);
        }
    }
    return n;
}
