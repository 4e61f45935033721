/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_json_read.c - a loop check's record out of its JSON, to go on with one that was interrupted.
 *
 * A file that a person may have touched: what does not read is refused by name, never half taken.
 */
#include "uphole/loop.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/** The text, and the first thing that was wrong. */
struct reading_record {
    struct json_doc doc;
    const char *bad; /* NULL: nothing yet */
};

static void note(struct reading_record *in, const char *key)
{
    if (in->bad == NULL)
        in->bad = key;
}
static uint32_t member(struct reading_record *in, uint32_t node, const char *key)
{
    const uint32_t found = json_member(&in->doc, node, key);
    if (found == JSON_MISSING)
        note(in, key);
    return found;
}
static bool is_null(const struct reading_record *in, uint32_t node)
{
    return node < in->doc.n && in->doc.node[node].kind == JSON_NULL;
}

static void take_text(struct reading_record *in, uint32_t node, const char *key, char *into,
                      size_t room)
{
    const uint32_t found = member(in, node, key);
    into[0] = '\0';
    if (!is_null(in, found) && !json_get_text(&in->doc, found, into, room))
        note(in, key);
}
static uint64_t take_count(struct reading_record *in, uint32_t node, const char *key, uint64_t most)
{
    uint64_t count = 0;
    if (!json_get_unsigned(&in->doc, member(in, node, key), &count) || count > most) {
        note(in, key);
        return 0;
    }
    return count;
}
static double take_number(struct reading_record *in, uint32_t node, const char *key)
{
    const uint32_t found = member(in, node, key);
    double value = NAN;
    if (!is_null(in, found) && !json_get_number(&in->doc, found, &value))
        note(in, key);
    return value;
}
static bool take_flag(struct reading_record *in, uint32_t node, const char *key)
{
    bool flag = false;
    if (!json_get_boolean(&in->doc, member(in, node, key), &flag))
        note(in, key);
    return flag;
}
static int64_t take_time(struct reading_record *in, uint32_t node, const char *key)
{
    char text[STAMP_TEXT_MAX];
    int64_t utc_ms = 0;
    take_text(in, node, key, text, sizeof text);
    if (text[0] != '\0' && !stamp_from_text(text, strlen(text), &utc_ms))
        note(in, key);
    return utc_ms;
}
static uint64_t take_run(struct reading_record *in, uint32_t node)
{
    char text[24], *end = NULL;
    take_text(in, node, "run", text, sizeof text);
    if (text[0] == '\0')
        return 0;
    const uint64_t run = strtoull(text, &end, 16);
    if (*end != '\0' || strlen(text) != 16)
        note(in, "run");
    return run;
}
static unsigned take_words(struct reading_record *in, uint32_t node, const char *key,
                           uint16_t *words, unsigned most)
{
    const uint32_t array = member(in, node, key);
    unsigned n = 0;
    for (uint32_t item = json_first(&in->doc, array); item != JSON_MISSING;
         item = json_next(&in->doc, array, item)) {
        uint64_t word = 0;
        if (n >= most || !json_get_unsigned(&in->doc, item, &word) || word > UINT16_MAX) {
            note(in, key);
            break;
        }
        words[n++] = (uint16_t)word;
    }
    return n;
}
/** The index of a name in `name_of`, up to `n`. */
static uint8_t take_choice(struct reading_record *in, uint32_t node, const char *key,
                           const char *(*name_of)(uint8_t), uint8_t n)
{
    const uint32_t found = member(in, node, key);
    for (uint8_t i = 0; i < n; i++)
        if (json_is_text(&in->doc, found, name_of(i)))
            return i;
    note(in, key);
    return 0;
}
static uint8_t take_source(struct reading_record *in, uint32_t node)
{
    if (is_null(in, json_member(&in->doc, node, "source")))
        return SOURCE_NONE;
    return take_choice(in, node, "source", source_name, SOURCE_KINDS);
}
#define TAKE_TEXT(in, node, key, into) take_text((in), (node), (key), (into), sizeof(into))

static void take_heard(struct reading_record *in, uint32_t node, struct loop_heard *heard)
{
    heard->value = NAN;
    if (node == JSON_MISSING || is_null(in, node))
        return;
    heard->done = true;
    heard->value = take_number(in, node, "value");
    TAKE_TEXT(in, node, "unit", heard->unit);
    heard->quality = (uint8_t)take_count(in, node, "quality", UINT8_MAX);
    heard->agrees = take_flag(in, node, "agrees");
}

