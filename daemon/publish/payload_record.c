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
#include <stdio.h>

/* First record of each source among the rows: it gives that source's columns. */
struct sets {
    const struct record *of[SOURCE_UNIT_HISTORY + 1];
};

/* What a pressure refers to follows from the entries valid at a time. */
static bool same_entries(const struct well_plan *well, int64_t a_utc_ms, int64_t b_utc_ms)
{
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++)
        if (plan_entry_at(well, source, a_utc_ms) != plan_entry_at(well, source, b_utc_ms))
            return false;
    return true;
}

static bool same_columns(const struct plan *plan, const struct well_plan *well,
                         const struct unit_choice *units, const struct record *a,
                         const struct record *b)
{
    if (a->n != b->n)
        return false;
    const bool same_references = same_entries(well, a->at.utc_ms, b->at.utc_ms);
    for (uint16_t i = 0; i < a->n; i++) {
        unsigned point = a->reading[i].point;
        if (point != b->reading[i].point)
            return false;
        if (!same_references &&
            payload_point_of(plan, well, units, point, a->at.utc_ms, true).reference !=
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

static void put_set(struct json *json, const struct record *row,
                    const struct payload_columns *columns)
{
    json_put_open(json, source_name(row->source), '{');
    json_put_open(json, "points", '[');
    for (uint16_t i = 0; i < columns->n; i++)
        json_text(json, columns->column[i].point == NULL ? "unknown" : columns->column[i].point);
    json_close(json, ']');
    json_put_open(json, "units", '[');
    for (uint16_t i = 0; i < columns->n; i++)
        json_text(json, columns->column[i].unit);
    json_close(json, ']');
    json_put_open(json, "references", '[');
    for (uint16_t i = 0; i < columns->n; i++)
        json_text(json, payload_reference_name(columns->column[i].reference));
    json_close(json, ']');
    json_close(json, '}');
}

static void put_head(struct json *json, const struct plan *plan, const struct well_plan *well,
                     enum sent_as sent, const char *by, const struct record *first)
{
    static const char *const SENT[] = {"unknown", "live", "late", "resent", "recalculated"};
    char digest[12];
    snprintf(digest, sizeof digest, "%08" PRIx32, first->plan_digest);
    json_put_text(json, "schema", "uphole/record/1");
    json_put_text(json, "site", plan->site);
    json_put_text(json, "well", well->id);
    json_put_text(json, "sent", SENT[sent <= SENT_RECALCULATED ? sent : 0]);
    if (by != NULL && first->revision > 0) {
        json_put_text(json, "by", by);
    }
    json_put_run(json, "run", first->run);
    json_key(json, "after");
    if (first->after_seq == 0) {
        json_null(json);
    } else {
        json_open(json, '[');
        json_run(json, first->after_run);
        json_unsigned(json, first->after_seq);
        json_close(json, ']');
    }
    json_put_text(json, "plan", digest);
    json_put_unsigned(json, "measure_version", first->measure_version);
}

/* Writes as many of the n rows as fit; *fitted their number. */
static size_t write_message(char *into, size_t room, const struct plan *plan,
                            const struct well_plan *well, const struct unit_choice *units,
                            enum sent_as sent, const char *by, const struct record *records,
                            size_t n, size_t *fitted)
{
    struct sets sets = {0};
    struct payload_columns columns[SOURCE_UNIT_HISTORY + 1];
    for (size_t i = n; i-- > 0;)
        sets.of[records[i].source] = &records[i];
    struct json json;
    json_begin(&json, into, room);
    json_open(&json, '{');
    put_head(&json, plan, well, sent, by, &records[0]);
    json_put_open(&json, "sets", '{');
    for (uint8_t source = 0; source <= SOURCE_UNIT_HISTORY; source++)
        if (sets.of[source] != NULL) {
            payload_columns_of(plan, well, units, sets.of[source],
                               sets.of[source]->plan_digest == plan->digest_32, &columns[source]);
            put_set(&json, sets.of[source], &columns[source]);
        }
    json_close(&json, '}');
    json_put_open(&json, "rows", '[');
    size_t done = 0;
    for (; done < n; done++) {
        struct json before = json;
        payload_put_row(&json, &columns[records[done].source], &records[done]);
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
