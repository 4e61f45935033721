/* SPDX-License-Identifier: Apache-2.0
 *
 * day_reload.c - another configuration within a run, in lock-step: the steps of
 * daemon/uphole/reload_take.c, with the real lines, core, ledger and journal.
 */
#include "day_inside.h"

#include "check.h"

#define STARTS_MAX 32

struct change {
    const struct plan *before;
    struct plan *next;
    bool leaves[DAY_LINES_MAX];
    struct due_start starts[STARTS_MAX];
    size_t n;
};

static void note_source(struct day *day, struct change *change, uint16_t line,
                        const struct well_plan *well, uint8_t source)
{
    struct due_start start = {.well = well->number, .source = source};
    const struct well_plan *next = plan_well_by_id(change->next, well->id);
    if (!line_next_due(day->lines[line], well->number, source, &start.from_ms))
        return;
    if (next == NULL || next->n_entries[source] == 0) {
        line_account_source(day->lines[line], well->number, source);
        return;
    }
    assert_true(change->n < STARTS_MAX);
    change->starts[change->n++] = start;
}

static void leave_lines(struct day *day, struct change *change)
{
    for (uint16_t i = 0; i < change->before->n_lines; i++) {
        change->leaves[i] =
            !plan_line_is_same(change->before, change->next, change->before->lines[i].name);
        if (!change->leaves[i])
            continue;
        line_leave(day->lines[i]);
        for (uint16_t w = 0; w < change->before->n_wells; w++)
            for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
                note_source(day, change, i, &change->before->wells[w], s);
    }
}

static unsigned start_lines(struct day *day, const struct change *change)
{
    struct up_error error = {0};
    unsigned kept = 0;
    for (uint16_t i = 0; i < change->next->n_lines; i++) {
        if (i < change->before->n_lines) /* the harness knows a line by its place */
            check_text("line", change->next->lines[i].name, change->before->lines[i].name);
        if (i < change->before->n_lines && !change->leaves[i]) {
            assert_true(line_take_plan(day->lines[i], change->next, i));
            kept++;
            continue;
        }
        line_destroy(day->lines[i]);
        ring_destroy(day->rings[i]);
        if (!day_make_line_anew(day, i, change->starts, change->n, &error))
            fail_msg("%s", error.why);
    }
    for (uint16_t i = change->next->n_lines; i < change->before->n_lines; i++) {
        line_destroy(day->lines[i]);
        ring_destroy(day->rings[i]);
        day->lines[i] = NULL;
        day->rings[i] = NULL;
    }
    return kept;
}

unsigned day_reload(struct day *day, const char *config)
{
    struct up_error error = {0};
    struct plan *before = day->plan;
    day->options.config = config;
    struct change change = {.before = before, .next = day_read_plan(day)};
    /* A poll under way ends first, as the line's thread lets it. */
    leave_lines(day, &change);
    core_serve_rest(day->core);
    core_flush(day->core);
    if (core_take_plan(day->core, change.next, day->plan_serial + 1, change.next->n_lines, "jana",
                       &error) != UP_OK)
        fail_msg("%s", error.why);
    day->plan_serial++;
    day->plan = change.next;
    /* A line that goes on and is in the middle of a poll ends it under the old plan's text. */
    for (uint16_t i = 0; i < before->n_lines; i++)
        for (int step = 0;
             step < 1000 && !change.leaves[i] && !line_take_plan(day->lines[i], change.next, i);
             step++) {
            const int64_t next_us = line_step(day->lines[i]);
            if (next_us > day->now_us)
                day->now_us = next_us;
        }
    const unsigned kept = start_lines(day, &change);
    day_stop_receiver(day);
    day_start_receiver(day);
    plan_free(before);
    return kept;
}
