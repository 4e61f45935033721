/* SPDX-License-Identifier: Apache-2.0
 *
 * gauge.c - does the surface unit hear the gauge? The stage between line and channel.
 *
 * Each scan gets a kind from its own words alone. The stage then follows from the kinds of
 * neighbouring scans: after a break (start of the run, no answer, a status or data that say so)
 * gauge channels are `starting` until a scan agrees, which is a refresh later or has a new counter.
 */
#include "fold_state.h"

#include <math.h>
#include <string.h>

/* ---- status ---- */

static enum status_role role_of(const struct map *map, uint16_t word)
{
    if (map->n_status_values > 0) {
        for (unsigned i = 0; i < map->n_status_values && i < 16; i++) {
            if (map->status_value[i].raw == word)
                return (enum status_role)map->status_value[i].role;
        }
        return STATUS_NONE;
    }
    bool is_set[STATUS_FAULT + 1] = {false}, has_live = false;
    for (unsigned bit = 0; bit < 16; bit++) {
        if (map->status_bit[bit] > STATUS_FAULT)
            continue;
        has_live = has_live || map->status_bit[bit] == STATUS_LIVE;
        if (word >> bit & 1)
            is_set[map->status_bit[bit]] = true;
    }
    if (is_set[STATUS_FAULT])
        return STATUS_FAULT;
    if (is_set[STATUS_SILENT])
        return STATUS_SILENT;
    if (is_set[STATUS_STARTING])
        return STATUS_STARTING;
    return is_set[STATUS_LIVE] || !has_live ? STATUS_LIVE : STATUS_NONE;
}

/** Bits without a role (a heartbeat) may differ between the two readings of the status. */
static bool status_is_torn(const struct map *map, uint16_t first, uint16_t last)
{
    uint16_t mask = 0xFFFF;
    if (map->n_status_values == 0) {
        mask = 0;
        for (unsigned bit = 0; bit < 16; bit++)
            mask = (uint16_t)(mask | (map->status_bit[bit] != STATUS_NONE ? 1u << bit : 0u));
    }
    return ((first ^ last) & mask) != 0;
}

/** Role of the status of this scan; STATUS_STARTING where it was torn, STATUS_NONE where it can't
 * be known. */
static enum status_role status_of(const struct scan_context *context)
{
    const struct map *map = context->map;
    const uint16_t *first = NULL, *last = NULL;
    uint16_t first_bit = 0, last_bit = 0;
    enum looked_at a = look_at(context->scan, map->status_table, map->status_address, 1, false,
                               &first, &first_bit);
    enum looked_at b =
        look_at(context->scan, map->status_table, map->status_address, 1, true, &last, &last_bit);
    if (a != LOOKED_DATA || b != LOOKED_DATA)
        return STATUS_NONE;
    if (status_is_torn(map, *first, *last))
        return STATUS_STARTING;
    return role_of(map, *first);
}

/* ---- the kind of a scan ---- */

static enum scan_kind kind_of_data(const struct scan_context *context)
{
    unsigned seen = 0, zero = 0, plain_zero = 0, data = 0;
    for (unsigned i = 0; i < context->map->n_channels; i++) {
        const struct looked *looked = &context->looked[i];
        if (!looked->is_sensor || looked->at != LOOKED_DATA)
            continue;
        seen++;
        zero += looked->is_zero;
        if (looked->has_marker || looked->has_fault)
            continue;
        if (looked->is_zero)
            plain_zero++;
        else if (looked->verdict == DECODE_VALUE || looked->verdict == DECODE_LIMITED)
            data++;
    }
    if (seen == 0)
        return KIND_UNSEEN;
    if (data > 0)
        return KIND_LIVE;
    return plain_zero > 0 || zero == seen ? KIND_STARTING : KIND_SILENT;
}

