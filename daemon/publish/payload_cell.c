/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_cell.c - one reading of a record as `record` sends it, for other formats: by the same
 * functions, so that no second opinion on a value can arise.
 */
#include "payload.h"

#include <math.h>

struct payload_cell payload_cell(const struct plan *plan, const struct well_plan *well,
                                 const struct unit_choice *units, const struct record *record,
                                 uint16_t index)
{
    const struct reading *reading = &record->reading[index];
    const struct payload_point how =
        payload_point_of(plan, well, units, reading->point, record->at.utc_ms,
                         record->plan_digest == plan->digest_32);
    struct payload_cell cell = {.resolution = how.resolution,
                                .age_resolution = AGE_RESOLUTION_S,
                                .unit = payload_unit_name(how.unit),
                                .reference = payload_reference_name(how.reference),
                                .reference_code = how.reference};
    double value = reading->value;
    cell.quality = payload_quality(reading->quality, false, &value);
    cell.value = payload_value(&how, reading->point, value);
    cell.age_s = isfinite(value) ? (double)reading->age_s : NAN;
    return cell;
}
