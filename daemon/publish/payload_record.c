/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_record.c - `record`: one row or many of one well, in columns.
 *
 * A row stands in the same message as the one before it only where everything that the head says
 * holds for both (run, plan, measure_version, the columns of its source), and where it follows that
 * row directly: so a hole between rows always shows, in `after` of the next message.
 */
#include "payload.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>

/* First record of each source among the rows: it gives that source's columns. */
struct sets {
    const struct record *of[SOURCE_UNIT_HISTORY + 1];
};

static bool same_columns(const struct plan *plan, const struct well_plan *well,
                         const struct unit_choice *units, const struct record *a,
                         const struct record *b)
{
    if (a->n != b->n)
        return false;
    for (uint16_t i = 0; i < a->n; i++) {
        unsigned point = a->reading[i].point;
        if (point != b->reading[i].point)
            return false;
        if (payload_point_of(plan, well, units, point, a->at.utc_ms, true).reference !=
            payload_point_of(plan, well, units, point, b->at.utc_ms, true).reference)
            return false;
    }
    return true;
}

/* How many of the n rows may stand in one message, size aside. */
static size_t rows_that_belong(const struct plan *plan, const struct well_plan *well,
                               const struct unit_choice *units, const struct record *records,
                               size_t n)
{
    struct sets sets = {0};
    for (size_t i = 0; i < n; i++) {
        const struct record *row = &records[i], *first = &records[0];
        if (row->source > SOURCE_UNIT_HISTORY || row->n > RECORD_READINGS_MAX)
            return i;
        if (row->well != first->well || row->run != first->run ||
            row->plan_digest != first->plan_digest ||
            row->measure_version != first->measure_version || row->revision != first->revision)
            return i;
        if (i > 0 && (row->after_run != records[i - 1].run || row->after_seq != records[i - 1].seq))
            return i;
        const struct record *set = sets.of[row->source];
        if (set == NULL)
            sets.of[row->source] = row;
        else if (!same_columns(plan, well, units, set, row))
            return i;
    }
    return n;
}

static void put_set(struct json *json, const struct plan *plan, const struct well_plan *well,
                    const struct unit_choice *units, const struct record *row)
{
    bool same_plan = row->plan_digest == plan->digest_32;
    json_key(json, source_name(row->source));
    json_open(json, '{');
    json_key(json, "points");
    json_open(json, '[');
    for (uint16_t i = 0; i < row->n; i++) {
        const struct point *point = point_get(row->reading[i].point);
        json_text(json, point == NULL ? "unknown" : point->id);
    }
    json_close(json, ']');
    json_key(json, "units");
    json_open(json, '[');
    for (uint16_t i = 0; i < row->n; i++) {
        double resolution;
        json_text(json,
                  payload_unit_name(unit_choice_of(units, row->reading[i].point, &resolution)));
    }
    json_close(json, ']');
    json_key(json, "references");
    json_open(json, '[');
    for (uint16_t i = 0; i < row->n; i++) {
        struct payload_point how =
            payload_point_of(plan, well, units, row->reading[i].point, row->at.utc_ms, same_plan);
        json_text(json, payload_reference_name(how.reference));
    }
    json_close(json, ']');
    json_close(json, '}');
}

static void put_columns(struct json *json, const struct unit_choice *units,
                        const struct record *row)
{
    double values[RECORD_READINGS_MAX];
    uint8_t qualities[RECORD_READINGS_MAX];
    bool names_input = false;
    json_key(json, "values");
    json_open(json, '[');
    for (uint16_t i = 0; i < row->n; i++) {
        const struct reading *reading = &row->reading[i];
        struct payload_point how = {0};
        how.unit = unit_choice_of(units, reading->point, &how.resolution);
        values[i] = reading->value;
        qualities[i] = payload_quality(reading->quality, false, &values[i]);
        names_input = names_input || point_get(reading->worst_input) != NULL;
        json_number(json, payload_value(&how, reading->point, values[i]), how.resolution);
    }
    json_close(json, ']');
    json_key(json, "qualities");
    json_open(json, '[');
    for (uint16_t i = 0; i < row->n; i++)
        json_unsigned(json, qualities[i]);
    json_close(json, ']');
    json_key(json, "age_s");
    json_open(json, '[');
    for (uint16_t i = 0; i < row->n; i++)
        json_number(json, isfinite(values[i]) ? (double)row->reading[i].age_s : NAN,
                    AGE_RESOLUTION_S);
    json_close(json, ']');
    if (!names_input)
        return;
    json_key(json, "worst_inputs");
    json_open(json, '[');
    for (uint16_t i = 0; i < row->n; i++) {
        const struct point *worst = point_get(row->reading[i].worst_input);
        json_text(json, worst == NULL ? NULL : worst->id);
    }
    json_close(json, ']');
}

