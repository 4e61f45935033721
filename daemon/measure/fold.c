/* SPDX-License-Identifier: Apache-2.0
 *
 * fold.c - measure_scan: one scan in, one record out, in the order line, gauge, channel, derived.
 *
 * See fold_state.h for the invariant that lets a late record equal the live one.
 */
#include "fold_state.h"

#include <math.h>
#include <string.h>

size_t fold_bytes(void)
{
    return sizeof(struct fold);
}

static void facts_clear(struct fold *fold)
{
    fold->fact_run = 0;
    for (unsigned i = 0; i < SOURCE_KINDS; i++)
        fold->agreed_fact[i] = NEVER;
    for (unsigned i = 0; i < POINT_COUNT; i++)
        fold->facts[i] =
            (struct point_facts){.good_boot = NEVER, .good_utc = NEVER, .noticed_utc = NEVER};
    fold->start = (struct pump_start){.boot_ms = NEVER};
    windows_clear(&fold->windows);
}

static void source_clear(struct source_state *state)
{
    memset(state, 0, sizeof *state);
    state->line_since_utc = state->stage_since_utc = NEVER;
    state->first_fail_utc = state->episode_boot = state->episode_utc = state->live_boot = NEVER;
    state->counter_since_boot = state->counter_before_boot = NEVER;
}

static void scans_clear(struct fold *fold)
{
    fold->run = fold->seq = 0;
    memset(&fold->newest, 0, sizeof fold->newest);
    memset(&fold->clock, 0, sizeof fold->clock);
    fold->clock.step_boot = NEVER;
    for (unsigned i = 0; i < SOURCE_KINDS; i++)
        source_clear(&fold->source[i]);
    memset(fold->point, 0, sizeof fold->point);
    memset(fold->step, 0, sizeof fold->step);
    memset(fold->unit_step, 0, sizeof fold->unit_step);
    memset(fold->setting_number, 0, sizeof fold->setting_number);
    for (uint8_t i = 0; i < SOURCE_KINDS; i++)
        setting_forget_source(fold, i);
    memset(fold->rate, 0, sizeof fold->rate);
    memset(&fold->pump, 0, sizeof fold->pump);
    fold->pump.seen_boot = fold->pump.known_boot = NEVER;
}

void fold_init(struct fold *fold)
{
    memset(fold, 0, sizeof *fold);
    facts_clear(fold);
    scans_clear(fold);
}

void fold_begin_anew(struct fold *fold)
{
    struct unit_memory unit[SOURCE_KINDS][UNIT_GROUPS];
    struct confirm_memory confirm[CONFIRM_POINTS_MAX];
    uint8_t place[POINT_COUNT], n = fold->n_confirm;
    memcpy(unit, fold->unit, sizeof unit);
    memcpy(confirm, fold->confirm, sizeof confirm);
    memcpy(place, fold->confirm_place, sizeof place);
    fold_init(fold);
    memcpy(fold->unit, unit, sizeof unit);
    memcpy(fold->confirm, confirm, sizeof confirm);
    memcpy(fold->confirm_place, place, sizeof place);
    fold->n_confirm = n;
    confirm_forget_run(fold);
    for (unsigned source = 0; source < SOURCE_KINDS; source++)
        for (unsigned group = 0; group < UNIT_GROUPS; group++)
            unit_forget_run(&fold->unit[source][group]);
}

void fold_load_fact(struct fold *fold, const struct fact *fact)
{
    if (fact->kind >= FACT_UNIT_STEPPED && fact->kind <= FACT_UNIT_STEPPED_LAST) {
        unit_load_fact(fold, fact);
        return;
    }
    if (fact->kind >= FACT_UNIT_CONFIRMED && fact->kind <= FACT_UNIT_CONFIRMED_LAST) {
        confirm_load_fact(fold, fact);
        return;
    }
    if (fact->kind >= FACT_UNIT_SETTING && fact->kind <= FACT_UNIT_SETTING_LAST) {
        setting_load_fact(fold, fact);
        return;
    }
    if (fold->run != 0 && fact->run != fold->run)
        return;
    if (fold->fact_run != fact->run) {
        facts_clear(fold);
        fold->fact_run = fact->run;
    }
    if (fact->kind == FACT_GAUGE_AGREED && fact->source < SOURCE_KINDS)
        fold->agreed_fact[fact->source] = fact->boot_ms;
    if (fact->kind == FACT_PUMP_STARTED && fact->boot_ms > fold->start.boot_ms)
        fold->start = (struct pump_start){fact->boot_ms, fact->value > 0.0};
    if (fact->point == POINT_NONE || fact->point >= POINT_COUNT)
        return;
    struct point_facts *known = &fold->facts[fact->point];
    if (fact->kind == FACT_SEEN_GOOD && fact->boot_ms > known->good_boot) {
        known->good_boot = fact->boot_ms;
        known->good_utc = fact->utc_ms;
    }
    if (fact->kind == FACT_FITTED_NOTICE && fact->utc_ms > known->noticed_utc)
        known->noticed_utc = fact->utc_ms;
    windows_load_fact(&fold->windows, fact);
}

