/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_latest.c - `latest`: a well as it stands now, describing itself, for a retained topic.
 *
 * Ages are counted here, at the moment of sending; age may turn a value to 64 (stale) and nothing
 * else is judged.
 */
#include "payload.h"

#include <math.h>

static void put_point(struct json *json, const struct payload_point *how,
                      const struct live_reading *reading, int64_t now_boot_ms)
{
    double age_s, value = reading->value;
    uint8_t quality = payload_quality(live_quality_at(reading, now_boot_ms, &age_s), true, &value);
    json_open(json, '{');
    json_put_number(json, "value", payload_value(how, reading->point, value), how->resolution);
    json_put_text(json, "unit", payload_unit_name(how->unit));
    if (how->reference != REFERENCE_NONE) {
        json_put_text(json, "reference", payload_reference_name(how->reference));
    }
    json_put_unsigned(json, "quality", quality);
    json_put_text(json, "reason", quality_name(quality));
    const struct point *worst = point_get(reading->worst_input);
    if (worst != NULL) {
        json_put_text(json, "worst_input", worst->id);
    }
    json_put_number(json, "age_s", isfinite(value) ? age_s : NAN, AGE_RESOLUTION_S);
    json_close(json, '}');
}

static void put_head(struct json *json, const struct plan *plan, const struct well_plan *well,
                     const struct snapshot *snapshot)
{
    bool any = snapshot->seq != 0;
    json_put_text(json, "schema", "uphole/latest/1");
    json_put_text(json, "site", plan->site);
    json_put_text(json, "well", well->id);
    json_put_text(json, "label", well->label);
    json_put_run(json, "run", snapshot->run);
    json_key(json, "seq");
    if (any && snapshot->journaled)
        json_unsigned(json, snapshot->seq);
    else
        json_null(json);
    json_put_boolean(json, "journaled", snapshot->journaled);
    json_key(json, "time");
    if (any && payload_time_is_known(&snapshot->newest))
        json_time(json, snapshot->newest.utc_ms);
    else
        json_null(json);
    json_put_text(json, "clock", clock_state_name(snapshot->clock));
    json_put_open(json, "states", '{');
    json_put_text(json, "line", line_state_name(snapshot->line));
    json_put_text(json, "gauge", gauge_state_name(snapshot->gauge));
    json_close(json, '}');
}

size_t payload_latest(char *into, size_t room, const struct plan *plan,
                      const struct unit_choice *units, const struct snapshot *snapshot,
                      int64_t now_boot_ms)
{
    struct json json;
    json_begin(&json, into, room);
    const struct well_plan *well = plan_well_by_number(plan, snapshot->well);
    if (well == NULL)
        return 0;
    json_open(&json, '{');
    put_head(&json, plan, well, snapshot);
    json_put_open(&json, "points", '{');
    for (uint16_t i = 0; i < snapshot->n && i < RECORD_READINGS_MAX; i++) {
        const struct live_reading *reading = &snapshot->reading[i];
        const struct point *point = point_get(reading->point);
        if (point == NULL)
            continue;
        struct payload_point how =
            payload_point_of(plan, well, units, reading->point, snapshot->taken.utc_ms, true);
        json_key(&json, point->id);
        put_point(&json, &how, reading, now_boot_ms);
    }
    json_close(&json, '}');
    json_close(&json, '}');
    return json_end(&json);
}
