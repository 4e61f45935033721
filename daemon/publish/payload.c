/* SPDX-License-Identifier: Apache-2.0
 *
 * payload.c - how one point goes out: unit, resolution, reference and value of one destination.
 */
#include "payload.h"

#include <math.h>

/* Derived pressures, and the pressures they are made of. */
struct derived_pressure {
    uint16_t point, input[2];
};
static const struct derived_pressure DERIVED_PRESSURES[] = {
    {POINT_PUMP_DIFFERENTIAL_PRESSURE, {POINT_DISCHARGE_PRESSURE, POINT_INTAKE_PRESSURE}},
    {POINT_DATUM_PRESSURE, {POINT_INTAKE_PRESSURE, POINT_INTAKE_PRESSURE}},
    {POINT_DRAWDOWN, {POINT_INTAKE_PRESSURE, POINT_INTAKE_PRESSURE}}, /* a difference, as 34 is */
};

static uint8_t mapped_reference(const struct plan *plan, const struct well_plan *well,
                                unsigned point, int64_t utc_ms)
{
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++) {
        const struct source_entry *entry = plan_entry_at(well, source, utc_ms);
        if (entry == NULL)
            continue;
        const struct channel *channel = map_channel(&plan->maps[entry->map], point);
        if (channel != NULL)
            return channel->reference;
    }
    return REFERENCE_NONE;
}

static uint8_t reference_of(const struct plan *plan, const struct well_plan *well, unsigned point,
                            int64_t utc_ms)
{
    uint8_t mapped = mapped_reference(plan, well, point, utc_ms);
    if (mapped != REFERENCE_NONE)
        return mapped;
    for (size_t i = 0; i < sizeof DERIVED_PRESSURES / sizeof *DERIVED_PRESSURES; i++) {
        const struct derived_pressure *row = &DERIVED_PRESSURES[i];
        if (row->point != point)
            continue;
        uint8_t a = mapped_reference(plan, well, row->input[0], utc_ms);
        uint8_t b = mapped_reference(plan, well, row->input[1], utc_ms);
        if (a == b && a != REFERENCE_NONE)
            return a;
    }
    return REFERENCE_UNKNOWN;
}

struct payload_point payload_point_of(const struct plan *plan, const struct well_plan *well,
                                      const struct unit_choice *units, unsigned point,
                                      int64_t utc_ms, bool same_plan)
{
    struct payload_point how = {.reference = REFERENCE_NONE};
    how.unit = unit_choice_of(units, point, &how.resolution);
    const struct point *row = point_get(point);
    if (row != NULL && row->kind == QUANTITY_PRESSURE)
        how.reference =
            same_plan ? reference_of(plan, well, point, utc_ms) : (uint8_t)REFERENCE_UNKNOWN;
    return how;
}

const char *payload_unit_name(unit_number unit)
{
    return unit == 0 ? NULL : unit_get(unit)->name;
}

const char *payload_reference_name(uint8_t reference)
{
    static const char *const NAMES[] = {NULL, "absolute", "gauge", "unknown"};
    return reference <= REFERENCE_UNKNOWN ? NAMES[reference] : "unknown";
}

double payload_value(const struct payload_point *how, unsigned point, double value)
{
    unit_number own = point_unit(point);
    return own == how->unit ? value : unit_convert(value, own, how->unit);
}

uint8_t payload_quality(uint8_t quality, bool keep_last, double *value)
{
    const struct quality_row *row = quality_find(quality);
    if (row == NULL || !(row->sends_value || (keep_last && row->keeps_last)))
        *value = NAN;
    if (row == NULL || (row->sends_value && !isfinite(*value)))
        return QUALITY_NO_DATA;
    return quality;
}

bool payload_time_is_known(const struct stamp *at)
{
    return at->clock != CLOCK_STATE_NEVER_SET && at->clock != CLOCK_STATE_UNKNOWN;
}