bool fold_gauge_shows_start(const struct fold *fold)
{
    return fold->source[SOURCE_GAUGE].shows_start;
}

/* ---- entering a scan ---- */

static void enter_run(struct fold *fold, const struct scan *scan)
{
    if (fold->run != scan->run) {
        scans_clear(fold);
        fold->run = scan->run;
        if (fold->fact_run != scan->run)
            facts_clear(fold);
        fold->fact_run = scan->run;
    }
    fold->seq = scan->seq;
    fold->newest = scan->begun;
}

/** Another gauge, unit or map: nothing learnt before may judge what comes. */
static void forget_source(struct fold *fold, struct source_state *state, uint8_t source, int64_t at)
{
    source_clear(state);
    setting_forget_source(fold, source);
    for (unsigned i = 0; i < POINT_COUNT; i++) {
        if (fold->point[i].has_record && fold->point[i].source == source) {
            memset(&fold->point[i], 0, sizeof fold->point[i]);
            memset(&fold->step[i], 0, sizeof fold->step[i]);
            memset(&fold->unit_step[i], 0, sizeof fold->unit_step[i]);
            memset(&fold->setting_number[i], 0, sizeof fold->setting_number[i]);
        }
    }
    for (unsigned i = 0; i < RATE_SERIES; i++) {
        if (fold->rate[i].source == source)
            memset(&fold->rate[i], 0, sizeof fold->rate[i]);
    }
    if (fold->pump.source == source)
        fold->pump = (struct pump_memory){.is_new = true, .seen_boot = NEVER, .known_boot = NEVER};
    windows_forget_source(&fold->windows, source, at);
}

static void enter_source(struct fold *fold, struct scan_context *context)
{
    struct source_state *state = &fold->source[context->scan->source];
    bool is_named = state->scans > 0 && state->plan_digest == context->plan->digest_32 &&
                    state->entry_from == context->entry->from_utc_ms;
    uint64_t signature = is_named ? state->signature : signature_of(context->plan, context->entry);
    if (state->scans > 0 && signature != state->signature)
        forget_source(fold, state, context->scan->source, context->begun);
    state->signature = signature;
    state->plan_digest = context->plan->digest_32;
    state->entry_from = context->entry->from_utc_ms;
    int64_t elapsed = context->begun - state->last_boot;
    if (state->scans > 0 && (elapsed < 0 || elapsed > context->lapse_ms)) {
        state->kind = KIND_NONE;
        state->is_agreed = false;
        state->live_boot = NEVER;
        state->n_frame = 0;
        state->has_counter = false;
        state->counter_since_boot = state->counter_before_boot = NEVER;
    }
    state->scans++;
    state->last_boot = context->begun;
}

/* ---- line ---- */

/** A read failed: some range stayed without a valid answer, or had to be asked twice. */
static bool scan_has_gap(const struct scan *scan)
{
    unsigned blocks = scan->n_blocks < SCAN_BLOCKS_MAX ? scan->n_blocks : SCAN_BLOCKS_MAX;
    if (!outcome_is_heard(scan->outcome) || scan->tries > blocks)
        return true;
    for (unsigned i = 0; i < blocks; i++) {
        uint8_t exception = scan->block[i].exception;
        if (exception == BLOCK_NO_ANSWER || exception == 0x0A || exception == 0x0B)
            return true;
    }
    return false;
}