static void take_wire(struct reading_record *in, uint32_t node, struct loop_channel *channel)
{
    channel->table =
        json_is_text(&in->doc, member(in, node, "table"), "input") ? TABLE_INPUT : TABLE_HOLDING;
    channel->address = (uint16_t)take_count(in, node, "register", UINT16_MAX);
    channel->n_words = (uint16_t)take_words(in, node, "words", channel->words, 4);
    channel->value = take_number(in, node, "value");
    channel->quality = (uint8_t)take_count(in, node, "quality", UINT8_MAX);
    channel->run = take_run(in, node);
    channel->seq = take_count(in, node, "seq", UINT64_MAX);
    channel->scan_utc_ms = take_time(in, node, "time");
}

static void take_channel(struct reading_record *in, uint32_t node, struct loop_channel *channel)
{
    char point[64];
    TAKE_TEXT(in, node, "point", point);
    channel->point = (uint16_t)point_find(point, strlen(point));
    if (channel->point == POINT_NONE)
        note(in, "point");
    channel->source = take_source(in, node);
    channel->result = take_choice(in, node, "result", loop_result_name, LOOP_RESULTS);
    TAKE_TEXT(in, node, "expected", channel->expected);
    TAKE_TEXT(in, node, "given_by", channel->given_by);
    channel->expected_value = take_number(in, node, "expected_value");
    channel->tolerance = take_number(in, node, "tolerance");
    channel->difference = take_number(in, node, "difference");
    take_wire(in, member(in, node, "wire"), channel);
    take_heard(in, member(in, node, "mqtt"), &channel->mqtt);
    const uint32_t table = member(in, node, "table");
    take_heard(in, table, &channel->served);
    if (channel->served.done) {
        channel->served_register = (uint16_t)take_count(in, table, "register", UINT16_MAX);
        if (take_words(in, table, "words", channel->served_words, 2) != 2)
            note(in, "words");
    }
    TAKE_TEXT(in, node, "verdict", channel->verdict);
    TAKE_TEXT(in, node, "sentence", channel->sentence);
    channel->tries = (uint8_t)take_count(in, node, "tries", UINT8_MAX);
    TAKE_TEXT(in, node, "first_try", channel->first_try);
    channel->confirmed = take_flag(in, node, "confirmed");
    TAKE_TEXT(in, node, "stanza", channel->stanza);
    TAKE_TEXT(in, node, "by", channel->by);
    channel->done_utc_ms = take_time(in, node, "done");
}

static void take_row(struct reading_record *in, uint32_t node, struct loop_row *row)
{
    row->run = take_run(in, node);
    row->id = take_count(in, node, "id", UINT64_MAX);
    row->kind = take_choice(in, node, "kind", gap_kind_name, GAP_KINDS);
    row->source = take_source(in, node);
    TAKE_TEXT(in, node, "destination", row->destination);
    row->start_utc_ms = take_time(in, node, "start");
    row->end_utc_ms = take_time(in, node, "end");
    row->is_open = row->end_utc_ms == 0;
    row->scans = (uint32_t)take_count(in, node, "scans", UINT32_MAX);
    row->recovered = (uint32_t)take_count(in, node, "recovered", UINT32_MAX);
    row->lost = take_flag(in, node, "lost");
    row->delivered = take_flag(in, node, "delivered");
    TAKE_TEXT(in, node, "cause", row->cause);
}

static void take_outage(struct reading_record *in, uint32_t node, struct loop_outage *outage)
{
    outage->kind = take_choice(in, node, "kind", loop_outage_name, LOOP_OUTAGE_KINDS);
    outage->result = take_choice(in, node, "result", loop_result_name, LOOP_RESULTS);
    TAKE_TEXT(in, node, "how", outage->how);
    outage->asked_ms = (int64_t)take_count(in, node, "asked_ms", INT32_MAX);
    outage->began_utc_ms = take_time(in, node, "began");
    outage->ended_utc_ms = take_time(in, node, "ended");
    outage->offline_heard = take_flag(in, node, "offline_heard");
    outage->has_hole = take_flag(in, node, "has_hole");
    outage->from_seq = take_count(in, node, "from_seq", UINT64_MAX);
    outage->to_seq = take_count(in, node, "to_seq", UINT64_MAX);
    outage->late = (uint32_t)take_count(in, node, "late", UINT32_MAX);
    const uint32_t rows = member(in, node, "rows");
    for (uint32_t item = json_first(&in->doc, rows); item != JSON_MISSING;
         item = json_next(&in->doc, rows, item)) {
        if (outage->n_rows >= LOOP_ROWS_MAX) {
            note(in, "rows");
            break;
        }
        take_row(in, item, &outage->row[outage->n_rows++]);
    }
    TAKE_TEXT(in, node, "sentence", outage->sentence);
    TAKE_TEXT(in, node, "by", outage->by);
    outage->done_utc_ms = take_time(in, node, "done");
}

