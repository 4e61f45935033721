/* SPDX-License-Identifier: Apache-2.0
 *
 * judge.c - the quality of each reading: range, rate of change, clock, and the order in which
 * reasons speak.
 *
 * All reasons that apply are put through quality_first; the order of points.md decides, not the
 * order of this code.
 */
#include "fold_state.h"

#include <math.h>
#include <string.h>

static bool is_within(double value, double low, double high)
{
    double slack = 1e-12 * (fabs(low) + fabs(high)); /* a value at the range's end is inside,
                                                        whatever its unit's factor rounds to */
    return value >= low - slack && value <= high + slack;
}

/* What no instrument can measure, whether its range is stated or not. */
static bool is_below_floor(const struct channel *channel, double value)
{
    const enum quantity kind = channel->point != POINT_NONE ? point_get(channel->point)->kind
                                                            : unit_get(channel->unit)->kind;
    return quantity_is_below_floor(value, kind, (enum pressure_reference)channel->reference);
}

uint8_t range_quality(const struct channel *channel, double value)
{
    if (!isfinite(value) || is_below_floor(channel, value))
        return QUALITY_IMPOSSIBLE;
    if (channel->has_instrument_range &&
        !is_within(value, channel->instrument_low, channel->instrument_high))
        return QUALITY_IMPOSSIBLE;
    if (channel->has_expected_range &&
        !is_within(value, channel->expected_low, channel->expected_high))
        return QUALITY_UNUSUAL;
    return QUALITY_GOOD;
}

static bool is_code(const struct channel *channel)
{
    const struct point *point = point_get(channel->point);
    return point != 0 && (point->kind == QUANTITY_STATE || point->kind == QUANTITY_COUNT);
}

static uint8_t quality_of_value(const struct channel *channel, uint8_t verdict, double value,
                                bool at_limit)
{
    if (verdict == DECODE_UNDECODABLE)
        return QUALITY_IMPOSSIBLE;
    uint8_t quality = range_quality(channel, value);
    if (quality == QUALITY_IMPOSSIBLE)
        return quality;
    if (at_limit && !is_code(channel))
        quality = quality_first(quality, QUALITY_UNUSUAL);
    if (verdict == DECODE_LIMITED)
        quality = quality_first(quality, QUALITY_LIMITED);
    return quality;
}

uint8_t decoded_quality(const struct channel *channel, const struct decoded *decoded)
{
    if (decoded->verdict == DECODE_NOT_FITTED)
        return QUALITY_NOT_FITTED;
    if (decoded->verdict == DECODE_FAULT)
        return QUALITY_CHANNEL_FAULT;
    if (channel->type == TYPE_TEXT && decoded->verdict == DECODE_VALUE)
        return QUALITY_GOOD;
    return quality_of_value(channel, decoded->verdict, decoded->value,
                            channel_is_at_type_limit(channel, decoded));
}

/* ---- rate of change ---- */

static bool is_near(double a, double b, double rate_per_s, int64_t elapsed_ms, int64_t refresh_ms)
{
    /* Two samples of the gauge are at least a refresh apart, however soon after each other they
     * were read. */
    double s = (double)(elapsed_ms > refresh_ms ? elapsed_ms : refresh_ms) / 1000.0;
    double allowed = rate_per_s * s;
    return fabs(a - b) <= allowed * (1 + 1e-9);
}

static void series_begin(struct step_series *series, double value, int64_t boot_ms, bool is_solid,
                         bool is_near_any)
{
    series->is_active = true;
    series->value = value;
    series->first_boot = series->last_boot = boot_ms;
    series->is_solid = is_solid;
    series->is_near = is_near_any;
}

bool step_take(struct step_series *series, double value, int64_t boot_ms, double max_rate_per_s,
               int64_t refresh_ms, int64_t look_back_ms)
{
    int64_t since_last = boot_ms - series->last_boot;
    if (!series->is_active || since_last < 0 || since_last > look_back_ms) {
        memset(series, 0, sizeof *series);
        series_begin(series, value, boot_ms, true, true);
        return true;
    }
    if (value == series->value) {
        series->last_boot = boot_ms;
        /* The same raw may be the same refresh; only after a refresh's time it is a second sample
         * that agrees. */
        if (boot_ms - series->first_boot >= refresh_ms)
            series->is_solid = true;
        return series->is_solid || series->is_near;
    }
    bool near_last = is_near(value, series->value, max_rate_per_s, since_last, refresh_ms);
    if (series->is_solid) {
        series->has_solid = true;
        series->solid_value = series->value;
        series->solid_boot = series->last_boot;
    }
    int64_t since_solid = boot_ms - series->solid_boot;
    bool near_solid = series->has_solid && since_solid <= look_back_ms &&
                      is_near(value, series->solid_value, max_rate_per_s, since_solid, refresh_ms);
    series_begin(series, value, boot_ms, near_last, near_last || near_solid);
    return series->is_near;
}

