/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_json.c - a loop check's record as JSON: docs/schemas/loop-check-1.json. What is not known is
 * null; times are RFC 3339, UTC.
 */
#include "uphole/loop.h"

#include <math.h>

static void put_text(struct json *json, const char *key, const char *text)
{
    json_put_text(json, key, text[0] == '\0' ? NULL : text);
}
static void put_number(struct json *json, const char *key, double value)
{
    json_put_number(json, key, value, 0);
}
static void put_time(struct json *json, const char *key, int64_t utc_ms)
{
    json_key(json, key);
    if (utc_ms == 0)
        json_null(json);
    else
        json_time(json, utc_ms);
}
static void put_words(struct json *json, const char *key, const uint16_t *words, unsigned n)
{
    json_put_open(json, key, '[');
    for (unsigned i = 0; i < n; i++)
        json_unsigned(json, words[i]);
    json_close(json, ']');
}
static void put_identity(struct json *json, uint64_t run, const char *key, uint64_t id)
{
    json_key(json, "run");
    if (run == 0)
        json_null(json);
    else
        json_run(json, run);
    json_put_unsigned(json, key, id);
}

static void put_heard_inside(struct json *json, const struct loop_heard *heard)
{
    put_number(json, "value", heard->value);
    put_text(json, "unit", heard->unit);
    json_put_unsigned(json, "quality", heard->quality);
    json_put_boolean(json, "agrees", heard->agrees);
}

static void put_far_end(struct json *json, const struct loop_channel *channel)
{
    json_key(json, "mqtt");
    if (channel->mqtt.done) {
        json_open(json, '{');
        put_heard_inside(json, &channel->mqtt);
        json_close(json, '}');
    } else {
        json_null(json);
    }
    json_key(json, "table");
    if (channel->served.done) {
        json_open(json, '{');
        json_put_unsigned(json, "register", channel->served_register);
        put_words(json, "words", channel->served_words, 2);
        put_heard_inside(json, &channel->served);
        json_close(json, '}');
    } else {
        json_null(json);
    }
}

static void put_channel(struct json *json, const struct loop_channel *channel)
{
    const struct point *point = point_get(channel->point);
    json_open(json, '{');
    put_text(json, "point", point != NULL ? point->id : "");
    put_text(json, "unit", point != NULL ? point->unit : "");
    put_text(json, "source", source_name(channel->source));
    put_text(json, "result", loop_result_name(channel->result));
    put_text(json, "expected", channel->expected);
    put_text(json, "given_by", channel->given_by);
    put_number(json, "expected_value", channel->expected_value);
    put_number(json, "tolerance", channel->tolerance);
    put_number(json, "difference", channel->difference);
    json_put_open(json, "wire", '{');
    put_text(json, "table", channel->table == TABLE_INPUT ? "input" : "holding");
    json_put_unsigned(json, "register", channel->address);
    put_words(json, "words", channel->words, channel->n_words <= 4 ? channel->n_words : 4);
    put_number(json, "value", channel->value);
    json_put_unsigned(json, "quality", channel->quality);
    put_identity(json, channel->run, "seq", channel->seq);
    put_time(json, "time", channel->scan_utc_ms);
    json_close(json, '}');
    put_far_end(json, channel);
    put_text(json, "verdict", channel->verdict);
    put_text(json, "sentence", channel->sentence);
    json_put_unsigned(json, "tries", channel->tries);
    put_text(json, "first_try", channel->first_try);
    json_put_boolean(json, "confirmed", channel->confirmed);
    put_text(json, "stanza", channel->stanza);
    put_text(json, "by", channel->by);
    put_time(json, "done", channel->done_utc_ms);
    json_close(json, '}');
}

static void put_row(struct json *json, const struct loop_row *row)
{
    json_open(json, '{');
    put_identity(json, row->run, "id", row->id);
    put_text(json, "kind", gap_kind_name(row->kind));
    put_text(json, "source", row->source == SOURCE_NONE ? "" : source_name(row->source));
    put_text(json, "destination", row->destination);
    put_time(json, "start", row->start_utc_ms);
    put_time(json, "end", row->is_open ? 0 : row->end_utc_ms);
    json_put_unsigned(json, "scans", row->scans);
    json_put_unsigned(json, "recovered", row->recovered);
    json_put_boolean(json, "lost", row->lost);
    json_put_boolean(json, "delivered", row->delivered);
    put_text(json, "cause", row->cause);
    json_close(json, '}');
}