static void take_one_source(struct reading_record *in, uint32_t node, struct loop_record *out)
{
    const uint8_t kind = take_source(in, node);
    struct loop_source *source = &out->source[kind];
    source->source = kind;
    if (kind == SOURCE_NONE)
        note(in, "source");
    TAKE_TEXT(in, node, "serial_number", source->serial_number);
    TAKE_TEXT(in, node, "line", source->line);
    source->unit_id = (uint8_t)take_count(in, node, "unit_id", UINT8_MAX);
    TAKE_TEXT(in, node, "map", source->map);
    TAKE_TEXT(in, node, "map_digest", source->map_digest);
    source->poll_ms = (uint32_t)take_count(in, node, "poll_ms", UINT32_MAX);
    source->refresh_ms = (uint32_t)take_count(in, node, "refresh_ms", UINT32_MAX);
}

static void take_sitting(struct reading_record *in, uint32_t node, struct loop_sitting *sitting)
{
    sitting->begun_utc_ms = take_time(in, node, "begun");
    sitting->ended_utc_ms = take_time(in, node, "ended");
    TAKE_TEXT(in, node, "by", sitting->by);
    TAKE_TEXT(in, node, "plan", sitting->plan);
    TAKE_TEXT(in, node, "version", sitting->version);
    TAKE_TEXT(in, node, "differences", sitting->differences);
}

static void take_path(struct reading_record *in, uint32_t node, const char *key,
                      struct loop_path *path)
{
    const uint32_t found = member(in, node, key);
    TAKE_TEXT(in, found, "name", path->name);
    TAKE_TEXT(in, found, "where", path->where);
    TAKE_TEXT(in, found, "detail", path->detail);
    path->left_out = take_flag(in, found, "left_out");
}

static void take_lists(struct reading_record *in, struct loop_record *out)
{
    const uint32_t sources = member(in, 0, "sources"), channels = member(in, 0, "channels");
    const uint32_t outages = member(in, 0, "outages"), sittings = member(in, 0, "sittings");
    for (uint32_t item = json_first(&in->doc, sources); item != JSON_MISSING;
         item = json_next(&in->doc, sources, item))
        take_one_source(in, item, out);
    for (uint32_t item = json_first(&in->doc, channels); item != JSON_MISSING;
         item = json_next(&in->doc, channels, item)) {
        if (out->n_channels >= LOOP_CHANNELS_MAX)
            return note(in, "channels");
        take_channel(in, item, &out->channel[out->n_channels++]);
    }
    for (uint32_t item = json_first(&in->doc, outages); item != JSON_MISSING;
         item = json_next(&in->doc, outages, item)) {
        if (out->n_outages >= LOOP_OUTAGES_MAX)
            return note(in, "outages");
        take_outage(in, item, &out->outage[out->n_outages++]);
    }
    for (uint32_t item = json_first(&in->doc, sittings); item != JSON_MISSING;
         item = json_next(&in->doc, sittings, item)) {
        if (out->n_sittings >= LOOP_SITTINGS_MAX)
            return note(in, "sittings");
        take_sitting(in, item, &out->sitting[out->n_sittings++]);
    }
}

static void take_record(struct reading_record *in, struct loop_record *out)
{
    out->complete = take_flag(in, 0, "complete");
    TAKE_TEXT(in, 0, "site", out->site);
    TAKE_TEXT(in, 0, "box", out->box);
    TAKE_TEXT(in, 0, "well", out->well);
    TAKE_TEXT(in, 0, "label", out->label);
    TAKE_TEXT(in, 0, "plan", out->plan);
    TAKE_TEXT(in, 0, "version", out->version);
    TAKE_TEXT(in, 0, "versions", out->versions);
    out->measure_version = (uint32_t)take_count(in, 0, "measure_version", UINT32_MAX);
    TAKE_TEXT(in, 0, "clock", out->clock);
    out->begun_utc_ms = take_time(in, 0, "begun");
    out->ended_utc_ms = take_time(in, 0, "ended");
    take_path(in, 0, "mqtt", &out->mqtt);
    take_path(in, 0, "table", &out->table);
    take_lists(in, out);
}

enum up_rc loop_from_json(const char *text, size_t length, struct loop_record *out,
                          struct up_error *error)
{
    struct reading_record in = {0};
    struct json_node *nodes = malloc(LOOP_NODES_MAX * sizeof *nodes);
    memset(out, 0, sizeof *out);
    if (nodes == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the record");
    enum up_rc rc = json_read(&in.doc, text, length, nodes, LOOP_NODES_MAX, error);
    if (rc == UP_OK &&
        !json_is_text(&in.doc, json_member(&in.doc, 0, "schema"), "uphole/loop-check/1"))
        rc = UP_FAIL(error, UP_E_INPUT, "it is no record of a loop check of this version");
    if (rc == UP_OK)
        take_record(&in, out);
    if (rc == UP_OK && in.bad != NULL)
        rc = UP_FAIL(error, UP_E_INPUT, "'%s' is missing, or is not what it should be", in.bad);
    free(nodes);
    return rc;
}
