/* SPDX-License-Identifier: Apache-2.0
 *
 * at.c - measure_at: the well as it stands now, for `latest` and the table. Never stored, never a
 * record.
 *
 * A record says 3 from the first failed scan; here the old value goes on ageing until the line
 * stage is down.
 */
#include "fold_state.h"

#include <math.h>
#include <string.h>

struct view_of_source {
    const struct source_entry *entry;
    const struct map *map;
    const struct source_state *state; /* NULL: no scan of this run and entry yet */
    uint8_t line, stage;
};

static struct view_of_source view_source(const struct fold *fold, const struct plan *plan,
                                         const struct well_plan *well, uint64_t run, uint8_t source,
                                         const struct stamp *now)
{
    struct view_of_source view = {.entry = entry_at(plan, well, source, now->utc_ms)};
    if (view.entry == 0)
        return view;
    view.map = &plan->maps[view.entry->map];
    const struct source_state *state = &fold->source[source];
    bool is_named =
        state->plan_digest == plan->digest_32 && state->entry_from == view.entry->from_utc_ms;
    if (fold->run != run || run == 0 || state->scans == 0 ||
        (!is_named && state->signature != signature_of(plan, view.entry)))
        return view;
    view.state = state;
    view.line = state->line;
    view.stage = state->stage;
    if (view.line == LINE_DOWN)
        view.stage = GAUGE_UNKNOWN;
    else if (view.stage == GAUGE_STARTING && state->kind != KIND_LIVE &&
             state->episode_boot != NEVER &&
             now->boot_ms - state->episode_boot >= starting_of(plan, view.entry))
        view.stage = GAUGE_SILENT;
    return view;
}

/** What is shown of a point of a source that was heard in this run. */
static void show_point(const struct fold *fold, const struct view_of_source *view,
                       const struct channel *channel, struct live_reading *out)
{
    const struct point_state *state = &fold->point[out->point];
    if (view->state == 0)
        return;
    uint8_t quality = state->has_record ? state->live_quality : QUALITY_NO_DATA;
    if (view->line == LINE_DOWN)
        quality = quality_first(quality, QUALITY_LINE_DOWN);
    else if (channel_of_gauge(channel) && view->stage == GAUGE_SILENT &&
             quality == QUALITY_STARTING)
        quality =
            QUALITY_GAUGE_SILENT; /* the time for starting ran out, and no scan came to say so */
    out->quality = quality;
    out->worst_input = state->live_worst;
    bool keeps_last = quality == QUALITY_LINE_DOWN || quality == QUALITY_GAUGE_SILENT;
    if (state->has_record && (keeps_last || quality_class_of(quality) != QUALITY_CLASS_BAD)) {
        out->value = state->last_value;
        out->fresh_boot_ms = isfinite(state->last_value) ? state->last_fresh : NEVER;
    }
}

static void clear_reading(struct live_reading *out, unsigned point, uint32_t stale_limit_ms)
{
    memset(out, 0, sizeof *out);
    out->point = (uint16_t)point;
    out->quality = QUALITY_NO_DATA;
    out->value = NAN;
    out->fresh_boot_ms = NEVER;
    out->stale_limit_ms = stale_limit_ms;
}

static void show_source(const struct fold *fold, const struct view_of_source *view, bool *present,
                        struct live_reading *all)
{
    for (unsigned i = 0; view->map != 0 && i < view->map->n_channels; i++) {
        const struct channel *channel = &view->map->channel[i];
        if (channel->point == POINT_NONE || channel->point >= POINT_COUNT ||
            channel->type == TYPE_TEXT)
            continue;
        present[channel->point] = true;
        clear_reading(&all[channel->point], channel->point, view->entry->stale_limit_ms);
        show_point(fold, view, channel, &all[channel->point]);
    }
}

/** 43 and 44: what they say is true now, so they have no age of their own. */
static void show_chain(const struct fold *fold, const struct view_of_source *chain, bool is_gauge,
                       const struct stamp *now, bool *present, struct live_reading *all)
{
    if (chain->entry == 0)
        return;
    static const unsigned POINTS[] = {POINT_GAUGE_DATA_AGE, POINT_LINE_ERROR_RATIO};
    for (unsigned i = 0; i < 2; i++) {
        unsigned point = POINTS[i];
        if (present[point] || (point == POINT_GAUGE_DATA_AGE && !is_gauge))
            continue;
        present[point] = true;
        struct live_reading *out = &all[point];
        clear_reading(out, point, 0);
        const struct point_state *state = &fold->point[point];
        if (chain->state == 0 || !state->has_record)
            continue;
        bool has_value = isfinite(state->last_value);
        out->quality = has_value ? (uint8_t)QUALITY_GOOD : state->live_quality;
        if (quality_class_of(state->live_quality) != QUALITY_CLASS_BAD)
            out->quality = state->live_quality;
        if (!has_value)
            continue;
        out->value = state->last_value;
        out->fresh_boot_ms = now->boot_ms;
        if (point == POINT_GAUGE_DATA_AGE) /* last_value was the age when last_fresh was now */
            out->value += (double)(now->boot_ms - state->last_fresh) / 1000.0;
    }
}

/** What needs more than one scan stands as its newest record said, unless its inputs have become
 * worse since. */
