/* SPDX-License-Identifier: Apache-2.0
 *
 * payload.h - what the four payloads share: how one point goes out (unit, resolution, reference,
 * value), and how rows belong together.
 */
#ifndef UPHOLE_PUBLISH_PAYLOAD_H
#define UPHOLE_PUBLISH_PAYLOAD_H

#include "uphole/json.h"

#include "uphole/publish.h"
#include "uphole/quantity.h"

#define AGE_RESOLUTION_S 0.1

/** A point of one destination: unit_id 0 for none, `reference` REFERENCE_NONE for what is no
 * pressure. */
struct payload_point {
    unit_number unit;
    double resolution;
    uint8_t reference; /* enum pressure_reference */
};

/**
 * How `point` of `well` goes out with `units`. The reference is that of the map's channel valid at
 * `utc_ms`; of a derived pressure that of its inputs where they agree. `same_plan` false: it was
 * measured under another plan, so a pressure's reference is unknown here.
 */
struct payload_point payload_point_of(const struct plan *plan, const struct well_plan *well,
                                      const struct unit_choice *units, unsigned point,
                                      int64_t utc_ms, bool same_plan);
const char *payload_unit_name(unit_number unit);       /* NULL for none */
const char *payload_reference_name(uint8_t reference); /* NULL for none */

/** The value in the unit that goes out; NaN where there is none. */
double payload_value(const struct payload_point *how, unsigned point, double value);
/**
 * The quality to send with a value that is there or is not: a quality which promises a value and
 * has none is 0 (no_data), so that nothing can be Good and empty. `value` is set to NaN where the
 * quality sends none; `keep_last` allows the last value under line_down and gauge_silent.
 */
uint8_t payload_quality(uint8_t quality, bool keep_last, double *value);
/* ---- payload_row.c: rows of one set, whose columns are looked up once for all of them ---- */

/** How a point's values go out, ready to be applied many times: the text is that of payload_value
 * and json_number. */
struct payload_column {
    struct number_format format;
    struct conversion conversion;
    bool converts; /* else the value goes out as it is */
    uint8_t reference;
    const char *point, *unit; /* NULL: none */
};
struct payload_columns {
    uint16_t n;
    bool with_uncertainty;
    struct payload_column column[RECORD_READINGS_MAX];
};
/** The columns of `row`'s source; `same_plan` as in payload_point_of. */
void payload_columns_of(const struct plan *plan, const struct well_plan *well,
                        const struct unit_choice *units, const struct record *row, bool same_plan,
                        struct payload_columns *out);
/** One row as JSON; its readings are those of `columns`, in that order. */
void payload_put_row(struct json *json, const struct payload_columns *columns,
                     const struct record *row);

/** The clock never knew the time: a time stamp would be a guess. */
bool payload_time_is_known(const struct stamp *at);

#endif