/* ---- clock ---- */

bool clock_take(struct clock_memory *memory, const struct stamp *stamp)
{
    int64_t elapsed = stamp->boot_ms - memory->boot_ms;
    int64_t distance =
        elapsed < 0 ? -elapsed
                    : elapsed; /* lines finish in any order, so scans of a well may overlap */
    if (memory->has_stamp && distance <= CLOCK_COMPARE_MS) {
        int64_t off = stamp->utc_ms - memory->utc_ms - elapsed;
        int64_t allowed =
            CLOCK_STEP_MS + distance / 2000; /* a slewed clock gains at most 500 ppm */
        if (off > allowed || off < -allowed)
            memory->step_boot = stamp->boot_ms;
    }
    memory->has_stamp = true;
    memory->utc_ms = stamp->utc_ms;
    memory->boot_ms = stamp->boot_ms;
    if (stamp->clock == CLOCK_STATE_SYNCHRONISED)
        memory->step_boot = NEVER;
    bool stepped =
        memory->step_boot != NEVER && stamp->boot_ms - memory->step_boot < CLOCK_STEADY_MS;
    return stepped || stamp->clock == CLOCK_STATE_NEVER_SET;
}

/* ---- readings ---- */

struct reading reading_of(unsigned point, uint8_t quality, uint8_t worst, double value,
                          double age_s)
{
    struct reading reading = {.point = (uint16_t)point,
                              .quality = quality,
                              .worst_input = worst,
                              .age_s = NAN,
                              .value = NAN};
    if (quality_class_of(quality) != QUALITY_CLASS_BAD) {
        reading.value = value;
        reading.age_s = (float)age_s;
    }
    return reading;
}

bool fact_push(struct fact *facts, size_t *n_facts, const struct scan *scan, unsigned point,
               uint8_t kind, double value)
{
    if (*n_facts >= MEASURE_FACTS_MAX)
        return false;
    struct fact *fact = &facts[(*n_facts)++];
    memset(fact, 0, sizeof *fact);
    fact->run = scan->run;
    fact->well = scan->well;
    fact->source = scan->source;
    fact->point = (uint16_t)point;
    fact->kind = kind;
    fact->value = value;
    fact->utc_ms = scan->begun.utc_ms;
    fact->boot_ms = scan->begun.boot_ms;
    return true;
}

/** The marker counts alone, or only beside its partner's in the same scan. */
static bool marker_stands(const struct scan_context *context, unsigned index)
{
    unsigned partner = context->map->channel[index].not_fitted_if;
    if (!context->looked[index].has_marker)
        return false;
    if (partner == 0)
        return true;
    for (unsigned i = 0; i < context->map->n_channels; i++) {
        if (context->map->channel[i].point == partner)
            return context->looked[i].has_marker;
    }
    return false;
}

static bool was_seen_good(const struct fold *fold, const struct scan_context *context,
                          unsigned point)
{
    const struct point_facts *facts = &fold->facts[point];
    return facts->good_boot != NEVER && facts->good_boot < context->begun &&
           facts->good_utc >= context->entry->from_utc_ms;
}

static bool is_of_gauge(const struct scan_context *context, unsigned index)
{
    return (context->arranged->channel[index] & CHANNEL_OF_GAUGE) != 0;
}

/** What the data themselves say; `looked` holds words. */
static uint8_t quality_of_data(struct fold *fold, const struct scan_context *context,
                               unsigned index)
{
    const struct channel *channel = &context->map->channel[index];
    const struct looked *looked = &context->looked[index];
    const struct source_entry *entry = context->entry;
    unsigned point = channel->point;
    if (marker_stands(context, index))
        return entry->fitted[point] == FITTED_YES || was_seen_good(fold, context, point)
                   ? QUALITY_CHANNEL_FAULT
                   : QUALITY_NOT_FITTED;
    if (looked->has_fault)
        return QUALITY_CHANNEL_FAULT;
    uint8_t quality = quality_of_value(channel, looked->verdict, looked->value, looked->at_limit);
    if (quality == QUALITY_IMPOSSIBLE)
        return quality;
    if (looked->has_marker) /* a conditional one, whose partner's does not stand */
        quality = quality_first(quality, QUALITY_UNUSUAL);
    const struct setting_now *setting = setting_of_channel(context, channel);
    if ((!entry->confirmed_units[point] && !context->is_confirmed[point]) ||
        (setting != 0 && setting->state != SETTING_KNOWN))
        quality = quality_first(quality, QUALITY_UNIT_UNCONFIRMED);
    if (is_of_gauge(context, index) && context->is_frozen)
        quality = quality_first(quality, QUALITY_FROZEN);
    if (context->end - context->fresh > (int64_t)entry->stale_limit_ms && entry->stale_limit_ms > 0)
        quality = quality_first(quality, QUALITY_STALE);
    if (context->scan->stray > 0)
        quality = quality_first(quality, QUALITY_LINE_DISTURBED);
    if (context->clock_unsure)
        quality = quality_first(quality, QUALITY_CLOCK_UNSURE);
    bool is_of_stage = context->has_sensors && is_of_gauge(context, index);
    bool may_count = !is_of_stage || fold->source[context->scan->source].kind == KIND_LIVE;
    if (channel->has_max_rate && may_count &&
        !step_take(&fold->step[point], looked->value, context->begun, channel->max_rate_per_s,
                   entry->refresh_ms, step_look_back_of(entry)))
        quality = quality_first(quality, QUALITY_STEP_UNCONFIRMED);
    return quality;
}