static void show_over_time(const struct fold *fold, const struct reading *inputs_leave,
                           struct live_reading *out)
{
    const struct point_state *state = &fold->point[out->point];
    uint8_t said = state->has_record ? state->live_quality : (uint8_t)QUALITY_NO_DATA;
    out->quality = quality_first(said, inputs_leave->quality);
    out->worst_input = out->quality == said ? state->live_worst : inputs_leave->worst_input;
    out->value = NAN;
    if (state->has_record && quality_class_of(out->quality) != QUALITY_CLASS_BAD) {
        out->value = state->last_value;
        out->fresh_boot_ms = state->last_fresh;
    }
}

static void show_derived(const struct fold *fold, const struct plan *plan,
                         const struct well_plan *well, const struct view_of_source *views,
                         const struct stamp *now, bool *present, struct live_reading *all)
{
    const struct well_setting setting = well_setting_at(well, now->utc_ms);
    for (size_t i = 0; i < derived_count(); i++) {
        uint8_t home = derived_source(i, plan, well, now->utc_ms);
        unsigned point = derived_point(i);
        if (home == SOURCE_NONE || present[point])
            continue;
        uint16_t points[INPUTS_MAX];
        size_t n = derived_inputs(i, plan, well, now->utc_ms, points);
        struct input inputs[INPUTS_MAX] = {{0}};
        bool is_heard = false;
        uint32_t stale_limit = UINT32_MAX;
        for (size_t k = 0; k < n; k++) {
            uint8_t source;
            const struct channel *channel =
                well_channel(plan, well, points[k], now->utc_ms, &source);
            if (channel != 0) {
                const struct live_reading *reading = &all[points[k]];
                inputs[k] = (struct input){.quality = reading->quality,
                                           .value = reading->value,
                                           .fresh = reading->fresh_boot_ms};
                is_heard = is_heard || views[source].state != 0;
            }
            input_describe(&inputs[k], points[k], channel);
            if (views[source].entry != 0 && views[source].entry->stale_limit_ms < stale_limit)
                stale_limit = views[source].entry->stale_limit_ms;
        }
        present[point] = true;
        clear_reading(&all[point], point, stale_limit == UINT32_MAX ? 0 : stale_limit);
        if (!is_heard)
            continue;
        int64_t fresh;
        struct reading reading = derive(i, inputs, &setting, &fresh);
        all[point].quality = reading.quality;
        all[point].worst_input = reading.worst_input;
        all[point].value = reading.value;
        if (quality_class_of(reading.quality) != QUALITY_CLASS_BAD)
            all[point].fresh_boot_ms = fresh;
        if (derived_how(i) != HOW_FORMULA) {
            all[point].fresh_boot_ms = NEVER;
            show_over_time(fold, &reading, &all[point]);
        }
    }
}

/** Of several times NEVER is none; else the earlier. */
static int64_t earlier(int64_t a, int64_t b)
{
    return a == NEVER || (b != NEVER && b < a) ? b : a;
}

static void show_stages(const struct plan *plan, const struct view_of_source *views,
                        struct snapshot *out)
{
    const struct view_of_source *gauge = &views[SOURCE_GAUGE];
    for (unsigned i = SOURCE_GAUGE; i < SOURCE_KINDS; i++) {
        out->source_line[i] = views[i].line;
        if (views[i].line > out->line)
            out->line = views[i].line;
    }
    int64_t since = NEVER;
    for (unsigned i = SOURCE_GAUGE; i < SOURCE_KINDS; i++) {
        if (views[i].state != 0 && views[i].line == out->line)
            since = earlier(since, views[i].state->line_since_utc);
    }
    out->line_since_utc_ms = since == NEVER ? 0 : since;
    out->gauge = gauge->entry == 0 ? (uint8_t)GAUGE_NOT_CONFIGURED : gauge->stage;
    if (gauge->state == 0)
        return;
    since = gauge->state->stage_since_utc;
    if (gauge->line == LINE_DOWN)
        since = gauge->state->line_since_utc;
    else if (gauge->stage != gauge->state->stage && gauge->state->episode_utc != NEVER)
        since = gauge->state->episode_utc + starting_of(plan, gauge->entry);
    out->gauge_since_utc_ms = since == NEVER ? 0 : since;
}

void measure_at(const struct fold *fold, const struct plan *plan, const struct well_plan *well,
                uint64_t run, const struct stamp *now, bool journaled, struct snapshot *out)
{
    memset(out, 0, sizeof *out);
    out->run = run;
    out->taken = *now;
    out->well = well->number;
    out->clock = now->clock;
    out->journaled = journaled;
    if (fold->run == run && run != 0) {
        out->seq = fold->seq;
        out->newest = fold->newest;
    }
    struct view_of_source views[SOURCE_KINDS] = {{0}};
    bool present[POINT_COUNT] = {false};
    struct live_reading all[POINT_COUNT];
    uint8_t chain = SOURCE_NONE;
    for (uint8_t source = SOURCE_KINDS - 1; source >= SOURCE_GAUGE; source--) {
        views[source] = view_source(fold, plan, well, run, source, now);
        show_source(fold, &views[source], present, all);
        if (views[source].entry != 0)
            chain = source;
    }
    if (chain != SOURCE_NONE)
        show_chain(fold, &views[chain], chain == SOURCE_GAUGE, now, present, all);
    show_derived(fold, plan, well, views, now, present, all);
    show_stages(plan, views, out);
    for (unsigned point = 1; point < POINT_COUNT && out->n < RECORD_READINGS_MAX; point++) {
        if (!present[point])
            continue;
        struct live_reading *reading = &all[point];
        if (!journaled && quality_class_of(reading->quality) != QUALITY_CLASS_BAD)
            reading->quality = quality_first(reading->quality, QUALITY_NOT_JOURNALED);
        out->reading[out->n++] = *reading;
    }
}
