/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_follow.c - do the numbers follow the unit-setting register?
 *
 * The register says what unit the numbers are in. It may be changed while the numbers go on as they
 * were, or the numbers may change while the register stays: then one of the two is wrong, and the
 * values are doubted. So each channel has a meaning that its numbers are taken to be in. When
 * register and that meaning differ, its next numbers decide: what lies nearer to the last value is
 * what they are in. Numbers that stay behind as a whole are a fact (UNIT_AS_MEANING), which
 * outlasts restarts; where only some follow, a refresh may have been caught in the middle, and all
 * are doubted for a minute.
 */
#include "unit_watch.h"

#include <math.h>

#define STEP_NEAR 0.01  /* as of other steps: unit_changes.c */
#define STEP_LEAST 1.15 /* times: a meaning of the register says which step it would be */
#define STEP_LEAST_K 15.0
#define NO_MEANING 0xFF

struct followed {
    const struct unit_setting *setting;
    unsigned current; /* meaning of the register */
    bool is_pressure;
    size_t n;
    struct one {
        unsigned index, point;
        const struct unit_channel *channel;
        double number;
        unsigned meaning; /* that the numbers are in */
        bool is_step;
        int64_t since;
    } one[UNIT_CHANNELS_MAX];
};

static double value_by(const struct scan_context *context, const struct followed *group,
                       unsigned index, unsigned meaning, double number)
{
    struct conversion conversion;
    return unit_meaning_conversion(&context->map->channel[index], &group->setting->meaning[meaning],
                                   &conversion)
               ? conversion_apply(&conversion, number)
               : NAN;
}

static double distance(const struct followed *group, double a, double b)
{
    if (!group->is_pressure)
        return fabs(a - b);
    return a > 0.0 && b > 0.0 ? fabs(log(a / b)) : INFINITY;
}

static bool is_far(const struct followed *group, double a, double b)
{
    return distance(group, a, b) >= (group->is_pressure ? log(STEP_LEAST) : STEP_LEAST_K);
}

/** The register stands elsewhere than the numbers did: which of the two do they follow now? */
static void decide(const struct scan_context *context, const struct followed *group,
                   const struct setting_number *before, struct one *one)
{
    const double was = value_by(context, group, one->index, one->meaning, before->number);
    const double by_old = value_by(context, group, one->index, one->meaning, one->number);
    const double by_new = value_by(context, group, one->index, group->current, one->number);
    if (distance(group, by_new, was) >= distance(group, by_old, was))
        return;
    one->meaning = group->current;
    one->since = context->begun;
}

/** The register stands; do the numbers step to another of its meanings? */
static void look_for_step(const struct scan_context *context, const struct followed *group,
                          const struct setting_number *before, struct one *one)
{
    const double was = value_by(context, group, one->index, one->meaning, before->number);
    const double now = value_by(context, group, one->index, one->meaning, one->number);
    double nearest = INFINITY;
    if (!is_far(group, was, now))
        return;
    for (unsigned m = 0; m < group->setting->n_meanings; m++) {
        const double by = value_by(context, group, one->index, m, one->number);
        const double off = fabs(by - was);
        if (m == group->current || !(off <= STEP_NEAR * fabs(was)) || off >= nearest)
            continue;
        nearest = off;
        one->meaning = m;
        one->is_step = true;
        one->since = context->begun;
    }
}

/** `held`: what the facts say of the group. */
static void take_one(struct fold *fold, const struct scan_context *context,
                     const struct followed *group, struct one *one, uint8_t held)
{
    const struct setting_number *before = &fold->setting_number[one->point];
    const bool is_known = before->meaning > 0 && before->meaning <= group->setting->n_meanings &&
                          context->begun - before->boot_ms <= context->lapse_ms;
    one->since = context->begun;
    if (!is_known) {
        one->meaning =
            held >= UNIT_AS_MEANING ? (unsigned)(held - UNIT_AS_MEANING) : group->current;
        return;
    }
    const unsigned was = before->meaning - 1u;
    one->meaning = was;
    one->is_step = before->is_step;
    if (was != group->current)
        decide(context, group, before, one);
    else if (before->by == group->current)
        look_for_step(context, group, before, one);
    if (one->meaning == group->current)
        one->is_step = false;
    if (one->meaning == was && (was == group->current || before->by != was))
        one->since = before->since_boot_ms; /* nothing is new */
    /* A step to what no meaning of the register explains, between two values decoded alike. */
    if (held < UNIT_AS_MEANING && one->meaning == group->current && was == group->current &&
        before->by == group->current)
        watch_note_step(fold, context, one->channel, held);
}

static void gather(struct fold *fold, const struct scan_context *context,
                   const struct watched *watched, unsigned setting, uint8_t held,
                   struct followed *group)
{
    for (size_t i = 0; i < watched->n; i++) {
        const unsigned index = watched->index[i];
        if (context->map->channel[index].setting != setting + 1)
            continue;
        struct one *one = &group->one[group->n++];
        *one = (struct one){.index = index,
                            .point = watched->channel[i].point,
                            .channel = &watched->channel[i],
                            .number = context->looked[index].number};
        take_one(fold, context, group, one, held);
    }
}

static size_t count_behind(const struct followed *group)
{
    size_t n = 0;
    for (size_t i = 0; i < group->n; i++)
        n += group->one[i].meaning != group->current;
    return n;
}

static bool are_alike(const struct followed *group)
{
    for (size_t i = 1; i < group->n; i++)
        if (group->one[i].meaning != group->one[0].meaning)
            return false;
    return true;
}

