/* SPDX-License-Identifier: Apache-2.0
 *
 * line_plan.c - a line over a change of plan: it goes on with the new one where it is the same
 * there, else it leaves and hands its due times on.
 *
 * Invariant: each due time ends once, by this line or by the one that comes after it.
 */
#include "line_inside.h"

static uint16_t number_of(const struct line *line, size_t i)
{
    return line->options.plan->wells[line->sources[i].well].number;
}

int64_t line_first_due_from_ms(const struct line *line, size_t i)
{
    const struct line_options *options = &line->options;
    for (size_t k = 0; k < options->n_starts; k++)
        if (options->starts[k].well == number_of(line, i) &&
            options->starts[k].source == line->sources[i].source)
            return options->starts[k].from_ms;
    return options->from_ms;
}

static int find(const struct line *line, uint16_t well_number, uint8_t source)
{
    for (size_t i = 0; i < line->n; i++)
        if (number_of(line, i) == well_number && line->sources[i].source == source)
            return (int)i;
    return -1;
}

void line_leave(struct line *line)
{
    if (line_is_scanning(line))
        scan_end(line);
    for (size_t i = 0; i < line->n; i++)
        hearing_close_scan(line, i);
    line->options.port->close(line->options.port->context);
    line->is_open = false;
}

bool line_next_due(const struct line *line, uint16_t well_number, uint8_t source, int64_t *due_ms)
{
    const int i = find(line, well_number, source);
    if (i < 0 || !line->turns[i].is_active)
        return false;
    *due_ms = turn_due_ms(&line->turns[i], line->turns[i].next);
    return true;
}

void line_account_source(struct line *line, uint16_t well_number, uint8_t source)
{
    const int i = find(line, well_number, source);
    if (i >= 0)
        line_account_end(line, (size_t)i, line_now_us(line), CAUSE_ENTRY_ENDED);
    line_put_rest(line);
}

static const struct source_entry *same_entry(const struct plan *plan, const struct plan *old,
                                             const struct asked_source *source, uint16_t well)
{
    const struct source_entry *first = old->wells[source->well].entries[source->source];
    return source->entry == NULL
               ? NULL
               : &plan->wells[well].entries[source->source][source->entry - first];
}

bool line_take_plan(struct line *line, const struct plan *plan, uint16_t index)
{
    const struct plan *old = line->options.plan;
    if (line_is_scanning(line))
        return false;
    for (size_t i = 0; i < line->n; i++) {
        struct asked_source *source = &line->sources[i];
        const struct well_plan *well = plan_well_by_number(plan, number_of(line, i));
        const uint16_t at = (uint16_t)(well - plan->wells);
        source->entry = same_entry(plan, old, source, at);
        source->well = at;
    }
    hearing_entries_moved(line);
    line->options.plan = plan;
    line->options.index = index;
    line->plan = line->wire.line = &plan->lines[index];
    return true;
}