/** Of the newest scans so many that failed. */
static unsigned failed_of(const struct source_state *state, unsigned newest)
{
    _Static_assert(ERROR_RATIO_SCANS > 64 && ERROR_RATIO_SCANS < 128, "two words hold them");
    const unsigned n = newest < state->n_history ? newest : state->n_history;
    const uint64_t low = n < 64 ? (UINT64_C(1) << n) - 1 : UINT64_MAX;
    const uint64_t high = n > 64 ? (UINT64_C(1) << (n - 64)) - 1 : 0;
    return (unsigned)(__builtin_popcountll(state->failed_low & low) +
                      __builtin_popcountll(state->failed_high & high));
}

static void line_step(struct source_state *state, const struct scan_context *context)
{
    int64_t utc = context->scan->begun.utc_ms;
    state->failed_high = state->failed_high << 1 | state->failed_low >> 63;
    state->failed_low = state->failed_low << 1 | (context->has_gap ? 1u : 0u);
    if (state->n_history < ERROR_RATIO_SCANS)
        state->n_history++;
    if (context->is_heard) {
        state->fails_in_row = 0;
    } else {
        if (state->fails_in_row == 0)
            state->first_fail_utc = utc;
        state->fails_in_row += state->fails_in_row < UINT32_MAX;
    }
    uint8_t line = LINE_UP;
    if (state->fails_in_row > 0 && state->fails_in_row >= context->entry->down_after)
        line = LINE_DOWN;
    else if (failed_of(state, DEGRADED_SCANS) > 0)
        line = LINE_DEGRADED;
    if (line == state->line)
        return;
    state->line = line;
    state->line_since_utc =
        line == LINE_DOWN ? state->first_fail_utc : utc; /* down since the first scan that failed */
}

/* ---- status of the chain ---- */

static uint8_t chain_source(const struct well_plan *well)
{
    for (uint8_t kind = SOURCE_GAUGE; kind < SOURCE_KINDS; kind++) {
        if (well->n_entries[kind] > 0)
            return kind;
    }
    return SOURCE_NONE;
}

static void put(struct scan_context *context, struct reading reading)
{
    if (reading.point == POINT_NONE || reading.point >= POINT_COUNT ||
        context->present[reading.point])
        return;
    context->present[reading.point] = true;
    context->reading[reading.point] = reading;
}

static void judge_chain(const struct source_state *state, struct scan_context *context)
{
    if (context->scan->source != chain_source(context->well))
        return;
    uint8_t sure = context->clock_unsure ? QUALITY_CLOCK_UNSURE : QUALITY_GOOD;
    double ratio = 100.0 * failed_of(state, ERROR_RATIO_SCANS) / state->n_history;
    put(context, reading_of(POINT_LINE_ERROR_RATIO, sure, 0, ratio, 0.0));
    if (context->scan->source != SOURCE_GAUGE || !context->has_sensors)
        return;
    uint8_t quality = context->gauge_quality;
    if (state->kind == KIND_LOST)
        quality = QUALITY_LINE_DOWN;
    else if (state->kind == KIND_UNSEEN)
        quality = QUALITY_NO_DATA;
    if (quality == QUALITY_GOOD) {
        quality = sure;
        if (context->scan->stray > 0)
            quality = quality_first(quality, QUALITY_LINE_DISTURBED);
    }
    put(context, reading_of(POINT_GAUGE_DATA_AGE, quality, 0,
                            (double)(context->end - context->fresh) / 1000.0, 0.0));
}

/* ---- derived ---- */

struct input input_of_fold(const struct fold *fold, const struct scan_context *context,
                           unsigned point, uint8_t source)
{
    const struct point_state *state = &fold->point[point];
    const struct source_entry *entry =
        entry_at(context->plan, context->well, source, context->scan->begun.utc_ms);
    struct input input = {
        .is_mapped = true, .quality = QUALITY_NO_DATA, .value = NAN, .fresh = context->fresh};
    int64_t distance = context->end - state->record_end_boot;
    if (!state->has_record || entry == 0 || distance > lapse_of(entry) ||
        distance < -lapse_of(entry))
        return input;
    input.quality = state->record_quality;
    input.value = state->record_value;
    input.fresh = state->record_fresh;
    if (quality_class_of(input.quality) != QUALITY_CLASS_BAD && entry->stale_limit_ms > 0 &&
        context->end - input.fresh > (int64_t)entry->stale_limit_ms)
        input.quality = quality_first(input.quality, QUALITY_STALE);
    return input;
}