static void put_row(struct json *json, const struct unit_choice *units, const struct record *row)
{
    json_open(json, '{');
    json_key(json, "source");
    json_text(json, source_name(row->source));
    json_key(json, "seq");
    json_unsigned(json, row->seq);
    json_key(json, "revision");
    json_unsigned(json, row->revision);
    json_key(json, "time");
    if (payload_time_is_known(&row->at))
        json_time(json, row->at.utc_ms);
    else
        json_null(json);
    json_key(json, "clock");
    json_text(json, clock_state_name(row->at.clock));
    json_key(json, "outcome");
    json_text(json, outcome_name(row->outcome));
    if (row->heard) {
        json_key(json, "heard");
        json_boolean(json, true);
    }
    put_columns(json, units, row);
    json_close(json, '}');
}

static void put_head(struct json *json, const struct plan *plan, const struct well_plan *well,
                     enum sent_as sent, const char *by, const struct record *first)
{
    static const char *const SENT[] = {"unknown", "live", "late", "resent", "recalculated"};
    char digest[12];
    snprintf(digest, sizeof digest, "%08" PRIx32, first->plan_digest);
    json_key(json, "schema");
    json_text(json, "uphole/record/1");
    json_key(json, "site");
    json_text(json, plan->site);
    json_key(json, "well");
    json_text(json, well->id);
    json_key(json, "sent");
    json_text(json, SENT[sent <= SENT_RECALCULATED ? sent : 0]);
    if (by != NULL && first->revision > 0) {
        json_key(json, "by");
        json_text(json, by);
    }
    json_key(json, "run");
    json_run(json, first->run);
    json_key(json, "after");
    if (first->after_seq == 0) {
        json_null(json);
    } else {
        json_open(json, '[');
        json_run(json, first->after_run);
        json_unsigned(json, first->after_seq);
        json_close(json, ']');
    }
    json_key(json, "plan");
    json_text(json, digest);
    json_key(json, "measure_version");
    json_unsigned(json, first->measure_version);
}

/* Writes as many of the n rows as fit; *fitted their number. */
static size_t write_message(char *into, size_t room, const struct plan *plan,
                            const struct well_plan *well, const struct unit_choice *units,
                            enum sent_as sent, const char *by, const struct record *records,
                            size_t n, size_t *fitted)
{
    struct sets sets = {0};
    for (size_t i = n; i-- > 0;)
        sets.of[records[i].source] = &records[i];
    struct json json;
    json_begin(&json, into, room);
    json_open(&json, '{');
    put_head(&json, plan, well, sent, by, &records[0]);
    json_key(&json, "sets");
    json_open(&json, '{');
    for (uint8_t source = 0; source <= SOURCE_UNIT_HISTORY; source++)
        if (sets.of[source] != NULL)
            put_set(&json, plan, well, units, sets.of[source]);
    json_close(&json, '}');
    json_key(&json, "rows");
    json_open(&json, '[');
    size_t done = 0;
    for (; done < n; done++) {
        struct json before = json;
        put_row(&json, units, &records[done]);
        if (json.full || json.room - json.length < sizeof "]}") {
            json = before;
            break;
        }
    }
    json_close(&json, ']');
    json_close(&json, '}');
    *fitted = done;
    return json_end(&json);
}

size_t payload_record(char *into, size_t room, const struct plan *plan,
                      const struct unit_choice *units, enum sent_as sent,
                      const struct record *records, size_t n, size_t *used)
{
    return payload_record_by(into, room, plan, units, sent, NULL, records, n, used);
}

size_t payload_record_by(char *into, size_t room, const struct plan *plan,
                         const struct unit_choice *units, enum sent_as sent, const char *by,
                         const struct record *records, size_t n, size_t *used)
{
    *used = 0;
    const struct well_plan *well = n > 0 ? plan_well_by_number(plan, records[0].well) : NULL;
    if (well == NULL)
        return 0;
    size_t wanted = rows_that_belong(plan, well, units, records, n);
    /* Fewer rows may need fewer columns: a second pass drops those of sources that no longer have a
     * row. */
    for (int pass = 0; pass < 2; pass++) {
        size_t fitted = 0;
        size_t length =
            write_message(into, room, plan, well, units, sent, by, records, wanted, &fitted);
        if (fitted == wanted && length > 0) {
            *used = fitted;
            return length;
        }
        wanted = fitted > 0 ? fitted : 1;
    }
    return 0;
}