enum scan_kind gauge_kind(const struct scan_context *context)
{
    if (!context->is_heard)
        return KIND_LOST;
    enum scan_kind data = kind_of_data(context);
    if (!context->map->has_status)
        return data;
    switch (status_of(context)) {
    case STATUS_LIVE:
        return data;
    case STATUS_SILENT:
    case STATUS_FAULT:
        return KIND_SILENT;
    case STATUS_STARTING:
        return KIND_STARTING;
    case STATUS_NONE:
        break;
    }
    return data == KIND_UNSEEN ? KIND_UNSEEN
                               : KIND_STARTING; /* a status that can't be known confirms nothing */
}

bool gauge_shows_start(const struct scan_context *context)
{
    const struct map *map = context->map;
    const uint16_t *word = NULL;
    uint16_t bit = 0;
    if (!context->is_heard || !context->has_sensors)
        return false;
    if (map->has_status) {
        if (look_at(context->scan, map->status_table, map->status_address, 1, false, &word, &bit) !=
            LOOKED_DATA)
            return false;
        const enum status_role role = role_of(map, *word);
        if (role != STATUS_LIVE)
            return role == STATUS_STARTING;
    }
    return kind_of_data(context) == KIND_STARTING;
}

/* ---- refresh counter ---- */

bool gauge_is_counted(const struct map *map)
{
    return map->has_counter;
}

static void counter_forget(struct source_state *state)
{
    state->has_counter = false;
    state->counter_since_boot = state->counter_before_boot = NEVER;
}

/** True: the counter moved between two scans of this stretch. */
static bool counter_take(struct source_state *state, const struct scan_context *context)
{
    const struct map *map = context->map;
    const uint16_t *words = NULL;
    uint16_t bit = 0;
    unsigned n = map->counter_words == 2 ? 2 : 1;
    if (state->has_counter && context->begun - state->counter_boot > context->lapse_ms)
        counter_forget(state);
    if (look_at(context->scan, map->counter_table, map->counter_address, (uint16_t)n, false, &words,
                &bit) != LOOKED_DATA)
        return false;
    uint32_t counter = (uint32_t)get_registers(words, n, map->counter_order, BYTES_HIGH_FIRST);
    bool moved = state->has_counter && counter != state->counter;
    if (moved)
        state->counter_before_boot = state->counter_boot;
    if (moved || !state->has_counter)
        state->counter_since_boot = context->begun;
    state->has_counter = true;
    state->counter = counter;
    state->counter_boot = context->begun;
    return moved;
}

/* ---- freeze: the whole frame, never one channel alone ---- */

static void frame_take(struct source_state *state, struct scan_context *context)
{
    uint16_t frame[SCAN_WORDS_MAX];
    unsigned n = 0, values = 0;
    for (unsigned i = 0; i < context->map->n_channels; i++) {
        const struct looked *looked = &context->looked[i];
        const struct channel *channel = &context->map->channel[i];
        if (!looked->is_sensor)
            continue;
        if (looked->at != LOOKED_DATA || n + channel->n_words > SCAN_WORDS_MAX)
            return; /* not a whole frame: says nothing */
        memcpy(frame + n, looked->words, channel->n_words * sizeof *frame);
        n += channel->n_words;
        values += !looked->has_marker && !looked->has_fault;
    }
    bool is_known = state->n_frame > 0 && context->begun - state->frame_boot <= context->lapse_ms;
    bool is_same =
        is_known && n == state->n_frame && memcmp(frame, state->frame, n * sizeof *frame) == 0;
    if (!is_same) {
        memcpy(state->frame, frame, n * sizeof *frame);
        state->n_frame = (uint16_t)n;
        state->frame_since_boot = context->begun;
    }
    state->frame_boot = context->begun;
    context->is_frozen = is_same && values >= 2 &&
                         context->begun - state->frame_since_boot >= freeze_of(context->entry);
}

/* ---- the stage ---- */

bool gauge_may_be_live(const struct map *map)
{
    return map->has_status || (map->relayed_by == SOURCE_NONE && !map->holds_last);
}

/** A new episode of `starting` begins where the scan before said nothing of the gauge, or the gauge
 * came from silence or fell out of life. */
static bool begins_episode(enum scan_kind before, enum scan_kind now)
{
    if (before == KIND_NONE || before == KIND_LOST || before == KIND_UNSEEN)
        return true;
    return now == KIND_STARTING && (before == KIND_SILENT || before == KIND_LIVE);
}

