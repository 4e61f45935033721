/* SPDX-License-Identifier: Apache-2.0
 *
 * sweep.c - which registers answer: by looking at every eighth and at the places where maps and
 * documents begin, and from each that answers outwards, by bisection to its exact ends.
 *
 * Invariant: nothing is asked that never.c doesn't allow, and no register twice but at an edge.
 */
#include "finder.h"

#include <string.h>

#define STRIDE 8
#define LARGEST 125 /* Modbus Application Protocol V1.1b3, 6.3 and 6.4 */

/* Where registers of documents begin, counted from 0 (common practice, no source). */
static const uint16_t USUAL[] = {0,    1,    100,  200,   256,   300,   400,   500,   512,   1000,
                                 1024, 2000, 2048, 3000,  4000,  4096,  5000,  6000,  7000,  8000,
                                 8192, 9000, 9999, 10000, 20000, 30000, 30001, 40000, 40001, 50000};

struct sweep {
    struct finder *finder;
    uint8_t table;
    uint16_t largest; /* registers that are asked at once */
    bool is_refused;  /* the unit doesn't know the function */
    bool is_limit_known;
};

enum heard { HEARD_NOTHING = 0, HEARD_DATA, HEARD_REFUSAL, HEARD_END };

static enum heard ask(struct sweep *sweep, unsigned first, unsigned count)
{
    struct finder *finder = sweep->finder;
    struct find_unit *unit = &finder->report->unit;
    struct reply reply;
    const struct read_request request = {
        .function = sweep->table, .first = (uint16_t)first, .count = (uint16_t)count};
    if (!never_allows(finder, sweep->table, first, count))
        return HEARD_REFUSAL;
    if (!finder_read(finder, unit->unit_id, &request, &reply))
        return HEARD_END;
    if (reply.kind == REPLY_ANSWER) {
        unit->answers_of[sweep->table]++;
        return HEARD_DATA;
    }
    if (reply.kind != REPLY_EXCEPTION)
        return HEARD_NOTHING;
    unit->exception_of[sweep->table] = reply.exception;
    sweep->is_refused = sweep->is_refused || reply.exception == MODBUS_ILLEGAL_FUNCTION;
    return HEARD_REFUSAL;
}

/* ---- the ranges, ascending ---- */

static bool is_known(const struct find_unit *unit, uint8_t table, unsigned address)
{
    for (unsigned i = 0; i < unit->n_ranges; i++)
        if (unit->range[i].table == table && address >= unit->range[i].first &&
            address <= unit->range[i].last)
            return true;
    return false;
}

static void add_range(struct find_unit *unit, uint8_t table, unsigned first, unsigned last)
{
    unsigned at = 0;
    while (at < unit->n_ranges &&
           (unit->range[at].table < table ||
            (unit->range[at].table == table && unit->range[at].last + 1u < first)))
        at++;
    if (at < unit->n_ranges && unit->range[at].table == table &&
        unit->range[at].first <= last + 1) {
        struct register_range *range = &unit->range[at];
        range->first = (uint16_t)(first < range->first ? first : range->first);
        range->last = (uint16_t)(last > range->last ? last : range->last);
        while (at + 1 < unit->n_ranges && unit->range[at + 1].table == table &&
               unit->range[at + 1].first <= range->last + 1u) {
            if (unit->range[at + 1].last > range->last)
                range->last = unit->range[at + 1].last;
            memmove(&unit->range[at + 1], &unit->range[at + 2],
                    (unit->n_ranges - at - 2) * sizeof unit->range[0]);
            unit->n_ranges--;
        }
        return;
    }
    if (unit->n_ranges == FIND_RANGES_MAX)
        return;
    memmove(&unit->range[at + 1], &unit->range[at], (unit->n_ranges - at) * sizeof unit->range[0]);
    unit->range[at] =
        (struct register_range){.table = table, .first = (uint16_t)first, .last = (uint16_t)last};
    unit->n_ranges++;
}

/* ---- outwards from a register that answers ---- */

/** How many of `most` registers from `at` on (backwards: up to `at`) answer in one piece with it.
 */
static unsigned reach(struct sweep *sweep, unsigned at, unsigned most, bool is_backwards)
{
    unsigned good = 0, bad = most + 1;
    if (most > sweep->largest)
        most = sweep->largest, bad = most + 1;
    for (unsigned try = most; good + 1 < bad; try = (good + bad) / 2) {
        const unsigned first = is_backwards ? at + 1 -
        try : at
            ;
        const enum heard heard = ask(sweep, first, try);
        if (heard == HEARD_END)
            break;
        if (heard == HEARD_DATA)
            good = try;
        else
            bad = try;
    }
    return good;
}

