/* SPDX-License-Identifier: Apache-2.0
 *
 * payload_gap.c - `gap`: one row of the ledger, always whole; its identity is (run, id, revision).
 */
#include "payload.h"

static void put_seq(struct json *json, const char *key, uint64_t seq)
{
    json_key(json, key);
    if (seq == 0)
        json_null(json);
    else
        json_unsigned(json, seq);
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
    json_put_text(&json, "schema", "uphole/gap/1");
    json_put_text(&json, "site", plan->site);
    json_put_text(&json, "well", well_id);
    json_put_boolean(&json, "all_wells", gap->all_wells);
    json_put_run(&json, "run", gap->run);
    json_put_unsigned(&json, "id", gap->id);
    json_put_unsigned(&json, "revision", gap->revision);
    json_put_text(&json, "kind", gap_kind_name(gap->kind));
    json_put_text(&json, "source", gap->source == SOURCE_NONE ? NULL : source_name(gap->source));
    json_put_text(&json, "point", point == NULL ? NULL : point->id);
    json_put_text(&json, "destination", gap->destination[0] == '\0' ? NULL : gap->destination);
    put_instant(&json, "start", &gap->start, true);
    put_instant(&json, "end", &gap->end, !gap->is_open);
    json_put_boolean(&json, "open", gap->is_open);
    put_seq(&json, "before_seq", gap->before_seq);
    put_seq(&json, "after_seq", gap->after_seq);
    json_put_unsigned(&json, "scans", gap->scans);
    json_put_unsigned(&json, "refreshes_about", gap->refreshes_about);
    json_put_unsigned(&json, "recovered", gap->recovered);
    json_put_boolean(&json, "lost", gap->lost);
    json_put_text(&json, "cause", gap->cause);
    json_put_text(&json, "note", gap->note[0] == '\0' ? NULL : gap->note);
    json_put_text(&json, "noted_by", gap->noted_by[0] == '\0' ? NULL : gap->noted_by);
    json_put_boolean(&json, "planned", gap->planned);
    json_close(&json, '}');
    return json_end(&json);
}