static uint8_t stage_when_not_live(const struct source_state *state,
                                   const struct scan_context *context)
{
    bool is_young =
        state->episode_boot != NEVER && context->begun - state->episode_boot < context->starting_ms;
    return is_young ? GAUGE_STARTING : GAUGE_SILENT;
}

static uint8_t stage_when_live(struct source_state *state, struct scan_context *context,
                               bool counter_moved)
{
    bool is_counted = gauge_is_counted(context->map);
    bool is_later = context->begun - state->live_boot >= (int64_t)context->entry->refresh_ms;
    if (is_counted ? counter_moved : is_later)
        state->is_agreed = true;
    if (is_counted && !state->has_counter)
        state->is_agreed = false; /* not read for so long that it was forgotten */
    if (!is_counted)
        return state->is_agreed ? GAUGE_LIVE : GAUGE_STARTING;
    if (!state->is_agreed)
        return context->begun - state->live_boot < context->starting_ms ? GAUGE_STARTING
                                                                        : GAUGE_SILENT;
    return context->begun - state->counter_since_boot >= context->still_ms ? GAUGE_SILENT
                                                                           : GAUGE_LIVE;
}

static void set_stage(struct source_state *state, const struct scan_context *context, uint8_t stage)
{
    if (stage == state->stage)
        return;
    state->stage = stage;
    state->stage_since_utc = context->scan->begun.utc_ms;
}

static int64_t fresh_of(const struct source_state *state, const struct scan_context *context)
{
    int64_t refresh = context->entry->refresh_ms;
    int64_t fresh = context->begun - refresh;
    if (gauge_is_counted(context->map) && state->is_agreed && state->counter_before_boot != NEVER) {
        /* The data came after the last scan with the old counter, and are at most one refresh older
         * than the first with the new one. */
        fresh = state->counter_since_boot - refresh;
        if (state->counter_before_boot > fresh)
            fresh = state->counter_before_boot;
    }
    return fresh - (int64_t)context->map->relay_delay_ms;
}

void gauge_step(struct source_state *state, struct scan_context *context)
{
    context->gauge_quality = QUALITY_GOOD;
    context->fresh = context->begun - (int64_t)context->entry->refresh_ms -
                     (int64_t)context->map->relay_delay_ms;
    if (!context->has_sensors)
        return;
    enum scan_kind before = (enum scan_kind)state->kind, kind = gauge_kind(context);
    state->kind = (uint8_t)kind;
    if (kind != KIND_LIVE) {
        state->is_agreed = false;
        state->live_boot = NEVER;
        state->n_frame = 0;
        counter_forget(state);
    }
    if (kind == KIND_LOST)
        return; /* the line's matter: what is shown of the gauge stays until the line is down */
    if (kind == KIND_UNSEEN) {
        set_stage(state, context, GAUGE_UNKNOWN);
        return;
    }
    if (begins_episode(before, kind)) {
        state->episode_boot = context->begun;
        state->episode_utc = context->scan->begun.utc_ms;
    } else if (kind == KIND_SILENT && before == KIND_LIVE) {
        state->episode_boot = NEVER; /* it lived and says that it doesn't: no start to wait for */
    }
    uint8_t stage;
    if (kind == KIND_LIVE) {
        if (state->live_boot == NEVER)
            state->live_boot = context->begun;
        bool moved = gauge_is_counted(context->map) && counter_take(state, context);
        stage = stage_when_live(state, context, moved);
        context->fresh = fresh_of(state, context);
        frame_take(state, context);
    } else {
        stage = stage_when_not_live(state, context);
    }
    if (stage == GAUGE_STARTING)
        context->gauge_quality = QUALITY_STARTING;
    else if (stage == GAUGE_SILENT)
        context->gauge_quality = QUALITY_GAUGE_SILENT;
    set_stage(state, context,
              stage == GAUGE_LIVE && !gauge_may_be_live(context->map) ? (uint8_t)GAUGE_UNKNOWN
                                                                      : stage);
}