static uint8_t quality_of_channel(struct fold *fold, const struct scan_context *context,
                                  unsigned index)
{
    const struct channel *channel = &context->map->channel[index];
    uint8_t quality = QUALITY_GOOD;
    if (!context->is_heard)
        quality = QUALITY_LINE_DOWN;
    else if (context->looked[index].at == LOOKED_NO_ANSWER)
        quality = QUALITY_LINE_DOWN;
    else if (context->looked[index].at == LOOKED_EXCEPTION)
        quality = QUALITY_CHANNEL_FAULT;
    else if (context->looked[index].at == LOOKED_NOT_ASKED)
        quality = QUALITY_NO_DATA;
    else
        quality = quality_of_data(fold, context, index);
    if (context->is_heard && context->has_sensors && is_of_gauge(context, index))
        quality = quality_first(quality, context->gauge_quality);
    /* A surface unit that has just started holds zeros for the sensors wired to itself, too: while
     * it is starting a zero of theirs proves nothing. Found by tests/days, "a restarted surface
     * unit publishes no zero". */
    else if (context->is_heard && context->has_sensors &&
             context->gauge_quality == QUALITY_STARTING &&
             context->looked[index].at == LOOKED_DATA && context->looked[index].is_zero)
        quality = quality_first(quality, QUALITY_STARTING);
    if (context->entry->fitted[channel->point] == FITTED_NO && quality != QUALITY_LINE_DOWN &&
        quality != QUALITY_STARTING && quality != QUALITY_GAUGE_SILENT)
        quality = QUALITY_NOT_FITTED; /* stated: whatever its registers hold */
    return quality;
}

/** Data as they should be; told from this scan alone, so that a fold that begins later does not
 * find more of it. */
static bool is_sound(const struct scan_context *context, unsigned index, uint8_t quality)
{
    const struct looked *looked = &context->looked[index];
    return quality_class_of(quality) != QUALITY_CLASS_BAD && looked->verdict == DECODE_VALUE &&
           !looked->has_marker && !looked->at_limit && context->scan->stray == 0 &&
           range_quality(&context->map->channel[index], looked->value) == QUALITY_GOOD;
}

static void note_facts(struct fold *fold, const struct scan_context *context, unsigned index,
                       uint8_t quality, struct fact *facts, size_t *n_facts)
{
    unsigned point = context->map->channel[index].point;
    struct point_facts *known = &fold->facts[point];
    bool is_known = known->good_boot != NEVER && known->good_utc >= context->entry->from_utc_ms;
    bool can_be_missing = context->map->channel[index].n_markers > 0;
    if (!is_known && can_be_missing && is_sound(context, index, quality) &&
        fact_push(facts, n_facts, context->scan, point, FACT_SEEN_GOOD,
                  context->looked[index].value)) {
        known->good_boot = context->begun;
        known->good_utc = context->scan->begun.utc_ms;
    }
    bool is_noticed =
        known->noticed_utc != NEVER && known->noticed_utc >= context->entry->from_utc_ms;
    if (quality == QUALITY_NOT_FITTED && context->entry->fitted[point] == FITTED_UNSTATED &&
        !is_noticed && fact_push(facts, n_facts, context->scan, point, FACT_FITTED_NOTICE, 0.0))
        known->noticed_utc = context->scan->begun.utc_ms;
}

void judge_channels(struct fold *fold, struct scan_context *context, struct fact *facts,
                    size_t *n_facts)
{
    double age_s = (double)(context->end - context->fresh) / 1000.0;
    for (unsigned i = 0; i < context->map->n_channels; i++) {
        const struct channel *channel = &context->map->channel[i];
        if (channel->point == POINT_NONE || channel->point >= POINT_COUNT ||
            channel->type == TYPE_TEXT)
            continue;
        uint8_t quality = quality_of_channel(fold, context, i);
        note_facts(fold, context, i, quality, facts, n_facts);
        context->present[channel->point] = true;
        context->reading[channel->point] =
            reading_of(channel->point, quality, 0, context->looked[i].value, age_s);
    }
}
