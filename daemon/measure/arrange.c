/* SPDX-License-Identifier: Apache-2.0
 *
 * arrange.c - what plan and time alone say: which channels are sensors of the gauge, which derived
 * points there are, in whose records they go, of which channels they are made. Found once for a
 * stretch of time in which no entry and no well data begin, not with each scan: it costs more than
 * measuring does.
 *
 * It follows from (plan, well, time) and from nothing that a scan holds, so a fold that begins
 * later arranges alike. A plan is known again by its place and its digest: plans are never changed
 * once they are frozen. One may be freed, so what points into it is found anew with each call.
 */
#include "derive_rows.h"

/** Narrows the stretch around `utc_ms` by a moment from which on something else holds. */
static void narrow(struct arrangement *arranged, int64_t utc_ms, int64_t moment_ms)
{
    if (moment_ms <= utc_ms && moment_ms > arranged->from_ms)
        arranged->from_ms = moment_ms;
    else if (moment_ms > utc_ms && moment_ms - 1 < arranged->to_ms)
        arranged->to_ms = moment_ms - 1;
}

static void find_stretch(struct arrangement *arranged, const struct well_plan *well, int64_t utc_ms)
{
    arranged->from_ms = INT64_MIN;
    arranged->to_ms = INT64_MAX;
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++)
        for (unsigned i = 0; i < well->n_entries[source]; i++)
            narrow(arranged, utc_ms, well->entries[source][i].from_utc_ms);
    for (unsigned i = 0; i < well->n_data; i++) {
        const int64_t from = well->data[i].from_utc_ms;
        narrow(arranged, utc_ms, from);
        if (from < INT64_MAX - MEASURE_RATE_HOLDS_MS) /* the liquid rate is old from then on */
            narrow(arranged, utc_ms, from + MEASURE_RATE_HOLDS_MS + 1);
    }
}

static struct arranged_input input_at(const struct plan *plan, const struct well_plan *well,
                                      unsigned point, int64_t utc_ms)
{
    struct arranged_input arranged = {.point = (uint16_t)point};
    struct input input = {0};
    input_describe(&input, point, well_channel(plan, well, point, utc_ms, &arranged.source));
    arranged.reference = input.reference;
    arranged.detector = input.detector;
    arranged.side = input.side;
    return arranged;
}

static void arrange(struct arrangement *arranged, const struct plan *plan,
                    const struct well_plan *well, int64_t utc_ms)
{
    arranged->plan = plan;
    arranged->well = well;
    arranged->plan_digest = plan->digest_32;
    arranged->setting = well_setting_at(well, utc_ms);
    arranged->n = 0;
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++) {
        const struct source_entry *entry = entry_at(plan, well, source, utc_ms);
        if (entry != 0)
            look_at_map(&plan->maps[entry->map], entry, &arranged->source[source]);
    }
    find_stretch(arranged, well, utc_ms);
    for (size_t i = 0; i < derived_count() && arranged->n < DERIVED_MAX; i++) {
        const uint8_t source = derived_source(i, plan, well, utc_ms);
        uint16_t points[INPUTS_MAX];
        if (source == SOURCE_NONE)
            continue;
        struct arranged_row *row = &arranged->row[arranged->n++];
        row->index = (uint8_t)i;
        row->source = source;
        row->n = (uint8_t)derived_inputs(i, plan, well, utc_ms, points);
        for (unsigned k = 0; k < row->n; k++)
            row->input[k] = input_at(plan, well, points[k], utc_ms);
    }
}

const struct arrangement *arrangement_at(struct arrangement *arranged, const struct plan *plan,
                                         const struct well_plan *well, int64_t utc_ms)
{
    const bool holds = arranged->plan == plan && arranged->well == well &&
                       arranged->plan_digest == plan->digest_32 && utc_ms >= arranged->from_ms &&
                       utc_ms <= arranged->to_ms;
    if (!holds)
        arrange(arranged, plan, well, utc_ms);
    arranged->setting.data = well->n_data > 0 ? plan_data_at(well, utc_ms) : 0;
    return arranged;
}