static struct input input_of(const struct fold *fold, const struct scan_context *context,
                             const struct arranged_input *arranged)
{
    struct input input = {.quality = QUALITY_NOT_MAPPED, .value = NAN, .fresh = context->fresh};
    if (arranged->source == context->scan->source) {
        const bool is_there = context->present[arranged->point]; /* texts are not */
        input.quality =
            is_there ? context->reading[arranged->point].quality : (uint8_t)QUALITY_NO_DATA;
        input.value = is_there ? context->reading[arranged->point].value : (double)NAN;
    } else if (arranged->source != SOURCE_NONE) {
        input = input_of_fold(fold, context, arranged->point, arranged->source);
    }
    input.is_mapped = arranged->source != SOURCE_NONE;
    input.point = arranged->point;
    input.reference = arranged->reference;
    input.detector = arranged->detector;
    input.side = arranged->side;
    return input;
}

/** What needs more than one scan: `reading` holds the quality that the inputs leave it. */
static struct reading judge_over_time(struct fold *fold, const struct scan_context *context,
                                      size_t index, const struct input *input,
                                      const struct well_setting *setting,
                                      const struct reading *reading, struct fact *facts,
                                      size_t *n_facts)
{
    uint8_t quality;
    double value = NAN;
    unsigned point = reading->point;
    if (derived_how(index) == HOW_RATE) {
        struct rate_series *series = &fold->rate[point == POINT_INTAKE_PRESSURE_RATE ? 0 : 1];
        rate_take(series, input->point, context->scan->source, rate_step_of(context->entry),
                  context->begun, input->quality, input->value);
        quality = rate_of(series, &value);
        value *= 3600.0; /* an hour */
    } else if (derived_how(index) >= HOW_MEAN) {
        quality = derived_window(fold, context, index, input, setting, &value);
    } else {
        enum pump_state state = pump_state_of(input->point, input->quality, input->value);
        pump_take(fold, context, state, facts, n_facts);
        quality = pump_run_time(fold, context, state, &value);
    }
    uint8_t worst =
        quality != QUALITY_GOOD && quality != QUALITY_PUMP_STOPPED && quality != QUALITY_LIMITED
            ? (uint8_t)input->point
            : 0;
    if (quality_first(reading->quality, quality) == reading->quality)
        worst = reading->worst_input;
    return reading_of(point, quality_first(reading->quality, quality), worst, value + 0.0, 0.0);
}

static void judge_derived(struct fold *fold, struct scan_context *context, struct fact *facts,
                          size_t *n_facts)
{
    const struct arrangement *arranged = &fold->arranged;
    bool taken[WINDOW_QUANTITIES] = {false};
    for (unsigned at = 0; at < arranged->n; at++) {
        const struct arranged_row *row = &arranged->row[at];
        const size_t i = row->index;
        if (row->source != context->scan->source)
            continue;
        struct input inputs[INPUTS_MAX] = {{0}};
        for (unsigned k = 0; k < row->n; k++)
            inputs[k] = input_of(fold, context, &row->input[k]);
        const int quantity = derived_quantity(i);
        if (quantity >= 0 && !taken[quantity]) {
            derived_window_take(fold, context, i, &inputs[0], facts, n_facts);
            taken[quantity] = true;
        }
        int64_t fresh;
        struct reading reading = derive(i, inputs, context->setting, &fresh);
        if (derived_how(i) != HOW_FORMULA)
            reading = judge_over_time(fold, context, i, &inputs[0], context->setting, &reading,
                                      facts, n_facts);
        if (quality_class_of(reading.quality) != QUALITY_CLASS_BAD)
            reading.age_s = (float)((double)(context->end - fresh) / 1000.0);
        put(context, reading);
    }
}

/* ---- remembering ---- */

