/* SPDX-License-Identifier: Apache-2.0
 *
 * status_json.c - the answer to `uphole status --json`: all that the sentences are made of.
 */
#include "socket_answer.h"
#include "status_box.h"

#include <inttypes.h>
#include <string.h>

static void add_order(const struct status_view *view, uint16_t d, uint16_t w,
                      struct socket_text *text)
{
    uint64_t left = 0;
    const struct row_order *order = status_order_of(view->core, d, w, &left);
    text_add(text, ",\"order\":");
    if (order == NULL) {
        text_add(text, "null");
        return;
    }
    static const char *const KINDS[] = {"", "resend", "times", "recalculate"};
    text_add(text, "{\"kind\":\"%s\",\"revision\":%" PRIu32 ",\"by\":",
             order->kind <= ORDER_RECALCULATE ? KINDS[order->kind] : "", order->revision);
    text_add_string(text, order->by);
    text_add(text, ",\"reason\":");
    text_add_string(text, order->reason);
    text_add(text, ",\"records_left\":%" PRIu64 "}", left);
}

static void add_outcomes(const struct status_view *view, uint16_t w, uint8_t s,
                         struct socket_text *text)
{
    const uint64_t *outcomes = status_outcomes(view->core, w, s);
    const char *before = "";
    text_add(text, ",\"scans\":{");
    for (uint8_t o = OUTCOME_NONE + 1; o < OUTCOME_COUNT; o++)
        if (outcomes[o] > 0) {
            text_add(text, "%s\"%s\":%" PRIu64, before, outcome_name(o), outcomes[o]);
            before = ",";
        }
    text_add(text, "}");
}

static void add_delivery(const struct status_view *view, uint16_t w, uint16_t d,
                         const struct stamp *now, struct socket_text *text)
{
    struct status_delivery to;
    status_delivery_of(view->core, d, w, now->boot_ms, &to);
    text_add(text, "%s{\"destination\":", d == 0 ? "" : ",");
    text_add_string(text, view->plan->destinations[d].name);
    text_add(text, ",\"state\":\"%s\",\"code\":%u,\"since\":", delivery_state_name(to.state),
             to.state);
    text_add_instant(text, to.since.utc_ms);
    text_add(text, ",\"acknowledges\":%s", to.acknowledges ? "true" : "false");
    if (to.acknowledges)
        text_add(text,
                 ",\"waiting_records\":%" PRIu64 ",\"waiting_s\":%" PRId64
                 ",\"accepted_seq\":%" PRIu64 ",\"accepted_pos\":%" PRIu64
                 ",\"accepted_gap_pos\":%" PRIu64,
                 to.waiting, to.waiting_ms / 1000, to.seq, to.pos, to.gap_pos);
    text_add(text, ",\"reason\":");
    text_add_string(text, to.reason);
    add_order(view, d, w, text);
    text_add(text, "}");
}

static void add_channels(const struct snapshot *snapshot, struct socket_text *text)
{
    const char *before = "";
    text_add(text, ",\"channels\":{");
    for (size_t i = 0; i < quality_count(); i++) {
        const struct quality_row *row = quality_row_at(i);
        unsigned n = 0;
        for (uint16_t r = 0; r < snapshot->n; r++)
            n += snapshot->reading[r].quality == row->code;
        if (n == 0)
            continue;
        text_add(text, "%s\"%s\":%u", before, row->name, n);
        before = ",";
    }
    text_add(text, "}");
}

static void add_well(const struct status_view *view, uint16_t w, const struct stamp *now,
                     struct socket_text *text)
{
    const struct well_plan *well = &view->plan->wells[w];
    struct snapshot snapshot;
    status_snapshot(view->core, w, now, &snapshot);
    text_add(text, "%s{\"well\":\"%s\",\"label\":", w == 0 ? "" : ",", well->id);
    text_add_string(text, well->label);
    text_add(text,
             ",\"line\":{\"state\":\"%s\",\"code\":%u,\"since\":", line_state_name(snapshot.line),
             snapshot.line);
    text_add_instant(text, snapshot.line_since_utc_ms);
    text_add(text, "},\"sources\":{");
    const char *before = "";
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        if (plan_entry_at(well, s, now->utc_ms) == NULL)
            continue;
        const struct scan *scan = status_newest_scan(view->core, w, s);
        text_add(text, "%s\"%s\":{\"state\":\"%s\",\"code\":%u,\"outcome\":", before,
                 source_name(s), line_state_name(snapshot.source_line[s]), snapshot.source_line[s]);
        text_add_string(text, scan != NULL ? outcome_name(scan->outcome) : "none");
        text_add(text, ",\"at\":");
        text_add_instant(text, scan != NULL ? scan->begun.utc_ms : 0);
        add_outcomes(view, w, s, text);
        text_add(text, "}");
        before = ",";
    }
    text_add(text, "},\"gauge\":{\"state\":\"%s\",\"code\":%u,\"since\":",
             gauge_state_name(snapshot.gauge), snapshot.gauge);
    text_add_instant(text, snapshot.gauge_since_utc_ms);
    text_add(text, "}");
    add_channels(&snapshot, text);
    text_add(text, ",\"delivery\":[");
    for (uint16_t d = 0; d < view->plan->n_destinations; d++)
        add_delivery(view, w, d, now, text);
    text_add(text, "],\"newest_seq\":%" PRIu64 ",\"gaps_open\":%u,\"journaled\":%s}",
             core_newest_seq(view->core, w), snapshot.gaps_open,
             snapshot.journaled ? "true" : "false");
}

void status_as_json(const struct status_view *view, struct socket_text *text)
{
    const struct stamp now = stamp_take(view->clock, view->watch);
    text_add(text,
             "{\"version\":\"" UPHOLE_VERSION "\",\"measure_version\":%u,\"site\":\"%s\","
             "\"box\":\"%s\",\"run\":\"%016" PRIx64 "\",\"plan\":\"%s\",\"at\":",
             MEASURE_VERSION, view->plan->site, view->plan->box, view->run, view->plan->digest);
    text_add_instant(text, now.utc_ms);
    text_add(text, ",\"began\":");
    text_add_instant(text, view->began->utc_ms);
    text_add(text,
             ",\"clock\":{\"state\":\"%s\",\"code\":%u,\"since\":", clock_state_name(now.clock),
             now.clock);
    text_add_instant(text, view->clock_since.utc_ms);
    text_add(text, "},\"wells\":[");
    for (uint16_t w = 0; w < view->plan->n_wells; w++)
        add_well(view, w, &now, text);
    text_add(text, "],");
    status_lines_as_json(view, &now, text);
    text_add(text, ",");
    status_box_as_json(view, &now, text);
    text_add(text, "}\n");
}
