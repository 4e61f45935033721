/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_gap.c - `gap`: one row of the ledger, always whole; its identity is (run, id, revision).
 */
#include "payload.h"

static void put_text(struct json *json, const char *key, const char *text)
{
    json_key(json, key);
    json_text(json, text);
}

static void put_seq(struct json *json, const char *key, uint64_t seq)
{
    json_key(json, key);
    if (seq == 0)
        json_null(json);
    else
        json_unsigned(json, seq);
}

static void put_count(struct json *json, const char *key, uint64_t count)
{
    json_key(json, key);
    json_unsigned(json, count);
}

static void put_instant(struct json *json, const char *key, const struct stamp *at, bool is_there)
{
    json_key(json, key);
    if (is_there && payload_time_is_known(at))
        json_time(json, at->utc_ms);
    else
        json_null(json);
}

size_t payload_gap(char *into, size_t room, const struct plan *plan, const struct gap *gap,
                   const char *well_id)
{
    const struct point *point = point_get(gap->point);
    struct json json;
    json_begin(&json, into, room);
    json_open(&json, '{');
    put_text(&json, "schema", "uphole/gap/1");
    put_text(&json, "site", plan->site);
    put_text(&json, "well", well_id);
    json_key(&json, "all_wells");
    json_boolean(&json, gap->all_wells);
    json_key(&json, "run");
    json_run(&json, gap->run);
    put_count(&json, "id", gap->id);
    put_count(&json, "revision", gap->revision);
    put_text(&json, "kind", gap_kind_name(gap->kind));
    put_text(&json, "source", gap->source == SOURCE_NONE ? NULL : source_name(gap->source));
    put_text(&json, "point", point == NULL ? NULL : point->id);
    put_text(&json, "destination", gap->destination[0] == '\0' ? NULL : gap->destination);
    put_instant(&json, "start", &gap->start, true);
    put_instant(&json, "end", &gap->end, !gap->is_open);
    json_key(&json, "open");
    json_boolean(&json, gap->is_open);
    put_seq(&json, "before_seq", gap->before_seq);
    put_seq(&json, "after_seq", gap->after_seq);
    put_count(&json, "scans", gap->scans);
    put_count(&json, "refreshes_about", gap->refreshes_about);
    put_count(&json, "recovered", gap->recovered);
    json_key(&json, "lost");
    json_boolean(&json, gap->lost);
    put_text(&json, "cause", gap->cause);
    put_text(&json, "note", gap->note[0] == '\0' ? NULL : gap->note);
    put_text(&json, "noted_by", gap->noted_by[0] == '\0' ? NULL : gap->noted_by);
    json_key(&json, "planned");
    json_boolean(&json, gap->planned);
    json_close(&json, '}');
    return json_end(&json);
}