static void remember(struct fold *fold, const struct scan_context *context,
                     const struct reading *reading)
{
    struct point_state *state = &fold->point[reading->point];
    bool has_value = quality_class_of(reading->quality) != QUALITY_CLASS_BAD;
    int64_t fresh =
        has_value ? context->end - (int64_t)((double)reading->age_s * 1000.0 + 0.5) : NEVER;
    if (!state->has_record)
        state->last_value = NAN, state->last_fresh = NEVER, state->live_quality = QUALITY_NO_DATA;
    state->has_record = true;
    state->source = context->scan->source;
    state->record_end_boot = context->end;
    state->record_quality = reading->quality;
    state->record_worst = reading->worst_input;
    state->record_value = reading->value;
    state->record_fresh = fresh;
    if (reading->quality == QUALITY_LINE_DOWN)
        return; /* what was shown before ages until the line is down */
    if (reading->quality == QUALITY_INPUT_BAD && !context->is_heard)
        return; /* as its input */
    state->live_quality = reading->quality;
    state->live_worst = reading->worst_input;
    if (has_value) {
        state->last_value = reading->value;
        state->last_fresh = fresh;
    }
}

static void note_agreed(struct fold *fold, const struct scan_context *context, struct fact *facts,
                        size_t *n_facts)
{
    uint8_t source = context->scan->source;
    if (!fold->source[source].is_agreed || fold->agreed_fact[source] != NEVER)
        return;
    if (fact_push(facts, n_facts, context->scan, POINT_NONE, FACT_GAUGE_AGREED, 0.0))
        fold->agreed_fact[source] = context->begun;
}

static void head_of_record(const struct plan *plan, const struct scan *scan, struct record *out)
{
    memset(out, 0, offsetof(struct record, reading)); /* readings come as they are counted */
    out->run = scan->run;
    out->seq = scan->seq;
    out->plan = scan->plan;
    out->plan_digest = plan->digest_32;
    out->measure_version = MEASURE_VERSION;
    out->at.utc_ms = scan->begun.utc_ms;
    out->at.boot_ms = scan->begun.boot_ms;
    out->at.boot = scan->begun.boot;
    out->at.clock = scan->begun.clock;
    out->well = scan->well;
    out->source = scan->source;
    out->outcome = scan->outcome;
    out->heard = scan_was_overheard(scan);
}

void measure_scan(struct fold *fold, const struct plan *plan, const struct well_plan *well,
                  const struct scan *scan, struct record *out, struct fact *facts, size_t *n_facts)
{
    head_of_record(plan, scan, out);
    *n_facts = 0;
    enter_run(fold, scan);
    struct scan_context context;
    memset(&context, 0, offsetof(struct scan_context, looked));
    context.plan = plan;
    context.well = well;
    context.scan = scan;
    context.clock_unsure = clock_take(&fold->clock, &scan->begun);
    context.entry = entry_at(plan, well, scan->source, scan->begun.utc_ms);
    if (context.entry == 0)
        return;
    context.map = &plan->maps[context.entry->map];
    context.is_heard = outcome_is_heard(scan->outcome);
    context.has_gap = scan_has_gap(scan);
    context.begun = scan->begun.boot_ms;
    context.end = scan->begun.boot_ms + (int64_t)scan->took_ms;
    context.lapse_ms = lapse_of(context.entry);
    context.starting_ms = starting_of(plan, context.entry);
    context.still_ms = still_of(context.entry);
    const struct arrangement *arranged =
        arrangement_at(&fold->arranged, plan, well, scan->begun.utc_ms);
    context.arranged = &arranged->source[scan->source];
    context.setting = &arranged->setting;

    struct source_state *state = &fold->source[scan->source];
    enter_source(fold, &context);
    line_step(state, &context);
    look_at_channels(fold, &context);
    gauge_step(state, &context);
    state->shows_start = gauge_shows_start(&context);
    setting_take(fold, &context, facts, n_facts);
    confirm_scan(fold, &context, facts, n_facts);
    judge_channels(fold, &context, facts, n_facts);
    judge_units(fold, &context, facts, n_facts);
    judge_chain(state, &context);
    judge_derived(fold, &context, facts, n_facts);
    note_agreed(fold, &context, facts, n_facts);
    for (unsigned point = 1; point < POINT_COUNT; point++) {
        if (!context.present[point] || out->n >= RECORD_READINGS_MAX)
            continue;
        out->reading[out->n++] = context.reading[point];
        remember(fold, &context, &context.reading[point]);
    }
    note_uncertainties(fold, plan, well, out);
}