/** All of them step to one and the same other thing, which the register doesn't know. */
static bool agree_on_step(const struct fold *fold, const struct followed *group, uint8_t *to)
{
    for (size_t i = 0; i < group->n; i++) {
        const struct unit_step *step = &fold->unit_step[group->one[i].point];
        if (!step->is_stepping || (i > 0 && step->to != *to))
            return false;
        *to = step->to;
    }
    return group->n > 0;
}

/** Some follow and some don't, for longer than a refresh can explain: those that stepped alone are
 * sensors that broke; else the numbers are taken to be where the register was. */
static uint8_t settle(const struct scan_context *context, struct followed *group, uint8_t held)
{
    unsigned behind = group->current;
    bool is_over = false;
    for (size_t i = 0; i < group->n; i++) {
        struct one *one = &group->one[i];
        const bool waited = context->begun - one->since > STEP_WAIT_MS;
        if (one->meaning != group->current && one->is_step && waited) {
            one->meaning = group->current;
            one->is_step = false;
        } else if (one->meaning != group->current && !one->is_step) {
            behind = one->meaning;
            is_over = is_over || waited;
        }
    }
    if (behind == group->current || !is_over)
        return held;
    for (size_t i = 0; i < group->n; i++)
        group->one[i].meaning = behind;
    return (uint8_t)(UNIT_AS_MEANING + behind);
}

static void finish(struct fold *fold, struct scan_context *context, const struct followed *group,
                   uint8_t held, bool often)
{
    bool all = often || (held != UNIT_AS_CONFIGURED && held < UNIT_AS_MEANING) ||
               (held >= UNIT_AS_MEANING && held - UNIT_AS_MEANING != (int)group->current);
    for (size_t i = 0; i < group->n; i++)
        all = all || (group->one[i].meaning != group->current && !group->one[i].is_step);
    for (size_t i = 0; i < group->n; i++) {
        const struct one *one = &group->one[i];
        if (all || one->meaning != group->current || fold->unit_step[one->point].is_stepping)
            watch_doubt(context, one->point);
        fold->setting_number[one->point] =
            (struct setting_number){.meaning = (uint8_t)(one->meaning + 1),
                                    .by = (uint8_t)group->current,
                                    .is_step = one->is_step,
                                    .number = one->number,
                                    .boot_ms = context->begun,
                                    .since_boot_ms = one->since};
    }
}

/** The fact says what a fold that begins here can't know: what the numbers are in. */
static void take_over(struct followed *group, uint8_t held)
{
    for (size_t i = 0; i < group->n; i++) {
        if (held >= UNIT_AS_MEANING)
            group->one[i].meaning = (unsigned)(held - UNIT_AS_MEANING);
        else if (held == UNIT_AS_CONFIGURED)
            group->one[i].meaning = group->current;
    }
}

/** The register says nothing now: the numbers go on as they were, or step to another meaning. */
static void follow_blindly(struct fold *fold, const struct scan_context *context,
                           const struct watched *watched, unsigned setting, struct followed *group)
{
    for (size_t i = 0; i < watched->n; i++) {
        const unsigned index = watched->index[i];
        struct setting_number *before = &fold->setting_number[watched->channel[i].point];
        if (context->map->channel[index].setting != setting + 1 || before->meaning == 0 ||
            before->meaning > group->setting->n_meanings ||
            context->begun - before->boot_ms > context->lapse_ms)
            continue;
        struct one one = {.index = index,
                          .number = context->looked[index].number,
                          .meaning = before->meaning - 1u,
                          .since = before->since_boot_ms};
        group->current = one.meaning;
        look_for_step(context, group, before, &one);
        before->meaning = (uint8_t)(one.meaning + 1);
        before->by = NO_MEANING;
        before->is_step = false;
        before->number = one.number;
        before->boot_ms = context->begun;
        before->since_boot_ms = one.since;
    }
}

void follow_setting(struct fold *fold, struct scan_context *context, const struct watched *watched,
                    unsigned group_index, unsigned setting, struct fact *facts, size_t *n_facts)
{
    struct unit_memory *memory = &fold->unit[context->scan->source][group_index];
    const struct setting_now *now = &context->unit_now[setting];
    bool is_of_run, often = watch_is_often(memory, context);
    uint8_t held = watch_change_before(memory, context, &is_of_run), next = held, to = 0;
    const struct unit_held *known = watch_held_by(memory, context);
    struct followed group = {.setting = &context->map->unit_settings[setting],
                             .current = now->meaning,
                             .is_pressure =
                                 context->map->unit_settings[setting].kind == QUANTITY_PRESSURE};
    if (now->state != SETTING_KNOWN) { /* doubted anyway; what was doubted before goes on */
        if (known == 0 && !is_of_run)
            (void)watch_hold(memory, context, group_index, held, facts, n_facts);
        follow_blindly(fold, context, watched, setting, &group);
        return;
    }
    gather(fold, context, watched, setting, held, &group);
    const size_t behind = count_behind(&group);
    const bool agreed = agree_on_step(fold, &group, &to);
    if (group.n > 0 && behind == group.n && are_alike(&group))
        next = (uint8_t)(UNIT_AS_MEANING + group.one[0].meaning);
    else if (group.n > 0 && behind == 0 && held >= UNIT_AS_MEANING)
        next = UNIT_AS_CONFIGURED;
    else if (behind > 0)
        next = settle(context, &group, held);
    if (agreed && behind == 0)
        next = to;
    for (size_t i = 0; agreed && i < group.n; i++)
        fold->unit_step[group.one[i].point].is_stepping = false;
    if (known != 0) { /* this scan's own: a late fold has loaded it */
        held = known->change;
        take_over(&group, held);
    } else if ((next != held && !often) || !is_of_run)
        held = watch_hold(memory, context, group_index, next, facts, n_facts);
    finish(fold, context, &group, held, often);
}
