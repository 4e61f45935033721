/* SPDX-License-Identifier: Apache-2.0
 *
 * lacks.c - which derived points a well has, and what the others lack: told by plan and date alone,
 * from the same rows that derive.
 */
#include "derive_rows.h"

#include <math.h>

static bool is_there(const struct plan *plan, const struct well_plan *well, unsigned point,
                     int64_t utc_ms, uint8_t *reference)
{
    uint8_t source;
    const struct channel *channel = well_channel(plan, well, point, utc_ms, &source);
    if (channel == 0)
        return false;
    const struct source_entry *entry = entry_at(plan, well, source, utc_ms);
    *reference = channel->reference;
    return entry == 0 || entry->fitted[point] != FITTED_NO;
}

static bool is_known(uint8_t reference)
{
    return reference == REFERENCE_ABSOLUTE || reference == REFERENCE_GAUGE;
}

/** References of the first two inputs, as derive judges them. */
static bool differ(const struct derived_row *row, const uint8_t *reference, bool has_atmosphere)
{
    if (!row->needs_one_reference && !row->needs_same_pressures)
        return false;
    if (!is_known(reference[0]) || !is_known(reference[1]))
        return true;
    return reference[0] != reference[1] && !(row->takes_atmosphere && has_atmosphere);
}

static void judge(const struct derived_row *row, const struct plan *plan,
                  const struct well_plan *well, int64_t utc_ms, const uint16_t *points,
                  struct lack *out)
{
    const bool has_atmosphere = isfinite(well_setting_at(well, utc_ms).local_atmosphere_kpa);
    uint8_t reference[INPUTS_MAX] = {0};
    for (unsigned i = 0; i < row->n_required; i++) {
        if (is_there(plan, well, points[i], utc_ms, &reference[i]))
            continue;
        out->kind = LACKS_POINT;
        out->input = row->input[i].point;
        return;
    }
    if (differ(row, reference, has_atmosphere)) {
        out->kind = LACKS_REFERENCE;
        out->beside = points[0];
        out->input = points[1];
        return;
    }
    for (unsigned i = 0; row->needs_absolute && i < row->n_required; i++) {
        if (point_get(points[i])->kind != QUANTITY_PRESSURE || reference[i] == REFERENCE_ABSOLUTE ||
            (reference[i] == REFERENCE_GAUGE && has_atmosphere))
            continue;
        out->kind = LACKS_ABSOLUTE;
        out->input = points[i];
        return;
    }
    out->data = well_data_missing(well, utc_ms,
                                  derived_needs(row, plan, well, utc_ms, points) |
                                      (row->needs_density ? NEEDS_DENSITY : 0));
    out->kind = out->data != 0 ? LACKS_DATA : LACKS_NOTHING;
}

bool measure_lacks(const struct plan *plan, const struct well_plan *well, int64_t utc_ms,
                   size_t index, struct lack *out)
{
    *out = (struct lack){0};
    if (index >= derived_count())
        return false;
    const struct derived_row *row = derived_row(index);
    uint16_t points[INPUTS_MAX];
    uint8_t reference;
    (void)derived_inputs(index, plan, well, utc_ms, points);
    out->point = row->point;
    out->takes_atmosphere = row->takes_atmosphere;
    out->of_rate = (row->needs & NEEDS(DATUM_LIQUID_RATE)) != 0;
    out->of_pump_rate = out->of_rate && (row->needs & NEEDS(DATUM_WATER_CUT)) != 0;
    if (is_there(plan, well, row->point, utc_ms, &reference))
        out->kind = LACKS_NOT_ASKED;
    else
        judge(row, plan, well, utc_ms, points, out);
    return true;
}

const char *measure_datum_key(unsigned bit)
{
    return bit == MEASURE_DENSITY_BIT ? "liquid_density" : well_datum_key((enum well_datum)bit);
}
