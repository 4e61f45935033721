/* SPDX-License-Identifier: Apache-2.0
 *
 * status_json.c - the answer to `uphole status --json`: all that the sentences are made of.
 */
#include "socket_answer.h"

#include <inttypes.h>
#include <string.h>

static const struct count_row {
    const char *key;
    size_t offset;
} COUNTS[] = {
    {"requests", offsetof(struct line_counts, requests)},
    {"answers", offsetof(struct line_counts, answers)},
    {"silent", offsetof(struct line_counts, silent)},
    {"cut_short", offsetof(struct line_counts, cut_short)},
    {"bad_checksum", offsetof(struct line_counts, bad_checksum)},
    {"wrong_reply", offsetof(struct line_counts, wrong_reply)},
    {"stray_bytes", offsetof(struct line_counts, stray_bytes)},
    {"foreign_frames", offsetof(struct line_counts, foreign_frames)},
    {"late_replies", offsetof(struct line_counts, late_replies)},
    {"port_losses", offsetof(struct line_counts, port_losses)},
};

static void add_hold(const struct status_view *view, uint16_t i, struct socket_text *text)
{
    const struct hold *hold =
        hold_now(view->holds, view->plan->lines[i].name, clock_boot_ms(view->clock));
    if (hold == NULL) {
        text_add(text, "null");
        return;
    }
    text_add(text, "{\"by\":");
    text_add_string(text, hold->who);
    text_add(text, ",\"since\":");
    text_add_instant(text, hold->since.utc_ms);
    text_add(text, ",\"until\":");
    text_add_instant(text, hold->until.utc_ms);
    text_add(text, ",\"port_is_free\":%s}", status_port_is_free(view, i) ? "true" : "false");
}

static void add_line(const struct status_view *view, uint16_t i, struct socket_text *text)
{
    struct line_counts counts = {0};
    if (view->gatherers[i] != NULL)
        gather_totals(view->gatherers[i], &counts);
    text_add(text, "%s{\"line\":", i == 0 ? "" : ",");
    text_add_string(text, view->plan->lines[i].name);
    text_add(text, ",\"runs\":%s", view->gatherers[i] != NULL ? "true" : "false");
    for (size_t k = 0; k < sizeof COUNTS / sizeof *COUNTS; k++) {
        uint64_t n;
        memcpy(&n, (const char *)&counts + COUNTS[k].offset, sizeof n);
        text_add(text, ",\"%s\":%" PRIu64, COUNTS[k].key, n);
    }
    text_add(text, ",\"exceptions\":{");
    const char *before = "";
    for (unsigned e = 1; e < 256; e++)
        if (counts.exceptions[e] > 0) {
            text_add(text, "%s\"%02X\":%" PRIu64, before, e, counts.exceptions[e]);
            before = ",";
        }
    text_add(text, "},\"slowest_answer_ms\":%" PRId64 ",\"busy_ms\":%" PRId64 ",\"held\":",
             counts.slowest_answer_us / 1000, counts.busy_us / 1000);
    add_hold(view, i, text);
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
    struct status_space space;
    status_space_of(view->core, &space);
    text_add(text,
             "{\"version\":\"" UPHOLE_VERSION "\",\"measure_version\":%u,\"site\":\"%s\","
             "\"box\":\"%s\",\"run\":\"%016" PRIx64 "\",\"plan\":\"%s\",\"at\":",
             MEASURE_VERSION, view->plan->site, view->plan->box, view->run, view->plan->digest);
    text_add_instant(text, now.utc_ms);
    text_add(text, ",\"began\":");
    text_add_instant(text, view->began->utc_ms);
    text_add(text, ",\"clock\":{\"state\":\"%s\",\"code\":%u},\"wells\":[",
             clock_state_name(now.clock), now.clock);
    for (uint16_t w = 0; w < view->plan->n_wells; w++)
        add_well(view, w, &now, text);
    text_add(text, "],\"lines\":[");
    for (uint16_t i = 0; i < view->plan->n_lines; i++)
        add_line(view, i, text);
    const struct core_counts *counts = core_counts_of(view->core);
    text_add(text,
             "],\"journal\":{\"checked\":%s,\"refuses\":%s,\"bytes\":%" PRIu64
             ",\"free_bytes\":%" PRIu64 ",\"planned_bytes_a_day\":%.0f,\"days_left\":%u}",
             view->safe ? "true" : "false", core_journal_refuses(view->core) ? "true" : "false",
             space.bytes, space.free_bytes, space.bytes_a_day, space.days_left);
    text_add(text,
             ",\"counts\":{\"scans\":%" PRIu64 ",\"commits\":%" PRIu64
             ",\"failed_commits\":%" PRIu64 ",\"accepted\":%" PRIu64 ",\"refused\":%" PRIu64
             ",\"bad_messages\":%" PRIu64 "}",
             counts->scans, counts->commits, counts->failed_commits, counts->accepted,
             counts->refused, counts->bad_messages);
    text_add(text, ",\"own_memory_bytes\":%" PRIu64 ",\"scada_side_runs\":%s}\n",
             status_own_memory(), view->side > 0 ? "true" : "false");
}