/** A block that breaks off inside registers that answer one by one was too long for the unit. */
static bool was_too_long(struct sweep *sweep, unsigned first, unsigned reached)
{
    if (sweep->is_limit_known || reached < 2)
        return false;
    if (ask(sweep, first + reached, 1) != HEARD_DATA)
        return false;
    sweep->largest = (uint16_t)reached;
    sweep->is_limit_known = true;
    return true;
}

static void grow_up(struct sweep *sweep, unsigned at, unsigned end)
{
    struct find_unit *unit = &sweep->finder->report->unit;
    while (at <= end && finder_goes_on(sweep->finder)) {
        const unsigned most = end - at + 1;
        const unsigned reached = reach(sweep, at, most, false);
        if (reached == 0)
            return;
        add_range(unit, sweep->table, at, at + reached - 1);
        const unsigned tried = most < sweep->largest ? most : sweep->largest;
        if (reached < tried && !was_too_long(sweep, at, reached))
            return;
        at += reached;
    }
}

static void grow_down(struct sweep *sweep, unsigned at, unsigned end)
{
    struct find_unit *unit = &sweep->finder->report->unit;
    while (at > end && finder_goes_on(sweep->finder) && !is_known(unit, sweep->table, at - 1)) {
        const unsigned most = at - end < STRIDE ? at - end : STRIDE;
        const unsigned reached = reach(sweep, at - 1, most, true);
        if (reached == 0)
            return;
        add_range(unit, sweep->table, at - reached, at - 1);
        if (reached < most)
            return;
        at -= reached;
    }
}

static void look_at(struct sweep *sweep, unsigned address, unsigned low, unsigned high)
{
    if (is_known(&sweep->finder->report->unit, sweep->table, address) || sweep->is_refused ||
        ask(sweep, address, 1) != HEARD_DATA)
        return;
    grow_up(sweep, address, high);
    grow_down(sweep, address, low);
}

/* ---- one table ---- */

/** Places outside the sweep: where known maps and documents begin. Only as far as a map reads, or a
 * block. */
static void look_at_usual_places(struct sweep *sweep)
{
    const struct find_options *options = sweep->finder->options;
    for (unsigned m = 0; m < options->n_maps; m++)
        for (unsigned c = 0; c < options->maps[m]->n_channels; c++) {
            const struct channel *channel = &options->maps[m]->channel[c];
            if (channel->table != sweep->table ||
                (channel->address >= options->first && channel->address <= options->last))
                continue;
            look_at(sweep, channel->address, channel->address,
                    channel->address + (channel->address < 65536 - LARGEST ? LARGEST : 0u));
            if (!is_known(&sweep->finder->report->unit, sweep->table, channel->address))
                break; /* not this map's unit */
        }
    for (unsigned i = 0; i < sizeof USUAL / sizeof USUAL[0]; i++)
        if (USUAL[i] < options->first || USUAL[i] > options->last)
            look_at(sweep, USUAL[i], USUAL[i], USUAL[i] + LARGEST);
}

static void sweep_table(struct finder *finder, uint8_t table)
{
    const struct find_options *options = finder->options;
    struct sweep sweep = {.finder = finder, .table = table, .largest = LARGEST};
    if (finder->report->unit.largest_read != 0) {
        sweep.largest = finder->report->unit.largest_read;
        sweep.is_limit_known = true;
    }
    for (unsigned address = options->first; address <= options->last && finder_goes_on(finder);
         address += STRIDE) {
        const int64_t each_us = finder->usual_us > 0 ? finder->usual_us : 50000;
        finder->phase_left_us =
            (int64_t)(options->last - address) / STRIDE * each_us +
            (table == TABLE_INPUT ? (options->last - options->first) / STRIDE * each_us : 0);
        look_at(&sweep, address, options->first, options->last);
        if (sweep.is_refused)
            return;
    }
    look_at_usual_places(&sweep);
    if (sweep.is_limit_known)
        finder->report->unit.largest_read = sweep.largest;
}

void sweep_run(struct finder *finder)
{
    finder->phase = FIND_RANGES;
    sweep_table(finder, TABLE_INPUT);
    never_judge_maps(finder);
    sweep_table(finder, TABLE_HOLDING);
    finder->report->unit.ranges_are_whole = !finder->has_ended;
}