static void put_outage(struct json *json, const struct loop_outage *outage)
{
    json_open(json, '{');
    put_text(json, "kind", loop_outage_name(outage->kind));
    put_text(json, "result", loop_result_name(outage->result));
    put_text(json, "how", outage->how);
    json_put_unsigned(json, "asked_ms", (uint64_t)(outage->asked_ms > 0 ? outage->asked_ms : 0));
    put_time(json, "began", outage->began_utc_ms);
    put_time(json, "ended", outage->ended_utc_ms);
    json_put_boolean(json, "offline_heard", outage->offline_heard);
    json_put_boolean(json, "has_hole", outage->has_hole);
    json_put_unsigned(json, "from_seq", outage->from_seq);
    json_put_unsigned(json, "to_seq", outage->to_seq);
    json_put_unsigned(json, "late", outage->late);
    json_put_open(json, "rows", '[');
    for (unsigned i = 0; i < outage->n_rows; i++)
        put_row(json, &outage->row[i]);
    json_close(json, ']');
    put_text(json, "sentence", outage->sentence);
    put_text(json, "by", outage->by);
    put_time(json, "done", outage->done_utc_ms);
    json_close(json, '}');
}

static void put_sources(struct json *json, const struct loop_record *record)
{
    json_put_open(json, "sources", '[');
    for (unsigned i = 0; i < SOURCE_KINDS; i++) {
        const struct loop_source *source = &record->source[i];
        if (source->source == SOURCE_NONE)
            continue;
        json_open(json, '{');
        put_text(json, "source", source_name(source->source));
        put_text(json, "serial_number", source->serial_number);
        put_text(json, "line", source->line);
        json_put_unsigned(json, "unit_id", source->unit_id);
        put_text(json, "map", source->map);
        put_text(json, "map_digest", source->map_digest);
        json_put_unsigned(json, "poll_ms", source->poll_ms);
        json_put_unsigned(json, "refresh_ms", source->refresh_ms);
        json_close(json, '}');
    }
    json_close(json, ']');
}

static void put_path(struct json *json, const char *key, const struct loop_path *path)
{
    json_put_open(json, key, '{');
    put_text(json, "name", path->name);
    put_text(json, "where", path->where);
    put_text(json, "detail", path->detail);
    json_put_boolean(json, "left_out", path->left_out);
    json_close(json, '}');
}

static void put_sittings(struct json *json, const struct loop_record *record)
{
    json_put_open(json, "sittings", '[');
    for (unsigned i = 0; i < record->n_sittings; i++) {
        const struct loop_sitting *sitting = &record->sitting[i];
        json_open(json, '{');
        put_time(json, "begun", sitting->begun_utc_ms);
        put_time(json, "ended", sitting->ended_utc_ms);
        put_text(json, "by", sitting->by);
        put_text(json, "plan", sitting->plan);
        put_text(json, "version", sitting->version);
        put_text(json, "differences", sitting->differences);
        json_close(json, '}');
    }
    json_close(json, ']');
}

size_t loop_to_json(const struct loop_record *record, char *into, size_t room)
{
    struct json json;
    json_begin(&json, into, room);
    json_open(&json, '{');
    put_text(&json, "schema", "uphole/loop-check/1");
    put_text(&json, "caution", LOOP_CAUTION);
    put_text(&json, "proves", LOOP_PROVES);
    json_put_boolean(&json, "complete", record->complete);
    put_text(&json, "site", record->site);
    put_text(&json, "box", record->box);
    put_text(&json, "well", record->well);
    put_text(&json, "label", record->label);
    put_text(&json, "plan", record->plan);
    put_text(&json, "version", record->version);
    put_text(&json, "versions", record->versions);
    json_put_unsigned(&json, "measure_version", record->measure_version);
    put_text(&json, "clock", record->clock);
    put_time(&json, "begun", record->begun_utc_ms);
    put_time(&json, "ended", record->ended_utc_ms);
    put_sources(&json, record);
    put_path(&json, "mqtt", &record->mqtt);
    put_path(&json, "table", &record->table);
    json_put_open(&json, "channels", '[');
    for (unsigned i = 0; i < record->n_channels; i++)
        put_channel(&json, &record->channel[i]);
    json_close(&json, ']');
    json_put_open(&json, "outages", '[');
    for (unsigned i = 0; i < record->n_outages; i++)
        put_outage(&json, &record->outage[i]);
    json_close(&json, ']');
    put_sittings(&json, record);
    json_close(&json, '}');
    return json_end(&json);
}
